"""Stock that a neighbour trims: the proof asks for no metal beyond the neighbour's own plane."""

from __future__ import annotations

import numpy as np

from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import Mesh
from patternprep.proof.faces import StockedFace
from patternprep.proof.trimmed import trimmed


def wedge() -> Mesh:
    """A ridge with a flat top 10 mm wide whose flanks lean in by 45 degrees, 30 mm long."""
    ring = np.array([(0.0, 0.0), (30.0, 0.0), (20.0, 10.0), (10.0, 10.0)])
    return Solid.extrude([ring], 30.0).to_mesh()


def top_of(part: Mesh, amount: float) -> StockedFace:
    facets = np.flatnonzero(part.normals[:, 1] > 0.999)
    point, normal = np.array([15.0, 10.0, 15.0]), np.array([0.0, 1.0, 0.0])
    return StockedFace("top", "plane", amount, point, normal, facets, None, None, 0.0, False)


def test_only_points_that_come_out_beyond_the_flank_are_let_go() -> None:
    part = wedge()
    face = top_of(part, 2.0)
    points = np.array([[x, 10.0, 15.0] for x in (10.5, 11.9, 12.1, 15.0, 17.9, 18.1)])
    let_go = trimmed(part, (face,), face, points, points + np.array([0.0, 2.0, 0.0]))
    assert let_go.tolist() == [True, True, False, False, False, True]


def test_a_flank_with_its_own_stock_trims_later_or_not_at_all() -> None:
    part = wedge()
    face = top_of(part, 2.0)
    facets = np.flatnonzero((part.normals[:, 0] > 0.5) & (part.normals[:, 1] > 0.5))
    normal = part.normals[facets[0]]
    flank = StockedFace(
        "flank", "plane", 2.0, np.array([25.0, 5.0, 15.0]), normal, facets, None, None, 0.0, False
    )
    points = np.array([[x, 10.0, 15.0] for x in (10.5, 18.1, 19.9)])
    let_go = trimmed(part, (face, flank), face, points, points + np.array([0.0, 2.0, 0.0]))
    assert let_go.tolist() == [True, False, False]


def test_square_and_hollow_edges_let_nothing_go() -> None:
    part = Solid.box((0, 0, 0), (30, 10, 30)).to_mesh()
    face = top_of(part, 2.0)
    points = np.array([[0.1, 10.0, 0.1], [15.0, 10.0, 29.9]])
    assert not trimmed(part, (face,), face, points, points + np.array([0.0, 2.0, 0.0])).any()
    ring = np.array([(0, 0), (30, 0), (30, 10), (20, 10), (10, 20), (0, 20)], dtype=float)
    step = Solid.extrude([ring], 30.0).to_mesh()
    facets = np.flatnonzero((step.normals[:, 1] > 0.999) & (step.triangles[:, :, 1].max(1) < 11.0))
    low = StockedFace(
        "low", "plane", 2.0, points[0], np.array([0.0, 1.0, 0.0]), facets, None, None, 0.0, False
    )
    near = np.array([[20.1, 10.0, 15.0], [21.0, 10.0, 15.0]])
    assert not trimmed(step, (low,), low, near, near + np.array([0.0, 2.0, 0.0])).any()
