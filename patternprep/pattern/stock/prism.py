"""A moved face on a straight step: the union with what the face sweeps along its normal."""

from __future__ import annotations

import numpy as np

from patternprep.errors import GeometryFault, KernelFault
from patternprep.mesh.crumbs import without_crumbs
from patternprep.mesh.faces import Face
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import Mesh
from patternprep.pattern.stock.corners import surface_shift
from patternprep.pattern.stock.sweep import refuse_overlap, swept_mesh
from patternprep.units import format_mm, format_point

__all__ = ["RIM_SHARE", "prism_body", "united"]


RIM_SHARE = 0.02
"""Part of a straight body that may lie in metal along its rim, where walls lean in."""


def prism_body(mesh: Mesh, face: Face, amount: float) -> Solid:
    """The straight body between a face and its moved copy."""
    if face.surface is None:
        raise _cannot(face, amount, "it would fold over itself")
    facets = mesh.faces[face.facets]
    used = np.unique(facets)
    here = mesh.vertices[used]
    shift = surface_shift(face, amount)
    local = np.full(len(here), shift)
    if face.surface.kind in ("cylinder", "sphere", "torus"):
        local *= 1.0 + face.surface.distance(here) / face.surface.curvature_radius
    positions = mesh.vertices.copy()
    positions[used] = here + local[:, None] * face.surface.normal(here)
    body = swept_mesh(facets, mesh.vertices, facets, positions)
    try:
        return Solid.from_mesh(body, "building the stock of a face")
    except KernelFault as fault:
        raise _cannot(face, amount, str(fault)) from fault


def united(
    mesh: Mesh, body: Solid, face: Face, amount: float, shared: Solid | None = None
) -> tuple[Mesh, float]:
    """(the part united with a body, the volume added in mm3).

    ``shared``: stock of faces across a hollow corner, which the body may run into.
    The union must still be the same solid when it is read back from its arrays: slits between
    nearly equal faces do not survive that, so they are closed first where they are left.
    """
    before = Solid.from_mesh(mesh, "building the part")
    common = before & body
    if shared is not None:
        common = common - shared
    refuse_overlap(face, amount, common, RIM_SHARE * body.volume, "metal")
    after = before + body
    for width in (0.0, 1e-6, 1e-5, 1e-4):
        tidy = after.simplify(width) if width else after
        result = tidy.to_mesh()
        again = Solid.from_mesh(result, "reading the part with its stock back").volume
        if abs(again - after.volume) <= 1e-7 * after.volume:
            return without_crumbs(result), after.volume - before.volume
    raise _cannot(face, amount, "its stock leaves a slit that does not close")


def _cannot(face: Face, amount: float, why: str) -> GeometryFault:
    return GeometryFault(
        f"'{face.name}' at {format_point(list(face.point))} cannot be moved by "
        f"{format_mm(amount)} ({why}); give less stock there, or model it in the part.",
        where=face.point,
    )
