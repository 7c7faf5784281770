"""What the search measures once about a part and then uses for every pull and plane.

A fixed number of points is spread evenly over the surface, each standing for the same area, so
that what follows costs the same for a thousand facets as for a million.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from patternprep.errors import GeometryFault
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh

__all__ = ["COARSE_POINTS", "FINE_POINTS", "SurfaceSample", "Survey", "along", "turned"]

COARSE_POINTS = 6_000
"""Surface points that serve to compare all pulls and planes."""
FINE_POINTS = 24_000
"""Surface points that serve for the figures of the best few."""

# The two-dimensional golden ratio: successive points of its sequence fill a square evenly.
# Source: M. Roberts, "The unreasonable effectiveness of quasirandom sequences" (2018).
_PLASTIC = 1.32471795724474602596


def along(direction: FloatArray, rows: FloatArray) -> FloatArray:
    """Component of vectors, given as rows (3, k), along a direction (3,).

    Written out: a matrix product starts threads that cost more than they save here.
    """
    x, y, z = direction
    component: FloatArray = x * rows[0] + y * rows[1] + z * rows[2]
    return component


def turned(frame: FloatArray, rows: FloatArray) -> FloatArray:
    """Vectors as rows (3, k) in the frame whose axes are the rows of a (3, 3) matrix."""
    return np.array([along(axis, rows) for axis in frame])


@dataclass(frozen=True)
class SurfaceSample:
    """Points on the surface with the facet and unit normal of each, as rows (3, k), mm.

    Every point stands for ``weight`` mm2 of the surface.
    """

    points: FloatArray
    normals: FloatArray
    facets: IntArray
    weight: float


@dataclass(frozen=True, eq=False)
class Survey:
    """A mesh with the measures that do not depend on the pull."""

    mesh: Mesh
    notes: dict[str, Any] = field(default_factory=dict, repr=False)

    @cached_property
    def volume(self) -> float:
        """Volume of the part, mm3; GeometryFault when it has none."""
        volume = self._moments[2]
        if not volume > 0.0:
            raise GeometryFault(
                f"The part has a volume of {volume:.3g} mm3, so no parting can be looked for; "
                "mend the mesh first."
            )
        return volume

    @cached_property
    def size(self) -> float:
        """Diagonal of the part's bounds, mm."""
        return float(np.linalg.norm(self.xyz.max(axis=1) - self.xyz.min(axis=1)))

    @cached_property
    def xyz(self) -> FloatArray:
        """Vertices as three rows (3, n): several times quicker to turn than as columns."""
        return np.ascontiguousarray(self.mesh.vertices.T)

    @cached_property
    def corners(self) -> tuple[IntArray, IntArray, IntArray]:
        """Vertex numbers of the facets' first, second and third corners."""
        first, second, third = (np.ascontiguousarray(self.mesh.faces[:, k]) for k in range(3))
        return first, second, third

    @cached_property
    def cross(self) -> FloatArray:
        """Facet normals times twice the facet area, as rows (3, m) mm2."""
        a, b, c = (self.xyz[:, k] for k in self.corners)
        b -= a
        c -= a
        return np.array(
            [
                b[1] * c[2] - b[2] * c[1],
                b[2] * c[0] - b[0] * c[2],
                b[0] * c[1] - b[1] * c[0],
            ]
        )

    @cached_property
    def areas(self) -> FloatArray:
        """Facet areas (m,) mm2."""
        x, y, z = self.cross
        return np.asarray(0.5 * np.sqrt(x * x + y * y + z * z), dtype=np.float64)

    @cached_property
    def heap(self) -> FloatArray:
        """Running sum of the facets' areas, mm2."""
        return np.cumsum(self.areas)

    @property
    def area(self) -> float:
        """Surface area, mm2."""
        return float(self.heap[-1])

    def sines(self, facets: IntArray, pull: FloatArray) -> FloatArray:
        """The pull's component of the facets' unit normals; 0 for a facet without area."""
        cross = self.cross[:, facets]
        length = np.sqrt((cross * cross).sum(axis=0))
        return along(pull, cross) / np.where(length > 0.0, length, 1.0)

    @cached_property
    def coarse(self) -> SurfaceSample:
        """The sparse surface sample."""
        return self.sample(COARSE_POINTS)

    @cached_property
    def fine(self) -> SurfaceSample:
        """The dense surface sample."""
        return self.sample(FINE_POINTS)

    def sample(self, count: int) -> SurfaceSample:
        """``count`` points evenly by area, the same ones every time."""
        heap = self.heap
        order = np.arange(count) + 0.5
        facets = np.searchsorted(heap, order * (heap[-1] / count), side="right")
        facets = np.minimum(facets, self.mesh.facets - 1)
        s = (order / _PLASTIC) % 1.0
        t = (order / _PLASTIC**2) % 1.0
        over = s + t > 1.0
        s[over], t[over] = 1.0 - s[over], 1.0 - t[over]
        a, b, c = (self.xyz[:, k[facets]] for k in self.corners)
        points = a + s * (b - a) + t * (c - a)
        cross = self.cross[:, facets]
        length = np.sqrt((cross * cross).sum(axis=0))
        normals = cross / np.where(length > 0.0, length, 1.0)
        return SurfaceSample(points, normals, facets, float(heap[-1]) / count)

    @cached_property
    def _moments(self) -> tuple[FloatArray, FloatArray, float]:
        """Centre of volume (3,) mm, second moments about it per volume (3, 3) mm2, volume mm3."""
        middle = 0.5 * (self.xyz.min(axis=1) + self.xyz.max(axis=1))
        spot = self.xyz - middle[:, None]
        a, b, c = (spot[:, k] for k in self.corners)
        six = (a * self.cross).sum(axis=0)
        total = a + b + c
        volume = six.sum() / 6.0
        centre = (total @ six) / 24.0 / volume
        second = sum(((six * p) @ p.T for p in (a, b, c, total)), np.zeros((3, 3)))
        spread = second / 120.0 / volume - np.outer(centre, centre)
        return centre + middle, 0.5 * (spread + spread.T), float(volume)

    @property
    def centre(self) -> FloatArray:
        """Centre of volume, (3,) mm."""
        return self._moments[0]

    @property
    def spread(self) -> FloatArray:
        """Second moments of the volume about its centre, per volume, (3, 3) mm2."""
        return self._moments[1]
