"""Tables of allowances: casting tolerances, machining stock and draft."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from patternprep.data.rows import packaged
from patternprep.data.values import Source, Value
from patternprep.units import parse_fraction

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


@cache
def tolerance_rows() -> tuple[ToleranceRow, ...]:
    """Casting tolerances by dimension; nan where the standard has a dash."""
    top = packaged("iso8062.toml").row("casting_tolerance")
    others: dict[float, dict[int, tuple[float, Source]]] = {}
    for cell in top.rows("other"):
        of_row = others.setdefault(cell.up_to_mm, {})
        of_row[int(cell.number("grade"))] = (cell.number("mm"), cell.source)
    return tuple(
        ToleranceRow(
            row.up_to_mm,
            row.numbers("mm"),
            top.source,
            tuple((more.source, int(more.number("count"))) for more in row.rows("more")),
            others.get(row.up_to_mm, {}),
        )
        for row in top.rows("row")
    )


@cache
def machining_grades() -> tuple[str, ...]:
    """Grades of the required machining allowance: A to K without I."""
    return packaged("iso8062.toml").row("machining_allowance").texts("grades")


@cache
def machining_rows() -> tuple[MachiningRow, ...]:
    """Required machining allowances by the largest dimension of the part."""
    top = packaged("iso8062.toml").row("machining_allowance")
    return tuple(
        MachiningRow(row.up_to_mm, row.numbers("mm"), row.source) for row in top.rows("row")
    )


def _grade_ranges(key: str) -> tuple[GradeRange, ...]:
    return tuple(
        GradeRange(
            row.text("process"),
            row.texts("metals"),
            str(row.entry["low"]),
            str(row.entry["high"]),
            row.source,
        )
        for row in packaged("iso8062.toml").rows(key)
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
    return tuple(
        (row.up_to_mm, int(row.number("grades")), row.source)
        for row in packaged("iso8062.toml").rows("finer_when_small")
    )


@cache
def finish_tables() -> tuple[FinishTable, ...]:
    """Handbook stock per side, mm, in the order of preference."""
    return tuple(
        FinishTable(
            table.text("metal"),
            tuple(
                FinishRow(
                    row.up_to_mm,
                    row.inches("face_in"),
                    row.inches_or_none("bore_in"),
                    row.inches_or_none("cope_in"),
                )
                for row in table.rows("rows")
            ),
            table.source,
        )
        for table in packaged("finish_allowance.toml").rows("table")
    )


@cache
def small_finishes() -> tuple[SmallFinish, ...]:
    """Stock of small castings as ranges without a size, mm per side."""
    return tuple(
        SmallFinish(row.text("metal"), row.inches("low_in"), row.inches("high_in"), row.source)
        for row in packaged("finish_allowance.toml").rows("small")
    )


@cache
def cope_extra() -> CopeExtra:
    """Extra stock of cope faces, percent."""
    row = packaged("finish_allowance.toml").row("cope_extra")
    return CopeExtra(Value("%", (row.percent_reading("_percent"),)), row.text("why"))


@cache
def draft_tables() -> tuple[DraftTable, ...]:
    """Draft by wall height, one table a pattern material."""
    return tuple(
        DraftTable(
            table.text("material"),
            tuple(
                DraftRow(row.up_to_mm, row.number("outside"), row.number("inside"))
                for row in table.rows("rows")
            ),
            table.source,
        )
        for table in packaged("draft_angles.toml").rows("by_height")
    )


@cache
def taper_rows() -> tuple[TaperRow, ...]:
    """Angle or taper by wall height."""
    top = packaged("draft_angles.toml").row("taper")
    return tuple(
        TaperRow(
            row.up_to_mm,
            row.number_or_none("angle_deg"),
            row.number_or_none("taper_mm"),
            top.source,
        )
        for row in top.rows("rows")
    )


@cache
def flat_tapers() -> tuple[FlatTaper, ...]:
    """Tapers that hold for any height."""
    return tuple(
        FlatTaper(
            row.text("name"), parse_fraction(row.text("taper")), row.text("taper"), row.source
        )
        for row in packaged("draft_angles.toml").rows("flat")
    )
