"""Finding the curved surfaces of a mesh: whole patches first, then growth from seeds."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from patternprep.mesh.faces.best import FIT_MM, Fit, best_fits
from patternprep.mesh.faces.many import Samples
from patternprep.mesh.faces.surface import Sample, Surface
from patternprep.mesh.faces.topology import (
    Edges,
    components,
    distinct,
    facet_middles,
    neighbour_table,
    sum_by,
)
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh

__all__ = ["FIT_MM", "SMOOTH_DEG", "Finder", "Region"]

BoolArray = npt.NDArray[np.bool_]

SMOOTH_DEG = 35.0
"""Facets that meet at less may approximate one curved surface: 12 facets a turn meet at 30."""
WIDTH_RATIO = 3.0
"""Strips of one curved surface differ in width by less than this."""
_SAMPLE = 200
_AT_ONCE = 512
"""So many fits at once keep the arrays small."""
_FIRST_WINDOW = 800
_MANY_RINGS = 24
_IN_A_ROW = 10
"""Seeds that may fail one after another before a block is left as free-form."""
_BLOCKS_AT_ONCE = 12
_BUDGET = 120
"""Seeds that may fail in all; each one that succeeds allows two more."""


@dataclass(frozen=True, eq=False)
class Region:
    """Facets that lie on one curved surface; ``outward`` when the material is inside of it."""

    facets: IntArray
    surface: Surface
    outward: bool
    residual: float


Found = tuple[IntArray, Surface]
"""The facets of a region, and the surface they lie on."""
Grown = tuple[IntArray, Found | None]
Growth = Generator[tuple[IntArray, float], Fit | None, Grown]
Spreading = Generator[tuple[IntArray, float], Fit | None, Found | None]


class Finder:
    """Shared state of the search; ``owner`` is the region of each facet, -1 for none."""

    def __init__(self, mesh: Mesh, edges: Edges, patches: IntArray, noise: float) -> None:
        self.mesh = mesh
        self.patches = patches
        self.noise = noise
        self.tight = 1e-3 + 1e-5 * float(np.linalg.norm(mesh.size))
        self.centroids = facet_middles(mesh)
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
        self.scratch = np.zeros(max(len(mesh.vertices), mesh.facets), dtype=np.int64)
        self.regions: list[Region] = []
        self.budget = _BUDGET
        self.skip = np.zeros(mesh.facets, dtype=bool)
        self.turn = np.zeros(mesh.facets)
        bend = smooth & border
        for column in range(2):
            np.maximum.at(self.turn, edges.facets[bend, column], edges.angle[bend])

    # -- fitting -----------------------------------------------------------------------------

    def sample(self, facets: IntArray) -> Sample:
        """At most a few hundred vertices and facets, evenly taken."""
        vertices = distinct(self.mesh.faces[facets], self.scratch)
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

    def best_fits(self, groups: Sequence[IntArray], close: Sequence[float]) -> list[Fit | None]:
        """The simplest surface for each group of facets whose vertices fit.

        ``close`` bounds 8 of 10 of them, mm.
        """
        found: list[Fit | None] = []
        for start in range(0, len(groups), _AT_ONCE):
            some = Samples.of([self.sample(g) for g in groups[start : start + _AT_ONCE]])
            limits = np.array(close[start : start + _AT_ONCE])
            found += best_fits(some, limits, self.noise)
        return found

    def best_fit(self, facets: IntArray, close: float) -> Fit | None:
        """The same for one group."""
        return self.best_fits([facets], [close])[0]

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

    def around(self, facets: IntArray) -> IntArray:
        """Free facets across the smooth edges of some, ascending; some of these among them."""
        ring = self.table[facets].ravel()
        ring = ring[ring >= 0]
        return distinct(ring[self.owner[ring] == -1], self.scratch)

    def several_patches(self, facets: IntArray) -> bool:
        """Are there four strips or more among the facets?"""
        return len(distinct(self.patches[facets], self.scratch)) >= 4

    def usual_step(self, facets: IntArray, surface: Surface) -> float:
        """Usual angle between neighbouring strips, degrees.

        The median over the facets, and on cylinders and cones no more than the facets cover
        about the axis: a narrow strip also bends to the next surface, and that more sharply.
        """
        turns = self.turn[facets]
        turns = turns[turns > 0.0]
        step = float(np.median(turns)) if len(turns) else 0.0
        if surface.kind in ("cylinder", "cone"):
            some = facets[:: max(len(facets) // _SAMPLE, 1)]
            step = min(step, float(np.quantile(self.span(some, surface), 0.9)))
        return step

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

    def whole_block(self, facets: IntArray, fit: Fit | None) -> bool:
        """Does the whole smooth block lie on the surface? Then take it, and what it touches."""
        if fit is None:
            return False
        surface, typical = fit
        step = self.usual_step(facets, surface)
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
            ring = self.around(front)
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
            front = self.around(front)
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

    def growth(self, seed: int) -> Growth:
        """Try to grow a region from the seed.

        A generator, so that many may run abreast: it asks for fits (facets, how close) and is
        sent them. It returns the facets that need not be tried again where there is no region,
        and the region with its surface where there is one. It changes no owner.
        """
        tried: IntArray | None = None
        for spread, most in ((16.0, 300), (45.0, 1200)):
            near, _ = self.neighbourhood(seed, most, spread)
            tried = near if tried is None else tried
            if len(near) < 6:
                return near, None
            bulge = self.sample(near).bulge
            if bulge < 20.0 * self.noise:
                continue
            fit = yield near, max(2.0 * self.noise, 0.02 * bulge)
            if fit is None:
                continue
            region = yield from self.spread_out(seed, near, *fit)
            if region is not None and self.several_patches(region[0]):
                return tried, region
        assert tried is not None
        return tried, None

    def spread_out(self, seed: int, near: IntArray, surface: Surface, typical: float) -> Spreading:
        """Grow from a first fit by refitting on ever larger windows until nothing changes."""
        window_size = _FIRST_WINDOW
        window, more = self.neighbourhood(seed, window_size, 181.0)
        step = self.usual_step(near, surface)
        size = 0
        for _ in range(14):
            outward = self.outward(near, surface)
            inside = window[self.fitting(window, surface, outward, step, typical)]
            if seed not in inside:
                return None
            region = self.connected(np.array([seed]), inside)
            if len(region) < 6:
                return None
            if len(region) == size:
                if not more or not self.at_rim(region, window):
                    break
                window_size *= 4
                window, more = self.neighbourhood(seed, window_size, 181.0)
                size = 0
                continue
            size = len(region)
            fit = yield region, self.tight
            if fit is None:
                return None
            surface, typical = fit
            near, step = region, self.usual_step(region, surface)
        turn = self.mesh.normals[region] @ self.mesh.normals[seed]
        if turn.min() > np.cos(np.radians(12.0)):
            return None
        return region, surface

    def abreast(self, seeds: Sequence[int]) -> list[Grown]:
        """Grow from all seeds, with the fits that are wanted at one time done at once."""
        growths = [self.growth(seed) for seed in seeds]
        results: dict[int, Grown] = {}
        answers: dict[int, Fit | None] = dict.fromkeys(range(len(seeds)))
        while answers:
            wanted: dict[int, tuple[IntArray, float]] = {}
            for number, answer in answers.items():
                try:
                    wanted[number] = growths[number].send(answer)
                except StopIteration as end:
                    results[number] = end.value
            fits = self.best_fits([w[0] for w in wanted.values()], [w[1] for w in wanted.values()])
            answers = dict(zip(wanted, fits, strict=True))
        return [results[number] for number in range(len(seeds))]

    def at_rim(self, region: IntArray, window: IntArray) -> bool:
        """Does the region reach free facets outside the window?"""
        return bool(len(np.setdiff1d(self.around(region), window)))

    def from_seeds(self, blocks: Sequence[IntArray]) -> None:
        """Take the surfaces out of smooth blocks one after another, some blocks at a time."""
        self.skip = (self.owner != -1) | (self.turn == 0.0)
        for start in range(0, len(blocks), _BLOCKS_AT_ONCE):
            searches = [_Search(self, block) for block in blocks[start : start + _BLOCKS_AT_ONCE]]
            while self.budget >= 0:
                seeds = [search.next_seeds() for search in searches]
                every = [seed for some in seeds for seed in some]
                if not every:
                    break
                grown = iter(self.abreast(every))
                for search, some in zip(searches, seeds, strict=True):
                    search.enter(some, [next(grown) for _ in some])


class _Search:
    """What is known of one smooth block while surfaces are grown in it."""

    def __init__(self, finder: Finder, facets: IntArray) -> None:
        self.finder = finder
        key = np.round(finder.mesh.areas[facets], 6)
        place = np.round(finder.centroids[facets], 4)
        self.order = facets[np.lexsort((place[:, 2], place[:, 1], place[:, 0], -key))]
        self.failures = 0

    def next_seeds(self) -> list[int]:
        """The next seeds in order, no two of them close together; one where the last was good."""
        finder = self.finder
        covered = finder.skip.copy()
        seeds: list[int] = []
        most = _IN_A_ROW + 1 - self.failures if self.failures else 1
        while len(seeds) < most:
            ahead = self.order[~covered[self.order]]
            if not len(ahead):
                break
            seeds.append(int(ahead[0]))
            covered[finder.neighbourhood(seeds[-1], 300, 16.0)[0]] = True
        return seeds

    def enter(self, seeds: Sequence[int], grown: Sequence[Grown]) -> None:
        """Note what came of the seeds, up to the first that is good."""
        finder = self.finder
        for tried, found in grown:
            if finder.budget < 0:
                return
            if found is not None:
                if not (finder.owner[found[0]] == -1).all():
                    return  # another block has come first: the seeds are tried again
                finder.accept(*found)
                finder.skip[found[0]] = True
                self.failures = 0
                finder.budget += 2
                return
            finder.skip[tried] = True
            self.failures += 1
            finder.budget -= 1
