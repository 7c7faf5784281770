"""Which pull and plane wins on shapes whose answer every patternmaker knows."""

from __future__ import annotations

import numpy as np
import pytest
from parting_shapes import Z_TO_X, block_with_side_hole, cup, i_beam, placed, tube

from patternprep.errors import GeometryFault, UsageFault
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import Mesh
from patternprep.pattern.parting import (
    MachinedFace,
    evaluate_parting,
    find_partings,
    parse_parting,
)


def best(solid: Solid, **wishes):
    return find_partings(solid.to_mesh(), **wishes)[0]


def test_flat_block_lies_in_the_drag_with_its_largest_face_on_the_parting():
    found = find_partings(Solid.box((0, 0, 0), (100, 60, 20)).to_mesh())
    assert 1 < len(found) <= 5
    assert found[0].one_piece
    assert found[0].flat_back
    assert abs(found[0].pull[2]) == 1.0
    assert found[0].height_mm == pytest.approx(20.0)
    assert found[0].draws_clean
    assert found[0].footprint_mm2 == pytest.approx(6000.0, rel=0.01)
    assert found[0].volume_below_mm3 == pytest.approx(120000.0)
    assert found[0].volume_above_mm3 == 0.0
    assert [c.score for c in found] == sorted(c.score for c in found)


def test_cone_lies_with_its_wide_end_on_the_parting():
    found = best(Solid.cylinder(40, 30, 5))
    assert found.one_piece
    assert found.pull == (0.0, 0.0, -1.0)
    assert found.offset_mm == 0.0
    assert found.draft_added_mm3 == 0.0
    assert found.undercuts == ()


def test_l_bracket_lies_on_a_flat_back_and_draws_clean():
    bracket = Solid.box((0, 0, 0), (80, 40, 10)) + Solid.box((0, 0, 0), (10, 40, 60))
    found = best(bracket)
    assert found.flat_back
    assert found.draws_clean
    # its foot is the flat back, the wall hangs down into the drag
    assert found.pull == (0.0, 0.0, -1.0)
    assert found.offset_mm == pytest.approx(0.0, abs=1e-9)


def test_t_hangs_from_its_bar():
    tee = Solid.box((-40, -20, 50), (40, 20, 60)) + Solid.box((-5, -20, 0), (5, 20, 50))
    found = best(tee)
    assert found.flat_back
    assert found.pull == (0.0, 0.0, 1.0)
    assert found.offset_mm == pytest.approx(60.0)


def test_ring_lies_flat_since_upright_its_hole_asks_for_a_core():
    ring = tube(20, 50, 30).to_mesh()
    flat = find_partings(ring)[0]
    assert abs(flat.pull[2]) == 1.0
    assert flat.draws_clean
    upright = evaluate_parting(ring, (1.0, 0.0, 0.0), 0.0)
    assert upright.score > flat.score
    (hole,) = upright.undercuts
    assert hole.kind == "hollow"
    assert hole.volume_mm3 == pytest.approx(np.pi * 30**2 * 20, rel=0.02)
    assert hole.place == pytest.approx((0, 0, 10), abs=0.3)
    assert "core" in hole.advice


def test_long_bush_lies_down_since_sand_would_not_stand_in_its_bore():
    bush = tube(100, 20, 10).to_mesh()
    lying = find_partings(bush)[0]
    assert abs(lying.pull[2]) < 1e-6
    assert lying.offset_mm == pytest.approx(0.0, abs=1e-6)
    assert [u.kind for u in lying.undercuts] == ["hollow"]
    standing = evaluate_parting(bush, (0, 0, 1), 50.0)
    assert standing.deep_openings == 1
    assert any("sand" in reason for reason in standing.reasons)


def test_flanged_bush_hangs_from_its_flange():
    bush = Solid.cylinder(10, 40) + Solid.cylinder(50, 25)
    bush = bush - placed(Solid.cylinder(60, 15), shift=(0, 0, -5))
    found = best(bush)
    assert found.flat_back
    assert found.pull == (0.0, 0.0, -1.0)
    assert found.draws_clean


def test_cup_opens_away_from_the_parting():
    found = best(cup())
    # its floor is the flat back; the inside opens down into the drag's sand
    assert found.pull == (0.0, 0.0, -1.0)
    assert found.one_piece
    assert found.draws_clean
    other = evaluate_parting(cup().to_mesh(), (0, 0, 1), 50.0)
    (hollow,) = other.undercuts
    assert hollow.kind == "hollow"
    assert hollow.volume_mm3 == pytest.approx(np.pi * 26**2 * 46, rel=0.02)
    assert hollow.place == pytest.approx((0, 0, 27), abs=0.5)


def test_dumbbell_parts_through_its_axis():
    bell = Solid.sphere(20, 64) + placed(Solid.sphere(20, 64), shift=(100, 0, 0))
    bell = bell + placed(Solid.cylinder(100, 8), Z_TO_X)
    found = best(bell)
    assert abs(found.pull[0]) < 1e-6
    assert found.offset_mm == pytest.approx(0.0, abs=1e-6)
    assert found.draws_clean
    assert not found.one_piece


def test_i_beam_parts_through_its_web():
    found = best(i_beam())
    assert abs(found.pull[1]) == 1.0
    assert found.offset_mm == pytest.approx(0.0, abs=1e-9)
    assert found.draws_clean
    across = evaluate_parting(i_beam().to_mesh(), (0, 0, 1), 30.0)
    assert [u.kind for u in across.undercuts] == ["undercut", "undercut"]
    for side in across.undercuts:
        assert side.volume_mm3 == pytest.approx(200 * 26 * 44, rel=0.02)
    assert sorted(round(u.place[1]) for u in across.undercuts) == [-17, 17]


def test_sphere_parts_through_its_centre_not_at_its_pole():
    found = find_partings(placed(Solid.sphere(50, 96), shift=(3, 4, 5)).to_mesh())
    assert found[0].draws_clean
    assert found[0].offset_mm == pytest.approx(np.dot(found[0].pull, (3, 4, 5)), abs=0.05)
    pole = evaluate_parting(placed(Solid.sphere(50, 96), shift=(3, 4, 5)).to_mesh(), (0, 0, 1), 55)
    # a cylinder round the upper half, less the half sphere
    assert pole.undercut_mm3 == pytest.approx(np.pi * 50**3 / 3, rel=0.02)
    assert pole.score > found[0].score


def test_eccentric_barrel_parts_at_its_axis_not_at_its_middle():
    # a pad on one side shifts the middle; the barrel draws only at its own axis
    barrel = placed(Solid.cylinder(120, 30, segments=90), Z_TO_X)
    pad = Solid.box((40, -12, 0), (80, 12, 45))
    found = best(barrel + pad, pulls=[(0.0, 0.0, 1.0)])
    assert found.offset_mm == pytest.approx(0.0, abs=1e-6)
    assert found.draws_clean


def test_a_side_hole_is_named_with_its_place_and_volume():
    found = best(block_with_side_hole(), pulls=[(0.0, 0.0, 1.0)])
    (hole,) = found.undercuts
    assert hole.kind == "undercut"
    assert hole.volume_mm3 == pytest.approx(np.pi * 8**2 * 100, rel=0.02)
    assert hole.place == pytest.approx((0, 0, 20), abs=0.3)
    assert "core" in hole.advice
    assert found.cores_asked == 1
    assert any("undercut" in reason for reason in found.reasons)


def test_what_no_flat_parting_draws_is_said():
    block = Solid.box((-50, -50, -50), (50, 50, 50))
    for rotation in (None, Z_TO_X, [[1, 0, 0], [0, 0, 1], [0, -1, 0]]):
        cavity = placed(Solid.cylinder(40, 15), rotation)
        block = block - placed(cavity, shift=(0, 0, 0))
        groove = placed(tube(14, 60, 44), rotation)
        block = block - groove
    found = find_partings(block.to_mesh())
    assert all(c.undercut_mm3 > 0.0 for c in found)
    assert all("No flat parting" in c.reasons[-1] for c in found)
    clean = find_partings(Solid.box((0, 0, 0), (9, 9, 9)).to_mesh())
    assert not any("No flat parting" in reason for c in clean for reason in c.reasons)


def test_machined_faces_decide_which_way_is_up():
    slab = Solid.box((0, 0, 0), (100, 60, 20)).to_mesh()
    for z, way in ((20.0, 1.0), (0.0, -1.0)):
        face = MachinedFace((50.0, 30.0, z), (0.0, 0.0, way), 6000.0)
        found = find_partings(slab, machined=[face])[0]
        assert found.pull == (0.0, 0.0, -way)
        assert found.machined_down_mm2 == 6000.0
        assert found.machined_up_mm2 == found.machined_upright_mm2 == 0.0
    side = MachinedFace((0.0, 30.0, 10.0), (-1.0, 0.0, 0.0), 1200.0)
    assert find_partings(slab, machined=[side])[0].machined_upright_mm2 == 1200.0


def test_the_asked_pull_and_plane_are_taken_as_they_are():
    slab = Solid.box((0, 0, 0), (100, 60, 20)).to_mesh()
    found = find_partings(slab, pulls=[(3.0, 0.0, 0.0)], offsets=[40.0])
    assert [(c.pull, c.offset_mm) for c in found] == [((1.0, 0.0, 0.0), 40.0)]
    assert found[0].height_above_mm == pytest.approx(60.0)
    assert found[0].height_below_mm == pytest.approx(40.0)
    single = evaluate_parting(slab, (1.0, 0.0, 0.0), 40.0)
    assert single.score == found[0].score
    top = find_partings(slab, pulls=[(0.0, 0.0, 1.0)], parting=parse_parting("top"))[0]
    assert top.one_piece
    assert top.offset_mm == 20.0
    middle = find_partings(slab, pulls=[(0.0, 0.0, 1.0)], parting=parse_parting("middle"))[0]
    assert middle.offset_mm == pytest.approx(10.0)
    at = find_partings(slab, pulls=[(0.0, 0.0, -1.0)], parting=parse_parting("at 5,5,15"))[0]
    assert at.offset_mm == pytest.approx(-15.0)
    auto = find_partings(slab, pulls=[(0.0, 0.0, 1.0)], parting=parse_parting("auto"))
    assert all(c.pull == (0.0, 0.0, 1.0) for c in auto)
    assert len({c.offset_mm for c in auto}) == len(auto)


@pytest.mark.parametrize("offset", [-5.0, 0.0, 25.0])
def test_a_plane_that_leaves_nothing_below_or_misses_the_part_is_refused(offset):
    slab = Solid.box((0, 0, 0), (100, 60, 20)).to_mesh()
    with pytest.raises(UsageFault, match="metal"):
        find_partings(slab, pulls=[(0.0, 0.0, 1.0)], offsets=[offset])
    with pytest.raises(UsageFault, match="metal"):
        evaluate_parting(slab, (0.0, 0.0, 1.0), offset)


def test_a_mesh_without_volume_is_refused():
    box = Solid.box((0, 0, 0), (1, 1, 1)).to_mesh()
    with pytest.raises(GeometryFault, match="volume"):
        find_partings(Mesh(box.vertices, box.faces[:, ::-1]))


def test_the_same_part_gives_the_same_answer_twice():
    mesh = i_beam().to_mesh()
    assert find_partings(mesh) == find_partings(Mesh(mesh.vertices, mesh.faces))
