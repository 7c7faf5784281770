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
from patternprep.pattern.draft.nodes import (
    MITRE_MOST,
    Nodes,
    SkirtRules,
    aside,
    columns,
    mitres_of,
    strip_nodes,
)
from patternprep.pattern.draft.sources import LOW_MM, Sources
from patternprep.pattern.draft.strips import Strips, cut_strips, walk
from patternprep.pattern.draft.topology import BoolArray

__all__ = ["SkirtRules", "lay_skirts"]

_INWARD = 0.15
_VALLEY_MOST = np.radians(150.0)
_TURN_LEAST = 0.1
_WIDTH_LEAST_MM = 1e-6
_AREA_SHARE = 1e-7


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
        & (turn <= MITRE_MOST)
        & (aside(first, second, safe) >= 0.0)
        & (aside(second, first, safe) >= 0.0)
    )
    if rules.round_corners:
        common[:] = False
    unequal = np.abs(first - second) > 1e-9 * np.maximum(first, 1.0)
    parted[k] = unequal & ~common
    return parted


def _cross(a: FloatArray, b: FloatArray, c: FloatArray) -> FloatArray:
    """Twice the plan area of triangles a b c."""
    return (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])


def _inner_feet(nodes: Nodes, begin: IntArray, finish: IntArray) -> tuple[FloatArray, BoolArray]:
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
    nodes: Nodes
    begin: IntArray
    finish: IntArray
    column_node: IntArray
    first: IntArray
    feet: FloatArray
    inner: FloatArray
    bad: BoolArray


def _lay(points: FloatArray, sources: Sources, strips: Strips, rules: SkirtRules) -> _Layout:
    nodes, begin, finish = strip_nodes(points, sources, strips, rules)
    column_node, first, feet = columns(nodes)
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


def _rails(nodes: Nodes, inner: FloatArray, feet: FloatArray) -> FloatArray:
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
    nodes = Nodes(
        point, reach, heading, span, mitres_of(span, reach, rules), two, two, inward, reach
    )
    column_node, first, feet = columns(nodes)
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
    many = mitres_of(span, reach, every)
    nodes = Nodes(point, reach, zero, span, many, none, none, zero, reach)
    column_node, first, feet = columns(nodes)
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
