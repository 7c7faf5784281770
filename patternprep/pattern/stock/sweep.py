"""What a moving face sweeps over, and whether it meets metal or another moved face there."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from patternprep.errors import GeometryFault, KernelFault
from patternprep.mesh.faces import Face
from patternprep.mesh.faces.topology import mesh_edges
from patternprep.mesh.kernel import Solid, union_all
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.pattern.stock.weave import closed_between
from patternprep.units import format_mm, format_point

__all__ = ["require_clear", "swept_mesh"]

BoolArray = npt.NDArray[np.bool_]

_SHARE = 1e-4
"""Overlap below this share of the swept volume comes from chords of neighbouring curves."""


def swept_mesh(
    old_facets: IntArray,
    where: FloatArray,
    moved: IntArray,
    positions: FloatArray,
    top: IntArray | None = None,
) -> Mesh:
    """The closed body between a face and its moved copy.

    ``old_facets`` (k, 3) ids into ``where``; ``moved`` (k, 3) ids into ``positions`` for the same
    corners; ``top``: other facets over the moved outline, where they are not ``moved`` itself.
    """
    piece = Mesh(where, old_facets)
    edges = mesh_edges(piece)
    inner = np.zeros((len(old_facets), 3), dtype=bool)
    inner[edges.facets[:, 0], edges.slots[:, 0]] = True
    inner[edges.facets[:, 1], edges.slots[:, 1]] = True
    row, slot = np.nonzero(~inner)
    shift = len(positions)
    old = piece.faces + shift
    a0, b0 = moved[row, slot], moved[row, (slot + 1) % 3]
    a1, b1 = old[row, slot], old[row, (slot + 1) % 3]
    walls = closed_between(a0, b0, a1, b1)
    every = np.concatenate([moved if top is None else top, old[:, ::-1], walls])
    used, inverse = np.unique(every, return_inverse=True)
    return Mesh(np.concatenate([positions, where])[used], inverse.reshape(-1, 3))


def _solid(mesh: Mesh) -> Solid | None:
    """The swept body as a solid; None where the kernel cannot take it."""
    try:
        return Solid.from_mesh(mesh, "building what a moved face sweeps over")
    except KernelFault:
        return None


def require_clear(part: Mesh, swept: list[tuple[Face, float, Mesh]]) -> None:
    """Raise GeometryFault where a moved face runs into the part or into another moved face."""
    bodies: list[tuple[Face, float, Solid]] = []
    for face, amount, body in swept:
        solid = _solid(body)
        if solid is None:
            raise GeometryFault(
                f"'{face.name}' at {format_point(list(face.point))} cannot be moved by "
                f"{format_mm(amount)}: the moved face folds over itself; "
                "give less stock there or choose its neighbours too.",
                where=face.point,
            )
        bodies.append((face, amount, solid))
    total = 0.0
    whole = Solid.from_mesh(part, "building the part")
    for face, amount, solid in bodies:
        _refuse_overlap(face, amount, solid & whole, solid.volume, "the part itself")
        total += solid.volume
    if len(bodies) > 1:
        united = union_all([s for _, _, s in bodies])
        if total - united.volume > _SHARE * total + 1e-6:
            _name_pair(bodies)


def _refuse_overlap(face: Face, amount: float, common: Solid, swept: float, what: str) -> None:
    if common.is_empty or common.volume <= _SHARE * swept + 1e-6:
        return
    place = common.bounds.mean(axis=0)
    raise GeometryFault(
        f"'{face.name}' moved by {format_mm(amount)} runs into {what} near "
        f"{format_point(list(place))} ({common.volume:.3f} mm3); give less stock there.",
        where=tuple(place),
    )


def _name_pair(bodies: list[tuple[Face, float, Solid]]) -> None:
    for i, (face, amount, solid) in enumerate(bodies):
        for other, _, body in bodies[i + 1 :]:
            if (solid.bounds[0] > body.bounds[1]).any() or (solid.bounds[1] < body.bounds[0]).any():
                continue
            common = solid & body
            smaller = min(solid.volume, body.volume)
            _refuse_overlap(face, amount, common, smaller, f"the stock of '{other.name}'")
