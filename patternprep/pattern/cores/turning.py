"""Can a core be set the wrong way? The turns that its seats allow, and whether they matter.

A turn is allowed when it brings every print of the core into a seat. It matters when the body of
the core then stands elsewhere. All in the mould frame at pattern size, mm.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.cores.prints import Print
from patternprep.pattern.cores.voids import plan_basis

__all__ = ["wrong_turn"]

EVEN = [math.radians(angle) for angle in range(0, 360, 5)]
"""Turns about a print's axis that are tried besides those that bring a corner to a corner."""

PLAY = 1.01 * EVEN[1]
"""Turns nearer to each other than this are one, and nearer to none at all are play."""

MOST_ROUND = 5
"""So many turns of a round print are tried with the body, spread by the golden section: what is
not round about the axis shows in any of them, unless it has their symmetry."""

GOLDEN = 0.5 * (math.sqrt(5.0) - 1.0)

ROUND_SHARE = 0.8
"""A print that fits at this share of all turns is round, and its chords do not count as corners."""

FEW_POINTS = 16

FIT_MM = 0.02
"""How far a turned print may overlap its seat's wall and still be pressed in."""

ELSEWHERE_MM = 0.05
"""A turned body stands elsewhere when what sticks out of its place is thicker than this."""


def wrong_turn(body: Solid, prints: Sequence[Print]) -> FloatArray | None:
    """The first turn (4, 4) that the seats allow and that puts the body elsewhere, or None.

    Play in the gaps is no turn: it is told elsewhere.
    """
    seats = [_half_spaces(p) for p in prints]
    ends = [np.concatenate(p.core_rings) for p in prints]
    chords = max(_sagitta(p.opening.ring) for p in prints)
    for way in _ways(prints):
        even = [a for a in EVEN if _all_fit(ends, way.turn(a), seats)]
        is_round = len(even) >= ROUND_SHARE * len(EVEN)
        least = max(ELSEWHERE_MM, 2.0 * chords) if is_round else ELSEWHERE_MM
        if is_round:
            tried = _spread_out(way.exact + [a for a in even if a > 0.0 or not way.stays])
            tried = [a for a in tried if _all_fit(ends, way.turn(a), seats)]
        else:
            exact = [a for a in way.exact if _all_fit(ends, way.turn(a), seats)]
            known = [*exact, 0.0] if way.stays else exact
            tried = exact + [a for a in even if all(_apart(a, b) > PLAY for b in known)]
        for angle in tried:
            turn = way.turn(angle)
            if _thickest(body.transform(turn) - body) > least:
                return turn
    return None


def _spread_out(angles: list[float]) -> list[float]:
    """A few of many angles, spread by the golden section."""
    return [
        angles[int(len(angles) * (k * GOLDEN % 1.0))] for k in range(1, MOST_ROUND + 1) if angles
    ]


def _thickest(solid: Solid) -> float:
    """Mean thickness of its thickest separate piece, mm."""
    pieces = [] if solid.is_empty else [p for p in solid.bodies() if p.area > 0.0]
    return max((2.0 * p.volume / p.area for p in pieces), default=0.0)


@dataclass(frozen=True, eq=False)
class _Way:
    """One print brought into the place of another, with a turn about the axis left free."""

    start: FloatArray
    end: FloatArray
    own: FloatArray
    there: FloatArray
    exact: list[float]
    """Angles that bring a corner onto a corner, or another print into another's direction."""
    stays: bool
    """The print comes to its own place, so that no turn at all is one of the angles."""

    def turn(self, angle: float) -> FloatArray:
        c, s = np.cos(angle), np.sin(angle)
        roll = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
        turn = np.eye(4)
        turn[:3, :3] = self.there.T @ roll @ self.own
        turn[:3, 3] = self.end - turn[:3, :3] @ self.start
        return turn


def _ways(prints: Sequence[Print]) -> Iterator[_Way]:
    """The first print brought into the place of each, about each of its middles."""
    first = prints[0]
    for other in prints:
        pairs = list(zip(_middles(first), _middles(other), strict=True))
        if all(np.allclose(a, b, atol=1e-6) for a, b in zip(*pairs, strict=True)):
            pairs = pairs[:1]
        for start, end in pairs:
            exact = _exact_rolls(first, other, prints, start, end)
            if other is first:
                # less than that is play in the gaps, from one corner to its neighbour
                exact = [angle for angle in exact if _apart(angle, 0.0) > PLAY]
            yield _Way(start, end, _axes(first.axis), _axes(other.axis), exact, other is first)


def _apart(angle: float, other: float) -> float:
    """Angle between two directions in the plane, radians."""
    return abs((angle - other + math.pi) % (2.0 * math.pi) - math.pi)


def _middles(one: Print) -> list[FloatArray]:
    """Points that a turn may go about: the middle of the mouth and that of the print's section."""
    basis = plan_basis(one.axis)
    section = shapely.Polygon((one.core_rings[0] - one.opening.point) @ basis.T)
    middle = np.array([section.centroid.x, section.centroid.y]) @ basis
    return [one.opening.point, one.opening.point + middle]


def _exact_rolls(
    first: Print, other: Print, prints: Sequence[Print], start: FloatArray, end: FloatArray
) -> list[float]:
    away = (first.core_rings[0] - start) @ plan_basis(first.axis).T
    corner = away[np.argmax(np.hypot(*away.T))]
    onto = (other.core_rings[0] - end) @ plan_basis(other.axis).T
    found = [_azimuth(onto) - _azimuth(corner)]
    for carried in prints:
        leaving = _directions(first, start, carried)
        for place in prints:
            arriving = _directions(other, end, place)
            for a, b in zip(leaving, arriving, strict=True):
                if min(np.hypot(*a), np.hypot(*b)) > 1e-6:
                    found.append(np.atleast_1d(_azimuth(b) - _azimuth(a)))
    angles = np.unique(np.round(np.concatenate(found) % (2.0 * np.pi), 9))
    return [float(angle) for angle in angles]


def _directions(about: Print, middle: FloatArray, one: Print) -> list[FloatArray]:
    """In the plan across a print's axis: where another lies, and where it points."""
    basis = plan_basis(about.axis)
    return [basis @ (one.opening.point - middle), basis @ one.axis]


def _azimuth(plan: FloatArray) -> FloatArray:
    return np.asarray(np.arctan2(plan[..., 1], plan[..., 0]))


def _sagitta(ring: FloatArray) -> float:
    """How far the chords of a round ring (k, 3) with corners stay inside its circle, mm."""
    chord = np.linalg.norm(np.roll(ring, -1, axis=0) - ring, axis=1)
    radius = np.linalg.norm(ring - ring.mean(axis=0), axis=1).mean()
    return float(np.median(chord) ** 2 / (8.0 * radius))


def _axes(axis: FloatArray) -> FloatArray:
    """Right-handed unit axes (3, 3), the third along ``axis``."""
    return np.vstack([plan_basis(axis), axis])


def _moved(points: FloatArray, turn: FloatArray) -> FloatArray:
    return np.asarray(points @ turn[:3, :3].T + turn[:3, 3])


def _half_spaces(one: Print) -> FloatArray:
    """The seat's loft as half-spaces (h, 4): a.x + b <= 0 inside; facets in one plane give one."""
    from scipy.spatial import ConvexHull

    planes = np.asarray(ConvexHull(np.concatenate(one.seat_rings)).equations)
    _, first = np.unique(np.round(planes, 7), axis=0, return_index=True)
    return planes[np.sort(first)]


def _all_fit(ends: Sequence[FloatArray], turn: FloatArray, seats: Sequence[FloatArray]) -> bool:
    """True when the turned prints, each given by its points, all lie within a seat."""
    return all(_fits(_moved(points, turn), seats) for points in ends)


def _fits(points: FloatArray, seats: Sequence[FloatArray]) -> bool:
    """True when all the points lie within one of the seats; a few points rule most seats out."""
    few = points[:: max(1, len(points) // FEW_POINTS)]
    return any(_within(few, seat) and _within(points, seat) for seat in seats)


def _within(points: FloatArray, seat: FloatArray) -> bool:
    return bool((points @ seat[:, :3].T + seat[:, 3] <= FIT_MM).all())
