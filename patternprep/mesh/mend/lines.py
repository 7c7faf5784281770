"""Straight lines sent through a surface: how often material is counted along them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patternprep.mesh.mesh import FloatArray, IntArray, Mesh

__all__ = ["LineCount", "count_all_ways", "count_along_lines"]


@dataclass(frozen=True)
class LineCount:
    """What lines along one axis met.

    ``twice_mm3`` and ``inverted_mm3`` estimate the space counted as material more than once and
    less than no time; ``volume_mm3`` that counted at least once; ``where`` is the middle of the
    longest faulty stretch, ``region`` the bounds (2, 3) of all of them, a line's pitch wider.
    """

    twice_mm3: float
    inverted_mm3: float
    volume_mm3: float
    where: tuple[float, float, float] | None
    region: FloatArray | None = None

    @property
    def faulty_mm3(self) -> float:
        """Space counted twice or inverted."""
        return self.twice_mm3 + self.inverted_mm3


def count_along_lines(mesh: Mesh, axis: int, lines: int = 96) -> LineCount:
    """Send lines x lines parallel lines along an axis through a closed surface.

    Entering through a facet adds one, leaving takes one off; in a sound solid the count along
    a line is 0 or 1 everywhere. Stretches shorter than 1e-6 of the diagonal are passed over,
    and so are lines that end with a count (they ran along an edge).
    """
    u, v = (axis + 1) % 3, (axis + 2) % 3
    low, high = mesh.bounds
    # Odd shares of the cell keep the lines off the round numbers that parts are made of.
    pace_u, pace_v = (high[u] - low[u]) / lines, (high[v] - low[v]) / lines
    if not (pace_u > 0.0 and pace_v > 0.0):
        return LineCount(0.0, 0.0, 0.0, None)
    corners = mesh.triangles
    p = (corners[:, :, u] - low[u]) / pace_u - 0.4142135
    q = (corners[:, :, v] - low[v]) / pace_v - 0.7320508
    line, facet = _met(p, q, lines)
    if len(line) == 0:
        return LineCount(0.0, 0.0, 0.0, None)
    height, sign = _crossing(p[facet], q[facet], corners[facet, :, axis], line, lines)
    hit = np.isfinite(height)
    line, height, sign = line[hit], height[hit], sign[hit]
    order = np.lexsort((sign, height, line))
    line, height, sign = line[order], height[order], sign[order]
    count = np.cumsum(sign)
    last = np.ones(len(line), bool)
    last[:-1] = line[1:] != line[:-1]
    total = np.diff(np.concatenate([[0], count[last]]))
    first = np.concatenate([[0], np.flatnonzero(last)[:-1] + 1])
    runs = np.diff(np.append(first, len(line)))
    count -= np.repeat(count[first] - sign[first], runs)
    good = np.repeat(total == 0, runs) & ~last
    length = np.zeros(len(line))
    length[:-1] = height[1:] - height[:-1]
    length[~good] = 0.0
    length[length < 1e-6 * float(np.linalg.norm(mesh.size))] = 0.0
    cell = pace_u * pace_v
    fault = np.where((count > 1) | (count < 0), length, 0.0)
    where = region = None
    if fault.any():
        ends = np.zeros((2, int(np.count_nonzero(fault)), 3))
        at = fault > 0.0
        ends[0, :, axis], ends[1, :, axis] = height[at], (height + length)[at]
        for side, shift in ((0, -1.0), (1, 1.0)):
            ends[side, :, u] = low[u] + (line[at] // lines + 0.4142135 + shift) * pace_u
            ends[side, :, v] = low[v] + (line[at] % lines + 0.7320508 + shift) * pace_v
        region = np.array([ends[0].min(axis=0), ends[1].max(axis=0)])
        k = int(np.argmax(fault))
        place = np.zeros(3)
        place[axis] = height[k] + 0.5 * length[k]
        place[u] = low[u] + (line[k] // lines + 0.4142135) * pace_u
        place[v] = low[v] + (line[k] % lines + 0.7320508) * pace_v
        where = (float(place[0]), float(place[1]), float(place[2]))
    return LineCount(
        float(length[count > 1].sum()) * cell,
        float(length[count < 0].sum()) * cell,
        float(length[count > 0].sum()) * cell,
        where,
        region,
    )


def count_all_ways(mesh: Mesh, lines: int = 96) -> list[LineCount]:
    """Line counts along x, y and z."""
    return [count_along_lines(mesh, axis, lines) for axis in range(3)]


def _met(p: FloatArray, q: FloatArray, lines: int) -> tuple[IntArray, IntArray]:
    """(line number, facet) pairs whose line falls within the facet's bounds."""
    (p_low, p_high), (q_low, q_high) = _extent(p), _extent(q)
    p0 = np.maximum(np.ceil(p_low), 0).astype(np.int64)
    p1 = np.minimum(np.floor(p_high), lines - 1).astype(np.int64)
    q0 = np.maximum(np.ceil(q_low), 0).astype(np.int64)
    q1 = np.minimum(np.floor(q_high), lines - 1).astype(np.int64)
    wide, tall = np.maximum(p1 - p0 + 1, 0), np.maximum(q1 - q0 + 1, 0)
    number = wide * tall
    chosen = np.flatnonzero(number)
    facet = np.repeat(chosen, number[chosen])
    step = np.arange(len(facet)) - np.repeat(
        np.cumsum(number[chosen]) - number[chosen], number[chosen]
    )
    i = p0[facet] + step // tall[facet]
    j = q0[facet] + step % tall[facet]
    return i * lines + j, facet


def _extent(rows: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least and greatest of each row (m, 3); much quicker column by column."""
    a, b, c = rows[:, 0], rows[:, 1], rows[:, 2]
    return np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)


def _crossing(
    p: FloatArray, q: FloatArray, z: FloatArray, line: IntArray, lines: int
) -> tuple[FloatArray, IntArray]:
    """Height at which a line meets its facet (nan where it misses); +1 entering, -1 leaving."""
    x, y = (line // lines).astype(np.float64), (line % lines).astype(np.float64)
    weight = np.empty_like(p)
    for i in range(3):
        j, k = (i + 1) % 3, (i + 2) % 3
        weight[:, i] = (p[:, j] - x) * (q[:, k] - y) - (p[:, k] - x) * (q[:, j] - y)
    area = weight.sum(axis=1)
    inside = ((weight > 0.0).all(axis=1) | (weight < 0.0).all(axis=1)) & (area != 0.0)
    height = np.full(len(line), np.nan)
    height[inside] = (weight[inside] * z[inside]).sum(axis=1) / area[inside]
    return height, np.where(area > 0.0, -1, 1)
