"""What lies under other material: facets that look up and are covered from above."""

from __future__ import annotations

import numpy as np

from patternprep.mesh.mesh import FloatArray, IntArray
from patternprep.pattern.draft.topology import BoolArray, HalfEdges

__all__ = ["beside", "covered_facets"]

_CELLS = (64, 768)
_CELLS_PER_ROOT = 2.0
_ABOVE_MM = 1e-5
_INSET = 0.02
_LONG_SHARE = 0.02
_LONG_STEPS = 12
_PAIRS_AT_ONCE = 4_000_000


def covered_facets(mesh: HalfEdges, up: IntArray, down: IntArray) -> tuple[BoolArray, BoolArray]:
    """(some point of it, every point asked of it) lies under a facet of ``down``, (m,) each.

    Asked are, of every facet of ``up``, its middle and three points near its corners; of one that
    is long in plan, points spread all over it.
    """
    some, every = np.zeros((2, len(mesh.faces)), dtype=bool)
    if not len(up) or not len(down):
        return some, every
    plan = mesh.points[mesh.faces[up], :2]
    size = float(np.ptp(mesh.points[:, :2], axis=0).max())
    long = np.ptp(plan, axis=1).max(axis=1) > _LONG_SHARE * size
    lids = mesh.points[mesh.faces[down]]
    for facets, steps in ((up[~long], 1), (up[long], _LONG_STEPS)):
        if len(facets):
            weights = _weights(steps)
            points = np.einsum("ij,kjl->kil", weights, mesh.points[mesh.faces[facets]])
            found = _covered(lids, points.reshape(-1, 3)).reshape(-1, len(weights))
            some[facets] = found.any(axis=1)
            every[facets] = found.all(axis=1)
    return some, every


def _weights(steps: int) -> FloatArray:
    """Points of a triangle: a lattice of so many steps a side, drawn in a little; its middle."""
    lattice = [(i, j, steps - i - j) for i in range(steps + 1) for j in range(steps + 1 - i)]
    weights = np.array([*lattice, (steps / 3.0,) * 3]) / steps
    return np.asarray(weights + _INSET * (1.0 / 3.0 - weights))


def beside(mesh: HalfEdges, facets: BoolArray) -> BoolArray:
    """The facets and all that share a vertex with one of them."""
    touched = np.zeros(len(mesh.points), dtype=bool)
    touched[mesh.faces[facets].reshape(-1)] = True
    return np.asarray(touched[mesh.faces].any(axis=1))


def _covered(lids: FloatArray, points: FloatArray) -> BoolArray:
    """Which points (n, 3) lie under one of the facets (k, 3, 3).

    A raster settles most of them: a point as high as all lids of its cell is not covered, one
    lower than a lid over the whole cell is. The others are asked of every lid of their cell.
    """
    cells = int(np.clip(_CELLS_PER_ROOT * len(lids) ** 0.5, *_CELLS))
    low, high = lids.min(axis=1), lids.max(axis=1)
    origin = low[:, :2].min(axis=0)
    size = float((high[:, :2].max(axis=0) - origin).max()) / cells + 1e-9
    first = np.floor((low[:, :2] - origin) / size).astype(np.int64)
    wide = np.floor((high[:, :2] - origin) / size).astype(np.int64) - first + 1
    lid, step = _spread(wide[:, 0] * wide[:, 1])
    x = first[lid, 0] + step % wide[lid, 0]
    y = first[lid, 1] + step // wide[lid, 0]
    cell = x * (cells + 2) + y
    most, sure = np.full((2, (cells + 2) ** 2), -np.inf)
    np.maximum.at(most, cell, high[lid, 2])
    broad = (wide > 2).all(axis=1)[lid]
    whole, floor = _over_cells(lids[lid[broad]], x[broad], y[broad], origin, size)
    np.maximum.at(sure, cell[broad][whole], floor[whole])
    order = np.argsort(cell, kind="stable")
    cell, lid = cell[order], lid[order]
    starts = np.searchsorted(cell, np.arange((cells + 2) ** 2 + 1))
    at = np.floor((points[:, :2] - origin) / size).astype(np.int64)
    within = ((at >= 0) & (at <= cells)).all(axis=1)
    key = np.where(within, at[:, 0] * (cells + 2) + at[:, 1], 0)
    height = points[:, 2] + _ABOVE_MM
    covered = within & (sure[key] > height)
    asked = np.flatnonzero(within & ~covered & (most[key] > height))
    number = starts[key[asked] + 1] - starts[key[asked]]
    ends = np.cumsum(number)
    begin = 0
    while begin < len(asked):
        done = ends[begin - 1] if begin else 0
        stop = int(np.searchsorted(ends, done + _PAIRS_AT_ONCE, side="right"))
        stop = max(stop, begin + 1)
        owner, step = _spread(number[begin:stop])
        point = asked[begin:stop][owner]
        above = lid[starts[key[point]] + step]
        for value, edge, sign in (
            (height, high[:, 2], 1.0),
            (points[:, 0], low[:, 0], -1.0),
            (points[:, 0], high[:, 0], 1.0),
            (points[:, 1], low[:, 1], -1.0),
            (points[:, 1], high[:, 1], 1.0),
        ):
            near = sign * (edge[above] - value[point]) >= 0.0
            point, above = point[near], above[near]
        covered[point[_under(points[point], lids[above])]] = True
        begin = stop
    return covered


def _over_cells(
    lids: FloatArray, x: IntArray, y: IntArray, origin: FloatArray, size: float
) -> tuple[BoolArray, FloatArray]:
    """(whether each lid covers its cell (x, y) wholly, its least height over the cell)."""
    whole = np.ones(len(lids), dtype=bool)
    floor = np.full(len(lids), np.inf)
    for i in (0.0, 1.0):
        for j in (0.0, 1.0):
            plan = origin + size * np.column_stack([x + i, y + j])
            inside, height = _height_at(plan, lids)
            whole &= inside
            floor = np.minimum(floor, height)
    return whole, floor


def _spread(count: IntArray) -> tuple[IntArray, IntArray]:
    """Owner and running number of each of ``count`` items per owner."""
    owner = np.repeat(np.arange(len(count)), count)
    return owner, np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)


def _under(points: FloatArray, lids: FloatArray) -> BoolArray:
    """Whether each point (n, 3) lies under its facet (n, 3, 3) that looks down."""
    inside, height = _height_at(points[:, :2], lids)
    return np.asarray(inside & (height > points[:, 2] + _ABOVE_MM))


def _height_at(plan: FloatArray, lids: FloatArray) -> tuple[BoolArray, FloatArray]:
    """(whether plan points (n, 2) lie within facets (n, 3, 3) that look down, height there)."""
    a, b, c = lids[:, 0], lids[:, 1], lids[:, 2]
    px, py = plan.T

    def side(u: FloatArray, v: FloatArray) -> FloatArray:
        return (v[:, 0] - u[:, 0]) * (py - u[:, 1]) - (v[:, 1] - u[:, 1]) * (px - u[:, 0])

    wc, wa, wb = side(a, b), side(b, c), side(c, a)
    total = wa + wb + wc
    inside = (wa <= 0.0) & (wb <= 0.0) & (wc <= 0.0) & (total < 0.0)
    safe = np.where(inside, total, 1.0)
    height = (wa * a[:, 2] + wb * b[:, 2] + wc * c[:, 2]) / safe
    return np.asarray(inside), height
