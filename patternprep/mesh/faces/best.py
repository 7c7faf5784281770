"""Which surface many groups of facets lie on: the simplest whose vertices fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from patternprep.mesh.faces.fits import fit_surfaces
from patternprep.mesh.faces.many import Cloud, Samples, Surfaces
from patternprep.mesh.faces.surface import Surface
from patternprep.mesh.mesh import FloatArray

__all__ = ["FIT_MM", "Fit", "best_fits"]

BoolArray = npt.NDArray[np.bool_]
Fit = tuple[Surface, float]
"""A surface, and what 8 of 10 vertices keep to, mm."""

FIT_MM = 0.02
"""Vertices lie within this of the fitted surface (less on small radii: 0.4 % of the radius)."""
_OUTER_TURNS = 6


def best_fits(samples: Samples, close: FloatArray, noise: float) -> list[Fit | None]:
    """For each sample the simplest surface that fits; ``close`` (b,) bounds 8 of 10 vertices."""
    count = len(samples)
    found: list[Fit | None] = [None] * count
    typical, depth = np.full(count, np.inf), np.full(count, np.inf)
    open_ones = np.ones(count, dtype=bool)
    for kind in ("cylinder", "cone", "sphere", "torus"):
        if not open_ones.any():
            break
        here = np.flatnonzero(open_ones)
        some = samples if open_ones.all() else samples.some(open_ones)
        tried = _fits_of_kind(kind, some, close[here], noise)
        with np.errstate(all="ignore"):
            good = tried.good & some.one_sided(tried.surfaces)
            new_depth = some.chord_depth(tried.surfaces)
        nearer = np.isinf(typical[here]) | (tried.typical < 0.2 * typical[here] - 2.0 * noise)
        deeper = new_depth > 1.5 * depth[here] + 2.0 * noise
        taken = good & ((nearer & ~deeper) | (new_depth < 0.5 * depth[here] - 2.0 * noise))
        for place in np.flatnonzero(taken):
            found[here[place]] = tried.surfaces.one(int(place)), float(tried.typical[place])
        typical[here[taken]], depth[here[taken]] = tried.typical[taken], new_depth[taken]
        if kind != "sphere":
            open_ones[here[good & (tried.typical <= 2.0 * noise)]] = False
    return found


@dataclass(frozen=True, eq=False)
class _Tried:
    """One surface for each sample, what 8 of 10 of its vertices keep to, and which are good."""

    surfaces: Surfaces
    typical: FloatArray
    good: BoolArray


def _fits_of_kind(kind: str, samples: Samples, close: FloatArray, noise: float) -> _Tried:
    """Fits of one kind.

    Where one solid has cut another, vertices lie on chords, inside of the surface: when most
    of those that miss lie inside, the fit is taken again to the outer ones.
    """
    surfaces, good = fit_surfaces(kind, samples, noise, 10.0 * close)
    with np.errstate(all="ignore"):
        good &= ~(surfaces.curvature_radius < 4.0 * noise)
        typical = np.full(len(samples), np.inf)
        if not good.any():
            return _Tried(surfaces, typical, good)
        if kind == "torus":
            good &= ~_few_rings(surfaces, samples.points)
        off = np.abs(surfaces.distance(samples.points))
        typical = samples.points.quantile(np.nan_to_num(off, nan=np.inf), 0.8)
        again = good & (samples.points.most(off) > 4.0 * noise) & (samples.points.counts >= 24)
        if again.any():
            limit = 0.1 * typical[again] + noise
            outer = _outer_fits(surfaces.some(again), samples.some(again), limit, noise)
            better = np.flatnonzero(again)[outer.good]
            surfaces.put(better, outer.surfaces.some(outer.good))
            typical[better] = outer.typical[outer.good]
        most = np.minimum(FIT_MM, 0.004 * surfaces.curvature_radius) + 2.0 * noise
    good &= typical <= np.minimum(close, most)
    return _Tried(surfaces, typical, good)


def _outer_fits(surfaces: Surfaces, samples: Samples, close: FloatArray, noise: float) -> _Tried:
    """Fits through the outermost vertices, a quarter of them or more, where they are close."""
    best = surfaces.copy()
    least = np.full(len(samples), np.inf)
    here = np.arange(len(samples))
    for turn in range(_OUTER_TURNS):
        points = samples.points
        off = surfaces.distance(points)
        low, high = points.quantile(off, 0.02), points.quantile(off, 0.98)
        outer = off >= points.spread(high - 0.3 ** (turn + 1) * (high - low) - noise)
        number = points.sum(outer.astype(np.int64))
        alive = (number >= 0.25 * points.counts) & (number >= 12)
        if not alive.any():
            break
        outer = outer[points.keep(alive)]
        here, high = here[alive], high[alive]
        samples, surfaces = samples.some(alive), surfaces.some(alive)
        outermost = samples.points.points(outer)
        away = np.abs(off[points.keep(alive)][outer])
        typical = outermost.quantile(away, 0.8)
        fine = (typical <= close[here]) & (high <= 2.0 * typical + 2.0 * noise)
        fine &= typical < least[here]
        best.put(here[fine], surfaces.some(fine))
        least[here[fine]] = typical[fine]
        more = outermost.most(away) > noise
        if not more.any():
            break
        outer = outer[samples.points.keep(more)]
        here, samples = here[more], samples.some(more)
        fits, able = fit_surfaces(surfaces.kind, samples.only(outer), noise, 1e3 * close[here])
        if not able.any():
            break
        here, samples, surfaces = here[able], samples.some(able), fits.some(able)
    return _Tried(best, least, np.isfinite(least))


def _few_rings(surfaces: Surfaces, points: Cloud) -> BoolArray:
    """Do the vertices lie on fewer than five rings? A torus passes through any three."""
    height, rho, _ = surfaces.split(points)
    around = np.arctan2(height, rho - points.spread(surfaces.radius))
    group = points.group
    order = np.lexsort((around, group))
    step = np.diff(around[order]) > 0.01
    step &= group[1:] == group[:-1]
    return np.asarray(np.bincount(group[1:][step], minlength=len(points.counts)) < 4)
