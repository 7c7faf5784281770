"""Which facets lie side by side, how sharply they meet, and which are coplanar."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.mesh.topology import components, edge_table

__all__ = [
    "COPLANAR_DEG",
    "Edges",
    "coplanar_patches",
    "distinct",
    "edges_among",
    "facet_middles",
    "mesh_edges",
    "neighbour_table",
    "position_noise",
    "sum_by",
]

COPLANAR_DEG = 0.3
"""Facets that meet at less than this may belong to one plane."""

BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Edges:
    """Edges between exactly two facets.

    ``facets`` (e, 2), ``ends`` (e, 2) vertex ids in the order of the first facet, ``slots``
    (e, 2) which of its three edges this is for each facet, ``angle`` (e,) degrees between the
    normals, ``convex`` (e,) material bends outward, ``gap`` (e,) mm by which the nearer of the
    two opposite vertices leaves the other facet's plane, ``length`` (e,) mm.
    """

    facets: IntArray
    ends: IntArray
    slots: IntArray
    angle: FloatArray
    convex: BoolArray
    gap: FloatArray
    length: FloatArray


def position_noise(mesh: Mesh) -> float:
    """What four roundings to single precision may move a vertex, mm: files round that way."""
    return 4.0 * float(np.abs(mesh.bounds).max()) * 2.0**-24 + 1e-9


def edges_among(mesh: Mesh, facets: IntArray) -> Edges:
    """Edges between two of some facets (k,) ascending, numbered as in the mesh."""
    edges = mesh_edges(Mesh(mesh.vertices, mesh.faces[facets]))
    return replace(edges, facets=facets[edges.facets])


def facet_middles(mesh: Mesh) -> FloatArray:
    """Middle of each facet, (m, 3) mm; kept with the mesh."""
    kept = mesh.__dict__.get("_facet_middles")
    if kept is None:
        a, b, c = (mesh.triangles[:, corner] for corner in range(3))
        kept = mesh.__dict__["_facet_middles"] = (a + b + c) / 3.0
    return kept


def distinct(ids: IntArray, scratch: IntArray) -> IntArray:
    """The ids that occur in an array of any shape, once each and ascending.

    ``scratch``: any array with a place for each id; it is overwritten there.
    """
    flat = ids.ravel()
    place = np.arange(len(flat))
    scratch[flat] = place
    last = flat[scratch[flat] == place]
    last.sort()
    return last


def mesh_edges(mesh: Mesh) -> Edges:
    """Pair the half-edges; edges that are not shared by exactly two facets are left out."""
    faces = mesh.faces
    start = faces.ravel()
    table = edge_table(faces)
    at = table.start[table.simple]
    half = np.stack([table.half[at], table.half[at + 1]], axis=1)
    half.sort(axis=1)
    facets, slots = half // 3, half % 3
    ends = np.stack([start[half[:, 0]], start[half[:, 1]]], axis=1)
    origin = mesh.vertices[ends[:, 0]]
    along = mesh.vertices[ends[:, 1]] - origin
    n0, n1 = mesh.normals[facets[:, 0]], mesh.normals[facets[:, 1]]
    # the angle through the chord |n0 - n1| keeps its accuracy when it is small
    chord = n0 - n1
    half_sine = 0.5 * np.sqrt(np.einsum("ij,ij->i", chord, chord))
    angle = np.degrees(2.0 * np.arcsin(np.minimum(half_sine, 1.0)))
    opposite0 = mesh.vertices[faces[facets[:, 0], (slots[:, 0] + 2) % 3]] - origin
    opposite1 = mesh.vertices[faces[facets[:, 1], (slots[:, 1] + 2) % 3]] - origin
    beyond = np.einsum("ij,ij->i", n0, opposite1)
    beyond_too = np.einsum("ij,ij->i", n1, opposite0)
    return Edges(
        facets=facets,
        ends=ends,
        slots=slots,
        angle=angle,
        convex=beyond < 0.0,
        gap=np.minimum(np.abs(beyond), np.abs(beyond_too)),
        length=np.sqrt(np.einsum("ij,ij->i", along, along)),
    )


def neighbour_table(count: int, edges: Edges, keep: BoolArray) -> IntArray:
    """Facet across each of a facet's three edges (count, 3); -1 where the edge is not kept."""
    table = np.full((count, 3), -1, dtype=np.int64)
    facets, slots = edges.facets[keep], edges.slots[keep]
    table[facets[:, 0], slots[:, 0]] = facets[:, 1]
    table[facets[:, 1], slots[:, 1]] = facets[:, 0]
    return table


def sum_by(labels: IntArray, values: FloatArray, count: int) -> FloatArray:
    """Sums of values (n,) or (n, k) for each label."""
    if values.ndim == 1:
        return np.bincount(labels, values, count).astype(np.float64)
    return np.stack([sum_by(labels, column, count) for column in values.T], axis=1)


def coplanar_patches(mesh: Mesh, edges: Edges, noise: float) -> IntArray:
    """Labels of facets that lie in one plane up to the rounding of the file.

    The test is by distance, so that the strips of a finely faceted curve stay apart; a needle,
    whose normal means nothing, joins what its tip lies in.
    """
    longest = np.zeros(mesh.facets)
    for column in range(2):
        np.maximum.at(longest, edges.facets[:, column], edges.length)
    height = np.divide(2.0 * mesh.areas, longest, out=np.zeros(mesh.facets), where=longest > 0.0)
    needle = (height < 4.0 * noise)[edges.facets].any(axis=1)
    flat = (edges.gap <= noise) & ((edges.angle < COPLANAR_DEG) | needle)
    labels = components(mesh.facets, *edges.facets[flat].T)[1]
    bad = ~planar_labels(mesh, labels, 8.0 * noise)
    if bad.any():
        loose = bad[labels]
        safe = flat & ~loose[edges.facets[:, 0]]
        labels = components(mesh.facets, *edges.facets[safe].T)[1]
    return labels


def planar_labels(mesh: Mesh, labels: IntArray, tolerance: float) -> BoolArray:
    """For each label: do all its vertices lie within the tolerance of its mean plane?"""
    count = int(labels.max()) + 1 if len(labels) else 0
    normal = sum_by(labels, mesh.cross, count)
    size = np.linalg.norm(normal, axis=1, keepdims=True)
    normal = np.divide(normal, size, out=np.zeros_like(normal), where=size > 0.0)
    weight = np.maximum(sum_by(labels, mesh.areas, count), 1e-300)
    centre = sum_by(labels, facet_middles(mesh) * mesh.areas[:, None], count)
    centre /= weight[:, None]
    worst = np.zeros(count)
    order = np.argsort(labels, kind="stable")
    starts = np.searchsorted(labels[order], np.arange(count))
    n, c = normal[labels], centre[labels]
    away = np.zeros(mesh.facets)
    for corner in range(3):
        offset = mesh.vertices[mesh.faces[:, corner]] - c
        np.maximum(away, np.abs(np.einsum("ij,ij->i", n, offset)), out=away)
    if count:
        worst = np.maximum.reduceat(away[order], starts)
    # the normals of a closed ring of strips sum to nothing, and then nothing is far from a plane
    return (worst <= tolerance) & (size[:, 0] >= 1.8 * weight)
