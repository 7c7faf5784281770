"""One reader of a row of the project's own tables: each figure checked, its line in every fault."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from patternprep.data.sources import find_source
from patternprep.data.tomlfile import Place, read_packaged, up_to_mm
from patternprep.data.values import Reading, Source
from patternprep.errors import UsageFault
from patternprep.units import parse_length

__all__ = ["Row", "packaged"]


@dataclass(frozen=True, slots=True)
class Row:
    """A table of a TOML file with the place where it stands."""

    entry: Mapping[str, Any]
    place: Place

    def _of(self, key: str) -> object:
        if key not in self.entry:
            raise self.place.fault(f"needs '{key}'; add it")
        return self.entry[key]

    def __contains__(self, key: str) -> bool:
        return key in self.entry

    def row(self, key: str) -> Row:
        """The table under the key."""
        here = self.place.at(key)
        return Row(here.table(self._of(key)), here)

    def rows(self, key: str) -> tuple[Row, ...]:
        """The tables of a list under the key; none where the key is absent."""
        here = self.place.at(key)
        items = enumerate(self.entry.get(key, ()))
        return tuple(Row(here.at(i).table(item), here.at(i)) for i, item in items)

    def named_rows(self, key: str) -> tuple[tuple[str, Row], ...]:
        """(name, table) of each table in the table under the key."""
        inside = self.row(key)
        here = inside.place
        return tuple(
            (name, Row(here.table(item), here.at(name, name=f"'{name}'")))
            for name, item in inside.entry.items()
        )

    def text(self, key: str) -> str:
        """The text under the key."""
        return self.place.at(key).text(self._of(key))

    def texts(self, key: str) -> tuple[str, ...]:
        """The list of texts under the key."""
        return self.place.at(key).texts(self._of(key))

    def number(self, key: str, low: float = -math.inf, high: float = math.inf) -> float:
        """The number under the key, within low..high."""
        return self.place.at(key).number(self._of(key), low, high)

    def number_or_none(self, key: str) -> float | None:
        """The number under the key, None where the row has none."""
        return self.number(key) if key in self else None

    def numbers(self, key: str) -> tuple[float, ...]:
        """The list of numbers under the key; nan for a dash in the source."""
        values = self._of(key)
        if not isinstance(values, list):
            raise self.place.at(key).fault(f"{values!r} is not a list of numbers")
        return tuple(float(value) for value in values)

    def inches(self, key: str) -> float:
        """The length in mm under the key, printed there in inches such as "3/32"."""
        here = self.place.at(key)
        try:
            return parse_length(f"{here.text(self._of(key))} in")
        except UsageFault as fault:
            raise here.fault(fault.message.rstrip(".")) from fault

    def inches_or_none(self, key: str) -> float | None:
        """The same, None where the row has none."""
        return self.inches(key) if key in self else None

    @property
    def up_to_mm(self) -> float:
        """Upper end of the row in mm; inf where it has none."""
        return up_to_mm(self.entry, self.place)

    @property
    def source(self) -> Source:
        """Source that the row names."""
        return find_source(self._of("source"), self.place.at("source"))

    def percent_reading(self, suffix: str = "") -> Reading:
        """Reading of low, high and usual (each with the suffix), in percent."""
        low, high, usual = (
            self.number(key + suffix, 0.0, 100.0) for key in ("low", "high", "usual")
        )
        if not low <= usual <= high:
            raise self.place.fault(f"usual {usual:g} lies outside {low:g} to {high:g}")
        note = self.text("note") if "note" in self else ""
        return Reading(low, high, usual, self.source, note=note)


def packaged(name: str) -> Row:
    """A whole table of the project's own, such as 'yields.toml'."""
    return Row(*read_packaged(name))
