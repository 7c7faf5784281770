"""Half-edge arrays of a closed mesh: which edge faces which, which way every facet looks.

Half-edge ``3 f + k`` runs from corner k of facet f to the next corner.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from patternprep.errors import GeometryFault
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.mesh.topology import edge_table, twins

__all__ = ["BoolArray", "HalfEdges", "half_edges"]

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
    table = edge_table(mesh.faces)
    if not table.simple.all():
        raise GeometryFault("The half pattern is not a closed, oriented mesh, so it has no draft.")
    return HalfEdges(mesh.vertices, mesh.faces, mesh.normals, twins(table))
