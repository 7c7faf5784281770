"""Many samples and many surfaces in one set of arrays.

A part has hundreds of small curved faces; fitted one by one most of the time goes into the
handling of short arrays. Here the points of all samples lie end to end in one array.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from patternprep.mesh.faces.surface import Sample, Surface
from patternprep.mesh.mesh import FloatArray, IntArray

__all__ = ["Cloud", "Samples", "Surfaces", "cross", "dot", "frames_of"]

BoolArray = npt.NDArray[np.bool_]


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
        height = dot(offset, axis)
        radial = offset - height * axis
        rho = np.sqrt(dot(radial, radial))
        return height, rho, radial / np.maximum(rho, 1e-300)

    def distance(self, cloud: Cloud) -> FloatArray:
        """Signed distances (n,)."""
        if self.kind == "sphere":
            offset = cloud.xyz - cloud.spread(self.point)
            return np.asarray(np.sqrt(dot(offset, offset)) - cloud.spread(self.radius))
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
            return np.asarray(offset / np.maximum(np.sqrt(dot(offset, offset)), 1e-300))
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
        along = dot(normal, cloud.spread(self.axis))
        n1, n2 = dot(normal, e1), dot(normal, e2)
        # the axis leans towards e: points swing the other way about the surface's point
        rows = [along * dot(arm, e1) - n1 * height, along * dot(arm, e2) - n2 * height, -n1, -n2]
        if self.kind == "cylinder":
            rows.append(np.full_like(height, -1.0))
        elif self.kind == "cone":
            cosine = cloud.spread(1.0 / np.sqrt(1.0 + self.second**2))
            rows += [-cosine, -height * cosine]
        else:
            rows += [-along, -dot(normal, radial), np.full_like(height, -1.0)]
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
        return Surfaces(self.kind, point, axis / np.sqrt(dot(axis, axis)), radius, second)


def dot(a: FloatArray, b: FloatArray) -> FloatArray:
    """Dot products (n,) of vectors (3, n)."""
    return np.asarray(np.einsum("ij,ij->j", a, b))


def cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Cross products of vectors (3, n), without the overhead of the general one."""
    return np.stack(
        [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
    )


def frames_of(axis: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Two unit vectors (3, b) each that make right-handed frames with the axes (3, b)."""
    least = np.argmin(np.abs(axis), axis=0)
    helper = np.zeros_like(axis)
    helper[least, np.arange(axis.shape[1])] = 1.0
    first = cross(axis, helper)
    first /= np.sqrt(dot(first, first))
    return first, cross(axis, first)
