"""Nodes of strips: where their walls turn, begin and end, and the feet there on z = 0."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patternprep.mesh.mesh import FloatArray, IntArray
from patternprep.pattern.draft.sources import LOW_MM, Sources
from patternprep.pattern.draft.strips import Strips

__all__ = ["MITRE_MOST", "Nodes", "SkirtRules", "aside", "columns", "mitres_of", "strip_nodes"]

MITRE_MOST = np.radians(100.0)
_FAN_STEP_MOST = np.radians(60.0)
_LAP = np.radians(20.0)


@dataclass(frozen=True)
class SkirtRules:
    """How outer corners are made."""

    round_corners: bool = False
    chord_mm: float = 0.01
    """How far a fan may stand outside the round cone."""
    single: bool = False
    """Break every junction: slower, and the surest."""


@dataclass(frozen=True, eq=False)
class Nodes:
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


def mitres_of(span: FloatArray, reach: FloatArray, rules: SkirtRules) -> IntArray:
    """How many common feet fill each turn."""
    safe = np.maximum(reach, 1e-12)
    step = 2.0 * np.arccos(safe / (safe + rules.chord_mm))
    many = np.ceil(np.maximum(span, 0.0) / np.minimum(step, _FAN_STEP_MOST)).astype(np.int64)
    many = np.maximum(many, 1)
    if rules.round_corners:
        return many
    return np.where(span <= MITRE_MOST, 1, many)


def columns(nodes: Nodes) -> tuple[IntArray, IntArray, FloatArray]:
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
        ahead = aside(reach[unequal], nodes.reach_after[at], nodes.span[at])
        angle[unequal] = nodes.heading[at] + np.arctan2(ahead, reach[unequal])
        radius[unequal] = np.hypot(ahead, reach[unequal])
    early = k < before
    late = k >= before + mitres
    radius = np.where(early | late, reach, radius)
    angle = np.where(early, nodes.heading[node] - _LAP * (before - 1 - k), angle)
    last = nodes.heading[node] + nodes.span[node]
    angle = np.where(late, last + _LAP * (k - before - mitres), angle)
    feet = nodes.point[node, :2] + radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])
    return node, first, feet


def aside(first: FloatArray, second: FloatArray, turn: FloatArray) -> FloatArray:
    """How far ahead of the first plane's own foot it meets the second plane on z = 0."""
    return (second - first * np.cos(turn)) / np.sin(turn)


def strip_nodes(
    points: FloatArray, sources: Sources, strips: Strips, rules: SkirtRules
) -> tuple[Nodes, IntArray, IntArray]:
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
    mitres = mitres_of(span, reach, rules)
    ends = fan_head | fan_tail
    if ends.any():
        every = SkirtRules(True, rules.chord_mm)
        mitres[ends] = mitres_of(span[ends], reach[ends], every)
    mitres[~inner & ~ends] = 0
    before = np.zeros(n, dtype=np.int64)
    before[head] = 1
    after = np.zeros(n, dtype=np.int64)
    after[tail] = 1
    nodes = Nodes(point, reach, heading, span, mitres, before, after, inward, reach_after)
    return nodes, begin, finish
