"""Polygons with more than three corners cut into triangles."""

from __future__ import annotations

import numpy as np

from patternprep.mesh.mesh import FloatArray, IntArray

__all__ = ["triangulate"]


def triangulate(vertices: FloatArray, counts: IntArray, corners: IntArray) -> IntArray:
    """Triangles (m, 3) from polygons: corner counts (p,) and all their corners in a row.

    Convex polygons become fans; a polygon whose fan would fold over itself is cut by clipping
    its ears. Triangles keep the polygons' order and winding.
    """
    start = np.concatenate([[0], np.cumsum(counts)[:-1]])
    if (counts == 3).all():
        return corners.reshape(-1, 3)
    pieces: list[IntArray] = []
    owners: list[IntArray] = []
    for size in np.unique(counts):
        if size < 3:
            continue
        which = np.flatnonzero(counts == size)
        ring = corners[start[which][:, None] + np.arange(size)]
        fan = np.stack(
            [np.repeat(ring[:, :1], size - 2, axis=1), ring[:, 1:-1], ring[:, 2:]], axis=2
        )
        if size > 3:
            for at in np.flatnonzero(_folds(vertices, ring)):
                fan[at] = _clip_ears(vertices, ring[at])
        pieces.append(fan.reshape(-1, 3))
        owners.append(np.repeat(which, size - 2))
    if not pieces:
        return np.empty((0, 3), np.int64)
    order = np.argsort(np.concatenate(owners), kind="stable")
    return np.concatenate(pieces)[order]


def _newell(points: FloatArray) -> FloatArray:
    """Area vector of each ring (p, k, 3), twice its area long."""
    return np.asarray(np.cross(points, np.roll(points, -1, axis=1)).sum(axis=1))


def _folds(vertices: FloatArray, ring: IntArray) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Rings whose fan from the first corner turns over somewhere."""
    points = vertices[ring]
    points = points - points[:, :1]
    normal = _newell(points)
    turn = np.cross(points[:, 1:-1], points[:, 2:])
    along = np.einsum("pki,pi->pk", turn, normal)
    return np.asarray((along < -1e-9 * np.einsum("pi,pi->p", normal, normal)[:, None]).any(axis=1))


def _clip_ears(vertices: FloatArray, ring: IntArray) -> IntArray:
    """Cut one simple polygon into triangles by clipping ears in its own plane."""
    points = vertices[ring] - vertices[ring[0]]
    normal = _newell(points[None])[0]
    axis = int(np.argmax(np.abs(normal)))
    flat = np.delete(points, axis, axis=1)
    if (normal[axis] < 0.0) != (axis == 1):
        flat = flat[:, ::-1]
    left = list(range(len(ring)))
    triangles: list[tuple[int, int, int]] = []
    while len(left) > 3:
        best, best_shape = 1, -np.inf
        for k in range(len(left)):
            a, b, c = (left[(k + j - 1) % len(left)] for j in range(3))
            others = np.array([i for i in left if i not in (a, b, c)], dtype=np.int64)
            area = _turn(flat[a], flat[b], flat[c][None])[0]
            inside = (
                (_turn(flat[a], flat[b], flat[others]) >= 0.0)
                & (_turn(flat[b], flat[c], flat[others]) >= 0.0)
                & (_turn(flat[c], flat[a], flat[others]) >= 0.0)
            )
            longest = max(float(np.sum((flat[p] - flat[q]) ** 2)) for p, q in ((a, b), (c, a)))
            shape = area / longest if longest > 0.0 else 0.0
            if area > 0.0 and not inside.any() and shape > best_shape:
                best, best_shape = k, shape
        a, b, c = (left[(best + j - 1) % len(left)] for j in range(3))
        triangles.append((a, b, c))
        left.remove(b)
    triangles.append((left[0], left[1], left[2]))
    return np.asarray(ring[np.array(triangles)], dtype=np.int64)


def _turn(a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
    return np.asarray(
        (b[0] - a[0]) * (c[:, 1] - a[1]) - (b[1] - a[1]) * (c[:, 0] - a[0]), dtype=np.float64
    )
