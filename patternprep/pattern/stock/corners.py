"""Where each corner of a moved face goes.

At a vertex several faces meet. Each face there gets its own copy of the vertex, solved so that
it lies on the moved surface of every chosen face and on the unmoved surface of every other face
at the vertex (least norm where these are fewer than three). Faces that run into each other
smoothly but move differently cannot share a copy: between their copies a step is built.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from patternprep.mesh.faces import Face, FaceSet, Surface
from patternprep.mesh.faces.topology import edges_among
from patternprep.mesh.mesh import FloatArray, IntArray

__all__ = ["TANGENT_DEG", "Corners", "solve_corners", "surface_shift"]

BoolArray = npt.NDArray[np.bool_]

TANGENT_DEG = 25.0
"""Faces whose normals at a vertex differ by less run into each other smoothly."""
_HOLD = 1e-3
"""Weight of keeping a vertex in its own plane through the axis of a round face."""


def surface_shift(face: Face, amount: float) -> float:
    """Change of the surface's signed distance when the face moves out of the material."""
    return amount if face.outward else -amount


@dataclass(frozen=True, eq=False)
class Corners:
    """Solved copies: one for each pair of a vertex and a face that meets there.

    ``vertex`` and ``face`` (p,) ascending by vertex, then face; ``position`` (p, 3);
    ``residual`` (p,) mm by which the copy misses the surfaces it was to lie on.
    """

    vertex: IntArray
    face: IntArray
    position: FloatArray
    residual: FloatArray


@dataclass(frozen=True, eq=False)
class _Pairs:
    """Pairs of vertex and face with the face's normal there; ``free`` faces have a local plane."""

    vertex: IntArray
    face: IntArray
    normal: FloatArray
    known: BoolArray
    beside: BoolArray
    """Is the face chosen, or does it share an edge at the vertex with one that is?"""


def _pairs(faces: FaceSet, chosen: IntArray) -> _Pairs:
    """All (vertex, face) pairs at the vertices of the chosen faces."""
    mesh = faces.mesh
    at = np.zeros(len(mesh.vertices), dtype=bool)
    at[mesh.faces[np.isin(faces.face_of_facet, chosen)]] = True
    facet, corner = np.nonzero(at[mesh.faces])
    vertex = mesh.faces[facet, corner]
    face = faces.face_of_facet[facet]
    key = vertex * np.int64(len(faces) + 1) + face
    unique, inverse = np.unique(key, return_inverse=True)
    vertex, face = unique // (len(faces) + 1), unique % (len(faces) + 1)
    summed = np.stack(
        [np.bincount(inverse, mesh.cross[facet, k], len(unique)) for k in range(3)], axis=1
    )
    size = np.linalg.norm(summed, axis=1)
    noise = 1e-10 * float(np.linalg.norm(mesh.size)) ** 2
    known = size > noise
    normal = summed / np.maximum(size, 1e-300)[:, None]
    for index, mine in _groups(face).items():
        surface = faces.faces[index].surface
        if surface is None:
            continue
        side = 1.0 if faces.faces[index].outward else -1.0
        normal[mine] = side * surface.normal(mesh.vertices[vertex[mine]])
        known[mine] = True
    return _Pairs(vertex, face, normal, known, _beside(faces, chosen, unique, np.unique(facet)))


def _beside(faces: FaceSet, chosen: IntArray, keys: IntArray, around: IntArray) -> BoolArray:
    """For sorted keys (vertex * (faces + 1) + face): chosen, or edge to edge with a chosen one.

    A face that touches a chosen one only in a corner keeps that corner. ``around``: the facets
    that touch chosen faces.
    """
    edges = edges_among(faces.mesh, around)
    stride = np.int64(len(faces) + 1)
    sides = faces.face_of_facet[edges.facets]
    is_chosen = np.zeros(len(faces), dtype=bool)
    is_chosen[chosen] = True
    beside = is_chosen[keys % stride]
    for column in (0, 1):
        rim = (sides[:, 0] != sides[:, 1]) & is_chosen[sides[:, 1 - column]]
        ends = edges.ends[rim] * stride + sides[rim, column][:, None]
        beside |= np.isin(keys, ends.ravel())
    return np.asarray(beside)


def _rows(pairs: _Pairs, moves: FloatArray) -> tuple[IntArray, IntArray]:
    """For each pair the pairs (rows) whose surfaces its copy must lie on, -1 padded.

    Also the place of each vertex' first pair.
    """
    starts = np.searchsorted(pairs.vertex, pairs.vertex, side="left")
    ends = np.searchsorted(pairs.vertex, pairs.vertex, side="right")
    widest = int((ends - starts).max())
    rows = starts[:, None] + np.arange(widest)[None, :]
    rows = np.where(rows < ends[:, None], rows, -1)
    move = moves[pairs.face]
    there = rows >= 0
    other = np.maximum(rows, 0)
    near = np.cos(np.radians(TANGENT_DEG))
    mine = np.arange(len(pairs.vertex))[:, None]
    alike = np.einsum("ij,ikj->ik", pairs.normal, pairs.normal[other]) > near
    clash = alike & (np.abs(move[:, None] - move[other]) > 1e-12) & (other != mine)
    keep = there & ~clash & pairs.known[other] & pairs.beside[other]
    keep |= there & (other == mine)
    # among the others an unmoved face gives way to a moved one that it runs into smoothly
    for k in range(widest):
        moved = keep[:, k] & (move[other[:, k]] != 0.0)
        smooth = (
            np.einsum("ij,ikj->ik", pairs.normal[other[:, k]], pairs.normal[other]) > near
        ) & (move[other] == 0.0)
        keep &= ~(moved[:, None] & smooth & (other != mine))
    keep &= pairs.beside[:, None]
    return np.where(keep, rows, -1), starts


def solve_corners(faces: FaceSet, amounts: dict[int, float]) -> Corners:
    """Copies of the vertices of the chosen faces (index in ``faces`` -> amount in mm)."""
    mesh = faces.mesh
    chosen = np.array(sorted(amounts), dtype=np.int64)
    pairs = _pairs(faces, chosen)
    moves = np.zeros(len(faces))
    for index, amount in amounts.items():
        moves[index] = amount
    rows, _ = _rows(pairs, moves)
    there = rows >= 0
    other = np.maximum(rows, 0)
    moved = (there & (moves[pairs.face[other]] != 0.0)).any(axis=1)
    start = mesh.vertices[pairs.vertex]
    position = start.copy()
    residual = np.zeros(len(start))
    # a face without a direction of its own (needles only) follows a moved one
    todo = np.flatnonzero(moved)
    if len(todo):
        system = _System(faces, pairs, moves, rows[todo], start[todo])
        position[todo], residual[todo] = system.solve()
    for lost in np.flatnonzero(~pairs.known):
        same = np.flatnonzero((pairs.vertex == pairs.vertex[lost]) & (moves[pairs.face] != 0.0))
        if len(same):
            position[lost] = position[same[0]]
            residual[lost] = 0.0
    return Corners(pairs.vertex, pairs.face, position, residual)


class _System:
    """Newton's method on the distances to the surfaces, all vertices at once."""

    def __init__(
        self, faces: FaceSet, pairs: _Pairs, moves: FloatArray, rows: IntArray, start: FloatArray
    ) -> None:
        self.faces = faces
        self.there = rows >= 0
        other = np.maximum(rows, 0)
        self.start = start
        self.face = np.where(self.there, pairs.face[other], -1)
        self.local = pairs.normal[other]
        self.groups = _groups(self.face)
        base = np.repeat(start[:, None, :], rows.shape[1], axis=1)
        distance, _ = self.evaluate(base)
        shift = np.zeros_like(distance)
        for index, here in self.groups.items():
            face = faces.faces[index]
            step = surface_shift(face, float(moves[index]))
            surface = face.surface
            if face.kind == "free" or surface is None:
                step = float(moves[index])
            curve = 0.0
            if surface is not None and surface.kind in ("cylinder", "sphere", "torus"):
                curve = 1.0 / surface.curvature_radius
            # vertices on a chord keep their share of the radius
            shift.flat[here] = step * (1.0 + curve * distance.flat[here])
        self.target = distance + shift
        self.hold = self._holds(moves)

    def evaluate(self, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Distances (n, k) and gradients (n, k, 3) of each row's surface at points (n, k, 3)."""
        distance = np.einsum("ikj,ikj->ik", points - self.start[:, None, :], self.local)
        gradient = self.local.copy()
        flat = points.reshape(-1, 3)
        slopes = gradient.reshape(-1, 3)
        for index, here in self.groups.items():
            surface = self.faces.faces[index].surface
            if surface is None:
                continue
            distance.flat[here] = surface.distance(flat[here])
            slopes[here] = surface.normal(flat[here])
        distance[~self.there] = 0.0
        gradient[~self.there] = 0.0
        return distance, gradient

    def _holds(self, moves: FloatArray) -> FloatArray:
        """For vertices on just two surfaces, one of them round: the direction about its axis."""
        hold = np.zeros_like(self.start)
        two = self.there.sum(axis=1) == 2
        for wanted in (False, True):
            for index, here in self.groups.items():
                surface = self.faces.faces[index].surface
                if surface is None or surface.kind not in ("cylinder", "cone", "torus"):
                    continue
                if (moves[index] != 0.0) != wanted:
                    continue
                row = here // self.face.shape[1]
                row = row[two[row]]
                hold[row] = _about(surface, self.start[row])
        return hold

    def solve(self) -> tuple[FloatArray, FloatArray]:
        """(positions, largest miss of a row for each vertex)."""
        count = self.there.sum(axis=1)
        x = self.start.copy()
        for _ in range(12):
            distance, gradient = self.evaluate(np.repeat(x[:, None, :], self.face.shape[1], axis=1))
            miss = self.target - distance
            miss[~self.there] = 0.0
            if float(np.abs(miss).max()) < 1e-11:
                break
            single = np.flatnonzero(count == 1)
            if len(single):
                k = np.argmax(self.there[single], axis=1)
                g = gradient[single, k]
                size = np.maximum(np.einsum("ij,ij->i", g, g), 1e-12)
                x[single] += (miss[single, k] / size)[:, None] * g
            several = np.flatnonzero(count > 1)
            if len(several):
                matrix = np.concatenate(
                    [gradient[several], _HOLD * self.hold[several][:, None, :]], axis=1
                )
                drift = np.einsum("ij,ij->i", self.hold[several], x[several] - self.start[several])
                right = np.concatenate([miss[several], -_HOLD * drift[:, None]], axis=1)
                inverse = np.linalg.pinv(matrix, rcond=1e-5)
                x[several] += np.einsum("ijk,ik->ij", inverse, right)
        distance, _ = self.evaluate(np.repeat(x[:, None, :], self.face.shape[1], axis=1))
        miss = np.where(self.there, np.abs(self.target - distance), 0.0)
        return x, miss.max(axis=1)


def _groups(face: IntArray) -> dict[int, IntArray]:
    """Flat places of each face's index in an array where -1 stands for none."""
    flat = face.ravel()
    order = np.argsort(flat, kind="stable")
    order = order[flat[order] >= 0]
    cuts = np.flatnonzero(np.diff(flat[order])) + 1
    return {int(flat[part[0]]): part for part in np.split(order, cuts) if len(part)}


def _about(surface: Surface, points: FloatArray) -> FloatArray:
    """Unit direction about the surface's axis at each point."""
    _, _, radial = surface.split(points)
    return np.cross(surface.axis, radial)
