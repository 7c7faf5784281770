"""Whether a plainer mesh has kept the edges of the mesh it was made from.

The kernel spares facets within a tolerance, but now and then it turns a long sharp edge over and
cuts a wedge off the solid that is far deeper. Volumes hardly tell; the edge that is gone does.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.mesh.topology import edge_table, unique_rows

__all__ = ["lost_edge"]

_SHARES = (0.5,)
"""Where along an edge it is asked: a wedge cut off at its ends is deepest at its middle."""


def lost_edge(before: Mesh, after: Mesh, within_mm: float) -> tuple[float, float, float] | None:
    """Place on a sharp edge of ``before`` that lies farther than that from ``after``, or None.

    Both are closed manifolds; vertices of ``after`` are vertices of ``before``. Only edges that
    stand out by more than ``within_mm`` over whatever could replace them are looked at.
    """
    number = len(before.vertices)
    _, label = unique_rows(np.concatenate([before.vertices, after.vertices]))
    old, new = label[before.faces], label[number + np.arange(len(after.vertices))][after.faces]
    old_keys, new_keys = _facet_keys(old), _facet_keys(new)
    fresh = ~_among(new_keys, old_keys)
    if not fresh.any():
        return None
    # an edge beside a facet that stayed has stayed too
    lost = ~_among(old_keys, new_keys)
    edge = _sharp_edges(before, lost, within_mm)
    facet, corner = edge // 3, edge % 3
    ends = np.column_stack([old[facet, corner], old[facet, (corner + 1) % 3]])
    kept = new[fresh]
    there = np.column_stack([kept.reshape(-1), kept[:, [1, 2, 0]].reshape(-1)])
    size = int(label.max()) + 1
    asked, known = _pair_keys(ends, size), np.sort(_pair_keys(there, size))
    gone = known[np.searchsorted(known, asked).clip(0, len(known) - 1)] != asked
    a = before.vertices[before.faces[facet[gone], corner[gone]]]
    b = before.vertices[before.faces[facet[gone], (corner[gone] + 1) % 3]]
    points = np.concatenate([a + share * (b - a) for share in _SHARES])
    if not len(points):
        return None
    off = _off_surface(points, after.triangles[fresh], within_mm)
    if not off.any():
        return None
    x, y, z = points[int(np.argmax(off))]
    return float(x), float(y), float(z)


def _among(keys: npt.NDArray[np.uint64], others: npt.NDArray[np.uint64]) -> npt.NDArray[np.bool_]:
    """Which keys (n,) are among others (m,), by sorting them with their places in the low bits."""
    count = len(keys) + len(others)
    width = np.uint64(count.bit_length())
    place = (np.uint64(1) << width) - np.uint64(1)
    packed = np.concatenate([others, keys])
    packed &= ~place
    packed |= np.arange(count, dtype=np.uint64)
    packed.sort()
    index = (packed & place).astype(np.int64)
    packed &= ~place
    first = np.append(True, packed[1:] != packed[:-1])
    # the others stand before the keys wherever both are equal
    led = (index < len(others))[first][np.cumsum(first) - 1]
    found = np.empty(count, bool)
    found[index] = led
    return found[len(others) :]


def _facet_keys(faces: IntArray) -> npt.NDArray[np.uint64]:
    """One number for each facet's three vertices in any order (equal ones may rarely clash)."""
    i, j, k = faces[:, 0], faces[:, 1], faces[:, 2]
    low, high = np.minimum(np.minimum(i, j), k), np.maximum(np.maximum(i, j), k)
    a, b, c = (v.astype(np.uint64) for v in (low, i + j + k - low - high, high))
    key = a * np.uint64(0x9E3779B97F4A7C15) ^ (a >> np.uint64(7))
    key = (key ^ b) * np.uint64(0xC2B2AE3D27D4EB4F)
    key ^= key >> np.uint64(31)
    key = (key ^ c) * np.uint64(0x165667B19E3779F9)
    return np.asarray(key ^ (key >> np.uint64(29)))


def _pair_keys(pairs: IntArray, size: int) -> IntArray:
    a, b = pairs[:, 0], pairs[:, 1]
    return np.asarray(np.minimum(a, b) * size + np.maximum(a, b))


def _sharp_edges(mesh: Mesh, among: npt.NDArray[np.bool_], within_mm: float) -> IntArray:
    """Half-edges, one an edge, whose facets reach over ``within_mm`` out of each other's plane.

    Only edges with both facets ``among`` (m,) those asked for.
    """
    facets = np.flatnonzero(among)
    table = edge_table(mesh.faces[facets])
    at = table.start[table.simple]
    half, other = (3 * facets[h // 3] + h % 3 for h in (table.half[at], table.half[at + 1]))
    normals = mesh.normals
    tail = mesh.vertices[mesh.faces[half // 3, half % 3]]
    bend = np.full(len(half), np.inf)
    for one, two in ((half, other), (other, half)):
        apex = mesh.vertices[mesh.faces[one // 3, (one % 3 + 2) % 3]]
        reach = np.abs(np.einsum("ij,ij->i", apex - tail, normals[two // 3]))
        bend = np.minimum(bend, reach)
    length = np.linalg.norm(mesh.vertices[mesh.faces[half // 3, (half % 3 + 1) % 3]] - tail, axis=1)
    return np.asarray(half[(bend > within_mm) & (length > within_mm)])


def _off_surface(
    points: FloatArray, corners: FloatArray, within_mm: float
) -> npt.NDArray[np.bool_]:
    """Which points (n, 3) lie farther than ``within_mm`` from all facets (m, 3, 3)."""
    import shapely

    low, high = corners.min(axis=1) - within_mm, corners.max(axis=1) + within_mm
    tree = shapely.STRtree(shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1]))
    point, facet = tree.query(shapely.points(points[:, :2]))
    z = points[point, 2]
    near = (z >= low[facet, 2]) & (z <= high[facet, 2])
    point, facet = point[near], facet[near]
    off = np.ones(len(points), bool)
    off[point[_apart(points[point], corners[facet]) <= within_mm]] = False
    return off


def _apart(points: FloatArray, corners: FloatArray) -> FloatArray:
    """Distance of each point (n, 3) from its own triangle (n, 3, 3)."""
    a, ab, ac = corners[:, 0], corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    p = points - a
    normal = np.cross(ab, ac)
    square = np.maximum(np.einsum("ij,ij->i", normal, normal), 1e-300)
    v = np.einsum("ij,ij->i", np.cross(p, ac), normal) / square
    w = np.einsum("ij,ij->i", np.cross(ab, p), normal) / square
    height = np.einsum("ij,ij->i", p, normal) ** 2 / square
    best = np.where((v >= 0.0) & (w >= 0.0) & (v + w <= 1.0), height, np.inf)
    for i in range(3):
        along = corners[:, (i + 1) % 3] - corners[:, i]
        q = points - corners[:, i]
        length = np.maximum(np.einsum("ij,ij->i", along, along), 1e-300)
        t = np.clip(np.einsum("ij,ij->i", q, along) / length, 0.0, 1.0)
        off = q - t[:, None] * along
        best = np.minimum(best, np.einsum("ij,ij->i", off, off))
    return np.asarray(np.sqrt(best))
