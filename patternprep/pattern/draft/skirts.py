"""Bodies of draft: under every strip of sources a wall that leans by the angle down to z = 0.

A body has three rails: the sources themselves, the feet of the leaning wall on z = 0 outside, and
inner feet a little way in, so that its back crosses the walls of the part instead of lying on
them. At a node the wall turns about one common foot (a mitre, or a valley) or about several
(a fan drawn round the cone, so that it never leans too little).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from patternprep.mesh.kernel import plan_area
from patternprep.mesh.mesh import FloatArray, IntArray
from patternprep.pattern.draft.bodies import Bodies, joined
from patternprep.pattern.draft.sources import LOW_MM, Sources
from patternprep.pattern.draft.strips import Strips, cut_strips, walk
from patternprep.pattern.draft.topology import BoolArray

__all__ = ["SkirtRules", "lay_skirts"]

_INWARD = 0.15
_MITRE_MOST = np.radians(100.0)
_VALLEY_MOST = np.radians(150.0)
_FAN_STEP_MOST = np.radians(60.0)
_TURN_LEAST = 0.1
_LAP = np.radians(20.0)
_WIDTH_LEAST_MM = 1e-6
_AREA_SHARE = 1e-7


@dataclass(frozen=True)
class SkirtRules:
    """How outer corners are made."""

    round_corners: bool = False
    chord_mm: float = 0.01
    """How far a fan may stand outside the round cone."""
    single: bool = False
    """Break every junction: slower, and the surest."""


@dataclass(frozen=True, eq=False)
class _Nodes:
    """Where strips turn, begin and end; feet are laid out column by column."""

    point: FloatArray
    reach: FloatArray
    """Height times tangent of the angle: distance of the wall's line on z = 0, (n,) mm."""
    heading: FloatArray
    """Heading of the first plane, radians."""
    span: FloatArray
    """Turn from the first plane to the last, radians."""
    mitres: IntArray
    """Feet where neighbouring planes meet."""
    before: IntArray
    """Feet square to the first plane (0, or 1; 2 with a lap beyond it)."""
    after: IntArray
    inward: FloatArray
    """Direction from the inner foot to the node, radians."""
    reach_after: FloatArray
    """Reach of the last plane where it differs from the first one's."""


def _mitres(span: FloatArray, reach: FloatArray, rules: SkirtRules) -> IntArray:
    """How many common feet fill each turn."""
    safe = np.maximum(reach, 1e-12)
    step = 2.0 * np.arccos(safe / (safe + rules.chord_mm))
    many = np.ceil(np.maximum(span, 0.0) / np.minimum(step, _FAN_STEP_MOST)).astype(np.int64)
    many = np.maximum(many, 1)
    if rules.round_corners:
        return many
    return np.where(span <= _MITRE_MOST, 1, many)


def _columns(nodes: _Nodes) -> tuple[IntArray, IntArray, FloatArray]:
    """(node of each column, first column of each node, foot of each column (c, 2))."""
    count = nodes.mitres + nodes.before + nodes.after
    node = np.repeat(np.arange(len(count)), count)
    first = np.cumsum(count) - count
    k = np.arange(len(node)) - first[node]
    before, mitres = nodes.before[node], nodes.mitres[node]
    share = nodes.span[node] / np.maximum(mitres, 1)
    angle = nodes.heading[node] + (k - before + 0.5) * share
    reach = nodes.reach[node]
    radius = reach / np.cos(0.5 * share)
    unequal = np.flatnonzero((nodes.reach_after[node] != reach) & (mitres == 1))
    if len(unequal):
        at = node[unequal]
        aside = _aside(reach[unequal], nodes.reach_after[at], nodes.span[at])
        angle[unequal] = nodes.heading[at] + np.arctan2(aside, reach[unequal])
        radius[unequal] = np.hypot(aside, reach[unequal])
    early = k < before
    late = k >= before + mitres
    radius = np.where(early | late, reach, radius)
    angle = np.where(early, nodes.heading[node] - _LAP * (before - 1 - k), angle)
    last = nodes.heading[node] + nodes.span[node]
    angle = np.where(late, last + _LAP * (k - before - mitres), angle)
    feet = nodes.point[node, :2] + radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    return node, first, feet


def _aside(first: FloatArray, second: FloatArray, turn: FloatArray) -> FloatArray:
    """How far ahead of the first plane's own foot it meets the second plane on z = 0."""
    return (second - first * np.cos(turn)) / np.sin(turn)


def _parted(points: FloatArray, sources: Sources, rules: SkirtRules) -> BoolArray:
    """Chained sources of unequal angle that cannot share a foot."""
    k = np.flatnonzero(sources.follow >= 0)
    parted = np.zeros(len(sources.follow), dtype=bool)
    height = points[sources.end[k], 2]
    first = height * np.tan(np.radians(sources.lean_deg[k]))
    second = height * np.tan(np.radians(sources.lean_deg[sources.follow[k]]))
    turn = sources.turn[k]
    safe = np.where(np.abs(turn) > _TURN_LEAST, turn, 1.0)
    common = (
        (turn > _TURN_LEAST)
        & (turn <= _MITRE_MOST)
        & (_aside(first, second, safe) >= 0.0)
        & (_aside(second, first, safe) >= 0.0)
    )
    if rules.round_corners:
        common[:] = False
    unequal = np.abs(first - second) > 1e-9 * np.maximum(first, 1.0)
    parted[k] = unequal & ~common
    return parted


def _strip_nodes(
    points: FloatArray, sources: Sources, strips: Strips, rules: SkirtRules
) -> tuple[_Nodes, IntArray, IntArray]:
    """Nodes of all strips, and the node where each place begins and ends."""
    places = len(strips.source)
    strip = np.repeat(np.arange(len(strips)), strips.count)
    local = np.arange(places) - strips.first[strip]
    nodes_of = strips.count + ~strips.closed
    node_first = np.cumsum(nodes_of) - nodes_of
    begin = node_first[strip] + local
    finish = node_first[strip] + np.where(
        strips.closed[strip], (local + 1) % strips.count[strip], local + 1
    )
    n = int(nodes_of.sum())
    src = strips.source
    vertex = np.empty(n, dtype=np.int64)
    vertex[begin] = sources.start[src]
    vertex[finish] = sources.end[src]
    slope = np.tan(np.radians(sources.lean_deg[src]))
    steep, steep_after = np.empty(n), np.empty(n)
    steep[begin] = slope
    steep_after[finish] = slope
    steep_after[begin] = slope
    steep[finish] = slope
    heading, span = np.empty(n), np.zeros(n)
    heading[begin] = sources.heading[src]
    heading[finish] = sources.heading[src]
    inner = np.ones(n, dtype=bool)
    open_strip = ~strips.closed
    head = node_first[open_strip]
    tail = (node_first + nodes_of - 1)[open_strip]
    inner[head] = inner[tail] = False
    span[finish] = sources.turn[src]
    span[~inner] = 0.0
    point = points[vertex].copy()
    point[point[:, 2] <= LOW_MM, 2] = 0.0
    reach, reach_after = point[:, 2] * steep, point[:, 2] * steep_after
    inward = heading + 0.5 * span
    quarter = np.pi / 2.0
    fan_head = np.zeros(n, dtype=bool)
    fan_head[head] = strips.fan_before[open_strip]
    fan_tail = np.zeros(n, dtype=bool)
    fan_tail[tail] = strips.fan_after[open_strip]
    fan_head &= reach > 0.0
    fan_tail &= reach > 0.0
    span[fan_head | fan_tail] = quarter
    heading[fan_head] -= quarter
    mitres = _mitres(span, reach, rules)
    ends = fan_head | fan_tail
    if ends.any():
        every = SkirtRules(True, rules.chord_mm)
        mitres[ends] = _mitres(span[ends], reach[ends], every)
    mitres[~inner & ~ends] = 0
    before = np.zeros(n, dtype=np.int64)
    before[head] = 1
    after = np.zeros(n, dtype=np.int64)
    after[tail] = 1
    nodes = _Nodes(point, reach, heading, span, mitres, before, after, inward, reach_after)
    return nodes, begin, finish


def _cross(a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
    """Twice the plan area of triangles a b c."""
    return (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])


def _inner_feet(nodes: _Nodes, begin: IntArray, finish: IntArray) -> tuple[FloatArray, BoolArray]:
    """Inner foot of each node (n, 2), and which places fold over inside whatever is tried."""
    shape = np.where(nodes.mitres == 1, np.cos(0.5 * np.abs(nodes.span)), 1.0)
    depth = _INWARD * nodes.reach / np.maximum(shape, 0.2)
    plan = nodes.point[:, :2]
    to = np.column_stack([np.cos(nodes.inward), np.sin(nodes.inward)])
    bad = np.zeros(len(begin), dtype=bool)
    inner = plan
    for _ in range(6):
        inner = plan - depth[:, None] * to
        g0, g1, v0, v1 = inner[begin], inner[finish], plan[begin], plan[finish]
        bad = (_cross(g0, v0, v1) < 0.0) | (_cross(g0, v1, g1) < 0.0)
        if not bad.any():
            break
        tight = np.zeros(len(plan), dtype=bool)
        tight[begin[bad]] = True
        tight[finish[bad]] = True
        depth = np.where(tight, 0.4 * depth, depth)
    return inner, bad


@dataclass(frozen=True, eq=False)
class _Layout:
    """Strips with their nodes and feet, and which places and strips fold over."""

    strips: Strips
    nodes: _Nodes
    begin: IntArray
    finish: IntArray
    column_node: IntArray
    first: IntArray
    feet: FloatArray
    inner: FloatArray
    bad: BoolArray


def _lay(points: FloatArray, sources: Sources, strips: Strips, rules: SkirtRules) -> _Layout:
    nodes, begin, finish = _strip_nodes(points, sources, strips, rules)
    column_node, first, feet = _columns(nodes)
    inner, bad = _inner_feet(nodes, begin, finish)
    last = first + nodes.mitres + nodes.before + nodes.after - 1
    v0, v1 = nodes.point[begin, :2], nodes.point[finish, :2]
    f0, f1 = feet[last[begin]], feet[first[finish]]
    bad |= (_cross(v0, f0, f1) < 0.0) | (_cross(v0, f1, v1) < 0.0)
    return _Layout(strips, nodes, begin, finish, column_node, first, feet, inner, bad)


def lay_skirts(points: FloatArray, sources: Sources, rules: SkirtRules) -> Bodies:
    """Closed bodies that give every source its leaning wall, none folding over itself."""
    parted = _parted(points, sources, rules)
    sources = replace(sources, follow=np.where(parted, -1, sources.follow))
    k = len(sources.start)
    narrow = _narrow(points, sources)
    broken = (sources.follow >= 0) & (
        (sources.turn < -_VALLEY_MOST)
        | (points[sources.end, 2] <= LOW_MM)
        | narrow
        | narrow[sources.follow]
    )
    if rules.single:
        broken = sources.follow >= 0
    before = np.full(k, -1, dtype=np.int64)
    linked = np.flatnonzero(sources.follow >= 0)
    before[sources.follow[linked]] = linked
    while True:
        layout = _lay(points, sources, walk(sources, broken), rules)
        src = layout.strips.source[layout.bad]
        again = np.zeros(k, dtype=bool)
        again[src] = True
        again[before[src][before[src] >= 0]] = True
        again &= (sources.follow >= 0) & ~broken
        if not again.any():
            break
        broken |= again
    while True:
        bad = _folded(layout)
        if not bad.any():
            break
        layout = _lay(points, sources, cut_strips(layout.strips, bad), rules)
    keep = np.ones(len(layout.strips), dtype=bool)
    keep[layout.strips.count == 1] = ~narrow[
        layout.strips.source[layout.strips.first[layout.strips.count == 1]]
    ]
    return _bodies(points, sources, layout, keep, rules)


def _narrow(points: FloatArray, sources: Sources) -> BoolArray:
    """Sources that fall almost as their wedge does: their wall has no width of its own."""
    step = points[sources.end, :2] - points[sources.start, :2]
    return np.hypot(step[:, 0], step[:, 1]) * sources.width < _WIDTH_LEAST_MM


def _folded(layout: _Layout) -> BoolArray:
    """Strips of several sources that lie over themselves in plan."""
    strips = layout.strips
    folded = np.zeros(len(strips), dtype=bool)
    strip = np.repeat(np.arange(len(strips)), strips.count)
    folded[strip[layout.bad]] = True
    folded &= strips.count > 1
    last = layout.first + layout.nodes.mitres + layout.nodes.before + layout.nodes.after
    for s in np.flatnonzero((strips.count > 1) & ~folded):
        at, k = strips.first[s], strips.count[s]
        lo, hi = layout.begin[at], layout.finish[at + k - 1]
        hi = lo + k - 1 if strips.closed[s] else hi
        outer = layout.feet[layout.first[lo] : last[hi]]
        inner = layout.inner[lo : hi + 1][::-1]
        rings = [outer, inner] if strips.closed[s] else [np.concatenate([outer, inner])]
        signed = sum(_ring_area(r) for r in rings)
        folded[s] = abs(plan_area(rings) - signed) > _AREA_SHARE * max(signed, 1e-3)
    return folded


def _ring_area(ring: FloatArray) -> float:
    x, y = (ring - ring[0]).T
    return float(0.5 * (x * np.roll(y, -1) - y * np.roll(x, -1)).sum())


def _bodies(
    points: FloatArray, sources: Sources, layout: _Layout, keep: BoolArray, rules: SkirtRules
) -> Bodies:
    """Triangles of the strips, of the fans at broken outer corners and of the peaks' cones."""
    strips = layout.strips
    parts = [_strip_bodies(layout, keep)]
    if len(strips.fans):
        parts.append(_fan_bodies(points, sources, strips.fans, rules))
    if len(sources.peaks):
        parts.append(_peak_bodies(points, sources, rules))
    return joined(parts)


def _rails(nodes: _Nodes, inner: FloatArray, feet: FloatArray) -> FloatArray:
    """Points of the bodies: nodes, inner feet, feet."""
    flat = np.concatenate([inner, feet])
    return np.concatenate([nodes.point, np.column_stack([flat, np.zeros(len(flat))])])


def _turn_faces(nodes: int, column_node: IntArray, first: IntArray) -> tuple[IntArray, IntArray]:
    """Facets of the wall and base between the columns of one node, and the node of each."""
    foot = 2 * nodes + np.arange(len(column_node))
    more = np.flatnonzero(column_node[1:] == column_node[:-1])
    node = column_node[more]
    wall = np.column_stack([node, foot[more], foot[more + 1]])
    base = np.column_stack([nodes + node, foot[more + 1], foot[more]])
    return np.concatenate([wall, base]), np.concatenate([node, node])


def _strip_bodies(layout: _Layout, keep: BoolArray) -> Bodies:
    nodes, strips = layout.nodes, layout.strips
    n = len(nodes.point)
    foot = 2 * n
    last = layout.first + nodes.mitres + nodes.before + nodes.after - 1
    v0, v1 = layout.begin, layout.finish
    g0, g1 = v0 + n, v1 + n
    f0, f1 = foot + last[v0], foot + layout.first[v1]
    quads = [(v0, f0, f1), (v0, f1, v1), (g0, v0, v1), (g0, v1, g1), (g0, g1, f1), (g0, f1, f0)]
    strip = np.repeat(np.arange(len(strips)), strips.count)
    node_strip = np.empty(n, dtype=np.int64)
    node_strip[v0] = strip
    node_strip[v1] = strip
    turns, at_node = _turn_faces(n, layout.column_node, layout.first)
    free = np.flatnonzero(~strips.closed)
    head = v0[strips.first[free]]
    tail = v1[strips.first[free] + strips.count[free] - 1]
    caps = [
        np.column_stack([foot + layout.first[head], head, head + n]),
        np.column_stack([tail, foot + last[tail], tail + n]),
    ]
    faces = np.concatenate([*(np.column_stack(q) for q in quads), turns, *caps])
    body = np.concatenate([np.tile(strip, 6), node_strip[at_node], free, free])
    kept = keep[body]
    points = _rails(nodes, layout.inner, layout.feet)
    number = np.cumsum(keep) - 1
    return Bodies(points, faces[kept], number[body[kept]], int(keep.sum()))


def _fan_bodies(points: FloatArray, sources: Sources, fans: IntArray, rules: SkirtRules) -> Bodies:
    """A part of a cone at each broken outer corner, lapping over the walls beside it."""
    point = points[sources.end[fans]]
    reach = point[:, 2] * np.tan(np.radians(sources.lean_deg[fans]))
    fans, point, reach = fans[reach > LOW_MM], point[reach > LOW_MM], reach[reach > LOW_MM]
    span, heading = sources.turn[fans], sources.heading[fans]
    two = np.full(len(fans), 2, dtype=np.int64)
    inward = heading + 0.5 * span
    nodes = _Nodes(
        point, reach, heading, span, _mitres(span, reach, rules), two, two, inward, reach
    )
    column_node, first, feet = _columns(nodes)
    n = len(fans)
    inner = point[:, :2] - (_INWARD * reach)[:, None] * np.column_stack(
        [np.cos(inward), np.sin(inward)]
    )
    faces, node = _turn_faces(n, column_node, first)
    last = first + nodes.mitres + 3
    ids = np.arange(n)
    caps = [
        np.column_stack([2 * n + first, ids, ids + n]),
        np.column_stack([ids, 2 * n + last, ids + n]),
    ]
    return Bodies(
        _rails(nodes, inner, feet),
        np.concatenate([faces, *caps]),
        np.concatenate([node, ids, ids]),
        n,
    )


def _peak_bodies(points: FloatArray, sources: Sources, rules: SkirtRules) -> Bodies:
    """A whole cone under each peak."""
    point = points[sources.peaks]
    n = len(point)
    reach = point[:, 2] * np.tan(np.radians(sources.peak_lean_deg))
    zero, none = np.zeros(n), np.zeros(n, dtype=np.int64)
    span = np.full(n, 2.0 * np.pi)
    every = SkirtRules(True, rules.chord_mm)
    many = _mitres(span, reach, every)
    nodes = _Nodes(point, reach, zero, span, many, none, none, zero, reach)
    column_node, first, feet = _columns(nodes)
    faces, node = _turn_faces(n, column_node, first)
    ids, last = np.arange(n), first + nodes.mitres - 1
    join = [
        np.column_stack([ids, 2 * n + last, 2 * n + first]),
        np.column_stack([n + ids, 2 * n + first, 2 * n + last]),
    ]
    return Bodies(
        _rails(nodes, point[:, :2], feet),
        np.concatenate([faces, *join]),
        np.concatenate([node, ids, ids]),
        n,
    )
