"""The user's words for pull and parting."""

from __future__ import annotations

import math

import pytest

from patternprep.errors import UsageFault
from patternprep.pattern.parting import parse_parting, parse_pull


@pytest.mark.parametrize(
    ("text", "pull"),
    [
        ("+z", (0.0, 0.0, 1.0)),
        ("-x", (-1.0, 0.0, 0.0)),
        ("Y", (0.0, 1.0, 0.0)),
        (" 0,0,1 ", (0.0, 0.0, 1.0)),
        ("0.2, 0, 1", (0.2 / math.sqrt(1.04), 0.0, 1 / math.sqrt(1.04))),
        ("(0,-3,0)", (0.0, -1.0, 0.0)),
        ("-1,0,0", (-1.0, 0.0, 0.0)),
    ],
)
def test_pulls(text, pull):
    assert parse_pull(text) == pytest.approx(pull)


@pytest.mark.parametrize(
    "text", ["", "up", "+w", "1,2", "0,0,0", "1,2,3,4", "nan,0,1", "inf,0,0", "z+", "1;2;3", "--z"]
)
def test_nonsense_is_no_pull(text):
    with pytest.raises(UsageFault) as fault:
        parse_pull(text)
    assert fault.value.message.count(".") >= 1
    assert "\n" not in fault.value.message


@pytest.mark.parametrize(
    ("text", "kind", "offset"),
    [
        ("auto", "auto", None),
        ("Middle", "middle", None),
        ("top", "top", None),
        ("12.5 mm", "offset", 12.5),
        ("-3", "offset", -3.0),
        ("1/2 in", "offset", 12.7),
    ],
)
def test_partings(text, kind, offset):
    wish = parse_parting(text)
    assert wish.kind == kind
    assert wish.offset_mm == (None if offset is None else pytest.approx(offset))


def test_where_wishes_lie_along_a_pull():
    pull = (0.0, 0.6, 0.8)
    assert parse_parting("at 10,0,35").offset_along(pull, -5.0, 50.0) == pytest.approx(28.0)
    assert parse_parting("middle").offset_along(pull, -5.0, 50.0) == 22.5
    assert parse_parting("top").offset_along(pull, -5.0, 50.0) == 50.0
    assert parse_parting("7 mm").offset_along(pull, -5.0, 50.0) == 7.0
    assert parse_parting("auto").offset_along(pull, -5.0, 50.0) is None


@pytest.mark.parametrize("text", ["", "bottom", "at", "at 1,2", "at x,y,z", "5 kg", "half way"])
def test_nonsense_is_no_parting(text):
    with pytest.raises(UsageFault) as fault:
        parse_parting(text)
    assert text.strip().lower() in fault.value.message.lower()
    assert "\n" not in fault.value.message
