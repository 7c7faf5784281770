"""What happens along the sharp edges of a face that moves on a straight body.

Where an unmoved neighbour leans in over the face, its plane trims the body (the walls of a keyway
trim the stock in its bore); where it hangs over the face, the body dips into its metal along the
edge, and that is no collision.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from patternprep.mesh.faces import Face, FaceSet
from patternprep.mesh.faces.topology import mesh_edges
from patternprep.mesh.kernel import Solid, hull_of_points, union_all
from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.stock.corners import TANGENT_DEG

__all__ = ["rim_bodies"]

BoolArray = npt.NDArray[np.bool_]

_LEAST_LEAN = 1e-3
_MARGIN = 0.05
_MOST_EDGES = 3000


def rim_bodies(
    faces: FaceSet, face: Face, amount: float, unmoved: BoolArray | None = None
) -> tuple[Solid | None, Solid | None]:
    """(what neighbours trim from the straight body, where it may dip into their metal).

    None where there is nothing of the kind. Each body is made of one box for each edge, as far
    as the lean of the neighbour reaches and no further. ``unmoved`` (faces,): only these trim.
    """
    index = faces.faces.index(face)
    mesh, of = faces.mesh, faces.face_of_facet
    edges = mesh_edges(mesh)
    mine = of[edges.facets] == index
    rim = np.flatnonzero(mine[:, 0] != mine[:, 1])
    if len(rim) > _MOST_EDGES:
        return None, None
    first = mine[rim, 0]
    own = np.where(first, edges.facets[rim, 0], edges.facets[rim, 1])
    other = np.where(first, edges.facets[rim, 1], edges.facets[rim, 0])
    normal, across = mesh.normals[own], mesh.normals[other]
    lean = np.einsum("ij,ij->i", normal, across)
    tangent = np.cos(np.radians(TANGENT_DEG))
    found: list[Solid | None] = []
    for convex, side in ((True, 1.0), (False, -1.0)):
        slanted = (side * lean > _LEAST_LEAN) & (side * lean < tangent)
        if convex and unmoved is not None:
            slanted &= unmoved[of[other]]
        which = np.flatnonzero(slanted & (edges.convex[rim] == convex))
        boxes = [
            _box(mesh.vertices[edges.ends[rim[i]]], normal[i], across[i], amount, convex)
            for i in which
        ]
        found.append(union_all(boxes) if boxes else None)
    return found[0], found[1]


def _box(
    ends: FloatArray, normal: FloatArray, across: FloatArray, amount: float, convex: bool
) -> Solid:
    """A box along an edge (2, 3), on the outer side of the neighbour's plane, or on the inner."""
    lean = float(normal @ across)
    sine = float(np.sqrt(1.0 - lean**2))
    along = ends[1] - ends[0]
    along = along / max(float(np.linalg.norm(along)), 1e-300)
    up = (normal - lean * across) / sine
    deep = amount * (abs(lean) + _MARGIN)
    high = amount * (1.0 / sine + _MARGIN)
    side = across if convex else -across
    spare = 1e-4 * amount if convex else amount * abs(lean) / sine
    line = [ends[0] - spare * along, ends[1] + spare * along]
    corners = [
        end + h * up + d * side
        for end in line
        for h in (-_MARGIN * amount, high)
        for d in (0.0, deep)
    ]
    return hull_of_points(np.array(corners))
