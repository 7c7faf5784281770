"""Cautions: the right ones for the metal, with sources, deferring to codes and practice."""

from __future__ import annotations

import pytest

from patternprep.data.alloy_book import load_alloys
from patternprep.errors import UsageFault
from patternprep.formulas.cautions import (
    activities,
    all_cautions,
    cautions_for,
    cautions_text,
)

BOOK = load_alloys()


@pytest.mark.parametrize(
    ("alloy", "ids"),
    [
        ("C86500", {"zinc-fume", "manganese", "beryllium"}),
        ("C90500", {"zinc-fume", "lead"}),
        ("C95400", {"aluminium-bronze", "beryllium"}),
        ("AZ91", {"magnesium-fire"}),
        ("lead", {"lead"}),
        ("ZA-12", {"zinc-fume"}),
        ("grey iron", {"iron"}),
        ("LM25", {"aluminium", "beryllium"}),
    ],
)
def test_cautions_of_the_metal(alloy: str, ids: set[str]) -> None:
    found = {caution.id for caution in cautions_for(BOOK.find(alloy))}
    assert ids <= found
    assert {"moisture", "silica", "carbon-dioxide", "silicate", "lifting"} <= found


def test_no_water_on_magnesium_is_not_told_for_bronze() -> None:
    assert "magnesium-fire" not in {c.id for c in cautions_for(BOOK.find("C95400"))}


def test_every_caution_has_a_source_and_an_activity() -> None:
    assert len({c.id for c in all_cautions()}) == len(all_cautions())
    for caution in all_cautions():
        assert caution.sources
        assert caution.activity in activities()
        assert caution.text.endswith(".")


def test_zinc_boils_below_the_pouring_temperature_of_bronze() -> None:
    """Zinc boils at 1180.15 K = 907.0 degC (mendeleev 1.3.0); bronzes are poured above 980 degC."""
    text = next(c.text for c in all_cautions() if c.id == "zinc-fume")
    assert "907 degC" in text
    assert round(1180.15 - 273.15) == 907
    for name in ("C86500", "C90500", "C85800"):
        pouring = BOOK.find(name).pouring
        assert pouring is not None
        assert pouring.low > 907.0


def test_text_defers_to_codes_and_licensed_practice() -> None:
    text = cautions_text(BOOK.find("C95400"))
    first = text.splitlines()[0]
    assert "local codes" in first
    assert "licensed practice" in first
    with pytest.raises(UsageFault, match="moulding"):
        cautions_for(BOOK.find("C95400"), ["swimming"])
