"""The facets of a stocked face, found again on the part from a point and what the face is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.proof.files import Figures, Kit
from patternprep.proof.sound import groups, partners_of
from patternprep.proof.tree import FacetTree

__all__ = ["StockedFace", "stocked_faces"]

_FLAT_SHARE = 1e-6
_FLAT_COSINE = float(np.cos(np.radians(0.4)))
_ROUND_COSINE = float(np.cos(np.radians(30.0)))
_NEAR_MM = 0.05


@dataclass(frozen=True, eq=False)
class StockedFace:
    """One face that gets metal, in part axes: its facets and how its points move."""

    name: str
    kind: str
    amount_mm: float
    point: FloatArray
    normal: FloatArray
    facets: IntArray
    axis_point: FloatArray | None
    axis: FloatArray | None
    radius_mm: float
    hollow: bool
    """True for a cylinder with the metal outside it (a bore)."""

    @property
    def known(self) -> bool:
        """True for planes and cylinders: the proof can find and move these by itself."""
        return self.kind == "plane" or self.axis is not None

    def moves(self, points: FloatArray, normals: FloatArray) -> FloatArray:
        """How points (n, 3) of the face move, out of the metal, mm.

        A point inside a chord of a faceted cylinder moves less than its corners, as the facet
        itself does.
        """
        if self.axis is None or self.axis_point is None:
            return self.amount_mm * normals
        arm = points - self.axis_point
        arm = arm - (arm @ self.axis)[:, None] * self.axis
        sign = -1.0 if self.hollow else 1.0
        return sign * self.amount_mm / max(self.radius_mm, 1e-9) * arm

    def off(
        self, start: FloatArray, points: FloatArray, amount: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """(normals (n, 3) of a cylinder at points, how far short these lie (n,)), mm.

        ``start``: where the points came from; ``amount``: how far they were to come out there.
        """
        axis, axis_point = self.axis, self.axis_point
        if axis is None or axis_point is None:
            return np.broadcast_to(self.normal, points.shape), np.zeros(len(points))
        arms = []
        for some in (start, points):
            arm = some - axis_point
            arms.append(arm - (arm @ axis)[:, None] * axis)
        before, here = (np.linalg.norm(arm, axis=1) for arm in arms)
        sign = -1.0 if self.hollow else 1.0
        out = sign * arms[1] / np.maximum(here, 1e-300)[:, None]
        return out, amount - sign * (here - before)


def stocked_faces(kit: Kit) -> tuple[StockedFace, ...]:
    """All faces that figures.json says got stock; FileFault where a row cannot be read."""
    rows = kit.figures.tables("stock.faces")
    if not rows:
        return ()
    part = kit.part
    partner = partners_of(part)
    tree = FacetTree(part.triangles)
    return tuple(_face(part, partner, tree, row, i) for i, row in enumerate(rows))


def _face(part: Mesh, partner: IntArray, tree: FacetTree, row: Figures, number: int) -> StockedFace:
    kind = row.text("kind")
    point = row.array("point", (3,))
    amount = row.number("amount_mm")
    name = row.text("name", f"face {number + 1}")
    size = float(part.size.max())
    _, seed = tree.distance(point[None], max(_NEAR_MM, 1e-4 * size))
    given = row.look("normal", None)
    normal = row.array("normal", (3,)) if given is not None else part.normals[max(int(seed[0]), 0)]
    normal = normal / max(float(np.linalg.norm(normal)), 1e-300)
    axis_point = axis = None
    radius, hollow = 0.0, False
    if kind in ("bore", "boss", "arc"):
        axis_point, axis = row.array("axis_point", (3,)), row.array("axis", (3,))
        axis = axis / max(float(np.linalg.norm(axis)), 1e-300)
        radius = row.number("radius_mm")
        arm = point - axis_point
        hollow = float(normal @ (arm - (arm @ axis) * axis)) < 0.0
    like = np.zeros(0, dtype=np.int64)
    if seed[0] >= 0 and axis is not None and axis_point is not None:
        like = _on_cylinder(part, hollow, axis_point, axis, radius)
    elif seed[0] >= 0 and kind == "plane":
        like = _on_plane(part, point, normal)
    facets = _joined(part, partner, like, point)
    return StockedFace(name, kind, amount, point, normal, facets, axis_point, axis, radius, hollow)


def _on_plane(part: Mesh, point: FloatArray, normal: FloatArray) -> IntArray:
    tolerance = max(1e-4, _FLAT_SHARE * float(part.size.max()))
    near = np.abs((part.vertices - point) @ normal) <= tolerance
    on = near[part.faces].all(axis=1) & (part.normals @ normal >= _FLAT_COSINE)
    return np.flatnonzero(on)


def _on_cylinder(
    part: Mesh, hollow: bool, axis_point: FloatArray, axis: FloatArray, radius: float
) -> IntArray:
    tolerance = max(0.025, 1e-3 * radius)
    arm = part.vertices - axis_point
    arm = arm - (arm @ axis)[:, None] * axis
    near = np.abs(np.linalg.norm(arm, axis=1) - radius) <= tolerance
    on = near[part.faces].all(axis=1)
    facets = np.flatnonzero(on)
    out = arm[part.faces[facets]].mean(axis=1)
    out /= np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-300)
    along = (part.normals[facets] * out).sum(axis=1) * (-1.0 if hollow else 1.0)
    return facets[along >= _ROUND_COSINE]


def _joined(part: Mesh, partner: IntArray, like: IntArray, point: FloatArray) -> IntArray:
    """Those of the facets that hang together with the one nearest to the point."""
    if not len(like):
        return like
    number = np.full(part.facets, -1, dtype=np.int64)
    number[like] = np.arange(len(like))
    across = partner.reshape(-1, 3)[like]
    owner, corner = np.nonzero((across >= 0) & (number[np.maximum(across, 0)] >= 0))
    label = groups(len(like), owner, number[across[owner, corner]])
    _, seed = FacetTree(part.triangles[like]).distance(point[None], np.inf)
    return like[label == label[int(seed[0])]]


def amounts(faces: Sequence[StockedFace]) -> float:
    """The largest amount of all, mm."""
    return max([0.0, *(face.amount_mm for face in faces)])
