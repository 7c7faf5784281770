"""From groups of facets to named faces with their figures."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Protocol

import numpy as np

from patternprep.mesh.faces.depth import open_at_both_ends
from patternprep.mesh.faces.model import KINDS, Face, FaceSet, Vector
from patternprep.mesh.faces.order import by_size_and_place
from patternprep.mesh.faces.surface import Surface
from patternprep.mesh.faces.topology import Edges, distinct, facet_middles
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh

__all__ = ["FULL_TURN_MISSING_DEG", "described"]

FULL_TURN_MISSING_DEG = 60.0
"""A cylinder of which less is missing is a bore or a boss, else an arc."""


class Draft(Protocol):
    """A group of facets on one surface."""

    @property
    def facets(self) -> IntArray: ...
    @property
    def surface(self) -> Surface | None: ...
    @property
    def outward(self) -> bool: ...
    @property
    def residual(self) -> float: ...


def described(mesh: Mesh, edges: Edges, drafts: Sequence[Draft], noise: float) -> FaceSet:
    """Name and measure the drafts; largest first within each kind."""
    owner = np.full(mesh.facets, -1, dtype=np.int64)
    for index, draft in enumerate(drafts):
        owner[draft.facets] = index
    rims = _rims(edges, owner, len(drafts))
    scratch = np.zeros(len(mesh.vertices), dtype=np.int64)
    faces = [
        _face(mesh, draft, mesh.vertices[edges.ends[rims[index]]], scratch)
        for index, draft in enumerate(drafts)
    ]
    for index, face in enumerate(faces):
        if face.kind == "bore" and face.surface is not None:
            is_open = open_at_both_ends(mesh, edges, face, rims[index], noise)
            faces[index] = replace(face, through=is_open)
    named: list[Face] = []
    size = float(np.linalg.norm(mesh.size))
    for kind in KINDS:
        some = [f for f in faces if f.kind == kind]
        middles = np.array([_middle(mesh, f.facets) for f in some]).reshape(-1, 3)
        areas = np.array([f.area_mm2 for f in some])
        for number, index in enumerate(by_size_and_place(areas, middles, 1e-4 * size), start=1):
            named.append(replace(some[index], name=f"{kind} {number}"))
    face_of_facet = np.full(mesh.facets, -1, dtype=np.int64)
    for index, face in enumerate(named):
        face_of_facet[face.facets] = index
    return FaceSet(mesh, tuple(named), face_of_facet)


def _rims(edges: Edges, owner: IntArray, count: int) -> list[IntArray]:
    """Edge numbers on the rim of each draft."""
    sides = owner[edges.facets]
    rim = np.flatnonzero(sides[:, 0] != sides[:, 1])
    label = np.concatenate([sides[rim, 0], sides[rim, 1]])
    number = np.concatenate([rim, rim])
    order = np.argsort(label, kind="stable")
    label, number = label[order], number[order]
    starts = np.searchsorted(label, np.arange(count + 1))
    return [number[starts[i] : starts[i + 1]] for i in range(count)]


def _middle(mesh: Mesh, facets: IntArray) -> FloatArray:
    """Centre of area."""
    weights = mesh.areas[facets] + 1e-300
    return np.asarray((facet_middles(mesh)[facets] * weights[:, None]).sum(axis=0) / weights.sum())


def _tuple(vector: FloatArray) -> Vector:
    return (float(vector[0]), float(vector[1]), float(vector[2]))


def _inner_point(mesh: Mesh, facets: IntArray, rim: FloatArray) -> tuple[FloatArray, int]:
    """(a point on the face far from its rim, the facet it lies on).

    Candidates are the centres of the largest facets and the middles of their edges that are
    not on the rim; rim (k, 2, 3).
    """
    areas = mesh.areas[facets]
    best = facets[np.argsort(-areas, kind="stable")[:24]]
    corners = mesh.triangles[best]
    spots = np.concatenate(
        [corners.mean(axis=1), *((corners + corners[:, [1, 2, 0]]) / 2.0).transpose(1, 0, 2)]
    )
    from_facet = np.tile(best, 4)
    if not len(rim):
        return spots[0], int(from_facet[0])
    rim = rim[:: max(len(rim) // 600, 1)]
    start, along = rim[:, 0], rim[:, 1] - rim[:, 0]
    size = np.maximum(np.einsum("ij,ij->i", along, along), 1e-300)
    # |offset - share along|^2, multiplied out so that no array of vectors is needed
    spots_here, start = spots - spots[0], start - spots[0]
    dot = spots_here @ along.T - np.einsum("ij,ij->i", start, along)
    share = np.clip(dot / size, 0.0, 1.0)
    gap = np.einsum("ij,ij->i", spots_here, spots_here)[:, None] - 2.0 * spots_here @ start.T
    gap += np.einsum("ij,ij->i", start, start) - share * (2.0 * dot - share * size)
    clear = gap.min(axis=1)
    clear[: len(best)] *= 1.0 + 1e-6
    chosen = int(np.argmax(clear))
    return spots[chosen], int(from_facet[chosen])


def covered_degrees(mesh: Mesh, facets: IntArray, surface: Surface) -> float:
    """How much of a turn about the axis the facets cover, degrees."""
    height_axis = surface.axis
    least = int(np.argmin(np.abs(height_axis)))
    first = np.cross(height_axis, np.eye(3)[least])
    first /= np.linalg.norm(first)
    second = np.cross(height_axis, first)
    offset = mesh.triangles[facets] - surface.point
    angle = np.degrees(np.arctan2(offset @ second, offset @ first))
    middle = facet_middles(mesh)[facets] - surface.point
    base = np.degrees(np.arctan2(middle @ second, middle @ first))
    spread = (angle - base[:, None] + 180.0) % 360.0 - 180.0
    low = (base + spread.min(axis=1)) % 360.0
    width = np.minimum(np.ptp(spread, axis=1), 180.0)
    order = np.argsort(low, kind="stable")
    low, high = low[order], (low + width)[order]
    low = np.concatenate([low, low + 360.0])
    high = np.maximum.accumulate(np.concatenate([high, high + 360.0]))
    gaps = np.maximum(low[1:] - high[:-1], 0.0)
    start = len(order) - 1
    missing = float(gaps[start : start + len(order)][gaps[start : start + len(order)] > 1e-3].sum())
    return max(360.0 - missing, 0.0)


def _face(mesh: Mesh, draft: Draft, rim: FloatArray, scratch: IntArray) -> Face:
    """All figures of one face but its name and depth."""
    facets, surface = draft.facets, draft.surface
    point, facet = _inner_point(mesh, facets, rim)
    normal = mesh.normals[facet]
    face = Face(
        name="",
        kind="free",
        facets=facets,
        area_mm2=float(mesh.areas[facets].sum()),
        point=_tuple(point),
        normal=_tuple(normal),
        outward=draft.outward,
        residual_mm=draft.residual,
        surface=surface,
    )
    if surface is None:
        return face
    if surface.kind == "plane":
        return replace(face, kind="plane", normal=_tuple(surface.axis))
    if surface.kind == "sphere":
        return replace(
            face, kind="sphere", axis_point=_tuple(surface.point), radius_mm=surface.radius
        )
    vertices = mesh.vertices[distinct(mesh.faces[facets], scratch)]
    axis = surface.axis * _sign(surface.axis)
    heights = (vertices - surface.point) @ axis
    turn = covered_degrees(mesh, facets, surface)
    if surface.kind == "torus":
        return replace(
            face,
            kind="torus",
            axis_point=_tuple(surface.point),
            axis=_tuple(axis),
            radius_mm=surface.radius,
            second_radius_mm=surface.second,
            turn_deg=turn,
        )
    centre = surface.point + axis * float(heights.min() + heights.max()) / 2.0
    length = float(np.ptp(heights))
    face = replace(
        face, axis_point=_tuple(centre), axis=_tuple(axis), length_mm=length, turn_deg=turn
    )
    if surface.kind == "cone":
        along = (vertices - surface.point) @ surface.axis
        ends = surface.radius + surface.second * np.array([along.min(), along.max()])
        return replace(
            face,
            kind="cone",
            radius_mm=float(np.abs(ends).max()),
            second_radius_mm=float(max(ends.min(), 0.0)),
        )
    full = turn > 360.0 - FULL_TURN_MISSING_DEG
    kind = ("boss" if draft.outward else "bore") if full else "arc"
    return replace(face, kind=kind, radius_mm=surface.radius)


def _sign(axis: FloatArray) -> float:
    """Sign that makes the largest component of an axis positive: told alike from every file."""
    size = np.abs(axis)
    leading = int(np.flatnonzero(size > size.max() - 1e-6)[0])
    return 1.0 if axis[leading] >= 0.0 else -1.0
