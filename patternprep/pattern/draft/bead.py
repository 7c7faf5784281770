"""A low bead at the foot of a half, out to a wider outline on z = 0."""

from __future__ import annotations

import numpy as np
import shapely

from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import FloatArray, IntArray
from patternprep.mesh.topology import mesh_of_facets
from patternprep.pattern.draft.outline import Segments, area_of_rings, boundary_segments

__all__ = ["beads"]

_LAP_MM = 0.02
_LEAST_LAP_MM = 0.005
_LAP_SHARE = 0.25
_LEAST_HIGH_MM = 0.05
_HIGH_ENOUGH_MM = 0.3
_MOST_HIGH_MM = 0.9
"""No bead is higher: a wide one is all the flatter."""
_MOST_SHARE_OF_WALL = 0.4
_SLIVER_MM = 0.0005
_ON_WALL_MM = 0.002
_HALVINGS = 6
_NEAR_UPPER = 2.0
_ENOUGH_NEAR = 0.9
_CHORD_ROUNDS = 4


def beads(solid: Solid, own: shapely.Geometry, goal: shapely.Geometry) -> list[Solid]:
    """Bodies that fill z = 0 from the half's outline to the goal and slope up into its walls."""
    missing = shapely.difference(goal, own)
    missing = shapely.buffer(
        shapely.buffer(missing, -_SLIVER_MM, join_style="mitre"), 2.0 * _SLIVER_MM
    )
    found = []
    for part in shapely.get_parts(missing):
        if part.area <= 0.0:
            continue
        body = _bead(solid, own, goal, part)
        if body is not None:
            found.append(body)
    return found


def _bead(
    solid: Solid, own: shapely.Geometry, goal: shapely.Geometry, part: shapely.Geometry
) -> Solid | None:
    width = _width(part, own)
    lap = max(_LAP_MM, _LAP_SHARE * width)
    high, lap, upper = _upper(solid, own, part, width, lap)
    ring = shapely.difference(goal, upper)
    fade = 3.0 * width + 4.0 * lap + high
    near = shapely.buffer(part, fade, quad_segs=4)
    region = shapely.intersection(ring, near)
    region = max(shapely.get_parts(region), key=lambda g: g.intersection(part).area, default=None)
    if region is None or region.geom_type != "Polygon":
        return None
    region = shapely.segmentize(shapely.set_precision(region, 1e-7), max(3.0 * width, 0.2))
    triangles = shapely.get_parts(shapely.constrained_delaunay_triangles(region))
    if not len(triangles):
        return None
    corners = np.array([shapely.get_coordinates(t)[:3] for t in triangles])
    return _solid_under(corners, goal, upper, part, high, fade)


def _width(part: shapely.Geometry, own: shapely.Geometry) -> float:
    longest = max(0.3, float(shapely.length(part)) / 1000.0)
    points = shapely.get_coordinates(shapely.segmentize(part, longest))
    return max(float(boundary_segments(own).distance(points).max()), _LAP_MM)


def _upper(
    solid: Solid, own: shapely.Geometry, part: shapely.Geometry, width: float, lap: float
) -> tuple[float, float, shapely.Geometry]:
    """(height, lap, the half's section there less the lap), on which the bead leans.

    The half may be thinner than the height or the lap wanted: then the highest of some lower
    sections that still lies near most of the wall.
    """
    feet = shapely.get_coordinates(shapely.segmentize(part, max(width, 0.2)))
    feet = feet[boundary_segments(own).distance(feet) <= _ON_WALL_MM]
    places = shapely.points(feet)
    best: tuple[float, float, float, shapely.Geometry] | None = None
    high = _height(solid, part, width)
    for _ in range(_HALVINGS):
        upper = shapely.buffer(area_of_rings(solid.section(high)), -lap, join_style="mitre")
        off = shapely.distance(places, upper)
        near = float((off <= _NEAR_UPPER * (lap + high)).mean()) if len(feet) else 1.0
        if best is None or near > best[0] + 0.05:
            best = (near, high, lap, upper)
        if near > _ENOUGH_NEAR:
            break
        high, lap = 0.5 * high, max(_LEAST_LAP_MM, 0.5 * lap)
    assert best is not None
    return best[1:]


def _height(solid: Solid, part: shapely.Geometry, width: float) -> float:
    """Twice the width, but low, and not much of the height of the half near the place."""
    points = solid.to_mesh().vertices
    x0, y0, x1, y1 = part.bounds
    pad = 3.0 * width + 1.0
    near = (
        (points[:, 0] > x0 - pad)
        & (points[:, 0] < x1 + pad)
        & (points[:, 1] > y0 - pad)
        & (points[:, 1] < y1 + pad)
        & (points[:, 2] > _LEAST_HIGH_MM)
    )
    low = float(points[near, 2].min()) if near.any() else float(points[:, 2].max())
    wanted = min(max(2.0 * width, _LEAST_HIGH_MM), _MOST_HIGH_MM)
    return min(wanted, max(_MOST_SHARE_OF_WALL * low, _HIGH_ENOUGH_MM))


def _solid_under(
    corners: FloatArray,
    goal: shapely.Geometry,
    upper: shapely.Geometry,
    part: shapely.Geometry,
    high: float,
    fade: float,
) -> Solid | None:
    """The body under triangles (k, 3, 2) that rises from the goal's rim to the upper section.

    It is lower the further it lies from the part to be filled, and ends at ``fade`` from it.
    """
    plan, index = np.unique(corners.reshape(-1, 2), axis=0, return_inverse=True)
    faces = index.reshape(-1, 3)
    a, b, c = (plan[faces[:, i]] for i in range(3))
    twice = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    faces = np.where((twice > 0.0)[:, None], faces, faces[:, ::-1])
    rim = boundary_segments(goal)
    plan, faces = _without_chords(plan, faces, rim)
    foot = rim.distance(plan)
    head = shapely.distance(shapely.points(plan), upper)
    foot[foot < 1e-6] = 0.0
    near = np.clip(1.0 - shapely.distance(shapely.points(plan), part) / fade, 0.0, 1.0)
    near[near < 1e-6] = 0.0
    height = near * np.where(foot > 0.0, high * foot / np.maximum(foot + head, 1e-12), 0.0)
    faces = faces[(height[faces] > 0.0).any(axis=1)]
    if not len(faces):
        return None
    n = len(plan)
    top = np.arange(n)
    bottom = np.where(height > 0.0, n + top, top)
    start, end = faces.reshape(-1), np.roll(faces, -1, axis=1).reshape(-1)
    bare = ~np.isin(start * n + end, end * n + start)
    o, e = start[bare], end[bare]
    walls = np.concatenate(
        [np.column_stack([e, o, bottom[o]]), np.column_stack([e, bottom[o], bottom[e]])]
    )
    keep = (
        (walls[:, 0] != walls[:, 1]) & (walls[:, 1] != walls[:, 2]) & (walls[:, 0] != walls[:, 2])
    )
    points = np.concatenate([np.column_stack([plan, height]), np.column_stack([plan, np.zeros(n)])])
    facets = np.concatenate([faces, bottom[faces][:, ::-1], walls[keep]])
    return Solid.from_mesh(mesh_of_facets(points, facets), "making a bead")


def _without_chords(
    plan: FloatArray, faces: IntArray, rim: Segments
) -> tuple[FloatArray, IntArray]:
    """The triangles with edges halved that run inside from rim to rim, where none may lie flat."""
    for _ in range(_CHORD_ROUNDS):
        n = len(plan)
        start, end = faces.reshape(-1), np.roll(faces, -1, axis=1).reshape(-1)
        on_rim = rim.distance(plan) < 1e-6
        middle = 0.5 * (plan[start] + plan[end])
        chord = on_rim[start] & on_rim[end]
        chord[chord] = rim.distance(middle[chord]) > _SLIVER_MM
        keys, first = np.unique(
            (np.minimum(start, end) * n + np.maximum(start, end))[chord], return_index=True
        )
        if not len(keys):
            break
        halves = dict(zip(keys.tolist(), range(n, n + len(keys)), strict=True))
        plan = np.concatenate([plan, middle[chord][first]])
        pieces: list[tuple[int, int, int]] = []
        for face in faces.tolist():
            pieces += _halved(tuple(face), halves, n)
        faces = np.array(pieces, dtype=np.int64)
    return plan, faces


def _halved(
    face: tuple[int, int, int], halves: dict[int, int], n: int
) -> list[tuple[int, int, int]]:
    """The triangle cut at the middles of those of its edges that have one."""
    a, b, c = face
    ab, bc, ca = (halves.get(min(p, q) * n + max(p, q)) for p, q in ((a, b), (b, c), (c, a)))
    if ab is None and bc is None and ca is None:
        return [face]
    if ab is None:
        return _halved((b, c, a), halves, n)
    if bc is None and ca is None:
        return [(a, ab, c), (ab, b, c)]
    if bc is not None and ca is not None:
        return [(a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca)]
    if bc is not None:
        return [(a, ab, c), (ab, bc, c), (ab, b, bc)]
    assert ca is not None
    return [(a, ab, ca), (ab, b, ca), (ca, b, c)]
