"""Amounts as a caster writes them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from patternprep.errors import UsageFault
from patternprep.units import (
    format_mass,
    parse_angle,
    parse_fraction,
    parse_length,
    parse_mass,
    parse_size,
)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("2 mm", 2.0),
        ("2", 2.0),
        (" .5mm ", 0.5),
        ("1/8 in", 3.175),  # exact: the inch is 25.4 mm by ISO 80000-3:2019
        ("1 1/2 in", 38.1),
        ("1-1/8 in", 28.575),
        ("2 ft", 609.6),
        ("1.2 cm", 12.0),
        ("-3 mm", -3.0),
    ],
)
def test_lengths(text: str, mm: float) -> None:
    assert parse_length(text) == pytest.approx(mm, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "fraction"),
    [
        ("1.9 %", 0.019),
        ("1/4 in/ft", 1 / 48),  # shrink rule: x in/ft is x/12
        ("3/32 in/ft", 3 / 32 / 12),
        ("10 mm/m", 0.01),
        ("1/96", 1 / 96),
        ("0 %", 0.0),
        ("2 percent", 0.02),
    ],
)
def test_fractions(text: str, fraction: float) -> None:
    assert parse_fraction(text) == pytest.approx(fraction, abs=1e-15)


@pytest.mark.parametrize("text", ["1.9", "2", "0.5", "x %", "", "1/0 %", "1e400 %", "1 2 %"])
def test_a_fraction_must_say_of_what(text: str) -> None:
    with pytest.raises(UsageFault):
        parse_fraction(text)


@pytest.mark.parametrize("text", ["two mm", "2 furlongs", "", "1/0 in", "nan mm", "1e999"])
def test_what_is_no_length_is_refused(text: str) -> None:
    with pytest.raises(UsageFault):
        parse_length(text)


def test_angles_and_masses() -> None:
    assert parse_angle("2") == parse_angle("2 deg") == 2.0
    assert parse_angle("0.1 rad") == pytest.approx(5.729577951308232)
    assert parse_mass("1 lb") == 0.45359237  # exact, international avoirdupois pound
    assert parse_mass("300 g") == pytest.approx(0.3)
    assert format_mass(1.0) == "1.000 kg (2.20 lb)"
    with pytest.raises(UsageFault):
        parse_angle("2 grad")


@given(st.floats(-1e6, 1e6, allow_nan=False))
def test_a_written_length_reads_back(value: float) -> None:
    assert parse_length(f"{value!r} mm") == value


def test_a_size_has_three_lengths_and_one_unit_for_all() -> None:
    assert parse_size("220 x 220 x 250 mm") == (220.0, 220.0, 250.0)
    assert parse_size("8x8x10 in") == pytest.approx((203.2, 203.2, 254.0))
    assert parse_size("1 in x 20 x 30") == pytest.approx((25.4, 20.0, 30.0))
    for wrong in ("220 x 220", "220", "220 x 0 x 250 mm", "a x b x c"):
        with pytest.raises(UsageFault):
            parse_size(wrong)
