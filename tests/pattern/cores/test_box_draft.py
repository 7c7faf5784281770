"""What a core box takes off its core, against closed forms of the same polygons."""

from __future__ import annotations

import math
from typing import Any

import box_shapes as shapes
import numpy as np
import pytest
import shapely
from box_checks import assert_core_draws, inside

from patternprep.errors import GeometryFault
from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.cores.box import CoreBox, make_box

LEAN = math.tan(math.radians(1.0))
RULES: dict[str, Any] = {
    "wall_mm": 5.0,
    "loss_limit_mm": 1.0,
    "dowel_gap_mm": 0.2,
    "vent_mm": 3.0,
}


def boxed(shape: shapes.Shape, **more: Any) -> CoreBox:
    box = make_box(shape.core, shape.ends, **{"free": shape.free, **RULES, **more})
    assert (box.core - shape.core).volume < 1e-5
    assert len(box.core.bodies()) == 1
    return box


def moment_above(plan: FloatArray) -> float:
    """Integral of |y| over a polygon that is symmetric about its first axis, by Green."""
    upper = plan[plan[:, 1] >= -1e-9]
    upper = upper[np.argsort(np.arctan2(upper[:, 1], upper[:, 0]))]
    x, y = upper.T
    dx = np.diff(np.append(x, x[0]))
    y_next = np.append(y[1:], y[0])
    return float(2.0 * abs((dx * (y**2 + y * y_next + y_next**2) / 6.0).sum()))


def test_a_round_core_loses_nothing_along_its_axis_but_at_the_closed_end() -> None:
    plan = shapes.circle(96, 20.0)
    box = boxed(shapes.straight(plan, 120.0))
    assert box.kind == "two halves, rammed through the end of a print"
    assert np.allclose(box.pull, (0.0, 0.0, 1.0))
    assert box.loss_mm3 == pytest.approx(LEAN * moment_above(plan), rel=1e-6)
    assert box.greatest_loss_mm == pytest.approx(20.0 * LEAN, abs=1e-3)
    assert abs(box.loss_place[2]) > 19.0


def test_its_prints_may_lose_what_the_closed_end_costs() -> None:
    box = boxed(shapes.straight(shapes.circle(96, 20.0), 120.0, prints=25.0))
    assert box.loss_mm3 == 0.0
    assert box.greatest_loss_mm == 0.0


def test_a_square_core_parted_level_is_a_pair_of_tapered_prisms() -> None:
    half, length = 15.0, 80.0
    plan = half * np.array([(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)])
    box = boxed(shapes.straight(plan, length), pull=shapes.Z, offset_mm=0.0)
    # integral over z of 2 (half - z t) (length - z t), twice
    made = 4.0 * (
        half * length * half - (half + length) * LEAN * half**2 / 2.0 + LEAN**2 * half**3 / 3.0
    )
    assert box.core.volume == pytest.approx(made, rel=1e-7)
    assert box.loss_mm3 == pytest.approx(4.0 * half**2 * length - made, rel=1e-5)
    assert_core_draws(box, 1.0)


def test_left_to_itself_a_square_core_is_parted_from_edge_to_edge() -> None:
    plan = 15.0 * np.array([(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)])
    box = boxed(shapes.straight(plan, 80.0, prints=20.0))
    assert box.loss_mm3 == 0.0
    assert abs(box.pull[1]) == pytest.approx(math.sqrt(0.5))


@pytest.mark.parametrize("standing", [False, True])
def test_a_stepped_core_loses_at_its_shoulders(standing: bool) -> None:
    shape = shapes.turned([(20, 15, 15), (30, 15, 15), (40, 25, 25), (30, 12, 12), (20, 12, 12)])
    box = boxed(shape.moved(shapes.upright()) if standing else shape)
    most = math.sqrt(25.0**2 - 12.0**2) * LEAN
    assert (25.0 - 12.0) * LEAN < box.greatest_loss_mm <= most
    assert box.kind == "two halves, half cores pasted"
    assert_core_draws(box, 1.0)


def test_a_stepped_core_is_the_largest_that_draws() -> None:
    """Against the definition: a point stays when its cone down to the parting lies in the core."""
    steps = [(20, 15, 15), (30, 15, 15), (40, 25, 25), (30, 12, 12), (20, 12, 12)]
    shape = shapes.turned(steps)
    made, asked = boxed(shape).core.to_mesh(), shape.core.to_mesh()
    rng = np.random.default_rng(7)
    near = np.column_stack([rng.uniform(49.0, 52.0, 60), rng.uniform(-24, 24, (60, 2))])
    far = np.column_stack([rng.uniform(89.0, 91.0, 60), rng.uniform(-24, 24, (60, 2))])
    points = np.concatenate([near, far])
    points = points[inside(asked, points)]
    points[:, 2] = np.abs(points[:, 2])
    turn = np.linspace(0.0, 2.0 * np.pi, 72, endpoint=False)
    down = np.linspace(1e-3, 1.0, 12)

    def stays(grown: float) -> FloatArray:
        kept = []
        for x, y, z in points:
            reach = (down * z * LEAN + grown)[:, None]
            cone = np.column_stack(
                [
                    (x + reach * np.cos(turn)).ravel(),
                    (y + reach * np.sin(turn)).ravel(),
                    np.repeat(z - down * (z - 1e-6), len(turn)),
                ]
            )
            kept.append(inside(asked, cone).all())
        return np.array(kept)

    found = inside(made, points)
    assert not (stays(0.02) & ~found).any()
    assert not (~stays(-0.02) & found).any()
    assert 0 < found.sum() < len(found)


@pytest.mark.parametrize("standing", [False, True])
def test_a_slotted_eye_tapered_from_both_ends_loses_nothing(standing: bool) -> None:
    shape = shapes.slotted()
    box = boxed(shape.moved(shapes.upright()) if standing else shape)
    assert box.kind == "two halves, rammed through the end of a print"
    assert box.loss_mm3 == 0.0


def test_an_elbow_is_parted_in_the_plane_of_its_bend() -> None:
    box = boxed(shapes.elbow())
    assert box.kind == "two halves, half cores pasted"
    assert np.allclose(np.abs(box.pull), (0.0, 0.0, 1.0))
    assert box.loss_mm3 == 0.0


def test_an_upright_cone_is_made_whole_and_struck_off() -> None:
    shape = shapes.frustum()
    box = boxed(shape)
    assert box.kind == "one piece, struck off"
    assert len(box.pieces) == 1
    assert not box.dowels
    assert box.core.volume == pytest.approx(shape.core.volume, rel=1e-9)
    assert np.allclose(box.openings[0].normal, (0.0, 0.0, 1.0))


def test_a_core_that_no_flat_parting_draws_is_refused_with_its_place() -> None:
    shape = shapes.winding()
    with pytest.raises(GeometryFault, match=r"leaves .* mm of metal there") as caught:
        boxed(shape)
    assert caught.value.where is not None
    low, high = shape.core.bounds
    assert ((caught.value.where >= low - 1e-6) & (caught.value.where <= high + 1e-6)).all()
    assert "1 mm" in str(caught.value)


def test_a_tighter_limit_refuses_what_a_looser_one_makes() -> None:
    shape = shapes.turned([(20, 15, 15), (40, 25, 25), (20, 12, 12)])
    found = boxed(shape).greatest_loss_mm
    with pytest.raises(GeometryFault, match=r"the limit is 0\.1 mm"):
        boxed(shape, loss_limit_mm=0.1)
    assert boxed(shape, loss_limit_mm=found + 1e-6).greatest_loss_mm == found


def test_a_core_in_two_bodies_is_refused() -> None:
    one = shapes.straight(shapes.circle(12, 5.0), 20.0)
    apart = one.core + one.core.translate((0.0, 30.0, 0.0))
    with pytest.raises(GeometryFault, match="do not hang together"):
        make_box(apart, one.ends, **RULES)


def test_bodies_that_touch_within_rounding_are_one_core() -> None:
    plan = shapes.circle(24, 5.0)
    one, two = shapes.straight(plan, 20.0), shapes.straight(plan, 30.0)
    off = 20.0 * (1.0 + 2e-16)
    core = one.core + two.core.translate((off, 0.0, 0.0))
    box = make_box(core, [one.ends[0]], **RULES)
    assert len(box.core.bodies()) == 1


def test_an_asked_parting_that_misses_the_core_is_refused() -> None:
    with pytest.raises(GeometryFault, match="misses the core"):
        boxed(shapes.slotted(), pull=shapes.Z, offset_mm=50.0)


def test_a_coating_is_left_off_where_metal_comes() -> None:
    plan = np.array([(-10.0, -8.0), (10.0, -8.0), (10.0, 8.0), (-10.0, 8.0)])
    shape = shapes.straight(plan, 60.0, prints=15.0)
    box = boxed(shape, coating_mm=0.25, draft_deg=0.5, pull=shapes.Z, offset_mm=0.0)
    middle = box.bare.trim_by_plane((1.0, 0.0, 0.0), 20.0).trim_by_plane((-1.0, 0.0, 0.0), -40.0)
    assert np.allclose(middle.bounds[:, 1:], [(-9.75, -7.75), (9.75, 7.75)], atol=0.006)
    assert np.allclose(box.bare.bounds[:, 1:], [(-10.0, -8.0), (10.0, 8.0)], atol=1e-3)
    coated = box.core.trim_by_plane((1.0, 0.0, 0.0), 20.0).trim_by_plane((-1.0, 0.0, 0.0), -40.0)
    assert np.allclose(coated.bounds[:, 1:], [(-10.0, -8.0), (10.0, 8.0)], atol=0.012)


def test_prints_that_reach_down_leave_the_parting_on_the_bore() -> None:
    """A level bore above the parting, its prints drawn down to it: parted on the bore's axis."""
    section = shapes.circle(48, 10.0) + np.array([0.0, 25.0])
    foot = np.array([(-14.0, 0.0), (14.0, 0.0)])
    drawn = np.asarray(shapely.MultiPoint(np.concatenate([section, foot])).convex_hull.exterior.xy)
    plan = drawn.T[:-1]
    prints = [shapes.straight(plan, 20.0), shapes.straight(plan, 20.0)]
    shift = (80.0, 0.0, 0.0)
    far = prints[1].core.translate(shift)
    bore = shapes.straight(section, 100.0).core
    ends = [prints[0].ends[0], shapes.end(prints[1].ends[1].ring + shift, shapes.X)]
    shape = shapes.Shape(bore + prints[0].core + far, ends, prints[0].core + far)
    box = boxed(shape)
    assert box.greatest_loss_mm < 0.02
    assert_core_draws(box, 1.0)
