"""Tables by metal beside the alloys: contraction by size, casting yields, losses, plastics."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from patternprep.data.properties import parse_value
from patternprep.data.rows import packaged
from patternprep.data.tomlfile import read_packaged, up_to_mm
from patternprep.data.values import Value

__all__ = [
    "ContractionBand",
    "Plastic",
    "Share",
    "contraction_bands",
    "element_losses",
    "melt_losses",
    "plastics",
    "yields",
]


@dataclass(frozen=True, slots=True)
class ContractionBand:
    """Contraction of a metal up to a size in mm (inf: any larger), open or cored work."""

    metal: str
    cored: bool
    up_to_mm: float
    contraction: Value


@dataclass(frozen=True, slots=True)
class Share:
    """A percentage by metal, such as a yield or a loss."""

    metal: str
    value: Value

    @property
    def note(self) -> str:
        """Remark of the preferred reading."""
        return self.value.readings[0].note


@dataclass(frozen=True, slots=True)
class Plastic:
    """A print plastic and its density, g/cm3."""

    id: str
    name: str
    density: Value


@cache
def contraction_bands() -> tuple[ContractionBand, ...]:
    """Contraction by size, bands of one metal and kind of work by rising size."""
    table, place = read_packaged("contraction_by_size.toml")
    found = []
    for index, row in enumerate(table["band"]):
        here = place.at("band", index)
        value = parse_value(
            "contraction_percent",
            row["contraction_percent"],
            here.at("contraction_percent"),
            scope="family",
            sources={},
            own=None,
        )
        found.append(
            ContractionBand(
                here.at("metal").text(row["metal"]), bool(row["cored"]), up_to_mm(row, here), value
            )
        )
    return tuple(found)


def _shares(file: str, key: str) -> dict[str, Share]:
    return {
        metal: Share(metal, Value("%", (row.percent_reading(),)))
        for metal, row in packaged(file).named_rows(key)
    }


@cache
def yields() -> Mapping[str, Share]:
    """Casting yield by metal, percent of the metal poured."""
    return _shares("yields.toml", "yield")


@cache
def melt_losses() -> Mapping[str, Share]:
    """Gross melting loss by metal, percent of the charge."""
    return _shares("melt_loss.toml", "gross")


@cache
def element_losses() -> Mapping[str, Share]:
    """Melting loss of single elements, percent of that element."""
    return _shares("melt_loss.toml", "element")


@cache
def plastics() -> Mapping[str, Plastic]:
    """Print plastics by short name."""
    table, place = read_packaged("pattern_plastics.toml")
    key = "density_solid_g_cm3"
    return {
        name: Plastic(
            name,
            row["name"],
            parse_value(
                key,
                row[key],
                place.at("plastic", name, key),
                scope="plastic",
                sources={},
                own=None,
            ),
        )
        for name, row in table["plastic"].items()
    }
