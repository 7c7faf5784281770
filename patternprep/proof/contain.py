"""The pattern contains the scaled part: by depth at points, by volume along vertical lines."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from patternprep.mesh.mesh import FloatArray, IntArray
from patternprep.proof.line import ProofLine, at_most
from patternprep.proof.model import Half, Scene
from patternprep.proof.plan import Hits, PlanGrid
from patternprep.proof.tree import far_distance

__all__ = [
    "DEPTH_LIMIT_MM",
    "VOLUME_LIMIT",
    "containment_lines",
    "depth_outside",
    "depths_outside",
    "intervals",
    "shared_lengths",
]

DEPTH_LIMIT_MM = 0.002
VOLUME_LIMIT = 1e-5
_MOST_EXACT = 60_000
_MOST_SAMPLES = 50_000
_SAME_POINT_MM = 0.0005
_STEEP = 0.25
_ASIDE = np.array([[0.31, 0.17], [-0.23, 0.29], [-0.11, -0.37]])


def containment_lines(scene: Scene) -> list[ProofLine]:
    """Depth, volume and dents of the pattern against the scaled part."""
    points = _part_points(scene)
    depth, place = depth_outside(scene, points)
    share, share_place, more = _share_outside(scene)
    if len(more):
        other, other_place = depth_outside(scene, more)
        if other > depth:
            depth, place = other, other_place
    dent, dent_place = _deepest_dent(scene)
    deep = DEPTH_LIMIT_MM + scene.slack
    much = VOLUME_LIMIT + scene.slack * scene.part.area / max(scene.part.volume, 1e-300)
    return [
        at_most("part within pattern, depth", depth, deep, "mm", place),
        at_most("part within pattern, dents", dent, deep, "mm", dent_place),
        at_most("part within pattern, volume", share, much, "of volume", share_place),
    ]


def _part_points(scene: Scene) -> FloatArray:
    """Points of the part's surface: corners, and a spread over steep facets.

    The vertical lines look after the facets that are not steep.
    """
    part = scene.part
    step = 2.0 * float(np.sqrt(scene.lines[1]))
    corners = part.triangles[np.abs(part.normals[:, 2]) < _STEEP]
    sides = [((corners[:, i] - corners[:, i - 1]) ** 2).sum(axis=1) for i in range(3)]
    longest = np.sqrt(np.max(sides, axis=0)) if len(corners) else np.zeros(0)
    parts = np.clip(np.ceil(longest / step), 1, 24).astype(np.int64)
    parts[longest <= step] = 0
    pattern = [h.mesh.vertices * np.array([1.0, 1.0, h.sign]) for h in scene.halves]
    found = [part.vertices[~_shared(part.vertices, np.concatenate(pattern))]]
    budget = _MOST_SAMPLES
    for n in np.unique(parts[parts > 0]):
        some = corners[parts == n]
        weights = _spread(int(max(n, 2)))
        if len(some) * len(weights) > budget:
            weights = _spread(2)
        if len(some) * len(weights) > budget:
            some = some[:: -(-len(some) * len(weights) // max(budget, 1))]
        budget = max(budget - len(some) * len(weights), 1000)
        found.append((weights[None] @ some).reshape(-1, 3))
    return np.concatenate(found)


def _shared(points: FloatArray, corners: FloatArray) -> npt.NDArray[np.bool_]:
    """Points that coincide with a corner to well within the allowed depth (some may be missed)."""
    keys = []
    for some in (points, corners):
        cell = np.round(some * (1.0 / _SAME_POINT_MM)).astype(np.int64)
        keys.append(cell[:, 0] * 73856093 + cell[:, 1] * 19349663019 + cell[:, 2] * 83492791000003)
    known = np.sort(keys[1])  # quicker than hashing both
    at = np.searchsorted(known, keys[0]).clip(0, max(len(known) - 1, 0))
    return np.asarray(known[at] == keys[0]) if len(known) else np.zeros(len(points), bool)


def _spread(parts: int) -> FloatArray:
    """Corner weights of points inside a facet and on its edges, (k, 3)."""
    i, j = np.meshgrid(np.arange(parts + 1), np.arange(parts + 1))
    keep = (i + j <= parts) & ~((i == parts) | (j == parts) | (i + j == 0))
    i, j = i[keep], j[keep]
    grid = np.stack([i, j, parts - i - j], axis=1) / parts
    return np.concatenate([grid, np.full((1, 3), 1.0 / 3.0)])


def depth_outside(scene: Scene, points: FloatArray) -> tuple[float, FloatArray | None]:
    """How deep the deepest of the points (n, 3) lies outside the pattern, mm, and where."""
    depth = depths_outside(scene, points)
    deepest = int(np.argmax(depth)) if len(depth) else 0
    if not len(depth) or depth[deepest] <= 0.0:
        return 0.0, None
    return float(depth[deepest]), points[deepest]


def depths_outside(scene: Scene, points: FloatArray) -> FloatArray:
    """How deep each of the points (n, 3) lies outside the pattern, mm; 0 inside."""
    depths = np.zeros(len(points))
    for sign in (1.0, -1.0):
        half = scene.half(sign)
        own = points * np.array([1.0, 1.0, sign])
        here = np.flatnonzero(own[:, 2] > scene.rounding)
        if not len(here):
            continue
        own = own[here]
        depths[here] = own[:, 2] if half is None else _outside_half(half, own, scene.rounding)
    return depths


def _outside_half(half: Half, points: FloatArray, rounding: float) -> FloatArray:
    """Depth of each point outside a half, in the half's own frame, z > 0."""
    top, _ = half.grid.tops(points[:, :2], 2.0 * rounding)
    over = points[:, 2] - top
    depth = np.zeros(len(points))
    doubtful = np.flatnonzero(over > 0.5 * DEPTH_LIMIT_MM)
    if len(doubtful) > _MOST_EXACT:
        deepest = np.argsort(over[doubtful], kind="stable")[-_MOST_EXACT // 2 :]
        spread = np.linspace(0, len(doubtful) - 1, _MOST_EXACT // 2).astype(np.int64)
        doubtful = doubtful[np.unique(np.concatenate([deepest, spread]))]
    if len(doubtful):
        depth[doubtful] = far_distance(half.tree, points[doubtful])
    return depth


def intervals(hits: Hits, lines: int) -> tuple[IntArray, FloatArray, FloatArray]:
    """Stretches of material: (line, low, high); lines that do not add up are left out."""
    first, _ = hits.bounds(lines)
    inside = np.cumsum(-hits.up.astype(np.int64))
    start = np.where(first > 0, np.append(0, inside)[first], 0)
    inside = inside - start[hits.line]
    final = np.zeros(lines, dtype=np.int64)
    np.add.at(final, hits.line, -hits.up.astype(np.int64))
    good = (final == 0)[hits.line]
    run = np.flatnonzero((inside[:-1] > 0) & good[:-1]) if len(inside) else inside
    return hits.line[run], hits.z[run], hits.z[run + 1]


def shared_lengths(
    one: tuple[IntArray, FloatArray, FloatArray],
    other: tuple[IntArray, FloatArray, FloatArray],
    lines: int,
) -> tuple[FloatArray, FloatArray]:
    """Length that two sets of stretches share on each line, mm, and a height where, (lines,)."""
    shared, height = np.zeros(lines), np.zeros(lines)
    begin = np.searchsorted(other[0], one[0], side="left")
    count = np.searchsorted(other[0], one[0], side="right") - begin
    for step in range(int(count.max(initial=0))):
        mine = np.flatnonzero(count > step)
        theirs = begin[mine] + step
        low = np.maximum(one[1][mine], other[1][theirs])
        high = np.minimum(one[2][mine], other[2][theirs])
        length = np.maximum(high - low, 0.0)
        np.add.at(shared, one[0][mine], length)
        some = length > 0.0
        height[one[0][mine[some]]] = 0.5 * (low + high)[some]
    return shared, height


def _share_outside(scene: Scene) -> tuple[float, FloatArray | None, FloatArray]:
    """Share of the part's volume outside the pattern, a place, and points to measure exactly."""
    lines, _ = scene.lines
    line, low, high = intervals(scene.part_grid.hits(lines), len(lines))
    outside = np.zeros(len(line))
    ends: list[FloatArray] = []
    for sign in (1.0, -1.0):
        half = scene.half(sign)
        a = np.maximum(low if sign > 0 else -high, 0.0)
        b = high if sign > 0 else -low
        bearing = np.flatnonzero(b > 0.0)
        if not len(bearing):
            continue
        a, b, own = a[bearing], b[bearing], line[bearing]
        if half is None:
            over = b - a
        else:
            top = scene.crest(half)
            over = b - np.maximum(a, top[own])
        over = np.maximum(over, 0.0)
        outside[bearing] += over
        doubt = np.flatnonzero(over > DEPTH_LIMIT_MM)
        z = b[doubt] * sign
        ends.append(np.column_stack([lines[own[doubt]], z]))
    more = np.concatenate(ends) if ends else np.zeros((0, 3))
    total = float((high - low).sum())
    if total <= 0.0:
        return 1.0, None, more
    worst = int(np.argmax(outside))
    where = np.append(lines[line[worst]], high[worst]) if outside[worst] > 0.0 else None
    return float(outside.sum()) / max(total, 1e-300), where, more


def _deepest_dent(scene: Scene) -> tuple[float, FloatArray | None]:
    """How deep the pattern's own surface dips into the scaled part, mm, and where."""
    worst, where = 0.0, None
    for half in scene.halves:
        on_wall = np.zeros(len(half.mesh.vertices), dtype=bool)
        on_wall[half.mesh.faces[half.walls]] = True
        corners = half.mesh.vertices[on_wall]
        corners = corners[corners[:, 2] > 10.0 * scene.rounding]
        points = corners * np.array([1.0, 1.0, half.sign])
        points = points[~_shared(points, scene.part.vertices)]
        inside = np.ones(len(points), dtype=bool)
        for aside in _ASIDE:
            which = np.flatnonzero(inside)
            if not len(which):
                break
            inside[which] = _clearly_inside(scene.part_grid, points[which], aside)
        which = np.flatnonzero(inside)
        if not len(which):
            continue
        depth = far_distance(scene.part_tree, points[which[:_MOST_EXACT]])
        deepest = int(np.argmax(depth))
        if depth[deepest] > worst:
            worst, where = float(depth[deepest]), points[which[deepest]]
    return worst, where


def _clearly_inside(grid: PlanGrid, points: FloatArray, aside: FloatArray) -> npt.NDArray[np.bool_]:
    """Points inside the facets' solid and not just under or over its surface."""
    shift = aside * DEPTH_LIMIT_MM
    hits = grid.hits(points[:, :2] + shift)
    over = hits.z - points[hits.line, 2]
    cover = np.zeros(len(points))
    np.add.at(cover, hits.line, np.where(over > 0.0, hits.up, 0))
    near = np.full(len(points), np.inf)
    np.minimum.at(near, hits.line, np.abs(over))
    return np.asarray((cover > 0.5) & (near > DEPTH_LIMIT_MM))
