"""Faces that all move, some of them hollow and too narrow to stay: the union of what each sweeps.

A hollow round no wider than its stock shrinks to nothing while the faces beside it move on and
meet. No net of the old facets tells that; the union of the swept bodies does.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from patternprep.errors import KernelFault
from patternprep.mesh.crumbs import without_crumbs
from patternprep.mesh.faces import FaceSet
from patternprep.mesh.faces.topology import mesh_edges
from patternprep.mesh.kernel import Solid, hull_of_points, union_all
from patternprep.mesh.mesh import FloatArray, Mesh

__all__ = ["facet_bodies", "may_go_together", "read_back"]

BoolArray = npt.NDArray[np.bool_]

_MOST_FACETS = 20_000


def may_go_together(faces: FaceSet, amounts: dict[int, float], failed: set[int]) -> bool:
    """True where every face beside a failed one moves too, and by the same amount."""
    edges = mesh_edges(faces.mesh)
    sides = faces.face_of_facet[edges.facets]
    move = np.zeros(len(faces))
    move[list(amounts)] = list(amounts.values())
    bad = np.zeros(len(faces), dtype=bool)
    bad[list(failed)] = True
    beside = bad[sides].any(axis=1)
    facets = sum(len(faces.faces[i].facets) for i in failed)
    even = np.abs(move[sides[beside, 0]] - move[sides[beside, 1]]) <= 1e-12
    return bool(even.all()) and facets <= _MOST_FACETS


def facet_bodies(faces: FaceSet, index: int, amount: float, woven: FloatArray) -> Solid:
    """What the facets of one face sweep, each by itself along the face's own normals.

    ``woven`` (k, 3, 3): where the corners of the face's facets were solved to be, NaN where they
    were not.
    """
    mesh, face = faces.mesh, faces.faces[index]
    corners = mesh.triangles[face.facets]
    normals = np.repeat(mesh.normals[face.facets][:, None], 3, axis=1)
    if face.surface is not None:
        flat = face.surface.normal(corners.reshape(-1, 3)) * (1.0 if face.outward else -1.0)
        normals = flat.reshape(-1, 3, 3)
    moved = corners + amount * normals
    bodies = []
    for k in range(len(corners)):
        points = np.concatenate([corners[k], moved[k], woven[k]])
        bodies.append(hull_of_points(points[np.isfinite(points).all(axis=1)]))
    return union_all(bodies)


def read_back(part: Mesh, bodies: list[Solid]) -> Mesh | None:
    """The part united with the bodies; None where that does not survive being written."""
    try:
        after = union_all([Solid.from_mesh(part, "building the part"), *bodies])
        for width in (0.0, 1e-6, 1e-5, 1e-4):
            result = (after.simplify(width) if width else after).to_mesh()
            again = Solid.from_mesh(result, "reading the part with its stock back").volume
            if abs(again - after.volume) <= 1e-7 * after.volume:
                return without_crumbs(result)
    except KernelFault:
        return None
    return None
