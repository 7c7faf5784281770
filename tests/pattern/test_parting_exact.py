"""What was filled, named from the solids: closed forms on both halves, turned, scaled, mirrored."""

from __future__ import annotations

import numpy as np
import pytest
from parting_shapes import (
    Z_TO_X,
    Z_TO_Y,
    block_with_side_hole,
    cup,
    filled_half,
    i_beam,
    placed,
    tube,
)

from patternprep.mesh.kernel import Solid
from patternprep.pattern.parting import evaluate_parting, undercuts_of, undercuts_of_pairs

SAME = np.eye(4)


def halves(solid: Solid, offset: float) -> tuple[Solid, Solid]:
    """(cope, drag mirrored into z >= 0) at the plane z = offset."""
    cope, drag = solid.translate((0, 0, -offset)).split_by_plane()
    return cope, drag.transform(np.diag([1.0, 1.0, -1.0, 1.0]))


def test_nothing_filled_nothing_named():
    box = Solid.box((0, 0, 0), (9, 8, 7))
    assert undercuts_of(box, box, SAME, 0.01) == ()
    assert undercuts_of(Solid.empty(), Solid.empty(), SAME, 0.01) == ()


def test_side_hole_is_an_undercut_below_the_parting():
    _, drag = halves(block_with_side_hole(), 40.0)
    back = np.diag([1.0, 1.0, -1.0, 1.0])
    back[2, 3] = 40.0  # mirrored z >= 0 back to part axes
    (hole,) = undercuts_of(filled_half(drag, 400), drag, back, 1.0)
    assert hole.kind == "undercut"
    # each slab adds metal that the hole's curve leaves out: within the step
    assert hole.volume_mm3 == pytest.approx(np.pi * 8**2 * 100, rel=0.01)
    assert hole.place == pytest.approx((0, 0, 20), abs=0.05)


def test_exact_box_rooms_of_an_i_beam():
    cope, drag = halves(i_beam(), 30.0)
    lift = np.eye(4)
    lift[2, 3] = 30.0
    found = undercuts_of(filled_half(cope), cope, lift, 1.0)
    assert [u.kind for u in found] == ["undercut", "undercut"]
    for u in found:
        assert u.volume_mm3 == pytest.approx(200 * 26 * 22, rel=1e-6)
        assert abs(u.place[1]) == pytest.approx(17.0)
        assert u.place[0] == pytest.approx(100.0)
        assert u.place[2] == pytest.approx(41.0)
        assert "overhang" in u.advice
    mirrored = lift @ np.diag([1.0, 1.0, -1.0, 1.0])
    for u in undercuts_of(filled_half(drag), drag, mirrored, 1.0):
        assert u.place[2] == pytest.approx(19.0)


def test_a_bore_cut_by_the_parting_is_a_hollow_in_both_halves():
    ring = placed(tube(20, 50, 30), Z_TO_X)
    for half in halves(ring, 0.0):
        (hollow,) = undercuts_of(filled_half(half, 300), half, SAME, 500.0)
        assert hollow.kind == "hollow"
        assert hollow.volume_mm3 == pytest.approx(np.pi * 30**2 * 20 / 2, rel=0.01)
        assert "core" in hollow.advice


def test_a_cup_that_opens_on_the_parting_is_a_hollow():
    _, drag = halves(cup(), 50.0)
    (hollow,) = undercuts_of(filled_half(drag), drag, SAME, 1.0)
    assert hollow.kind == "hollow"
    assert hollow.place[2] == pytest.approx(23.0, abs=1e-6)
    assert hollow.volume_mm3 == pytest.approx(np.pi * 26**2 * 46, rel=0.01)


def test_volume_and_place_are_at_part_size_in_part_axes():
    cope, _ = halves(i_beam(), 30.0)
    filled = filled_half(cope)
    turn = np.eye(4)
    turn[:3, :3] = np.array(Z_TO_Y) * 1.02
    turn[:3, 3] = (5.0, 6.0, 7.0)
    plain = undercuts_of(filled, cope, SAME, 1.0)
    scaled = undercuts_of(filled, cope, turn, 1.0)
    for a, b in zip(plain, scaled, strict=True):
        assert b.volume_mm3 == pytest.approx(a.volume_mm3 * 1.02**3)
        assert b.place == pytest.approx(turn[:3, :3] @ a.place + turn[:3, 3])
        assert a.kind == b.kind


def test_small_regions_and_films_are_left_out():
    half = Solid.box((0, 0, 0), (100, 100, 20)) - Solid.box((10, 10, 5), (20, 120, 10))
    filled = half + Solid.box((10, 10, 5), (20, 101, 10)) + Solid.box((0, 0, 20), (100, 100, 20.01))
    (slot,) = undercuts_of(filled.trim_by_plane((0, -1, 0), -100), half, SAME, 1.0)
    assert slot.volume_mm3 == pytest.approx(10 * 90 * 5, rel=1e-6)
    assert slot.place == pytest.approx((15, 55, 7.5))
    assert "side" in slot.advice
    assert undercuts_of(filled, half, SAME, 6000.0) == ()


def test_an_island_of_metal_in_a_filled_room_is_taken_off_its_volume():
    island = Solid.box((4, 4, 4), (6, 6, 6))
    shell = Solid.box((0, 0, 0), (20, 20, 20)) - Solid.box((2, 2, 2), (18, 18, 18))
    (room,) = undercuts_of(Solid.box((0, 0, 0), (20, 20, 20)), shell + island, SAME, 1.0)
    assert room.volume_mm3 == pytest.approx(16**3 - 8)
    centre = (16**3 * 10.0 - 8 * 5.0) / (16**3 - 8)
    assert room.place == pytest.approx((centre, centre, centre))
    assert room.kind == "undercut"


@pytest.mark.parametrize("offset", [10.0, 30.0, 45.0])
def test_the_estimate_and_the_exact_names_agree(offset):
    solid = i_beam() + placed(tube(30, 20, 12), Z_TO_X, (60, 0, 30))
    cope, drag = halves(solid, offset)
    lift = np.eye(4)
    lift[2, 3] = offset
    exact = [
        *undercuts_of(filled_half(cope, 300), cope, lift, 5.0),
        *undercuts_of(filled_half(drag, 300), drag, lift @ np.diag([1.0, 1, -1, 1]), 5.0),
    ]
    rough = evaluate_parting(solid.to_mesh(), (0.0, 0.0, 1.0), offset)
    assert rough.undercut_mm3 == pytest.approx(sum(u.volume_mm3 for u in exact), rel=0.02)


def test_a_half_below_the_parting_is_named_where_it_lies():
    drag = i_beam().translate((0, 0, -30)).split_by_plane()[1]
    mirror = np.diag([1.0, 1.0, -1.0, 1.0])
    filled = filled_half(drag.transform(mirror)).transform(mirror)
    for u in undercuts_of(filled, drag, SAME, 1.0):
        assert u.volume_mm3 == pytest.approx(200 * 26 * 22, rel=1e-6)
        assert u.place[2] == pytest.approx(-11.0)
        assert "overhang" in u.advice


def test_a_room_cut_by_the_parting_is_named_once():
    ring = placed(tube(20, 50, 30), Z_TO_X)
    mirror = np.diag([1.0, 1.0, -1.0, 1.0])
    cope, drag = ring.split_by_plane()
    under = filled_half(drag.transform(mirror), 300).transform(mirror)
    pairs = [(filled_half(cope, 300), cope), (under, drag)]
    (hollow,) = undercuts_of_pairs(pairs, SAME, 500.0)
    assert hollow.kind == "hollow"
    assert hollow.volume_mm3 == pytest.approx(np.pi * 30**2 * 20, rel=0.01)
    assert hollow.place == pytest.approx((10, 0, 0), abs=0.01)


def test_rooms_beside_each_other_stay_apart_across_the_parting():
    block = Solid.box((0, 0, -20), (100, 40, 20))
    block = block - Solid.box((10, -5, 0), (30, 45, 10)) - Solid.box((60, -5, -12), (90, 45, 0))
    mirror = np.diag([1.0, 1.0, -1.0, 1.0])
    cope, drag = block.split_by_plane()
    under = filled_half(drag.transform(mirror)).transform(mirror)
    found = undercuts_of_pairs([(filled_half(cope), cope), (under, drag)], SAME, 1.0)
    assert [round(u.volume_mm3) for u in found] == [30 * 40 * 12, 20 * 40 * 10]
    assert [u.place for u in found] == [
        pytest.approx((75, 20, -6)),
        pytest.approx((20, 20, 5)),
    ]
    assert [u.kind for u in found] == ["hollow", "hollow"]
