"""Half-edge arrays of a closed mesh: which edge faces which, which way every facet looks.

Half-edge ``3 f + k`` runs from corner k of facet f to the next corner.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from patternprep.errors import GeometryFault
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh

__all__ = ["BoolArray", "HalfEdges", "half_edges", "joined_groups"]

BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class HalfEdges:
    """Half-edges of a closed, oriented mesh (n vertices, m facets, 3 m half-edges)."""

    points: FloatArray
    """Vertices, (n, 3) mm."""
    faces: IntArray
    normals: FloatArray
    """Unit facet normals, (m, 3)."""
    twin: IntArray
    """The half-edge that runs the other way, (3 m,)."""

    @property
    def origin(self) -> IntArray:
        """Vertex where each half-edge begins."""
        return self.faces.reshape(-1)

    def target(self, half_edge: IntArray) -> IntArray:
        """Vertex where the half-edges end."""
        return self.origin[following(half_edge)]

    def apex(self, half_edge: IntArray) -> IntArray:
        """Corner of the half-edge's facet that is not on it."""
        return self.origin[following(following(half_edge))]


def following(half_edge: IntArray) -> IntArray:
    """Next half-edge round the same facet."""
    return np.where(half_edge % 3 == 2, half_edge - 2, half_edge + 1)


def half_edges(mesh: Mesh) -> HalfEdges:
    """Half-edge arrays of a mesh; GeometryFault where an edge is not shared by two facets."""
    faces = mesh.faces
    start = faces.reshape(-1)
    end = np.roll(faces, -1, axis=1).reshape(-1)
    n = len(mesh.vertices)
    key = np.minimum(start, end) * n + np.maximum(start, end)
    up = np.flatnonzero(start < end)
    down = np.flatnonzero(start > end)
    up = up[np.argsort(key[up], kind="stable")]
    down = down[np.argsort(key[down], kind="stable")]
    if len(up) + len(down) != len(start) or not np.array_equal(key[up], key[down]):
        raise GeometryFault("The half pattern is not a closed, oriented mesh, so it has no draft.")
    twin = np.empty(len(start), dtype=np.int64)
    twin[up] = down
    twin[down] = up
    return HalfEdges(mesh.vertices, faces, mesh.normals, twin)


def joined_groups(count: int, one: IntArray, other: IntArray) -> tuple[int, IntArray]:
    """Number of groups and the group of each of ``count`` items, items joined pair by pair."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    graph = coo_matrix((np.ones(len(one), dtype=np.int8), (one, other)), shape=(count, count))
    groups, label = connected_components(graph, directed=False)
    return int(groups), np.asarray(label, dtype=np.int64)
