"""Cut a solid in two at z = 0, fast also where many coplanar facets lie on or cross the plane."""

from __future__ import annotations

import numpy as np

from patternprep.errors import GeometryFault
from patternprep.mesh.kernel import Solid, triangulate_rings
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh

__all__ = ["ON_PLANE_MM", "cut_at_parting"]

ON_PLANE_MM = 1e-7
"""A vertex nearer to the parting plane than this counts as lying on it."""


def cut_at_parting(solid: Solid) -> tuple[Solid, Solid]:
    """(part in z >= 0, part in z <= 0), each closed by a flat face exactly on z = 0.

    The facets are cut by array operations and the section is triangulated as plan rings; the
    kernel's own cut is the second way, where the section touches itself.
    """
    if solid.is_empty:
        return Solid.empty(), Solid.empty()
    low, high = solid.bounds[:, 2]
    if low >= -ON_PLANE_MM:
        return solid, Solid.empty()
    if high <= ON_PLANE_MM:
        return Solid.empty(), solid
    mesh = solid.to_mesh()
    try:
        above, below = (_side(mesh, sign) for sign in (1.0, -1.0))
        whole = abs(solid.volume)
        if abs(above.volume + below.volume - solid.volume) <= 1e-9 * whole:
            return above, below
    except GeometryFault:
        pass
    return solid.split_by_plane((0.0, 0.0, 1.0), 0.0)


def _side(mesh: Mesh, sign: float) -> Solid:
    """The closed part of the mesh on one side (+1 above, -1 below)."""
    points = np.array(mesh.vertices)
    points[np.abs(points[:, 2]) <= ON_PLANE_MM, 2] = 0.0
    side = np.sign(points[:, 2]).astype(np.int64) * int(sign)
    corner = side[mesh.faces]
    keep = mesh.faces[(corner.min(axis=1) >= 0) & (corner.max(axis=1) > 0)]
    flat = (corner == 0).all(axis=1)
    # A facet on the plane bounds the side it turns its back to.
    keep = np.concatenate([keep, mesh.faces[flat & (mesh.cross[:, 2] * sign < 0.0)]])
    crossing = mesh.faces[(corner.min(axis=1) < 0) & (corner.max(axis=1) > 0)]
    points, cut = _cut_facets(points, side, crossing)
    faces = np.concatenate([keep, cut])
    if not len(faces):
        return Solid.empty()
    faces = np.concatenate([faces, _cap(points, faces)])
    used, faces_flat = np.unique(faces, return_inverse=True)
    return Solid.from_mesh(Mesh(points[used], faces_flat.reshape(-1, 3)), "a cut at the parting")


def _cut_facets(points: FloatArray, side: IntArray, faces: IntArray) -> tuple[FloatArray, IntArray]:
    """The pieces on the positive side of facets that cross the plane, and all points."""
    if not len(faces):
        return points, faces
    n = len(points)
    following = np.roll(faces, -1, axis=1)
    through = side[faces] * side[following] < 0
    a, b = faces[through], following[through]
    keys, place = np.unique(np.minimum(a, b) * n + np.maximum(a, b), return_inverse=True)
    low, high = keys // n, keys % n
    share = points[low, 2] / (points[low, 2] - points[high, 2])
    new = points[low] + share[:, None] * (points[high] - points[low])
    new[:, 2] = 0.0
    on_edge = np.full(faces.shape, -1, dtype=np.int64)
    on_edge[through] = n + place
    corner = side[faces]
    pieces = []
    for ahead in range(3):  # one corner alone on its side, or one corner on the plane
        r = [ahead, (ahead + 1) % 3, (ahead + 2) % 3]
        s0, s1, s2 = (corner[:, i] for i in r)
        v0, v1, v2 = (faces[:, i] for i in r)
        e0, _, e2 = (on_edge[:, i] for i in r)
        tip = (s0 > 0) & (s1 < 0) & (s2 < 0)
        pieces.append(np.column_stack([v0, e0, e2])[tip])
        wide = (s0 < 0) & (s1 > 0) & (s2 > 0)
        pieces.append(np.column_stack([e0, v1, v2])[wide])
        pieces.append(np.column_stack([e0, v2, e2])[wide])
        # corner 0 on the plane, the opposite edge crosses it
        e1 = on_edge[:, r[1]]
        first = (s0 == 0) & (s1 > 0) & (s2 < 0)
        pieces.append(np.column_stack([v0, v1, e1])[first])
        second = (s0 == 0) & (s1 < 0) & (s2 > 0)
        pieces.append(np.column_stack([v0, e1, v2])[second])
    return np.concatenate([points, new]), np.concatenate(pieces)


def _cap(points: FloatArray, faces: IntArray) -> IntArray:
    """Triangles on the plane that close the open rims of the facets."""
    n = len(points)
    start = faces.reshape(-1)
    end = np.roll(faces, -1, axis=1).reshape(-1)
    on = (points[start, 2] == 0.0) & (points[end, 2] == 0.0)
    start, end = start[on], end[on]
    forward = start * n + end
    open_rim = ~np.isin(forward, end * n + start)
    # The cap runs along the rim the other way.
    start, end = end[open_rim], start[open_rim]
    if not len(start):
        return np.empty((0, 3), dtype=np.int64)
    order = np.argsort(start, kind="stable")
    start, end = start[order], end[order]
    if (np.diff(start) == 0).any():
        raise GeometryFault("The section at the parting touches itself.")
    follow = np.searchsorted(start, end)
    if not np.array_equal(start[np.minimum(follow, len(start) - 1)], end):
        raise GeometryFault("The section at the parting is not closed.")
    rings, seen, steps = [], np.zeros(len(start), dtype=bool), follow.tolist()
    for first in range(len(steps)):
        if not seen[first]:
            ring, i = [], first
            while not seen[i]:
                seen[i] = True
                ring.append(i)
                i = steps[i]
            rings.append(start[np.array(ring)])
    # Seen from above the cap of the lower half is anticlockwise; of the upper, clockwise.
    area = sum(_ring_area(points[r, :2]) for r in rings)
    ids = np.concatenate([r if area > 0.0 else r[::-1] for r in rings])
    plan = [points[r if area > 0.0 else r[::-1], :2] for r in rings]
    cap = ids[triangulate_rings(plan)]
    return cap if area > 0.0 else cap[:, ::-1]


def _ring_area(ring: FloatArray) -> float:
    """Signed area of a plan ring (k, 2)."""
    x, y = (ring - ring[0]).T
    return float(0.5 * (x * np.roll(y, -1) - y * np.roll(x, -1)).sum())
