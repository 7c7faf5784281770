"""Turning the part turns the answer; named meshes of a folder are searched without a fault."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from parting_shapes import Z_TO_X, cup, i_beam, placed, tube

from patternprep.errors import PatternprepError
from patternprep.mesh.kernel import Solid, union_all
from patternprep.pattern.parting import MachinedFace, evaluate_parting, find_partings

MESHES = os.environ.get("PATTERNPREP_MESHES", "")


def turn(seed: int) -> np.ndarray:
    """A random rigid motion, 4 x 4."""
    rng = np.random.default_rng(seed)
    q = rng.normal(size=4)
    w, x, y, z = q / np.linalg.norm(q)
    matrix = np.eye(4)
    matrix[:3, :3] = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ]
    matrix[:3, 3] = rng.uniform(-50, 50, 3)
    return matrix


@st.composite
def parts(draw):
    """A slab with a boss, a rib and a hole, all different: no symmetry, no tie."""
    size = st.integers(2, 9)
    slab = Solid.box((0, 0, 0), (100, 70 + draw(size), 12 + draw(size)))
    top = float(slab.bounds[1, 2])
    boss = Solid.cylinder(draw(size) + top, 12.0 + draw(size), segments=64).translate((60, 40, 0))
    rib = Solid.box((5, 10, 0), (20, 13 + draw(size), top + 3.0 * draw(size)))
    hole = Solid.cylinder(60, 4.0 + draw(size) / 2, segments=48).translate((60, 40, -10))
    return union_all([slab, boss, rib]) - hole


def same_plane(found, other, matrix, size):
    """The other candidate, brought back by the motion, is the same plane the same way up."""
    pull = matrix[:3, :3].T @ np.array(other.pull)
    offset = other.offset_mm - float(np.dot(matrix[:3, 3], other.pull))
    assert pull == pytest.approx(found.pull, abs=1e-3)
    assert offset == pytest.approx(found.offset_mm, abs=2e-3 * size)


@settings(deadline=None, max_examples=12)
@given(solid=parts(), seed=st.integers(0, 10_000))
def test_turning_the_part_turns_the_answer(solid, seed):
    matrix = turn(seed)
    mesh = solid.to_mesh()
    found = find_partings(mesh)[0]
    other = find_partings(mesh.transformed(matrix))[0]
    assert other.score == pytest.approx(found.score, abs=2e-3)
    assert other.undercut_mm3 == pytest.approx(found.undercut_mm3, rel=0.02, abs=1.0)
    assert other.draft_added_mm3 == pytest.approx(found.draft_added_mm3, rel=0.03)
    assert (other.one_piece, other.flat_back) == (found.one_piece, found.flat_back)
    same_plane(found, other, matrix, float(np.linalg.norm(mesh.size)))


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    "solid",
    [i_beam(), cup(), tube(20, 50, 30), placed(Solid.cylinder(200, 20), Z_TO_X)],
    ids=["I-beam", "cup", "ring", "shaft"],
)
def test_known_shapes_are_found_in_any_pose(solid, seed):
    matrix = turn(seed)
    mesh = solid.to_mesh()
    found = find_partings(mesh)[0]
    turned = mesh.transformed(matrix)
    other = find_partings(turned)[0]
    assert other.score == pytest.approx(found.score, abs=2e-3)
    assert other.undercuts == found.undercuts == ()
    # the pull that the plain pose took is as good in this one
    pull = matrix[:3, :3] @ np.array(found.pull)
    offset = found.offset_mm + float(np.dot(matrix[:3, 3], pull))
    x, y, z = (float(c) for c in pull)
    again = evaluate_parting(turned, (x, y, z), offset)
    assert again.score == pytest.approx(found.score, abs=2e-3)


def test_scaling_the_part_scales_the_answer():
    mesh = (i_beam() + placed(tube(30, 20, 12), Z_TO_X, (60, 0, 30))).to_mesh()
    found = find_partings(mesh)
    for factor in (0.01, 30.0):
        large = find_partings(mesh.transformed(np.diag([factor, factor, factor, 1.0])))
        assert large[0].pull == pytest.approx(found[0].pull)
        assert large[0].offset_mm == pytest.approx(found[0].offset_mm * factor, abs=1e-6 * factor)
        assert large[0].undercut_mm3 == pytest.approx(found[0].undercut_mm3 * factor**3, rel=0.02)
        assert large[0].score == pytest.approx(found[0].score, abs=2e-3)


def test_finer_facets_change_nothing():
    answers = []
    for segments in (48, 192, 768):
        body = Solid.cylinder(60, 30, segments=segments) + Solid.cylinder(10, 50, segments=segments)
        body = body - Solid.cylinder(150, 15, segments=segments).translate((0, 0, -50))
        answers.append(find_partings(body.to_mesh())[0])
    assert {a.pull for a in answers} == {(0.0, 0.0, -1.0)}
    assert {a.offset_mm for a in answers} == {0.0}
    for a in answers:
        assert a.undercut_mm3 == 0.0
        assert a.draft_added_mm3 == pytest.approx(answers[-1].draft_added_mm3, rel=0.03)


@given(
    areas=st.lists(st.floats(1.0, 1e4), min_size=1, max_size=4),
    angle=st.floats(0.0, 6.2),
)
@settings(deadline=None, max_examples=20)
def test_machined_areas_add_up(areas, angle):
    faces = [
        MachinedFace((0, 0, 0), (float(np.cos(angle + k)), 0.0, float(np.sin(angle + k))), a)
        for k, a in enumerate(areas)
    ]
    found = evaluate_parting(BLOCK, (0.0, 0.0, 1.0), 20.0, machined=faces)
    total = found.machined_up_mm2 + found.machined_down_mm2 + found.machined_upright_mm2
    assert total == pytest.approx(sum(areas))


BLOCK = Solid.box((0, 0, 0), (100, 60, 20)).to_mesh()


@pytest.mark.slow
@pytest.mark.skipif(not Path(MESHES).is_dir() or not MESHES, reason="PATTERNPREP_MESHES not set")
def test_every_readable_mesh_of_the_folder_gets_an_answer():
    from patternprep.mesh.read.part import read_part

    searched = 0
    for path in sorted(Path(MESHES).iterdir()):
        try:
            mesh = read_part(path).mesh
        except PatternprepError:
            continue
        found = find_partings(mesh)
        assert 1 <= len(found) <= 5, path.name
        low, high = mesh.bounds
        room = 1e-6 * float(np.linalg.norm(high - low))
        for c in found:
            assert np.isfinite(c.score), path.name
            assert c.draft_added_mm3 >= 0.0
            assert c.undercut_mm3 >= 0.0
            assert np.linalg.norm(c.pull) == pytest.approx(1.0)
            assert c.volume_above_mm3 + c.volume_below_mm3 == pytest.approx(mesh.volume)
            for u in c.undercuts:
                assert (np.array(u.place) >= low - room - c.height_mm).all(), path.name
                assert (np.array(u.place) <= high + room + c.height_mm).all(), path.name
        searched += 1
    assert searched > 0
