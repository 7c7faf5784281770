"""The solid kernel: the one module that talks to manifold3d, always in float64.

A :class:`Solid` is a closed, oriented manifold. Every operation checks the kernel's status and
raises :class:`~patternprep.errors.KernelFault` with the step's name instead of passing on an
empty solid.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import manifold3d as m3
import numpy as np
import numpy.typing as npt

from patternprep.errors import KernelFault
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.mesh.topology import used_only

__all__ = [
    "UNION_LEAF",
    "Solid",
    "hull_of_points",
    "plan_area",
    "triangulate_rings",
    "union_all",
]

UNION_LEAF = 64
"""Most bodies that one union takes at once; larger sets are united as a tree."""


class Solid:
    """A solid body (or several, or none) in mm; immutable."""

    __slots__ = ("_body",)

    def __init__(self, body: Any, step: str = "a solid operation") -> None:
        status = body.status()
        if status != m3.Error.NoError:
            raise KernelFault(f"The solid kernel reports {status.name} at {step}.")
        self._body = body

    # -- making ------------------------------------------------------------------------------

    @classmethod
    def from_mesh(cls, mesh: Mesh, step: str = "building a solid from a mesh") -> Solid:
        """Build from a closed, oriented mesh; raises KernelFault where it is not."""
        return cls(
            m3.Manifold(
                m3.Mesh64(
                    np.array(mesh.vertices, dtype=np.float64, order="C"),
                    np.array(mesh.faces, dtype=np.uint64, order="C"),
                )
            ),
            step,
        )

    @classmethod
    def empty(cls) -> Solid:
        """The solid without any material."""
        return cls(m3.Manifold())

    @classmethod
    def box(cls, low: Sequence[float], high: Sequence[float]) -> Solid:
        """Axis-aligned box between two corners, mm."""
        size = [float(h) - float(lo) for lo, h in zip(low, high, strict=True)]
        return cls(m3.Manifold.cube(size).translate([float(c) for c in low]), "making a box")

    @classmethod
    def cylinder(
        cls,
        height: float,
        radius_low: float,
        radius_high: float | None = None,
        segments: int = 96,
    ) -> Solid:
        """Cylinder or cone frustum along +z standing on z = 0 (an inscribed polygon), mm."""
        top = radius_low if radius_high is None else radius_high
        return cls(m3.Manifold.cylinder(height, radius_low, top, segments), "making a cylinder")

    @classmethod
    def sphere(cls, radius: float, segments: int = 96) -> Solid:
        """Sphere about the origin (inscribed facets), mm."""
        return cls(m3.Manifold.sphere(radius, segments), "making a sphere")

    @classmethod
    def extrude(cls, rings: Sequence[FloatArray], height: float) -> Solid:
        """Prism along +z from z = 0 over plan rings (k, 2), holes clockwise."""
        section = m3.CrossSection(
            [np.asarray(r, dtype=np.float64) for r in rings], m3.FillRule.Positive
        )
        return cls(m3.Manifold.extrude(section, height), "extruding a section")

    @classmethod
    def revolve(cls, ring: FloatArray, segments: int = 96, degrees: float = 360.0) -> Solid:
        """Turn a profile ring (k, 2) of (radius, z), anticlockwise, about the z axis."""
        section = m3.CrossSection([np.asarray(ring, dtype=np.float64)], m3.FillRule.Positive)
        return cls(m3.Manifold.revolve(section, segments, degrees), "revolving a section")

    # -- reading -----------------------------------------------------------------------------

    def to_mesh(self) -> Mesh:
        """Vertices and facets as arrays, float64, normals outward."""
        mesh = self._body.to_mesh64()
        vertices = np.asarray(mesh.vert_properties, dtype=np.float64)[:, :3]
        faces = np.asarray(mesh.tri_verts, dtype=np.int64)
        merge_from = np.asarray(mesh.merge_from_vert, dtype=np.int64)
        if len(merge_from):
            target = np.arange(len(vertices))
            target[merge_from] = np.asarray(mesh.merge_to_vert, dtype=np.int64)
            faces = target[faces]
            used, faces = used_only(faces, len(vertices))
            vertices = vertices[used]
        return Mesh(vertices, faces)

    @property
    def is_empty(self) -> bool:
        """True when there is no material."""
        return bool(self._body.is_empty())

    @property
    def facets(self) -> int:
        """Number of triangles."""
        return int(self._body.num_tri())

    @property
    def volume(self) -> float:
        """Volume in mm3."""
        return float(self._body.volume())

    @property
    def area(self) -> float:
        """Surface area in mm2."""
        return float(self._body.surface_area())

    @property
    def bounds(self) -> FloatArray:
        """Lowest and highest corner, (2, 3) mm."""
        return np.array(self._body.bounding_box(), dtype=np.float64).reshape(2, 3)

    @property
    def tolerance(self) -> float:
        """The kernel's own tolerance of this solid, mm."""
        return float(self._body.get_tolerance())

    def section(self, z: float) -> list[FloatArray]:
        """Closed plan rings (k, 2) of the cut at height z; outer anticlockwise, holes clockwise."""
        return [np.asarray(r, dtype=np.float64) for r in self._body.slice(z).to_polygons()]

    def outline(self) -> list[FloatArray]:
        """Plan rings (k, 2) of the shadow along z."""
        return [np.asarray(r, dtype=np.float64) for r in self._body.project().to_polygons()]

    def hits(self, start: Sequence[float], end: Sequence[float]) -> FloatArray:
        """Distances in mm along a straight line to every surface met after its start, ascending."""
        a, b = ([float(c) for c in point] for point in (start, end))
        length = float(np.linalg.norm(np.subtract(b, a)))
        return np.array([hit.distance * length for hit in self._body.ray_cast(a, b)])

    # -- combining ---------------------------------------------------------------------------

    def __add__(self, other: Solid) -> Solid:
        return Solid(self._body + other._body, "a union")

    def __sub__(self, other: Solid) -> Solid:
        return Solid(self._body - other._body, "a difference")

    def __and__(self, other: Solid) -> Solid:
        return Solid(self._body ^ other._body, "an intersection")

    def split(self, cutter: Solid) -> tuple[Solid, Solid]:
        """(part inside the cutter, part outside it); both share the corners of the cut."""
        inside, outside = self._body.split(cutter._body)
        return Solid(inside, "a cut by a solid"), Solid(outside, "a cut by a solid")

    def split_by_plane(
        self, normal: Sequence[float] = (0.0, 0.0, 1.0), offset: float = 0.0
    ) -> tuple[Solid, Solid]:
        """(part on the side of the normal, part on the other side) of the plane n.x = offset."""
        ahead, behind = self._body.split_by_plane([float(c) for c in normal], float(offset))
        return Solid(ahead, "a cut by a plane"), Solid(behind, "a cut by a plane")

    def trim_by_plane(
        self, normal: Sequence[float] = (0.0, 0.0, 1.0), offset: float = 0.0
    ) -> Solid:
        """The part on the side of the normal of the plane n.x = offset."""
        return Solid(
            self._body.trim_by_plane([float(c) for c in normal], float(offset)),
            "a cut by a plane",
        )

    def transform(self, matrix: FloatArray | Sequence[Sequence[float]]) -> Solid:
        """Under a 4 x 4 matrix acting on column vectors."""
        m = np.ascontiguousarray(np.asarray(matrix, dtype=np.float64)[:3, :4])
        return Solid(self._body.transform(m), "a transform")

    def translate(self, shift: Sequence[float]) -> Solid:
        """Moved by (x, y, z) mm."""
        return Solid(self._body.translate([float(c) for c in shift]), "a shift")

    def simplify(self, tolerance: float) -> Solid:
        """With facets removed so that the surface moves by less than the tolerance, mm."""
        return Solid(self._body.as_original().simplify(float(tolerance)), "a simplification")

    def refine(self, longest: float) -> Solid:
        """With edges divided so that none is longer than ``longest`` mm; the shape stays."""
        return Solid(self._body.refine_to_length(float(longest)), "dividing edges")

    def bodies(self) -> list[Solid]:
        """The separate shells as solids (an inner void stays apart with negative volume)."""
        return [Solid(b, "taking bodies apart") for b in self._body.decompose()]

    def hull(self) -> Solid:
        """Convex hull."""
        return Solid(self._body.hull(), "a convex hull")

    def minkowski_sum(self, other: Solid) -> Solid:
        """Minkowski sum; slow, for tests as an oracle."""
        return Solid(self._body.minkowski_sum(other._body), "a Minkowski sum")


def hull_of_points(points: FloatArray) -> Solid:
    """Convex hull of points (n, 3) mm."""
    return Solid(m3.Manifold.hull_points(np.asarray(points, dtype=np.float64)), "a convex hull")


def plan_area(rings: Sequence[FloatArray]) -> float:
    """Area in mm2 of the plan region that rings (k, 2) wind about a positive number of times."""
    return float(m3.CrossSection([np.asarray(r) for r in rings], m3.FillRule.Positive).area())


def triangulate_rings(rings: Sequence[FloatArray]) -> npt.NDArray[np.int64]:
    """Triangles (m, 3) over the rings' points in order; outer anticlockwise, holes clockwise.

    No point is added or left out, so the triangles close a mesh along the rings' edges.
    """
    return np.asarray(m3.triangulate([np.asarray(r) for r in rings]), dtype=np.int64).reshape(-1, 3)


def union_all(solids: Iterable[Solid], order: npt.NDArray[np.int64] | None = None) -> Solid:
    """Union of many solids in a tree of at most UNION_LEAF bodies a leaf.

    Bodies near each other should stand near each other in the sequence (or in ``order``).
    """
    level = [s._body for s in solids]
    if order is not None:
        level = [level[i] for i in order]
    if not level:
        return Solid.empty()
    while len(level) > 1:
        groups = [level[i : i + UNION_LEAF] for i in range(0, len(level), UNION_LEAF)]
        level = [
            Solid(m3.Manifold.batch_boolean(g, m3.OpType.Add), "a union of many")._body
            for g in groups
        ]
    return Solid(level[0], "a union of many")
