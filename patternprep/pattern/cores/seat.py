"""Seats of core prints, drafted and put onto the pattern's halves.

The draft hull of metal and seats together is the union of their own hulls, so the metal's halves
stay as they are, and what the seats add is known. Mould frame, pattern size, mm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from patternprep.mesh.kernel import Solid, union_all
from patternprep.pattern.cores.prints import Print
from patternprep.pattern.draft import AngleRule, Corner, Match, draft_pattern
from patternprep.progress import Progress, silent

__all__ = ["SeatedPattern", "seat_cores"]

SPECK_MM3 = 1e-9
"""A half with less than this holds nothing."""


@dataclass(frozen=True, eq=False)
class SeatedPattern:
    """Halves of the pattern with their seats; None for a half that holds nothing."""

    cope: Solid | None = field(repr=False)
    drag: Solid | None = field(repr=False)
    seats_mm3: float
    """What the seats add to the metal's own halves, mm3."""


def seat_cores(
    cope: Solid | None,
    drag: Solid | None,
    prints: Sequence[Print],
    angles: AngleRule | float,
    corner: Corner,
    progress: Progress = silent,
) -> SeatedPattern:
    """The metal's drafted halves with the seats of prints (mould frame, before draft) added.

    Level prints lie in both halves and are made to meet on the parting; upright ones are not.
    """
    before = sum(s.volume for s in (cope, drag) if s is not None)
    ways: tuple[tuple[bool, Match], ...] = ((True, "taper"), (False, "step"))
    for level, match in ways:
        seats = [p.seat for p in prints if (p.side == "horizontal") == level]
        if not seats:
            continue
        progress(f"drafting the {'level' if level else 'upright'} core prints")
        above, below = union_all(seats).split_by_plane()
        drafted = draft_pattern(
            _some(above), _some(below), angles, corner, match=match, progress=silent
        )
        cope, drag = _joined(cope, drafted.cope), _joined(drag, drafted.drag)
    after = sum(s.volume for s in (cope, drag) if s is not None)
    return SeatedPattern(cope, drag, after - before)


def _some(solid: Solid) -> Solid | None:
    return None if solid.is_empty or solid.volume < SPECK_MM3 else solid


def _joined(metal: Solid | None, seats: Solid | None) -> Solid | None:
    if metal is None or seats is None:
        return seats if metal is None else metal
    return metal + seats
