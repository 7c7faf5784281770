"""Draft hulls whose volume or size a formula gives."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hull_checks import assert_draws

from patternprep.errors import GeometryFault
from patternprep.mesh.kernel import Solid
from patternprep.pattern.draft import draft_half, draft_pattern

TAN2 = math.tan(math.radians(2.0))


def drafted_box(a: float, b: float, h: float, out: float, *, corners: float = 4.0 / 3.0) -> float:
    """Volume of a box a x b x h whose foot stands out by ``out``; corners pi/3 when round."""
    return a * b * h + (a + b) * out * h + corners * out * out * h


def cone_part(low: float, high: float, h: float, sides: int) -> float:
    """Frustum over regular polygons of the given corner radii."""
    unit = 0.5 * sides * math.sin(2.0 * math.pi / sides)
    return h / 3.0 * unit * (low * low + low * high + high * high)


@pytest.mark.parametrize("angle", [0.5, 1.0, 2.0, 3.0, 5.0])
def test_box_becomes_a_frustum(angle: float) -> None:
    half = draft_half(Solid.box((0, 0, 0), (40, 30, 20)), angle)
    out = 20.0 * math.tan(math.radians(angle))
    assert half.solid.volume == pytest.approx(drafted_box(40, 30, 20, out), rel=1e-9)
    assert half.solid.facets == 12
    assert half.method == "strips"
    assert half.filled.volume == pytest.approx(24000.0)
    assert_draws(half.solid.to_mesh(), angle, Solid.box((0, 0, 0), (40, 30, 20)).to_mesh())


def test_round_corners_are_cones_from_outside() -> None:
    half = draft_half(Solid.box((0, 0, 0), (40, 30, 20)), 2.0, corner="round", chord_mm=0.001)
    exact = drafted_box(40, 30, 20, 20 * TAN2, corners=math.pi / 3.0)
    assert exact <= half.solid.volume <= exact + 0.05


def test_cylinder_becomes_a_cone() -> None:
    half = draft_half(Solid.cylinder(20, 10, segments=96), 2.0)
    inner = 10.0 * math.cos(math.pi / 96)
    grown = 10.0 * (inner + 20.0 * TAN2) / inner
    assert half.solid.volume == pytest.approx(cone_part(grown, 10.0, 20.0, 96), rel=1e-9)
    assert_draws(half.solid.to_mesh(), 2.0)


def test_pocket_away_from_the_parting_narrows_downward() -> None:
    pocket = Solid.box((10, 10, 8), (30, 20, 30))
    half = draft_half(Solid.box((0, 0, 0), (40, 30, 20)) - pocket, 2.0)
    hole = drafted_box(20, 10, 12, -12.0 * TAN2)
    expected = drafted_box(40, 30, 20, 20 * TAN2) - hole
    assert half.solid.volume == pytest.approx(expected, rel=1e-9)
    assert_draws(half.solid.to_mesh(), 2.0)


def test_pocket_at_the_parting_is_filled() -> None:
    pocket = Solid.box((10, 10, -1), (30, 20, 8))
    half = draft_half(Solid.box((0, 0, 0), (40, 30, 20)) - pocket, 2.0)
    assert half.filled.volume == pytest.approx(24000.0, rel=1e-9)
    assert half.solid.volume == pytest.approx(drafted_box(40, 30, 20, 20 * TAN2), rel=1e-9)


def test_through_hole_narrows_to_the_parting() -> None:
    hole = Solid.box((10, 10, -1), (30, 20, 30))
    half = draft_half(Solid.box((0, 0, 0), (40, 30, 20)) - hole, 2.0)
    expected = drafted_box(40, 30, 20, 20 * TAN2) - drafted_box(20, 10, 20, -20.0 * TAN2)
    assert half.solid.volume == pytest.approx(expected, rel=1e-9)


def test_narrow_through_hole_closes_part_way() -> None:
    hole = Solid.box((19, 5, -1), (20, 25, 40))
    half = draft_half(Solid.box((0, 0, 0), (40, 30, 30)) - hole, 2.0)
    depth = 0.5 / TAN2
    out = depth * TAN2
    slot = 20.0 * depth - 21.0 * out * depth + 4.0 / 3.0 * out * out * depth
    expected = drafted_box(40, 30, 30, 30 * TAN2) - slot
    assert depth < 30.0
    assert half.solid.volume == pytest.approx(expected, rel=1e-6)
    assert_draws(half.solid.to_mesh(), 2.0)


def test_overhanging_block_is_filled_and_drafted_from_its_top() -> None:
    stem = Solid.box((15, 10, 0), (25, 20, 20))
    half = draft_half(stem + Solid.box((0, 0, 18), (40, 30, 20)), 2.0)
    assert half.filled.volume == pytest.approx(24000.0, rel=1e-9)
    assert half.solid.volume == pytest.approx(drafted_box(40, 30, 20, 20 * TAN2), rel=1e-9)


def test_floating_sphere_stands_on_a_cone() -> None:
    segments, radius, centre = 192, 20.0, 25.0
    half = draft_half(Solid.sphere(radius, segments).translate((0, 0, centre)), 2.0)
    t = math.radians(2.0)
    cap = math.pi * radius**3 / 3.0 * (2.0 - 3.0 * math.sin(t) + math.sin(t) ** 3)
    high = centre + radius * math.sin(t)
    top = radius * math.cos(t)
    low = top + high * TAN2
    cone = math.pi * high / 3.0 * (top * top + top * low + low * low)
    assert half.solid.volume == pytest.approx(cap + cone, rel=6e-4)
    column = math.pi * radius**2 * centre + 2.0 / 3.0 * math.pi * radius**3
    assert half.filled.volume == pytest.approx(column, rel=6e-4)
    assert_draws(half.solid.to_mesh(), 2.0)


def test_lying_cylinder_keeps_its_upper_half() -> None:
    lying = np.array([[1.0, 0, 0, 0], [0, 0, -1, 0], [0, 1, 0, 0], [0, 0, 0, 1]])
    upper, _ = Solid.cylinder(60, 15, segments=96).transform(lying).split_by_plane()
    half = draft_half(upper, 2.0)
    # the ends lean out below a half disc; the sides gain only where they stand steeper than 2
    mesh = half.solid.to_mesh()
    assert_draws(mesh, 2.0, upper.to_mesh())
    ends = 2.0 * 2.0 / 3.0 * 15.0**3 * TAN2
    assert half.solid.volume - upper.volume == pytest.approx(ends, rel=0.05)


@pytest.mark.parametrize("lean", [2.0, 3.0, 10.0])
def test_walls_that_lean_enough_stay(lean: float) -> None:
    cone = Solid.cylinder(25, 30, 30 - 25 * math.tan(math.radians(lean)), segments=12)
    inner = math.cos(math.pi / 12)
    cone = cone.transform(np.diag([1.0 / inner, 1.0 / inner, 1.0, 1.0]))
    half = draft_half(cone, 2.0)
    assert half.solid.volume == pytest.approx(cone.volume, rel=1e-9)
    assert half.solid.facets == cone.facets


def test_needle_stands_on_a_full_cone() -> None:
    needle = Solid.cylinder(60, 1, 0, segments=12)
    half = draft_half(needle, 2.0, chord_mm=0.001)
    exact = math.pi / 3.0 * (60 * TAN2) ** 2 * 60
    assert exact <= half.solid.volume <= exact * 1.003
    assert_draws(half.solid.to_mesh(), 2.0, needle.to_mesh())


def test_split_block_meets_in_exact_frusta() -> None:
    cope, drag = Solid.box((0, 0, -20), (50, 40, 60)).split_by_plane()
    out = 60.0 * TAN2
    pattern = draft_pattern(cope, drag, 2.0)
    assert pattern.cope is not None
    assert pattern.drag is not None
    assert pattern.cope.volume == pytest.approx(drafted_box(50, 40, 60, out), rel=1e-9)
    assert pattern.drag.volume == pytest.approx(drafted_box(50, 40, 20, out), rel=1e-9)
    assert pattern.drag.facets == 12
    assert pattern.step_before_mm == pytest.approx(40.0 * TAN2, abs=1e-3)
    assert pattern.step_mm < 1e-6
    own = drafted_box(50, 40, 20, 20.0 * TAN2)
    assert pattern.parting_match_mm3 == pytest.approx(pattern.drag.volume - own, rel=1e-6)
    total = pattern.cope.volume + pattern.drag.volume
    parts = pattern.undercut_filled_mm3 + pattern.draft_mm3 + pattern.parting_match_mm3
    assert total == pytest.approx(50 * 40 * 80 + parts, rel=1e-12)


def test_step_is_kept_on_request() -> None:
    cope, drag = Solid.box((0, 0, -20), (50, 40, 60)).split_by_plane()
    pattern = draft_pattern(cope, drag, 2.0, match="step")
    assert pattern.parting_match_mm3 == 0.0
    # square to the walls 40 tan 2; the mitred corners lie further apart by the diagonal
    assert pattern.step_mm == pattern.step_before_mm == pytest.approx(40.0 * TAN2, abs=1e-3)
    assert pattern.step_corner_mm == pytest.approx(40.0 * TAN2 * math.sqrt(2.0), abs=1e-3)


def test_faces_on_the_parting_are_no_mismatch() -> None:
    part = Solid.box((-10, -10, -8), (60, 50, 0)) + Solid.box((0, 0, -8), (50, 40, 30))
    pattern = draft_pattern(*part.split_by_plane(), 2.0)
    assert pattern.parting_match_mm3 == 0.0
    assert pattern.step_mm == 0.0


def test_angle_out_of_range_is_refused() -> None:
    with pytest.raises(GeometryFault, match="outside 0 to"):
        draft_half(Solid.box((0, 0, 0), (1, 1, 1)), 60.0)


def test_half_below_the_parting_is_refused() -> None:
    with pytest.raises(GeometryFault, match="below the parting"):
        draft_half(Solid.box((0, 0, -1), (1, 1, 1)), 2.0)
