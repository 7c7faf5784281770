"""Machining stock against the cells of ISO 8062 and of the handbooks."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from patternprep.errors import DataFault, UsageFault
from patternprep.formulas.machining import (
    casting_tolerance,
    cope_stock,
    required_machining_allowance,
    stock_by_handbook,
    stock_by_iso,
    typical_grades,
)
from patternprep.units import MM_PER_INCH

# ISO 8062:1994 table 1 as +/- half values, scribd.com 662297731 [seen]: grades CT 1 to 7
HALVES = {
    10.0: (0.045, 0.065, 0.09, 0.13, 0.18, 0.26, 0.37),
    63.0: (0.065, 0.09, 0.13, 0.18, 0.25, 0.35, 0.5),
}


@pytest.mark.parametrize("dimension", HALVES)
def test_seen_half_values_of_iso_8062(dimension: float) -> None:
    for grade, half in enumerate(HALVES[dimension], start=1):
        found = casting_tolerance(f"CT{grade}", dimension)
        assert found.mm == pytest.approx(2.0 * half)
        assert any(source.id == "iso8062-scribd" for source in found.sources)


# from memory, after ISO 8062:1994 table 1 (grades CT 4 to CT 16); all but one cell are the same as
# in the table at zenithcasting.com [seen], which was read apart from it
MEMORY = """
10 .26 .36 .52 .74 1 1.5 2 2.8 4.2 - - - -
16 .28 .38 .54 .78 1.1 1.6 2.2 3 4.4 - - - -
25 .30 .42 .58 .82 1.2 1.7 2.4 3.2 4.6 6 8 10 12
40 .32 .46 .64 .90 1.3 1.8 2.6 3.6 5 7 9 11 14
63 .36 .50 .70 1 1.4 2 2.8 4 5.6 8 10 12 16
100 .40 .56 .78 1.1 1.6 2.2 3.2 4.4 6 9 11 14 18
160 .44 .62 .88 1.2 1.8 2.5 3.6 5 7 10 12 16 20
250 .50 .70 1 1.4 2 2.8 4 5.6 8 11 14 18 22
400 .56 .78 1.1 1.6 2.2 3.2 4.4 6.2 9 12 16 20 25
630 .64 .90 1.2 1.8 2.6 3.6 5 7 10 14 18 22 28
1000 - 1 1.4 2 2.8 4 6 8 11 16 20 25 32
1600 - - 1.6 2.2 3.2 4.6 7 9 13 18 23 29 37
"""


@pytest.mark.parametrize("line", MEMORY.strip().splitlines())
def test_iso_8062_tolerances(line: str) -> None:
    limit, *cells = line.split()
    for grade, cell in enumerate(cells, start=4):
        if cell == "-":
            continue
        found = casting_tolerance(grade, float(limit))
        assert found.low_mm <= float(cell) <= found.high_mm
        if (limit, grade) == ("250", 5):  # 0.70 from memory, 0.72 on the page: the larger is used
            assert (found.low_mm, found.mm) == (0.70, 0.72)
            assert "another source gives 0.7" in found.text
        else:
            assert found.mm == float(cell)


def test_dashes_of_the_standard_are_not_known() -> None:
    for grade, dimension in ((13, 10.0), (16, 16.0), (1, 200.0), (3, 500.0), (6, 2000.0)):
        with pytest.raises(DataFault, match="no tolerance"):
            casting_tolerance(grade, dimension)
    with pytest.raises(DataFault, match="3000 mm"):
        casting_tolerance(10, 3000.0)


@pytest.mark.parametrize("grade", ["DCTG 10", "dctg10", "CT10", "CT 10", "10", 10])
def test_spellings_of_a_grade(grade: str | int) -> None:
    assert casting_tolerance(grade, 120.0).mm == 3.6


@pytest.mark.parametrize("grade", ["17", "0", "F", "", "CT-x", "10.5"])
def test_no_grade(grade: str) -> None:
    with pytest.raises(UsageFault, match="not a casting tolerance grade"):
        casting_tolerance(grade, 100.0)


# required machining allowance, mm, grades A B C D E F G H J K: from memory, after ISO 8062-3;
# the rows up to 100 mm also at zenithcasting.com [seen]
RMA = """
40 .1 .1 .2 .3 .4 .5 .5 .7 1 1.4
63 .1 .2 .3 .3 .4 .5 .7 1 1.4 2
100 .2 .3 .4 .5 .7 1 1.4 2 2.8 4
160 .3 .4 .5 .8 1.1 1.5 2.2 3 4 6
250 .3 .5 .7 1 1.4 2 2.8 4 5.5 8
400 .4 .7 .9 1.3 1.8 2.5 3.5 5 7 10
630 .5 .8 1.1 1.5 2.2 3 4 6 9 12
1000 .6 .9 1.2 1.8 2.5 3.5 5 7 10 14
1600 .7 1 1.4 2 2.8 4 5.5 8 11 16
"""


@pytest.mark.parametrize("line", RMA.strip().splitlines())
def test_iso_8062_machining_allowances(line: str) -> None:
    limit, *cells = line.split()
    for grade, cell in zip("ABCDEFGHJK", cells, strict=True):
        found = required_machining_allowance(grade, float(limit))
        assert found.mm == float(cell)
        assert found.sources


def test_a_dimension_on_a_limit_belongs_to_the_lower_row() -> None:
    assert required_machining_allowance("F", 63.0).mm == 0.5
    assert required_machining_allowance("F", 63.001).mm == 1.0


def test_machining_allowance_limits() -> None:
    with pytest.raises(DataFault, match="up to 1600 mm"):
        required_machining_allowance("F", 1700.0)
    for grade in ("I", "L", "FF", ""):
        with pytest.raises(UsageFault, match="A, B, C"):
            required_machining_allowance(grade, 100.0)


def test_raw_dimensions_of_iso_8062() -> None:
    """R = F + RMA + CT/2 one side, F + 2 RMA + CT/2 boss, F - 2 RMA - CT/2 bore (from memory).

    Part 300 mm long, RMA F = 2.5 mm; dimension 80 mm, DCTG 10 = 3.2 mm.
    """
    plane = stock_by_iso("F", "DCTG 10", 300.0, "plane", 80.0)
    boss = stock_by_iso("F", "DCTG 10", 300.0, "boss", 80.0)
    bore = stock_by_iso("F", "DCTG 10", 300.0, "bore", 80.0)
    assert 80.0 + plane.mm == pytest.approx(80.0 + 2.5 + 3.2 / 2)
    assert 80.0 + 2 * boss.mm == pytest.approx(80.0 + 2 * 2.5 + 3.2 / 2)
    assert 80.0 - 2 * bore.mm == pytest.approx(80.0 - 2 * 2.5 - 3.2 / 2)
    assert "2.5 + 1/2 x 3.2 = 4.1 mm" in plane.text


def test_the_tolerance_is_that_of_the_raw_dimension() -> None:
    """99 mm + 2.5 + 1.6 crosses 100 mm, where DCTG 10 rises from 3.2 to 3.6 mm."""
    assert stock_by_iso("F", 10, 300.0, "plane", 99.0).mm == pytest.approx(2.5 + 1.8)
    assert stock_by_iso("F", 10, 300.0, "bore", 99.0).mm == pytest.approx(2.5 + 0.8)


@given(
    st.sampled_from("ABCDEFGHJK"),
    st.integers(5, 12),
    st.floats(1.0, 900.0),
    st.sampled_from(["plane", "bore", "boss"]),
)
def test_stock_is_more_than_the_allowance(grade, tolerance, nominal, kind) -> None:
    largest = max(nominal, 50.0)
    found = stock_by_iso(grade, tolerance, largest, kind, nominal)
    allowance = required_machining_allowance(grade, largest).mm
    assert found.mm > allowance
    assert found.low_mm <= found.mm <= found.high_mm


def test_unknown_kind_of_surface() -> None:
    with pytest.raises(UsageFault, match="plane, bore or boss"):
        stock_by_iso("F", 10, 100.0, "slot", 10.0)  # type: ignore[arg-type]


# handbook: inches per side, bore and outside; from memory, after AFS Cast Metals Handbook and
# Heine-Loper
HANDBOOK = [
    ("cast iron", 12, 1 / 8, 3 / 32),
    ("cast iron", 24, 3 / 16, 1 / 8),
    ("cast iron", 42, 1 / 4, 3 / 16),
    ("cast iron", 60, 5 / 16, 1 / 4),
    ("steel", 12, 3 / 16, 1 / 8),
    ("steel", 24, 1 / 4, 3 / 16),
    ("steel", 42, 5 / 16, 5 / 16),
    ("steel", 60, 3 / 8, 3 / 8),
    ("non-ferrous", 12, 3 / 32, 1 / 16),
    ("non-ferrous", 24, 3 / 16, 1 / 8),
    ("non-ferrous", 36, 3 / 16, 5 / 32),
]


@pytest.mark.parametrize(("metal", "inches", "bore", "face"), HANDBOOK)
def test_handbook_stock(metal: str, inches: float, bore: float, face: float) -> None:
    size = inches * MM_PER_INCH
    assert stock_by_handbook(metal, size).mm == pytest.approx(face * MM_PER_INCH)
    assert stock_by_handbook(metal, size, bore=True).mm == pytest.approx(bore * MM_PER_INCH)
    found = stock_by_handbook(metal, size)
    assert found.low_mm <= found.mm <= found.high_mm


@pytest.mark.parametrize(
    ("metal", "inches", "amount"),  # from memory, after NPTEL
    [
        ("cast iron", 12, 0.12),
        ("cast iron", 20, 0.20),
        ("cast iron", 40, 0.25),
        ("steel", 6, 0.12),
        ("steel", 20, 0.25),
        ("steel", 40, 0.30),
        ("non-ferrous", 8, 0.09),
        ("non-ferrous", 12, 0.12),
        ("non-ferrous", 36, 0.16),
    ],
)
def test_nptel_stock_is_within_the_range_told(metal: str, inches: float, amount: float) -> None:
    found = stock_by_handbook(metal, inches * MM_PER_INCH)
    assert found.low_mm - 1e-9 <= amount * MM_PER_INCH <= found.high_mm + 1e-9


@pytest.mark.parametrize(
    ("metal", "low", "high"),  # W. H. Dooley, sec. 428 [seen], small castings, inches
    [("cast iron", 1 / 16, 1 / 8), ("non-ferrous", 1 / 16, 1 / 8), ("steel", 1 / 4, 1 / 2)],
)
def test_dooley_section_428_is_within_the_range_told(metal: str, low: float, high: float) -> None:
    found = stock_by_handbook(metal, 150.0)
    assert found.low_mm <= low * MM_PER_INCH + 1e-9
    assert found.high_mm >= high * MM_PER_INCH - 1e-9


def test_handbook_limits() -> None:
    with pytest.raises(DataFault, match="end below"):
        stock_by_handbook("cast iron", 2000.0)
    with pytest.raises(DataFault, match="did you mean 'cast iron'"):
        stock_by_handbook("castiron", 100.0)
    with pytest.raises(UsageFault):
        stock_by_handbook("steel", math.nan)


def test_cope_faces_get_more() -> None:
    """25 to 50 % more (from memory, after patternmaking texts); the upper end is used."""
    found = cope_stock(2.0)
    assert (found.low_mm, found.mm, found.high_mm) == (2.5, 3.0, 3.0)
    assert "spoils" in found.text
    given = cope_stock(2.0, 30.0)
    assert given.mm == pytest.approx(2.6)
    assert "given" in given.text
    assert cope_stock(0.0).mm == 0.0
    with pytest.raises(UsageFault):
        cope_stock(-1.0)


@pytest.mark.parametrize(
    ("group", "process", "low", "high"),
    [
        # ISO/CD 8062-2 table A.2 [seen]
        ("steel", "clay-bonded, short", 13, 15),
        ("copper alloys", "clay-bonded, short", 13, 15),
        ("light metal", "clay-bonded, short", 11, 13),
        ("steel", "chemically bonded", 12, 14),
        ("grey iron", "chemically bonded", 11, 14),
        ("copper alloys", "chemically bonded", 10, 13),
        ("light metal", "chemically bonded", 10, 13),
        # from memory, after ISO 8062 table A.1
        ("grey iron", "long series", 11, 14),
        ("copper alloys", "long series", 10, 13),
        ("light metal", "long series", 9, 12),
    ],
)
def test_typical_tolerance_grades(group: str, process: str, low: int, high: int) -> None:
    rows = [row for row in typical_grades(group)[0] if process in row.process]
    assert [(row.low, row.high) for row in rows] == [(f"DCTG {low}", f"DCTG {high}")]


@pytest.mark.parametrize(("dimension", "finer"), [(10.0, 3), (16.0, 2), (25.0, 1), (26.0, 0)])
def test_small_castings_are_held_finer(dimension: float, finer: int) -> None:
    """ISO/CD 8062-2 table A.2, note [seen]; the long series stay."""
    short, *_ = (row for row in typical_grades("copper alloys", dimension)[0])
    assert short.low == f"DCTG {13 - finer}"
    long = [r for r in typical_grades("copper alloys", dimension)[0] if "long" in r.process]
    assert long[0].low == "DCTG 10"


def test_typical_machining_grades() -> None:
    """From memory, after ISO 8062 table B.1: hand-moulded steel G-K, others F-H."""
    hand = {
        group: next(r for r in typical_grades(group)[1] if r.process.startswith("hand"))
        for group in ("steel", "grey iron", "copper alloys", "light metal", "zinc alloys")
    }
    assert (hand["steel"].low, hand["steel"].high) == ("G", "K")
    assert {(r.low, r.high) for g, r in hand.items() if g != "steel"} == {("F", "H")}
    assert typical_grades("glass") == ((), ())
