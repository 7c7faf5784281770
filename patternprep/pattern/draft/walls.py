"""Walls of a half: which facets form one, how high it is, whether it bounds a pocket, its angle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patternprep.errors import GeometryFault
from patternprep.mesh.mesh import FloatArray, IntArray
from patternprep.mesh.topology import components
from patternprep.pattern.draft.angles import ANGLE_MOST_DEG, AngleRule
from patternprep.pattern.draft.topology import BoolArray, HalfEdges
from patternprep.pattern.draft.undercut import LEVEL

__all__ = ["Asked", "WallRecord", "asked_of_facets"]

_ONE_WALL = float(np.cos(np.radians(30.0)))
_POINTS_PER_WALL = 8
_HEIGHTS = 257


@dataclass(frozen=True)
class WallRecord:
    """One place on a wall of the part (mould frame, mm) and the draft asked of it."""

    point: tuple[float, float, float]
    outward: tuple[float, float]
    """Unit direction in plan in which the wall faces."""
    low_mm: float
    high_mm: float
    inside: bool
    angle_deg: float


@dataclass(frozen=True, eq=False)
class Asked:
    """Angles asked of a half."""

    lean_deg: FloatArray
    """Of each facet, were it a wall, (m,)."""
    least_deg: float
    walls: tuple[WallRecord, ...]
    """Empty where all walls are asked the same."""


def asked_of_facets(mesh: HalfEdges, rule: AngleRule) -> Asked:
    """The rule's angle for every facet of the half.

    A wall is a run of steep facets that bend by less than 30 degrees from one to the next; its
    height is how far it reaches up and down. It is inside where the steep facets connected with
    it look, on the whole, toward their own middle.
    """
    top = float(mesh.points[:, 2].max())
    heights = np.linspace(0.0, top, _HEIGHTS)
    tried = np.concatenate([_ask(rule, heights, np.full(_HEIGHTS, i)) for i in (False, True)])
    if float(np.ptp(tried)) == 0.0:
        return Asked(np.full(len(mesh.faces), tried[0]), float(tried[0]), ())
    up = mesh.normals[:, 2]
    steep = np.flatnonzero((up > -LEVEL) & (up < np.sin(np.radians(float(tried.max())))))
    lean = np.full(len(mesh.faces), float(tried.max()))
    under = up <= -LEVEL
    z = mesh.points[mesh.faces, 2]
    lean[under] = _ask(rule, z[under].max(axis=1), np.zeros(int(under.sum()), dtype=bool))
    if not len(steep):
        return Asked(lean, float(tried.min()), ())
    wall, walls, inside = _walls(mesh, steep)
    low, high = np.full(walls, np.inf), np.full(walls, -np.inf)
    np.minimum.at(low, wall, z[steep].min(axis=1))
    np.maximum.at(high, wall, z[steep].max(axis=1))
    angle = _ask(rule, high - low, inside)
    lean[steep] = angle[wall]
    records = _records(mesh, steep, wall, low, high, inside, angle)
    return Asked(lean, float(angle.min()), records)


def _ask(rule: AngleRule, height: FloatArray, inside: BoolArray) -> FloatArray:
    angle = np.asarray(rule(height, inside.astype(bool)), dtype=np.float64)
    if angle.shape != height.shape or not ((angle >= 0.0) & (angle <= ANGLE_MOST_DEG)).all():
        raise GeometryFault(
            f"The draft rule gave angles outside 0 to {ANGLE_MOST_DEG:g} degrees or not one a "
            "wall; give a rule within that range."
        )
    return angle


def _walls(mesh: HalfEdges, steep: IntArray) -> tuple[IntArray, int, BoolArray]:
    """(wall of each steep facet, number of walls, whether each wall is inside)."""
    place = np.full(len(mesh.faces), -1, dtype=np.int64)
    place[steep] = np.arange(len(steep))
    half = (3 * steep[:, None] + np.arange(3)).reshape(-1)
    across = mesh.twin[half] // 3
    both = place[across] >= 0
    one, other = half[both] // 3, across[both]
    _, region = components(len(steep), place[one], place[other])
    bend = np.einsum("ij,ij->i", mesh.normals[one], mesh.normals[other])
    smooth = bend > _ONE_WALL
    walls, wall = components(len(steep), place[one[smooth]], place[other[smooth]])
    corners = mesh.points[mesh.faces[steep]]
    area = 0.5 * np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    )
    middle = corners.mean(axis=1)[:, :2]
    weight = np.maximum(np.bincount(region, weights=area), 1e-300)
    centre = np.column_stack(
        [np.bincount(region, weights=area * middle[:, i]) / weight for i in (0, 1)]
    )
    look = np.einsum("ij,ij->i", middle - centre[region], mesh.normals[steep, :2]) * area
    inward = np.bincount(region, weights=look) < 0.0
    inside = np.zeros(walls, dtype=bool)
    inside[wall] = inward[region]
    return wall, walls, inside


def _records(
    mesh: HalfEdges,
    steep: IntArray,
    wall: IntArray,
    low: FloatArray,
    high: FloatArray,
    inside: BoolArray,
    angle: FloatArray,
) -> tuple[WallRecord, ...]:
    """A few places on every wall, the largest facets first."""
    corners = mesh.points[mesh.faces[steep]]
    size = np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1
    )
    order = np.lexsort((-size, wall))
    start = np.searchsorted(wall[order], np.arange(len(low)))
    rank = np.arange(len(order)) - start[wall[order]]
    records = []
    for i in order[rank < _POINTS_PER_WALL].tolist():
        w = int(wall[i])
        x, y, z = corners[i].mean(axis=0).tolist()
        out = mesh.normals[steep[i], :2]
        length = float(np.hypot(*out))
        if high[w] - low[w] < 1e-3 or length == 0.0:
            continue
        records.append(
            WallRecord(
                (x, y, z),
                (float(out[0]) / length, float(out[1]) / length),
                float(low[w]),
                float(high[w]),
                bool(inside[w]),
                float(angle[w]),
            )
        )
    return tuple(records)
