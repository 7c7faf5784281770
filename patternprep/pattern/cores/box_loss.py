"""What box draft takes off a core where metal lies against it: volume, depth and place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patternprep.mesh.kernel import Solid, union_all
from patternprep.mesh.mend.distance import distance_to_facets, squared_distances
from patternprep.mesh.mesh import FloatArray

__all__ = ["BoxLoss", "box_loss"]

_BATCH = 64
_NOTHING_MM3 = 1e-6
_FINER = 80.0
_NEAREST = 16
_PAIRS = 200_000
_CLOSE_MM = 1e-6


@dataclass(frozen=True, eq=False)
class BoxLoss:
    """Volume that is missing, the farthest that the surface lies back, and where."""

    volume_mm3: float
    depth_mm: float
    place: FloatArray


def box_loss(asked: Solid, made: Solid) -> BoxLoss:
    """How far ``made`` falls short of ``asked`` (its part that touches metal, mm).

    Depth is the greatest distance from a corner of what is missing to the core as made.
    """
    bodies = [b for b in (asked - made).bodies() if b.volume > _NOTHING_MM3]
    if not bodies:
        return BoxLoss(0.0, 0.0, asked.bounds.mean(axis=0))
    missing = union_all(bodies)
    points = _corners(missing)
    depth, place = _farthest(points, made)
    return BoxLoss(missing.volume, depth, place)


def _corners(solid: Solid) -> FloatArray:
    mesh = solid.to_mesh()
    middles = mesh.triangles.mean(axis=1)
    sides = 0.5 * (mesh.triangles + mesh.triangles[:, [1, 2, 0]])
    return np.unique(np.concatenate([mesh.vertices, middles, sides.reshape(-1, 3)]), axis=0)


def _farthest(points: FloatArray, made: Solid) -> tuple[float, FloatArray]:
    """The point farthest from a solid's surface, and its distance: bounds first, then exactly."""
    if made.is_empty:
        return float("inf"), points[0]
    corners = made.to_mesh().triangles
    most = _near_bound(points, made)
    order = np.argsort(-most, kind="stable")
    best, place = -1.0, points[order[0]]
    for at in range(0, len(order), _BATCH):
        some = order[at : at + _BATCH]
        if most[some[0]] <= best + _CLOSE_MM:
            break
        exact = distance_to_facets(points[some], corners)
        worst = int(np.argmax(exact))
        if exact[worst] > best:
            best, place = float(exact[worst]), points[some[worst]]
    return best, place


def _near_bound(points: FloatArray, made: Solid) -> FloatArray:
    """For each point (n, 3) a bound, nearly always met, on its distance from a solid, (n,) mm."""
    from scipy.spatial import cKDTree

    fine = made.refine(float(np.ptp(made.bounds, axis=0).max()) / _FINER).to_mesh().triangles
    near = min(_NEAREST, len(fine))
    tree = cKDTree(fine.mean(axis=1))
    bound = np.empty(len(points))
    pace = max(1, _PAIRS // near)
    for at in range(0, len(points), pace):
        some = points[at : at + pace]
        _, which = tree.query(some, k=near)
        which = which.reshape(len(some), near)
        bound[at : at + pace] = np.sqrt(squared_distances(some[:, None], fine[which]).min(axis=1))
    return bound
