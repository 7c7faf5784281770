"""The curved surfaces found on a mesh so far, and which facets fit one more."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from patternprep.mesh.faces.best import FIT_MM, Fit, best_fits
from patternprep.mesh.faces.many import Samples
from patternprep.mesh.faces.surface import Sample, Surface
from patternprep.mesh.faces.topology import (
    Edges,
    distinct,
    facet_middles,
    neighbour_table,
    sum_by,
)
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.mesh.topology import components

__all__ = ["FIT_MM", "SMOOTH_DEG", "Finder", "Region"]

BoolArray = npt.NDArray[np.bool_]

SMOOTH_DEG = 35.0
"""Facets that meet at less may approximate one curved surface: 12 facets a turn meet at 30."""
WIDTH_RATIO = 3.0
"""Strips of one curved surface differ in width by less than this."""
_SAMPLE = 200
_AT_ONCE = 512
"""So many fits at once keep the arrays small."""
_MANY_RINGS = 24


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
        joined = edges.facets[smooth & (alike | ~border)]
        self.blocks = components(mesh.facets, *joined.T)[1]
        self.owner = np.full(mesh.facets, -1, dtype=np.int64)
        self.scratch = np.zeros(max(len(mesh.vertices), mesh.facets), dtype=np.int64)
        self.regions: list[Region] = []
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

    def connected(self, seeds: IntArray, facets: IntArray) -> IntArray:
        """Those of the facets that hang together with one of the seeds."""
        facets = np.sort(facets)
        place = np.searchsorted(facets, self.table[facets])
        place = np.minimum(place, len(facets) - 1)
        row, column = np.nonzero(facets[place] == self.table[facets])
        _, label = components(len(facets), row, place[row, column])
        return facets[np.isin(label, label[np.searchsorted(facets, seeds)])]
