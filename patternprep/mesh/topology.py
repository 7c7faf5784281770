"""Which corners are one vertex and which facets share an edge: exact, by sorting integers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from patternprep.mesh.mesh import FloatArray, IntArray, Mesh

__all__ = [
    "EdgeTable",
    "components",
    "edge_table",
    "group_equal",
    "mesh_of_facets",
    "twins",
    "unique_rows",
    "used_only",
]

_MIX = (
    np.uint64(0x9E3779B97F4A7C15),
    np.uint64(0xC2B2AE3D27D4EB4F),
    np.uint64(0x165667B19E3779F9),
)


def unique_rows(points: npt.NDArray[np.floating]) -> tuple[IntArray, IntArray]:
    """Exactly equal rows of (n, 3) made one, in order of first appearance.

    Returns ``(first, index)``: the rows kept and, for each row, which kept row it equals.
    Minus zero equals zero. A hash is sorted, and what it joins is compared bit by bit; should
    two different rows ever share a hash, a full sort takes over.
    """
    n = len(points)
    if n == 0:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    clean = np.ascontiguousarray(points + 0.0)  # minus zero becomes zero
    bits = clean.view(np.uint32 if clean.dtype == np.float32 else np.uint64).reshape(n, 3)
    mixed = np.zeros(n, np.uint64)
    for column, factor in enumerate(_MIX):
        mixed = (mixed ^ (bits[:, column].astype(np.uint64) * factor)) * _MIX[2]
        mixed ^= mixed >> np.uint64(29)
    width = np.uint64(max(1, int(n - 1).bit_length()))
    row_mask = (np.uint64(1) << width) - np.uint64(1)
    packed = (mixed & ~row_mask) | np.arange(n, dtype=np.uint64)
    packed.sort()
    order = (packed & row_mask).astype(np.int64)
    packed &= ~row_mask
    new = np.empty(n, bool)
    new[0] = True
    np.not_equal(packed[1:], packed[:-1], out=new[1:])
    same = ~new[1:]
    ordered = bits[order]
    if np.any(ordered[1:][same] != ordered[:-1][same]):  # pragma: no cover - one in millions
        order = np.lexsort(bits.T).astype(np.int64)
        ordered = bits[order]
        new[1:] = np.any(ordered[1:] != ordered[:-1], axis=1)
    group = np.cumsum(new) - 1
    first = order[new]  # rows of one group stand in ascending order
    rank = np.empty(len(first), np.int64)
    by_first = np.argsort(first, kind="stable")
    rank[by_first] = np.arange(len(first))
    index = np.empty(n, np.int64)
    index[order] = rank[group]
    return first[by_first], index


def group_equal(keys: IntArray) -> tuple[IntArray, IntArray]:
    """Order that brings equal keys together (stable), and where each group starts."""
    order = np.argsort(keys, kind="stable")
    ordered = keys[order]
    new = np.ones(len(keys), bool)
    new[1:] = ordered[1:] != ordered[:-1]
    return order, np.flatnonzero(new)


@dataclass(frozen=True)
class EdgeTable:
    """Half-edges grouped by the undirected edge they lie on.

    Half-edge h = 3 f + i runs from corner i of facet f to its next corner. ``half`` (3m,) lists
    them edge by edge, ascending ones first; ``start`` (e,) and ``count`` (e,) bound each edge;
    ``descending`` (e,) counts the half-edges that run from the higher vertex to the lower.
    """

    half: IntArray
    start: IntArray
    count: IntArray
    descending: IntArray

    @property
    def simple(self) -> npt.NDArray[np.bool_]:
        """Edges with exactly two half-edges of opposite direction, (e,)."""
        return (self.count == 2) & (self.descending == 1)

    @property
    def balanced(self) -> npt.NDArray[np.bool_]:
        """Edges with as many half-edges one way as the other, (e,)."""
        return self.count == 2 * self.descending


def edge_table(faces: IntArray) -> EdgeTable:
    """Group the half-edges of facets (m, 3); no facet may name one vertex twice."""
    halves = 3 * len(faces)
    if halves == 0:
        empty = np.empty(0, np.int64)
        return EdgeTable(empty, empty, empty, empty)
    tail = np.ascontiguousarray(faces).reshape(-1)
    head = np.ascontiguousarray(faces[:, [1, 2, 0]]).reshape(-1)
    vertices = int(tail.max()) + 1
    low, high = np.minimum(tail, head), np.maximum(tail, head)
    key = ((low * vertices + high) * 2 + (tail > head)).astype(np.uint64)
    width = int(halves - 1).bit_length()
    if (vertices * vertices * 2).bit_length() + width <= 64:
        packed = (key << np.uint64(width)) | np.arange(halves, dtype=np.uint64)
        packed.sort()
        half = (packed & np.uint64((1 << width) - 1)).astype(np.int64)
        key = packed >> np.uint64(width)
    else:
        half = np.argsort(key, kind="stable").astype(np.int64)
        key = key[half]
    edge = key >> np.uint64(1)
    new = np.ones(halves, bool)
    np.not_equal(edge[1:], edge[:-1], out=new[1:])
    start = np.flatnonzero(new)
    count = np.diff(np.append(start, halves))
    down = np.add.reduceat((key & np.uint64(1)).astype(np.int64), start)
    return EdgeTable(half, start, count, down)


def twins(table: EdgeTable) -> IntArray:
    """For each half-edge the one that runs the other way on a simple edge, else -1, (3m,)."""
    twin = np.full(len(table.half), -1, np.int64)
    at = table.start[table.simple]
    a, b = table.half[at], table.half[at + 1]
    twin[a], twin[b] = b, a
    return twin


def components(count: int, a: IntArray, b: IntArray) -> tuple[int, IntArray]:
    """Connected groups of ``count`` nodes joined by links a - b: (number, group of each node)."""
    from scipy.sparse import csr_matrix
    from scipy.sparse.csgraph import connected_components

    links = csr_matrix((np.ones(len(a), np.int8), (a, b)), shape=(count, count))
    number, label = connected_components(links, directed=False)
    return int(number), label.astype(np.int64)


def mesh_of_facets(vertices: FloatArray, faces: IntArray) -> Mesh:
    """Facets (m, 3) as a mesh of their own, without the vertices (n, 3) that none of them names."""
    kept, renumbered = used_only(faces, len(vertices))
    return Mesh(vertices[kept], renumbered)


def used_only(faces: IntArray, vertices: int) -> tuple[IntArray, IntArray]:
    """Drop vertices that no facet names: (vertices kept, facets renumbered)."""
    used = np.zeros(vertices, bool)
    used[faces.reshape(-1)] = True
    kept = np.flatnonzero(used)
    if len(kept) == vertices:
        return kept, faces
    renumber = np.cumsum(used) - 1
    return kept, renumber[faces]
