"""Camber: a parabola in plan, heights and volume kept."""

from __future__ import annotations

import numpy as np
import pytest

from patternprep.errors import GeometryFault
from patternprep.mesh.check import check_mesh
from patternprep.mesh.kernel import Solid
from patternprep.pattern.camber import BOW_CHORD_MM, bow_for, bow_mesh
from patternprep.pattern.draft import draft_pattern


def test_the_middle_rises_by_the_height_and_the_ends_stay() -> None:
    bar = Solid.box((-200, -10, -15), (200, 10, 15)).to_mesh()
    bow = bow_for(bar, 3.0, "x", "y")
    bent = bow_mesh(bar, bow)
    v = bent.vertices
    ends = v[np.abs(np.abs(v[:, 0]) - 200) < 1e-9]
    assert ends[:, 1].max() == pytest.approx(10.0)
    assert v[:, 1].max() == pytest.approx(13.0, abs=0.0101)
    assert bent.volume == pytest.approx(bar.volume, rel=1e-9)
    assert bent.size[2] == pytest.approx(30.0)
    true = 10.0 + 3.0 * (1.0 - (v[:, 0] / 200.0) ** 2)
    edge = (np.abs(v[:, 2]) > 14.9) & (np.abs(v[:, 1] - true) < 1e-6)
    lengths = np.diff(np.unique(np.round(v[edge][:, 0], 6)))
    assert (3.0 / 400.0**2) * lengths.max() ** 2 <= 0.01 + 1e-9  # the sag of a chord, h (l/L)^2


def test_upright_walls_stay_upright() -> None:
    """Corners at different places up a wall must not twist it into undercuts."""
    bar = Solid.box((-200, -20, -25), (200, 20, 25)) + Solid.box((-37, -20, 5), (61, 33, 25))
    bar = bar - Solid.cylinder(60.0, 7.0, segments=31).translate((-113.0, 3.0, -30.0))
    skew = Solid.box((11.7, -30, -30), (13.1, -10, 30)).transform(
        np.array([[1, 0, 0.3, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]], dtype=np.float64)
    )
    mesh = (bar - skew).to_mesh()
    bent = bow_mesh(mesh, bow_for(mesh, 3.0, "x", "y"))
    assert check_mesh(bent).sound
    assert bent.volume == pytest.approx(mesh.volume, rel=1e-9)
    level = Solid.from_mesh(mesh).split_by_plane()
    halves = Solid.from_mesh(bent).split_by_plane()
    before = draft_pattern(*level, 2.0).undercut_filled_mm3
    after = draft_pattern(*halves, 2.0).undercut_filled_mm3
    assert after == pytest.approx(before, rel=1e-5)


@pytest.mark.parametrize("height", [0.4, 3.0, -9.0])
def test_straight_pieces_stay_near_the_true_bow(height: float) -> None:
    bar = Solid.box((0, -10, -15), (400, 10, 15)) + Solid.box((71, -10, -20), (113, 10, 20))
    mesh = bar.to_mesh()
    bow = bow_for(mesh, height, "x", "y")
    bent = bow_mesh(mesh, bow)
    assert check_mesh(bent).sound
    corners = bent.triangles[np.abs(bent.normals[:, 1]) > 0.9]
    assert len(corners) > 4 * np.sqrt(abs(height) / BOW_CHORD_MM)
    middles = 0.5 * (corners + np.roll(corners, -1, axis=1))
    points = np.concatenate([corners, middles]).reshape(-1, 3)
    aside = np.abs(points[:, 1] - bow.shift(points))
    assert aside == pytest.approx(np.full(len(aside), 10.0), abs=BOW_CHORD_MM + 1e-9)


@pytest.mark.parametrize(("along", "toward"), [("x", "x"), ("z", "x"), ("x", "z")])
def test_a_bow_out_of_the_parting_plane_is_refused(along: str, toward: str) -> None:
    bar = Solid.box((-200, -10, -15), (200, 10, 15)).to_mesh()
    with pytest.raises(GeometryFault):
        bow_for(bar, 3.0, along, toward)


def test_a_bow_too_strong_is_refused() -> None:
    bar = Solid.box((-20, -10, -15), (20, 10, 15)).to_mesh()
    with pytest.raises(GeometryFault, match="one in twenty"):
        bow_for(bar, 5.0, "x", "y")
