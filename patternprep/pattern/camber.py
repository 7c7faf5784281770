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
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh

__all__ = ["BOW_CHORD_MM", "Bow", "bow_for", "bow_mesh"]

BOW_CHORD_MM = 0.01
"""The straight pieces stay this near to the true bow, mm."""

_ON_CUT_MM = 1e-6

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
    """The mesh bowed in straight pieces, its facets cut across the length where two pieces meet.

    Between two such cuts all points move by one linear law, so that an upright wall stays upright
    whatever its facets are; the pieces stay within BOW_CHORD_MM of the true bow.
    """
    if bow.height_mm == 0.0:
        return mesh
    pieces = math.ceil(math.sqrt(abs(bow.height_mm) / BOW_CHORD_MM))
    low = bow.centre_mm - 0.5 * bow.length_mm
    knots = low + bow.length_mm * np.arange(pieces + 1) / pieces
    points, faces = np.array(mesh.vertices), mesh.faces
    for knot in knots[1:-1]:
        points, faces = _cut_across(points, faces, bow.along, float(knot))
    at_knots = np.zeros((len(knots), 3))
    at_knots[:, bow.along] = knots
    points[:, bow.toward] += np.interp(points[:, bow.along], knots, bow.shift(at_knots))
    return Mesh(points, faces)


def _cut_across(
    points: FloatArray, faces: IntArray, along: int, at: float
) -> tuple[FloatArray, IntArray]:
    """The same surface with every facet that crosses the plane cut there."""
    side = points[:, along] - at
    side = np.where(np.abs(side) <= _ON_CUT_MM, 0.0, np.sign(side))
    corners = side[faces]
    crosses = (corners.min(axis=1) < 0.0) & (corners.max(axis=1) > 0.0)
    if not crosses.any():
        return points, faces
    some = faces[crosses]
    start, end = some.reshape(-1), np.roll(some, -1, axis=1).reshape(-1)
    cut = side[start] * side[end] < 0.0
    low, high = np.minimum(start, end)[cut], np.maximum(start, end)[cut]
    edges, which = np.unique(low * len(points) + high, return_inverse=True)
    low, high = edges // len(points), edges % len(points)
    run = points[high] - points[low]
    share = (at - points[low, along]) / run[:, along]
    middles = points[low] + share[:, None] * run
    middles[:, along] = at
    number = np.full(len(start), -1, dtype=np.int64)
    number[cut] = len(points) + which
    new, cut = number.reshape(-1, 3), cut.reshape(-1, 3)
    one = cut.sum(axis=1) == 1
    # the facet turned so that its first edge is the one cut, or its last the one that is not
    lead = np.where(one, np.argmax(cut, axis=1), (np.argmin(cut, axis=1) + 1) % 3)
    turn = (lead[:, None] + np.arange(3)) % 3
    a, b, c = np.take_along_axis(some, turn, axis=1).T
    ab, bc, _ = np.take_along_axis(new, turn, axis=1).T
    two = ~one
    parts = [
        np.column_stack([a, ab, c]),
        np.column_stack([ab, b, c])[one],
        np.column_stack([ab, bc, c])[two],
        np.column_stack([ab, b, bc])[two],
    ]
    return np.concatenate([points, middles]), np.concatenate([faces[~crosses], *parts])
