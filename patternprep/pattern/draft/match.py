"""Halves that meet: the smaller one is tapered more where a wall of the part passes the parting.

Each half's hull ends on z = 0 at its own outline, further out the higher its walls. Where the
part's own sections just above and just below the parting coincide, the outlines ought to as well.
There the smaller half's sources get a larger angle, so that their wall reaches the joint outline;
what is left where that outline bends or jumps is closed by a low bead (see ``bead``).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import shapely

from patternprep.mesh.kernel import Solid, union_all
from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.draft.bands import band, seen
from patternprep.pattern.draft.base import corners_joined
from patternprep.pattern.draft.bead import beads
from patternprep.pattern.draft.bodies import Bodies, pack
from patternprep.pattern.draft.hull import Corner, DraftedHalf, finished, repaired
from patternprep.pattern.draft.outline import (
    Segments,
    area_of_rings,
    base_rings,
    boundary_segments,
)
from patternprep.pattern.draft.passing import (
    SAME_WALL_MM,
    SHARES,
    common_pieces,
    passing,
    rim_of,
)
from patternprep.pattern.draft.skirts import SkirtRules, lay_skirts
from patternprep.pattern.draft.sources import Sources, find_sources
from patternprep.pattern.draft.topology import BoolArray

__all__ = ["CLOSE_ENOUGH_MM", "Matched", "match_halves"]

CLOSE_ENOUGH_MM = 0.003
"""Outlines nearer than this meet."""
_OVERHANG_MM = 1.0
_OVERHANG_SHARE = 0.5
"""A wall that overhangs the parting by no more than this is matched as well: so many mm, or so
much of what draft adds at the most."""
_SPARE_MM = 0.0002
_BEAD_ROUNDS = 4
_POLYGON = 3
_LEAST_TIMES = 4
_GAP_EVERY_MM = 0.3
_MOST_GAPS = 4_000
_CORNER = 1.6
_ON_OUTLINE_MM = 0.004
_WITHIN_MM = 0.002
_ACROSS_MM = 0.02


@dataclass(frozen=True, eq=False)
class Matched:
    """Both halves (each in z >= 0), and the largest step between their outlines before, after."""

    cope: Solid
    drag: Solid
    step_before_mm: float
    step_mm: float
    """Square to the walls."""
    step_corner_mm: float
    """The largest distance between the outlines, which at a mitred corner is more."""


def match_halves(cope: DraftedHalf, drag: DraftedHalf, corner: Corner, *, taper: bool) -> Matched:
    """Taper each half where the other's outline stands further out; both in z >= 0."""
    halves = (cope, drag)
    solids = [cope.solid, drag.solid]
    growth = max(
        float(h.facets.mesh.points[:, 2].max()) * np.tan(np.radians(float(h.lean_deg.max())))
        for h in halves
    )
    far = 2.0 * growth + _OVERHANG_MM
    overhang = max(_OVERHANG_MM, _OVERHANG_SHARE * growth)
    outlines = [area_of_rings(base_rings(s)) for s in solids]
    arounds = _arounds(halves, outlines, far, overhang)
    if arounds is None:
        return Matched(solids[0], solids[1], 0.0, 0.0, 0.0)
    before, corner_mm = _step(outlines, arounds)
    if not taper or corner_mm <= CLOSE_ENOUGH_MM:
        return Matched(solids[0], solids[1], before, before, corner_mm)
    for way in ("taper", *["bead"] * _BEAD_ROUNDS):
        goals = _goals(outlines, arounds)
        for i in (0, 1):
            if _gap(goals[i], outlines[i]) <= CLOSE_ENOUGH_MM:
                continue
            if way == "taper":
                more = _tapered(halves[i], outlines[i], goals[i], far, corner)
            else:
                more = beads(solids[i], outlines[i], goals[i])
            if more:
                solids[i] = _added(
                    solids[i], more, halves[i].min_angle, SkirtRules(corner == "round")
                )
                outlines[i] = area_of_rings(base_rings(solids[i]))
    solids = [corners_joined(solid) for solid in solids]
    return Matched(solids[0], solids[1], before, *_step(outlines, arounds))


def _added(solid: Solid, more: list[Solid], lean_deg: float, rules: SkirtRules) -> Solid:
    """The half with more bodies; one by one, and none by which a wall would lean too little."""
    grown, lean = repaired(finished(union_all([solid, *more]), _SPARE_MM), lean_deg, rules)
    if lean.sound:
        return grown
    for body in more if len(more) > 1 else []:
        solid = _added(solid, [body], lean_deg, rules)
    return solid


def _arounds(
    halves: tuple[DraftedHalf, DraftedHalf],
    outlines: list[shapely.Geometry],
    far: float,
    overhang: float,
) -> list[shapely.Geometry] | None:
    """For each half, where its outline stands out because of a wall that passes the parting.

    None where no wall does. A wall counts where both hulls end within ``far`` outside it and the
    undercuts filled in both halves within ``overhang``: further out lies not draft but a filled
    undercut, whose underside rests on the parting.
    """
    rims = [rim_of(half.half) for half in halves]
    if not len(rims[0]) or not len(rims[1]):
        return None
    hulls = [boundary_segments(o) for o in outlines]
    filled = [rim_of(half.filled) for half in halves]
    arounds = []
    for i in (0, 1):
        common = common_pieces(rims[i], rims[1 - i])
        pieces, off = passing(common, hulls, filled, far, overhang)
        if not len(pieces):
            return None
        lines = shapely.line_merge(shapely.multilinestrings(shapely.linestrings(pieces)))
        wide = _CORNER * off + SAME_WALL_MM
        bands = [band(line, rims[i], wide) for line in shapely.get_parts(lines)]
        known = shapely.union_all(bands)
        settled = shapely.union(known, outlines[1 - i])
        more = seen(outlines[i], settled, rims[i], common, filled[i], far)
        arounds.append(shapely.union(known, more))
    return arounds


def _goals(
    outlines: list[shapely.Geometry], arounds: list[shapely.Geometry]
) -> list[shapely.Geometry]:
    """The outline each half should reach: its own, and the other's beside walls that pass.

    What does not adjoin the half's own outline is left out: no wall of the half leads there.
    """
    goals = []
    for i in (0, 1):
        more = shapely.intersection(outlines[1 - i], arounds[1 - i])
        parts = shapely.get_parts(shapely.union(outlines[i], more))
        parts = parts[shapely.get_type_id(parts) == _POLYGON]
        goals.append(shapely.multipolygons(parts[shapely.intersects(parts, outlines[i])]))
    return goals


def _gap(goal: shapely.Geometry, own: shapely.Geometry) -> float:
    """Largest distance by which the goal reaches out of the outline."""
    missing = shapely.boundary(shapely.difference(goal, own))
    longest = max(_GAP_EVERY_MM, float(shapely.length(missing)) / _MOST_GAPS)
    points = shapely.get_coordinates(shapely.segmentize(missing, longest))
    if not len(points):
        return 0.0
    return float(boundary_segments(own).distance(points).max())


def _step(outlines: list[shapely.Geometry], arounds: list[shapely.Geometry]) -> tuple[float, float]:
    """Largest step between the outlines beside walls that pass through, and at their corners.

    Square to its walls an outline's own points lie as far from the goal as the step is; the goal's
    corners lie further out.
    """
    goals = _goals(outlines, arounds)
    walls = max(_beside(outlines[i], goals[i]) for i in (0, 1))
    corners = max(_gap(goals[i], outlines[i]) for i in (0, 1))
    return min(walls, corners), corners


def _beside(own: shapely.Geometry, goal: shapely.Geometry) -> float:
    """Largest distance from the outline to the goal's, where that stands further out."""
    more = shapely.difference(goal, own)
    if more.area <= 0.0:
        return 0.0
    rim = shapely.intersection(shapely.boundary(own), shapely.boundary(more))
    longest = max(_GAP_EVERY_MM, float(shapely.length(rim)) / _MOST_GAPS)
    points = shapely.get_coordinates(shapely.segmentize(rim, longest))
    if not len(points):
        return 0.0
    return float(boundary_segments(goal).distance(points).max())


def _tapered(
    half: DraftedHalf,
    own: shapely.Geometry,
    goal: shapely.Geometry,
    far: float,
    corner: Corner,
) -> list[Solid]:
    """Walls that lean more, under the sources whose foot should reach the goal."""
    mesh = half.facets.mesh
    sources = find_sources(mesh, half.lean_deg, half.facets.hidden)
    if not len(sources.start):
        return []
    goal_rim = boundary_segments(goal)
    lean = _wanted_lean(mesh.points, sources, boundary_segments(own), goal_rim, far)
    changed = lean > sources.lean_deg + 1e-3
    if not changed.any():
        return []
    leaning = _releaned(mesh.points, sources, lean, changed)
    bodies, whole = _within(lay_skirts(mesh.points, leaning, SkirtRules(corner == "round")), goal)
    solids = pack(bodies)
    if not whole:
        # where a long strip leaves the goal somewhere, most of its sources may still stay within
        single = SkirtRules(corner == "round", single=True)
        solids += pack(_within(lay_skirts(mesh.points, leaning, single), goal)[0])
    return solids


def _foot(
    points: FloatArray, sources: Sources, share: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(foot (k, 2), direction of fall (k, 2), height (k,)) at a share of each source's length."""
    a, b = points[sources.start], points[sources.end]
    at = a + share * (b - a)
    fall = np.column_stack([np.cos(sources.heading), np.sin(sources.heading)])
    reach = at[:, 2] * np.tan(np.radians(sources.lean_deg))
    return at[:, :2] + reach[:, None] * fall, fall, at[:, 2]


def _wanted_lean(
    points: FloatArray, sources: Sources, own: Segments, goal: Segments, far: float
) -> FloatArray:
    """Largest angle with which each source's wall stays within the goal, degrees."""
    least = np.full(len(sources.start), np.inf)
    times = np.zeros(len(sources.start), dtype=np.int64)
    for share in SHARES:
        foot, fall, height = _foot(points, sources, float(share))
        out = np.flatnonzero(own.distance(foot) <= _ON_OUTLINE_MM)
        out = out[height[out] > 1e-3]
        if not len(out):
            continue
        times[out] += 1
        inside = foot[out] + 2.0 * _ON_OUTLINE_MM * fall[out]
        further = goal.reach(inside, fall[out], 2.0 * far) + 2.0 * _ON_OUTLINE_MM
        flush = goal.distance(foot[out]) <= _ON_OUTLINE_MM
        further[flush | (further >= 2.0 * far)] = 0.0
        reach = height[out] * np.tan(np.radians(sources.lean_deg[out]))
        least[out] = np.minimum(least[out], np.arctan2(reach + further, height[out]))
    # where only a bit of a wall ends on the outline, more lean would swell what lies beside it
    found = np.isfinite(least) & (times >= _LEAST_TIMES)
    wanted = np.where(found, np.degrees(np.where(found, least, 0.0)), sources.lean_deg)
    return np.maximum(wanted, sources.lean_deg)


def _releaned(
    points: FloatArray, sources: Sources, lean: FloatArray, changed: BoolArray
) -> Sources:
    """The sources of every chain that holds a changed one, with their new angles."""
    step = points[sources.end] - points[sources.start]
    along = np.maximum(np.hypot(step[:, 0], step[:, 1]), 1e-12)
    slope = step[:, 2] / along
    steep = np.abs(slope) * np.tan(np.radians(lean)) > 0.9
    lean = np.where(steep, sources.lean_deg, lean)
    old = np.arcsin(np.clip(slope * np.tan(np.radians(sources.lean_deg)), -1.0, 1.0))
    tilt = np.arcsin(np.clip(slope * np.tan(np.radians(lean)), -1.0, 1.0))
    follow = sources.follow
    has = follow >= 0
    turn = sources.turn.copy()
    turn[has] += (old[follow] - tilt[follow] - old + tilt)[has]
    # keep changed sources and their neighbours in the chain, for the corners between them
    keep = changed.copy()
    keep[has] |= changed[follow[has]]
    keep[follow[has & changed]] = True
    number = np.cumsum(keep) - 1
    kept = np.flatnonzero(keep)
    then = follow[kept]
    after = np.where((then >= 0) & keep[then], number[then], -1)
    return replace(
        sources,
        edge=sources.edge[kept],
        start=sources.start[kept],
        end=sources.end[kept],
        lean_deg=lean[kept],
        heading=(sources.heading + old - tilt)[kept],
        width=np.cos(tilt)[kept],
        follow=after,
        turn=turn[kept],
        peaks=sources.peaks[:0],
        peak_lean_deg=sources.peak_lean_deg[:0],
    )


def _within(bodies: Bodies, goal: shapely.Geometry) -> tuple[Bodies, bool]:
    """The bodies that stay within the goal, and whether all do."""
    flat = bodies.points[:, 2] == 0.0
    ids = np.flatnonzero(flat)
    wide = shapely.buffer(goal, _WITHIN_MM, join_style="mitre")
    shapely.prepare(wide)
    out = np.zeros(len(bodies.points), dtype=bool)
    out[ids] = ~shapely.contains_xy(wide, bodies.points[ids, :2])
    leaves: BoolArray = np.asarray(out[bodies.faces].any(axis=1))
    # between two feet within the goal the edge may cross a notch of it
    wide = shapely.buffer(goal, _ACROSS_MM)
    shapely.prepare(wide)
    start, end = bodies.faces.reshape(-1), np.roll(bodies.faces, -1, axis=1).reshape(-1)
    apart = np.hypot(*(bodies.points[end, :2] - bodies.points[start, :2]).T)
    edges = np.flatnonzero(flat[start] & flat[end] & (apart > 2.0 * _ACROSS_MM))
    lines = np.stack([bodies.points[start[edges], :2], bodies.points[end[edges], :2]], axis=1)
    across = edges[~shapely.covers(wide, shapely.linestrings(lines))]
    leaves[across // 3] = True
    beyond = np.zeros(bodies.count, dtype=bool)
    beyond[bodies.body[leaves]] = True
    keep = ~beyond[bodies.body]
    number = np.cumsum(~beyond) - 1
    kept = Bodies(
        bodies.points, bodies.faces[keep], number[bodies.body[keep]], int((~beyond).sum())
    )
    return kept, not beyond.any()
