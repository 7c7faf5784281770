"""Tables of allowances: casting tolerances, machining stock and draft."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from patternprep.data.sources import find_source
from patternprep.data.tomlfile import Place, read_packaged, up_to_mm
from patternprep.data.values import Reading, Source, Value
from patternprep.errors import UsageFault
from patternprep.units import parse_fraction, parse_length

__all__ = [
    "CopeExtra",
    "DraftRow",
    "DraftTable",
    "FinishRow",
    "FinishTable",
    "FlatTaper",
    "GradeRange",
    "MachiningRow",
    "SmallFinish",
    "TaperRow",
    "ToleranceRow",
    "cope_extra",
    "draft_tables",
    "finer_when_small",
    "finish_tables",
    "flat_tapers",
    "machining_grades",
    "machining_rows",
    "small_finishes",
    "taper_rows",
    "tolerance_rows",
    "typical_machining",
    "typical_tolerances",
]


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


def _inches(text: object, place: Place) -> float:
    try:
        return parse_length(f"{place.text(text)} in")
    except UsageFault as fault:
        raise place.fault(fault.message.rstrip(".")) from fault


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
                up_to_mm(row, here),
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
                DraftRow(up_to_mm(row, place), float(row["outside"]), float(row["inside"]))
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
        TaperRow(up_to_mm(row, place), row.get("angle_deg"), row.get("taper_mm"), source)
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
