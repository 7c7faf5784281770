"""Slots and holes that the draft of their own walls closes are found, with their depths."""

from __future__ import annotations

import math

import pytest

from patternprep.mesh.kernel import Solid
from patternprep.pattern.draft import closed_pockets, draft_pattern

TAN2 = math.tan(math.radians(2.0))
BLOCK = Solid.box((-30, -20, 0), (30, 20, 50))


def closed(half: Solid, angle: float = 2.0):
    pattern = draft_pattern(half, None, angle)
    assert pattern.cope is not None
    return closed_pockets(pattern.filled_pairs[0][0], pattern.cope)


def test_a_deep_narrow_slot_is_open_only_as_deep_as_its_half_width_leans() -> None:
    (slot,) = closed(BLOCK - Solid.box((-1, -30, 10), (1, 30, 60)))
    assert slot.was_mm == pytest.approx(40.0)
    assert slot.is_mm == pytest.approx(1.0 / TAN2, abs=0.05)
    assert not slot.through
    assert slot.place[0] == pytest.approx(0.0, abs=0.1)
    assert slot.place[2] == pytest.approx(10.0)


def test_a_deep_narrow_hole_and_a_hair_slit() -> None:
    hole = Solid.cylinder(60, 1.2).translate((15, 0, 10))
    slit = Solid.box((-0.025, -15, 40), (0.025, 15, 60))
    found = closed(BLOCK - hole - slit)
    assert [round(pocket.was_mm, 6) for pocket in found] == [10.0, 40.0]
    assert found[0].is_mm == pytest.approx(0.025 / TAN2, abs=0.02)
    assert found[1].is_mm == pytest.approx(1.2 / TAN2, rel=0.01)
    assert found[1].place[:2] == pytest.approx((15.0, 0.0), abs=0.1)


def test_an_opening_right_through_that_draft_closes_on_the_parting() -> None:
    (hole,) = closed(BLOCK - Solid.cylinder(60, 1.2).translate((0, 0, -5)))
    assert hole.through
    assert hole.was_mm == pytest.approx(50.0)
    assert hole.is_mm == pytest.approx(1.2 / TAN2, rel=0.01)
    assert hole.place[2] == 0.0
    (gap,) = closed(BLOCK - Solid.box((-1, -30, -5), (1, 30, 60)))
    assert gap.through
    assert gap.is_mm == pytest.approx(1.0 / TAN2, abs=0.1)


def test_what_stays_open_and_ledges_are_not_told() -> None:
    slot = Solid.box((-2, -30, 10), (2, 30, 60))
    assert closed(BLOCK - slot) == ()
    assert closed(BLOCK - Solid.cylinder(60, 6).translate((0, 0, -5))) == ()
    # a ledge half a millimetre wide round a block is buried by draft, but closes nothing
    ledge = BLOCK + Solid.box((-30.5, -20.5, 0), (30.5, 20.5, 20))
    assert closed(ledge) == ()
    assert closed(BLOCK - Solid.box((-1, -30, 10), (1, 30, 60)), 1.0) == ()
