"""Camber: a bow given to a long pattern against the bow that the casting takes in cooling.

The bow lies in plan, across the length, so that the pattern still draws from a flat parting:
every point moves sideways by h (1 - (2 (u - c) / L)^2), with u along the length, c and L the
middle and the length of the pattern, h the rise. Heights and volumes stay as they are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from patternprep.errors import GeometryFault
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import FloatArray, Mesh

__all__ = ["BOW_CHORD_MM", "Bow", "bow_for", "bow_mesh"]

BOW_CHORD_MM = 0.01
"""Edges are divided so that the straight pieces stay this near to the true bow, mm."""

STEEPEST_BOW = 0.05
"""Largest rise over length that is taken for a camber and not for another shape."""


@dataclass(frozen=True)
class Bow:
    """A bow in the mould frame at pattern size, mm; axes 0 for x and 1 for y."""

    height_mm: float
    along: int
    toward: int
    centre_mm: float
    length_mm: float

    def shift(self, points: FloatArray) -> FloatArray:
        """How far points (n, 3) move along the ``toward`` axis, (n,) mm."""
        u = 2.0 * (points[:, self.along] - self.centre_mm) / self.length_mm
        return self.height_mm * (1.0 - u * u)

    def moved(self, points: FloatArray) -> FloatArray:
        """Points (n, 3) as they lie in the bowed pattern."""
        bowed = np.array(points, dtype=np.float64)
        bowed[:, self.toward] += self.shift(points)
        return bowed


def bow_for(mesh: Mesh, height_mm: float, along: str, toward: str) -> Bow:
    """The bow of a pattern in the mould frame; GeometryFault where it cannot be one."""
    axes = {"x": 0, "y": 1}
    if along not in axes or toward not in axes or along == toward:
        raise GeometryFault(
            f"A camber along {along} toward {toward} does not lie in the parting plane; choose a "
            "pull so that the bow lies flat in the mould, and give x and y."
        )
    low, high = mesh.bounds[:, axes[along]]
    length = float(high - low)
    if abs(height_mm) > STEEPEST_BOW * length:
        raise GeometryFault(
            f"A camber of {height_mm:g} mm on {length:.1f} mm is more than one in twenty; "
            "model so strong a bow in the part itself."
        )
    return Bow(height_mm, axes[along], axes[toward], float(0.5 * (low + high)), length)


def bow_mesh(mesh: Mesh, bow: Bow) -> Mesh:
    """The mesh bowed, its long edges divided first so that they follow the bow."""
    if bow.height_mm == 0.0:
        return mesh
    longest = bow.length_mm * math.sqrt(BOW_CHORD_MM / abs(bow.height_mm))
    divided = Solid.from_mesh(mesh, "dividing long edges for the camber").refine(longest).to_mesh()
    return Mesh(bow.moved(divided.vertices), divided.faces)
