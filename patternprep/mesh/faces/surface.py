"""The surfaces a machinist knows: distance, normal and least-squares fit.

All lengths mm. A signed distance is positive on the side away from the axis or centre (for a
plane: on the side of its normal).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from patternprep.mesh.mesh import FloatArray

BoolArray = npt.NDArray[np.bool_]

__all__ = ["Sample", "Surface", "fit_surface", "frame_of"]


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
    def reach(self) -> float:
        """Largest coordinate, mm."""
        return float(np.abs(self.points).max()) + 1.0

    @cached_property
    def centroids(self) -> FloatArray:
        """Middles of the facets (k, 3)."""
        return self.corners.mean(axis=1)

    def only(self, some: BoolArray) -> Sample:
        """With some of the vertices only."""
        return replace(self, points=self.points[some])

    def chord_depth(self, surface: Surface) -> float:
        """Mean over the facets of the deepest chord under the surface, mm.

        Two rims of vertices lie on many surfaces; the facets between them on one.
        """
        middles = 0.5 * (self.corners + self.corners[:, [1, 2, 0]])
        depth = np.abs(surface.distance(middles.reshape(-1, 3))).reshape(-1, 3).max(axis=1)
        return float((depth * self.areas).sum() / self.areas.sum())

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


def frame_of(axis: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Two unit vectors that make a right-handed frame with the axis."""
    least = int(np.argmin(np.abs(axis)))
    first = cross_of(axis, np.eye(3)[least])
    first /= np.sqrt(first @ first)
    return first, cross_of(axis, first)


def _circle(x: FloatArray, y: FloatArray) -> tuple[float, float, float]:
    """Least-squares circle (centre x, centre y, radius)."""
    mx, my = float(x.mean()), float(y.mean())
    u, v = x - mx, y - my
    design = np.stack([2.0 * u, 2.0 * v, np.ones_like(u)], axis=1)
    a, b, c = np.linalg.lstsq(design, u * u + v * v, rcond=None)[0]
    return mx + float(a), my + float(b), float(np.sqrt(max(c + a * a + b * b, 0.0)))


def _axis_across(sample: Sample) -> FloatArray:
    """Direction to which all normals are most nearly square."""
    weighted = sample.normals * sample.areas[:, None]
    return np.linalg.eigh(weighted.T @ sample.normals)[1][:, 0]


def _fit_sphere(sample: Sample) -> Surface:
    middle = sample.points.mean(axis=0)
    q = sample.points - middle
    design = np.concatenate([2.0 * q, np.ones((len(q), 1))], axis=1)
    solved = np.linalg.lstsq(design, np.einsum("ij,ij->i", q, q), rcond=None)[0]
    radius = float(np.sqrt(max(solved[3] + solved[:3] @ solved[:3], 0.0)))
    return Surface("sphere", middle + solved[:3], np.array([0.0, 0.0, 1.0]), radius)


def _fit_cylinder(sample: Sample) -> Surface:
    axis = _axis_across(sample)
    e1, e2 = frame_of(axis)
    middle = sample.points.mean(axis=0)
    q = sample.points - middle
    a, b, radius = _circle(q @ e1, q @ e2)
    return Surface("cylinder", middle + a * e1 + b * e2, axis, radius)


def _fit_cone(sample: Sample) -> Surface:
    total = float(sample.areas.sum())
    mean = (sample.normals * sample.areas[:, None]).sum(axis=0) / total
    off = sample.normals - mean
    axis = np.linalg.eigh((off * sample.areas[:, None]).T @ off)[1][:, 0]
    e1, e2 = frame_of(axis)
    middle = sample.points.mean(axis=0)
    # the normals' lines meet the axis: cross(p - c, n) = 0 in the plane square to it
    n1, n2 = sample.normals @ e1, sample.normals @ e2
    q = sample.centroids - middle
    design = np.stack([n2, -n1], axis=1)
    a, b = np.linalg.lstsq(design, (q @ e1) * n2 - (q @ e2) * n1, rcond=None)[0]
    point = middle + a * e1 + b * e2
    if not np.isfinite(point).all():
        raise np.linalg.LinAlgError("no axis")
    height, rho, _ = Surface("cylinder", point, axis).split(sample.points)
    slope, radius = np.polyfit(height, rho, 1) if np.ptp(height) > 0.0 else (0.0, 1.0)
    return Surface("cone", point, axis, float(radius), float(slope))


def _fit_torus(sample: Sample) -> Surface:
    middle = sample.points.mean(axis=0)
    scale = max(float(np.ptp(sample.points, axis=0).max()), 1e-12)
    q = (sample.centroids - middle) / scale
    weight = sample.areas / float(sample.areas.sum())
    moment = np.cross(q, sample.normals)
    aa = (moment * weight[:, None]).T @ moment
    ab = (moment * weight[:, None]).T @ sample.normals
    bb = (sample.normals * weight[:, None]).T @ sample.normals
    inverse = np.linalg.pinv(bb, rcond=1e-9)
    axis = np.linalg.eigh(aa - ab @ inverse @ ab.T)[1][:, 0]
    point = middle + scale * cross_of(axis, -inverse @ ab.T @ axis)
    if not np.isfinite(point).all():
        raise np.linalg.LinAlgError("no axis")
    height, rho, _ = Surface("cylinder", point, axis).split(sample.points)
    ring, level, tube = _circle(rho, height)
    return Surface("torus", point + level * axis, axis, ring, tube)


_FITS: dict[str, tuple[Callable[[Sample], Surface], str]] = {
    "sphere": (_fit_sphere, "xyzr"),
    "cylinder": (_fit_cylinder, "uvstr"),
    "cone": (_fit_cone, "uvstrk"),
    "torus": (_fit_torus, "uvsthrk"),
}


def _nudged(surface: Surface, names: str, step: FloatArray) -> Surface:
    """The surface with small changes of its parameters."""
    change = dict(zip(names, (float(s) for s in step), strict=True))
    e1, e2 = frame_of(surface.axis)
    axis = surface.axis + change.get("u", 0.0) * e1 + change.get("v", 0.0) * e2
    point = surface.point + change.get("s", 0.0) * e1 + change.get("t", 0.0) * e2
    point = point + change.get("h", 0.0) * surface.axis
    point = point + np.array([change.get(c, 0.0) for c in "xyz"])
    return replace(
        surface,
        point=point,
        axis=axis / np.sqrt(axis @ axis),
        radius=surface.radius + change.get("r", 0.0),
        second=surface.second + change.get("k", 0.0),
    )


def _slopes(surface: Surface, points: FloatArray, names: str) -> FloatArray:
    """Change of the distances (n, k) with each of the named parameters."""
    e1, e2 = frame_of(surface.axis)
    normal = surface.normal(points)
    arm = points - surface.point
    height = arm @ surface.axis
    columns = []
    for name in names:
        if name in "xyz":
            columns.append(-normal[:, "xyz".index(name)])
        elif name in "st":
            columns.append(-(normal @ (e1 if name == "s" else e2)))
        elif name == "h":
            columns.append(-(normal @ surface.axis))
        elif name in "uv":
            # the axis leans towards e: points swing the other way about the surface's point
            e = e1 if name == "u" else e2
            columns.append((normal @ surface.axis) * (arm @ e) - (normal @ e) * height)
        elif name == "r":
            columns.append(_radius_slope(surface, points, normal))
        elif surface.kind == "cone":
            columns.append(-height / np.sqrt(1.0 + surface.second**2))
        else:
            columns.append(-np.ones(len(points)))
    return np.stack(columns, axis=1)


def _radius_slope(surface: Surface, points: FloatArray, normal: FloatArray) -> FloatArray:
    if surface.kind == "cone":
        return np.full(len(points), -1.0 / np.sqrt(1.0 + surface.second**2))
    if surface.kind == "torus":
        _, _, radial = surface.split(points)
        return -np.einsum("ij,ij->i", normal, radial)
    return -np.ones(len(points))


def _refined(
    surface: Surface, points: FloatArray, names: str, good: float, hopeless: float
) -> Surface | None:
    """Gauss-Newton on the vertices' distances, with shorter steps where one overshoots.

    None where the mean distance stays beyond what is hopeless.
    """
    residual = surface.distance(points)
    best = float(residual @ residual)
    for turn in range(12):
        if np.abs(residual).max() <= good:
            break
        if best > len(points) * (hopeless if turn < 2 else 0.3 * hopeless) ** 2:
            return None
        slopes = _slopes(surface, points, names)
        if not np.isfinite(slopes).all():
            return None
        scale = np.sqrt(np.einsum("ij,ij->j", slopes, slopes)) + 1e-300
        step = -np.linalg.lstsq(slopes / scale, residual, rcond=1e-10)[0] / scale
        for _ in range(4):
            if not np.abs(step).max() < 1e9:
                return None
            trial = _nudged(surface, names, step)
            residual_new = trial.distance(points)
            value = float(residual_new @ residual_new)
            if value < best:
                break
            step = step * 0.25
        else:
            break
        settled = best - value < 1e-6 * best
        # slow progress far from a fit: the shape is another one
        if turn > 2 and value > 0.5 * best and value > len(points) * (0.1 * hopeless) ** 2:
            return None
        surface, residual, best = trial, residual_new, value
        if settled:
            break
    return surface


_FAR = 1e4
"""A radius or axis further off than this times the part's own coordinates is no fit."""


def fit_surface(kind: str, sample: Sample, good: float, hopeless: float) -> Surface | None:
    """Least-squares surface of the kind through the sample's vertices; None when it is senseless.

    Facets of a curved surface are chords, so only the vertices are asked; facet normals give the
    first axis. ``good``: a largest residual at which no refinement is needed, mm; ``hopeless``:
    a root mean square residual of the first guess at which none is tried.
    """
    fit, names = _FITS[kind]
    if len(sample.points) < len(names) + 1:
        return None
    try:
        surface = fit(sample)
        told = [*surface.point, *surface.axis, surface.radius, surface.second]
        if not np.isfinite(told).all() or np.abs(told).max() > _FAR * sample.reach:
            return None
        refined = _refined(surface, sample.points, names, good, hopeless)
    except np.linalg.LinAlgError:
        return None
    if refined is None:
        return None
    surface = refined
    if kind != "cone" and surface.radius <= 0.0:
        return None
    if kind == "torus" and surface.second <= 0.0:
        return None
    if kind == "cone" and not 0.002 < abs(surface.second) < 60.0:
        return None
    return surface
