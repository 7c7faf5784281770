"""Least-squares fits of many surfaces of one kind at once: every step is one pass over all."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from patternprep.mesh.faces.many import Cloud, Samples, Surfaces, cross, dot, frames_of
from patternprep.mesh.mesh import FloatArray

__all__ = ["fit_surfaces"]

BoolArray = npt.NDArray[np.bool_]

_PARAMETERS = {"sphere": 4, "cylinder": 5, "cone": 6, "torus": 7}
_FAR = 1e4
"""A radius or axis further off than this times the part's own coordinates is no fit."""
_TURNS = 12
_SINGULAR = 1e-13
"""Directions of less than this share of the largest eigenvalue are left as they are."""


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
    solved = _least_squares(cloud, rows, dot(q, q))
    radius = np.sqrt(np.maximum(solved[3] + dot(solved[:3], solved[:3]), 0.0))
    axis = np.zeros_like(middle)
    axis[2] = 1.0
    return Surfaces("sphere", middle + solved[:3], axis, radius, np.zeros_like(radius))


def _cylinders(s: Samples) -> Surfaces:
    cloud = s.points
    axis = _least_axis(_moments(s.middles, s.normals, s.normals, s.areas))
    e1, e2 = frames_of(axis)
    middle = cloud.mean(cloud.xyz)
    q = cloud.xyz - cloud.spread(middle)
    a, b, radius = _circles(cloud, dot(q, cloud.spread(e1)), dot(q, cloud.spread(e2)))
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
    n1, n2 = dot(s.normals, f1), dot(s.normals, f2)
    q = facets.xyz - facets.spread(middle)
    a, b = _least_squares(facets, np.stack([n2, -n1]), dot(q, f1) * n2 - dot(q, f2) * n1)
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
    moment = cross(q, s.normals)
    aa = _moments(facets, moment, moment, weight)
    ab = _moments(facets, moment, s.normals, weight)
    bb = _moments(facets, s.normals, s.normals, weight)
    inverse = np.linalg.pinv(np.nan_to_num(bb), rcond=1e-9, hermitian=True)
    product = inverse @ ab.transpose(0, 2, 1)
    axis = _least_axis(aa - ab @ product)
    arm = -np.einsum("bij,jb->ib", product, axis)
    point = middle + extent * cross(axis, arm)
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
        enough = samples.points.counts > _PARAMETERS[kind]
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
