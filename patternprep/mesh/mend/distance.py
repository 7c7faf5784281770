"""Distances from points to triangles."""

from __future__ import annotations

import numpy as np

from patternprep.mesh.mesh import FloatArray

__all__ = ["distance_to_facets", "squared_distances"]

_BLOCK = 2_000_000


def distance_to_facets(points: FloatArray, corners: FloatArray) -> FloatArray:
    """Distance of each point (n, 3) from the nearest of the triangles (m, 3, 3), (n,) mm.

    Compares every point with every triangle, in blocks; meant for small sets.
    """
    best = np.empty(len(points))
    pace = max(1, _BLOCK // max(1, len(corners)))
    for at in range(0, len(points), pace):
        some = points[at : at + pace, None]
        best[at : at + pace] = np.sqrt(squared_distances(some, corners[None]).min(axis=1))
    return best


def squared_distances(points: FloatArray, corners: FloatArray) -> FloatArray:
    """Squared distances of points (..., 3) from triangles (..., 3, 3), broadcast, mm2.

    To the plane where the foot falls inside, else to the edges.
    """
    a = corners[..., 0, :]
    p = points - a
    ab, ac = corners[..., 1, :] - a, corners[..., 2, :] - a
    normal = np.cross(ab, ac)
    nn = np.maximum(np.einsum("...i,...i->...", normal, normal), 1e-300)
    v = np.einsum("...i,...i->...", np.cross(p, ac), normal) / nn
    w = np.einsum("...i,...i->...", np.cross(ab, p), normal) / nn
    height = np.einsum("...i,...i->...", p, normal) ** 2 / nn
    best = np.where((v >= 0.0) & (w >= 0.0) & (v + w <= 1.0), height, np.inf)
    for i, j in ((0, 1), (1, 2), (2, 0)):
        start = corners[..., i, :]
        along = corners[..., j, :] - start
        q = points - start
        length = np.maximum(np.einsum("...i,...i->...", along, along), 1e-300)
        t = np.clip(np.einsum("...i,...i->...", q, along) / length, 0.0, 1.0)
        off = q - t[..., None] * along
        best = np.minimum(best, np.einsum("...i,...i->...", off, off))
    return np.asarray(best)
