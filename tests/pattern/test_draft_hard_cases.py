"""Shapes on which drafting is known to go wrong, and angles that differ from wall to wall."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
import shapely
from hull_checks import assert_draws, undercut_lines, vertical_lines

from patternprep.mesh.kernel import Solid, hull_of_points, union_all
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.pattern.draft import draft_half, draft_pattern
from patternprep.pattern.draft.outline import area_of_rings, base_rings

TAN2 = math.tan(math.radians(2.0))


def turned(solid: Solid, axis: tuple[float, float, float], degrees: float) -> Solid:
    """About an axis through the origin."""
    x, y, z = np.array(axis) / np.linalg.norm(axis)
    k = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    a = math.radians(degrees)
    m = np.eye(4)
    m[:3, :3] = np.eye(3) + math.sin(a) * k + (1 - math.cos(a)) * k @ k
    return solid.transform(m)


def walls_that_coincide() -> Solid:
    low = Solid.box((0, 0, 0), (40, 30, 10))
    return low + Solid.box((10, 0, 10), (30, 30, 25)) + Solid.box((0, 0, 20), (40, 30, 25))


def spiral_ramp() -> Solid:
    """A ramp of more than one turn about a post: its upper side lies over itself."""
    steps = []
    for k in range(45):
        step = Solid.box((3, -2.0, 0), (14, 2.0, 3)).translate((0, 0, 1.2 * k))
        steps.append(turned(step, (0, 0, 1), 12.0 * k))
    return union_all([*steps, Solid.cylinder(58, 4, segments=24)])


def tunnel() -> Solid:
    return Solid.box((0, 0, 0), (40, 30, 20)) - Solid.box((-1, 8, 6), (41, 22, 14))


def thin_letter() -> Solid:
    bars = [
        Solid.box((0, 0, 0), (0.8, 12, 3)),
        Solid.box((0, 0, 0), (7, 0.8, 3)),
        Solid.box((0, 5.5, 0), (5, 6.3, 3)),
        Solid.box((0, 11.2, 0), (7, 12, 3)),
    ]
    return union_all([*bars, turned(Solid.box((0, 0, 0), (14, 0.7, 3)), (0, 0, 1), 61.0)])


def narrow_slots() -> Solid:
    body = Solid.box((0, 0, 0), (30, 30, 12))
    for k in range(6):
        body = body - Solid.box((3 + 4 * k, 4, -1 if k % 2 else 2), (3.8 + 4 * k, 26, 20))
    return body


def knife_edge() -> Solid:
    points = np.array(
        [[0, 0, 0], [40, 0, 0], [40, 1, 0], [0, 1, 0], [0, 0.5, 25], [40, 0.5, 18]], dtype=float
    )
    return hull_of_points(points)


def crown_of_needles() -> Solid:
    pins = [
        Solid.cylinder(30 + k, 0.8, 0, segments=7 + k).translate((6.0 * k, (k % 3) * 2.5, 4.0))
        for k in range(6)
    ]
    return union_all([Solid.box((-3, -3, 0), (34, 9, 4.5)), *pins])


def sharp_star() -> Solid:
    """Star whose tips turn by more than a right angle."""
    angle = np.arange(14) * math.pi / 7.0
    radius = np.where(np.arange(14) % 2 == 0, 25.0, 5.0)
    ring = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
    return Solid.extrude([ring], 15.0)


def rounded_pebble() -> Solid:
    return turned(
        Solid.sphere(20, 64).transform(np.diag([1.0, 0.55, 0.8, 1.0])), (1, 2, 0.5), 37.0
    ).translate((0, 0, 3.0))


def tilted_pipe() -> Solid:
    pipe = Solid.cylinder(70, 14, segments=64) - Solid.cylinder(80, 10, segments=64)
    return turned(pipe.translate((0, 0, -35)), (0.3, 1, 0.1), 63.0)


def fine_fillet() -> Solid:
    """A pocket whose corners are rounder than its draft is wide: the wall's feet overrun."""
    corners = [(x, y) for x in (-11.0, 11.0) for y in (-6.0, 6.0)]
    pins = [Solid.cylinder(40, 0.6, segments=48).translate((x, y, 5.0)) for x, y in corners]
    return Solid.box((-20, -15, 0), (20, 15, 40)) - union_all(pins).hull()


SHAPES: dict[str, Callable[[], Solid]] = {
    f.__name__: f
    for f in (
        walls_that_coincide,
        spiral_ramp,
        tunnel,
        thin_letter,
        narrow_slots,
        knife_edge,
        crown_of_needles,
        sharp_star,
        rounded_pebble,
        tilted_pipe,
        fine_fillet,
    )
}


@pytest.mark.parametrize("corner", ["mitred", "round"])
@pytest.mark.parametrize("name", SHAPES)
def test_shape_draws(name: str, corner: str) -> None:
    upper, _ = SHAPES[name]().split_by_plane()
    half = draft_half(upper, 2.0, corner=corner)  # type: ignore[arg-type]
    assert_draws(half.solid.to_mesh(), 2.0, upper.to_mesh())
    assert half.solid.volume >= half.filled.volume - 1e-3 * half.filled.volume**0.5
    assert not len(undercut_lines(half.filled.to_mesh(), 1500))


@pytest.mark.parametrize("seed", range(8))
def test_tilted_pose_draws_and_meets(seed: int) -> None:
    rng = np.random.default_rng(seed)
    part = walls_that_coincide().translate((-20, -15, -12))
    part = turned(part, tuple(rng.normal(size=3)), float(rng.uniform(0, 180)))
    pattern = draft_pattern(*part.split_by_plane(), float(rng.uniform(0.5, 5.0)))
    assert pattern.cope is not None
    assert pattern.drag is not None
    assert_draws(pattern.cope.to_mesh(), pattern.min_angle)
    mirrored = pattern.drag.transform(np.diag([1.0, 1.0, -1.0, 1.0]))
    assert_draws(mirrored.to_mesh(), pattern.min_angle)
    assert pattern.step_mm <= 0.02


def test_flange_in_the_drag_alone_is_left_alone() -> None:
    part = Solid.box((20, -10, -8), (60, 50, 0)) + Solid.box((0, 0, -20), (50, 40, 30))
    pattern = draft_pattern(*part.split_by_plane(), 2.0)
    assert pattern.cope is not None
    wide = pattern.cope.bounds
    out = 30.0 * TAN2
    assert wide[0] == pytest.approx([-out, -out, 0.0], abs=1e-6)
    assert wide[1] == pytest.approx([50 + out, 40 + out, 30.0], abs=1e-6)
    assert pattern.step_mm < 0.01 < pattern.step_before_mm


def test_flange_within_the_reach_of_draft_is_left_alone() -> None:
    """A filled undercut is not a wall that passes the parting, however far draft would reach."""
    part = Solid.box((0, 0, -300), (200, 150, 30)) + Solid.box((-11, -11, -40), (211, 161, -20))
    pattern = draft_pattern(*part.split_by_plane(), 2.0)
    assert pattern.cope is not None
    assert 330.0 * TAN2 > 11.0
    assert pattern.parting_match_mm3 == 0.0
    out = 30.0 * TAN2
    assert pattern.cope.bounds[0] == pytest.approx([-out, -out, 0.0], abs=1e-6)
    assert pattern.cope.bounds[1] == pytest.approx([200 + out, 150 + out, 30.0], abs=1e-6)


def test_only_the_wall_beside_a_flange_is_matched() -> None:
    part = Solid.box((0, 0, -300), (200, 150, 30)) + Solid.box((60, -11, -40), (110, 20, -20))
    pattern = draft_pattern(*part.split_by_plane(), 2.0)
    assert pattern.cope is not None
    base = area_of_rings(base_rings(pattern.cope))
    out, met = 30.0 * TAN2, 300.0 * TAN2
    over_flange = base.intersection(shapely.box(60.1, -50, 109.9, 0))
    assert over_flange.bounds == pytest.approx((60.1, -out, 109.9, 0), abs=0.02)
    beside = base.intersection(shapely.box(0, -50, 50, 0))
    assert beside.bounds == pytest.approx((0, -met, 50, 0), abs=0.02)
    assert pattern.step_mm <= 0.005
    assert_draws(pattern.cope.to_mesh(), 2.0)


def test_cope_and_drag_each_smaller_somewhere() -> None:
    part = (
        Solid.box((0, 0, -20), (80, 40, 20))
        + Solid.box((5, 0, 0), (30, 40, 50))
        + Solid.box((50, 0, -50), (75, 40, 0))
    )
    pattern = draft_pattern(*part.split_by_plane(), 2.0)
    assert pattern.cope_volumes is not None
    assert pattern.drag_volumes is not None
    assert pattern.cope_volumes.parting_match > 1.0
    assert pattern.drag_volumes.parting_match > 1.0
    assert pattern.step_before_mm > 1.0
    assert pattern.step_mm <= 0.005
    assert pattern.cope is not None
    assert_draws(pattern.cope.to_mesh(), 2.0)


def test_round_part_split_off_its_middle_meets() -> None:
    lying = np.array([[1.0, 0, 0, 0], [0, 0, -1, 0], [0, 1, 0, 3.0], [0, 0, 0, 1]])
    pattern = draft_pattern(
        *Solid.cylinder(60, 15, segments=96).transform(lying).split_by_plane(), 2
    )
    assert pattern.step_before_mm > 0.1
    assert pattern.step_mm <= 0.005
    assert pattern.drag is not None
    mirrored = pattern.drag.transform(np.diag([1.0, 1.0, -1.0, 1.0]))
    assert_draws(mirrored.to_mesh(), 2.0)


def by_height_and_side(height_mm: FloatArray, inside: FloatArray) -> FloatArray:
    """More draft inside, less for tall walls."""
    return np.where(inside, 3.0, np.where(height_mm > 25.0, 1.0, 2.0))


def lean_at(mesh: Mesh, point: tuple[float, float, float], out: tuple[float, float]) -> float:
    """Lean of the wall that a level line from the point outward leaves the half through."""
    steps = np.linspace(0.0, 4.0, 2000)
    plan = np.array(point[:2]) + steps[:, None] * np.array(out)
    tops = vertical_lines(mesh, plan).tops
    leaves = int(np.argmax(tops < point[2]))
    assert leaves > 0
    # two points on the wall, one just lower than the other
    below = int(np.argmax(tops < point[2] - 1.0))
    return math.degrees(math.atan2(steps[below] - steps[leaves], tops[leaves] - tops[below]))


def test_angle_by_height_and_side() -> None:
    part = (
        Solid.box((0, 0, 0), (60, 40, 20))
        + Solid.box((60, 0, 0), (90, 40, 40))
        - Solid.box((10, 10, 5), (40, 30, 30))
    )
    half = draft_half(part, by_height_and_side)
    assert half.min_angle == 1.0
    assert {w.angle_deg for w in half.walls} == {1.0, 2.0, 3.0}
    assert {w.inside for w in half.walls if w.angle_deg == 3.0} == {True}
    mesh = half.solid.to_mesh()
    assert_draws(mesh, 1.0, part.to_mesh())
    for wall in half.walls:
        if wall.high_mm - wall.low_mm > 3.0 and wall.point[2] > 2.0:
            assert lean_at(mesh, wall.point, wall.outward) >= wall.angle_deg - 0.1


def test_angles_by_wall_stay_within_the_hull_at_the_largest() -> None:
    part = Solid.cylinder(30, 20, segments=64) - Solid.cylinder(40, 8, segments=48).translate(
        (0, 0, 6)
    )
    some = draft_half(part, by_height_and_side).solid.volume
    least, most = (draft_half(part, a).solid.volume for a in (1.0, 3.0))
    assert least < some < most


def test_same_input_gives_the_same_facets() -> None:
    first, second = (draft_half(tilted_pipe().trim_by_plane(), 2.0).solid for _ in range(2))
    a, b = first.to_mesh(), second.to_mesh()
    assert np.array_equal(a.vertices, b.vertices)
    assert np.array_equal(a.faces, b.faces)
