"""Rounding that keeps the lean of needles in tall walls.

A written file holds 32-bit coordinates. A facet a few micrometres high and some hundred
millimetres long is tilted by that rounding, though the wall around it stands as asked. One of its
corners is then rounded the other way in plan, when that leaves less wall under its angle.
"""

from __future__ import annotations

import numpy as np

from patternprep.mesh.mesh import FloatArray, IntArray, Mesh

__all__ = ["join_needle_ends", "keep_lean"]

UNDER_DEG = 0.15
"""Facets that lean less than their angle less this are turned back, where it can be done."""

NARROW_MM = 0.02
"""Facets lower than this over their longest edge are needles, mm."""

JOIN_MM = 0.0015
"""Ends of a needle nearer than this are joined, mm."""

_PASSES = 8
_LEAST_AREA_MM2 = 1e-4
_MOST = 5000
_NO_AREA_MM2 = 1e-7
_MOVES = [(x, y) for x in range(-2, 3) for y in range(-2, 3) if (x, y) != (0, 0)]
_MOVES.sort(key=lambda move: move[0] ** 2 + move[1] ** 2)


def keep_lean(mesh: Mesh, angle_deg: float, sign: float) -> Mesh:
    """The settled half, some corners moved in plan by a few steps of a 32-bit number.

    ``sign`` is +1 for the cope (pull +z) and -1 for the drag. Corners on the parting stay on it.
    """
    least = float(np.sin(np.radians(angle_deg - UNDER_DEG)))
    points = np.array(mesh.vertices)
    under = _under(points, mesh.faces, least, sign)
    if not under.any():
        return mesh
    area, narrow = mesh.areas, _narrow(mesh)
    if not (under & (area > _LEAST_AREA_MM2) & narrow).any():
        return mesh
    start, order = _around(mesh.faces, len(points))
    step = float(np.spacing(np.float32(np.abs(points).max())))
    for _ in range(_PASSES):
        bad = np.flatnonzero(under & (area > _LEAST_AREA_MM2) & narrow)
        bad = bad[np.argsort(-area[bad], kind="stable")][:_MOST]
        changed = False
        for facet in bad:
            changed |= _turn_back(points, mesh.faces, int(facet), (start, order), step, least, sign)
        under = _under(points, mesh.faces, least, sign)
        if not changed or not under.any():
            break
    return Mesh(points, mesh.faces)


def join_needle_ends(mesh: Mesh, angle_deg: float, sign: float) -> Mesh:
    """The half with the ends of needles that lean too little put together where they nearly are.

    Two corners less than JOIN_MM apart become one place; the facets between vanish when the mesh
    is settled again. The same mesh where there is nothing to join.
    """
    least = float(np.sin(np.radians(angle_deg - UNDER_DEG)))
    bad = np.flatnonzero(_under(mesh.vertices, mesh.faces, least, sign) & _narrow(mesh))
    corners = mesh.faces[bad]
    ends = np.stack([corners, corners[:, [1, 2, 0]]], axis=2).reshape(-1, 2)
    apart = np.linalg.norm(mesh.vertices[ends[:, 0]] - mesh.vertices[ends[:, 1]], axis=1)
    close = ends[apart < JOIN_MM]
    if not len(close):
        return mesh
    points = np.array(mesh.vertices)
    for a, b in close:
        if points[b, 2] == 0.0:
            a, b = b, a
        points[b] = points[a]
    return Mesh(points, mesh.faces)


def _narrow(mesh: Mesh) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Facets so low over their longest edge that rounding can tilt them."""
    edges = mesh.triangles[:, [1, 2, 0]] - mesh.triangles
    longest = np.linalg.norm(edges, axis=2).max(axis=1)
    return 2.0 * mesh.areas < NARROW_MM * longest


def _turn_back(
    points: FloatArray,
    faces: IntArray,
    facet: int,
    around: tuple[IntArray, IntArray],
    step: float,
    least: float,
    sign: float,
) -> bool:
    """Try each corner of a facet a step or two to every side in plan; keep the best that helps."""
    best_gain, best = 0.0, None
    start, order = around
    for corner in faces[facet]:
        ring = faces[order[start[corner] : start[corner + 1]]]
        now = _short_area(points, ring, least, sign)
        if now == 0.0 or not np.isfinite(now):
            continue
        old = points[corner].copy()
        for x, y in _MOVES:
            points[corner, :2] = (old[:2] + step * np.array((x, y))).astype(np.float32)
            gain = now - _short_area(points, ring, least, sign)
            if gain > best_gain + 1e-12:
                best_gain, best = gain, (corner, points[corner].copy())
        points[corner] = old
    if best is None:
        return False
    points[best[0]] = best[1]
    return True


def _lean(points: FloatArray, faces: IntArray, sign: float) -> tuple[FloatArray, FloatArray]:
    """Rise of the facet normals along the pull, and areas; rise 1 for facets in the parting."""
    corners = points[faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    double = np.linalg.norm(cross, axis=1)
    rise = sign * cross[:, 2] / np.maximum(double, 1e-300)
    return np.where((corners[:, :, 2] == 0.0).all(axis=1), 1.0, rise), 0.5 * double


def _under(
    points: FloatArray, faces: IntArray, least: float, sign: float
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    rise, _ = _lean(points, faces, sign)
    return rise < least


def _short_area(points: FloatArray, ring: IntArray, least: float, sign: float) -> float:
    """Area of the facets of a ring that lean too little, those far under counted more."""
    rise, area = _lean(points, ring, sign)
    if (area <= _NO_AREA_MM2).any():
        return np.inf
    short = rise < least
    return float((area[short] * (1.0 + 10.0 * (least - rise[short]))).sum())


def _around(faces: IntArray, count: int) -> tuple[IntArray, IntArray]:
    """Facets around each vertex: where they start in the list, and the list."""
    corner = faces.reshape(-1)
    order = np.argsort(corner, kind="stable") // 3
    start = np.searchsorted(np.sort(corner), np.arange(count + 1))
    return start.astype(np.int64), order.astype(np.int64)
