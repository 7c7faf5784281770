"""What a moving face sweeps over, and whether it meets metal or another moved face there."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from patternprep.errors import GeometryFault, KernelFault
from patternprep.mesh.faces import Face
from patternprep.mesh.faces.depth import facet_boxes
from patternprep.mesh.faces.topology import mesh_edges
from patternprep.mesh.kernel import Solid, union_all
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.pattern.stock.weave import closed_between
from patternprep.units import format_mm, format_point

__all__ = ["refuse_overlap", "require_clear", "solid_of", "swept_mesh"]

BoolArray = npt.NDArray[np.bool_]

_TOUCH_MM = 1e-6
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


def solid_of(mesh: Mesh) -> Solid | None:
    """The swept body as a solid; None where the kernel cannot take it."""
    try:
        return Solid.from_mesh(mesh, "building what a moved face sweeps over")
    except KernelFault:
        return None


def require_clear(part: Mesh, swept: list[tuple[Face, float, Mesh]]) -> None:
    """Raise GeometryFault where a moved face runs into the part or into another moved face."""
    bodies: list[tuple[Face, float, Solid]] = []
    for face, amount, body in swept:
        solid = solid_of(body)
        if solid is None:
            raise GeometryFault(
                f"'{face.name}' at {format_point(list(face.point))} cannot be moved by "
                f"{format_mm(amount)}: the moved face folds over itself; "
                "give less stock there or choose its neighbours too.",
                where=face.point,
            )
        bodies.append((face, amount, solid))
    low = np.array([s.bounds[0] for _, _, s in bodies])
    high = np.array([s.bounds[1] for _, _, s in bodies])
    meets: BoolArray = np.all(low[:, None] < high[None] - _TOUCH_MM, axis=2)
    meets &= np.all(high[:, None] > low[None] + _TOUCH_MM, axis=2)
    for i, j in np.argwhere(np.triu(meets, 1)):
        # neighbours share the corners that were solved for both: they meet in a mitre
        if np.intersect1d(part.faces[bodies[i][0].facets], part.faces[bodies[j][0].facets]).size:
            meets[i, j] = meets[j, i] = False
    if meets.sum() > len(bodies):
        united = union_all([s for _, _, s in bodies])
        total = sum(s.volume for _, _, s in bodies)
        if total - united.volume > _SHARE * total + 1e-6:
            _name_pair(bodies)
    suspect = [
        body
        for body, lowest, highest in zip(bodies, low, high, strict=True)
        if _others_near(part, body[0], lowest, highest)
    ]
    if suspect:
        whole = Solid.from_mesh(part, "building the part")
        for face, amount, solid in suspect:
            refuse_overlap(face, amount, solid & whole, _SHARE * solid.volume, "metal")


def _others_near(part: Mesh, face: Face, low: FloatArray, high: FloatArray) -> bool:
    """Does any facet that does not touch the face come into a box?"""
    lowest, highest = facet_boxes(part)
    near: BoolArray = np.all((lowest < high - _TOUCH_MM) & (highest > low + _TOUCH_MM), axis=1)
    mine = np.zeros(len(part.vertices), dtype=bool)
    mine[part.faces[face.facets]] = True
    near[face.facets] = False
    return bool((~mine[part.faces[near]].any(axis=1)).any())


def refuse_overlap(face: Face, amount: float, common: Solid, most: float, what: str) -> None:
    """Raise GeometryFault, with the place, where more than the most (mm3) is in common."""
    if common.is_empty or common.volume <= most + 1e-6:
        return
    corners = common.to_mesh()
    place = corners.triangles[int(np.argmax(corners.areas))].mean(axis=0)
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
            refuse_overlap(face, amount, common, _SHARE * smaller, f"the stock of '{other.name}'")
