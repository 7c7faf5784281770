"""Volumes and places of what must be filled, against closed forms and layered shadows."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from parting_shapes import (
    Z_TO_X,
    Z_TO_Y,
    block_with_side_hole,
    fill_oracle,
    i_beam,
    placed,
    tube,
)

from patternprep.mesh.kernel import Solid, union_all
from patternprep.mesh.mesh import Mesh
from patternprep.pattern.parting import evaluate_parting

UP = (0.0, 0.0, 1.0)


@st.composite
def boxes(draw):
    """A block with two to four more on or beside it: level and upright faces only."""
    whole = st.integers(0, 12)
    solids = [Solid.box((0, 0, 0), (draw(st.integers(6, 14)), draw(st.integers(6, 14)), 12))]
    for _ in range(draw(st.integers(2, 4))):
        low = np.array([draw(whole) - 4, draw(whole) - 4, draw(whole)], dtype=float)
        size = np.array([draw(st.integers(3, 9)) for _ in range(3)], dtype=float)
        solids.append(Solid.box(low, low + size))
    return union_all(solids)


@settings(deadline=None, max_examples=30)
@given(solid=boxes(), share=st.sampled_from([0.31, 0.5, 0.77, 1.0]))
def test_fill_agrees_with_layered_shadows_on_random_blocks(solid, share):
    low, high = solid.bounds[:, 2]
    offset = float(high if share == 1.0 else low + share * (high - low))
    exact = fill_oracle(solid, offset)
    found = evaluate_parting(solid.to_mesh(), UP, offset)
    if exact < 1e-9:
        assert found.undercut_mm3 == 0.0
        assert found.undercuts == ()
    else:
        assert found.undercut_mm3 == pytest.approx(exact, rel=0.02, abs=2e-3 * solid.volume)
    assert sum(u.volume_mm3 for u in found.undercuts) == pytest.approx(found.undercut_mm3)


@pytest.mark.parametrize(
    ("solid", "offset"),
    [
        (Solid.sphere(20, 64), 6.0),
        (placed(tube(30, 20, 12), Z_TO_X), 4.0),
        (placed(Solid.cylinder(40, 15, 5), Z_TO_X), -8.0),
        (i_beam(), 20.0),
        (block_with_side_hole(), 40.0),
    ],
    ids=["sphere", "lying tube", "lying cone", "I-beam", "side hole"],
)
def test_fill_agrees_with_layered_shadows_on_curved_solids(solid, offset):
    exact = fill_oracle(solid, offset, layers=120)
    found = evaluate_parting(solid.to_mesh(), UP, offset)
    assert found.undercut_mm3 == pytest.approx(exact, rel=0.02)


def test_sphere_off_its_centre():
    # the barrel between the centre and the plane: a cylinder less a spherical zone
    radius, height = 50.0, 20.0
    sphere = Solid.sphere(radius, 240).to_mesh()
    zone = np.pi * height * (radius**2 - height**2 / 3.0)
    exact = np.pi * radius**2 * height - zone
    found = evaluate_parting(sphere, UP, height)
    assert found.undercut_mm3 == pytest.approx(exact, rel=0.02)
    (ring,) = found.undercuts
    assert ring.kind == "undercut"
    assert "overhang" in ring.advice
    # a ring is named by a point in it, not by its centre in the sphere
    x, y, z = ring.place
    assert np.sqrt(radius**2 - z**2) - 0.5 <= np.hypot(x, y) <= radius + 0.5
    assert 0.0 < ring.place[2] < height


def test_dovetail_slot_is_an_undercut_on_both_sides():
    slot = Solid.extrude([np.array([(-5, 10.0), (5, 10), (10, 25), (-10, 25)])], 120.0)
    block = Solid.box((-30, -60, 0), (30, 60, 20))
    block = block - placed(slot, Z_TO_Y, (0, -60, 30))
    found = evaluate_parting(block.to_mesh(), (0.0, 0.0, -1.0), 0.0)
    exact = fill_oracle(block.transform(np.diag([1.0, 1.0, -1.0, 1.0])), 0.0, layers=200)
    assert found.undercut_mm3 == pytest.approx(exact, rel=0.03)


def test_a_narrow_groove_is_one_undercut_though_narrower_than_a_cell():
    body = Solid.cylinder(60, 40, segments=180) - placed(tube(2, 45, 39.7), shift=(0, 0, 30))
    found = evaluate_parting(body.to_mesh(), UP, 60.0)
    assert found.cell_mm > 0.3
    (groove,) = found.undercuts
    assert groove.volume_mm3 == pytest.approx(np.pi * (40**2 - 39.7**2) * 2.0, rel=0.25)
    assert np.hypot(*groove.place[:2]) == pytest.approx(39.85, abs=0.5)
    assert groove.place[2] == pytest.approx(31.0, abs=1.5)


@pytest.mark.parametrize("seed", range(3))
def test_noise_on_upright_walls_is_no_undercut(seed):
    solid = tube(40, 30, 20)
    mesh = solid.to_mesh()
    noise = np.random.default_rng(seed).uniform(-2e-3, 2e-3, mesh.vertices.shape)
    noise[:, 2] = 0.0
    found = evaluate_parting(Mesh(mesh.vertices + noise, mesh.faces), UP, 40.0)
    assert found.undercut_mm3 == 0.0
    assert found.undercuts == ()
    rough = evaluate_parting(
        Mesh((mesh.vertices + noise).astype(np.float32).astype(float), mesh.faces), UP, 20.0
    )
    assert rough.undercut_mm3 == 0.0


def test_a_wall_that_leans_back_is_an_undercut_though_hardly_seen():
    # a wall 40 high leaning back by half a degree: 0.35 mm at its foot
    tan = np.tan(np.radians(0.5))
    ring = np.array([(-30.0, 0.0), (30.0, 0.0), (30.0 + 40 * tan, 40.0), (-30.0, 40.0)])
    wedge = placed(Solid.extrude([ring], 80.0), [[1, 0, 0], [0, 0, -1], [0, 1, 0]])
    low = wedge.bounds[0, 2]
    # from the narrow end up: the wide end hangs over
    found = evaluate_parting(placed(wedge, shift=(0, 0, -low)).to_mesh(), (0.0, 0.0, -1.0), 0.0)
    other = evaluate_parting(placed(wedge, shift=(0, 0, -low)).to_mesh(), UP, 40.0)
    exact = 0.5 * 40 * 40 * tan * 80
    assert other.undercut_mm3 == 0.0
    assert found.undercut_mm3 == pytest.approx(exact, rel=0.15)


def test_separate_undercuts_are_told_apart_with_their_places():
    block = Solid.box((-60, -30, 0), (60, 30, 40))
    for x, radius in ((-40, 4.0), (0, 6.0), (40, 8.0)):
        block = block - placed(Solid.cylinder(80, radius), Z_TO_Y, (x, -40, 20))
    found = evaluate_parting(block.to_mesh(), UP, 40.0)
    assert [u.kind for u in found.undercuts] == ["undercut"] * 3
    for u, (x, radius) in zip(found.undercuts, ((40, 8.0), (0, 6.0), (-40, 4.0)), strict=True):
        assert u.place == pytest.approx((x, 0, 20), abs=0.3)
        assert u.volume_mm3 == pytest.approx(np.pi * radius**2 * 60, rel=0.03)
    # with the plane through them they are hollows that open on the parting
    through = evaluate_parting(block.to_mesh(), UP, 20.0)
    assert [u.kind for u in through.undercuts] == ["hollow"] * 3


def test_the_place_is_told_in_part_axes_whatever_the_pull():
    block = placed(block_with_side_hole(), shift=(7.0, -3.0, 11.0)).to_mesh()
    found = evaluate_parting(block, (-1.0, 0.0, 0.0), -7.0)
    (hole,) = found.undercuts
    assert hole.kind == "hollow"
    assert hole.place == pytest.approx((7.0, -3.0, 31.0), abs=0.3)
