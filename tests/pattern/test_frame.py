"""The mould frame: a turn, a shift and the allowances that are pure scalings."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from patternprep.errors import GeometryFault
from patternprep.mesh.kernel import Solid
from patternprep.pattern.frame import mould_frame, rotation_to_z

unit = st.floats(-1.0, 1.0, allow_nan=False)


@given(unit, unit, unit)
def test_the_pull_becomes_up_by_a_proper_turn(x: float, y: float, z: float) -> None:
    d = np.array([x, y, z])
    if np.linalg.norm(d) < 1e-3:
        return
    turn = rotation_to_z(d)
    assert turn @ d / np.linalg.norm(d) == pytest.approx([0, 0, 1], abs=1e-9)
    assert turn @ turn.T == pytest.approx(np.eye(3), abs=1e-9)
    assert np.linalg.det(turn) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("axis", [(1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0), (0, 0, -1)])
def test_turns_onto_the_parts_own_axes_are_exact(axis: tuple[int, int, int]) -> None:
    turn = rotation_to_z(axis)
    assert set(np.abs(turn).ravel()) <= {0.0, 1.0}
    assert (turn @ np.array(axis)).tolist() == [0.0, 0.0, 1.0]


def test_sizes_grow_by_the_contraction_and_the_plane_is_zero() -> None:
    part = Solid.box((10, 20, 30), (110, 70, 60)).to_mesh()
    frame = mould_frame(part, (0, 0, -1), -45.0, part_factors=(1.019, 1.019, 1.019))
    pattern = frame.mesh_to_mould(part)
    assert pattern.size == pytest.approx([101.9, 50.95, 30.57])
    assert pattern.bounds[:, 2] == pytest.approx([-15 * 1.019, 15 * 1.019])
    assert frame.volume_factor == pytest.approx(1.019**3)
    assert frame.to_part(frame.to_mould(part.vertices)) == pytest.approx(part.vertices)
    assert pattern.volume == pytest.approx(part.volume * 1.019**3)


def test_a_size_factor_along_one_axis_of_the_part_follows_the_part() -> None:
    part = Solid.box((0, 0, 0), (100, 50, 20)).to_mesh()
    frame = mould_frame(part, (1, 0, 0), 0.0, part_factors=(1.02, 1.01, 1.0))
    assert frame.mesh_to_mould(part).size == pytest.approx([20.0, 50.5, 102.0])


@given(st.floats(0.0, 2.0), st.floats(-1.0, 1.0))
def test_the_parting_plane_stays_a_plane_under_unequal_factors(x: float, y: float) -> None:
    part = Solid.box((0, 0, 0), (40, 30, 20)).to_mesh()
    pull = np.array([x, y, 1.0])
    pull /= np.linalg.norm(pull)
    frame = mould_frame(part, pull, 5.0, part_factors=(1.02, 1.0, 1.01))
    side = np.cross(pull, [0.0, 1.0, 0.3])
    points = 5.0 * pull + np.outer([-3.0, 0.0, 8.0], side)
    assert frame.to_mould(points)[:, 2] == pytest.approx([0, 0, 0], abs=1e-9)


def test_a_pull_without_length_and_a_factor_below_zero_are_refused() -> None:
    part = Solid.box((0, 0, 0), (1, 1, 1)).to_mesh()
    with pytest.raises(GeometryFault):
        rotation_to_z((0, 0, 0))
    with pytest.raises(GeometryFault):
        mould_frame(part, (0, 0, 1), 0.0, part_factors=(1, 1, 0))
