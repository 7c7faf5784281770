"""A figure of the trade with its range, its usual value and the sources it was taken from.

A figure that two sources give differently stays a range: every source keeps its own reading.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "MARKS",
    "Composition",
    "ElementLimit",
    "Reading",
    "Source",
    "Value",
    "format_figure",
]

#: What a mark means, shown wherever a figure is shown.
MARKS: dict[str, str] = {
    "seen": "read in the named text",
    "seen, pairing inferred": "read in the named text, whose two columns were paired by order",
    "from memory": "recalled after the named handbook, not read for this table",
    "from memory, low confidence": "recalled, and the recollection is weak: check before use",
    "common practice": "a fact of the trade without a single source",
    "computed": "arithmetic from stated inputs",
    "own choice": "a design choice of this project, not a fact of the trade",
    "shop": "the shop's own figure",
}


def format_figure(number: float, digits: int = 4) -> str:
    """At most ``digits`` significant digits, without a trailing zero: 2.083, 620, 0.12."""
    rounded = float(f"{number:.{digits}g}") if abs(number) < 10.0**digits else round(number)
    text = f"{rounded:.10f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


@dataclass(frozen=True, slots=True)
class Source:
    """Where a figure comes from; ``mark`` is one of `MARKS`."""

    id: str
    citation: str
    mark: str

    def text(self) -> str:
        """Citation with its mark: 'Westermann Tables, p. 2 [seen]'."""
        return f"{self.citation} [{self.mark}]"


@dataclass(frozen=True, slots=True)
class Reading:
    """What one source says: low <= usual <= high, in the unit of the `Value` that holds it.

    ``printed`` is the figure as the source prints it; ``scope`` is "alloy", or "family" when the
    source speaks of the whole family and not of this alloy; ``basis`` is filled for contractions.
    """

    low: float
    high: float
    usual: float
    source: Source
    printed: str = ""
    scope: str = "alloy"
    basis: str = ""
    note: str = ""

    def range_text(self, unit: str) -> str:
        """'1.9 to 2.3 %, usual 2.1', or one figure when the reading is one figure."""
        suffix = f" {unit}" if unit else ""
        if self.low == self.high:
            return f"{format_figure(self.low)}{suffix}"
        middle = 0.5 * (self.low + self.high)
        usual = "" if self.usual == middle else f", usual {format_figure(self.usual)}"
        return f"{format_figure(self.low)} to {format_figure(self.high)}{suffix}{usual}"


@dataclass(frozen=True, slots=True)
class Value:
    """A figure with all its readings, the one to be preferred first.

    ``low`` and ``high`` span every reading, ``usual`` is the usual value of the first.
    """

    unit: str
    readings: tuple[Reading, ...]

    @property
    def low(self) -> float:
        """Lowest figure of any source."""
        return min(reading.low for reading in self.readings)

    @property
    def high(self) -> float:
        """Highest figure of any source."""
        return max(reading.high for reading in self.readings)

    @property
    def usual(self) -> float:
        """Figure to use when nothing else is asked: the first reading's."""
        return self.readings[0].usual

    @property
    def sources(self) -> tuple[Source, ...]:
        """Sources in the order of the readings."""
        return tuple(reading.source for reading in self.readings)

    @property
    def scope(self) -> str:
        """'alloy' or 'family': what the preferred reading speaks of."""
        return self.readings[0].scope

    def text(self) -> str:
        """'2.1 % (1.8 to 2.3 %)', or one figure when all sources agree."""
        suffix = f" {self.unit}" if self.unit else ""
        usual = f"{format_figure(self.usual)}{suffix}"
        if self.low == self.high:
            return usual
        return f"{usual} ({format_figure(self.low)} to {format_figure(self.high)}{suffix})"


@dataclass(frozen=True, slots=True)
class ElementLimit:
    """Limits of one element in mass percent; None where the source sets none on that side."""

    element: str
    low: float | None
    high: float | None

    def text(self) -> str:
        """'Al 8.5-9.5', 'Cu >= 79', 'Si <= 0.1'."""
        if self.low is not None and self.high is not None:
            return f"{self.element} {format_figure(self.low)}-{format_figure(self.high)}"
        if self.low is not None:
            return f"{self.element} >= {format_figure(self.low)}"
        return f"{self.element} <= {format_figure(self.high or 0.0)}"


@dataclass(frozen=True, slots=True)
class Composition:
    """Composition limits of one source; ``remainder`` is the element that makes up the rest."""

    limits: tuple[ElementLimit, ...]
    source: Source
    remainder: str = ""
    note: str = ""

    def lowest_sum(self) -> float:
        """Sum of the lower limits, mass percent."""
        return sum(limit.low or 0.0 for limit in self.limits)

    def highest_sum(self) -> float:
        """Sum of the upper limits, mass percent; 100 where an upper limit or a rest is open."""
        if self.remainder or any(limit.high is None for limit in self.limits):
            return 100.0
        return sum(limit.high or 0.0 for limit in self.limits)

    def text(self) -> str:
        """'Al 8.5-9.5, Fe 3.5-4.5, rest Cu'."""
        parts = [limit.text() for limit in self.limits]
        if self.remainder:
            parts.append(f"rest {self.remainder}")
        return ", ".join(parts)
