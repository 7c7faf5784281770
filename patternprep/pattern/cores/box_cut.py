"""One way of parting a box worked out: the core laid into it, drafted, and its loss measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from patternprep.mesh.kernel import Solid, union_all
from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.cores.box_draw import (
    MIRROR,
    carried_on,
    drawable_half,
    settled_on_grid,
    split_core,
)
from patternprep.pattern.cores.box_ends import CoreEnd, ramming_end
from patternprep.pattern.cores.box_loss import BoxLoss, box_loss
from patternprep.pattern.cores.box_spare import plainer
from patternprep.pattern.cores.box_ways import BoxWay
from patternprep.pattern.frame import rotation_to_z
from patternprep.progress import Progress, silent

__all__ = ["CutCore", "cut_core"]

_WEDGE_SHARE = 1e-6
_GROWN = 1.0 + 2e-4


@dataclass(frozen=True, eq=False)
class CutCore:
    """A core as one way of parting makes it."""

    way: BoxWay
    to_box: FloatArray
    """4 x 4, mould frame to box frame."""
    made: Solid = field(repr=False)
    """Box frame."""
    metal: Solid = field(repr=False)
    """What of the core asked for lies in metal, box frame."""
    loss: BoxLoss
    """Its place in the mould frame."""
    opening: CoreEnd | None
    """The end that it is rammed through; None where the parting (or the base) is the open face."""
    why: str
    """Why it is rammed there."""

    @property
    def bodies(self) -> int:
        """How many bodies the core falls into."""
        return len(self.made.bodies())


def cut_core(
    core: Solid,
    ends: Sequence[CoreEnd],
    free: Solid | None,
    way: BoxWay,
    draft_deg: float,
    progress: Progress = silent,
) -> CutCore:
    """Lay the core into its box, take the box's draft out of it, and measure what that costs."""
    opening, why = (
        (None, "its flat base is the open face of the box")
        if way.one_piece
        else ramming_end(core, ends, way.pull, way.offset_mm)
    )
    to_box = _box_frame(core, ends if opening is None else [opening], way)
    laid = settled_on_grid(core, to_box)
    halves = split_core(laid)
    beyond = None if opening is None else split_core(carried_on(laid))
    made = []
    for lower in (False, True):
        half = halves.lower if lower else halves.upper
        if half.is_empty:
            continue
        open_half = None if beyond is None else beyond.lower if lower else beyond.upper
        drawn = drawable_half(half, draft_deg, open_half=open_half, progress=progress)
        made.append(drawn.transform(MIRROR) if lower else drawn)
    whole = plainer(made[0] if len(made) == 1 else union_all(made))
    if (whole + halves.whole).volume > (1.0 + _WEDGE_SHARE) * halves.whole.volume:
        whole = whole & halves.whole  # a wedge that the kernel left over a sharp edge
    metal = halves.whole if free is None else halves.whole - _grown(free.transform(to_box))
    loss = box_loss(metal, whole)
    back = np.linalg.inv(to_box)
    place = back[:3, :3] @ loss.place + back[:3, 3]
    return CutCore(
        way, to_box, whole, metal, BoxLoss(loss.volume_mm3, loss.depth_mm, place), opening, why
    )


def _grown(free: Solid) -> Solid:
    """A little larger about the middle of each body, so that no film of core is left round it."""
    grown = []
    for body in free.bodies():
        middle = body.bounds.mean(axis=0)
        matrix = np.diag([_GROWN, _GROWN, _GROWN, 1.0])
        matrix[:3, 3] = (1.0 - _GROWN) * middle
        grown.append(body.transform(matrix))
    return union_all(grown)


def _box_frame(core: Solid, ends: Sequence[CoreEnd], way: BoxWay) -> FloatArray:
    """Pull along z, parting at z = 0, the first end along x as nearly as it goes."""
    turn = rotation_to_z(way.pull)
    for end in ends:
        out = turn @ end.normal
        flat = float(np.hypot(out[0], out[1]))
        if flat > 0.5:
            c, s = out[0] / flat, out[1] / flat
            turn = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]]) @ turn
            break
    rounded = np.round(turn)
    turn = rounded if np.abs(rounded - turn).max() < 1e-12 else turn
    middle = turn @ core.bounds.mean(axis=0)
    matrix = np.eye(4)
    matrix[:3, :3] = turn
    matrix[:3, 3] = (-middle[0], -middle[1], -way.offset_mm)
    return matrix
