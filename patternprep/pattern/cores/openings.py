"""Mouths of holes: rings inside a face across whose edges the surface turns into the part.

A flat face is a patch of one plane, and every ring inside it may be a mouth. A curved face is a
patch without sharp edges; there only rings count that are not flat themselves and that look out of
the face, such as a cross hole through a boss.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from patternprep.mesh.faces.topology import coplanar_patches, mesh_edges, position_noise
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.mesh.topology import components, edge_table, twins

__all__ = ["Rim", "find_rims", "ring_area"]

CONVEX_SHARE = 0.95
"""Share of a rim's length along which the material must bend outward."""

SHARP_DEG = 25.0
"""A curved face ends at edges sharper than this."""

FLATTEST, MOST_BENT = 1e-3, 0.6
"""How far a ring in a curved face leaves its plane, as shares of the mouth's width."""

LOOKS_OUT, AS_FLAT = 0.5, 0.9999
"""Cosine between a mouth in a curved face and the face around it; the same for a flat one."""

SMALLEST_MM2 = 1e-3
"""Rings around less than this are rounding, not mouths."""


@dataclass(frozen=True, eq=False)
class Rim:
    """One ring inside a face.

    ``halves`` (k,) half-edges of the face along the ring, in order (3 f + i runs from corner i of
    facet f); ``corners`` (k,) the vertices they start from; ``area`` (3,) vector area of the mouth
    along the face's outward normal, mm2; ``flat`` for a ring inside a flat face.
    """

    halves: IntArray
    corners: IntArray
    area: FloatArray
    flat: bool = True


def find_rims(mesh: Mesh) -> tuple[list[Rim], IntArray]:
    """Mouths of holes in flat and curved faces, and the half-edge across each half-edge (3m,).

    A ring that touches itself, or that lies around something that stands up from the face, is no
    mouth.
    """
    twin = twins(edge_table(mesh.faces))
    edges = mesh_edges(mesh)
    flat = coplanar_patches(mesh, edges, position_noise(mesh))
    found = _rims_of(mesh, flat, twin)
    smooth = edges.angle < SHARP_DEG
    _, curved = components(mesh.facets, *edges.facets[smooth].T)
    known = {int(half) for rim in found for half in (*rim.halves, *twin[rim.halves])}
    for rim in _rims_of(mesh, curved, twin):
        if not known.intersection(rim.halves.tolist()):
            mouth = _looks_out(mesh, rim)
            found += [] if mouth is None else [mouth]
    return found, twin


def _rims_of(mesh: Mesh, patch: IntArray, twin: IntArray) -> list[Rim]:
    """Rings of holes inside the patches (m,) of a surface."""
    tail = mesh.faces.reshape(-1)
    head = mesh.faces[:, [1, 2, 0]].reshape(-1)
    facet = np.arange(3 * mesh.facets) // 3
    border = np.flatnonzero((twin >= 0) & (patch[facet] != patch[facet[twin]]))
    if not len(border):
        return []
    rings = _rings(patch[facet[border]], tail[border], head[border], len(mesh.vertices))
    holes = _holes(mesh, rings, border, tail, head)
    bends_out = _bends_out(mesh, border, twin)
    length = np.linalg.norm(mesh.vertices[head[border]] - mesh.vertices[tail[border]], axis=1)
    found = []
    for members in holes:
        if length[members][bends_out[members]].sum() < CONVEX_SHARE * length[members].sum():
            continue
        ordered = _in_order(border[members], tail, head)
        if ordered is None:
            continue
        corners = tail[ordered]
        found.append(Rim(ordered, corners, -ring_area(mesh.vertices[corners])))
    return found


def _looks_out(mesh: Mesh, rim: Rim) -> Rim | None:
    """The ring where its mouth looks the way that the face around it does, else None.

    In a curved face the ring must be bent itself; a flat ring counts only where the face is flat
    too, and was broken up by the rounding of its file.
    """
    area = float(np.linalg.norm(rim.area))
    if area <= SMALLEST_MM2:
        return None
    ring = mesh.vertices[rim.corners]
    height = (ring - ring.mean(axis=0)) @ (rim.area / area)
    wide = np.sqrt(area)
    bent = float(np.ptp(height)) / wide
    length = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)
    facing = (mesh.normals[rim.halves // 3] * length[:, None]).sum(axis=0) / length.sum()
    along = float(facing @ rim.area) / area
    if bent <= FLATTEST:
        return rim if along > AS_FLAT else None
    return replace(rim, flat=False) if bent < MOST_BENT and along > LOOKS_OUT else None


def ring_area(points: FloatArray) -> FloatArray:
    """Vector area (3,) of a closed ring of points (k, 3), mm2."""
    away = points - points.mean(axis=0)
    return np.asarray(0.5 * np.cross(away, np.roll(away, -1, axis=0)).sum(axis=0))


def _rings(patch: IntArray, start: IntArray, end: IntArray, vertices: int) -> IntArray:
    """Ring label of each border half-edge, (b,); -1 where a face touches itself at a corner."""
    leave = patch * vertices + start
    order = np.argsort(leave, kind="stable")
    at = np.searchsorted(leave[order], patch * vertices + end)
    follower = order[np.minimum(at, len(order) - 1)]
    _, inverse, count = np.unique(leave, return_inverse=True, return_counts=True)
    _, label = components(len(patch), np.arange(len(patch)), follower)
    broken = np.unique(label[count[inverse] > 1])
    return np.where(np.isin(label, broken), -1, label)


def _holes(
    mesh: Mesh, rings: IntArray, border: IntArray, tail: IntArray, head: IntArray
) -> list[IntArray]:
    """Places in ``border`` of each ring that runs clockwise about its face's normal."""
    sound = np.flatnonzero(rings >= 0)
    if not len(sound):
        return []
    labels = rings[sound]
    count = int(labels.max()) + 1
    a, b = mesh.vertices[tail[border[sound]]], mesh.vertices[head[border[sound]]]
    centre = mesh.bounds.mean(axis=0)
    swept = 0.5 * np.cross(a - centre, b - centre)
    area = np.stack([np.bincount(labels, swept[:, i], count) for i in range(3)], axis=1)
    one = np.zeros(count, dtype=np.int64)
    one[labels] = border[sound]
    along = np.einsum("ij,ij->i", area, mesh.normals[one // 3])
    chosen = np.flatnonzero(along < -SMALLEST_MM2)
    order = np.argsort(labels, kind="stable")
    edges = np.searchsorted(labels[order], np.stack([chosen, chosen + 1]))
    return [sound[order[low:high]] for low, high in edges.T]


def _bends_out(mesh: Mesh, border: IntArray, twin: IntArray) -> npt.NDArray[np.bool_]:
    """For each border half-edge: does the facet across it fall away behind the flat face?"""
    across = twin[border]
    faces = mesh.faces[across // 3]
    opposite = mesh.vertices[faces[np.arange(len(across)), (across % 3 + 2) % 3]]
    origin = mesh.vertices[mesh.faces.reshape(-1)[border]]
    away = np.einsum("ij,ij->i", mesh.normals[border // 3], opposite - origin)
    return np.asarray(away < 0.0)


def _in_order(halves: IntArray, tail: IntArray, head: IntArray) -> IntArray | None:
    """The half-edges of one ring one after another; None where they are more rings than one."""
    place = {int(corner): i for i, corner in enumerate(tail[halves])}
    order, at = [], 0
    for _ in range(len(halves)):
        order.append(at)
        at = place[int(head[halves[at]])]
        if at == 0:
            break
    return halves[np.array(order)] if len(order) == len(halves) else None
