"""Slots, holes and gaps so narrow that the draft of their walls closes them.

With its undercuts filled a half is a height over the parting plane, and its hull is another that
is nowhere lower. A floor between walls on which the hull comes down nowhere to the half has been
closed by draft from its bottom up: the sand there is less deep than the part is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import FloatArray, IntArray
from patternprep.mesh.topology import components
from patternprep.pattern.draft.outline import area_of_rings, base_rings
from patternprep.pattern.draft.topology import HalfEdges, half_edges

__all__ = ["LEAST_LOSS_MM", "LEAST_LOSS_SHARE", "ClosedPocket", "closed_pockets"]

LEAST_LOSS_MM, LEAST_LOSS_SHARE = 1.0, 0.05
"""A pocket is named when draft takes more of its depth than both of these."""

_FLOOR = 0.5
"""Facets whose normal has at least this upward component are floors and tops, not walls."""
_WALLED = 0.65
"""Share of a floor's rim along which walls must rise: a ledge has them on one side only."""
_BESIDE_MM = (0.05, 0.5, 2.0)
_STEEPEST_DEG = 15.0
_SMALLEST_MM2 = 1e-4
_MOST_RIM = 24


@dataclass(frozen=True)
class ClosedPocket:
    """A pocket that draft closes in part or altogether; depths and place of its floor, mm."""

    place: tuple[float, float, float]
    was_mm: float
    is_mm: float
    through: bool
    """It goes through to the parting."""


def closed_pockets(filled: Solid, drafted: Solid) -> tuple[ClosedPocket, ...]:
    """Pockets of a half in z >= 0 (undercuts filled) that its hull closes, the deepest loss first.

    Told are those that lose more than LEAST_LOSS_MM and LEAST_LOSS_SHARE of their depth.
    """
    top = float(filled.bounds[1, 2])
    reach = top * float(np.tan(np.radians(_STEEPEST_DEG)))
    found = []
    spots = [(*spot, False) for spot in _floors(half_edges(filled.to_mesh()), reach)]
    spots += [(*spot, True) for spot in _openings(filled, drafted)]
    for centre, floor, rim, through in spots:
        raised = _height(drafted, centre, top)
        beside = [_height(filled, point, top) for point in rim]
        edge = float(np.median(beside)) if beside else floor
        was, loss = edge - floor, min(raised, edge) - floor
        if was > 0.0 and loss > max(LEAST_LOSS_MM, LEAST_LOSS_SHARE * was):
            place = (float(centre[0]), float(centre[1]), floor)
            found.append(ClosedPocket(place, was, was - loss, through))
    return tuple(sorted(found, key=lambda pocket: pocket.is_mm - pocket.was_mm))


def _height(solid: Solid, point: FloatArray, top: float) -> float:
    """Height of a half over a plan point, 0 beside it, mm."""
    x, y = (float(c) for c in point)
    hits = solid.hits((x, y, -1.0), (x, y, top + 1.0))
    return max(0.0, float(hits[-1]) - 1.0) if len(hits) else 0.0


def _rim_points(region: shapely.Polygon) -> FloatArray:
    """Plan points (k, 2) a little outside a region; the highest ground of those is its rim."""
    rings = []
    for away in _BESIDE_MM:
        ring = region.buffer(away).exterior
        share = (np.arange(_MOST_RIM) + 0.37) / _MOST_RIM
        rings.append(shapely.get_coordinates(ring.interpolate(share, normalized=True)))
    return np.concatenate(rings)


def _inmost(region: shapely.Polygon) -> FloatArray:
    """The plan point (2,) of a region furthest from its rim."""
    circle = shapely.maximum_inscribed_circle(region)
    return np.asarray(shapely.get_coordinates(circle)[0])


def _openings(filled: Solid, drafted: Solid) -> list[tuple[FloatArray, float, FloatArray]]:
    """(inmost point, 0, points beside) of what lies open on the parting between narrow walls."""
    own, grown = area_of_rings(base_rings(filled)), area_of_rings(base_rings(drafted))
    size = np.ptp(np.reshape(shapely.bounds(grown), (2, 2)), axis=0)
    size -= np.ptp(np.reshape(shapely.bounds(own), (2, 2)), axis=0)
    wide = 0.5 * float(size.max())
    if wide <= 0.0:
        return []
    closed = shapely.buffer(
        shapely.buffer(own, wide, join_style="mitre"), -wide, join_style="mitre"
    )
    return [
        (_inmost(part), 0.0, _highest(filled, _rim_points(part)))
        for part in shapely.get_parts(shapely.difference(closed, own))
        if isinstance(part, shapely.Polygon) and part.area > _SMALLEST_MM2
    ]


def _highest(filled: Solid, points: FloatArray) -> FloatArray:
    """Of points beside a region the half under which the ground is highest."""
    top = float(filled.bounds[1, 2])
    height = np.array([_height(filled, point, top) for point in points])
    order = np.argsort(-height, kind="stable")
    return points[order[: max(1, len(order) // 3)]]


def _floors(mesh: HalfEdges, reach: float) -> list[tuple[FloatArray, float, FloatArray]]:
    """(inmost point, height, points of higher ground beside) of narrow floors between walls."""
    level = (mesh.normals[:, 2] >= _FLOOR) & (mesh.points[mesh.faces, 2].min(axis=1) > 1e-6)
    half = np.arange(3 * len(mesh.faces))
    across = mesh.twin // 3
    inside = half[level[half // 3] & level[across] & (half < mesh.twin)]
    count, label = components(len(mesh.faces), inside // 3, across[inside])
    rim = half[level[half // 3] & ~level[across]]
    a, b = mesh.points[mesh.origin[rim]], mesh.points[mesh.target(rim)]
    length = np.linalg.norm(b - a, axis=1)
    rises = mesh.points[mesh.apex(mesh.twin[rim]), 2] > np.maximum(a[:, 2], b[:, 2]) + 1e-9
    owner = label[rim // 3]
    around = np.bincount(owner, length, count)
    walled = np.bincount(owner, length * rises, count)
    corners = mesh.points[mesh.faces]
    plan = 0.5 * np.abs(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])[:, 2]
    )
    area = np.bincount(label, plan * level, count)
    narrow = (walled >= _WALLED * around) & (area > _SMALLEST_MM2) & (area < reach * around)
    own = np.flatnonzero(level & narrow[label])
    own = own[np.argsort(label[own], kind="stable")]
    ends = np.flatnonzero(np.diff(label[own])) + 1
    spots = [_floor(mesh, facets) for facets in np.split(own, ends) if len(facets)]
    return [spot for spot in spots if spot is not None]


def _floor(mesh: HalfEdges, facets: IntArray) -> tuple[FloatArray, float, FloatArray] | None:
    corners = mesh.points[mesh.faces[facets]]
    whole = shapely.union_all(shapely.polygons(corners[:, :, :2]))
    if not isinstance(whole, shapely.Polygon):
        return None
    points = _rim_points(whole)
    return _inmost(whole), float(corners[:, :, 2].min()), points
