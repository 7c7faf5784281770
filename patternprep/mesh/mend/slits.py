"""Slits of next to no width between walls that lie on each other, and what fills them.

Where two walls of a part were drawn on one plane, rounding lets them cross and part again by a few
millionths. United, they leave slits that no file can hold and no sand could enter. The filler is
what lies near both walls: each wall is thickened to both sides, and the two slabs are intersected.
"""

from __future__ import annotations

import numpy as np

from patternprep.mesh.kernel import Solid, union_all
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh

__all__ = ["slit_fillers"]

_OPPOSED = -0.99
"""Cosine between the normals of two walls that lie on each other."""
_MOST_FACETS = 20_000


def slit_fillers(mesh: Mesh, region: FloatArray, reach_mm: float) -> list[Solid]:
    """Bodies, no farther than ``reach_mm`` from both of two opposed walls, that close slits.

    Only walls that reach into ``region`` (2, 3) and overlap along the axis that they face are
    looked at. Too many walls give no body at all.
    """
    fillers = []
    for one, other in _wall_pairs(mesh, region, reach_mm):
        if len(one) + len(other) > _MOST_FACETS:
            return []
        both = _thickened(mesh, one, reach_mm) & _thickened(mesh, other, reach_mm)
        if both.volume > 0.0:
            fillers.append(both)
    return fillers


def _wall_pairs(mesh: Mesh, region: FloatArray, reach_mm: float) -> list[tuple[IntArray, IntArray]]:
    """Facets that face along each axis, and the opposed ones that lie on them within reach."""
    import shapely

    corners = mesh.triangles
    low, high = corners.min(axis=1) - reach_mm, corners.max(axis=1) + reach_mm
    here = np.flatnonzero(((low <= region[1]) & (high >= region[0])).all(axis=1))
    corners, low, high, normals = corners[here], low[here], high[here], mesh.normals[here]
    facing = np.argmax(np.abs(normals), axis=1)
    found = []
    for axis in range(3):
        plan = [(axis + 1) % 3, (axis + 2) % 3]
        one = np.flatnonzero((facing == axis) & (normals[:, axis] > 0.0))
        other = np.flatnonzero(normals[:, axis] < -0.5)
        if not len(one) or not len(other):
            continue
        shapes = shapely.make_valid(shapely.polygons(corners[:, :, plan]))
        tree = shapely.STRtree(shapes[other])
        a, b = tree.query(shapes[one], predicate="intersects")
        a, b = one[a], other[b]
        near = (low[a, axis] <= high[b, axis]) & (low[b, axis] <= high[a, axis])
        near &= np.einsum("ij,ij->i", normals[a], normals[b]) < _OPPOSED
        found.append((here[np.unique(a[near])], here[np.unique(b[near])]))
    return [pair for pair in found if len(pair[0])]


def _thickened(mesh: Mesh, facets: IntArray, reach_mm: float) -> Solid:
    """The facets as a slab: every one a prism between its corners moved to both sides.

    Corners move along the mean normal of the facets given, so prisms side by side share a wall.
    """
    faces = mesh.faces[facets]
    inside = np.zeros_like(mesh.vertices)
    np.add.at(inside, faces.reshape(-1), np.repeat(mesh.normals[facets], 3, axis=0))
    length = np.linalg.norm(inside, axis=1, keepdims=True)
    shift = reach_mm * np.divide(inside, length, out=np.zeros_like(inside), where=length > 1e-9)
    prisms = []
    for face in faces:
        face = np.roll(face, -int(np.argmin(face)))
        points = np.concatenate(
            [mesh.vertices[face] - shift[face], mesh.vertices[face] + shift[face]]
        )
        sides = [[0, 2, 1], [3, 4, 5]]
        for i, j in ((0, 1), (1, 2), (2, 0)):
            if face[i] < face[j]:  # the diagonal is told by the numbers, alike for both prisms
                sides += [[i, j, j + 3], [i, j + 3, i + 3]]
            else:
                sides += [[j, j + 3, i + 3], [j, i + 3, i]]
        prisms.append(Solid.from_mesh(Mesh(points, np.array(sides)), "thickening a wall"))
    return union_all(prisms)
