"""The kinds of text that a job's keys take: amounts with units, checked but kept as written."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import AfterValidator

from patternprep.errors import PatternprepError, UsageFault
from patternprep.units import (
    parse_angle,
    parse_fraction,
    parse_length,
    parse_mass,
    parse_percent,
    parse_size,
)

__all__ = [
    "AxisFraction",
    "BedSize",
    "BookFraction",
    "BoxDraft",
    "BoxWall",
    "Coating",
    "CopeExtra",
    "Drilled",
    "Heel",
    "Infill",
    "Length",
    "Loss",
    "MasterStock",
    "Plane",
    "PourOff",
    "PrintError",
    "PrintGap",
    "PrintLength",
    "RappingAmount",
    "StockAmount",
    "TableAngle",
    "Unit",
    "Yield",
]


@dataclass(frozen=True)
class Unit:
    """The unit in which a key is written; a complaint about a bare number names it."""

    name: str


def _checked(parse: Any, *words: str) -> Any:
    """A text that is one of the words, or that the parser takes."""

    def check(text: str) -> str:
        if text.strip().lower() in words:
            return text.strip().lower()
        try:
            parse(text)
        except PatternprepError as fault:
            raise ValueError(str(fault)) from None
        return text.strip()

    return AfterValidator(check)


def _within(parse: Any, what: str, low: float, high: float, *words: str) -> Any:
    """Like _checked, and the number lies above or at ``low`` and below or at ``high``."""

    def parsed(text: str) -> None:
        value = parse(text)
        if not low <= value <= high:
            raise UsageFault(f"'{text}' is outside what {what} can be")

    return _checked(parsed, *words)


def _length(what: str, *words: str, zero: bool = True) -> Any:
    """A length that is not below 0, or above 0, to a kilometre; or one of the words."""
    limits = "0 mm or more" if zero else "above 0 mm"
    low = 0.0 if zero else _LEAST_MM
    return _within(parse_length, f"{what} ({limits})", low, _MOST_MM, *words)


def _mass(what: str) -> Any:
    return _within(parse_mass, f"{what} (0 kg or more)", 0.0, _MOST_KG)


_LEAST_MM, _MOST_MM, _MOST_KG = 1e-6, 1e6, 1e6
_CONTRACTION = "a contraction (-1 to 5 %)"
_MM, _KG, _PERCENT, _DEG = Unit("mm"), Unit("kg"), Unit("%"), Unit("deg")

BookFraction = Annotated[str, _within(parse_fraction, _CONTRACTION, -0.01, 0.05, "book"), _PERCENT]
AxisFraction = Annotated[str, _within(parse_fraction, _CONTRACTION, -0.01, 0.05, ""), _PERCENT]
TableAngle = Annotated[
    str, _within(parse_angle, "a draft angle (above 0 to 30 degrees)", 1e-6, 30.0, "table"), _DEG
]
Yield = Annotated[str, _within(parse_percent, "a yield (1 to 100 %)", 0.01, 1.0, "book"), _PERCENT]
Loss = Annotated[
    str, _within(parse_percent, "a melting loss (0 to 50 %)", 0.0, 0.5, "book"), _PERCENT
]
Infill = Annotated[str, _within(parse_percent, "an infill (1 to 100 %)", 0.01, 1.0), _PERCENT]
CopeExtra = Annotated[
    str, _within(parse_percent, "an extra for the cope (0 to 200 %)", 0.0, 2.0, "book"), _PERCENT
]
PrintError = Annotated[
    str, _within(parse_percent, "a printer's size error (-5 to 5 %)", -0.05, 0.05), _PERCENT
]
BedSize = Annotated[str, _checked(parse_size, "")]
RappingAmount = Annotated[str, _length("what is taken off for rapping", "rule"), _MM]
StockAmount = Annotated[str, _length("machining stock", "table", zero=False), _MM]
MasterStock = Annotated[str, _length("a master's stock"), _MM]
Length = Annotated[str, _checked(parse_length), _MM]
Drilled = Annotated[str, _length("the width of a drilled hole", "book"), _MM]
PrintLength = Annotated[str, _length("the length of a print", "book", zero=False), _MM]
PrintGap = Annotated[str, _length("the gap at a print", "book"), _MM]
BoxWall = Annotated[str, _length("the wall of a core box", "book", zero=False), _MM]
Coating = Annotated[str, _length("a core's coating"), _MM]
PourOff = Annotated[str, _mass("metal poured off"), _KG]
Heel = Annotated[str, _mass("a heel"), _KG]
BoxDraft = Annotated[
    str,
    _within(parse_angle, "the draft of a core box (0.1 to 10 degrees)", 0.1, 10.0, "book"),
    _DEG,
]
Plane = Annotated[str, _MM]
