"""The directions along which a part could naturally leave the sand.

Directions of large faces, axes of turned and cylindrical shape (the great circles on which their
normals lie), faces the part could lie on, principal axes of inertia and the part's own axes.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.parting.columns import plan_frame
from patternprep.pattern.parting.survey import Survey, along

__all__ = ["MAX_AXES", "Axis", "natural_axes", "plan_direction"]

MAX_AXES = 12
"""Most lines of pull that one search looks at (each in both senses)."""
_SNAP = 1e-4
"""A direction whose components differ less than that from a part axis is that axis."""
_ODD_DEG = 8.0
"""A fitted or leaned-on direction this close to a face's or axis's own is of no interest."""
SAME_DEG = 1.0
"""Directions closer than that count as one."""
_AROUND_DEG = 6.0
"""A large face's direction has at least half of the surface that faces within this angle."""
_FITTED_DEG = 4.0
"""A fitted axis that comes this close to a large face's direction is taken for that."""
_FACE_SHARE = 0.015
"""Least share of the surface that makes the direction of its normals worth a look."""
_TURNED_SHARE = 0.12
"""Least share of the surface, away from the largest plane faces, that shows a turned axis."""
_HULL_SHARE = 0.04
"""Least share of the convex hull's surface that makes a side to lie on."""


@dataclass(frozen=True)
class Axis:
    """A line of pull: unit direction (3,) and what it is on the part.

    An ``odd`` one has no face or axis of the part to lay the mould out by.
    """

    direction: FloatArray
    what: str
    odd: bool = False


def natural_axes(survey: Survey, squares: Sequence[FloatArray] = ()) -> tuple[Axis, ...]:
    """At most MAX_AXES lines of pull, the most telling first, none within 1 degree of another.

    ``squares`` are directions square to all mouths of holes that may get cores.
    """
    faces, shares = _normal_clusters(survey)
    found: list[Axis] = []
    _take(found, [Axis(d, "the direction of its large faces") for d in faces[:3]])
    turned = [_settled(d, faces) for d in _turned_axes(survey)]
    _take(found, [Axis(d, "the axis of its turned shape") for d in turned])
    square = _square_to([*faces[:3], *turned[:2]])
    _take(found, [Axis(d, "square to its large faces and axes") for d in square[:3]])
    _take(found, [Axis(d, "square to the mouths of its holes") for d in squares[:3]])
    _take(found, [Axis(d, "a part axis") for d in np.eye(3)])
    inertia = [Axis(d, "a principal axis of inertia", odd=True) for d in _inertia_axes(survey)]
    _take(found, inertia, _ODD_DEG)
    big = faces[3:6][shares[3:6] > 2.0 * _FACE_SHARE]
    _take(found, [Axis(d, "the direction of its large faces") for d in big])
    sides = [Axis(d, "a side that it can lie on", odd=True) for d in _hull_sides(survey)]
    _take(found, sides, _ODD_DEG)
    _take(found, [Axis(d, "the direction of its large faces") for d in faces[3:6]])
    found = found[:MAX_AXES]
    for d in turned[:1]:  # a turned part may also lie down, whichever way round
        if all(abs(float(d @ a.direction)) > 0.01 for a in found):
            lying = Axis(plan_frame(d, plan_direction(survey, d))[0], "across its turned axis")
            _take(found, [lying])
    return tuple(found)


def plan_direction(survey: Survey, pull: FloatArray) -> FloatArray:
    """A direction across the pull that turns with the part, for laying out a raster."""
    for choice in (*_normal_clusters(survey)[0], *np.linalg.eigh(survey.spread)[1].T, *np.eye(3)):
        if abs(float(choice @ pull)) < 0.9:
            return np.asarray(choice, dtype=np.float64)
    return np.roll(pull, 1)


def _take(found: list[Axis], more: list[Axis], apart_deg: float = SAME_DEG) -> None:
    """Append the axes that differ from all found so far."""
    limit = np.cos(np.radians(apart_deg))
    for axis in more:
        direction = axis.direction / np.linalg.norm(axis.direction)
        # a part axis stays exactly that
        snapped = np.rint(direction)
        if np.abs(direction - snapped).max() < _SNAP:
            direction = snapped
        if all(abs(float(direction @ a.direction)) < limit for a in found):
            found.append(Axis(_canonical(direction), axis.what, axis.odd))


def _square_to(directions: list[FloatArray]) -> list[FloatArray]:
    """Third directions of the pairs that stand at right angles, within 3 degrees."""
    pairs = itertools.combinations(directions, 2)
    return [np.cross(a, b) for a, b in pairs if abs(float(a @ b)) < 0.05]


def _settled(direction: FloatArray, faces: FloatArray) -> FloatArray:
    """The direction of a large face nearby, if any: a helix or fillet pulls a fitted axis off."""
    for face in faces:
        if abs(float(face @ direction)) > np.cos(np.radians(_FITTED_DEG)):
            return np.asarray(face, dtype=np.float64)
    return direction


def _canonical(direction: FloatArray) -> FloatArray:
    """The sense in which the last clearly non-zero component is positive."""
    telling = np.flatnonzero(np.abs(direction) > 1e-6)
    positive: FloatArray = (direction if direction[telling[-1]] > 0.0 else -direction) + 0.0
    return positive


def _normal_clusters(survey: Survey) -> tuple[FloatArray, FloatArray]:
    """Directions (k, 3) that most of the surface faces, both senses as one, and their shares."""
    cached = survey.notes.get("normal clusters")
    if cached is None:
        cached = _cluster(np.ascontiguousarray(survey.coarse.normals.T))
        survey.notes["normal clusters"] = cached
    return cached


def _cluster(normals: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Greedy clusters of directions within 1 degree, the largest first."""
    flip = np.where(np.abs(normals) > 1e-6, np.sign(normals), 0.0)
    sense = np.where(flip[:, 2] != 0, flip[:, 2], np.where(flip[:, 1] != 0, flip[:, 1], flip[:, 0]))
    lines = normals * np.where(sense == 0.0, 1.0, sense)[:, None]
    _, inverse, counts = np.unique(
        np.rint(lines * 60.0).astype(np.int64) @ np.array([1 << 20, 1 << 10, 1]),
        return_inverse=True,
        return_counts=True,
    )
    directions: list[FloatArray] = []
    shares: list[float] = []
    for key in np.argsort(-counts, kind="stable")[:24]:
        mean = lines[inverse == key].mean(axis=0)
        mean /= np.linalg.norm(mean)
        if any(abs(float(mean @ d)) > np.cos(np.radians(SAME_DEG)) for d in directions):
            continue
        dot = lines @ mean
        near = np.abs(dot) > np.cos(np.radians(SAME_DEG))
        share = float(near.mean())
        # a strip of a curved face is no direction of its own
        around = float((np.abs(dot) > np.cos(np.radians(_AROUND_DEG))).mean())
        if share < _FACE_SHARE or share < 0.5 * around:
            continue
        directions.append(_sharpened(lines[near], mean))
        shares.append(share)
    order = np.argsort(-np.array(shares), kind="stable").astype(np.int64)
    return np.array(directions).reshape(-1, 3)[order], np.array(shares)[order].reshape(-1)


def _sharpened(lines: FloatArray, mean: FloatArray) -> FloatArray:
    """The direction that most of the lines near it agree on: fillets beside a face count less."""
    for degrees in (0.5, 0.1, 0.02):
        dot = lines @ mean
        close = np.abs(dot) > np.cos(np.radians(degrees))
        if close.mean() < 0.5:
            break
        mean = (lines[close] * np.sign(dot[close])[:, None]).mean(axis=0)
        mean /= np.linalg.norm(mean)
    return mean


def _turned_axes(survey: Survey) -> list[FloatArray]:
    """Axes that much of the surface stands around: its normals lie on the circle across them."""
    normals = np.ascontiguousarray(survey.coarse.normals.T)
    faces, shares = _normal_clusters(survey)
    plane = np.zeros(len(normals), dtype=bool)
    for face in faces[shares > 0.05]:
        plane |= np.abs(normals @ face) > np.cos(np.radians(SAME_DEG))
    curved = normals[~plane]
    if len(curved) < _TURNED_SHARE * len(normals):
        return []
    picks = curved[:: max(1, len(curved) // 40)]
    i, j = np.triu_indices(len(picks), 1)
    trial = np.cross(picks[i], picks[j])
    length = np.linalg.norm(trial, axis=1)
    trial = trial[length > 0.3] / length[length > 0.3][:, None]
    trial = np.vstack([trial, faces, np.eye(3)])
    voters = curved[:: max(1, len(curved) // 240)]
    votes = (np.abs(trial @ voters.T) < 0.03).mean(axis=1)
    axes: list[FloatArray] = []
    for _ in range(3):
        best = int(np.argmax(votes))
        if votes[best] * len(curved) < _TURNED_SHARE * len(normals):
            break
        axis = trial[best]
        for band in (0.06, 0.02):
            ring = curved[np.abs(curved @ axis) < band]
            if len(ring) < 8:
                break
            axis = np.linalg.eigh(ring.T @ ring)[1][:, 0]
        axes.append(axis)
        votes[np.abs(trial @ axis) > np.cos(np.radians(8.0))] = 0.0
        votes[best] = 0.0
    return axes


def _inertia_axes(survey: Survey) -> list[FloatArray]:
    """Principal axes, without those that symmetry leaves undecided."""
    values, vectors = np.linalg.eigh(survey.spread)
    apart = 1e-3 * values[2]
    distinct = [
        min(abs(values[k] - values[m]) for m in range(3) if m != k) > apart for k in range(3)
    ]
    return [vectors[:, k] for k in range(3) if distinct[k]]


def _hull_sides(survey: Survey) -> list[FloatArray]:
    """Directions of the large sides of the convex hull, the largest first."""
    from scipy.spatial import ConvexHull, QhullError

    points = _outer_points(survey)
    try:
        hull = ConvexHull(points)
    except QhullError:
        return []
    corners = points[hull.simplices]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    areas = np.linalg.norm(cross, axis=1)
    key = np.rint(hull.equations[:, :3] * 200.0).astype(np.int64)
    sides, inverse = np.unique(key, axis=0, return_inverse=True)
    total = np.bincount(inverse.ravel(), weights=areas, minlength=len(sides))
    order = np.argsort(-total, kind="stable")[:4]
    chosen = [k for k in order if total[k] > _HULL_SHARE * areas.sum()]
    first = [int(np.flatnonzero(inverse.ravel() == k)[0]) for k in chosen]
    return [hull.equations[k, :3] for k in first]


def _outer_points(survey: Survey) -> FloatArray:
    """Few points whose hull is nearly the part's: vertices where few, else a thinned set."""
    vertices = survey.mesh.vertices
    if len(vertices) <= 1500:
        return np.unique(vertices, axis=0)
    grid = np.array([(x, y, z) for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (-1, 0, 1)])
    extreme = np.array(
        [int(np.argmax(along(d, survey.xyz))) for d in grid.astype(np.float64) if d.any()]
    )
    thin = np.linspace(0, len(vertices) - 1, 1200).astype(np.int64)
    return np.unique(np.vstack([vertices[extreme], vertices[thin]]), axis=0)
