"""The pieces of core boxes: they draw, close on the core alone, and go together one way only."""

from __future__ import annotations

from typing import Any

import box_shapes as shapes
import numpy as np
import pytest
from box_checks import (
    assert_cavity_is_core,
    assert_core_draws,
    assert_one_way,
    assert_open_upward,
    assert_sound,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from patternprep.errors import GeometryFault
from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.cores.box import CoreBox, make_box

RULES: dict[str, Any] = {
    "wall_mm": 5.0,
    "loss_limit_mm": 1.0,
    "dowel_gap_mm": 0.2,
    "vent_mm": 3.0,
}

SHAPES = {
    "round": lambda: shapes.straight(shapes.circle(48, 12.0), 70.0, prints=15.0),
    "round, tapered prints": lambda: shapes.turned([(25, 18, 20), (80, 20, 20), (25, 20, 18)]),
    "standing": lambda: shapes.straight(shapes.circle(48, 12.0), 70.0).moved(shapes.upright()),
    "square": lambda: shapes.straight(shapes.circle(4, 18.0, 0.5), 60.0, prints=15.0),
    "stepped": lambda: shapes.turned([(20, 15, 15), (30, 25, 25), (25, 12, 12)]),
    "slotted": shapes.slotted,
    "elbow": shapes.elbow,
    "body": shapes.body_core,
    "cone": shapes.frustum,
}


def boxed(name: str) -> CoreBox:
    shape = SHAPES[name]()
    return make_box(shape.core, shape.ends, free=shape.free, **RULES)


@pytest.mark.parametrize("name", SHAPES)
def test_every_piece_is_sound_and_draws_and_closes_on_the_core(name: str) -> None:
    box = boxed(name)
    assert [p.name for p in box.pieces] == ["a", "b"][: len(box.pieces)]
    for piece, size in zip(box.pieces, box.size_mm, strict=True):
        assert_sound(piece.solid)
        assert_open_upward(piece)
        assert np.isclose(np.linalg.det(piece.matrix[:3, :3]), 1.0)
        assert np.allclose(np.ptp(piece.solid.bounds, axis=0), size)
    assert_core_draws(box, 1.0)
    assert_cavity_is_core(box)


@pytest.mark.parametrize("name", [n for n in SHAPES if n != "cone"])
def test_the_halves_go_together_one_way_only(name: str) -> None:
    assert_one_way(boxed(name), 0.2)


def test_pegs_that_are_alike_are_refused() -> None:
    shape = SHAPES["round"]()
    with pytest.raises(GeometryFault, match="give unequal ones"):
        make_box(shape.core, shape.ends, free=shape.free, dowels_mm=(8.0, 8.1), **RULES)


def test_walls_are_as_thick_as_asked() -> None:
    box = boxed("round")
    bounds = box.core.bounds
    thickest = [p.solid.bounds[1, 2] for p in box.pieces]
    assert thickest[0] == pytest.approx(12.0 + 5.0, abs=1e-3)
    first = box.pieces[0]
    length = box.size_mm[0][0]
    assert length == pytest.approx(float(np.ptp(bounds[:, 0])) + 5.0, abs=1e-6)
    opening = first.matrix[:3, :3] @ box.openings[0].point + first.matrix[:3, 3]
    assert opening[0] == pytest.approx(float(first.solid.bounds[1, 0]), abs=1e-9)


def test_a_vent_leaves_by_the_closed_end() -> None:
    box = boxed("round")
    (vent,) = box.vents
    assert np.allclose(vent.direction, -box.openings[0].normal)
    assert vent.diameter_mm == 3.0
    assert vent.length_mm == pytest.approx(5.0, abs=1e-6)


def test_pegs_stay_clear_of_vents() -> None:
    shape = shapes.elbow(radius=5.0, bend=20.0)
    box = make_box(shape.core, shape.ends, free=shape.free, **RULES)
    assert len(box.vents) == 2
    for peg in box.dowels:
        for vent in box.vents:
            off = peg.place_in_mould - vent.place
            along = max(0.0, float(off @ vent.direction))
            gap = float(np.linalg.norm(off - along * vent.direction))
            assert gap > 0.5 * (peg.hole_mm + vent.diameter_mm) + 2.9


def turn_of(angles: tuple[float, float, float]) -> FloatArray:
    a, b, c = angles
    about_z = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1.0]])
    about_y = np.array([[np.cos(b), 0, np.sin(b)], [0, 1.0, 0], [-np.sin(b), 0, np.cos(b)]])
    about_x = np.array([[1.0, 0, 0], [0, np.cos(c), -np.sin(c)], [0, np.sin(c), np.cos(c)]])
    matrix = np.eye(4)
    matrix[:3, :3] = about_z @ about_y @ about_x
    matrix[:3, 3] = (10.0 * a, 5.0 * b, -7.0 * c)
    return matrix


@settings(max_examples=15, deadline=None, derandomize=True)
@given(
    count=st.integers(3, 24),
    radius=st.floats(4.0, 25.0),
    ratio=st.floats(1.5, 5.0),
    angles=st.tuples(*[st.floats(-3.0, 3.0)] * 3),
)
def test_prisms_in_any_pose(
    count: int, radius: float, ratio: float, angles: tuple[float, float, float]
) -> None:
    length = ratio * radius
    shape = shapes.straight(shapes.circle(count, radius), length, prints=0.3 * length)
    shape = shape.moved(turn_of(angles))
    box = make_box(shape.core, shape.ends, free=shape.free, **{**RULES, "loss_limit_mm": 2.0})
    assert (box.core - shape.core).volume < 1e-5 * shape.core.volume
    assert len(box.core.bodies()) == 1
    assert box.loss_mm3 <= 0.04 * shape.core.volume
    for piece in box.pieces:
        assert_sound(piece.solid)
        assert_open_upward(piece)
    assert_core_draws(box, 1.0)
    assert_cavity_is_core(box)
