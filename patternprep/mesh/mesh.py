"""The triangle mesh as plain arrays, never changed once made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

__all__ = ["FloatArray", "IntArray", "Mesh"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Mesh:
    """Indexed triangles; vertices (n, 3) float64 in mm, faces (m, 3) int64, normals outward.

    Holds whatever it is given: soundness is said by ``patternprep.mesh.check``.
    Arrays are copied when needed and made read-only.
    """

    vertices: FloatArray
    faces: IntArray = field(repr=False)

    def __post_init__(self) -> None:
        for name, dtype in (("vertices", np.float64), ("faces", np.int64)):
            given = getattr(self, name)
            array = np.ascontiguousarray(given, dtype=dtype).reshape(-1, 3)
            if array.flags.writeable:
                array = array.copy() if np.shares_memory(array, np.asarray(given)) else array
                array.setflags(write=False)
            object.__setattr__(self, name, array)

    @property
    def facets(self) -> int:
        """Number of triangles."""
        return len(self.faces)

    @cached_property
    def triangles(self) -> FloatArray:
        """Corner coordinates, (m, 3, 3) mm."""
        return self.vertices[self.faces]

    @cached_property
    def cross(self) -> FloatArray:
        """Facet normal times twice the facet area, (m, 3) mm2."""
        a, b, c = (self.vertices[self.faces[:, i]] for i in range(3))
        return np.cross(b - a, c - a)

    @cached_property
    def areas(self) -> FloatArray:
        """Facet areas, (m,) mm2."""
        return 0.5 * _lengths(self.cross)

    @cached_property
    def normals(self) -> FloatArray:
        """Unit facet normals, (m, 3); zero for a facet without area."""
        length = _lengths(self.cross)[:, None]
        return np.divide(self.cross, length, out=np.zeros_like(self.cross), where=length > 0.0)

    @cached_property
    def bounds(self) -> FloatArray:
        """Lowest and highest corner, (2, 3) mm."""
        columns = [self.vertices[:, i] for i in range(3)]  # quicker than along the rows
        return np.array([[c.min() for c in columns], [c.max() for c in columns]])

    @property
    def size(self) -> FloatArray:
        """Extent along x, y and z, (3,) mm."""
        return self.bounds[1] - self.bounds[0]

    @cached_property
    def volume(self) -> float:
        """Signed volume in mm3 (divergence theorem about the bounds' centre, for precision)."""
        centre = self.bounds.mean(axis=0)
        a, b, c = (self.vertices[self.faces[:, i]] - centre for i in range(3))
        return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)

    @property
    def area(self) -> float:
        """Surface area in mm2."""
        return float(self.areas.sum())

    def transformed(self, matrix: FloatArray | Sequence[Sequence[float]]) -> Mesh:
        """Under a 4 x 4 matrix acting on column vectors; a mirror keeps normals outward."""
        m = np.asarray(matrix, dtype=np.float64)
        moved = self.vertices @ m[:3, :3].T + m[:3, 3]
        faces = self.faces if np.linalg.det(m[:3, :3]) > 0.0 else self.faces[:, ::-1]
        return Mesh(moved, faces)


def _lengths(vectors: FloatArray) -> FloatArray:
    """Lengths of vectors (m, 3), (m,); column by column, which is quicker than along the rows."""
    x, y, z = vectors[:, 0], vectors[:, 1], vectors[:, 2]
    return np.asarray(np.sqrt(x * x + y * y + z * z))
