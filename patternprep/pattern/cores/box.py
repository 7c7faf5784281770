"""Core boxes: the core as a box can make it, and the pieces of that box.

Box draft is taken out of the core, so the core never exceeds what was asked for. A core and its
print ends come in the mould frame at pattern size, mm; the pieces come out lying on their flats.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from patternprep.errors import GeometryFault
from patternprep.mesh.kernel import Solid, plan_area
from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.cores.box_block import (
    BoxVent,
    Dowel,
    Outside,
    lay_dowels,
    lay_outside,
    make_block,
)
from patternprep.pattern.cores.box_coat import coat_off, coat_on
from patternprep.pattern.cores.box_cut import CutCore, cut_core
from patternprep.pattern.cores.box_draw import in_one_body
from patternprep.pattern.cores.box_ends import CoreEnd, Opening, end_area, lay_vents
from patternprep.pattern.cores.box_ways import PLAIN_MM, BoxWay, box_ways, searched_ways
from patternprep.progress import Progress, silent
from patternprep.units import format_point

__all__ = ["BoxPiece", "BoxVent", "CoreBox", "CoreEnd", "Dowel", "Opening", "make_box"]

_TRIED = 4
"""How many ways are worked out exactly, of the natural ones and of those searched for."""

_BEYOND = 1e3
"""Charge for a way that is beyond the limit, so that any within it comes first."""

_BEYOND_HOPE = 1.0
"""A way whose rough mean loss is this many times the limit is not worked out, unless to be told."""

_FLUSH_MM = 1e-3
_JUST_INSIDE_MM = 1e-4


@dataclass(frozen=True)
class _Walls:
    """What the box itself is made with, mm."""

    wall_mm: float
    dowels_mm: tuple[float, float]
    dowel_out_mm: float
    dowel_gap_mm: float
    vent_mm: float


@dataclass(frozen=True, eq=False)
class BoxPiece:
    """One piece of a core box, lying on its flat outer face, the cavity up."""

    name: str
    """"a", "b" (or "c" for a loose side)."""
    solid: Solid = field(repr=False)
    """z >= 0, mm."""
    matrix: FloatArray
    """4 x 4, mould frame to the piece's own frame; a turn and a shift, never a mirror."""


@dataclass(frozen=True, eq=False)
class CoreBox:
    """A core as its box makes it, and the box."""

    core: Solid = field(repr=False)
    """As it is set in the mould, coating and all: mould frame, within the core asked for."""
    bare: Solid = field(repr=False)
    """As it leaves the box: the same less its coating."""
    pieces: tuple[BoxPiece, ...]
    pull: FloatArray
    """Unit normal of the box's parting, mould frame; the half ahead of it lies in piece a."""
    offset_mm: float
    """The parting is n.x = offset with n the pull."""
    kind: str
    """Like "two halves, rammed through the end of a print"; the parting in words follows."""
    loss_mm3: float
    """Volume that box draft took off where metal lies against the core."""
    greatest_loss_mm: float
    loss_place: FloatArray
    """Where the surface lies back farthest, mould frame, (3,)."""
    openings: tuple[Opening, ...]
    """Where the box is rammed and struck off."""
    dowels: tuple[Dowel, ...]
    vents: tuple[BoxVent, ...]
    size_mm: tuple[tuple[float, float, float], ...]
    """Size of each piece as it lies."""
    reasons: tuple[str, ...]


def make_box(
    core: Solid,
    ends: Sequence[CoreEnd],
    *,
    free: Solid | None = None,
    draft_deg: float = 1.0,
    wall_mm: float,
    coating_mm: float = 0.0,
    loss_limit_mm: float,
    dowel_gap_mm: float,
    vent_mm: float,
    dowels_mm: tuple[float, float] = (8.0, 6.0),
    dowel_out_mm: float = 6.5,
    pull: FloatArray | None = None,
    offset_mm: float | None = None,
    progress: Progress = silent,
) -> CoreBox:
    """The box for a core, parted so that its draft costs the cored surface least.

    ``free`` is the region (the prints) where the core may lose to draft at no charge; elsewhere
    its surface may lie back by at most ``loss_limit_mm``. ``coating_mm`` is taken off that surface
    all round. ``vent_mm`` 0 makes no vent holes. ``pull`` with ``offset_mm`` fixes the parting:
    then the core is made in one piece where it lies wholly ahead of that plane. Raises
    GeometryFault with the place where no parting is within the limit.
    """
    if core.is_empty:
        raise GeometryFault("There is no core to make a box for.")
    core = in_one_body(core)
    bare = coat_off(core, free, coating_mm) if coating_mm > 0.0 else core
    found, reasons = _best(bare, ends, free, draft_deg, loss_limit_mm, pull, offset_mm, progress)
    if found.loss.depth_mm > loss_limit_mm:
        raise _too_much(found, loss_limit_mm, draft_deg)
    if found.bodies != 1:
        raise _falls_apart(found)
    progress("building the pieces of the core box")
    walls = _Walls(wall_mm, dowels_mm, dowel_out_mm, dowel_gap_mm, vent_mm)
    return _boxed(found, free, core, coating_mm, reasons, walls, ends)


def _best(
    core: Solid,
    ends: Sequence[CoreEnd],
    free: Solid | None,
    draft_deg: float,
    limit_mm: float,
    pull: FloatArray | None,
    offset_mm: float | None,
    progress: Progress,
) -> tuple[CutCore, list[str]]:
    """The way that costs least, and what was weighed, in words."""
    mesh = core.to_mesh()
    tried: list[tuple[float, CutCore]] = []

    def work_out(ways: Sequence[BoxWay]) -> None:
        for way in ways[:_TRIED]:
            if way.cost_mm > _BEYOND_HOPE * limit_mm + PLAIN_MM * way.plain and tried:
                return
            if tried and min(t[0] for t in tried) <= way.cost_mm:
                return
            progress(f"weighing a core box {way.words}")
            cut = cut_core(core, ends, free, way, draft_deg, progress)
            cost = cut.loss.volume_mm3 / max(cut.metal.area, 1e-9) + PLAIN_MM * way.plain
            if cut.loss.depth_mm > limit_mm or cut.bodies != 1:
                cost += _BEYOND + cut.loss.depth_mm
            tried.append((cost, cut))

    if pull is not None:
        work_out([_asked(core, pull, offset_mm)])
    else:
        marks = [(e.point, e.normal) for e in sorted(ends, key=lambda e: -round(end_area(e), 3))]
        work_out(box_ways(mesh, free, marks, draft_deg))
        if not tried or min(t[0] for t in tried) > _BEYOND:
            progress("searching for a parting of the core box")
            work_out(searched_ways(mesh, free, draft_deg, _TRIED))
    tried.sort(key=lambda t: t[0])
    best = tried[0][1]
    reasons = [
        f"{_lead(best)}: box draft leaves at most {best.loss.depth_mm:.2f} mm of metal on a cored "
        f"surface, {best.loss.volume_mm3:.0f} mm3 in all",
        best.why,
    ]
    reasons += [
        f"{_lead(other)} would leave up to {other.loss.depth_mm:.2f} mm, "
        f"{other.loss.volume_mm3:.0f} mm3 in all"
        + ("" if other.bodies == 1 else ", and the core would fall apart")
        for _, other in tried[1:]
    ]
    return best, reasons


def _asked(core: Solid, pull: FloatArray, offset_mm: float | None) -> BoxWay:
    n = np.asarray(pull, dtype=np.float64)
    n = n / np.linalg.norm(n)
    heights = core.to_mesh().vertices @ n
    low, high = float(heights.min()), float(heights.max())
    offset = 0.5 * (low + high) if offset_mm is None else float(offset_mm)
    if not low - _FLUSH_MM <= offset < high - _FLUSH_MM:
        raise GeometryFault(
            f"A box parting at {offset:g} mm along its pull misses the core, which reaches from "
            f"{low:.3f} to {high:.3f} mm; give a height between these."
        )
    one = offset <= low + _FLUSH_MM
    return BoxWay(n, low if one else offset, "parted as asked", 0, one)


def _kind(cut: CutCore) -> str:
    if cut.way.one_piece:
        return "one piece, struck off"
    if cut.opening is not None:
        return "two halves, rammed through the end of a print"
    return "two halves, half cores pasted"


def _lead(cut: CutCore) -> str:
    return f"{_kind(cut)}, {cut.way.words}"


def _too_much(cut: CutCore, limit_mm: float, draft_deg: float) -> GeometryFault:
    place = [float(c) for c in cut.loss.place]
    return GeometryFault(
        f"No core box with a flat parting makes the core at {format_point(place)} in the mould: "
        f"the best one ({_lead(cut)}) leaves {cut.loss.depth_mm:.2f} mm of metal there at a box "
        f"draft of {draft_deg:g} degrees, and the limit is {limit_mm:g} mm; divide the core "
        "with another print, give the box less draft, or leave that hole without a core.",
        where=place,
    )


def _falls_apart(cut: CutCore) -> GeometryFault:
    small = min(cut.made.bodies(), key=lambda b: b.volume).bounds.mean(axis=0)
    back = np.linalg.inv(cut.to_box)
    place = [float(c) for c in back[:3, :3] @ small + back[:3, 3]]
    return GeometryFault(
        f"The best core box ({_lead(cut)}) makes the core in {cut.bodies} pieces that do not hang "
        f"together, one of them at {format_point(place)} in the mould; give the box less draft, or "
        "leave that hole without a core.",
        where=place,
    )


def _boxed(
    cut: CutCore,
    free: Solid | None,
    core: Solid,
    coating_mm: float,
    reasons: Sequence[str],
    walls: _Walls,
    ends: Sequence[CoreEnd],
) -> CoreBox:
    """The pieces around a core, and everything that is told of them."""
    two = not cut.way.one_piece
    loose = two and cut.opening is None
    to_mould: FloatArray = np.asarray(np.linalg.inv(cut.to_box), dtype=np.float64)
    outside = lay_outside(
        cut.made,
        walls.wall_mm,
        walls.dowels_mm if two else (),
        walls.dowel_out_mm,
        flush=cut.opening is not None,
        two=two,
    )
    vents = lay_vents(ends, cut.opening, cut.to_box, outside, walls.vent_mm, one_piece=not two)
    dowels: tuple[Dowel, ...] = ()
    if two:
        turn, shift = cut.to_box[:3, :3], cut.to_box[:3, 3]
        dowels = lay_dowels(
            outside,
            cut.made,
            to_mould,
            walls.dowels_mm,
            walls.dowel_out_mm,
            walls.dowel_gap_mm,
            loose=loose,
            clear_of=[
                (turn @ v.place + shift, turn @ v.direction, 0.5 * v.diameter_mm) for v, _ in vents
            ],
        )
    pieces = []
    for name, upper in (("a", True), ("b", False))[: 2 if two else 1]:
        solid = make_block(
            outside, cut.made, upper=upper, dowels=dowels, channels=[c for _, c in vents]
        )
        lie = _lying(outside, upper)
        pieces.append(BoxPiece(name, solid.transform(lie), np.asarray(lie @ cut.to_box)))
    bare = cut.made.transform(to_mould)
    return CoreBox(
        core=coat_on(bare, free, coating_mm, core) if coating_mm > 0.0 else bare,
        bare=bare,
        pieces=tuple(pieces),
        pull=cut.way.pull,
        offset_mm=cut.way.offset_mm,
        kind=_kind(cut),
        loss_mm3=cut.loss.volume_mm3,
        greatest_loss_mm=cut.loss.depth_mm,
        loss_place=cut.loss.place,
        openings=_openings(cut, to_mould),
        dowels=dowels,
        vents=tuple(v for v, _ in vents),
        size_mm=tuple(_size(p.solid) for p in pieces),
        reasons=tuple(reasons),
    )


def _lying(outside: Outside, upper: bool) -> FloatArray:
    """Box frame to a piece on its flat outer face: the upper one is turned over."""
    middle = 0.5 * (outside.low + outside.high)
    lie: FloatArray = np.eye(4)
    if upper:
        lie[:3, :3] = np.diag([1.0, -1.0, -1.0])
        lie[:3, 3] = (-middle[0], middle[1], outside.high[2])
    else:
        lie[:3, 3] = (-middle[0], -middle[1], -outside.low[2])
    return lie


def _openings(cut: CutCore, to_mould: FloatArray) -> tuple[Opening, ...]:
    if cut.opening is not None:
        end = cut.opening
        words = "rammed through the end of a print and struck off level with the box"
        return (Opening(words, end.point, end.normal, end_area(end)),)
    area = plan_area(cut.made.section(_JUST_INSIDE_MM))
    middle = np.append(cut.made.bounds[:, :2].mean(axis=0), 0.0)
    point = to_mould[:3, :3] @ middle + to_mould[:3, 3]
    if cut.way.one_piece:
        words = "rammed through its open face and struck off level with the box"
        return (Opening(words, point, -cut.way.pull, area),)
    words = "each half rammed through its open face and struck off; the half cores are pasted"
    return (
        Opening(words, point, -cut.way.pull, area),
        Opening(words, point, cut.way.pull, area),
    )


def _size(solid: Solid) -> tuple[float, float, float]:
    x, y, z = (float(c) for c in np.ptp(solid.bounds, axis=0))
    return x, y, z
