"""Contraction of the casting: how much larger than the part the pattern is made.

Two bases are in use. Referred to the part: pattern = part x (1 + s), the shrink rule's way, and
the one used inside. Referred to the pattern: part = pattern x (1 - s). All fractions are plain
numbers (0.0208, not 2.08).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from patternprep.data.alloy_book import Alloy
from patternprep.data.tables import ContractionBand, contraction_bands
from patternprep.data.values import Source, format_figure
from patternprep.errors import DataFault, UsageFault
from patternprep.formulas.checks import require_between, require_positive
from patternprep.units import MM_PER_INCH, parse_fraction

__all__ = [
    "Basis",
    "Contraction",
    "axis_factors",
    "contraction_for",
    "contraction_from_text",
    "master_factor",
    "pattern_size",
    "rescale_factor",
    "shrink_rule",
    "to_part_basis",
    "to_pattern_basis",
]

Basis = Literal["part", "pattern"]
#: Beyond these a contraction is a slip of the unit; negative only for metals that grow.
_LOWEST, _HIGHEST = -0.01, 0.05


@dataclass(frozen=True, slots=True)
class Contraction:
    """A contraction as chosen: fraction referred to the part, the range of all sources, the why.

    ``low`` and ``high`` span every source for the alloy, also those for other sizes; ``basis`` is
    the basis in which the figure was given.
    """

    fraction: float
    low: float
    high: float
    basis: Basis
    sources: tuple[Source, ...]
    text: str

    @property
    def percent(self) -> float:
        """Contraction in percent, referred to the part."""
        return 100.0 * self.fraction

    @property
    def factor(self) -> float:
        """Pattern size over part size: 1 + s."""
        return 1.0 + self.fraction


def shrink_rule(in_per_ft: float) -> float:
    """Fraction of a shrink rule of so many inches per foot, referred to the part: s = x / 12.

    Source: common practice. Limits: -0.12 to 0.6 in/ft.

    >>> round(100 * shrink_rule(1 / 4), 3)
    2.083
    """
    return require_between(in_per_ft, -0.12, 0.6, "the shrink rule", "in/ft") / 12.0


def to_part_basis(s_pattern: float) -> float:
    """Fraction referred to the pattern -> referred to the part: s / (1 - s).

    >>> round(100 * to_part_basis(0.02041), 2)
    2.08
    """
    require_between(s_pattern, _LOWEST, _HIGHEST, "the contraction referred to the pattern", "")
    return s_pattern / (1.0 - s_pattern)


def to_pattern_basis(s_part: float) -> float:
    """Fraction referred to the part -> referred to the pattern: s / (1 + s).

    >>> round(100 * to_pattern_basis(shrink_rule(1 / 8)), 3)
    1.031
    """
    require_between(s_part, _LOWEST, _HIGHEST, "the contraction", "")
    return s_part / (1.0 + s_part)


def pattern_size(part_mm: float, s_part: float) -> float:
    """Pattern dimension in mm for a part dimension in mm: part x (1 + s).

    >>> pattern_size(100.0, 0.0125)
    101.25
    """
    require_positive(part_mm, "the part's dimension", "mm")
    require_between(s_part, _LOWEST, _HIGHEST, "the contraction", "")
    return part_mm * (1.0 + s_part)


def master_factor(s_casting: float, s_master: float) -> float:
    """Double contraction: size of the master pattern over the part's, when the pattern is cast.

    (1 + s of the casting's metal)(1 + s of the pattern's metal). Source: common practice.

    >>> round(master_factor(shrink_rule(1 / 8), shrink_rule(5 / 32)), 5)
    1.02357
    """
    require_between(s_casting, _LOWEST, _HIGHEST, "the casting's contraction", "")
    require_between(s_master, _LOWEST, _HIGHEST, "the metal pattern's contraction", "")
    return (1.0 + s_casting) * (1.0 + s_master)


def rescale_factor(s_old: float, s_new: float) -> float:
    """By what a pattern made for ``s_old`` is to be scaled for ``s_new``: (1 + new)/(1 + old).

    >>> round(rescale_factor(0.0100, 0.0208), 5)
    1.01069
    """
    require_between(s_old, _LOWEST, _HIGHEST, "the old contraction", "")
    require_between(s_new, _LOWEST, _HIGHEST, "the new contraction", "")
    return (1.0 + s_new) / (1.0 + s_old)


def axis_factors(fraction: float, per_axis: Mapping[str, float]) -> tuple[float, float, float]:
    """Factors 1 + s along x, y, z; ``per_axis`` gives the axes that cores hold back.

    The frame of the axes is the caller's to name.

    >>> axis_factors(0.02, {"z": 0.01})
    (1.02, 1.02, 1.01)
    """
    for axis in per_axis:
        if axis not in ("x", "y", "z"):
            raise UsageFault(f"'{axis}' is not an axis; give the contraction for x, y or z.")
    along = [per_axis.get(axis, fraction) for axis in ("x", "y", "z")]
    x, y, z = (1.0 + require_between(s, _LOWEST, _HIGHEST, "the contraction", "") for s in along)
    return x, y, z


def _band(table: str, size_mm: float, cored: bool) -> ContractionBand | None:
    rows = [b for b in contraction_bands() if b.metal == table and b.cored == cored]
    return next((row for row in rows if size_mm <= row.up_to_mm + 1e-9), None)


def _percent(fraction: float) -> str:
    return format_figure(100.0 * fraction)


def contraction_for(alloy: Alloy, largest_size_mm: float, cored: bool = False) -> Contraction:
    """Contraction for a part of that largest size: the table by size where one covers the metal.

    Otherwise the alloy's usual value. The text says which, and gives the range of all sources.
    ``cored``: cores hold the casting back. Raises `DataFault` when no source gives a contraction.

    >>> from patternprep.data.alloy_book import load_alloys
    >>> iron = load_alloys().find("grey iron")
    >>> round(contraction_for(iron, 300.0).percent, 3)
    1.042
    >>> round(contraction_for(iron, 1000.0).percent, 3)
    0.833
    """
    require_positive(largest_size_mm, "the largest size", "mm")
    value = alloy.contraction
    band = None
    if alloy.contraction_table:
        band = _band(alloy.contraction_table, largest_size_mm, cored)
    if value is None and band is None:
        raise DataFault(
            f"the contraction of {alloy.id} is not known; give one with --contraction '1.9 %'."
        )
    chosen = band.contraction if band is not None else value
    assert chosen is not None
    readings = [*chosen.readings, *(value.readings if value is not None else ())]
    low = 0.01 * min(reading.low for reading in readings)
    high = 0.01 * max(reading.high for reading in readings)
    fraction = 0.01 * chosen.usual
    first = chosen.readings[0]
    if band is not None:
        work = "cored" if cored else "open"
        larger = band.up_to_mm == float("inf")
        size = "larger work" if larger else f"up to {band.up_to_mm / MM_PER_INCH:g} in"
        why = f"table for {band.metal}, {work} work, {size}"
    elif first.scope == "family":
        why = f"usual value of the family '{alloy.family.name}'"
    else:
        why = f"usual value of {alloy.id}"
    printed = f", printed {first.printed}" if first.printed else ""
    text = (
        f"{_percent(fraction)} % referred to the part: {why}{printed}, {first.source.text()}; "
        f"all sources {_percent(low)} to {_percent(high)} %"
    )
    sources = tuple(dict.fromkeys(reading.source for reading in readings))
    return Contraction(fraction, low, high, "part", sources, text)


def contraction_from_text(text: str, basis: Basis = "part") -> Contraction:
    """The user's own figure, '1.9 %' or '1/4 in/ft', on the named basis.

    A shrink rule (in/ft) is referred to the part by its nature; with basis "pattern" it is refused.

    >>> contraction_from_text("2 %", "pattern").text
    '2.041 % referred to the part, from 2 % referred to the pattern: the figure given'
    """
    if basis not in ("part", "pattern"):
        raise UsageFault(f"'{basis}' is no basis of a contraction; give part or pattern.")
    given = parse_fraction(text)
    if basis == "pattern" and "in" in text and "ft" in text:
        raise UsageFault(
            f"'{text}' is a shrink rule, which is referred to the part; give the basis part."
        )
    require_between(100.0 * given, 100.0 * _LOWEST, 100.0 * _HIGHEST, "the contraction", "%")
    fraction = given if basis == "part" else to_part_basis(given)
    source = Source("user", "the figure given", "shop")
    origin = "" if basis == "part" else f", from {text.strip()} referred to the pattern"
    words = f"{_percent(fraction)} % referred to the part{origin}: the figure given"
    return Contraction(fraction, fraction, fraction, basis, (source,), words)
