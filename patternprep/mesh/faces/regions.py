"""Finding the curved surfaces of a mesh: whole patches first, then growth from seeds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from patternprep.mesh.faces.surface import Sample, Surface, fit_surface
from patternprep.mesh.faces.topology import (
    Edges,
    components,
    neighbour_table,
    sum_by,
)
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh

__all__ = ["FIT_MM", "SMOOTH_DEG", "Finder", "Region"]

BoolArray = npt.NDArray[np.bool_]

SMOOTH_DEG = 35.0
"""Facets that meet at less may approximate one curved surface: 12 facets a turn meet at 30."""
FIT_MM = 0.02
"""Vertices lie within this of the fitted surface (less on small radii: 0.4 % of the radius)."""
WIDTH_RATIO = 3.0
"""Strips of one curved surface differ in width by less than this."""
_SAMPLE = 200
_FIRST_WINDOW = 800
_MANY_RINGS = 24
_IN_A_ROW = 10
"""Seeds that may fail one after another before a block is left as free-form."""
_BUDGET = 120
"""Seeds that may fail in all; each one that succeeds allows two more."""


@dataclass(frozen=True, eq=False)
class Region:
    """Facets that lie on one curved surface; ``outward`` when the material is inside of it."""

    facets: IntArray
    surface: Surface
    outward: bool
    residual: float


class Finder:
    """Shared state of the search; ``owner`` is the region of each facet, -1 for none."""

    def __init__(self, mesh: Mesh, edges: Edges, patches: IntArray, noise: float) -> None:
        self.mesh = mesh
        self.patches = patches
        self.noise = noise
        self.tight = 1e-3 + 1e-5 * float(np.linalg.norm(mesh.size))
        self.centroids = mesh.triangles.mean(axis=1)
        smooth = edges.angle < SMOOTH_DEG
        self.table = neighbour_table(mesh.facets, edges, smooth)
        self.patch_size = np.bincount(patches)
        border = patches[edges.facets[:, 0]] != patches[edges.facets[:, 1]]
        count = len(self.patch_size)
        round_it = sum_by(patches[edges.facets[border, 0]], edges.length[border], count)
        round_it += sum_by(patches[edges.facets[border, 1]], edges.length[border], count)
        area = sum_by(patches, mesh.areas, count)
        self.width = 2.0 * area / np.maximum(round_it, 1e-300)
        pair = np.sort(self.width[patches[edges.facets]], axis=1)
        alike = pair[:, 1] <= WIDTH_RATIO * pair[:, 0]
        self.blocks = components(mesh.facets, edges.facets[smooth & (alike | ~border)])
        self.owner = np.full(mesh.facets, -1, dtype=np.int64)
        self.regions: list[Region] = []
        self.budget = _BUDGET
        self.turn = np.zeros(mesh.facets)
        bend = smooth & border
        for column in range(2):
            np.maximum.at(self.turn, edges.facets[bend, column], edges.angle[bend])

    # -- fitting -----------------------------------------------------------------------------

    def sample(self, facets: IntArray) -> Sample:
        """At most a few hundred vertices and facets, evenly taken."""
        vertices = np.unique(self.mesh.faces[facets])
        vertices = vertices[:: max(len(vertices) // _SAMPLE, 1)]
        some = facets[:: max(len(facets) // _SAMPLE, 1)]
        return Sample(
            self.mesh.vertices[vertices],
            self.mesh.triangles[some],
            self.mesh.normals[some],
            self.mesh.areas[some] + 1e-300,
        )

    def limit(self, surface: Surface, typical: float = FIT_MM) -> float:
        """How far a vertex may lie from the surface, mm; less where most lie closer."""
        loose = min(FIT_MM, 0.004 * surface.curvature_radius)
        return min(loose, max(self.tight, 4.0 * typical)) + 2.0 * self.noise

    def best_fit(self, facets: IntArray, close: float) -> tuple[Surface, float] | None:
        """The simplest surface whose vertices fit; ``close`` bounds 8 of 10 of them, mm."""
        sample = self.sample(facets)
        found: tuple[Surface, float] | None = None
        found_depth = np.inf
        for kind in ("cylinder", "cone", "sphere", "torus"):
            fit = self.fit_of_kind(kind, sample, close)
            if fit is None or not self.same_side(fit[0], sample):
                continue
            surface, typical = fit
            depth = sample.chord_depth(surface)
            nearer = found is None or typical < 0.2 * found[1] - 2.0 * self.noise
            deeper = depth > 1.5 * found_depth + 2.0 * self.noise
            if (nearer and not deeper) or depth < 0.5 * found_depth - 2.0 * self.noise:
                found, found_depth = fit, depth
            if typical <= 2.0 * self.noise and kind != "sphere":
                break
        return found

    def fit_of_kind(self, kind: str, sample: Sample, close: float) -> tuple[Surface, float] | None:
        """(surface, what 8 of 10 vertices keep to) or None.

        Where one solid has cut another, vertices lie on chords, inside of the surface: when most
        of those that miss lie inside, the fit is taken again to the outer ones.
        """
        surface = fit_surface(kind, sample, self.noise, 10.0 * close)
        if surface is None or surface.curvature_radius < 4.0 * self.noise:
            return None
        if kind == "torus" and self.few_rings(surface, sample):
            return None
        off = np.abs(surface.distance(sample.points))
        typical = float(np.quantile(off, 0.8))
        if off.max() > 4.0 * self.noise and len(sample.points) >= 24:
            outer = self.outer_fit(surface, sample, 0.1 * typical + self.noise)
            surface, typical = (surface, typical) if outer is None else outer
        if typical > min(close, self.limit(surface)):
            return None
        return surface, typical

    def outer_fit(
        self, surface: Surface, sample: Sample, close: float
    ) -> tuple[Surface, float] | None:
        """The fit through the outermost vertices, a quarter of them or more, if it is close."""
        fitted: Surface | None = surface
        best: tuple[Surface, float] | None = None
        for turn in range(6):
            if fitted is None:
                break
            off = fitted.distance(sample.points)
            low, high = (float(q) for q in np.quantile(off, (0.02, 0.98)))
            outer = off >= high - 0.3 ** (turn + 1) * (high - low) - self.noise
            if outer.mean() < 0.25 or outer.sum() < 12:
                break
            typical = float(np.quantile(np.abs(off[outer]), 0.8))
            if typical <= close and high <= 2.0 * typical + 2.0 * self.noise:
                best = min(best or (fitted, typical), (fitted, typical), key=lambda b: b[1])
            if np.abs(off[outer]).max() <= self.noise:
                break
            fitted = fit_surface(surface.kind, sample.only(outer), self.noise, 1e3 * close)
        return best

    @staticmethod
    def few_rings(surface: Surface, sample: Sample) -> bool:
        """Do the vertices lie on fewer than five rings? A torus passes through any three."""
        height, rho, _ = surface.split(sample.points)
        around = np.sort(np.arctan2(height, rho - surface.radius))
        return int((np.diff(around) > 0.01).sum()) < 4

    @staticmethod
    def same_side(surface: Surface, sample: Sample) -> bool:
        """Do nearly all facets face along, or nearly all against, the surface's normal?"""
        along = np.einsum("ij,ij->i", surface.normal(sample.centroids), sample.normals)
        weight = float(sample.areas.sum())
        return abs(float((np.sign(along) * sample.areas).sum())) > 0.98 * weight

    def fitting(
        self, facets: IntArray, surface: Surface, outward: bool, step: float, typical: float
    ) -> BoolArray:
        """Which facets lie on the surface: every vertex on it or on a chord of it, facing right.

        ``step``: the usual angle between neighbouring strips, degrees.
        """
        limit = self.limit(surface, typical)
        slack = 1.1 if surface.kind in ("cylinder", "cone") else 4.0
        chord = (
            slack * 2.0 * surface.curvature_radius * np.sin(np.radians(min(step, 60.0)) / 4.0) ** 2
        )
        corners = self.mesh.vertices[self.mesh.faces[facets]]
        off = surface.distance(corners.reshape(-1, 3)).reshape(-1, 3)
        near = (off <= limit).all(axis=1) & (off >= -max(limit, chord)).all(axis=1)
        facing = np.einsum(
            "ij,ij->i", surface.normal(self.centroids[facets]), self.mesh.normals[facets]
        )
        facing = facing if outward else -facing
        needle = self.mesh.areas[facets] < 1e-6 * surface.curvature_radius**2
        near &= (facing > np.cos(np.radians(max(2.0, step)))) | (needle & (facing > 0.5))
        if surface.kind in ("cylinder", "cone") and near.any():
            near &= self.span(facets, surface) <= max(3.2 * step, 3.0)
        return near

    def span(self, facets: IntArray, surface: Surface) -> FloatArray:
        """Degrees about the axis that each facet covers."""
        corners = self.mesh.vertices[self.mesh.faces[facets]]
        _, _, radial = surface.split(corners.reshape(-1, 3))
        radial = radial.reshape(-1, 3, 3)
        cosine = np.stack(
            [np.einsum("ij,ij->i", radial[:, i], radial[:, i - 1]) for i in range(3)], axis=1
        )
        return np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))).max(axis=1)

    def several_patches(self, facets: IntArray) -> bool:
        """Are there four strips or more among the facets?"""
        return len(np.unique(self.patches[facets])) >= 4

    def usual_step(self, facets: IntArray) -> float:
        """Median of the angles between neighbouring strips, degrees."""
        turns = self.turn[facets]
        turns = turns[turns > 0.0]
        return float(np.median(turns)) if len(turns) else 0.0

    # -- accepting ---------------------------------------------------------------------------

    def accept(self, facets: IntArray, surface: Surface) -> bool:
        """Enter the region if it is one a machinist would name; tell whether it was."""
        if not self.several_patches(facets):
            return False
        sample = self.sample(facets)
        along = surface.normal(sample.centroids) * sample.normals
        outward = float((along.sum(axis=1) * sample.areas).sum()) > 0.0
        residual = float(np.sqrt(np.mean(surface.distance(sample.points) ** 2)))
        self.owner[facets] = len(self.regions)
        self.regions.append(Region(np.sort(facets), surface, outward, residual))
        return True

    def whole_block(self, facets: IntArray) -> bool:
        """Does the whole smooth block lie on one surface? Then take it, and what it touches."""
        fit = self.best_fit(facets, FIT_MM)
        if fit is None:
            return False
        surface, typical = fit
        step = self.usual_step(facets)
        outward = self.outward(facets, surface)
        inside = self.fitting(facets, surface, outward, step, typical)
        if self.mesh.areas[facets[~inside]].sum() > 1e-3 * self.mesh.areas[facets].sum():
            return False
        region = self.widened(facets[inside], surface, outward, step, typical)
        return self.accept(region, surface)

    def outward(self, facets: IntArray, surface: Surface) -> bool:
        """Is the material on the inner side of the surface?"""
        along = np.einsum(
            "ij,ij->i", surface.normal(self.centroids[facets]), self.mesh.cross[facets]
        )
        return bool(along.sum() > 0.0)

    def widened(
        self, facets: IntArray, surface: Surface, outward: bool, step: float, typical: float
    ) -> IntArray:
        """The facets and all smoothly connected free ones that lie on the same surface."""
        region = facets
        front = facets
        self.owner[facets] = -2
        rings = 0
        while len(front):
            rings += 1
            if rings > _MANY_RINGS:
                self.owner[region] = -1
                return self.widened_at_once(region, surface, outward, step, typical)
            ring = np.unique(self.table[front])
            ring = ring[ring >= 0]
            ring = ring[self.owner[ring] == -1]
            front = ring[self.fitting(ring, surface, outward, step, typical)]
            self.owner[front] = -2
            region = np.concatenate([region, front]) if len(front) else region
        self.owner[region] = -1
        return region

    def widened_at_once(
        self, facets: IntArray, surface: Surface, outward: bool, step: float, typical: float
    ) -> IntArray:
        """The same for many narrow strips: all free facets are tested, then what hangs together."""
        free = np.flatnonzero(self.owner == -1)
        inside = free[self.fitting(free, surface, outward, step, typical)]
        return self.connected(facets, np.union1d(inside, facets))

    # -- growth from a seed ------------------------------------------------------------------

    def neighbourhood(self, seed: int, most: int, spread: float) -> tuple[IntArray, bool]:
        """Free facets around the seed by rings; True when there would have been more."""
        cosine = np.cos(np.radians(spread))
        reached = [np.array([seed])]
        front = reached[0]
        self.owner[front] = -2
        count = 1
        more = False
        while len(front):
            ring = np.unique(self.table[front])
            ring = ring[ring >= 0]
            front = ring[self.owner[ring] == -1]
            if not len(front):
                break
            self.owner[front] = -2
            reached.append(front)
            count += len(front)
            if count >= most or (
                count >= 12 and (self.mesh.normals[front] @ self.mesh.normals[seed]).min() < cosine
            ):
                more = True
                break
        every = np.concatenate(reached)
        self.owner[every] = -1
        return every, more

    def connected(self, seeds: IntArray, facets: IntArray) -> IntArray:
        """Those of the facets that hang together with one of the seeds."""
        facets = np.sort(facets)
        place = np.searchsorted(facets, self.table[facets])
        place = np.minimum(place, len(facets) - 1)
        hit = facets[place] == self.table[facets]
        row, column = np.nonzero(hit)
        graph = coo_matrix(
            (np.ones(len(row), dtype=np.int8), (row, place[row, column])),
            shape=(len(facets), len(facets)),
        )
        label = connected_components(graph, directed=False)[1]
        return facets[np.isin(label, label[np.searchsorted(facets, seeds)])]

    def grow(self, seed: int) -> tuple[bool, IntArray]:
        """Try to grow a region from the seed; (accepted, facets that need not be tried again)."""
        tried = np.array([seed])
        for spread, most in ((16.0, 300), (45.0, 1200)):
            near, _ = self.neighbourhood(seed, most, spread)
            tried = near if len(tried) == 1 else tried
            if len(near) < 6:
                return False, near
            bulge = self.sample(near).bulge
            fit = self.best_fit(near, max(2.0 * self.noise, 0.02 * bulge))
            if fit is None or bulge < 20.0 * self.noise:
                continue
            region, surface = self.spread_out(seed, near, *fit)
            if region is not None and surface is not None and self.accept(region, surface):
                return True, region
        return False, tried

    def spread_out(
        self, seed: int, near: IntArray, surface: Surface, typical: float
    ) -> tuple[IntArray | None, Surface | None]:
        """Grow from a first fit by refitting on ever larger windows until nothing changes."""
        window_size = _FIRST_WINDOW
        window, more = self.neighbourhood(seed, window_size, 181.0)
        step = self.usual_step(near)
        size = 0
        for _ in range(14):
            outward = self.outward(near, surface)
            inside = window[self.fitting(window, surface, outward, step, typical)]
            if seed not in inside:
                return None, None
            region = self.connected(np.array([seed]), inside)
            if len(region) < 6:
                return None, None
            if len(region) == size:
                if not more or not self.at_rim(region, window):
                    break
                window_size *= 4
                window, more = self.neighbourhood(seed, window_size, 181.0)
                size = 0
                continue
            size = len(region)
            fit = self.best_fit(region, self.tight)
            if fit is None:
                return None, None
            surface, typical = fit
            near, step = region, self.usual_step(region)
        turn = self.mesh.normals[region] @ self.mesh.normals[seed]
        if turn.min() > np.cos(np.radians(12.0)):
            return None, None
        return region, surface

    def at_rim(self, region: IntArray, window: IntArray) -> bool:
        """Does the region reach free facets outside the window?"""
        around = np.unique(self.table[region])
        around = around[around >= 0]
        around = around[self.owner[around] == -1]
        return bool(len(np.setdiff1d(around, window)))

    def from_seeds(self, facets: IntArray) -> None:
        """Take the surfaces out of a smooth block one after another."""
        key = np.round(self.mesh.areas[facets], 6)
        place = np.round(self.centroids[facets], 4)
        order = facets[np.lexsort((place[:, 2], place[:, 1], place[:, 0], -key))]
        dead = set[int]()
        failures = 0
        for seed in order:
            if self.owner[seed] != -1 or int(seed) in dead or self.turn[seed] == 0.0:
                continue
            good, region = self.grow(int(seed))
            if good:
                failures = 0
                self.budget += 2
                continue
            dead.update(region.tolist())
            failures += 1
            self.budget -= 1
            if failures > _IN_A_ROW or self.budget < 0:
                break
