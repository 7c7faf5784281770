"""The proof's own tools against closed forms and brute force."""

from __future__ import annotations

from pathlib import Path

import kits
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from patternprep.proof import prove_kit
from patternprep.proof.bow import Bow
from patternprep.proof.meet import section
from patternprep.proof.model import split_at_zero
from patternprep.proof.plan import PlanGrid, grid_lines
from patternprep.proof.sound import shells_of
from patternprep.proof.tree import FacetTree, distance_to_facets


def ball(n: int = 24, radius: float = 10.0) -> np.ndarray:
    angle = np.radians(np.linspace(-88.0, 88.0, n))
    return kits.loft([(kits.circle(radius * np.cos(a), 2 * n), radius * np.sin(a)) for a in angle])


def turned(triangles: np.ndarray, seed: int) -> np.ndarray:
    q, _ = np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))
    return triangles @ (q * np.sign(np.linalg.det(q))).T


@pytest.mark.parametrize("seed", range(4))
def test_lines_measure_the_volume_and_cross_in_turn(seed: int) -> None:
    triangles = turned(ball(), seed)
    lines, area = grid_lines(triangles.min(axis=(0, 1)), triangles.max(axis=(0, 1)), 40_000)
    hits = PlanGrid(triangles).hits(lines)
    first, count = hits.bounds(len(lines))
    assert (count % 2 == 0).all()
    met = np.flatnonzero(count)
    assert (hits.up[first[met]] == -1).all()
    assert (hits.z * hits.up).sum() * area == pytest.approx(volume_of(triangles), rel=1e-3)


def volume_of(triangles: np.ndarray) -> float:
    return float(np.linalg.det(triangles).sum() / 6.0)


def test_lines_along_edges_meet_the_surface_within_reach() -> None:
    block = kits.loft([(kits.rectangle(3, 2), 0.0), (kits.rectangle(3, 2), 5.0)])
    points = np.array([[0.0, 0.0], [3.0, 2.0], [3.0, 0.0], [3.0 + 5e-6, 0.0], [3.1, 0.0]])
    top, facet = PlanGrid(block).tops(points, 1e-5)
    assert top[:4] == pytest.approx([5.0] * 4)
    assert top[4] == -np.inf
    assert facet[4] == -1
    low, _ = PlanGrid(block - np.array([0.0, 0.0, 7.0])).tops(points[:1], 1e-5, -1.0)
    assert low[0] == pytest.approx(7.0)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.01, 30.0))
def test_long_thin_facets_are_met_wherever_they_lie(seed: int, length: float) -> None:
    rng = np.random.default_rng(seed)
    corners = rng.uniform(-10.0, 10.0, (40, 1, 3)) + rng.normal(size=(40, 3, 3)) * 0.02
    corners[:, 2] += rng.normal(size=(40, 3)) * length
    weights = rng.dirichlet([1.0, 1.0, 1.0], 40)
    inside = np.einsum("ij,ijk->ik", weights, corners)
    hits = PlanGrid(corners).near(inside[:, :2], 1e-7)
    for i in range(40):
        found = hits.z[(hits.line == i) & (hits.facet == i)]
        assert len(found) == 1
        assert found[0] == pytest.approx(inside[i, 2], abs=1e-2)


@pytest.mark.parametrize("spread", [0.5, 8.0, 40.0])
def test_distance_agrees_with_every_facet_tried(spread: float) -> None:
    triangles = turned(ball(10), 3)
    points = np.random.default_rng(5).normal(size=(60, 3)) * spread
    found, facet = FacetTree(triangles).distance(points)
    tried = np.array(
        [distance_to_facets(np.repeat(p[None], len(triangles), 0), triangles).min() for p in points]
    )
    assert found == pytest.approx(tried, abs=1e-9)
    assert distance_to_facets(points, triangles[facet]) == pytest.approx(found, abs=1e-12)


def test_distance_beyond_the_cap_is_the_cap() -> None:
    found, facet = FacetTree(ball(10)).distance(np.array([[50.0, 0.0, 0.0]]), 2.0)
    assert found[0] == 2.0
    assert facet[0] == -1


def test_distance_to_a_facet_without_area() -> None:
    line = np.array([[[0.0, 0.0, 0.0], [2.0, 0.0, 0.0], [2.0, 0.0, 0.0]]])
    assert distance_to_facets(np.array([[1.0, 3.0, 4.0]]), line)[0] == pytest.approx(5.0)


def test_cone_under_an_edge_is_the_wedge() -> None:
    """Under an edge 10 mm up the draft of 2 degrees reaches out 10 tan 2."""
    edge = np.array([[[-5.0, 0.0, 10.0], [5.0, 0.0, 10.0], [0.0, 5.0, 10.0]]])
    reach = kits.grown(10.0)
    points = np.array([[0.0, -reach + 1e-6, 0.0], [0.0, -reach - 1e-6, 0.0]])
    tree = FacetTree(edge)
    slope = float(np.tan(np.radians(2.0)))
    gap = tree.in_cone(points, slope, None, 1.0)
    assert gap[0] <= 0.0
    assert gap[1] > 0.0
    gap = tree.gap_under(points - np.array([0.0, 0.3, 0.0]), slope, 0.0)
    assert gap == pytest.approx([0.3 - 1e-6, 0.3 + 1e-6], abs=1e-9)


def test_mitred_corner_reaches_further_than_a_round_one() -> None:
    top = kits.cap(kits.rectangle(5, 5), 10.0, up=True)
    slope = float(np.tan(np.radians(2.0)))
    reach = 10.0 * slope - 1e-6
    corner = np.array([[5.0 + reach, 5.0 + reach, 0.0]])
    tree = FacetTree(top)
    assert tree.in_cone(corner, slope, None, 1.0)[0] > 0.0
    assert tree.in_cone(corner, slope, np.array([[1.0, 0.0]]), 1.6)[0] <= 0.0
    assert (
        tree.in_cone(corner + np.array([0.001, 0.0, 0.0]), slope, np.array([[1.0, 0.0]]), 1.6)[0]
        > 0.0
    )


def test_split_keeps_what_is_above() -> None:
    triangles = turned(ball(), 7)
    above = split_at_zero(triangles)
    assert above[..., 2].min() == 0.0
    below = split_at_zero(triangles[:, ::-1] * np.array([1.0, 1.0, -1.0]))
    area = [area_of(t) for t in (above, below, triangles)]
    assert area[0] + area[1] == pytest.approx(area[2], rel=1e-9)


def area_of(triangles: np.ndarray) -> float:
    a, b, c = triangles.transpose(1, 0, 2)
    return float(0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1).sum())


def test_section_of_a_block_is_its_outline() -> None:
    block = kits.loft([(kits.rectangle(3, 2), -1.0), (kits.rectangle(3, 2), 5.0)])
    cut = section(block, 0.3)
    assert np.linalg.norm(cut[:, 1] - cut[:, 0], axis=1).sum() == pytest.approx(20.0)


def test_shells_and_voids_are_told_apart() -> None:
    outer = kits.loft([(kits.rectangle(5, 5), 0.0), (kits.rectangle(5, 5), 5.0)])
    inner = kits.loft([(kits.rectangle(1, 1), 1.0), (kits.rectangle(1, 1), 2.0)])
    shells = shells_of(
        kits.mesh_of(kits.joined(outer, inner[:, ::-1], outer + np.array([20.0, 0, 0])))
    )
    assert (shells.outer, shells.hollow, shells.bad_edges) == (2, 1, 0)


def test_two_blocks_that_share_an_edge_are_no_manifold() -> None:
    block = kits.loft([(kits.rectangle(1, 1), 0.0), (kits.rectangle(1, 1), 1.0)])
    assert (
        shells_of(kits.mesh_of(kits.joined(block, block + np.array([2.0, 2.0, 0.0])))).bad_edges
        == 4
    )


def test_bow_keeps_the_surface_closed_and_follows_the_curve() -> None:
    bar = kits.mesh_of(kits.loft([(kits.rectangle(100, 5), 0.0), (kits.rectangle(100, 5), 8.0)]))
    bow = Bow(3.0, 0, 1, 0.0, 200.0)
    bowed = bow.bowed(bar)
    assert shells_of(bowed).bad_edges == 0
    assert bowed.volume == pytest.approx(bar.volume, rel=1e-9)
    middle = np.zeros_like(bowed.vertices)
    middle[:, 0] = bowed.vertices[:, 0]
    aside = np.abs(bowed.vertices[:, 1] - bow.moved(middle)[:, 1])
    assert aside.max() == pytest.approx(5.0)
    assert np.abs(bowed.triangles[:, 0, 0] - bowed.triangles[:, 1, 0]).max() < 10.0


def walls(draft: kits.KitDraft, angle: float) -> kits.KitDraft:
    """The block with its cope's walls recorded as places with their own angles."""
    draft.angle = 1.0
    draft.walls = [
        {
            "point": [30.0, y, z],
            "outward": [1.0, 0.0],
            "low_mm": 0.0,
            "high_mm": 50.0,
            "inside": False,
            "angle_deg": angle,
        }
        for y in (-15.0, 0.0, 12.0)
        for z in (5.0, 20.0)
    ]
    return draft


@pytest.mark.parametrize(("angle", "found"), [(2.0, False), (1.5, False), (2.2, True), (3.0, True)])
def test_each_wall_is_held_to_its_own_angle(angle: float, found: bool, tmp_path: Path) -> None:
    lines = prove_kit(walls(kits.block(), angle).write(tmp_path))
    failed = {line.name for line in lines if not line.passed}
    assert ("walls of the cope at their own angle" in failed) is found
