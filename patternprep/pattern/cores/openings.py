"""Mouths of holes: rings inside a flat face across whose edges the surface turns into the part."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from patternprep.mesh.faces.topology import coplanar_patches, mesh_edges, position_noise
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.mesh.topology import components, edge_table, twins

__all__ = ["Rim", "find_rims", "ring_area"]

CONVEX_SHARE = 0.95
"""Share of a rim's length along which the material must bend outward."""

SMALLEST_MM2 = 1e-3
"""Rings around less than this are rounding, not mouths."""


@dataclass(frozen=True, eq=False)
class Rim:
    """One ring inside a flat face.

    ``halves`` (k,) half-edges of the flat face along the ring, in order (3 f + i runs from corner
    i of facet f); ``corners`` (k,) the vertices they start from; ``area`` (3,) vector area of the
    mouth along the face's outward normal, mm2.
    """

    halves: IntArray
    corners: IntArray
    area: FloatArray


def find_rims(mesh: Mesh) -> tuple[list[Rim], IntArray]:
    """Mouths of holes in flat faces, and the half-edge across each half-edge (3m,).

    A ring that touches itself, or that lies around something that stands up from the face, is no
    mouth.
    """
    twin = twins(edge_table(mesh.faces))
    edges = mesh_edges(mesh)
    patch = coplanar_patches(mesh, edges, position_noise(mesh))
    tail = mesh.faces.reshape(-1)
    head = mesh.faces[:, [1, 2, 0]].reshape(-1)
    facet = np.arange(3 * mesh.facets) // 3
    border = np.flatnonzero((twin >= 0) & (patch[facet] != patch[facet[twin]]))
    if not len(border):
        return [], twin
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
    return found, twin


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
