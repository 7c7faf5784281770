"""The tables of core practice and core sands: every figure has a source, a mark and an order."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from typing import Any

import pytest

from patternprep.data import core_practice as cores
from patternprep.data.core_sands import binders, find_binder
from patternprep.data.readings import find_named, read_value
from patternprep.data.tables import plastics
from patternprep.data.tomlfile import Place
from patternprep.data.values import MARKS, Value
from patternprep.errors import DataFault, UsageFault

PLACE = Place("table.toml", {})


def _values(thing: Any) -> Iterator[Value]:
    """Every value anywhere in a table."""
    if isinstance(thing, Value):
        yield thing
    elif isinstance(thing, tuple | list):
        for item in thing:
            yield from _values(item)
    elif hasattr(thing, "values") and callable(thing.values):
        yield from _values(list(thing.values()))
    elif is_dataclass(thing):
        for field in fields(thing):
            yield from _values(getattr(thing, field.name))


TABLES = {
    "mould sands": cores.mould_sands(),
    "pocket draft": cores.pocket_draft(),
    "drilling": cores.drilling_rows(),
    "print rows": [cores.print_rows(side) for side in cores.SIDES],
    "print practice": cores.print_practice(),
    "print tapers": cores.print_tapers(),
    "gaps": cores.gap_rows(),
    "chaplets": cores.chaplet_rows(),
    "boxes": cores.box_practice(),
    "binders": binders(),
}


@pytest.mark.parametrize("name", TABLES)
def test_every_figure_has_a_source_with_a_mark_and_lies_in_its_range(name: str) -> None:
    found = list(_values(TABLES[name]))
    assert found
    for value in found:
        assert value.readings
        assert value.low <= value.usual <= value.high
        for reading in value.readings:
            assert reading.low <= reading.usual <= reading.high
            assert reading.source.citation
            assert reading.source.mark in MARKS


def test_practices_in_words_have_a_source() -> None:
    practices = cores.core_practices()
    assert len({p.id for p in practices}) == len(practices)
    for practice in practices:
        assert practice.text.endswith(".")
        assert practice.source.mark in MARKS


def test_bonded_sand_stands_deeper_than_green_and_the_drag_deeper_than_the_cope() -> None:
    sands = cores.mould_sands()
    green = sands["green sand"]
    for sand in sands.values():
        assert sand.pocket_cope.usual < sand.pocket_drag.usual
        assert sand.least_drag.usual < sand.least_cope.usual
        assert sand.pocket_drag.usual >= green.pocket_drag.usual
        assert sand.least_drag.usual <= green.least_drag.usual
        assert sand.bearing.usual >= green.bearing.usual


def test_the_drag_seat_locates_and_the_cope_end_has_the_largest_gap() -> None:
    for sand in cores.mould_sands().values():
        places = {key: value.usual for key, value in sand.gap_places.items()}
        assert places["drag_side"] == min(places.values())
        assert places["cope_end"] == max(places.values())
        for side in cores.SIDES:
            assert places[f"{side}_side"] <= places[f"{side}_end"]


def test_rows_rise_and_the_last_covers_any_size() -> None:
    for rows in (cores.gap_rows(), cores.print_rows("horizontal"), cores.print_rows("drag")):
        sizes = [row.up_to_mm for row in rows]
        assert sizes == sorted(sizes)
        assert math.isinf(sizes[-1])
    gaps = [row.mm for row in cores.gap_rows()]
    for smaller, larger in itertools.pairwise(gaps):
        assert smaller.high <= larger.low


def test_tapers_drag_less_cope_more() -> None:
    """Patternmaking texts (from memory): 3 to 5 degrees in the drag, 7 to 15 in the cope."""
    tapers = cores.print_tapers()
    assert tapers["horizontal"].high < tapers["drag"].low
    assert tapers["drag"].high < tapers["cope"].low
    assert (tapers["drag"].low, tapers["drag"].high) == (3.0, 5.0)
    assert (tapers["cope"].low, tapers["cope"].high) == (7.0, 15.0)


def test_silicate_shares_of_four_sources_stay_a_range() -> None:
    """3 to 4 % (PolyU), 3.5 to 5 % (engineeringenotes.com), 5 to 6 % (kamanifoundry.com), 3 to
    5 % (notes on carbon dioxide gas moulding), all seen.
    """
    percent = binders()["silicate"].percent
    assert {(r.low, r.high) for r in percent.readings} == {
        (3.0, 4.0),
        (3.5, 5.0),
        (5.0, 6.0),
        (3.0, 5.0),
    }
    assert (percent.low, percent.high) == (3.0, 6.0)


def test_furan_shares_after_carey_and_lott_1995() -> None:
    """Foundry Management and Technology, July 1995: 0.9 to 1.2 % of sand, acid 20 to 40 %."""
    furan = binders()["furan"]
    assert (furan.percent.low, furan.percent.high) == (0.9, 1.2)
    acid = furan.additions[0]
    assert (acid.per, acid.percent.low, acid.percent.high) == ("binder", 20.0, 40.0)


def test_carbon_dioxide_taken_up_by_arithmetic() -> None:
    """Na2O 13.85 % of the grade of ratio 2.40; Na2O 61.979, CO2 44.009 g/mol (computed)."""
    to_carbonate = 13.85 * 44.009 / 61.979
    value = next(c.value for c in binders()["silicate"].conditions if "theory" in c.name)
    computed = value.readings[0]
    assert computed.low == pytest.approx(to_carbonate, abs=0.05)
    assert computed.high == pytest.approx(2.0 * to_carbonate, abs=0.05)
    practice = binders()["silicate"].additions[0].percent
    assert practice.low > value.high


def test_rammed_densities_of_the_sources() -> None:
    """1600 kg/m3 (Groover, ENGR3190U); 0.0165 N/cm3 of the pipe example is 1682 kg/m3."""
    density = binders()["silicate"].density
    assert density.usual == 1.6
    pipe = next(r for r in density.readings if r.source.id == "core-density-pipe")
    assert pipe.usual == pytest.approx(0.0165 / 9.80665e-3, abs=1e-3)
    assert density.low == 1.5


def test_at_least_four_binder_systems_by_name_and_alias() -> None:
    assert set(binders()) == {"silicate", "oil", "furan", "urethane"}
    assert find_binder(" Linseed ").id == "oil"
    with pytest.raises(UsageFault, match="did you mean 'furan'"):
        find_binder("furon")
    assert cores.find_mould_sand("CO2 sand").name == "silicate sand"
    with pytest.raises(UsageFault, match="green sand"):
        cores.find_mould_sand("greensand ")


def test_aliases_are_unambiguous() -> None:
    for rows in (cores.mould_sands().values(), binders().values()):
        words = [word.casefold() for row in rows for word in row.aliases]
        assert len(words) == len(set(words))


def test_every_plastic_has_a_wall() -> None:
    walls = cores.box_practice().walls
    assert set(walls) == {"filament", "resin"}
    assert "resin" in plastics()


@pytest.mark.parametrize(
    ("entry", "message"),
    [
        ({"at": 1.0}, "has no source"),
        ({"low": 1.0, "source": "trade"}, "needs either"),
        ({"at": 1.0, "low": 0.5, "high": 2.0, "source": "trade"}, "needs either"),
        ({"low": 1.0, "high": 2.0, "usual": 3.0, "source": "trade"}, "outside its range"),
        ({"at": -1.0, "source": "trade"}, "outside the allowed"),
        ({"at": 1.0, "source": "nobody"}, "no source is named"),
        ({"at": 1.0, "source": "trade", "remark": ""}, "unknown key"),
        ([], "empty list"),
        (1.0, "not a table"),
    ],
)
def test_a_bad_figure_is_refused(entry: object, message: str) -> None:
    with pytest.raises(DataFault, match=message):
        read_value(entry, PLACE, "mm")


def test_find_named_ignores_case_and_spaces() -> None:
    known = [("green sand", ("clay  ",)), ("other", ())]
    assert find_named("  GREEN   sand", known, "sand") == "green sand"
