"""Small holes filled and loose patches of facets taken off."""

from __future__ import annotations

import numpy as np

from patternprep.mesh.mend.close import Work, open_edges
from patternprep.mesh.mend.distance import distance_to_facets
from patternprep.mesh.mesh import IntArray, Mesh
from patternprep.mesh.read.polygons import triangulate
from patternprep.mesh.topology import components, edge_table

__all__ = ["HOLE_CAP", "STRAY_CAP", "drop_loose_patches", "fill_small_holes"]

HOLE_CAP = 5e-3
"""Widest hole that is filled, as a share of the part's diagonal."""
STRAY_CAP = 1e-2
"""Largest extent of a loose patch or stray body that is thrown away, as a share of it."""
_ON_SURFACE = 1e-6
_SAMPLES = 300


def fill_small_holes(work: Work) -> None:
    """Fill every open loop no wider than HOLE_CAP of the diagonal with facets."""
    half = open_edges(work.faces)
    if len(half) == 0:
        return
    rings = [r for r in _loops(work.faces, half) if len(r) >= 3]
    width = [float(np.linalg.norm(np.ptp(work.points[r], axis=0))) for r in rings]
    small = [(r, w) for r, w in zip(rings, width, strict=True) if w <= HOLE_CAP * work.diagonal]
    if not small:
        return
    counts = np.array([len(r) for r, _ in small], dtype=np.int64)
    corners = np.concatenate([r[::-1] for r, _ in small])
    lids = triangulate(work.points, counts, corners)
    change = _cone_volume(work, lids)
    work.faces = np.concatenate([work.faces, lids])
    widest = max(w for _, w in small)
    at = work.points[small[0][0]].mean(axis=0)
    work.tell(f"holes filled, the widest {widest:.3g} mm across", len(small), at=at)
    del change


def _cone_volume(work: Work, faces: IntArray) -> float:
    a, b, c = (work.points[faces[:, i]] for i in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


def _loops(faces: IntArray, half: IntArray) -> list[IntArray]:
    """Closed runs of open half-edges, as rings of corners in the half-edges' direction."""
    tail = faces[half // 3, half % 3]
    head = faces[half // 3, (half % 3 + 1) % 3]
    after: dict[int, list[int]] = {}
    for t, h in zip(tail.tolist()[::-1], head.tolist()[::-1], strict=True):
        after.setdefault(t, []).append(h)
    rings: list[IntArray] = []
    for start in sorted(after):
        while after[start]:
            ring, place = [start], {start: 0}
            now = after[start].pop()
            while now not in place:
                place[now] = len(ring)
                ring.append(now)
                if not after.get(now):
                    ring = []
                    break
                now = after[now].pop()
            if ring and now == start:
                rings.append(np.array(ring, dtype=np.int64))
            elif ring:  # closed on itself half way: keep that loop, give the rest back
                cut = place[now]
                rings.append(np.array(ring[cut:], dtype=np.int64))
                for t, h in zip(ring[:cut], [*ring[1:cut], now], strict=True):
                    after[t].append(h)
    return rings


def drop_loose_patches(work: Work) -> None:
    """Take off patches that hang on the surface by one side and lie on it, or are tiny.

    A patch is what is joined across two-facet edges. A loose one has open edges, and without
    it the edges it hangs on are shared by two facets (or it hangs on nothing).
    """
    table = edge_table(work.faces)
    if not (table.count == 1).any():
        return
    at = np.flatnonzero(table.simple)
    a, b = table.half[table.start[at]] // 3, table.half[table.start[at] + 1] // 3
    number, patch = components(len(work.faces), a, b)
    if number < 2:
        return
    opened = np.bincount(patch[table.half[table.start[table.count == 1]] // 3], minlength=number)
    loose = np.flatnonzero(opened > 0)
    size = np.bincount(patch, minlength=number)
    loose = loose[np.argsort(size[loose], kind="stable")]
    if len(loose) == number:
        loose = loose[:-1]
    keep = np.ones(len(work.faces), bool)
    mesh = Mesh(work.points, work.faces)
    lying = tiny = 0
    depth = extent = 0.0
    first: tuple[np.ndarray[tuple[int], np.dtype[np.float64]] | None, ...] = (None, None)
    for label in loose[:200]:
        mine = patch == label
        corners = work.points[np.unique(work.faces[mine])]
        reach = float(np.linalg.norm(np.ptp(corners, axis=0)))
        if not _hangs(work.faces, keep, mine):
            continue
        gap = _lies_on(mesh, mine, keep & ~mine)
        place = corners.mean(axis=0)
        if gap <= _ON_SURFACE * work.diagonal:
            lying, depth = lying + int(size[label]), max(depth, gap)
            first = (place if first[0] is None else first[0], first[1])
        elif reach <= STRAY_CAP * work.diagonal:
            tiny, extent = tiny + int(size[label]), max(extent, reach)
            first = (first[0], place if first[1] is None else first[1])
        else:
            continue
        keep &= ~mine
    if keep.all():
        return
    work.faces = work.faces[keep]
    work.tell("loose facets lying on the surface a second time removed", lying, depth, at=first[0])
    work.tell(f"stray facets removed, no patch wider than {extent:.3g} mm", tiny, at=first[1])


def _hangs(
    faces: IntArray,
    keep: np.ndarray[tuple[int], np.dtype[np.bool_]],
    mine: np.ndarray[tuple[int], np.dtype[np.bool_]],
) -> bool:
    """True when the edges a patch shares with the rest are sound without it."""
    rest = faces[keep & ~mine]
    table = edge_table(rest)
    rim = np.unique(faces[mine])
    half = table.half[table.start]
    tail, head = rest[half // 3, half % 3], rest[half // 3, (half % 3 + 1) % 3]
    touched = np.isin(tail, rim) & np.isin(head, rim)
    return bool(table.balanced[touched].all())


def _lies_on(
    mesh: Mesh,
    mine: np.ndarray[tuple[int], np.dtype[np.bool_]],
    rest: np.ndarray[tuple[int], np.dtype[np.bool_]],
) -> float:
    """Largest distance of a patch (corners and middles of its facets) from the other facets."""
    facets = np.flatnonzero(mine)
    facets = facets[:: max(1, len(facets) // _SAMPLES)]
    points = np.concatenate([mesh.triangles[facets].mean(axis=1), mesh.triangles[facets][:, 0]])
    low, high = points.min(axis=0), points.max(axis=0)
    pad = 0.01 * float(np.linalg.norm(high - low)) + 1e-12
    corners = mesh.triangles
    near = rest & (corners.min(axis=1) <= high + pad).all(axis=1)
    near &= (corners.max(axis=1) >= low - pad).all(axis=1)
    if not near.any():
        return float("inf")
    return float(distance_to_facets(points, corners[near]).max())
