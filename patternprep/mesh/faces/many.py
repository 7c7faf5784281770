"""Least-squares fits of many surfaces at once.

A part has hundreds of small curved faces; fitted one by one most of the time goes into the
handling of short arrays. Here the points of all samples lie end to end in one array, and every
step of every fit is one pass over it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from patternprep.mesh.faces.surface import Sample, Surface
from patternprep.mesh.mesh import FloatArray, IntArray

__all__ = ["Cloud", "Samples", "Surfaces", "fit_surfaces"]

BoolArray = npt.NDArray[np.bool_]

_NAMES = {"sphere": "xyzr", "cylinder": "uvstr", "cone": "uvstrk", "torus": "uvsthrk"}
_FAR = 1e4
"""A radius or axis further off than this times the part's own coordinates is no fit."""
_TURNS = 12
_SINGULAR = 1e-13


@dataclass(frozen=True, eq=False)
class Cloud:
    """Groups of points end to end: ``xyz`` (3, n), ``counts`` (b,) points of each group."""

    xyz: FloatArray
    counts: IntArray

    @cached_property
    def starts(self) -> IntArray:
        """Where each group starts (b,)."""
        return np.cumsum(self.counts) - self.counts

    @cached_property
    def group(self) -> IntArray:
        """The group of each point (n,)."""
        return np.repeat(np.arange(len(self.counts)), self.counts)

    def sum(self, values: FloatArray) -> FloatArray:
        """Sums (..., b) over each group of values (..., n)."""
        return np.asarray(np.add.reduceat(values, self.starts, axis=-1))

    def most(self, values: FloatArray) -> FloatArray:
        """Largest value (b,) in each group."""
        return np.asarray(np.maximum.reduceat(values, self.starts))

    def mean(self, values: FloatArray) -> FloatArray:
        """Means (..., b)."""
        return self.sum(values) / self.counts

    def spread(self, values: FloatArray) -> FloatArray:
        """Values (..., b) of the groups handed to their points (..., n)."""
        return np.repeat(values, self.counts, axis=-1)

    def keep(self, some: BoolArray) -> BoolArray:
        """Which points (n,) belong to the chosen groups."""
        return np.repeat(some, self.counts)

    def some(self, some: BoolArray) -> Cloud:
        """The chosen groups only."""
        return Cloud(self.xyz[:, self.keep(some)], self.counts[some])

    def points(self, some: BoolArray) -> Cloud:
        """The chosen points (n,) only; no group may lose all of its points."""
        return Cloud(self.xyz[:, some], self.sum(some.astype(np.int64)).astype(np.int64))

    def quantile(self, values: FloatArray, share: float) -> FloatArray:
        """Quantile (b,) of the values in each group, linear between neighbours."""
        ordered = values[np.lexsort((values, self.group))]
        place = self.starts + share * (self.counts - 1)
        low = np.floor(place).astype(np.int64)
        high = np.minimum(low + 1, self.starts + self.counts - 1)
        return np.asarray(ordered[low] + (place - low) * (ordered[high] - ordered[low]))


@dataclass(frozen=True, eq=False)
class Samples:
    """Many samples: their vertices, and of their facets middles, edges' middles, normals, areas.

    ``sides``: the middles of the three edges of each facet, (3, 3, k): edge, coordinate, facet.
    """

    points: Cloud
    middles: Cloud
    normals: FloatArray
    areas: FloatArray
    sides: FloatArray
    reach: FloatArray

    @staticmethod
    def of(samples: Sequence[Sample]) -> Samples:
        """The samples, one group each."""
        points = Cloud(
            np.concatenate([s.points for s in samples]).T.copy(),
            np.array([len(s.points) for s in samples]),
        )
        corners = np.concatenate([s.corners for s in samples])
        middles = Cloud(
            ((corners[:, 0] + corners[:, 1] + corners[:, 2]) / 3.0).T.copy(),
            np.array([len(s.corners) for s in samples]),
        )
        sides = 0.5 * (corners + corners[:, [1, 2, 0]])
        return Samples(
            points,
            middles,
            np.concatenate([s.normals for s in samples]).T.copy(),
            np.concatenate([s.areas for s in samples]),
            sides.transpose(1, 2, 0).copy(),
            points.most(np.abs(points.xyz).max(axis=0)) + 1.0,
        )

    def __len__(self) -> int:
        return len(self.points.counts)

    def some(self, some: BoolArray) -> Samples:
        """The chosen samples only."""
        facets = self.middles.keep(some)
        return Samples(
            self.points.some(some),
            self.middles.some(some),
            self.normals[:, facets],
            self.areas[facets],
            self.sides[:, :, facets],
            self.reach[some],
        )

    def only(self, some: BoolArray) -> Samples:
        """With some of the vertices (n,) only."""
        return Samples(
            self.points.points(some),
            self.middles,
            self.normals,
            self.areas,
            self.sides,
            self.reach,
        )

    def chord_depth(self, fits: Surfaces) -> FloatArray:
        """Mean over each sample's facets of the deepest chord under its surface, mm (b,)."""
        deepest = np.zeros(self.sides.shape[2])
        for side in self.sides:
            depth = np.abs(fits.distance(Cloud(side, self.middles.counts)))
            np.maximum(deepest, depth, out=deepest)
        return self.middles.sum(deepest * self.areas) / self.middles.sum(self.areas)

    def one_sided(self, fits: Surfaces) -> BoolArray:
        """Do nearly all facets face along, or nearly all against, the surface's normal? (b,)."""
        along = np.einsum("ij,ij->j", fits.normal(self.middles), self.normals)
        told = np.abs(self.middles.sum(np.sign(along) * self.areas))
        return np.asarray(told > 0.98 * self.middles.sum(self.areas))


@dataclass(frozen=True, eq=False)
class Surfaces:
    """Many surfaces of one kind; columns as in ``Surface``: point, axis (3, b), the rest (b,)."""

    kind: str
    point: FloatArray
    axis: FloatArray
    radius: FloatArray
    second: FloatArray

    def some(self, some: BoolArray) -> Surfaces:
        """The chosen ones only."""
        return Surfaces(
            self.kind,
            self.point[:, some],
            self.axis[:, some],
            self.radius[some],
            self.second[some],
        )

    def put(self, places: IntArray | BoolArray, others: Surfaces) -> None:
        """Overwrite those in the places."""
        self.point[:, places], self.axis[:, places] = others.point, others.axis
        self.radius[places], self.second[places] = others.radius, others.second

    def copy(self) -> Surfaces:
        """A copy that may be overwritten."""
        return Surfaces(
            self.kind,
            self.point.copy(),
            self.axis.copy(),
            self.radius.copy(),
            self.second.copy(),
        )

    def one(self, index: int) -> Surface:
        """A single surface."""
        return Surface(
            self.kind,
            self.point[:, index].copy(),
            self.axis[:, index].copy(),
            float(self.radius[index]),
            float(self.second[index]),
        )

    @property
    def curvature_radius(self) -> FloatArray:
        """Smallest radius of curvature, mm (b,)."""
        return self.second if self.kind == "torus" else self.radius

    def split(self, cloud: Cloud) -> tuple[FloatArray, FloatArray, FloatArray]:
        """(height, distance from the axis, radial direction): (n,), (n,), (3, n)."""
        offset = cloud.xyz - cloud.spread(self.point)
        axis = cloud.spread(self.axis)
        height = _dot(offset, axis)
        radial = offset - height * axis
        rho = np.sqrt(_dot(radial, radial))
        return height, rho, radial / np.maximum(rho, 1e-300)

    def distance(self, cloud: Cloud) -> FloatArray:
        """Signed distances (n,)."""
        if self.kind == "sphere":
            offset = cloud.xyz - cloud.spread(self.point)
            return np.asarray(np.sqrt(_dot(offset, offset)) - cloud.spread(self.radius))
        height, rho, _ = self.split(cloud)
        return self._distance(cloud, height, rho)

    def _distance(self, cloud: Cloud, height: FloatArray, rho: FloatArray) -> FloatArray:
        across = rho - cloud.spread(self.radius)
        if self.kind == "cylinder":
            return across
        second = cloud.spread(self.second)
        if self.kind == "cone":
            return np.asarray((across - height * second) / np.sqrt(1.0 + second**2))
        return np.asarray(np.hypot(across, height) - second)

    def normal(self, cloud: Cloud) -> FloatArray:
        """Unit gradients of the distances (3, n)."""
        if self.kind == "sphere":
            offset = cloud.xyz - cloud.spread(self.point)
            return np.asarray(offset / np.maximum(np.sqrt(_dot(offset, offset)), 1e-300))
        return self._normal(cloud, *self.split(cloud))

    def _normal(
        self, cloud: Cloud, height: FloatArray, rho: FloatArray, radial: FloatArray
    ) -> FloatArray:
        if self.kind == "cylinder":
            return radial
        axis = cloud.spread(self.axis)
        if self.kind == "cone":
            second = cloud.spread(self.second)
            return np.asarray((radial - second * axis) / np.sqrt(1.0 + second**2))
        across = rho - cloud.spread(self.radius)
        size = np.maximum(np.hypot(across, height), 1e-300)
        return np.asarray((across / size) * radial + (height / size) * axis)

    def slopes(self, cloud: Cloud) -> FloatArray:
        """Change of the distances (k, n) with each of the kind's parameters."""
        if self.kind == "sphere":
            normal = self.normal(cloud)
            return np.concatenate([-normal, np.full((1, normal.shape[1]), -1.0)])
        height, rho, radial = self.split(cloud)
        normal = self._normal(cloud, height, rho, radial)
        e1, e2 = (cloud.spread(e) for e in frames_of(self.axis))
        arm = cloud.xyz - cloud.spread(self.point)
        along = _dot(normal, cloud.spread(self.axis))
        n1, n2 = _dot(normal, e1), _dot(normal, e2)
        # the axis leans towards e: points swing the other way about the surface's point
        rows = [along * _dot(arm, e1) - n1 * height, along * _dot(arm, e2) - n2 * height, -n1, -n2]
        if self.kind == "cylinder":
            rows.append(np.full_like(height, -1.0))
        elif self.kind == "cone":
            cosine = cloud.spread(1.0 / np.sqrt(1.0 + self.second**2))
            rows += [-cosine, -height * cosine]
        else:
            rows += [-along, -_dot(normal, radial), np.full_like(height, -1.0)]
        return np.stack(rows)

    def nudged(self, step: FloatArray) -> Surfaces:
        """The surfaces with small changes (k, b) of their parameters."""
        if self.kind == "sphere":
            return Surfaces(
                self.kind, self.point + step[:3], self.axis, self.radius + step[3], self.second
            )
        e1, e2 = frames_of(self.axis)
        axis = self.axis + step[0] * e1 + step[1] * e2
        point = self.point + step[2] * e1 + step[3] * e2
        radius, second = self.radius + step[4], self.second
        if self.kind == "cone":
            second = second + step[5]
        elif self.kind == "torus":
            point = point + step[4] * self.axis
            radius, second = self.radius + step[5], second + step[6]
        return Surfaces(self.kind, point, axis / np.sqrt(_dot(axis, axis)), radius, second)


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(np.einsum("ij,ij->j", a, b))


def _cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Cross products of vectors (3, n), without the overhead of the general one."""
    return np.stack(
        [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
    )


def frames_of(axis: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Two unit vectors (3, b) each that make right-handed frames with the axes (3, b)."""
    least = np.argmin(np.abs(axis), axis=0)
    helper = np.zeros_like(axis)
    helper[least, np.arange(axis.shape[1])] = 1.0
    first = _cross(axis, helper)
    first /= np.sqrt(_dot(first, first))
    return first, _cross(axis, first)


def _least_squares(cloud: Cloud, rows: FloatArray, target: FloatArray) -> FloatArray:
    """Solutions (k, b) of rows^T x = target in each group, by scaled normal equations."""
    count = len(rows)
    matrix = np.empty((len(cloud.counts), count, count))
    for i in range(count):
        products = cloud.sum(rows[: i + 1] * rows[i])
        matrix[:, : i + 1, i] = matrix[:, i, : i + 1] = products.T
    right = cloud.sum(rows * target).T
    scale = np.sqrt(np.einsum("bii->bi", matrix)) + 1e-300
    matrix /= scale[:, :, None] * scale[:, None, :]
    value, vector = np.linalg.eigh(np.nan_to_num(matrix, posinf=0.0, neginf=0.0))
    usable = value > _SINGULAR * value[:, -1:]
    inverse = np.divide(1.0, value, out=np.zeros_like(value), where=usable)
    turned = np.einsum("bji,bj->bi", vector, right / scale) * inverse
    return np.asarray((np.einsum("bij,bj->bi", vector, turned) / scale).T)


def _circles(
    cloud: Cloud, x: FloatArray, y: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Least-squares circles (centre x, centre y, radius), (b,) each."""
    mx, my = cloud.mean(x), cloud.mean(y)
    u, v = x - cloud.spread(mx), y - cloud.spread(my)
    square = u * u + v * v
    a, b, c = _least_squares(cloud, np.stack([2.0 * u, 2.0 * v, np.ones_like(u)]), square)
    return mx + a, my + b, np.sqrt(np.maximum(c + a * a + b * b, 0.0))


def _moments(cloud: Cloud, a: FloatArray, b: FloatArray, weight: FloatArray) -> FloatArray:
    """Sums (b, 3, 3) of weighted products of vectors (3, n)."""
    return np.asarray(cloud.sum((a * weight)[:, None, :] * b[None]).transpose(2, 0, 1))


def _least_axis(moment: FloatArray) -> FloatArray:
    """Direction (3, b) of the least moment."""
    tidy = np.nan_to_num(moment, posinf=0.0, neginf=0.0)
    return np.asarray(np.linalg.eigh(tidy)[1][:, :, 0].T.copy())


def _spheres(s: Samples) -> Surfaces:
    cloud = s.points
    middle = cloud.mean(cloud.xyz)
    q = cloud.xyz - cloud.spread(middle)
    rows = np.concatenate([2.0 * q, np.ones((1, q.shape[1]))])
    solved = _least_squares(cloud, rows, _dot(q, q))
    radius = np.sqrt(np.maximum(solved[3] + _dot(solved[:3], solved[:3]), 0.0))
    axis = np.zeros_like(middle)
    axis[2] = 1.0
    return Surfaces("sphere", middle + solved[:3], axis, radius, np.zeros_like(radius))


def _cylinders(s: Samples) -> Surfaces:
    cloud = s.points
    axis = _least_axis(_moments(s.middles, s.normals, s.normals, s.areas))
    e1, e2 = frames_of(axis)
    middle = cloud.mean(cloud.xyz)
    q = cloud.xyz - cloud.spread(middle)
    a, b, radius = _circles(cloud, _dot(q, cloud.spread(e1)), _dot(q, cloud.spread(e2)))
    return Surfaces("cylinder", middle + a * e1 + b * e2, axis, radius, np.zeros_like(radius))


def _cones(s: Samples) -> Surfaces:
    facets = s.middles
    mean = facets.sum(s.normals * s.areas) / facets.sum(s.areas)
    off = s.normals - facets.spread(mean)
    axis = _least_axis(_moments(facets, off, off, s.areas))
    e1, e2 = frames_of(axis)
    middle = s.points.mean(s.points.xyz)
    # the normals' lines meet the axis: cross(p - c, n) = 0 in the plane square to it
    f1, f2 = facets.spread(e1), facets.spread(e2)
    n1, n2 = _dot(s.normals, f1), _dot(s.normals, f2)
    q = facets.xyz - facets.spread(middle)
    a, b = _least_squares(facets, np.stack([n2, -n1]), _dot(q, f1) * n2 - _dot(q, f2) * n1)
    point = middle + a * e1 + b * e2
    none = np.zeros_like(a)
    height, rho, _ = Surfaces("cylinder", point, axis, none, none).split(s.points)
    mean_height, mean_rho = s.points.mean(height), s.points.mean(rho)
    rise = height - s.points.spread(mean_height)
    across = s.points.sum(rise * (rho - s.points.spread(mean_rho)))
    square = s.points.sum(rise * rise)
    slope = np.divide(across, square, out=np.zeros_like(across), where=square > 0.0)
    return Surfaces("cone", point, axis, mean_rho - slope * mean_height, slope)


def _tori(s: Samples) -> Surfaces:
    facets, points = s.middles, s.points
    middle = points.mean(points.xyz)
    sizes = [points.most(c) + points.most(-c) for c in points.xyz]
    extent = np.maximum(np.max(sizes, axis=0), 1e-12)
    q = (facets.xyz - facets.spread(middle)) / facets.spread(extent)
    weight = s.areas / facets.spread(facets.sum(s.areas))
    moment = _cross(q, s.normals)
    aa = _moments(facets, moment, moment, weight)
    ab = _moments(facets, moment, s.normals, weight)
    bb = _moments(facets, s.normals, s.normals, weight)
    inverse = np.linalg.pinv(np.nan_to_num(bb), rcond=1e-9, hermitian=True)
    product = inverse @ ab.transpose(0, 2, 1)
    axis = _least_axis(aa - ab @ product)
    arm = -np.einsum("bij,jb->ib", product, axis)
    point = middle + extent * _cross(axis, arm)
    none = np.zeros_like(extent)
    height, rho, _ = Surfaces("cylinder", point, axis, none, none).split(points)
    ring, level, tube = _circles(points, rho, height)
    return Surfaces("torus", point + level * axis, axis, ring, tube)


_FITS: dict[str, Callable[[Samples], Surfaces]] = {
    "sphere": _spheres,
    "cylinder": _cylinders,
    "cone": _cones,
    "torus": _tori,
}


def fit_surfaces(
    kind: str, samples: Samples, good: float, hopeless: FloatArray
) -> tuple[Surfaces, BoolArray]:
    """(least-squares surfaces of the kind through the samples' vertices, which make sense).

    Facets of a curved surface are chords, so only the vertices are asked; facet normals give the
    first axis. ``good``: a largest residual at which no refinement is needed, mm; ``hopeless``
    (b,): a root mean square residual of the first guess at which none is tried.
    """
    with np.errstate(all="ignore"):
        enough = samples.points.counts > len(_NAMES[kind])
        fits = _FITS[kind](samples)
        told = np.abs(np.concatenate([fits.point, fits.axis, [fits.radius], [fits.second]]))
        able = enough & np.isfinite(told).all(axis=0)
        able &= told.max(axis=0) <= _FAR * samples.reach
        _refine(fits, samples.points, able, good, hopeless)
        if kind != "cone":
            able &= fits.radius > 0.0
        if kind == "torus":
            able &= fits.second > 0.0
        if kind == "cone":
            able &= (np.abs(fits.second) > 0.002) & (np.abs(fits.second) < 60.0)
    return fits, able


def _refine(
    fits: Surfaces, points: Cloud, able: BoolArray, good: float, hopeless: FloatArray
) -> None:
    """Gauss-Newton on the vertices' distances, with shorter steps where one overshoots.

    Overwrites the fits, and ``able`` where the mean distance stays beyond what is hopeless.
    """
    active = np.flatnonzero(able)
    for turn in range(_TURNS):
        if not len(active):
            return
        chosen = np.zeros(len(able), dtype=bool)
        chosen[active] = True
        cloud, now = points.some(chosen), fits.some(chosen)
        bad = hopeless[active]
        residual = now.distance(cloud)
        best = cloud.sum(residual * residual)
        done = cloud.most(np.abs(residual)) <= good
        lost = ~done & (best > cloud.counts * (bad if turn < 2 else 0.3 * bad) ** 2)
        slopes = now.slopes(cloud)
        finite = np.isfinite(cloud.sum(slopes.sum(axis=0)))
        lost |= ~done & ~finite
        able[active[lost]] = False
        going = ~done & ~lost
        if not going.any():
            return
        keep = cloud.keep(going)
        residual, slopes = residual[keep], slopes[:, keep]
        active, cloud, now, best = active[going], cloud.some(going), now.some(going), best[going]
        step = -_least_squares(cloud, slopes, residual)
        value, stopped, wild = _stepped(now, cloud, step, best)
        able[active[wild]] = False
        chosen[:] = False
        chosen[active[~stopped & ~wild]] = True
        fits.put(active[~wild], now.some(~wild))
        settled = best - value < 1e-6 * best
        slow = (value > 0.5 * best) & (value > cloud.counts * (0.1 * hopeless[active]) ** 2)
        if turn > 2:
            # slow progress far from a fit: the shape is another one
            able[active[slow & ~stopped]] = False
        active = active[~stopped & ~wild & ~settled & able[active]]


def _stepped(
    now: Surfaces, cloud: Cloud, step: FloatArray, best: FloatArray
) -> tuple[FloatArray, BoolArray, BoolArray]:
    """Take each step, or a shorter one, where it makes things better; overwrites ``now``.

    (the new sums of squares, where no step helped, where a step was out of all measure).
    """
    value = best.copy()
    pending = np.ones(len(best), dtype=bool)
    wild = np.zeros(len(best), dtype=bool)
    for _ in range(4):
        wild |= pending & ~(np.abs(step).max(axis=0) < 1e9)
        pending &= ~wild
        if not pending.any():
            break
        trial = now.some(pending).nudged(step[:, pending])
        there = cloud.some(pending)
        away = trial.distance(there)
        reached = there.sum(away * away)
        better = reached < best[pending]
        taken = np.flatnonzero(pending)[better]
        now.put(taken, trial.some(better))
        value[taken] = reached[better]
        pending[taken] = False
        step = step * 0.25
    return value, pending, wild
