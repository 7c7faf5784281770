"""The body a convex plane face sweeps between convex plane neighbours, by half-spaces.

Where edges of the moved face shrink to nothing before it has moved all the way, no corner can be
solved one by one; between plane neighbours that all lean back the answer is still exact.
"""

from __future__ import annotations

import numpy as np

from patternprep.mesh.faces import Face, FaceSet
from patternprep.mesh.faces.topology import mesh_edges
from patternprep.mesh.kernel import Solid, hull_of_points
from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.stock.corners import TANGENT_DEG

__all__ = ["convex_body"]


def convex_body(faces: FaceSet, face: Face, amount: float) -> Solid | None:
    """What a convex plane face adds between its neighbours' planes; None where it is not so.

    Every neighbour must be a plane that meets the face in a sharp convex edge.
    """
    from scipy.spatial import ConvexHull, HalfspaceIntersection, QhullError

    if face.kind != "plane":
        return None
    mesh = faces.mesh
    index = faces.faces.index(face)
    edges = mesh_edges(mesh)
    sides = faces.face_of_facet[edges.facets]
    rim = (sides[:, 0] == index) != (sides[:, 1] == index)
    others = np.where(sides[rim, 0] == index, sides[rim, 1], sides[rim, 0])
    if not edges.convex[rim].all() or edges.angle[rim].min() < TANGENT_DEG:
        return None
    normal = np.array(face.normal)
    level = float(normal @ np.array(face.point))
    planes: list[FloatArray] = [np.append(-normal, level), np.append(normal, -level - amount)]
    corners = mesh.vertices[np.unique(mesh.faces[face.facets])]
    for other in np.unique(others):
        neighbour = faces.faces[int(other)]
        if neighbour.kind != "plane":
            return None
        n = np.array(neighbour.normal)
        offset = float(n @ np.array(neighbour.point))
        if (corners @ n).max() > offset + 1e-6:
            return None
        planes.append(np.append(n, -offset))
    spans = np.array(planes)
    inside = _deepest(spans)
    if inside is None:
        return None
    try:
        points = HalfspaceIntersection(spans, inside).intersections
        points = points[ConvexHull(points).vertices]
        # the base must share the part's own corners to the last digit, or the union leaves slits
        gap = np.linalg.norm(points[:, None, :] - corners[None], axis=2)
        near = gap.min(axis=1) < 1e-6 * max(1.0, float(np.abs(corners).max()))
        points[near] = corners[gap.argmin(axis=1)[near]]
    except QhullError:
        return None
    reached = (points @ normal).max() > level + amount - 1e-9
    return hull_of_points(points) if reached else None


def _deepest(spans: FloatArray) -> FloatArray | None:
    """The point furthest inside all half-spaces n.x + b <= 0 (k, 4); None where there is none."""
    from scipy.optimize import linprog

    found = linprog(
        [0.0, 0.0, 0.0, -1.0],
        A_ub=np.c_[spans[:, :3], np.ones(len(spans))],
        b_ub=-spans[:, 3],
        bounds=[(None, None)] * 3 + [(0.0, None)],
    )
    if not found.success or found.x[3] < 1e-9:
        return None
    return np.asarray(found.x[:3])
