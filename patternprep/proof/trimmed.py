"""Where a neighbour trims the stock of a face: metal beyond the neighbour's plane is not asked for.

A stocked face moves while the faces beside it stay in their planes (or move by their own stock).
Along a sharp edge at which the neighbour leans in over the face, a point near the edge comes out
beyond the neighbour when it moves along its own normal: the mouth of a keyway in a stocked bore,
the foot of a taper. There the neighbour bounds the metal.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.proof.faces import StockedFace
from patternprep.proof.sound import partners_of

__all__ = ["trimmed"]

_SHARP_COSINE = float(np.cos(np.radians(25.0)))
_LEAST_LEAN = 1e-3
_BEYOND_MM = 1e-6
_CURVED = 0.05
"""Share of the stock by which the curve of a round face may carry the lean further."""
_AT_ONCE = 2_000_000


def trimmed(
    part: Mesh,
    faces: tuple[StockedFace, ...],
    face: StockedFace,
    points: FloatArray,
    moved: FloatArray,
) -> npt.NDArray[np.bool_]:
    """Which points (n, 3) of a face come out beyond a neighbour's own plane when moved, (n,).

    All in part axes. Only sharp convex edges of the face count, and of these only what lies no
    further from the point than the neighbour's lean can reach.
    """
    found = np.zeros(len(points), dtype=bool)
    edges = _Rim(part, faces, face)
    step = max(_AT_ONCE // max(len(edges.start), 1), 1)
    for first in range(0, len(points) if len(edges.start) else 0, step):
        some = slice(first, first + step)
        found[some] = edges.beyond(points[some], moved[some], face.amount_mm)
    return found


class _Rim:
    """Sharp convex edges of a face at which the neighbour leans in over it."""

    def __init__(self, part: Mesh, faces: tuple[StockedFace, ...], face: StockedFace) -> None:
        partner = partners_of(part)
        mine = np.zeros(part.facets, dtype=bool)
        mine[face.facets] = True
        own = np.repeat(face.facets, 3)
        corner = np.tile(np.arange(3), len(face.facets))
        other = partner[3 * own + corner]
        rim = (other >= 0) & ~mine[np.maximum(other, 0)]
        own, corner, other = own[rim], corner[rim], other[rim]
        start = part.vertices[part.faces[own, corner]]
        end = part.vertices[part.faces[own, (corner + 1) % 3]]
        apex = part.vertices[part.faces[own, (corner + 2) % 3]]
        normal = part.normals[other]
        lean = np.einsum("ij,ij->i", part.normals[own], normal)
        convex = np.einsum("ij,ij->i", apex - start, normal) < 0.0
        keep = convex & (lean < _SHARP_COSINE) & (lean > _LEAST_LEAN)
        shift = np.zeros(part.facets)
        for one in faces:
            shift[one.facets] = one.amount_mm
        self.start, self.end, self.normal = start[keep], end[keep], normal[keep]
        self.shift = shift[other[keep]]
        lean = lean[keep]
        self.reach = lean / np.sqrt(1.0 - lean**2)

    def beyond(self, points: FloatArray, moved: FloatArray, amount: float) -> npt.NDArray[np.bool_]:
        """Which points come out beyond one of the neighbours, (n,)."""
        run = self.end - self.start
        square = np.maximum((run * run).sum(axis=1), 1e-300)
        away = points[:, None] - self.start
        share = (np.einsum("nkj,kj->nk", away, run) / square).clip(0.0, 1.0)
        gap = np.linalg.norm(away - share[..., None] * run, axis=2)
        out = np.einsum("nkj,kj->nk", moved[:, None] - self.start, self.normal)
        near = gap <= 1.1 * amount * self.reach + _CURVED * amount
        return np.asarray((near & (out > self.shift + _BEYOND_MM)).any(axis=1))
