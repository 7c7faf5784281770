"""Small holes filled and loose patches of facets taken off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patternprep.mesh.mend.close import Work, open_edges
from patternprep.mesh.mend.distance import distance_to_facets
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.mesh.read.polygons import triangulate
from patternprep.mesh.topology import EdgeTable, components, edge_table

__all__ = ["HOLE_CAP", "STRAY_CAP", "drop_loose_patches", "fill_small_holes"]

HOLE_CAP = 5e-3
"""Widest hole that is filled, as a share of the part's diagonal."""
STRAY_CAP = 1e-2
"""Largest extent of a loose patch or stray body that is thrown away, as a share of it."""
_ON_SURFACE = 1e-6
_SAMPLES = 300
_PATCHES = 50


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
    work.faces = np.concatenate([work.faces, lids])
    widest = max(w for _, w in small)
    at = work.points[small[0][0]].mean(axis=0)
    work.tell(f"holes filled, the widest {widest:.3g} mm across", len(small), at=at)


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


def drop_loose_patches(work: Work, hanging_only: bool = False) -> None:
    """Take off patches that hang on the surface by one side and lie on it, or are tiny.

    A patch is what is joined across two-facet edges. A loose one has open edges, and without
    it the edges it hangs on are shared by two facets (or it hangs on nothing). Only those that
    hang on the rest and lie on it are taken off where ``hanging_only``.
    """
    table = edge_table(work.faces)
    if not (table.count == 1).any():
        return
    at = np.flatnonzero(table.simple)
    a, b = table.half[table.start[at]] // 3, table.half[table.start[at] + 1] // 3
    number, patch = components(len(work.faces), a, b)
    opened = np.bincount(patch[table.half[table.start[table.count == 1]] // 3], minlength=number)
    loose = np.flatnonzero(opened > 0)
    size = np.bincount(patch, minlength=number)
    loose = loose[np.argsort(size[loose], kind="stable")]
    if len(loose) == number:
        loose = loose[:-1]
    if len(loose) == 0:
        return
    rims = _Rims(table, patch)
    mesh = Mesh(work.points, work.faces)
    low, high = mesh.triangles.min(axis=1), mesh.triangles.max(axis=1)
    keep = np.ones(len(work.faces), bool)
    lying, tiny = _Removed(), _Removed()
    for label in loose[:_PATCHES]:
        if not rims.sound_without(label) or (hanging_only and not rims.hangs(label)):
            continue
        mine = patch == label
        span = np.array([low[mine].min(axis=0), high[mine].max(axis=0)])
        pad = 0.01 * float(np.linalg.norm(span[1] - span[0])) + 1e-12
        near = (
            keep & ~mine & (low <= span[1] + pad).all(axis=1) & (high >= span[0] - pad).all(axis=1)
        )
        gap = _lies_on(mesh, np.flatnonzero(mine), near)
        reach = float(np.linalg.norm(span[1] - span[0]))
        if gap <= _ON_SURFACE * work.diagonal:
            lying.add(int(size[label]), gap, span.mean(axis=0))
        elif reach <= STRAY_CAP * work.diagonal and not hanging_only:
            tiny.add(int(size[label]), reach, span.mean(axis=0))
        else:
            continue
        keep &= ~mine
        rims.remove(label)
    work.faces = work.faces[keep]
    work.tell(
        "loose facets lying on the surface a second time removed",
        lying.facets, lying.figure, at=lying.where,
    )  # fmt: skip
    work.tell(
        f"stray facets removed, no patch wider than {tiny.figure:.3g} mm",
        tiny.facets, at=tiny.where,
    )  # fmt: skip


@dataclass
class _Removed:
    """Facets taken off, the largest figure among them, and the first place."""

    facets: int = 0
    figure: float = 0.0
    where: FloatArray | None = None

    def add(self, facets: int, figure: float, where: FloatArray) -> None:
        self.facets += facets
        self.figure = max(self.figure, figure)
        self.where = where if self.where is None else self.where


class _Rims:
    """The edges that are not shared by exactly two facets, and which patches meet there."""

    def __init__(self, table: EdgeTable, patch: IntArray) -> None:
        bad = np.flatnonzero(~table.simple)
        count = table.count[bad]
        self.edge = np.repeat(np.arange(len(bad)), count)
        step = np.arange(len(self.edge)) - np.repeat(np.cumsum(count) - count, count)
        self.patch = patch[table.half[table.start[bad][self.edge] + step] // 3]
        up = count - table.descending[bad]
        self.way = np.where(step < up[self.edge], 1, -1)
        self.edges = len(bad)

    def sound_without(self, label: int) -> bool:
        """True when every edge the patch touches would be balanced without it."""
        mine = self.patch == label
        touched = np.zeros(self.edges, bool)
        touched[self.edge[mine]] = True
        balance = np.bincount(self.edge[~mine], self.way[~mine], self.edges)
        return bool((balance[touched] == 0.0).all())

    def hangs(self, label: int) -> bool:
        """True when the patch shares an edge with another one."""
        mine = self.patch == label
        return bool(np.isin(self.edge[~mine], self.edge[mine]).any())

    def remove(self, label: int) -> None:
        rest = self.patch != label
        self.edge, self.patch, self.way = self.edge[rest], self.patch[rest], self.way[rest]


def _lies_on(mesh: Mesh, mine: IntArray, near: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> float:
    """Largest distance of a patch (corners and middles of its facets) from nearby facets."""
    if not near.any():
        return float("inf")
    mine = mine[:: max(1, len(mine) // _SAMPLES)]
    points = np.concatenate([mesh.triangles[mine].mean(axis=1), mesh.triangles[mine][:, 0]])
    return float(distance_to_facets(points, mesh.triangles[near]).max())
