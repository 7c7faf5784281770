"""The tables beside the alloys: contraction by size, tolerances, stock, draft, yields, plastics."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from patternprep.data.properties import parse_value
from patternprep.data.sources import find_source
from patternprep.data.tomlfile import Place, read_packaged
from patternprep.data.values import Reading, Source, Value
from patternprep.errors import UsageFault
from patternprep.units import MM_PER_INCH, parse_fraction, parse_length

__all__ = [
    "ContractionBand",
    "CopeExtra",
    "DraftRow",
    "DraftTable",
    "FinishRow",
    "FinishTable",
    "FlatTaper",
    "GradeRange",
    "MachiningRow",
    "Plastic",
    "Share",
    "SmallFinish",
    "TaperRow",
    "ToleranceRow",
    "contraction_bands",
    "cope_extra",
    "draft_tables",
    "element_losses",
    "finer_when_small",
    "finish_tables",
    "flat_tapers",
    "machining_grades",
    "machining_rows",
    "melt_losses",
    "plastics",
    "small_finishes",
    "taper_rows",
    "tolerance_rows",
    "typical_machining",
    "typical_tolerances",
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
class ToleranceRow:
    """Total casting tolerances in mm of the grades 1 to 16, up to a dimension in mm."""

    up_to_mm: float
    mm: tuple[float, ...]
    source: Source
    more: tuple[tuple[Source, int], ...]
    others: Mapping[int, tuple[float, Source]]


@dataclass(frozen=True, slots=True)
class MachiningRow:
    """Required machining allowances in mm per surface of the grades A to K."""

    up_to_mm: float
    mm: tuple[float, ...]
    source: Source


@dataclass(frozen=True, slots=True)
class GradeRange:
    """Grades that a process usually reaches with a group of metals."""

    process: str
    metals: tuple[str, ...]
    low: str
    high: str
    source: Source


@dataclass(frozen=True, slots=True)
class FinishRow:
    """Stock in mm per side up to a size in mm; None where the source does not tell it apart."""

    up_to_mm: float
    face_mm: float
    bore_mm: float | None
    cope_mm: float | None


@dataclass(frozen=True, slots=True)
class FinishTable:
    """Handbook stock of one metal by one source, rows by rising size."""

    metal: str
    rows: tuple[FinishRow, ...]
    source: Source


@dataclass(frozen=True, slots=True)
class SmallFinish:
    """Stock in mm per side of small castings, as a range without a size."""

    metal: str
    low_mm: float
    high_mm: float
    source: Source


@dataclass(frozen=True, slots=True)
class CopeExtra:
    """How much more stock cope faces get, in percent, and why the usual figure is the usual."""

    value: Value
    why: str


@dataclass(frozen=True, slots=True)
class DraftRow:
    """Draft angles in degrees up to a wall height in mm."""

    up_to_mm: float
    outside_deg: float
    inside_deg: float


@dataclass(frozen=True, slots=True)
class DraftTable:
    """Draft by wall height for one pattern material."""

    material: str
    rows: tuple[DraftRow, ...]
    source: Source


@dataclass(frozen=True, slots=True)
class TaperRow:
    """An angle in degrees or a taper in mm up to a wall height in mm; the other is None."""

    up_to_mm: float
    angle_deg: float | None
    taper_mm: float | None
    source: Source


@dataclass(frozen=True, slots=True)
class FlatTaper:
    """One taper for walls of any height, as a plain fraction of the height."""

    name: str
    fraction: float
    printed: str
    source: Source


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


def _inches(text: object, place: Place) -> float:
    try:
        return parse_length(f"{place.text(text)} in")
    except UsageFault as fault:
        raise place.fault(fault.message.rstrip(".")) from fault


def _up_to(row: Mapping[str, Any], place: Place) -> float:
    if "up_to_mm" in row:
        return place.at("up_to_mm").number(row["up_to_mm"], 0.0)
    if "up_to_in" in row:
        return place.at("up_to_in").number(row["up_to_in"], 0.0) * MM_PER_INCH
    return math.inf


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
                here.at("metal").text(row["metal"]), bool(row["cored"]), _up_to(row, here), value
            )
        )
    return tuple(found)


@cache
def tolerance_rows() -> tuple[ToleranceRow, ...]:
    """Casting tolerances by dimension; nan where the standard has a dash."""
    table, place = read_packaged("iso8062.toml")
    top, here = table["casting_tolerance"], place.at("casting_tolerance")
    source = find_source(top["source"], here)
    others: dict[float, dict[int, tuple[float, Source]]] = {}
    for entry in top["other"]:
        cell = (float(entry["mm"]), find_source(entry["source"], here))
        others.setdefault(float(entry["up_to_mm"]), {})[int(entry["grade"])] = cell
    return tuple(
        ToleranceRow(
            float(row["up_to_mm"]),
            tuple(float(mm) for mm in row["mm"]),
            source,
            tuple((find_source(m["source"], here), int(m["count"])) for m in row.get("more", [])),
            others.get(float(row["up_to_mm"]), {}),
        )
        for row in top["row"]
    )


@cache
def machining_grades() -> tuple[str, ...]:
    """Grades of the required machining allowance: A to K without I."""
    table, _ = read_packaged("iso8062.toml")
    return tuple(table["machining_allowance"]["grades"])


@cache
def machining_rows() -> tuple[MachiningRow, ...]:
    """Required machining allowances by the largest dimension of the part."""
    table, place = read_packaged("iso8062.toml")
    here = place.at("machining_allowance")
    return tuple(
        MachiningRow(
            float(row["up_to_mm"]),
            tuple(float(mm) for mm in row["mm"]),
            find_source(row["source"], here),
        )
        for row in table["machining_allowance"]["row"]
    )


def _grade_ranges(key: str) -> tuple[GradeRange, ...]:
    table, place = read_packaged("iso8062.toml")
    return tuple(
        GradeRange(
            row["process"],
            tuple(row["metals"]),
            str(row["low"]),
            str(row["high"]),
            find_source(row["source"], place.at(key, index)),
        )
        for index, row in enumerate(table[key])
    )


@cache
def typical_tolerances() -> tuple[GradeRange, ...]:
    """Tolerance grades (numbers as text) by process and metal."""
    return _grade_ranges("typical_tolerance")


@cache
def typical_machining() -> tuple[GradeRange, ...]:
    """Machining allowance grades (letters) by process and metal."""
    return _grade_ranges("typical_machining")


@cache
def finer_when_small() -> tuple[tuple[float, int, Source], ...]:
    """(dimension in mm, grades finer, source) for short series of small castings."""
    table, place = read_packaged("iso8062.toml")
    return tuple(
        (float(row["up_to_mm"]), int(row["grades"]), find_source(row["source"], place))
        for row in table["finer_when_small"]
    )


@cache
def finish_tables() -> tuple[FinishTable, ...]:
    """Handbook stock per side, mm, in the order of preference."""
    table, place = read_packaged("finish_allowance.toml")
    found = []
    for index, entry in enumerate(table["table"]):
        here = place.at("table", index)
        rows = tuple(
            FinishRow(
                _up_to(row, here),
                _inches(row["face_in"], here),
                _inches(row["bore_in"], here) if "bore_in" in row else None,
                _inches(row["cope_in"], here) if "cope_in" in row else None,
            )
            for row in entry["rows"]
        )
        found.append(FinishTable(entry["metal"], rows, find_source(entry["source"], here)))
    return tuple(found)


@cache
def small_finishes() -> tuple[SmallFinish, ...]:
    """Stock of small castings as ranges without a size, mm per side."""
    table, place = read_packaged("finish_allowance.toml")
    return tuple(
        SmallFinish(
            row["metal"],
            _inches(row["low_in"], place.at("small", index)),
            _inches(row["high_in"], place.at("small", index)),
            find_source(row["source"], place.at("small", index)),
        )
        for index, row in enumerate(table["small"])
    )


@cache
def cope_extra() -> CopeExtra:
    """Extra stock of cope faces, percent."""
    table, place = read_packaged("finish_allowance.toml")
    row, here = table["cope_extra"], place.at("cope_extra")
    reading = Reading(
        here.number(row["low_percent"], 0.0, 100.0),
        here.number(row["high_percent"], 0.0, 100.0),
        here.number(row["usual_percent"], 0.0, 100.0),
        find_source(row["source"], here),
    )
    return CopeExtra(Value("%", (reading,)), here.at("why").text(row["why"]))


@cache
def draft_tables() -> tuple[DraftTable, ...]:
    """Draft by wall height, one table a pattern material."""
    table, place = read_packaged("draft_angles.toml")
    return tuple(
        DraftTable(
            entry["material"],
            tuple(
                DraftRow(_up_to(row, place), float(row["outside"]), float(row["inside"]))
                for row in entry["rows"]
            ),
            find_source(entry["source"], place.at("by_height", index)),
        )
        for index, entry in enumerate(table["by_height"])
    )


@cache
def taper_rows() -> tuple[TaperRow, ...]:
    """Angle or taper by wall height."""
    table, place = read_packaged("draft_angles.toml")
    source = find_source(table["taper"]["source"], place.at("taper"))
    return tuple(
        TaperRow(_up_to(row, place), row.get("angle_deg"), row.get("taper_mm"), source)
        for row in table["taper"]["rows"]
    )


@cache
def flat_tapers() -> tuple[FlatTaper, ...]:
    """Tapers that hold for any height."""
    table, place = read_packaged("draft_angles.toml")
    return tuple(
        FlatTaper(
            row["name"],
            parse_fraction(row["taper"]),
            row["taper"],
            find_source(row["source"], place.at("flat", index)),
        )
        for index, row in enumerate(table["flat"])
    )


def _shares(file: str, key: str) -> dict[str, Share]:
    table, place = read_packaged(file)
    found: dict[str, Share] = {}
    for metal, row in table[key].items():
        here = place.at(key, metal, name=f"'{metal}'")
        low, high, usual = (here.at(k).number(row[k], 0.0, 100.0) for k in ("low", "high", "usual"))
        if not low <= usual <= high:
            raise here.fault(f"usual {usual:g} lies outside {low:g} to {high:g}")
        source = find_source(row["source"], here.at("source"))
        reading = Reading(low, high, usual, source, note=row.get("note", ""))
        found[metal] = Share(metal, Value("%", (reading,)))
    return found


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
