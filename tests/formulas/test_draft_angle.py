"""Draft angles by wall height against the tables they come from; numbers and arrays alike."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from patternprep.errors import DataFault, UsageFault
from patternprep.formulas.draft_angle import (
    angle_by_taper,
    angle_from_table,
    draft_rule,
    draft_source,
    flat_taper_angle,
    pattern_material,
)
from patternprep.units import MM_PER_INCH

# from memory, after the draft table of NPTEL and P. N. Rao: inches, outside, inside
WOOD = [(1, 3.0, 3.0), (2, 1.5, 2.5), (4, 1.0, 1.5), (8, 0.75, 1.0), (32, 0.5, 1.0)]
METAL = [(1, 1.5, 3.0), (2, 1.0, 2.0), (4, 0.75, 1.0), (8, 0.5, 1.0), (32, 0.5, 0.75)]


@pytest.mark.parametrize(("material", "rows"), [("wood", WOOD), ("metal or plastic", METAL)])
def test_table_of_nptel_and_rao(material: str, rows) -> None:
    lower = 0.0
    for inches, outside, inside in rows:
        for height in (lower + 0.01, inches * MM_PER_INCH):
            assert angle_from_table(height, False, material) == outside
            assert angle_from_table(height, True, material) == inside
        lower = inches * MM_PER_INCH
    assert draft_source(material).mark == "from memory"


# from memory, after DIN 1511
ANGLES = [(10, 3.0), (18, 2.0), (30, 1.5), (50, 1.0), (80, 0.75), (180, 0.5)]
TAPERS = [(250, 1.5), (315, 2.0), (400, 2.5), (500, 3.0), (630, 3.5), (800, 4.5), (1000, 5.5)]


def test_taper_table_of_din_1511() -> None:
    for height, angle in ANGLES:
        assert angle_by_taper(float(height)) == angle
    for height, taper in TAPERS:
        assert height * math.tan(math.radians(angle_by_taper(float(height)))) == pytest.approx(
            taper
        )
    assert angle_by_taper(10.001) == 2.0


HEIGHTS = st.lists(st.floats(0.0, 800.0), min_size=1, max_size=20)


@given(HEIGHTS, st.booleans(), st.sampled_from(["wood", "plastic"]))
def test_arrays_agree_with_single_heights(heights, inside, material) -> None:
    many = angle_from_table(np.array(heights), inside, material)
    assert many.shape == (len(heights),)
    assert many.tolist() == [angle_from_table(h, inside, material) for h in heights]
    tapers = angle_by_taper(np.array(heights))
    assert tapers.tolist() == pytest.approx([angle_by_taper(h) for h in heights])


def test_inside_may_be_an_array() -> None:
    inside = np.array([False, True, True])
    found = angle_from_table(np.array([20.0, 20.0, 60.0]), inside, "plastic")
    assert found.tolist() == [1.5, 3.0, 1.0]


def test_rules_by_name() -> None:
    heights, inside = np.array([5.0, 30.0, 150.0]), np.array([True, False, True])
    assert draft_rule("plastic")(heights, inside).tolist() == [3.0, 1.0, 1.0]
    assert draft_rule("wood")(heights, inside).tolist() == [3.0, 1.5, 1.0]
    assert draft_rule("taper")(heights, inside).tolist() == [3.0, 1.5, 0.5]
    shop = draft_rule("Shop rule")(heights, inside)
    assert shop.shape == (3,)
    assert shop[0] == pytest.approx(0.6, abs=0.005)  # printed as 0.6 degrees
    with pytest.raises(UsageFault, match="did you mean 'wood'"):
        draft_rule("wod")


def test_flat_tapers() -> None:
    """1/8 in/ft is 0.6 degrees (from memory); the 1 percent is yourarticlelibrary.com's [seen]."""
    assert flat_taper_angle("shop rule") == pytest.approx(math.degrees(math.atan(1 / 96)))
    assert flat_taper_angle("shop rule, machine-drawn") == pytest.approx(0.3, abs=0.002)
    assert flat_taper_angle("one percent") == pytest.approx(0.573, abs=0.0005)
    with pytest.raises(UsageFault, match="shop rule"):
        flat_taper_angle("two percent")


def test_words_for_the_pattern_material() -> None:
    assert {pattern_material(w) for w in ("metal", "Plastic", "print", "metal or plastic")} == {
        "metal or plastic"
    }
    assert pattern_material("Wood") == "wood"


@pytest.mark.parametrize("height", [-1.0, math.nan, math.inf])
def test_heights_must_be_heights(height: float) -> None:
    for call in (
        lambda h: angle_from_table(h, False, "wood"),
        lambda h: angle_from_table(np.array([10.0, h]), False, "wood"),
        angle_by_taper,
    ):
        with pytest.raises(UsageFault):
            call(height)


def test_beyond_the_table_is_not_guessed() -> None:
    with pytest.raises(DataFault, match=r"812\.8 mm"):
        angle_from_table(813.0, False, "wood")
    with pytest.raises(DataFault, match="900 mm high"):
        angle_from_table(np.array([20.0, 900.0]), False, "plastic")
    with pytest.raises(DataFault, match="1000 mm"):
        angle_by_taper(1001.0)
