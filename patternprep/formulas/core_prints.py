"""Core prints: length, taper, gaps to the seat, and the print of a core held at one end.

Lengths in mm, angles in degrees, masses in kg, forces in N, pressures in kPa.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from patternprep.data.core_practice import (
    SIDES,
    find_mould_sand,
    gap_rows,
    print_practice,
    print_rows,
    print_tapers,
)
from patternprep.data.values import Source, Value, format_figure
from patternprep.errors import UsageFault
from patternprep.formulas.checks import require_not_negative, require_positive
from patternprep.formulas.cores import Chosen, sources_of

__all__ = [
    "STANDARD_GRAVITY",
    "BalancedPrint",
    "PrintGaps",
    "balanced_print_length",
    "print_gaps",
    "print_length",
    "print_taper",
]

#: m/s2, by definition (3rd General Conference on Weights and Measures, 1901).
STANDARD_GRAVITY = 9.80665


@dataclass(frozen=True, slots=True)
class PrintGaps:
    """Gaps per face in mm between a core print and its seat: at the sides, and at the end."""

    side_mm: float
    end_mm: float
    low_mm: float
    high_mm: float
    text: str
    sources: tuple[Source, ...]


@dataclass(frozen=True, slots=True)
class BalancedPrint:
    """Print of a core held at one end: the length that each cause asks for, in mm.

    ``governs``: "weight" (before pouring), "lift" (while pouring) or "overhang" (the old rule).
    """

    length_mm: float
    by_weight_mm: float
    by_lift_mm: float
    by_overhang_mm: float
    governs: str
    text: str
    sources: tuple[Source, ...]


def _side(side: str) -> str:
    if side not in SIDES:
        raise UsageFault(f"'{side}' is no side of a core print; give one of {', '.join(SIDES)}.")
    return side


def _by_diameter(diameter_mm: float, side: str) -> tuple[float, float, float, list[Value]]:
    """Chosen, least and greatest length by the rows of the side; it never falls as cores grow."""
    chosen = 0.0
    for row in print_rows(side):
        width = min(diameter_mm, row.up_to_mm)
        value = row.mm or row.per_diameter
        assert value is not None
        chosen = max(chosen, value.usual * (1.0 if row.mm else width))
        if diameter_mm <= row.up_to_mm:
            break
    low = high = chosen
    for value, scale in ((row.mm, 1.0), (row.per_diameter, diameter_mm)):
        if value is not None:
            low, high = min(low, value.low * scale), max(high, value.high * scale)
    return chosen, low, high, [v for v in (row.mm, row.per_diameter) if v is not None]


def print_length(diameter_mm: float, side: str, core_length_mm: float = 0.0) -> Chosen:
    """Length of a core print in mm, for a core of that diameter (its least width at the opening).

    ``side``: "horizontal", "drag" (vertical, standing) or "cope" (vertical, top).
    ``core_length_mm``: length of the core between its openings; a long one lengthens horizontal and
    drag prints, and with the drag print that in the cope.

    >>> print_length(40.0, "horizontal").value, print_length(40.0, "drag").value
    (40.0, 25.0)
    >>> print_length(100.0, "cope").value
    25.0
    """
    require_positive(diameter_mm, "the diameter of the core", "mm")
    require_not_negative(core_length_mm, "the length of the core", "mm")
    practice = print_practice()
    if _side(side) == "cope":
        return _cope_length(diameter_mm, core_length_mm)
    chosen, low, high, values = _by_diameter(diameter_mm, side)
    least = practice.least_horizontal if side == "horizontal" else practice.least_drag
    by_length = practice.per_core_length.usual * core_length_mm
    length = max(chosen, least.usual, by_length)
    reason = f"{format_figure(chosen)} mm for a core of {format_figure(diameter_mm)} mm"
    used = [*values, least]
    if by_length > max(chosen, least.usual):
        used.append(practice.per_core_length)
        reason += (
            f", lengthened to {format_figure(practice.per_core_length.usual)} times the core's "
            f"length of {format_figure(core_length_mm)} mm"
        )
    elif least.usual > chosen:
        reason += f", but at least {least.text()}"
    return _length(f"{side} print", length, min(low, length), max(high, length), reason, used)


def _cope_length(diameter_mm: float, core_length_mm: float) -> Chosen:
    practice = print_practice()
    drag = print_length(diameter_mm, "drag", core_length_mm)
    share, least = practice.cope_per_drag, practice.least_cope
    length = max(share.usual * drag.value, least.usual)
    reason = (
        f"{share.text()} times the drag print of {format_figure(drag.value)} mm, "
        f"at least {least.text()}"
    )
    low, high = min(length, share.low * drag.low), max(length, share.high * drag.high)
    return _length("cope print", length, low, high, reason, [share, least])


def _length(
    what: str, length: float, low: float, high: float, reason: str, values: list[Value]
) -> Chosen:
    sources = sources_of(values)
    cited = "; ".join(source.text() for source in sources)
    text = f"{what} {format_figure(length)} mm long: {reason} ({cited})"
    if low < high:
        text += f"; sources give {format_figure(low)} to {format_figure(high)} mm"
    return Chosen(length, "mm", low, high, text, sources)


def print_taper(side: str) -> Chosen:
    """Taper of a core print's sides in degrees, each side to its pull.

    >>> print_taper("drag").value < print_taper("cope").value
    True
    """
    value = print_tapers()[_side(side)]
    cited = "; ".join(source.text() for source in value.sources)
    text = f"{side} print tapers {value.text()} ({cited})"
    return Chosen(value.usual, "deg", value.low, value.high, text, value.sources)


def print_gaps(side: str, core_size_mm: float, sand: str) -> PrintGaps:
    """Gaps in mm per face between a core print and its seat in the mould.

    ``core_size_mm``: largest dimension of the core; ``sand``: mould sand. The drag seat locates and
    has the smallest gap, the end in the cope the largest.

    >>> gaps = print_gaps("cope", 80.0, "green")
    >>> gaps.side_mm, gaps.end_mm
    (0.4375, 0.5)
    """
    require_positive(core_size_mm, "the size of the core", "mm")
    found = find_mould_sand(sand)
    row = next(r for r in gap_rows() if core_size_mm <= r.up_to_mm)
    low, high = row.mm.low, row.mm.high
    places = [found.gap_places[f"{_side(side)}_{face}"] for face in ("side", "end")]
    at_side, at_end = (low + place.usual * (high - low) for place in places)
    sources = sources_of([row.mm, *places])
    text = (
        f"{side} print in {found.name}: gap {format_figure(at_side)} mm at the sides and "
        f"{format_figure(at_end)} mm at the end, from {format_figure(low)} to "
        f"{format_figure(high)} mm for a core of {format_figure(core_size_mm)} mm "
        f"({'; '.join(source.text() for source in sources)})"
    )
    return PrintGaps(at_side, at_end, low, high, text, sources)


def _length_by_lift(force_n: float, centre_mm: float, width_mm: float, bearing_kpa: float) -> float:
    """Length L of a seat that bears a force beyond its mouth at the allowed edge pressure.

    The seat bears above and below (cope and drag), so its pressure is linear along the print: with
    force F at a distance c before the mouth and width b, the pressure at the mouth is
    F / (b L) + 6 F (c + L / 2) / (b L^2) = p, so p b L^2 - 4 F L - 6 F c = 0.
    """
    per_mm = bearing_kpa * 1e-3 * width_mm
    return (4.0 * force_n + math.sqrt(16.0 * force_n**2 + 24.0 * per_mm * force_n * centre_mm)) / (
        2.0 * per_mm
    )


def balanced_print_length(
    overhang_kg: float,
    centre_mm: float,
    print_kg_per_mm: float,
    print_width_mm: float,
    lift_n: float,
    sand: str,
    *,
    overhang_mm: float = 0.0,
    bearing_kpa: float | None = None,
    safety: float | None = None,
) -> BalancedPrint:
    """Length of the one print of a balanced core, by moments both ways.

    ``overhang_kg``: mass of the core beyond the opening, its centre of gravity ``centre_mm`` beyond
    it; ``print_kg_per_mm``: mass of the print per mm of its length; ``print_width_mm``: its width
    as seen from above; ``lift_n``: lift on the part in the metal while pouring; ``overhang_mm``:
    how far the core reaches into the mould.

    Before pouring the print's weight must hold the overhang down over the edge of the seat:
    safety x m c = q L^2 / 2. While pouring the seat must bear the lift times safety, its pressure
    linear along the print. By the old rule the print is as long as the
    overhang. The longest of the three is taken. ``bearing_kpa`` and ``safety`` replace the tables'.

    >>> found = balanced_print_length(0.2, 30.0, 0.002, 40.0, 6.0, "green", safety=1.0)
    >>> round(found.by_weight_mm, 2), found.governs
    (77.46, 'weight')
    """
    for amount, what, unit in (
        (overhang_kg, "the mass of the overhang", "kg"),
        (centre_mm, "the overhang's centre of gravity", "mm"),
        (lift_n, "the lift", "N"),
        (overhang_mm, "the overhang", "mm"),
    ):
        require_not_negative(amount, what, unit)
    require_positive(print_kg_per_mm, "the mass of the print", "kg/mm")
    require_positive(print_width_mm, "the width of the print", "mm")
    practice, found = print_practice(), find_mould_sand(sand)
    factor = practice.balance_safety.usual if safety is None else safety
    allowed = found.bearing.usual if bearing_kpa is None else bearing_kpa
    require_positive(factor, "the safety", "")
    require_positive(allowed, "the allowable bearing", "kPa")
    lengths = {
        "weight": math.sqrt(2.0 * factor * overhang_kg * centre_mm / print_kg_per_mm),
        "lift": _length_by_lift(factor * lift_n, centre_mm, print_width_mm, allowed),
        "overhang": practice.balanced_per_overhang.usual * overhang_mm,
    }
    governs = max(lengths, key=lambda cause: lengths[cause])
    used = [] if safety is not None else [practice.balance_safety]
    used += [] if bearing_kpa is not None else [found.bearing]
    used += [practice.balanced_per_overhang] if overhang_mm else []
    sources = sources_of(used)
    said = {
        "weight": "the core's weight before pouring governs",
        "lift": "the lift while pouring governs",
        "overhang": "the rule governs that the print is no shorter than the overhang",
    }
    text = (
        f"balanced print {format_figure(lengths[governs])} mm long: {said[governs]}; the weight "
        f"asks for {format_figure(lengths['weight'])} mm, the lift of {format_figure(lift_n)} N "
        f"for {format_figure(lengths['lift'])} mm at {format_figure(allowed)} kPa of "
        f"{found.name}, the overhang for {format_figure(lengths['overhang'])} mm; safety "
        f"{format_figure(factor)}"
    )
    if sources:
        text += f" ({'; '.join(source.text() for source in sources)})"
    return BalancedPrint(
        length_mm=lengths[governs],
        by_weight_mm=lengths["weight"],
        by_lift_mm=lengths["lift"],
        by_overhang_mm=lengths["overhang"],
        governs=governs,
        text=text,
        sources=sources,
    )
