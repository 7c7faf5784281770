"""Narrow rounds and sharp edges between two faces that both get stock: the metal in the corner.

A small round between two machined faces is machined away with them. Convex, it moves along; where
that cannot be solved, and in a hollow corner tighter than the stock, the corner is filled by the
hulls of its facets and what they become.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from patternprep.mesh.faces import FaceSet
from patternprep.mesh.faces.topology import Edges, mesh_edges, sum_by
from patternprep.mesh.kernel import Solid, hull_of_points, union_all
from patternprep.mesh.mesh import FloatArray, IntArray
from patternprep.mesh.topology import components
from patternprep.pattern.stock.corners import TANGENT_DEG

__all__ = ["Round", "edge_bars", "round_fill", "rounds_between"]

BoolArray = npt.NDArray[np.bool_]

_WIDTH = 2.0
"""A round is narrow when its mean width is below this times the stock."""
_MOST_FACETS = 20_000
"""Rounds of more facets are left alone."""


@dataclass(frozen=True, eq=False)
class Round:
    """Faces (by index) that run smoothly from one chosen face to another; ``sides``: those."""

    faces: tuple[int, ...]
    sides: tuple[int, ...]
    amount: float
    convex: bool
    facets: IntArray


def rounds_between(faces: FaceSet, amounts: dict[int, float]) -> list[Round]:
    """Narrow rounds between chosen faces; convex ones only where these get the same amount."""
    if len(amounts) < 2:
        return []
    mesh, of = faces.mesh, faces.face_of_facet
    edges = mesh_edges(mesh)
    count = len(faces)
    chosen = np.zeros(count, dtype=bool)
    chosen[list(amounts)] = True
    area = sum_by(of, mesh.areas, count)
    first, second = of[edges.facets[:, 0]], of[edges.facets[:, 1]]
    border = first != second
    rim = np.bincount(first[border], edges.length[border], count)
    rim += np.bincount(second[border], edges.length[border], count)
    narrow = ~chosen & (2.0 * area <= _WIDTH * max(amounts.values()) * rim)
    smooth = border & (edges.angle < TANGENT_DEG)
    inside = smooth & narrow[first] & narrow[second]
    _, group = components(count, first[inside], second[inside])
    touch = smooth & (narrow[first] ^ narrow[second]) & (chosen[first] | chosen[second])
    side = np.where(chosen[first], first, second)[touch]
    label = group[np.where(chosen[first], second, first)[touch]]
    found: list[Round] = []
    for wanted in np.unique(label):
        sides = tuple(int(s) for s in np.unique(side[label == wanted]))
        given = [amounts[s] for s in sides]
        members = np.flatnonzero((group == wanted) & narrow)
        facets = np.flatnonzero(np.isin(of, members))
        if len(sides) < 2 or len(facets) > _MOST_FACETS:
            continue
        width = 2.0 * area[members].sum() / max(_outline(edges, of, members), 1e-300)
        if width > _WIDTH * max(given):
            continue
        here = smooth & np.isin(first, [*members, *sides]) & np.isin(second, [*members, *sides])
        turn = np.where(edges.convex[here], 1.0, -1.0) * edges.angle[here] * edges.length[here]
        convex = bool(turn.sum() > 0.0)
        if convex and max(given) - min(given) > 1e-9:
            continue
        found.append(Round(tuple(members.tolist()), sides, min(given), convex, facets))
    return found


def _outline(edges: Edges, of: IntArray, members: IntArray) -> float:
    """Length of the rim of some faces together, mm."""
    mine = np.isin(of[edges.facets], members)
    return float(edges.length[mine[:, 0] != mine[:, 1]].sum())


def round_fill(faces: FaceSet, round_: Round) -> Solid:
    """The metal over a round, between the steps on which the faces beside it stand."""
    mesh = faces.mesh
    if not round_.convex:
        return union_all([_own_body(faces, int(facet), round_.amount) for facet in round_.facets])
    moved = _moved_corners(faces, round_)
    bodies = []
    for facet in round_.facets:
        points = [mesh.triangles[facet], *(moved[int(v)] for v in mesh.faces[facet])]
        bodies.append(hull_of_points(np.concatenate(points)))
    return union_all(bodies)


def _own_body(faces: FaceSet, facet: int, amount: float) -> Solid:
    """What a facet of a hollow round sweeps over; beyond the round's middle that is stock."""
    mesh, face = faces.mesh, faces.faces[faces.face_of_facet[facet]]
    corners = mesh.triangles[facet]
    normal = np.broadcast_to(mesh.normals[facet], corners.shape)
    if face.surface is not None:
        normal = face.surface.normal(corners) * (1.0 if face.outward else -1.0)
    return hull_of_points(np.concatenate([corners, corners + amount * normal]))


def _moved_corners(faces: FaceSet, round_: Round) -> dict[int, FloatArray]:
    """For each vertex of a round where the faces there carry it (k, 3)."""
    mesh, of = faces.mesh, faces.face_of_facet
    at = np.zeros(len(mesh.vertices), dtype=bool)
    at[mesh.faces[round_.facets]] = True
    around = np.flatnonzero(at[mesh.faces].any(axis=1))
    around = around[np.isin(of[around], [*round_.faces, *round_.sides])]
    moved: dict[int, list[FloatArray]] = {}
    facet, corner = np.nonzero(at[mesh.faces[around]])
    vertex = mesh.faces[around[facet], corner]
    face = of[around[facet]]
    for v, f in np.unique(np.stack([vertex, face], axis=1), axis=0).tolist():
        place = mesh.vertices[v][None]
        surface = faces.faces[f].surface
        normal = mesh.cross[around[facet[(vertex == v) & (face == f)]]].sum(axis=0)[None]
        if surface is not None:
            normal = surface.normal(place) * (1.0 if faces.faces[f].outward else -1.0)
        size = float(np.linalg.norm(normal))
        if size > 0.0:
            moved.setdefault(v, []).append(place + round_.amount * normal / size)
    return {
        v: np.concatenate(moved.get(v, [mesh.vertices[v][None]]))
        for v in np.unique(vertex).tolist()
    }


def edge_bars(faces: FaceSet, stepped: dict[int, float]) -> list[Solid]:
    """Bars along sharp convex edges between two faces that both stand on straight steps."""
    if len(stepped) < 2:
        return []
    mesh, of = faces.mesh, faces.face_of_facet
    edges = mesh_edges(mesh)
    sides = of[edges.facets]
    some = np.isin(sides, list(stepped)).all(axis=1) & (sides[:, 0] != sides[:, 1])
    some &= edges.convex & (edges.angle > 0.5)
    bars = []
    for number in np.flatnonzero(some):
        ends = mesh.vertices[edges.ends[number]]
        carried, points = [], [ends]
        for index in sides[number].tolist():
            face = faces.faces[index]
            if face.surface is None:
                break
            normal = face.surface.normal(ends) * (1.0 if face.outward else -1.0)
            carried.append((normal, stepped[index]))
            points.append(ends + stepped[index] * normal)
        if len(carried) < 2:
            continue
        corner = _mitre(carried)
        if np.abs(corner).max() <= 2.0 * max(d for _, d in carried):
            points.append(ends + corner)
        bars.append(hull_of_points(np.concatenate(points)))
    return bars


def _mitre(carried: list[tuple[FloatArray, float]]) -> FloatArray:
    """Shortest steps (k, 3) that go each amount along each of two normals (k, 3)."""
    (n1, d1), (n2, d2) = carried
    cosine = np.einsum("ij,ij->i", n1, n2)
    square = np.maximum(1.0 - cosine**2, 1e-6)
    a, b = (d1 - d2 * cosine) / square, (d2 - d1 * cosine) / square
    return np.asarray(a[:, None] * n1 + b[:, None] * n2)
