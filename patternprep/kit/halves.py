"""The pattern's halves: cut at the parting, drafted, matched; with what was filled, by name."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from patternprep.errors import UsageFault
from patternprep.formulas.draft_angle import draft_rule
from patternprep.kit.plan import Plan
from patternprep.mesh.kernel import Solid
from patternprep.pattern.cores.seat import SeatedPattern, seat_cores
from patternprep.pattern.draft import (
    AngleRule,
    ClosedPocket,
    DraftedPattern,
    closed_pockets,
    constant_angle,
    draft_pattern,
)
from patternprep.pattern.parting import (
    Undercut,
    closed_cavities,
    undercuts_of_pairs,
    with_cavities_told,
)
from patternprep.progress import Progress, silent
from patternprep.units import parse_angle

__all__ = ["Halves", "make_halves"]

SMALLEST_NAMED_SHARE = 1e-6
"""Filled places below this share of the part's volume are rounding and are not named."""


@dataclass(frozen=True)
class Halves:
    """The drafted pattern with the places that had to be filled."""

    drafted: DraftedPattern
    """The metal's own halves."""
    seated: SeatedPattern
    """The same with the seats of core prints: the pattern."""
    undercuts: tuple[Undercut, ...]
    closed: tuple[ClosedPocket, ...]
    """Pockets that draft closes from their bottom up, in part axes and at casting size."""


def make_halves(plan: Plan, progress: Progress = silent) -> Halves:
    """Cut the stocked part at the parting, draft both halves and match them."""
    progress("cutting at the parting")
    cores = plan.cores
    whole = None if cores is None else cores.filled
    if whole is None:
        whole = Solid.from_mesh(plan.in_mould, "the part with its stock")
    low, high = (float(z) for z in whole.bounds[:, 2])
    cope, drag = _cut(whole, low, high)
    least = SMALLEST_NAMED_SHARE * whole.volume
    del whole  # large parts need the room
    progress("drafting")
    drafted = draft_pattern(
        cope,
        drag,
        _angles(plan),
        corner=plan.job.draft.corner,
        match=plan.job.parting.match,
        progress=progress,
    )
    undercuts = with_cavities_told(
        undercuts_of_pairs(drafted.filled_pairs, plan.frame.inverse, least),
        closed_cavities(plan.stocked),
    )
    seated = seat_cores(
        drafted.cope,
        drafted.drag,
        [] if cores is None else [one for core in cores.cores for one in core.prints],
        _angles(plan),
        plan.job.draft.corner,
        progress,
    )
    closed = _closed(plan, drafted)
    return Halves(drafted, seated, tuple(undercuts), closed)


def _closed(plan: Plan, drafted: DraftedPattern) -> tuple[ClosedPocket, ...]:
    """Pockets of both halves that draft closes, in part axes, the deepest loss first."""
    mirror = np.diag([1.0, 1.0, -1.0, 1.0])
    up = plan.frame.matrix[:3, :3] @ np.asarray(plan.chosen.pull)
    factor = float(np.linalg.norm(up))
    found = []
    halves = [half for half in (drafted.cope, drafted.drag) if half is not None]
    for half, (filled, _) in zip(halves, drafted.filled_pairs, strict=True):
        below = half is drafted.drag
        solids = [one.transform(mirror) if below else one for one in (filled, half)]
        for pocket in closed_pockets(*solids):
            x, y, z = pocket.place
            x, y, z = (float(c) for c in plan.frame.to_part(np.array([x, y, -z if below else z])))
            found.append(
                replace(
                    pocket,
                    place=(x, y, z),
                    was_mm=pocket.was_mm / factor,
                    is_mm=pocket.is_mm / factor,
                )
            )
    return tuple(sorted(found, key=lambda pocket: pocket.is_mm - pocket.was_mm))


def _cut(whole: Solid, low: float, high: float) -> tuple[Solid | None, Solid | None]:
    """Cope (z >= 0) and drag (z <= 0); None for a side without metal."""
    if low >= 0.0:
        raise UsageFault(
            "All of the part lies above the parting plane, and a pattern in one piece lies below "
            "it, in the drag; turn the pull round with --pull or raise the plane with --parting."
        )
    if high <= 0.0:
        return None, whole
    above, below = whole.split_by_plane()
    return (None if above.is_empty else above), (None if below.is_empty else below)


def _angles(plan: Plan) -> AngleRule:
    """The job's draft as a rule of wall height and side."""
    choice = plan.job.draft
    if choice.angle == "table":
        rule = draft_rule(choice.table)
        return lambda height_mm, inside: rule(height_mm, inside)
    return constant_angle(parse_angle(choice.angle))
