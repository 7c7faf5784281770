"""Core boxes: walls, draft, what draft may leave on the casting, coating, dowels.

Lengths in mm, angles in degrees. Most figures are this project's own choices and say so.
"""

from __future__ import annotations

from dataclasses import dataclass

from patternprep.data.core_practice import box_practice, core_practices
from patternprep.data.tables import plastics
from patternprep.data.values import Source, Value, format_figure
from patternprep.errors import UsageFault
from patternprep.formulas.checks import require_not_negative, require_positive
from patternprep.formulas.cores import Chosen, Ruled, sources_of

__all__ = [
    "Dowels",
    "box_dowels",
    "box_draft",
    "box_draft_metal",
    "box_notes",
    "box_wall",
    "coating_allowance",
]


@dataclass(frozen=True, slots=True)
class Dowels:
    """Two pegs of unequal diameter in mm, how far they stand out, the gap of the holes."""

    first_mm: float
    second_mm: float
    out_mm: float
    gap_mm: float
    text: str
    sources: tuple[Source, ...]


def _chosen(what: str, value: Value) -> Chosen:
    cited = "; ".join(
        f"{r.range_text(value.unit)}: {r.source.text()}{f', {r.note}' if r.note else ''}"
        for r in value.readings
    )
    text = f"{what} {value.text()} ({cited})"
    return Chosen(value.usual, value.unit, value.low, value.high, text, value.sources)


def box_wall(plastic: str, longest_mm: float) -> Chosen:
    """Thickness of a box's walls in mm: by the print plastic, more for a long box.

    ``plastic``: short name of a print plastic, such as "PLA"; ``longest_mm``: longest side.

    >>> box_wall("PLA", 80.0).value, box_wall("PLA", 300.0).value, box_wall("resin", 80.0).value
    (5.0, 7.0, 4.0)
    """
    require_positive(longest_mm, "the longest side of the box", "mm")
    if plastic not in plastics():
        names = ", ".join(plastics())
        raise UsageFault(f"'{plastic}' is no print plastic of the tables; give one of {names}.")
    practice = box_practice()
    wall = practice.walls["resin" if plastic == "resin" else "filament"]
    extra = practice.wall_per_100.usual * max(0.0, longest_mm / 100.0 - 1.0)
    sources = sources_of([wall, practice.wall_per_100])
    text = (
        f"walls of {format_figure(wall.usual + extra)} mm: {wall.text()} for {plastic} and "
        f"{format_figure(extra)} mm for a side of {format_figure(longest_mm)} mm "
        f"({'; '.join(source.text() for source in sources)})"
    )
    return Chosen(wall.usual + extra, "mm", wall.low + extra, wall.high + extra, text, sources)


def box_draft() -> Chosen:
    """Draft of a core box in degrees.

    >>> box_draft().value, box_draft().high
    (1.0, 5.0)
    """
    return _chosen("draft of the box", box_practice().draft)


def coating_allowance() -> Chosen:
    """Thickness in mm per face of a dried core coating, to be left off the core when asked for."""
    return _chosen("core coating per face", box_practice().coating)


def box_draft_metal(left_mm: float) -> Ruled:
    """Whether the metal in mm that a box's draft leaves on a cored surface is within the limit.

    >>> box_draft_metal(0.8).ok, box_draft_metal(1.2).ok
    (True, False)
    """
    require_not_negative(left_mm, "the metal left by box draft", "mm")
    limit = box_practice().draft_metal
    ok = left_mm <= limit.usual * (1.0 + 1e-9)
    cited = "; ".join(source.text() for source in limit.sources)
    text = (
        f"box draft leaves {format_figure(left_mm)} mm on a cored surface, "
        f"{'within' if ok else 'above'} the limit of {limit.text()} ({cited})"
    )
    return Ruled(ok, text, limit.sources)


def box_dowels() -> Dowels:
    """The two pegs of a box: unequal, so that it goes together one way only.

    >>> box_dowels().first_mm > box_dowels().second_mm
    True
    """
    practice = box_practice()
    values = (practice.dowel, practice.second_dowel, practice.dowel_out, practice.dowel_gap)
    sources = sources_of(values)
    first, second, out, gap = (value.usual for value in values)
    text = (
        f"pegs of {format_figure(first)} and {format_figure(second)} mm, standing out "
        f"{practice.dowel_out.text()}, holes {format_figure(gap)} mm wider "
        f"({'; '.join(source.text() for source in sources)})"
    )
    return Dowels(first, second, out, gap, text, sources)


def box_notes() -> tuple[str, ...]:
    """Core practice in words, each with its source."""
    return tuple(f"{p.text} ({p.source.text()})" for p in core_practices())
