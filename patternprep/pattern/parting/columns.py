"""The part as vertical columns of metal along a pull, over a square raster of the plan.

Every facet is swept row by row; a shared edge gives both its facets the very same crossing, so
the columns of a closed mesh are closed. The raster is turned against the part's own walls by an
odd angle, so that thin aligned walls are neither all hit nor all missed.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from patternprep.mesh.mesh import FloatArray, IntArray
from patternprep.pattern.parting.survey import Survey, along, turned

__all__ = ["Columns", "expand", "make_columns", "plan_frame"]

_TURN = 0.5535743588970452
"""atan of the golden section, radians: the raster's turn against the part's own direction.

No other slope is as far from simple ratios, so a strip along a wall is hit by its true share.
"""
_SHIFT = 0.0901699437494742
"""The raster's shift in cells, so that no sample lies on the middle of a part."""
_MOST_EMPTY = 16
VERTICAL = 1.7e-3
"""Sine of about 0.1 degrees: a facet nearer to the pull than that counts as upright."""


def plan_frame(pull: FloatArray, along: FloatArray) -> FloatArray:
    """Rows u, v, n of a right-handed frame (3, 3) with n the pull, u turned from ``along``."""
    n = pull / np.linalg.norm(pull)
    u = along - n * float(along @ n)
    u /= np.linalg.norm(u)
    v = np.cross(n, u)
    turned = np.cos(_TURN) * u + np.sin(_TURN) * v
    return np.array([turned, np.cross(n, turned), n])


def expand(starts: IntArray, counts: IntArray) -> tuple[IntArray, IntArray]:
    """(owner, value) of the ranges starts[i] ... starts[i] + counts[i] - 1, one after the other."""
    owner = np.repeat(np.arange(len(counts)), counts)
    first = np.cumsum(counts) - counts
    return owner, np.arange(len(owner)) - first[owner] + starts[owner]


@dataclass(frozen=True, eq=False)
class Columns:
    """Runs of metal, sorted by column and height.

    ``column`` is row * width + place in the row; ``low`` and ``high`` are heights along the pull,
    mm; ``low_facet``, ``high_facet`` the facets that bound the run and ``low_sine``,
    ``high_sine`` the size of the pull's component of their normals.
    """

    frame: FloatArray
    corner: tuple[float, float]
    cell: float
    width: int
    rows: int
    column: IntArray
    low: FloatArray
    high: FloatArray
    low_facet: IntArray
    high_facet: IntArray
    low_sine: FloatArray
    high_sine: FloatArray

    @cached_property
    def first(self) -> IntArray:
        """Index of the first run of each column that has metal."""
        return np.flatnonzero(np.diff(self.column, prepend=-1))

    @cached_property
    def last(self) -> IntArray:
        """Index of the last run of each column that has metal."""
        return np.append(self.first[1:], len(self.column)) - 1

    @cached_property
    def gaps(self) -> IntArray:
        """Indices of the runs that have another run of their column above a real gap."""
        same = np.flatnonzero(self.column[:-1] == self.column[1:])
        tall = self.low[same + 1] - self.high[same] > 1e-6 * self.cell
        real = (self.low_sine[same + 1] > VERTICAL) & (self.high_sine[same] > VERTICAL)
        return same[tall & real]

    @property
    def footprint(self) -> float:
        """Area of the shadow along the pull, mm2."""
        return len(self.first) * self.cell**2

    @cached_property
    def bottom(self) -> FloatArray:
        """Lowest metal in each cell (rows * width,), +inf where there is none."""
        field = np.full(self.rows * self.width, np.inf)
        field[self.column[self.first]] = self.low[self.first]
        return field

    @cached_property
    def top(self) -> FloatArray:
        """Highest metal in each cell (rows * width,), -inf where there is none."""
        field = np.full(self.rows * self.width, -np.inf)
        field[self.column[self.last]] = self.high[self.last]
        return field

    def cells_at(self, u: FloatArray, v: FloatArray) -> IntArray:
        """Cell of each plan point; -1 outside the raster."""
        i = np.rint((u - self.corner[0]) / self.cell).astype(np.int64)
        j = np.rint((v - self.corner[1]) / self.cell).astype(np.int64)
        inside = (i >= 0) & (i < self.width) & (j >= 0) & (j < self.rows)
        return np.where(inside, j * self.width + i, -1).astype(np.int64)

    def plan_of(self, column: IntArray) -> FloatArray:
        """Plan point (k, 2) of each cell."""
        return np.column_stack(
            [
                self.corner[0] + (column % self.width) * self.cell,
                self.corner[1] + (column // self.width) * self.cell,
            ]
        )

    def metal_below(self, offset: float) -> float:
        """Volume of the metal under the height, mm3."""
        part = np.clip(offset - self.low, 0.0, self.high - self.low)
        return float(part.sum()) * self.cell**2


def make_columns(survey: Survey, frame: FloatArray, count: int) -> Columns:
    """Columns along frame[2], about ``count`` of them or fewer where the part's sides overlap.

    A slender part's raster has at most _MOST_EMPTY cells for each column that is wanted.
    """
    spot = turned(frame, survey.xyz)
    low, high = spot.min(axis=1), spot.max(axis=1)
    span = high - low
    facing = np.abs(along(frame[2], survey.coarse.normals))
    shadow = 0.5 * float(facing.sum()) * survey.coarse.weight
    rectangle = float(span[0] * span[1])
    cell = float(np.sqrt(max(min(shadow, rectangle), rectangle / _MOST_EMPTY) / count))
    width, rows = (int(np.ceil(s / cell)) + 1 for s in span[:2])
    # in cells, so that samples are whole numbers and none lies beyond width - 1, rows - 1
    u = (spot[0] - low[0]) / cell + _SHIFT
    v = (spot[1] - low[1]) / cell + _SHIFT * 0.5
    corner = (float(low[0]) - _SHIFT * cell, float(low[1]) - _SHIFT * 0.5 * cell)
    facet = _facets_on_samples(survey.corners, u, v)
    owner, column, z, entry = _sweep(survey.mesh.faces[facet], u, v, spot[2], width)
    return _runs(frame, corner, cell, width, rows, survey, facet[owner], column, z, entry)


def _facets_on_samples(
    corners: tuple[IntArray, IntArray, IntArray], u: FloatArray, v: FloatArray
) -> IntArray:
    """Facets whose bounding rectangle holds a sample at all: most small ones do not."""
    a, b, c = corners
    key = np.ceil(v).astype(np.int16)
    first = key[a]
    facet = np.flatnonzero((first != key[b]) | (first != key[c]))
    key = np.ceil(u).astype(np.int16)
    first = key[a[facet]]
    kept: IntArray = facet[(first != key[b[facet]]) | (first != key[c[facet]])]
    return kept


def _sweep(
    faces: IntArray, u: FloatArray, v: FloatArray, z: FloatArray, width: int
) -> tuple[IntArray, IntArray, FloatArray, npt.NDArray[np.bool_]]:
    """(facet, column, height, going up one enters metal) of every crossing with a sample line."""
    fv = v[faces]
    order = np.argsort(fv, axis=1, kind="stable")
    sorted_faces = np.take_along_axis(faces, order, axis=1)
    even = (order[:, 1] - order[:, 0]) % 3 == 1
    v0, v1, v2 = (v[sorted_faces[:, k]] for k in range(3))
    u0, u1, u2 = (u[sorted_faces[:, k]] for k in range(3))
    start = np.ceil(v0)
    rows = (np.ceil(v2) - start).astype(np.int64)
    f, row = expand(start.astype(np.int64), rows)
    r = row.astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = ((u2 - u0) / (v2 - v0), (u1 - u0) / (v1 - v0), (u2 - u1) / (v2 - v1))
        long = u0[f] + (r - v0[f]) * slope[0][f]
        lower = u0[f] + (r - v0[f]) * slope[1][f]
        upper = u1[f] + (r - v1[f]) * slope[2][f]
    short = np.where(r < v1[f], lower, upper)
    right = short > long
    begin = np.ceil(np.where(right, long, short))
    end = np.ceil(np.where(right, short, long))
    g, place = expand(begin.astype(np.int64), (end - begin).astype(np.int64))
    owner = f[g]
    # turning (v0, v1, v2) with the short side on the right is clockwise seen from above
    clockwise = right[g] != even[owner]
    height = _heights(sorted_faces, u, v, z, owner, place, r[g])
    return owner, row[g] * width + place, height, clockwise


def _heights(
    faces: IntArray,
    u: FloatArray,
    v: FloatArray,
    z: FloatArray,
    owner: IntArray,
    place: IntArray,
    row: FloatArray,
) -> FloatArray:
    """Heights of the facets' planes at the samples, kept within each facet's own heights."""
    a, b, c = (faces[:, k] for k in range(3))
    ux, vx, zx = u[b] - u[a], v[b] - v[a], z[b] - z[a]
    uy, vy, zy = u[c] - u[a], v[c] - v[a], z[c] - z[a]
    twice = ux * vy - uy * vx
    with np.errstate(divide="ignore", invalid="ignore"):
        gu = np.nan_to_num((zx * vy - zy * vx) / twice, posinf=0.0, neginf=0.0)
        gv = np.nan_to_num((ux * zy - uy * zx) / twice, posinf=0.0, neginf=0.0)
    height = z[a][owner] + gu[owner] * (place - u[a][owner]) + gv[owner] * (row - v[a][owner])
    low = np.minimum(np.minimum(z[a], z[b]), z[c])
    high = np.maximum(np.maximum(z[a], z[b]), z[c])
    return np.clip(height, low[owner], high[owner])


def _runs(
    frame: FloatArray,
    corner: tuple[float, float],
    cell: float,
    width: int,
    rows: int,
    survey: Survey,
    facet: IntArray,
    column: IntArray,
    z: FloatArray,
    entry: npt.NDArray[np.bool_],
) -> Columns:
    """Sort the crossings and pair them into runs of metal by counting shells entered."""
    bottom, height = (float(z.min()), float(np.ptp(z)) or 1.0) if len(z) else (0.0, 1.0)
    order = np.argsort(column + (z - bottom) / (height * 1.0001), kind="stable")
    column, z, entry, facet = column[order], z[order], entry[order], facet[order]
    inside = np.cumsum(np.where(entry, 1, -1))
    starts = np.flatnonzero(entry & (inside == 1))
    ends = np.flatnonzero(~entry & (inside == 0))
    paired = min(len(starts), len(ends))
    starts, ends = starts[:paired], ends[:paired]
    good = column[starts] == column[ends]
    starts, ends = starts[good], ends[good]
    low_facet, high_facet = facet[starts], facet[ends]
    return Columns(
        frame, corner, cell, width, rows, column[starts], z[starts], z[ends], low_facet,
        high_facet, np.abs(survey.sines(low_facet, frame[2])),
        np.abs(survey.sines(high_facet, frame[2])),
    )  # fmt: skip
