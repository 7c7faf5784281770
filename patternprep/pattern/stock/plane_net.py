"""New facets for a plane face whose outline has moved."""

from __future__ import annotations

import numpy as np

from patternprep.mesh.faces import FaceSet
from patternprep.mesh.kernel import triangulate_rings
from patternprep.mesh.mesh import FloatArray, IntArray

__all__ = ["outline_rings", "renewed_plane"]


def outline_rings(triangles: IntArray) -> list[list[int]] | None:
    """Closed rings of vertex ids around triangles (k, 3), material on the left.

    None where the outline touches itself in a vertex, so that the rings are not plain.
    """
    start = triangles.ravel()
    end = triangles[:, [1, 2, 0]].ravel()
    stride = np.int64(max(int(triangles.max()) + 1, 1))
    there = start * stride + end
    back = end * stride + start
    rim = ~np.isin(there, back)
    following = dict(zip(start[rim].tolist(), end[rim].tolist(), strict=True))
    if len(following) != int(rim.sum()):
        return None
    rings: list[list[int]] = []
    for origin in sorted(following):
        if origin not in following:
            continue
        ring = [origin]
        step = following.pop(origin)
        while step != origin:
            ring.append(step)
            if step not in following:
                return None
            step = following.pop(step)
        rings.append(ring)
    return rings


def renewed_plane(
    faces: FaceSet, index: int, copies: IntArray, where: FloatArray
) -> IntArray | None:
    """Triangles (k, 3) over the moved outline of a plane face; None where it crosses itself.

    ``copies`` (m, 3): moved vertex ids of the face's facets; ``where``: positions of all ids.
    """
    face = faces.faces[index]
    if face.surface is None or face.kind != "plane":
        return None
    rings = outline_rings(copies)
    if rings is None:
        return None
    axis = face.surface.axis
    least = int(np.argmin(np.abs(axis)))
    first = np.cross(axis, np.eye(3)[least])
    first /= np.linalg.norm(first)
    second = np.cross(axis, first)
    flat = [np.stack([where[r] @ first, where[r] @ second], axis=1) for r in rings]
    made = triangulate_rings(flat)
    ids = np.concatenate([np.array(r, dtype=np.int64) for r in rings])
    points = np.concatenate(flat)
    corners = points[made]
    area = _area(corners)
    outline = sum(_ring_area(f) for f in flat)
    size = float(np.ptp(points, axis=0).max())
    if area.min() < -1e-9 * size * size or abs(float(area.sum()) - outline) > 1e-9 * size * size:
        return None
    if len(made) != len(points) + 2 * (len(rings) - 1) - 2 and len(np.unique(made)) != len(points):
        return None
    return ids[made]


def _area(corners: FloatArray) -> FloatArray:
    """Signed areas of plane triangles (k, 3, 2)."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    return np.asarray(
        0.5 * ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]), dtype=np.float64
    )


def _ring_area(ring: FloatArray) -> float:
    x, y = ring[:, 0], ring[:, 1]
    return float(0.5 * (x * np.roll(y, -1) - np.roll(x, -1) * y).sum())
