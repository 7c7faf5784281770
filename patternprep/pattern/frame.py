"""The mould frame: from the part's own axes to the pattern as it lies in the sand.

Mould frame: the parting plane is z = 0, up in the flask is +z, the plan centre of the part lies
at the origin, and everything is at pattern size. The frame is one 4 x 4 matrix that holds
rotation, shift and every allowance that is a pure scaling (contraction of the metal, that of a
metal master pattern, rapping).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from patternprep.errors import GeometryFault
from patternprep.mesh.mesh import FloatArray, Mesh

__all__ = ["Frame", "mould_frame", "rotation_to_z"]

ON_PLANE_MM = 1e-9
"""Coordinates nearer to the parting plane than this are rounding and are put onto it, mm."""


@dataclass(frozen=True)
class Frame:
    """Part axes (mm, finished or casting size) to mould frame (mm, pattern size)."""

    matrix: FloatArray
    """4 x 4, row-major, acts on column vectors."""

    @property
    def inverse(self) -> FloatArray:
        """Mould frame back to part axes, 4 x 4."""
        return np.asarray(np.linalg.inv(self.matrix), dtype=np.float64)

    @property
    def volume_factor(self) -> float:
        """Pattern volume over casting volume."""
        return float(np.linalg.det(self.matrix[:3, :3]))

    @property
    def factors(self) -> FloatArray:
        """The three principal size factors, largest first."""
        linear = self.matrix[:3, :3]
        return np.asarray(np.linalg.svd(linear, compute_uv=False), dtype=np.float64)

    def to_mould(self, points: FloatArray) -> FloatArray:
        """Points (n, 3) or one point (3,) from part axes to the mould frame."""
        return points @ self.matrix[:3, :3].T + self.matrix[:3, 3]

    def to_part(self, points: FloatArray) -> FloatArray:
        """Points (n, 3) or one point (3,) from the mould frame to part axes."""
        back = self.inverse
        return points @ back[:3, :3].T + back[:3, 3]

    def mesh_to_mould(self, mesh: Mesh) -> Mesh:
        """A mesh in the mould frame, with what lies on the parting plane exactly on z = 0."""
        vertices = self.to_mould(mesh.vertices)
        vertices[np.abs(vertices[:, 2]) < ON_PLANE_MM, 2] = 0.0
        return Mesh(vertices, mesh.faces)


def rotation_to_z(direction: Sequence[float] | FloatArray) -> FloatArray:
    """A rotation (3 x 3) that takes a direction to +z; exact for the part's own axes.

    The least one for directions above the horizontal; for those below it, half a turn about x
    and then the least one, which stays accurate down to -z.
    Raises GeometryFault for a direction without length.
    """
    d = np.asarray(direction, dtype=np.float64)
    length = float(np.linalg.norm(d))
    if not np.isfinite(length) or length == 0.0:
        raise GeometryFault(
            f"The pull direction {tuple(float(c) for c in d)} has no length; "
            "give one such as +z or 0,1,1."
        )
    d = d / length
    if d[2] < -0.5:
        over = np.diag([1.0, -1.0, -1.0])
        return rotation_to_z(over @ d) @ over
    v = np.array([d[1], -d[0], 0.0])  # d x z
    cross = np.array([[0.0, -v[2], v[1]], [v[2], 0.0, -v[0]], [-v[1], v[0], 0.0]])
    rotation = np.eye(3) + cross + cross @ cross / (1.0 + d[2])
    rounded = np.round(rotation)
    return rounded if np.abs(rotation - rounded).max() < 1e-12 else rotation


def mould_frame(
    part: Mesh,
    pull: Sequence[float] | FloatArray,
    offset_mm: float,
    *,
    part_factors: Sequence[float] = (1.0, 1.0, 1.0),
    mould_factors: Sequence[float] = (1.0, 1.0, 1.0),
) -> Frame:
    """Frame for a pull and a parting plane {x: pull . x = offset} given in part axes.

    ``part_factors`` grow along the part's own x, y, z, before the turn; ``mould_factors`` along
    the mould's x, y, z, after it. The parting plane stays a plane and becomes z = 0.
    """
    grow = np.diag([float(f) for f in part_factors])
    if np.any(np.diag(grow) <= 0.0) or np.any(np.asarray(mould_factors) <= 0.0):
        raise GeometryFault(
            f"Size factors must be above zero, not {tuple(part_factors)} and "
            f"{tuple(mould_factors)}; give the contraction as a percentage such as 1.9 %."
        )
    n = np.asarray(pull, dtype=np.float64)
    n = n / np.linalg.norm(n)
    grown_normal = np.asarray(np.linalg.solve(grow, n), dtype=np.float64)
    linear = np.diag([float(f) for f in mould_factors]) @ rotation_to_z(grown_normal) @ grow
    matrix = np.eye(4)
    matrix[:3, :3] = linear
    moved = part.vertices @ linear.T
    middle = 0.5 * (moved[:, :2].min(axis=0) + moved[:, :2].max(axis=0))
    plane_point = linear @ (n * offset_mm)
    matrix[:3, 3] = [-middle[0], -middle[1], -plane_point[2]]
    return Frame(matrix)
