"""Closing a surface: corners that miss each other, doubled facets, cracks along edges.

A crack is closed from both sides: corners on open edges that lie within the tolerance of each
other become one, and an open edge is broken at every open corner that lies on it within the
tolerance. The tolerance starts at rounding noise and grows only while edges stay open.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from patternprep.mesh.check import flat_facets
from patternprep.mesh.mend.report import Mending
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.mesh.settle import cancel_opposites, flip_flat_facets
from patternprep.mesh.topology import (
    EdgeTable,
    components,
    edge_table,
    group_equal,
    unique_rows,
    used_only,
)

__all__ = ["CRACK_CAP", "Work", "close_surface", "flip_flat", "open_edges"]

_NOISE = (1e-9, 1e-7, 1e-6)
_TOLERANCES = (1e-5, 3e-5, 1e-4, 2e-4, 5e-4)
_EXACT = 1e-7
CRACK_CAP = _TOLERANCES[-1]
"""Widest crack that is closed, as a share of the part's diagonal."""
_PASSES = 6
_BOTH_SIDED = 0.9
_FEW_OPEN, _MANY_OPEN = 2000, 0.1
"""Beyond both an open surface is no cracked solid, and closing it is not tried."""


@dataclass
class Work:
    """A surface under mending: corners (n, 3) mm, facets (m, 3), and what was done so far."""

    points: FloatArray
    faces: IntArray
    diagonal: float
    done: list[Mending] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    rim: np.ndarray[tuple[int], np.dtype[np.bool_]] | None = None
    """Corners to look at where only the facets about them are held, (n,) bool."""
    tried: float = 0.0
    """Widest crack, mm, that was looked for."""

    @property
    def open(self) -> IntArray:
        """Half-edges that stand alone; without those at the limits of what is held."""
        half = open_edges(self.faces)
        if self.rim is None or len(half) == 0:
            return half
        tail, head = _ends(self.faces, half)
        return half[self.rim[tail] | self.rim[head]]

    @property
    def mesh(self) -> Mesh:
        """The surface as it stands, without corners that no facet uses."""
        kept, faces = used_only(self.faces, len(self.points))
        return Mesh(self.points[kept], faces)

    def tell(
        self,
        what: str,
        count: int,
        moved: float = 0.0,
        volume: float = 0.0,
        at: FloatArray | None = None,
    ) -> None:
        """Note a mending, if anything was done."""
        if count:
            moved = 0.0 if moved <= 1e-9 * self.diagonal else moved
            volume = 0.0 if abs(volume) <= 1e-12 * self.diagonal**3 else volume
            where = None if at is None else (float(at[0]), float(at[1]), float(at[2]))
            self.done.append(Mending(what, int(count), float(moved), float(volume), where))


def open_edges(faces: IntArray, table: EdgeTable | None = None) -> IntArray:
    """Half-edges that stand alone on their edge."""
    table = edge_table(faces) if table is None else table
    return table.half[table.start[table.count == 1]]


def close_surface(work: Work) -> None:
    """Clean up, then weld and zip until no edge is open or the widest tolerance is reached."""
    from patternprep.mesh.mend.holes import drop_loose_patches

    _drop_collapsed(work)
    _drop_doubles(work)
    _drop_flat(work)
    _zip(work, _NOISE)
    if len(open_edges(work.faces)):
        drop_loose_patches(work, hanging_only=True)
    left = len(open_edges(work.faces))
    if 0 < left <= max(_FEW_OPEN, int(_MANY_OPEN * len(work.faces))):
        _zip(work, _TOLERANCES)
        if len(open_edges(work.faces)):
            drop_loose_patches(work)
    flip_flat(work)


def _zip(work: Work, tolerances: tuple[float, ...]) -> None:
    """Close cracks at growing tolerances (shares of the diagonal) while edges stay open.

    Works on the facets that touch an open edge's ends only; the rest of the surface stays.
    """
    tail, head = _ends(work.faces, open_edges(work.faces))
    if len(tail) == 0:
        return
    rim = np.zeros(len(work.points), bool)
    rim[tail] = rim[head] = True
    near = rim[work.faces].any(axis=1)
    local = Work(work.points, work.faces[near], work.diagonal, rim=rim)
    shift = np.zeros(len(work.points))  # how far each corner, or the surface at it, has moved
    count, first = 0, None
    for share in tolerances:
        if len(local.open) == 0:
            break
        local.tried = share * work.diagonal
        closed, place = _close_at(local, local.tried, shift)
        count, first = count + closed, place if first is None else first
    work.tried = local.tried
    if count == 0:
        return
    centre = work.points[tail].mean(axis=0)
    change = _volume(local.points, local.faces, centre) - _volume(
        work.points, work.faces[near], centre
    )
    used = np.unique(local.faces)
    if first is None:
        first = local.points[used[int(np.argmax(shift[used]))]]
    work.points = local.points
    work.faces = np.concatenate([work.faces[~near], local.faces])
    work.tell(
        "corners joined and edges broken to close cracks",
        count,
        float(shift[used].max()),
        change,
        first,
    )


def _close_at(work: Work, tolerance: float, shift: FloatArray) -> tuple[int, FloatArray | None]:
    """Weld and break at one tolerance: (corners joined and edges broken, first place)."""
    count, first = 0, None
    for _ in range(_PASSES):
        joined = _weld_all(work, tolerance, shift)
        broken, place = _break_open(work, tolerance, shift)
        if joined + broken == 0:
            joined = _weld_open(work, tolerance, shift, edges_too=True)
        if joined + broken == 0:
            break
        count, first = count + joined + broken, place if first is None else first
        _drop_collapsed(work, quiet=True)
        _drop_doubles(work, quiet=True)
    return count, first


def _volume(points: FloatArray, faces: IntArray, centre: FloatArray) -> float:
    a, b, c = (points[faces[:, i]] - centre for i in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


def _weld_all(work: Work, tolerance: float, shift: FloatArray) -> int:
    """Join open corners until none is within the tolerance of another: how many were joined."""
    total = 0
    while joined := _weld_open(work, tolerance, shift):
        total += joined
        _drop_collapsed(work, quiet=True)
    return total


def _drop_collapsed(work: Work, quiet: bool = False) -> None:
    a, b, c = work.faces.T
    gone = (a == b) | (b == c) | (c == a)
    if gone.any():
        at = work.points[work.faces[int(np.argmax(gone)), 0]]
        work.faces = work.faces[~gone]
        if not quiet:
            work.tell("facets collapsed to a line or point removed", int(gone.sum()), at=at)


def _drop_doubles(work: Work, quiet: bool = False) -> None:
    """Facets given twice become one; pairs wound both ways vanish, unless everything is doubled."""
    _, group = unique_rows(np.sort(work.faces, axis=1).astype(np.float64))
    size = np.bincount(group)
    if (size == 1).all():
        return
    at = work.points[work.faces[int(np.argmax(size[group] > 1))]].mean(axis=0)
    before = len(work.faces)
    single = cancel_opposites(work.faces)
    doubled = np.count_nonzero(size[group] > 1) >= _BOTH_SIDED * before
    if doubled and len(single) < before and not quiet:
        order, start = group_equal(group)
        work.faces = work.faces[np.sort(order[start])]
        work.tell("facets given on both sides kept once", before - len(work.faces), at=at)
        return
    work.faces = single
    cancelled = before - len(work.faces)
    _, group = unique_rows(np.sort(work.faces, axis=1).astype(np.float64))
    order, start = group_equal(group)
    if len(start) < len(work.faces):
        kept = len(work.faces)
        work.faces = work.faces[np.sort(order[start])]
        if not quiet:
            work.tell("facets given twice kept once", kept - len(work.faces), at=at)
    if not quiet:
        work.tell("facets lying back to back removed", cancelled, at=at)


def _drop_flat(work: Work) -> None:
    """Facets without area go; the edge they leave open is broken at the corner that lay on it."""
    work_flat = flat_facets(Mesh(work.points, work.faces))
    if work_flat.any():
        at = work.points[work.faces[int(np.argmax(work_flat)), 0]]
        work.faces = work.faces[~work_flat]
        work.tell("facets without area removed", int(work_flat.sum()), at=at)


def flip_flat(work: Work) -> None:
    """Turn facets without area into their neighbours; the surface does not move."""
    flat = flat_facets(Mesh(work.points, work.faces))
    if flat.any():
        before = int(flat.sum())
        at = work.points[work.faces[int(np.argmax(flat)), 0]]
        work.faces = flip_flat_facets(work.points, work.faces)
        left = int(flat_facets(Mesh(work.points, work.faces)).sum())
        work.tell("facets without area turned into their neighbours", before - left, at=at)


def _ends(faces: IntArray, half: IntArray) -> tuple[IntArray, IntArray]:
    return faces[half // 3, half % 3], faces[half // 3, (half % 3 + 1) % 3]


def _weld_open(work: Work, tolerance: float, shift: FloatArray, edges_too: bool = False) -> int:
    """Join pairs of open corners that are each other's nearest: how many corners went.

    Corners joined by an edge are left apart, unless ``edges_too``. Only pairs are joined, so
    that a finely cut rim is never drawn together into one point.
    """
    from scipy.spatial import cKDTree

    tail, head = _ends(work.faces, work.open)
    rim = np.unique(np.concatenate([tail, head]))
    if len(rim) < 2:
        return 0
    pairs = cKDTree(work.points[rim]).query_pairs(tolerance, output_type="ndarray")
    a, b = rim[pairs[:, 0]], rim[pairs[:, 1]]
    noise = tolerance <= _NOISE[0] * work.diagonal
    if not (edges_too or noise):
        apart = ~_is_edge(work.faces, len(work.points), a, b)
        a, b = a[apart], b[apart]
    if len(a) == 0:
        return 0
    if noise:
        return _join(work, rim, a, b, shift)
    length = np.linalg.norm(work.points[a] - work.points[b], axis=1)
    order = np.lexsort((np.maximum(a, b), np.minimum(a, b), length))
    a, b = a[order], b[order]
    rank = np.arange(len(a))
    best = np.full(len(work.points), len(a), np.int64)
    np.minimum.at(best, a, rank)
    np.minimum.at(best, b, rank)
    mutual = (best[a] == rank) & (best[b] == rank)
    return _join(work, rim, a[mutual], b[mutual], shift)


def _join(work: Work, rim: IntArray, a: IntArray, b: IntArray, shift: FloatArray) -> int:
    """Make linked corners one, at their middle, and note how far each has moved."""
    slot = np.full(len(work.points), -1, np.int64)
    slot[rim] = np.arange(len(rim))
    number, label = components(len(rim), slot[a], slot[b])
    size = np.bincount(label, minlength=number)
    lead = np.full(number, len(work.points), np.int64)
    np.minimum.at(lead, label, rim)
    points = work.points.copy()
    base = points[lead]  # middles are taken from the first corner, which keeps equal ones exact
    offset = points[rim] - base[label]
    mean = base + np.column_stack(
        [np.bincount(label, offset[:, k], number) / size for k in range(3)]
    )
    gone = shift[rim] + np.linalg.norm(points[rim] - mean[label], axis=1)
    reach = np.zeros(number)
    np.maximum.at(reach, label, gone)
    grown = size > 1
    shift[lead[grown]] = reach[grown]
    points[lead[grown]] = mean[grown]
    target = np.arange(len(points))
    target[rim] = lead[label]
    work.points, work.faces = points, target[work.faces]
    return int(len(rim) - number)


def _is_edge(
    faces: IntArray, count: int, a: IntArray, b: IntArray
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    tail, head = faces.reshape(-1), faces[:, [1, 2, 0]].reshape(-1)
    keys = np.minimum(tail, head) * count + np.maximum(tail, head)
    return np.isin(np.minimum(a, b) * count + np.maximum(a, b), keys)


def _break_open(work: Work, tolerance: float, shift: FloatArray) -> tuple[int, FloatArray | None]:
    """Break open edges at open corners on them: (breaks, first place)."""
    half = work.open
    if len(half) < 3:
        return 0, None
    tail, head = _ends(work.faces, half)
    rim = np.unique(np.concatenate([tail, head]))
    edge, corner = _near_pairs(work.points, tail, head, rim, tolerance)
    other = (corner != tail[edge]) & (corner != head[edge])
    apex = work.faces[half // 3, (half % 3 + 2) % 3]
    other &= corner != apex[edge]
    edge, corner = edge[other], corner[other]
    a, b, p = work.points[tail[edge]], work.points[head[edge]], work.points[corner]
    along = b - a
    length = np.linalg.norm(along, axis=1)
    t = np.einsum("ij,ij->i", p - a, along) / np.maximum(length**2, 1e-300)
    gap = np.linalg.norm(p - (a + t[:, None] * along), axis=1)
    # Near an edge's end a corner belongs to that end's corner, once the tolerance reaches it.
    exact = tolerance <= _EXACT * work.diagonal
    inset = np.minimum((2.0 * tolerance) if exact else CRACK_CAP * work.diagonal, 0.3 * length)
    on = (gap <= tolerance) & (t * length > inset) & ((1.0 - t) * length > inset)
    edge, corner, t, gap = edge[on], corner[on], t[on], gap[on]
    if len(edge) == 0:
        return 0, None
    # One broken edge a facet in one pass; the rest follow in the next.
    facet = half // 3
    first_edge = np.full(len(work.faces), len(half), np.int64)
    np.minimum.at(first_edge, facet[edge], edge)
    mine = first_edge[facet[edge]] == edge
    edge, corner, t, gap = edge[mine], corner[mine], t[mine], gap[mine]
    order = np.lexsort((corner, t, edge))
    edge, corner, gap = edge[order], corner[order], gap[order]
    ends = np.maximum(shift[tail[edge]], shift[head[edge]])
    np.maximum.at(shift, corner, ends + gap)
    work.faces = _fans(work.faces, half, edge, corner)
    return len(edge), work.points[corner[0]]


def _near_pairs(
    points: FloatArray, tail: IntArray, head: IntArray, rim: IntArray, tolerance: float
) -> tuple[IntArray, IntArray]:
    """Candidate (edge, corner) pairs, found by stations along the edges."""
    from scipy.spatial import cKDTree

    a, b = points[tail], points[head]
    length = np.linalg.norm(b - a, axis=1)
    pace = max(float(np.median(length)), 4.0 * tolerance, float(length.max()) / 2000.0, 1e-300)
    stations = np.ceil(length / pace).astype(np.int64).clip(1)
    edge = np.repeat(np.arange(len(tail)), stations)
    step = np.arange(len(edge)) - np.repeat(np.cumsum(stations) - stations, stations)
    share = (step + 0.5) / stations[edge]
    middle = a[edge] + share[:, None] * (b - a)[edge]
    reach = 0.5 * (length / stations)[edge] * 1.0001 + tolerance
    tree = cKDTree(points[rim])
    found = tree.query_ball_point(middle, reach)
    counts = np.array([len(f) for f in found], dtype=np.int64)
    if counts.sum() == 0:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    corner = rim[np.concatenate([np.array(f, dtype=np.int64) for f in found if f])]
    pair = np.unique(np.repeat(edge, counts) * len(points) + corner)
    return pair // len(points), pair % len(points)


def _fans(faces: IntArray, half: IntArray, edge: IntArray, corner: IntArray) -> IntArray:
    """Each facet with a broken edge becomes a fan from the corner opposite that edge."""
    broken, start, count = np.unique(edge, return_index=True, return_counts=True)
    h = half[broken]
    tail, head = _ends(faces, h)
    apex = faces[h // 3, (h % 3 + 2) % 3]
    parts = count + 1
    owner = np.repeat(np.arange(len(broken)), parts)
    step = np.arange(len(owner)) - np.repeat(np.cumsum(parts) - parts, parts)
    row = start[owner] + step
    begin = np.where(step == 0, tail[owner], corner[np.maximum(row - 1, 0)])
    last = step == count[owner]
    end = np.where(last, head[owner], corner[np.minimum(row, len(corner) - 1)])
    keep = np.ones(len(faces), bool)
    keep[h // 3] = False
    return np.concatenate([faces[keep], np.column_stack([apex[owner], begin, end])])
