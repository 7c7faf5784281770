"""Rapping and camber: allowances of their own, named, and zero unless asked for.

Rapping loosens the pattern and enlarges the mould a little, so its allowance makes the pattern
smaller. Camber bends a long pattern against the bow that its casting will take. No source at hand
tabulates either, save one rule for small castings; all else is the founder's own figure.
"""

from __future__ import annotations

from dataclasses import dataclass

from patternprep.data.sources import load_sources
from patternprep.data.values import Source, format_figure
from patternprep.errors import DataFault, UsageFault
from patternprep.formulas.checks import require_between, require_not_negative, require_positive
from patternprep.units import MM_PER_INCH

__all__ = ["Allowance", "camber", "rapping_by_figure", "rapping_offsets_contraction"]

_FOOT_MM = 12.0 * MM_PER_INCH


@dataclass(frozen=True, slots=True)
class Allowance:
    """A named allowance in mm on the whole dimension; negative makes the pattern smaller."""

    name: str
    mm: float
    source: Source | None
    text: str


def rapping_by_figure(enlargement_mm: float, size_mm: float) -> Allowance:
    """Rapping by the founder's own figure: what rapping adds to the mould is taken off.

    ``enlargement_mm`` on the whole dimension ``size_mm``. Limits: 0 to a twentieth of the size.

    >>> rapping_by_figure(0.5, 200.0).mm
    -0.5
    """
    require_positive(size_mm, "the size", "mm")
    require_between(enlargement_mm, 0.0, size_mm / 20.0, "the enlargement by rapping", "mm")
    text = (
        f"rapping {format_figure(-enlargement_mm)} mm on {format_figure(size_mm)} mm: the figure "
        "given"
    )
    return Allowance("rapping", -enlargement_mm or 0.0, None, text)


def rapping_offsets_contraction(size_mm: float, contraction: float) -> Allowance:
    """Rapping by the old rule: under 1 ft it makes up for the shrinkage, so -(contraction x size).

    Text of J. Richards, Workshop Manipulation (cast iron, hand-rapped loose patterns). Limits:
    under 304.8 mm; `DataFault` above, where no source gives a figure.

    >>> round(rapping_offsets_contraction(200.0, 0.0104).mm, 3)
    -2.08
    """
    require_positive(size_mm, "the size", "mm")
    require_between(contraction, 0.0, 0.05, "the contraction", "")
    if size_mm >= _FOOT_MM:
        raise DataFault(
            f"the rule that rapping makes up for shrinkage holds under {_FOOT_MM:g} mm, not for "
            f"{size_mm:g} mm; give your own figure for rapping or none."
        )
    amount = -contraction * size_mm
    source = load_sources()["richards"]
    text = (
        f"rapping {format_figure(amount)} mm on {format_figure(size_mm)} mm: under 1 ft 'rapping "
        f"will generally make up for shrinkage', {source.text()}"
    )
    return Allowance("rapping", amount, source, text)


def camber(rise_mm: float, length_mm: float) -> Allowance:
    """Camber by the founder's own figure: rise of the bow in mm at mid-length.

    Limits: 0 to a fiftieth of the length. No source at hand tabulates camber.

    >>> camber(3.0, 1200.0).mm
    3.0
    """
    require_positive(length_mm, "the length", "mm")
    require_not_negative(rise_mm, "the camber", "mm")
    if rise_mm > length_mm / 50.0:
        raise UsageFault(
            f"a camber of {rise_mm:g} mm on {length_mm:g} mm is more than a fiftieth of the "
            "length; check the figure."
        )
    text = (
        f"camber {format_figure(rise_mm)} mm over {format_figure(length_mm)} mm: the figure given"
    )
    return Allowance("camber", rise_mm, None, text)
