"""The surfaces a machinist knows: distance, normal, and what a fit sees.

All lengths mm. A signed distance is positive on the side away from the axis or centre (for a
plane: on the side of its normal).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from patternprep.mesh.mesh import FloatArray

BoolArray = npt.NDArray[np.bool_]

__all__ = ["Sample", "Surface", "cross_of"]


@dataclass(frozen=True, eq=False)
class Surface:
    """A plane, cylinder, cone, sphere or torus.

    ``point``: on the plane, on the axis, or the centre. ``axis``: plane normal or axis (unit).
    ``radius``: of cylinder or sphere, of the cone at ``point``, of a torus' ring.
    ``second``: tangent of a cone's half angle (radius grows along +axis), or a torus' tube radius.
    """

    kind: str
    point: FloatArray
    axis: FloatArray
    radius: float = 0.0
    second: float = 0.0

    def split(self, points: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """(height along the axis, distance from the axis, unit radial direction)."""
        offset = points - self.point
        height = offset @ self.axis
        radial = offset - height[:, None] * self.axis
        rho = np.sqrt(np.einsum("ij,ij->i", radial, radial))
        return height, rho, radial / np.maximum(rho, 1e-300)[:, None]

    def distance(self, points: FloatArray) -> FloatArray:
        """Signed distance (n,) of points (n, 3)."""
        if self.kind == "plane":
            return (points - self.point) @ self.axis
        if self.kind == "sphere":
            return np.linalg.norm(points - self.point, axis=1) - self.radius
        height, rho, _ = self.split(points)
        if self.kind == "cylinder":
            return rho - self.radius
        if self.kind == "cone":
            cosine = 1.0 / np.sqrt(1.0 + self.second**2)
            return (rho - self.radius - height * self.second) * cosine
        return np.hypot(rho - self.radius, height) - self.second

    def normal(self, points: FloatArray) -> FloatArray:
        """Gradient of the distance (n, 3): unit, away from the axis or centre."""
        if self.kind == "plane":
            return np.broadcast_to(self.axis, points.shape)
        if self.kind == "sphere":
            offset = points - self.point
            size = np.linalg.norm(offset, axis=1, keepdims=True)
            return offset / np.maximum(size, 1e-300)
        height, rho, radial = self.split(points)
        if self.kind == "cylinder":
            return radial
        if self.kind == "cone":
            cosine = 1.0 / np.sqrt(1.0 + self.second**2)
            return cosine * radial - (self.second * cosine) * self.axis
        across = rho - self.radius
        size = np.maximum(np.hypot(across, height), 1e-300)
        return (across / size)[:, None] * radial + (height / size)[:, None] * self.axis

    @property
    def curvature_radius(self) -> float:
        """Smallest radius of curvature, mm."""
        return {"plane": np.inf, "torus": self.second}.get(self.kind, self.radius)


@dataclass(frozen=True, eq=False)
class Sample:
    """What a fit sees: vertices (n, 3), and corners (k, 3, 3), normals and areas of facets."""

    points: FloatArray
    corners: FloatArray
    normals: FloatArray
    areas: FloatArray

    @cached_property
    def centroids(self) -> FloatArray:
        """Middles of the facets (k, 3)."""
        return np.asarray(self.corners[:, 0] + self.corners[:, 1] + self.corners[:, 2]) / 3.0

    @property
    def bulge(self) -> float:
        """Depth of the points along their mean normal: how much shape there is to fit, mm."""
        mean = (self.normals * self.areas[:, None]).sum(axis=0)
        size = float(np.linalg.norm(mean))
        if size < 0.2 * float(self.areas.sum()):
            return float(np.ptp(self.points, axis=0).max())
        heights = self.points @ (mean / size)
        return float(heights.max() - heights.min())


def cross_of(a: FloatArray, b: FloatArray) -> FloatArray:
    """Cross product of two single vectors, without the overhead of the general one."""
    ax, ay, az = a.tolist()
    bx, by, bz = b.tolist()
    return np.array([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx])
