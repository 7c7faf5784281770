"""Undercuts are named by a point in them, and rooms that open nowhere as such."""

from __future__ import annotations

import numpy as np
import pytest

from patternprep.mesh.kernel import Solid
from patternprep.pattern.draft import draft_pattern
from patternprep.pattern.parting import (
    closed_cavities,
    evaluate_parting,
    find_partings,
    undercuts_of_pairs,
    with_cavities_told,
)


def pulley() -> Solid:
    """A disc of 100 mm, 30 high, with a vee groove 10 mm deep round it and a bore of 60 mm."""
    rim = np.array([[30, -15], [50, -15], [50, -10], [40, 0], [50, 10], [50, 15], [30, 15]], float)
    return Solid.revolve(rim)


def in_groove(place: tuple[float, float, float]) -> bool:
    x, y, z = place
    return 40.0 + abs(z) - 0.1 <= np.hypot(x, y) <= 50.1 and abs(z) <= 10.0


def test_a_ring_is_named_by_a_point_in_it() -> None:
    (told,) = evaluate_parting(pulley().to_mesh(), (0.0, 0.0, 1.0), 15.0).undercuts
    assert in_groove(told.place)
    for low in (-15.0, 0.0):  # in one half, and cut by the parting in two
        solid = pulley().translate((0, 0, low))
        cope, drag = solid.split_by_plane() if low == 0.0 else (None, solid)
        pattern = draft_pattern(cope, drag, 2.0)
        back = np.eye(4)
        back[2, 3] = -low
        found = undercuts_of_pairs(pattern.filled_pairs, back, 1.0)
        assert found
        assert all(in_groove(undercut.place) for undercut in found)


def test_a_room_inside_the_metal_is_told_to_be_closed() -> None:
    block = Solid.box((-30, -20, -20), (30, 20, 20)) - Solid.box((-8, -7, -6), (8, 7, 6))
    mesh = block.to_mesh()
    (cavity,) = closed_cavities(mesh)
    assert cavity.volume_mm3 == pytest.approx(16 * 14 * 12)
    assert cavity.centre == pytest.approx((0, 0, 0), abs=1e-9)
    cope, drag = block.split_by_plane()
    for halves in ((cope, drag), (None, block.translate((0, 0, -20)))):
        pattern = draft_pattern(*halves, 2.0)
        back = np.eye(4)
        back[2, 3] = 0.0 if halves[0] is not None else 20.0
        found = undercuts_of_pairs(pattern.filled_pairs, back, 1.0)
        (told,) = with_cavities_told(found, closed_cavities(mesh))
        assert "no core can get in" in told.advice
    best = find_partings(mesh)[0]
    assert all("no core can get in" in undercut.advice for undercut in best.undercuts)
    assert not any("it needs cores" in reason for reason in best.reasons)


def test_a_hole_that_opens_is_not_taken_for_a_closed_room() -> None:
    hole = Solid.box((-8, -30, -6), (8, 30, 6))
    mesh = (Solid.box((-30, -20, -20), (30, 20, 20)) - hole).to_mesh()
    assert closed_cavities(mesh) == ()
    two = Solid.box((0, 0, 0), (9, 9, 9)) + Solid.box((20, 0, 0), (29, 9, 9))
    assert closed_cavities(two.to_mesh()) == ()
