"""The part with its stock, built again from the part and the list of stocked faces.

Each corner of a stocked face moves so that every face at it moves by its own amount: the stocked
ones by theirs, the others by nothing. Exact on parts with sharp edges; where a stocked face runs
out in a tangent fillet it is near enough for an upper bound.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.proof.faces import StockedFace
from patternprep.proof.plan import expand
from patternprep.proof.tree import FacetTree

__all__ = ["rounds_between", "stock_bodies", "stocked_part"]


_CORNER = 1.5
"""A corner between two faces moved by the same amount stands off by 1.42 of it, and a little."""

_TURNS = 6
_SAME_COSINE = float(np.cos(np.radians(25.0)))


def stocked_part(part: Mesh, faces: Sequence[StockedFace]) -> Mesh:
    """The part, part axes and finished size, with its stocked faces moved outward."""
    faces = [face for face in faces if len(face.facets) and face.amount_mm != 0.0]
    if not faces:
        return part
    moving = np.unique(np.concatenate([part.faces[face.facets].ravel() for face in faces]))
    number = np.full(len(part.vertices), -1, dtype=np.int64)
    number[moving] = np.arange(len(moving))
    rows = _Constraints(len(moving))
    stocked = np.zeros(part.facets, dtype=bool)
    for face in faces:
        stocked[face.facets] = True
        corner = part.faces[face.facets].ravel()
        mean = np.zeros((len(part.vertices), 3))
        np.add.at(mean, corner, np.repeat(part.cross[face.facets], 3, axis=0))
        on = np.unique(corner)
        normal = mean[on] / np.maximum(np.linalg.norm(mean[on], axis=1, keepdims=True), 1e-300)
        move = face.moves(part.vertices[on], normal)
        amount = np.linalg.norm(move, axis=1)
        out = move / np.maximum(amount, 1e-300)[:, None]
        rows.add(number[on], out, amount, face)
    owner, normal = _still_facets(part, stocked, number)
    order = np.argsort(owner, kind="stable")
    owner, normal = owner[order], normal[order]
    first = np.flatnonzero(np.append(True, owner[1:] != owner[:-1])) if len(owner) else owner
    count = np.diff(np.append(first, len(owner)))
    for turn in range(int(count.max()) if len(count) else 0):
        at = first[count > turn] + turn
        rows.add(owner[at], normal[at], np.zeros(len(at)))
    moved = np.array(part.vertices)
    moved[moving] += rows.solve(part.vertices[moving])
    return Mesh(moved, part.faces)


def stock_bodies(part: Mesh, faces: Sequence[StockedFace]) -> FloatArray:
    """Surfaces of the metal that each stocked facet sweeps over as it moves, (k, 3, 3).

    They tell where metal may stand when a face is moved as it is, beside what moved corners give:
    along tangent fillets and at keyways that open into a bore.
    """
    found = [np.zeros((0, 3, 3))]
    for face in faces:
        if not len(face.facets):
            continue
        corners = part.triangles[face.facets]
        normals = np.repeat(part.normals[face.facets], 3, axis=0)
        if face.axis is None:
            normals = np.broadcast_to(face.normal, normals.shape)
        moves = face.moves(corners.reshape(-1, 3), normals).reshape(-1, 3, 3)
        moved = corners + moves
        found.append(moved)
        for i in range(3):
            a, b = corners[:, i], corners[:, (i + 1) % 3]
            a2, b2 = moved[:, i], moved[:, (i + 1) % 3]
            found += [np.stack([a, b, b2], axis=1), np.stack([a, b2, a2], axis=1)]
    return np.concatenate([*found, *rounds_between(part, faces)])


def rounds_between(part: Mesh, faces: Sequence[StockedFace]) -> list[FloatArray]:
    """Surfaces (k, 3, 3) that bound the metal over narrow rounds between two stocked faces.

    Such a round moves along with its faces, or is filled out to their corner, which stands off by
    up to half as much again as either.
    """
    stocked = np.zeros(part.facets, dtype=bool)
    for face in faces:
        stocked[face.facets] = True
    most = max((face.amount_mm for face in faces), default=0.0)
    if most <= 0.0 or len(faces) < 2:
        return []
    a, b, c = (part.triangles[:, i] for i in range(3))
    middle = (a + b + c) / 3.0
    near = np.zeros(part.facets, dtype=np.int64)
    around = []
    for face in faces:
        if len(face.facets):
            corners = part.triangles[face.facets].reshape(-1, 3)
            low, high = corners.min(axis=0) - 2.0 * most, corners.max(axis=0) + 2.0 * most
            inside = ~stocked
            for i in range(3):
                inside = inside & (middle[:, i] >= low[i]) & (middle[:, i] <= high[i])
            near += inside
            around.append((face.facets, np.flatnonzero(inside)))
    beside = np.zeros(part.facets, dtype=np.int64)
    for facets, at in around:
        at = at[near[at] >= 2]  # what lies near one face alone is none of these rounds
        if len(at):
            apart, _ = FacetTree(part.triangles[facets]).distance(middle[at], 2.0 * most)
            beside[at[apart < 2.0 * most]] += 1
    chosen = np.flatnonzero(beside >= 2)
    if not len(chosen):
        return []
    corner = part.faces[chosen]
    mean = np.zeros((len(part.vertices), 3))
    np.add.at(mean, corner.ravel(), np.repeat(part.cross[chosen], 3, axis=0))
    own = np.flatnonzero(stocked)
    rim = np.zeros_like(mean)  # where the round joins a stocked face it leaves no gap to it
    np.add.at(rim, part.faces[own].ravel(), np.repeat(part.cross[own], 3, axis=0))
    mean = np.where((rim != 0.0).any(axis=1, keepdims=True), rim, mean)
    mean /= np.maximum(np.linalg.norm(mean, axis=1, keepdims=True), 1e-300)
    bare = part.triangles[chosen]
    moved = bare + _CORNER * most * mean[corner]
    bodies = [moved]
    for i in range(3):
        a, b = bare[:, i], bare[:, (i + 1) % 3]
        a2, b2 = moved[:, i], moved[:, (i + 1) % 3]
        bodies += [np.stack([a, b, b2], axis=1), np.stack([a, b2, a2], axis=1)]
    return bodies


def _still_facets(
    part: Mesh, stocked: np.ndarray[tuple[int], np.dtype[np.bool_]], number: IntArray
) -> tuple[IntArray, FloatArray]:
    """(moving corner, normal) of the facets beside it that stay in their planes, largest first."""
    facet = np.flatnonzero(~stocked & (number[part.faces] >= 0).any(axis=1))
    facet = facet[np.argsort(-part.areas[facet], kind="stable")]
    owner, corner = expand(np.full(len(facet), 3, dtype=np.int64))
    which = number[part.faces[facet[owner], corner]]
    keep = (which >= 0) & (part.areas[facet[owner]] > 0.0)
    return which[keep], part.normals[facet[owner[keep]]]


class _Constraints:
    """Up to three planes for each corner that are not nearly the same; cylinders by tangents."""

    def __init__(self, corners: int) -> None:
        self.normal = np.zeros((corners, 3, 3))
        self.amount = np.zeros((corners, 3))
        self.used = np.zeros(corners, dtype=np.int64)
        self.round: list[tuple[StockedFace, IntArray, IntArray, FloatArray]] = []

    def add(
        self,
        corner: IntArray,
        normal: FloatArray,
        amount: FloatArray,
        face: StockedFace | None = None,
    ) -> None:
        """Take n . x = amount for each corner (each at most once) that has room for it."""
        alike = np.abs(np.einsum("ijk,ik->ij", self.normal[corner], normal)).max(axis=1)
        take = (self.used[corner] < 3) & (alike < _SAME_COSINE)
        corner, normal, amount = corner[take], normal[take], amount[take]
        slot = self.used[corner]
        self.normal[corner, slot] = normal
        self.amount[corner, slot] = amount
        self.used[corner] += 1
        if face is not None and face.axis is not None:
            self.round.append((face, corner, slot, amount))

    def solve(self, start: FloatArray) -> FloatArray:
        """The shortest move of each corner (corners, 3) that satisfies its planes.

        A corner that slides about a cylinder leaves its tangent plane there: the tangent is laid
        anew where it came to, until it stays.
        """
        move = self._shortest()
        for _ in range(_TURNS if self.round else 0):
            for face, corner, slot, amount in self.round:
                out, miss = face.off(start[corner], start[corner] + move[corner], amount)
                self.normal[corner, slot] = out
                self.amount[corner, slot] = (out * move[corner]).sum(axis=1) + miss
            move = self._shortest()
        return move

    def _shortest(self) -> FloatArray:
        return np.einsum("ijk,ik->ij", np.linalg.pinv(self.normal, rcond=0.05), self.amount)
