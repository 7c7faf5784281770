"""A moved face on a straight step: the union with what the face sweeps along its normal."""

from __future__ import annotations

import numpy as np

from patternprep.errors import GeometryFault, KernelFault
from patternprep.mesh.faces import Face
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.pattern.stock.corners import surface_shift
from patternprep.pattern.stock.sweep import swept_mesh
from patternprep.units import format_mm, format_point

__all__ = ["stand_on_prism"]


def stand_on_prism(
    mesh: Mesh, face: Face, amount: float, facets: IntArray, where: FloatArray
) -> tuple[Mesh, float]:
    """(the mesh united with the straight body over a face, the volume added in mm3).

    ``facets`` (k, 3) of the face, ids into ``where``.
    """
    used = np.unique(facets)
    here = where[used]
    if face.surface is None:
        raise GeometryFault(
            f"The free-form '{face.name}' at {format_point(list(face.point))} cannot be moved by "
            f"{format_mm(amount)}: it would fold; give less stock there, or model it in the part.",
            where=face.point,
        )
    shift = surface_shift(face, amount)
    if face.surface.kind in ("cylinder", "sphere", "torus"):
        local = shift * (1.0 + face.surface.distance(here) / face.surface.curvature_radius)
    else:
        local = np.full(len(here), shift)
    positions = where.copy()
    positions[used] = here + local[:, None] * face.surface.normal(here)
    body = swept_mesh(facets, where, facets, positions)
    try:
        before = Solid.from_mesh(mesh, "building the part")
        added = Solid.from_mesh(body, "building the stock of a face")
        after = before + added
    except KernelFault as fault:
        raise GeometryFault(
            f"'{face.name}' at {format_point(list(face.point))} cannot be moved by "
            f"{format_mm(amount)}: {fault}",
            where=face.point,
        ) from fault
    return after.to_mesh(), after.volume - before.volume
