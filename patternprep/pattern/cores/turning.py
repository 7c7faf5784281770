"""Can a core be set the wrong way? The turns that its seats allow, and whether they matter.

A turn is allowed when it brings every print of the core into a seat. It matters when the body of
the core then stands elsewhere. All in the mould frame at pattern size, mm.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.cores.prints import Print
from patternprep.pattern.cores.voids import plan_basis

__all__ = ["wrong_turn"]

TURNS_DEG = (0.0, 45.0, 60.0, 90.0, 120.0, 180.0, 270.0)
"""Turns about a print's axis that are tried: those of the usual regular sections."""

FIT_MM = 0.02
"""How far a turned print may overlap its seat's wall and still be pressed in."""

ELSEWHERE_MM = 0.05
"""A turned body stands elsewhere when it lies off by more than this on the average of its skin."""


def wrong_turn(body: Solid, prints: Sequence[Print]) -> FloatArray | None:
    """The first turn (4, 4) that the seats allow and that puts the body elsewhere, or None."""
    seats = [_half_spaces(p) for p in prints]
    ends = [np.concatenate(p.core_rings) for p in prints]
    least = 0.5 * max(ELSEWHERE_MM, 2.0 * max(_sagitta(p.opening.ring) for p in prints))
    for turn in _turns(prints):
        if not all(_fits(_moved(points, turn), seats) for points in ends):
            continue
        outside = body.transform(turn) - body
        if outside.volume > least * body.area:
            return turn
    return None


def _turns(prints: Sequence[Print]) -> Iterator[FloatArray]:
    """Every turn that brings the first print into the place of any, turned about its axis."""
    first = prints[0]
    own = _axes(first.axis)
    for other in prints:
        there = _axes(other.axis)
        for degrees in TURNS_DEG:
            if other is first and degrees == 0.0:
                continue
            angle = np.radians(degrees)
            c, s = np.cos(angle), np.sin(angle)
            roll = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
            turn = np.eye(4)
            turn[:3, :3] = there.T @ roll @ own
            turn[:3, 3] = other.opening.point - turn[:3, :3] @ first.opening.point
            yield turn


def _sagitta(ring: FloatArray) -> float:
    """How far the chords of a round ring (k, 3) with corners stay inside its circle, mm."""
    chord = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)
    radius = np.linalg.norm(ring - ring.mean(axis=0), axis=1).mean()
    return float(np.median(chord) ** 2 / (8.0 * radius))


def _axes(axis: FloatArray) -> FloatArray:
    """Right-handed unit axes (3, 3), the third along ``axis``; level prints count from the top."""
    basis = plan_basis(axis)
    return np.vstack([basis, axis])


def _moved(points: FloatArray, turn: FloatArray) -> FloatArray:
    return np.asarray(points @ turn[:3, :3].T + turn[:3, 3])


def _half_spaces(one: Print) -> FloatArray:
    """The seat's loft as half-spaces (h, 4): a.x + b <= 0 inside."""
    from scipy.spatial import ConvexHull

    return np.asarray(ConvexHull(np.concatenate(one.seat_rings)).equations)


def _fits(points: FloatArray, seats: Sequence[FloatArray]) -> bool:
    """True when all the points lie within one of the seats."""
    return any(bool((points @ seat[:, :3].T + seat[:, 3] <= FIT_MM).all()) for seat in seats)
