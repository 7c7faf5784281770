"""Machining stock: how much is left on a face for the cutter, by ISO 8062 or by handbook.

Dimensions in mm. Stock is per surface: per face of a plane, per radius of a bore or boss.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

from patternprep.data.allowances import (
    cope_extra,
    finer_when_small,
    finish_tables,
    machining_grades,
    machining_rows,
    small_finishes,
    tolerance_rows,
    typical_machining,
    typical_tolerances,
)
from patternprep.data.sources import load_sources
from patternprep.data.tomlfile import nearest
from patternprep.data.values import Source, format_figure
from patternprep.errors import DataFault, UsageFault
from patternprep.formulas.checks import require_between, require_not_negative, require_positive

__all__ = [
    "Stock",
    "SurfaceKind",
    "TypicalGrades",
    "casting_tolerance",
    "cope_stock",
    "finish_metals",
    "required_machining_allowance",
    "stock_by_handbook",
    "stock_by_iso",
    "typical_grades",
]

SurfaceKind = Literal["plane", "bore", "boss"]


@dataclass(frozen=True, slots=True)
class Stock:
    """A tabulated amount in mm with the range of all sources, its sources and the sum in words."""

    mm: float
    low_mm: float
    high_mm: float
    sources: tuple[Source, ...]
    text: str


@dataclass(frozen=True, slots=True)
class TypicalGrades:
    """Grades a process usually reaches with a metal, lowest (finest) to highest."""

    process: str
    low: str
    high: str
    source: Source


def _tolerance_grade(grade: str | int) -> int:
    match = re.fullmatch(r"\s*(?:DCTG|CT)?[\s-]*(\d{1,2})\s*", str(grade), re.IGNORECASE)
    if match is None or not 1 <= int(match.group(1)) <= 16:
        raise UsageFault(
            f"'{grade}' is not a casting tolerance grade; give one of DCTG 1 to DCTG 16 (or CT 1 "
            "to CT 16)."
        )
    return int(match.group(1))


def _machining_grade(grade: str) -> str:
    match = re.fullmatch(r"\s*(?:RMAG?)?[\s-]*([A-Z])\s*", str(grade), re.IGNORECASE)
    grades = machining_grades()
    if match is None or match.group(1).upper() not in grades:
        raise UsageFault(
            f"'{grade}' is not a grade of required machining allowance; give one of "
            f"{', '.join(grades)}."
        )
    return match.group(1).upper()


def casting_tolerance(grade: str | int, dimension_mm: float) -> Stock:
    """Total casting tolerance in mm of a grade ('DCTG 10', 'CT10', 10) for a raw dimension.

    ISO 8062:1994 table 1 = ISO 8062-3:2007 table 2. The tolerance lies half above and half below
    the dimension. Limits: 0 to 2500 mm; `DataFault` where the standard has a dash.

    >>> casting_tolerance("DCTG 10", 120.0).mm
    3.6
    """
    number = _tolerance_grade(grade)
    require_positive(dimension_mm, "the dimension", "mm")
    row = next((r for r in tolerance_rows() if dimension_mm <= r.up_to_mm), None)
    if row is None or math.isnan(row.mm[number - 1]):
        raise DataFault(
            f"ISO 8062 tabulates no tolerance of grade {number} for {dimension_mm:g} mm; choose "
            "another grade or give the stock as an amount."
        )
    cell = row.mm[number - 1]
    sources = [row.source, *(source for source, count in row.more if number <= count)]
    figures = [cell]
    note = ""
    if number in row.others:
        other, source = row.others[number]
        figures.append(other)
        sources.append(source)
        note = f" (another source gives {format_figure(other)})"
    text = f"grade {number} up to {format_figure(row.up_to_mm)} mm: {format_figure(cell)} mm{note}"
    return Stock(max(figures), min(figures), max(figures), tuple(sources), text)


def required_machining_allowance(grade: str, largest_mm: float) -> Stock:
    """Required machining allowance in mm per surface of a grade A to K.

    Keyed to the largest overall dimension of the finished part, for every face alike (ISO 8062-3).
    Limits: 0 to 1600 mm.

    >>> required_machining_allowance("F", 300.0).mm
    2.5
    """
    letter = _machining_grade(grade)
    require_positive(largest_mm, "the largest dimension", "mm")
    row = next((r for r in machining_rows() if largest_mm <= r.up_to_mm), None)
    if row is None:
        raise DataFault(
            f"required machining allowances are tabulated up to 1600 mm, not for {largest_mm:g} "
            "mm; give the stock as an amount."
        )
    amount = row.mm[machining_grades().index(letter)]
    text = f"RMA {letter} up to {format_figure(row.up_to_mm)} mm: {format_figure(amount)} mm"
    return Stock(amount, amount, amount, (row.source,), text)


def stock_by_iso(
    machining_grade: str,
    tolerance_grade: str | int,
    largest_mm: float,
    kind: SurfaceKind,
    nominal_mm: float,
) -> Stock:
    """Stock in mm per surface: RMA + CT/2 on a plane, RMA + CT/4 on the radius of bore or boss.

    From the raw dimension R = F + RMA + CT/2 of a one-sided face, F + 2 RMA + CT/2 of a boss and
    F - 2 RMA - CT/2 of a bore (ISO 8062). ``nominal_mm`` is the finished dimension that places the
    face, or the diameter; the tolerance is taken for the larger of it and the raw dimension.

    >>> round(stock_by_iso("F", "DCTG 10", 300.0, "plane", 80.0).mm, 3)
    4.1
    >>> round(stock_by_iso("F", "DCTG 10", 300.0, "bore", 80.0).mm, 3)
    3.3
    """
    if kind not in ("plane", "bore", "boss"):
        raise UsageFault(f"'{kind}' is no kind of surface; give plane, bore or boss.")
    allowance = required_machining_allowance(machining_grade, largest_mm)
    require_positive(nominal_mm, "the nominal dimension", "mm")
    share = 0.5 if kind == "plane" else 0.25
    sides = 1.0 if kind == "plane" else 2.0
    tolerance = casting_tolerance(tolerance_grade, nominal_mm)
    if kind != "bore":
        raw = nominal_mm + sides * allowance.mm + 0.5 * tolerance.mm
        tolerance = casting_tolerance(tolerance_grade, raw)
    amount = allowance.mm + share * tolerance.mm
    part = "1/2" if kind == "plane" else "1/4"
    per = "face" if kind == "plane" else f"radius of the {kind}"
    text = (
        f"{allowance.text}; casting tolerance {tolerance.text}; per {per} "
        f"{format_figure(allowance.mm)} + {part} x {format_figure(tolerance.mm)} = "
        f"{format_figure(amount)} mm"
    )
    sources = (*allowance.sources, *tolerance.sources, load_sources()["iso8062-relation"])
    low = allowance.mm + share * tolerance.low_mm
    return Stock(amount, low, amount, tuple(dict.fromkeys(sources)), text)


def finish_metals() -> tuple[str, ...]:
    """Metals of the handbook's finish table."""
    return tuple(dict.fromkeys(table.metal for table in finish_tables()))


def stock_by_handbook(metal: str, size_mm: float, bore: bool = False) -> Stock:
    """Stock in mm per side by handbook, for 'cast iron', 'steel' or 'non-ferrous'.

    ``size_mm`` is the largest size of the casting. The first source that covers the size is used;
    the range spans all that do. Limits: up to 36 in (non-ferrous 40) or 60 in.

    >>> round(stock_by_handbook("cast iron", 250.0).mm, 3)
    2.381
    >>> round(stock_by_handbook("cast iron", 250.0, bore=True).mm, 3)
    3.175
    """
    metals = finish_metals()
    if metal not in metals:
        near = nearest(metal, metals)
        hint = f"; did you mean '{near[0]}'" if near else ""
        raise DataFault(f"no finish table covers '{metal}'{hint}; use one of {', '.join(metals)}.")
    require_positive(size_mm, "the casting's size", "mm")
    found: list[tuple[float, Source, float]] = []
    for table in finish_tables():
        row = next((r for r in table.rows if size_mm <= r.up_to_mm), None)
        if table.metal == metal and row is not None:
            amount = row.bore_mm if bore and row.bore_mm is not None else row.face_mm
            found.append((amount, table.source, row.up_to_mm))
    if not found:
        raise DataFault(
            f"the finish tables for {metal} end below {size_mm:g} mm; give the stock as an amount."
        )
    amount, source, up_to = found[0]
    figures = [figure for figure, _, _ in found]
    sources = [origin for _, origin, _ in found]
    small = [s for s in small_finishes() if s.metal == metal and size_mm <= found[0][2]]
    if up_to == min(table.rows[0].up_to_mm for table in finish_tables() if table.source == source):
        figures += [limit for s in small for limit in (s.low_mm, s.high_mm)]
        sources += [s.source for s in small]
    what = "bore" if bore else "face"
    text = (
        f"{metal}, {what}, casting up to {format_figure(up_to)} mm: {format_figure(amount)} mm "
        f"per side, {source.text()}; all sources {format_figure(min(figures))} to "
        f"{format_figure(max(figures))} mm"
    )
    return Stock(amount, min(figures), max(figures), tuple(dict.fromkeys(sources)), text)


def cope_stock(stock_mm: float, extra_percent: float | None = None) -> Stock:
    """Stock in mm of a face that lies up in the cope: stock x (1 + extra).

    The table's extra is 25 to 50 %; its upper end is used unless the user gives a figure.

    >>> cope_stock(3.0).mm
    4.5
    """
    require_not_negative(stock_mm, "the stock", "mm")
    table = cope_extra()
    extra = table.value.usual if extra_percent is None else extra_percent
    require_between(extra, 0.0, 200.0, "the extra for cope faces", "%")
    why = (
        f"{table.value.text()}: {table.why}, {table.value.sources[0].text()}"
        if extra_percent is None
        else "given"
    )
    amount = stock_mm * (1.0 + 0.01 * extra)
    text = (
        f"{format_figure(stock_mm)} mm x (1 + {format_figure(0.01 * extra)}) = "
        f"{format_figure(amount)} mm in the cope ({why})"
    )
    ends = (table.value.low, table.value.high) if extra_percent is None else (extra, extra)
    low, high = (stock_mm * (1.0 + 0.01 * end) for end in ends)
    return Stock(amount, low, high, table.value.sources if extra_percent is None else (), text)


def typical_grades(
    iso_group: str, dimension_mm: float | None = None
) -> tuple[tuple[TypicalGrades, ...], tuple[TypicalGrades, ...]]:
    """Usual tolerance grades and machining grades of a metal group, a row a process.

    With a dimension up to 25 mm the short-series tolerance grades are the finer ones for small
    castings. Empty tuples where no source covers the group.

    >>> tolerances, _ = typical_grades("copper alloys", 8.0)
    >>> (tolerances[0].low, tolerances[0].high)
    ('DCTG 10', 'DCTG 12')
    """
    finer = 0
    if dimension_mm is not None:
        require_positive(dimension_mm, "the dimension", "mm")
        finer = next((n for limit, n, _ in finer_when_small() if dimension_mm <= limit), 0)
    tolerances = []
    for row in typical_tolerances():
        if iso_group in row.metals:
            step = finer if "short series" in row.process else 0
            low, high = (f"DCTG {int(end) - step}" for end in (row.low, row.high))
            tolerances.append(TypicalGrades(row.process, low, high, row.source))
    machining = tuple(
        TypicalGrades(row.process, row.low, row.high, row.source)
        for row in typical_machining()
        if iso_group in row.metals
    )
    return tuple(tolerances), machining
