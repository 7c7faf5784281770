"""Pulls and planes are ranked with the holes that cores make counted as cores."""

from __future__ import annotations

import numpy as np
import pytest

from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import Mesh
from patternprep.pattern.cores.voids import find_voids
from patternprep.pattern.parting import evaluate_parting, find_partings

Z_TO_X = np.array([[0.0, 0, 1, 0], [0, 1, 0, 0], [-1, 0, 0, 0], [0, 0, 0, 1]])
Z_TO_Y = np.array([[1.0, 0, 0, 0], [0, 0, 1, 0], [0, -1, 0, 0], [0, 0, 0, 1]])
Y = (0.0, 1.0, 0.0)


def tee(turn: np.ndarray | None = None) -> Mesh:
    """A pipe along x, a branch along y from its middle; section 40 mm outside, 30 mm inside."""

    def rods(radius: float, spare: float) -> Solid:
        run = Solid.cylinder(120.0 + 2.0 * spare, radius).translate((0, 0, -60.0 - spare))
        branch = Solid.cylinder(60.0 + spare, radius)
        return run.transform(Z_TO_X) + branch.transform(Z_TO_Y)

    solid = rods(20.0, 0.0) - rods(15.0, 5.0)
    return (solid if turn is None else solid.transform(turn)).to_mesh()


def block_with_side_hole() -> Mesh:
    """100 x 60 x 40 mm, a hole of 30 mm along x whose axis lies 25 mm above the bottom."""
    block = Solid.box((-50, -30, 0), (50, 30, 40))
    hole = Solid.cylinder(120.0, 15.0).translate((0, 0, -60)).transform(Z_TO_X)
    return (block - hole.translate((0, 0, 22))).to_mesh()


def test_hollow_tee_lies_flat_with_its_three_mouths_on_the_parting():
    part = tee()
    best = find_partings(part, cores=find_voids(part))[0]
    assert np.abs(best.pull) == pytest.approx((0, 0, 1), abs=1e-9)
    assert best.offset_mm == pytest.approx(0.0, abs=1e-6)
    assert best.height_mm == pytest.approx(40.0, abs=0.1)
    assert best.draws_clean
    assert best.cores_asked == 1
    assert best.draft_added_mm3 < 2000.0
    assert any("3 mouths level on the parting" in reason for reason in best.reasons)


def test_hollow_tee_lies_flat_however_it_is_turned():
    a, b = np.radians(31.0), np.radians(57.0)
    about_z = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
    about_x = np.array([[1, 0, 0], [0, np.cos(b), -np.sin(b)], [0, np.sin(b), np.cos(b)]])
    turn = np.eye(4)
    turn[:3, :3] = about_x @ about_z
    part = tee(turn)
    best = find_partings(part, cores=find_voids(part))[0]
    assert abs(float(np.dot(best.pull, turn[:3, 2]))) == pytest.approx(1.0, abs=1e-6)
    assert best.offset_mm == pytest.approx(0.0, abs=0.02)
    assert best.draws_clean


def test_without_holes_to_core_the_hollow_is_an_undercut_as_before():
    found = find_partings(tee())
    assert all(candidate.undercut_mm3 > 10_000.0 for candidate in found)
    assert all("core," not in reason for candidate in found for reason in candidate.reasons)


def test_a_cored_side_hole_pulls_the_parting_onto_its_axis():
    part = block_with_side_hole()
    found = find_partings(part, pulls=[(0.0, 0.0, 1.0)], cores=find_voids(part))
    assert found[0].offset_mm == pytest.approx(22.0, abs=1e-6)
    off = evaluate_parting(part, (0.0, 0.0, 1.0), 40.0, cores=find_voids(part))
    assert off.score > found[0].score
    assert any("drawn down" in reason for reason in off.reasons)


def test_a_hole_that_no_print_can_hold_stays_an_undercut():
    block = Solid.box((-50, -30, -20), (50, 30, 20))
    a = np.radians(30.0)
    lean = np.eye(4)
    lean[:3, :3] = [[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]]
    hole = Solid.cylinder(200.0, 8.0).translate((0, 0, -100)).transform(Z_TO_X).transform(lean)
    part = (block - hole.translate((0, 0, 0))).to_mesh()
    # seen along z its walls overhang; its axis is 30 degrees out of the level
    found = evaluate_parting(part, (0.0, 0.0, 1.0), 0.0, cores=find_voids(part))
    plain = evaluate_parting(part, (0.0, 0.0, 1.0), 0.0)
    assert found.undercut_mm3 == plain.undercut_mm3 > 0.0


def test_a_hub_that_stands_out_of_its_dish_stays_metal():
    wheel = Solid.cylinder(40.0, 80.0) - Solid.cylinder(30.0, 60.0).translate((0, 0, 20))
    wheel = wheel + Solid.cylinder(60.0, 20.0)
    part = wheel.to_mesh()
    with_cores = find_partings(part, cores=find_voids(part))
    assert all(c.height_mm >= 60.0 - 1e-6 for c in with_cores)


def test_a_long_bush_standing_counts_its_bore_as_a_core_held_upright():
    bush = (
        Solid.cylinder(100.0, 20.0) - Solid.cylinder(110.0, 10.0).translate((0, 0, -5))
    ).to_mesh()
    standing = evaluate_parting(bush, (0, 0, 1), 100.0, cores=find_voids(bush))
    assert standing.cores_asked == 1
    assert any("2 mouths upright" in reason for reason in standing.reasons)
    lying = find_partings(bush, cores=find_voids(bush))[0]
    assert abs(lying.pull[2]) < 1e-6
    assert lying.offset_mm == pytest.approx(0.0, abs=1e-6)
    assert lying.draws_clean
