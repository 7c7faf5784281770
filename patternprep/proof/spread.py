"""Points spread over a surface by area, the same ones every time."""

from __future__ import annotations

import numpy as np

from patternprep.mesh.mesh import FloatArray

__all__ = ["spread"]

_STEP = np.array([0.7548776662466927, 0.5698402909980532])
"""Steps of an even sequence in the unit square: powers of the plastic number's inverse."""


def spread(triangles: FloatArray, wanted: int) -> FloatArray:
    """About ``wanted`` points over facets (k, 3, 3): every corner and middle as far as they go,
    and at least half of the points by area, (n, 3)."""
    if not len(triangles):
        return np.zeros((0, 3))
    corners = np.unique(triangles.reshape(-1, 3), axis=0)
    middles = triangles.mean(axis=1)
    edges = 0.5 * (triangles + np.roll(triangles, -1, axis=1)).reshape(-1, 3)
    plain = np.concatenate([corners, middles, edges])
    plain = plain[:: max(1, -(-2 * len(plain) // wanted))]
    return np.concatenate([plain, _by_area(triangles, max(wanted - len(plain), wanted // 2))])


def _by_area(triangles: FloatArray, wanted: int) -> FloatArray:
    """Points evenly along the running sum of the facets' areas, (wanted, 3)."""
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    total = np.cumsum(area)
    if not total[-1] > 0.0:
        return triangles[:, 0]
    at = (np.arange(wanted) + 0.5) / wanted * total[-1]
    facet = np.searchsorted(total, at).clip(0, len(area) - 1)
    u, v = ((np.arange(1, wanted + 1)[:, None] * _STEP) % 1.0).T
    over = u + v > 1.0
    u, v = np.where(over, 1.0 - u, u)[:, None], np.where(over, 1.0 - v, v)[:, None]
    return np.asarray(a[facet] + u * (b - a)[facet] + v * (c - a)[facet])
