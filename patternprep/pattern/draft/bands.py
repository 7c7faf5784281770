"""Where an outline stands out because of a wall that passes the parting: areas beside its rim."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import shapely

from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.draft.outline import Segments, ends_of_lines
from patternprep.pattern.draft.passing import SAME_WALL_MM

__all__ = ["band", "seen"]

_LEG_TURN = 0.5
"""A line of the rim is taken in legs that turn no further than this, radians."""
_BEND_MM = 0.01
_APART_MM = 0.003
_LOOK_MM = 0.05
_LOOKS = (0.02, 0.5, 0.98)
_MOST_LOOKS = 4000
_SEEN_OVERHANG_MM = 0.1
_SEEN_OVERHANG_SHARE = 0.0125
_LAP = 0.4
_INSIDE_MM = 1e-4
_OUT = 0.01


def band(line: shapely.Geometry, rim: Segments, wide: float) -> shapely.Geometry:
    """What lies within ``wide`` of a line of the rim, and nearer to it than to what follows it.

    Only the last leg at either end is cut off against what follows: a line that bends back may
    pass again, further on, where its own end looks.
    """
    points = shapely.get_coordinates(line)
    closed = np.allclose(points[0], points[-1], atol=1e-9)
    legs = _legs(points)
    parts = []
    for i, leg in enumerate(legs):
        part = shapely.buffer(shapely.LineString(leg), wide, cap_style="flat", quad_segs=4)
        if not closed:
            if i == 0:
                part = shapely.difference(part, _beyond_end(points[0], points[1], rim, wide))
            if i == len(legs) - 1:
                part = shapely.difference(part, _beyond_end(points[-1], points[-2], rim, wide))
        parts.append(part)
    # between two legs, and where a ring closes, the outer side of the bend
    turns = list(pairwise(legs)) + ([(legs[-1], legs[0])] if closed else [])
    parts += [
        shapely.buffer(_bend(a[-2], a[-1], b[1]), wide, cap_style="flat", quad_segs=4)
        for a, b in turns
    ]
    return shapely.union_all(parts)


def _legs(points: FloatArray) -> list[FloatArray]:
    """A line (k, 2) cut where it has turned by more than _LEG_TURN since the last cut."""
    run = np.diff(points, axis=0)
    heading = np.arctan2(run[:, 1], run[:, 0])
    turn = (np.diff(heading) + np.pi) % (2.0 * np.pi) - np.pi
    legs, first, turned = [], 0, 0.0
    for at, more in enumerate(turn.tolist(), start=1):
        turned += more
        if abs(turned) > _LEG_TURN:
            legs.append(points[first : at + 1])
            first, turned = at, 0.0
    return [*legs, points[first:]]


def _bend(before: FloatArray, at: FloatArray, after: FloatArray) -> shapely.Geometry:
    """The line close to a bend."""
    ends = [before - at, after - at]
    ends = [at + _BEND_MM * end / max(float(np.hypot(*end)), 1e-12) for end in ends]
    return shapely.LineString([ends[0], at, ends[1]])


def _beyond_end(
    end: FloatArray, before: FloatArray, rim: Segments, wide: float
) -> shapely.Geometry:
    """Where, past the end of a line, the rim's other segments lie nearer than the line."""
    last = end - before
    touching = np.hypot(*(rim.ends - end).transpose(2, 0, 1))
    ids, ways = np.nonzero(touching < 1e-6)
    away = rim.ends[ids, 1 - ways] - end
    ahead = away @ last > -0.999 * np.hypot(*away.T) * np.hypot(*last)
    return shapely.union_all([_sector(end, last, then, 2.0 * wide) for then in away[ahead]])


def _sector(end: FloatArray, last: FloatArray, then: FloatArray, reach: float) -> shapely.Geometry:
    """Both bisected sides of the bend at the end of a line, on the side of what follows."""
    before = np.arctan2(-last[1], -last[0])
    after = np.arctan2(then[1], then[0])
    turn = (after - before) % (2.0 * np.pi)
    # angles from what follows out to the bisectors on either side
    angles = after + np.linspace(-0.5 * turn, 0.5 * (2.0 * np.pi - turn), 13)
    ring = end + reach * np.column_stack([np.cos(angles), np.sin(angles)])
    return shapely.Polygon(np.vstack([end, ring]))


def seen(
    outline: shapely.Geometry,
    settled: shapely.Geometry,
    rim: Segments,
    common: FloatArray,
    filled: Segments,
    far: float,
) -> shapely.Geometry:
    """Between an outline, where it stands out of what is settled, and a passing wall it looks at.

    A mitre or a wall that leans aside carries an outline past the end of the wall it belongs to;
    who looks inward from there still sees, within reach of draft and with next to nothing that
    overhangs, a piece of the rim that both halves have in ``common`` (k, 2, 2).
    """
    lines = shapely.difference(shapely.boundary(outline), shapely.buffer(settled, _APART_MM))
    longest = max(_LOOK_MM, float(shapely.length(lines)) / _MOST_LOOKS)
    ends = ends_of_lines(shapely.segmentize(lines, longest))
    if not len(ends) or not len(common):
        return shapely.Polygon()
    run = ends[:, 1] - ends[:, 0]
    length = np.maximum(np.hypot(run[:, 0], run[:, 1]), 1e-12)
    inward = np.column_stack([-run[:, 1], run[:, 0]]) / length[:, None]
    within = shapely.contains_xy(outline, ends.mean(axis=1) + _INSIDE_MM * inward)
    inward = np.where(within[:, None], inward, -inward)
    wall = np.full(len(ends), np.inf)
    most = max(_SEEN_OVERHANG_MM, _SEEN_OVERHANG_SHARE * far)
    passes = Segments(common)
    for share in _LOOKS:
        look = ends[:, 0] + share * run + 1e-6 * inward
        off = rim.reach(look, inward, far)
        over = off - filled.reach(look, inward, far)
        sees = (off < far) & (over <= most)
        sees &= passes.distance(look + off[:, None] * inward) <= SAME_WALL_MM
        wall[sees] = np.minimum(wall[sees], off[sees])
    see = np.flatnonzero(np.isfinite(wall))
    back = (wall[see, None] * inward[see])[:, None]
    aside = _LAP * run[see][:, None] * np.array([[-1.0], [1.0]])
    ends = ends[see] + aside
    rings = np.concatenate([ends - _OUT * back, (ends + back)[:, ::-1]], axis=1)
    return shapely.union_all(shapely.polygons(rings))
