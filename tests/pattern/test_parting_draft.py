"""The estimate of the metal that draft adds, against closed forms.

An upright wall h high gains h^2 tan(t) / 2 a mm of its length (a triangle); corners' own wedges,
4 h^3 tan^2(t) / 3 for a mitred box, are within the tolerance.
"""

from __future__ import annotations

import numpy as np
import pytest
from parting_shapes import Z_TO_X, cup, placed, tube

from patternprep.mesh.kernel import Solid
from patternprep.pattern.parting import evaluate_parting

UP = (0.0, 0.0, 1.0)


def tan(angle: float) -> float:
    return float(np.tan(np.radians(angle)))


@pytest.mark.parametrize("angle", [0.5, 2.0, 3.0])
@pytest.mark.parametrize("height", [10.0, 40.0])
def test_box_in_one_piece_is_a_frustum_less_the_box(angle, height):
    box = Solid.box((0, 0, 0), (90, 50, height)).to_mesh()
    found = evaluate_parting(box, UP, height, angle_deg=angle)
    grow = 2.0 * height * tan(angle)
    # frustum of a rectangle (prismatoid rule): ends 90 x 50 and (90 + g) x (50 + g)
    middle = (90 + grow / 2) * (50 + grow / 2)
    frustum = height / 6.0 * (90 * 50 + 4 * middle + (90 + grow) * (50 + grow))
    assert found.draft_added_mm3 == pytest.approx(frustum - 90 * 50 * height, rel=0.1)
    assert found.matching_added_mm3 == 0.0


def test_box_parted_in_the_middle_gains_half():
    box = Solid.box((0, 0, 0), (90, 50, 40)).to_mesh()
    found = evaluate_parting(box, UP, 20.0)
    assert found.draft_added_mm3 == pytest.approx(2 * 280 * 20**2 * tan(2.0) / 2, rel=0.05)


def test_cylinder_and_its_bore():
    found = evaluate_parting(tube(30, 40, 25).to_mesh(), UP, 30.0)
    walls = 2 * np.pi * (40 + 25) * 30**2 * tan(2.0) / 2
    assert found.draft_added_mm3 == pytest.approx(walls, rel=0.1)


def test_a_pocket_that_opens_away_from_the_parting():
    found = evaluate_parting(cup().to_mesh(), (0.0, 0.0, -1.0), 0.0)
    outside = 2 * np.pi * 30 * 50**2 * tan(2.0) / 2
    inside = 2 * np.pi * 26 * 46**2 * tan(2.0) / 2
    assert found.draft_added_mm3 == pytest.approx(outside + inside, rel=0.12)


def test_a_stepped_shaft_counts_each_step_from_its_ledge():
    # steps 30 mm wide, so that the upper wall's wedge ends on the ledge
    stepped = Solid.box((-60, -60, 0), (60, 60, 20)) + Solid.box((-30, -30, 0), (30, 30, 50))
    found = evaluate_parting(stepped.to_mesh(), (0.0, 0.0, -1.0), 0.0)
    walls = (480 * 20**2 + 240 * 30**2) * tan(2.0) / 2
    assert found.draft_added_mm3 == pytest.approx(walls, rel=0.1)


def test_walls_that_lean_enough_gain_nothing_and_half_of_it_a_half():
    steep = Solid.cylinder(40, 30, 30 - 40 * tan(2.5), segments=180).to_mesh()
    assert evaluate_parting(steep, (0.0, 0.0, -1.0), 0.0).draft_added_mm3 == 0.0
    half = Solid.cylinder(40, 30, 30 - 40 * tan(1.0), segments=180).to_mesh()
    found = evaluate_parting(half, (0.0, 0.0, -1.0), 0.0)
    mean = 2 * np.pi * (30 - 20 * tan(1.0))
    wedge = mean * 40**2 * (tan(2.0) - tan(1.0)) / 2
    assert found.draft_added_mm3 == pytest.approx(wedge, rel=0.12)


def test_a_lying_shaft_gains_only_at_its_ends():
    shaft = placed(Solid.cylinder(200, 20, segments=360), Z_TO_X).to_mesh()
    found = evaluate_parting(shaft, UP, 0.0)
    # two ends, each the integral of z tan t over the disc on both sides of the axis
    ends = 2 * (4.0 / 3.0) * 20**3 * tan(2.0)
    assert found.draft_added_mm3 == pytest.approx(ends, rel=0.15)


def test_unequal_halves_pay_for_meeting():
    # 60 and 20 high: the shorter half is tapered more until the outlines meet
    box = Solid.box((0, 0, 0), (100, 80, 80)).to_mesh()
    found = evaluate_parting(box, UP, 60.0)
    step = (60 - 20) * tan(2.0)
    assert found.matching_added_mm3 == pytest.approx(360 * step * 20 / 2, rel=0.15)
    even = evaluate_parting(box, UP, 40.0)
    assert even.matching_added_mm3 < 0.1 * found.matching_added_mm3


def test_an_overhang_filled_down_to_the_parting_gets_draft_too():
    # a plate 60 x 60 from z = 30 to 40 on a post 20 x 20, plane at the post's foot
    tee = Solid.box((-30, -30, 30), (30, 30, 40)) + Solid.box((-10, -10, 0), (10, 10, 30))
    mesh = tee.transform(np.diag([1.0, 1.0, -1.0, 1.0])).to_mesh()
    found = evaluate_parting(mesh, UP, 0.0)
    # filled it is a block 60 x 60 x 40
    assert found.draft_added_mm3 == pytest.approx(240 * 40**2 * tan(2.0) / 2, rel=0.12)
