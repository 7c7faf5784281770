"""The alloys as text, JSON and page: complete, within 80 columns, not stale."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from patternprep.data.alloy_book import load_alloys
from patternprep.data.properties import PROPERTIES
from patternprep.formulas.contraction import contraction_for
from patternprep.report.alloys import (
    alloy_json,
    alloy_list_text,
    alloy_text,
    alloys_json,
    alloys_page,
)

BOOK = load_alloys()
PAGE = Path(__file__).parents[2] / "docs" / "alloys.md"


def test_the_page_is_not_stale() -> None:
    """Write it anew with: python -m patternprep.report.alloys > docs/alloys.md."""
    assert PAGE.read_text(encoding="utf-8") == alloys_page(BOOK)


def test_the_list_names_every_alloy() -> None:
    text = alloy_list_text(BOOK)
    for alloy in BOOK:
        assert f"  {alloy.id} " in text
    assert max(len(line) for line in text.splitlines()) <= 80


def test_the_list_shows_the_contraction_that_make_takes() -> None:
    rows = {line[2:23].strip().rstrip("*"): line for line in alloy_list_text(BOOK).splitlines()}
    for alloy in BOOK:
        if alloy.contraction is None:
            continue
        told = rows[alloy.id][53:62].strip()
        assert told.endswith("t") == bool(alloy.contraction_table)
        assert told.rstrip("t") == f"{contraction_for(alloy, 100.0).percent:.2f}"


@pytest.mark.parametrize("alloy", BOOK.all(), ids=[a.id for a in BOOK])
def test_one_alloy_shows_every_figure_with_its_mark(alloy) -> None:
    text = alloy_text(alloy)
    assert max(len(line) for line in text.splitlines()) <= 80
    flat = " ".join(text.split())
    for key, prop in PROPERTIES.items():
        value = alloy.value(key)
        if value is None:
            assert f"{prop.label}: not known" in text
            continue
        assert f"{prop.label}: {value.text()}" in text
        for reading in value.readings:
            assert reading.source.text() in flat
            assert reading.range_text(value.unit) in flat
    for composition in alloy.compositions:
        assert composition.source.text() in flat


def test_json_holds_the_same() -> None:
    table = json.loads(json.dumps(alloys_json(BOOK)))
    assert len(table["alloys"]) == len(BOOK)
    bronze = next(entry for entry in table["alloys"] if entry["id"] == "C95400")
    assert bronze == json.loads(json.dumps(alloy_json(BOOK.find("C95400"))))
    assert bronze["density_solid_g_cm3"]["usual"] == 7.45
    assert bronze["density_solid_g_cm3"]["readings"][0]["mark"] == "seen"
    assert bronze["smallest_section_mm"] is None
