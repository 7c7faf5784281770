"""Vertical lines through a mesh: which facets a line meets, at which heights, and which way.

Facets are sorted into a grid over the plan by the strips they really cover (not by their boxes, so
that long thin facets cost little); a line is then tried only against the facets of its cell.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from patternprep.mesh.mesh import FloatArray, IntArray

__all__ = ["Hits", "PlanGrid", "expand", "extent", "grid_lines"]

_PAIRS_AT_ONCE = 1_500_000
_MOST_CELLS = 1 << 18
_FACET_BITS = 32
_FEW_CELLS = 1.5
_NO_WIDTH_MM = 1e-8


def expand(counts: IntArray) -> tuple[IntArray, IntArray]:
    """For counts (n,): owner index and running number within the owner, both (sum(counts),)."""
    owner = np.repeat(np.arange(len(counts)), counts)
    first = np.cumsum(counts) - counts
    return owner, np.arange(len(owner)) - np.repeat(first, counts)


@dataclass(frozen=True)
class Hits:
    """Crossings of lines with facets, sorted by line and then by height.

    ``line`` (h,) index of the line, ``z`` (h,) mm, ``up`` (h,) +1 where the facet faces up and -1
    where it faces down, ``facet`` (h,).
    """

    line: IntArray
    z: FloatArray
    up: npt.NDArray[np.int8]
    facet: IntArray

    def bounds(self, lines: int) -> tuple[IntArray, IntArray]:
        """First hit and number of hits of each line, both (lines,)."""
        count = np.bincount(self.line, minlength=lines)
        return np.cumsum(count) - count, count


class PlanGrid:
    """Facets (k, 3, 3) in mm, ready to be met by vertical lines."""

    def __init__(self, triangles: FloatArray) -> None:
        cross_z = _cross_z(triangles)
        # an upright facet is met by no line; its neighbours are
        self._ids = np.flatnonzero(np.abs(cross_z) > _NO_WIDTH_MM * _longest(triangles))
        tri = triangles[self._ids]
        self._cross_z = cross_z[self._ids]
        self.empty = len(tri) == 0
        if self.empty:
            return
        self._up = np.where(self._cross_z > 0.0, 1, -1).astype(np.int8)
        self._z_low, self._z_high = extent(tri[..., 2])
        plan = tri[..., :2]
        self._low = np.array([plan[..., i].min() for i in (0, 1)])
        high = np.array([plan[..., i].max() for i in (0, 1)])
        span = np.maximum(high - self._low, 1e-9)
        cells = float(np.clip(4 * len(tri), 4096, _MOST_CELLS))
        self._cell = max(float(np.sqrt(span[0] * span[1] / cells)), float(span.max()) / 4096.0)
        self._shape = np.floor(span / self._cell).astype(np.int64) + 1
        self._edges = _edges_of(tri, self._up, self._low)
        self._plane = _plane_of(tri, self._cross_z, self._low)
        self._fill(plan)

    def _fill(self, plan: FloatArray) -> None:
        """Sort the facets into the cells that they cover."""
        cell, low = self._cell, self._low
        y = (plan[..., 1] - low[1]) / cell
        x = (plan[..., 0] - low[0]) / cell
        y_low, y_high = extent(y)
        row_low = np.floor(y_low - 1e-6).astype(np.int64).clip(0, self._shape[1] - 1)
        row_high = np.floor(y_high + 1e-6).astype(np.int64).clip(0, self._shape[1] - 1)
        x_low, x_high = extent(x)
        # a facet that is only a few cells wide is put into all cells of its box
        several = (row_high > row_low) & (x_high - x_low > _FEW_CELLS)
        owner, step = expand(row_high - row_low + 1)
        row = row_low[owner] + step
        left, right = x_low[owner], x_high[owner]
        many = np.flatnonzero(several[owner])
        if len(many):
            strip = _strip(x, y, owner[many], row[many])
            # rounding cannot leave the facet's own box
            left[many] = np.maximum(strip[0], left[many])
            right[many] = np.maximum(np.minimum(strip[1], right[many]), left[many])
        column_low = np.floor(left - 1e-6).astype(np.int64).clip(0, self._shape[0] - 1)
        column_high = np.floor(right + 1e-6).astype(np.int64).clip(0, self._shape[0] - 1)
        pair, step = expand(column_high - column_low + 1)
        # cell in the high bits, facet in the low ones: one plain sort
        key = row[pair] * self._shape[0] + column_low[pair] + step
        key = np.sort(key << _FACET_BITS | owner[pair])
        self._content = key & ((1 << _FACET_BITS) - 1)
        cells = int(self._shape[0] * self._shape[1])
        count = np.bincount(key >> _FACET_BITS, minlength=cells)
        self._count = count
        self._first = np.cumsum(count) - count

    def _pairs(self, points: FloatArray) -> Iterator[tuple[IntArray, IntArray]]:
        """Chunks of (point, facet) that share a cell, points ascending."""
        column = np.floor((points[:, 0] - self._low[0]) / self._cell).astype(np.int64)
        row = np.floor((points[:, 1] - self._low[1]) / self._cell).astype(np.int64)
        # a line on the far rim of the grid belongs to the last cell; others outside meet nothing
        column[column == self._shape[0]] -= 1
        row[row == self._shape[1]] -= 1
        column[column == -1] = 0
        row[row == -1] = 0
        inside = (column >= 0) & (row >= 0) & (column < self._shape[0]) & (row < self._shape[1])
        which = np.flatnonzero(inside)
        key = row[which] * self._shape[0] + column[which]
        count = self._count[key]
        end = np.cumsum(count)
        start = 0
        while start < len(which):
            base = int(end[start - 1]) if start else 0
            stop = int(np.searchsorted(end, base + _PAIRS_AT_ONCE, side="right"))
            stop = max(stop, start + 1)
            owner, step = expand(count[start:stop])
            yield (
                which[start:stop][owner],
                self._content[self._first[key[start:stop]][owner] + step],
            )
            start = stop

    def hits(self, points: FloatArray) -> Hits:
        """Crossings of the vertical lines through plan points (n, 2).

        A line that runs exactly through an edge may miss both facets beside it: lines whose
        crossings do not alternate must be tried again a little aside.
        """
        return self._meet(points, 0.0)

    def near(self, points: FloatArray, reach: float) -> Hits:
        """Like :meth:`hits`, but a line also meets facets that it passes within reach, mm."""
        return self._meet(points, reach)

    def _meet(self, points: FloatArray, reach: float) -> Hits:
        if self.empty:
            none = np.zeros(0, dtype=np.int64)
            return Hits(none, np.zeros(0), none.astype(np.int8), none)
        least = -reach if reach > 0.0 else np.nextafter(0.0, 1.0)
        found: list[tuple[IntArray, IntArray, FloatArray]] = []
        for point, facet in self._pairs(points):
            x, y = points[point, 0] - self._low[0], points[point, 1] - self._low[1]
            for edge in self._edges:
                row = edge[facet]
                keep = np.flatnonzero(row[:, 0] * x + row[:, 1] * y + row[:, 2] >= least)
                point, facet, x, y = point[keep], facet[keep], x[keep], y[keep]
            row = self._plane[facet]
            found.append((point, facet, row[:, 0] * x + row[:, 1] * y + row[:, 2]))
        line = np.concatenate([f[0] for f in found] or [np.zeros(0, np.int64)])
        facet = np.concatenate([f[1] for f in found] or [np.zeros(0, np.int64)])
        z = np.concatenate([f[2] for f in found] or [np.zeros(0)])
        z = np.clip(z, self._z_low[facet], self._z_high[facet])
        order = np.lexsort((z, line))
        facet = facet[order]
        return Hits(line[order], z[order], self._up[facet], self._ids[facet])

    def tops(
        self, points: FloatArray, reach: float, sign: float = 1.0
    ) -> tuple[FloatArray, IntArray]:
        """Height of the highest facet over each plan point (-inf where none) and that facet.

        With sign -1 everything is seen mirrored in z = 0: the lowest facet, its height negated.
        """
        top = np.full(len(points), -np.inf)
        facet = np.full(len(points), -1, dtype=np.int64)
        met = self.near(points, reach)
        if len(met.line):
            change = met.line[1:] != met.line[:-1]
            last = np.flatnonzero(
                np.append(change, True) if sign > 0.0 else np.append(True, change)
            )
            top[met.line[last]] = sign * met.z[last]
            facet[met.line[last]] = met.facet[last]
        return top, facet


def _cross_z(triangles: FloatArray) -> FloatArray:
    """Twice the signed plan area of each facet, mm2."""
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    return (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])


def _longest(triangles: FloatArray) -> FloatArray:
    """Longest side of each facet in plan, mm."""
    x, y = triangles[..., 0], triangles[..., 1]
    sides = [np.hypot(x[:, i] - x[:, i - 1], y[:, i] - y[:, i - 1]) for i in range(3)]
    return np.asarray(np.maximum(np.maximum(sides[0], sides[1]), sides[2]))


def extent(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least and greatest of three columns, or of three rows of vectors: (k, 3) or (k, 3, d)."""
    a, b, c = values[:, 0], values[:, 1], values[:, 2]
    return np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)


def _edges_of(tri: FloatArray, up: npt.NDArray[np.int8], low: FloatArray) -> list[FloatArray]:
    """Three edge functions of each facet (positive inside, mm from the edge), longest edge first.

    A function is built from the edge's ends in a fixed order, so that the two facets beside an
    edge see exactly opposite values.
    """
    rows = np.empty((len(tri), 3, 3))
    lengths = np.empty((len(tri), 3))
    for i in range(3):
        p, q = tri[:, i, :2] - low, tri[:, (i + 1) % 3, :2] - low
        swap = (p[:, 0] > q[:, 0]) | ((p[:, 0] == q[:, 0]) & (p[:, 1] > q[:, 1]))
        first, second = np.where(swap[:, None], q, p), np.where(swap[:, None], p, q)
        d = second - first
        length = np.hypot(d[:, 0], d[:, 1])
        sign = np.where(swap, -1.0, 1.0) * up / np.where(length > 0.0, length, 1.0)
        rows[:, i, 0] = -d[:, 1] * sign
        rows[:, i, 1] = d[:, 0] * sign
        rows[:, i, 2] = (d[:, 1] * first[:, 0] - d[:, 0] * first[:, 1]) * sign
        lengths[:, i] = length
    order = np.argsort(-lengths, axis=1, kind="stable")
    each = np.arange(len(tri))
    return [np.ascontiguousarray(rows[each, order[:, i]]) for i in range(3)]


def _plane_of(tri: FloatArray, cross_z: FloatArray, low: FloatArray) -> FloatArray:
    """Height z = gx x + gy y + c of each facet over the plan, (k, 3)."""
    b, c = tri[:, 1] - tri[:, 0], tri[:, 2] - tri[:, 0]
    plane = np.empty((len(tri), 3))
    plane[:, 0] = -(b[:, 1] * c[:, 2] - b[:, 2] * c[:, 1]) / cross_z
    plane[:, 1] = -(b[:, 2] * c[:, 0] - b[:, 0] * c[:, 2]) / cross_z
    a = tri[:, 0, :2] - low
    plane[:, 2] = tri[:, 0, 2] - plane[:, 0] * a[:, 0] - plane[:, 1] * a[:, 1]
    return plane


def _strip(
    x: FloatArray, y: FloatArray, owner: IntArray, row: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Least and greatest x of a facet within its row of cells (all in cells)."""
    low, high = row - 1e-6, row + 1.0 + 1e-6
    left = np.full(len(owner), np.inf)
    right = np.full(len(owner), -np.inf)
    for i in range(3):
        xa, ya = x[owner, i], y[owner, i]
        xb, yb = x[owner, (i + 1) % 3], y[owner, (i + 1) % 3]
        run = yb - ya
        slope = np.divide(xb - xa, run, out=np.zeros_like(run), where=run != 0.0)
        for bound in (low, high):
            y_at = np.clip(ya, low, high) if bound is low else np.clip(yb, low, high)
            base_x, base_y = (xa, ya) if bound is low else (xb, yb)
            at = base_x + (y_at - base_y) * slope
            valid = (np.minimum(ya, yb) <= high) & (np.maximum(ya, yb) >= low)
            left = np.where(valid, np.minimum(left, at), left)
            right = np.where(valid, np.maximum(right, at), right)
    return left, right


def grid_lines(low: FloatArray, high: FloatArray, wanted: int) -> tuple[FloatArray, float]:
    """Plan points (n, 2) of a regular field of lines over a box, and the area each stands for.

    The field is shifted and each point moved aside by a fixed sequence of irrational steps, so
    that no line runs along the edges of a part drawn on round figures.
    """
    span = np.maximum(high[:2] - low[:2], 1e-6)
    step = float(np.sqrt(span[0] * span[1] / wanted))
    step = max(step, float(span.max()) / wanted)
    shape = np.maximum(np.ceil(span / step).astype(int), 1)
    cell = span / shape
    column, row = np.meshgrid(np.arange(shape[0]), np.arange(shape[1]))
    number = np.arange(column.size)
    aside = np.stack(
        [np.modf(number * 0.7548776662466927)[0], np.modf(number * 0.5698402909980532)[0]], axis=1
    )
    base = np.stack([column.ravel(), row.ravel()], axis=1) + 0.05 + 0.9 * aside
    return low[:2] + base * cell, float(cell[0] * cell[1])
