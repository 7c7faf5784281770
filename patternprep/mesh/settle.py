"""Bringing a mesh onto 32-bit coordinates so that the written file is still a sound solid.

An STL file holds three 32-bit corners a facet and nothing else: whoever reads it joins equal
corners. Rounding may therefore close a narrow facet, fold it flat, or make two walls share an
edge. All of that is settled here, before anything is written.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patternprep.errors import MeshFault
from patternprep.mesh.check import check_mesh, flat_facets
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.mesh.pinch import pair_all, split_fans
from patternprep.mesh.topology import edge_table, mesh_of_facets, twins, unique_rows
from patternprep.units import format_point

__all__ = ["Settled", "cancel_opposites", "flip_flat_facets", "settle", "settle_report"]

_ROUNDS = 24
_LEAST_STEP_MM, _LEAST_STEP_SHARE = 2e-5, 2e-7
"""Walls that touch along an edge are parted, each into its own material, by at least the smaller
of this length and this share of the extent, and by eight steps of a 32-bit number."""


@dataclass(frozen=True)
class Settled:
    """The settled mesh, how far any vertex moved (mm), facets closed up and edges parted."""

    mesh: Mesh
    moved_mm: float
    closed_facets: int
    parted_edges: int


def settle(mesh: Mesh) -> Mesh:
    """The same solid on 32-bit coordinates, sound when read back from STL; see settle_report."""
    return settle_report(mesh).mesh


def settle_report(mesh: Mesh) -> Settled:
    """Round to 32-bit coordinates and keep the surface closed, oriented and two-sided.

    Facets that vanish are closed up, flat ones flipped away, walls that come to touch along an
    edge parted by a few roundings into their own material. A vertex on z = 0 stays there.
    Raises MeshFault when no such mesh is found.
    """
    points = _rounded(mesh.vertices)
    rounding = float(np.abs(points - mesh.vertices).max(initial=0.0))
    welded, faces = _welded(points, mesh.faces)
    if len(faces) == mesh.facets:
        settled = mesh_of_facets(welded, faces)
        if check_mesh(settled).sound:
            return Settled(settled, rounding, 0, 0)
    start = check_mesh(mesh)
    if start.fault is not None and start.pinched_edges != start.bad_edges:
        raise MeshFault(f"The mesh to be written {start.fault}; it cannot be settled.")
    step = max(
        min(_LEAST_STEP_MM, _LEAST_STEP_SHARE * float(np.ptp(points, axis=0).max())),
        8.0 * float(np.spacing(np.float32(np.abs(points).max()))),
    )
    faces, parted, nudged = mesh.faces, 0, 0.0
    for _ in range(_ROUNDS):
        points, faces = _welded(points, faces)
        faces = cancel_opposites(faces)
        faces = flip_flat_facets(points, faces)
        table = edge_table(faces)
        pinched = ~table.simple
        if not pinched.any():
            break
        parted += int(pinched.sum())
        nudged += step
        points, faces = _part(points, faces, step)
    settled = mesh_of_facets(points, faces)
    report = check_mesh(settled)
    if report.fault is not None:
        place = "" if report.where is None else f" at {format_point(list(report.where))}"
        raise MeshFault(
            f"The mesh {report.fault}{place} once its coordinates are rounded to 32 bits; "
            f"its finest details are too small for its place and size: give its unit with --units "
            f"if it is larger, bring it nearer to the origin, or remove them.",
            where=report.where,
        )
    return Settled(settled, rounding + nudged, mesh.facets - settled.facets, parted)


def _rounded(points: FloatArray) -> FloatArray:
    return points.astype(np.float32).astype(np.float64) + 0.0


def _welded(points: FloatArray, faces: IntArray) -> tuple[FloatArray, IntArray]:
    """Equal corners joined, facets that vanish by it dropped."""
    first, index = unique_rows(points.astype(np.float32))
    faces = index[faces]
    a, b, c = faces.T
    gone = (a == b) | (b == c) | (c == a)
    return points[first], faces[~gone] if gone.any() else faces


def cancel_opposites(faces: IntArray) -> IntArray:
    """Without pairs of facets on the same three vertices wound in opposite directions."""
    if not (~edge_table(faces).simple).any():
        return faces
    ordered = np.sort(faces, axis=1)
    _, group = unique_rows(ordered.astype(np.float64))
    lead = np.argmin(faces, axis=1)
    rows = np.arange(len(faces))
    forward = faces[rows, (lead + 1) % 3] < faces[rows, (lead + 2) % 3]
    groups = int(group.max()) + 1
    pairs = np.minimum(
        np.bincount(group[forward], minlength=groups),
        np.bincount(group[~forward], minlength=groups),
    )
    keep = np.ones(len(faces), bool)
    for way in (forward, ~forward):
        chosen = np.flatnonzero(way & (pairs[group] > 0))
        order = chosen[np.argsort(group[chosen], kind="stable")]
        new = np.ones(len(order), bool)
        new[1:] = group[order[1:]] != group[order[:-1]]
        rank = np.arange(len(order)) - np.maximum.accumulate(
            np.where(new, np.arange(len(order)), 0)
        )
        keep[order[rank < pairs[group[order]]]] = False
    return faces[keep]


def flip_flat_facets(points: FloatArray, faces: IntArray) -> IntArray:
    """Facets whose corners lie in one line are flipped into their neighbour over that line.

    The facet (p, q, m) with m on the line p q and its neighbour (q, p, d) become (p, d, m) and
    (d, q, m): the surface does not move. Flat facets without such a neighbour stay.
    """
    for _ in range(_ROUNDS):
        flat = flat_facets(Mesh(points, faces))
        if not flat.any():
            return faces
        table = edge_table(faces)
        twin = twins(table)
        chosen = np.flatnonzero(flat)
        corners = points[faces[chosen]]
        length = np.linalg.norm(corners[:, [1, 2, 0]] - corners, axis=2)
        half = 3 * chosen + np.argmax(length, axis=1)
        other = twin[half]
        usable = (other >= 0) & ~flat[other // 3]
        half, other = half[usable], other[usable]
        _, once = np.unique(other // 3, return_index=True)
        half, other = half[once], other[once]
        p, q, m = (faces[half // 3, (half + i) % 3] for i in range(3))
        half_corner = half % 3
        p = faces[half // 3, half_corner]
        q = faces[half // 3, (half_corner + 1) % 3]
        m = faces[half // 3, (half_corner + 2) % 3]
        d = faces[other // 3, (other % 3 + 2) % 3]
        free = (m != d) & ~_are_edges(faces, m, d)
        if not free.any():
            return faces
        p, q, m, d, half, other = (v[free] for v in (p, q, m, d, half, other))
        faces = faces.copy()
        faces[half // 3] = np.column_stack([p, d, m])
        faces[other // 3] = np.column_stack([d, q, m])
    return faces


def _are_edges(
    faces: IntArray, a: IntArray, b: IntArray
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Which vertex pairs are already joined by an edge."""
    tail, head = faces.reshape(-1), faces[:, [1, 2, 0]].reshape(-1)
    size = int(faces.max()) + 1
    key = np.minimum(tail, head) * size + np.maximum(tail, head)
    return np.isin(np.minimum(a, b) * size + np.maximum(a, b), key)


def _part(points: FloatArray, faces: IntArray, step: float) -> tuple[FloatArray, IntArray]:
    """Part walls that touch along an edge: each fan of facets shrinks into its own material."""
    table = edge_table(faces)
    bad = ~table.simple
    if not table.balanced[bad].all():
        raise MeshFault(
            "The mesh opens along an edge once its coordinates are rounded to 32 bits; "
            "remove the part's thinnest details."
        )
    twin = pair_all(points, faces, table)
    first = table.half[table.start[bad]]
    ends = np.concatenate([faces.reshape(-1)[first], faces.reshape(-1)[_next_corner(first)]])
    split, parent = split_fans(faces, len(points), twin, np.unique(ends))
    count = table.count[bad]
    step_in = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count)
    half = table.half[np.repeat(table.start[bad], count) + step_in]
    corners = np.zeros(3 * len(split), bool)
    corners[half] = corners[_next_corner(half)] = True
    if len(parent) == len(points):  # every touching edge hangs together at both its ends
        old = len(points)
        points, split, parent = _split_stuck(points, split, twin)
        corners = split.reshape(-1) >= old
    else:
        points = points[parent]
    chosen = np.flatnonzero(np.bincount(parent)[parent] > 1)
    return _rounded(_nudged(points, split, chosen, corners, step)), split


def _next_corner(half: IntArray) -> IntArray:
    return half - half % 3 + (half % 3 + 1) % 3


def _split_stuck(
    points: FloatArray, faces: IntArray, twin: IntArray
) -> tuple[FloatArray, IntArray, IntArray]:
    """Halve touching edges whose ends hang together, each pair of facets with its own middle."""
    table = edge_table(faces)
    new_points, new_faces = [points], [faces.copy()]
    count = len(points)
    parents = [np.arange(count)]
    used: set[int] = set()
    for at in np.flatnonzero(~table.simple):
        half = table.half[table.start[at] : table.start[at] + table.count[at]]
        pairs = [(int(h), int(twin[h])) for h in half if h < twin[h]]
        touched = {h // 3 for pair in pairs for h in pair}
        if touched & used:
            continue
        used |= touched
        low = count
        for pair in pairs:
            f, i = divmod(pair[0], 3)
            ends = faces[f, [i, (i + 1) % 3]]
            new_points.append(points[ends].mean(axis=0, keepdims=True))
            parents.append(np.array([low]))
            for h in pair:
                f, i = divmod(h, 3)
                a, b, c = (int(faces[f, (i + k) % 3]) for k in range(3))
                new_faces[0][f] = (a, count, c)
                new_faces.append(np.array([[count, b, c]]))
            count += 1
    return np.concatenate(new_points), np.concatenate(new_faces), np.concatenate(parents)


def _nudged(
    points: FloatArray,
    faces: IntArray,
    chosen: IntArray,
    corners: np.ndarray[tuple[int], np.dtype[np.bool_]],
    step: float,
) -> FloatArray:
    """The chosen vertices moved by a step into the material (in plan on z = 0).

    The way in is against the mean normal of the facets that touch along an edge, told by their
    marked ``corners`` (3m,): so walls across the edge's ends stay in their planes.
    """
    unit = np.repeat(Mesh(points, faces).normals, 3, axis=0)
    wanted = np.zeros(len(points), bool)
    wanted[chosen] = True
    owner = faces.reshape(-1)
    at = corners & wanted[owner]
    inward = np.zeros_like(points)
    np.add.at(inward, owner[at], -unit[at])
    inward[points[:, 2] == 0.0, 2] = 0.0
    size = np.linalg.norm(inward, axis=1, keepdims=True)
    move = np.divide(inward, size, out=np.zeros_like(inward), where=size > 1e-9)
    return points + step * move
