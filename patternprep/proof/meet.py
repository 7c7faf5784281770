"""The halves meet on the parting: where a wall of the part passes through it, their outlines agree.

Outlines rightly differ where a face of the part itself lies in the parting plane, where an
overhang is filled on one side, and where a hollow is open in one half and filled in the other.
So only those places count where a wall is seen to go on through the plane, without overhang and
within the reach of draft. (That neither half holds too little or too much elsewhere is what
containment and excess prove.)
"""

from __future__ import annotations

import numpy as np

from patternprep.mesh.mesh import FloatArray
from patternprep.proof.asked import largest_angle
from patternprep.proof.line import ProofLine, at_most
from patternprep.proof.model import Half, Scene
from patternprep.proof.plan import expand
from patternprep.proof.tree import FacetTree

__all__ = ["meeting_lines", "section"]

MEET_LIMIT_MM = 0.05
_BESIDE_MM = 0.005
_SAME_WALL_MM = 0.03
_CORNER = 1.0 / float(np.cos(np.radians(52.5)))
_SPACING = 200.0
_SAME_WAY = 0.3
_OVERHANG_MM = 0.07
_ON_FLOOR_MM = 1e-4
"""So near to a facet of the parting a point is within it: lines through edges miss both facets."""
_LOOK_MM = 0.02
_ASIDE_MM = 1.7e-4
_MOST_JUDGED = 500
_MOST_SAMPLES = 6000


def meeting_lines(scene: Scene) -> list[ProofLine]:
    """One line: the largest distance between the outlines of cope and drag on z = 0."""
    cope, drag = scene.half(1.0), scene.half(-1.0)
    if cope is None or drag is None:
        return []
    figures = scene.kit.figures
    limit, corner = MEET_LIMIT_MM, _CORNER
    if figures.text("parting.match") == "step":
        limit += figures.number("parting.step_mm")
        # a corner lies further off than the step along its walls, a sharp one more so
        told = figures.number("parting.step_corner_mm", 0.0)
        corner = max(_CORNER, told / max(limit - MEET_LIMIT_MM, MEET_LIMIT_MM))
    if not len(cope.outline) or not len(drag.outline):
        bare = sum(not len(half.outline) for half in (cope, drag))
        return [at_most("both halves have a face on the parting", bare, 0, "halves without")]
    name = "halves meet on the parting"
    worst, where = 0.0, None
    sections = {sign: section(scene.stocked.triangles, sign * _BESIDE_MM) for sign in (1.0, -1.0)}
    reach = _reach_of_draft(scene)
    for half, other in ((cope, drag), (drag, cope)):
        points, facing = _along(half.outline)
        rim = _rim(other.outline)
        apart, _ = rim.distance(points, limit)
        far = np.flatnonzero(apart >= limit)
        apart[far], which = rim.distance(points[far])
        alike = np.ones(len(points), dtype=bool)
        alike[far] = (_facing(other.outline)[which] * facing[far]).sum(axis=1) > _SAME_WAY
        # where the other half reaches further out, its own points are judged
        outside = other.floor.tops(points[:, :2], _ON_FLOOR_MM)[1] < 0
        if limit > MEET_LIMIT_MM:
            apart = MEET_LIMIT_MM + np.maximum(apart - MEET_LIMIT_MM, 0.0) / corner
        apart[~alike | ~outside | (apart > reach)] = 0.0
        doubtful = np.flatnonzero(apart > limit)
        filled = _filled(scene, half, points[doubtful], facing[doubtful], sections, reach)
        apart[doubtful] = np.maximum(apart[doubtful] - filled, 0.0)
        most = int(np.argmax(apart))
        if apart[most] > worst:
            worst, where = float(apart[most]), points[most]
    return [at_most(name, worst, limit, "mm apart", where)]


def _reach_of_draft(scene: Scene) -> float:
    """How far draft alone can carry an outline from its wall, corners included, mm."""
    tallest = max(float(half.mesh.bounds[1, 2]) for half in scene.halves)
    return _CORNER * tallest * float(np.tan(np.radians(largest_angle(scene.kit)))) + 0.25


def _facing(segments: FloatArray) -> FloatArray:
    """Plan direction away from the pattern for outline segments (k, 2, 3), (k, 2)."""
    run = segments[:, 1] - segments[:, 0]
    out = np.stack([-run[:, 1], run[:, 0]], axis=1)
    return out / np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-300)


def _filled(
    scene: Scene,
    half: Half,
    points: FloatArray,
    facing: FloatArray,
    sections: dict[float, FloatArray],
    reach: float,
) -> FloatArray:
    """How far an overhang carried points of a half's outline from a wall through the parting, mm.

    Infinite where no wall passes: seen inward from the outline, material overhead and the wall
    itself must come at nearly the same distance, within the reach of draft, and the wall must go
    on just beyond the plane.
    """
    filled = np.full(len(points), np.inf)
    own, across = sections[half.sign], sections[-half.sign]
    if not len(points) or not len(own) or not len(across):
        return filled
    chosen = np.arange(len(points))[:: -(-len(points) // _MOST_JUDGED)]
    step = max(_LOOK_MM, reach / 400.0)
    inward = np.arange(0.0, reach + step, step)
    looks = points[chosen, None, :2] - inward[None, :, None] * facing[chosen, None]
    # a little aside: from a corner the lines would run along an edge of the part and miss facets
    looks += _ASIDE_MM * facing[chosen, None, ::-1] * np.array([-1.0, 1.0])
    hits = scene.stocked_hits(looks.reshape(-1, 2))
    height = hits.z * half.sign
    over = np.bincount(hits.line[height > _BESIDE_MM], minlength=looks.shape[0] * len(inward)) > 0
    count = np.zeros(over.shape)
    above = height > _BESIDE_MM
    np.add.at(count, hits.line[above], hits.up[above] * half.sign)
    inside = (count > 0.5).reshape(len(chosen), -1)
    over = over.reshape(len(chosen), -1)
    first_over, first_wall = np.argmax(over, axis=1), np.argmax(inside, axis=1)
    steps = first_wall - first_over
    overhang = (steps + 1) * step
    seen = inside.any(axis=1) & (overhang <= max(_OVERHANG_MM, 3.0 * step))
    wall = points[chosen].copy()
    wall[:, :2] -= inward[first_wall][:, None] * facing[chosen]
    wall = _nearest_on(own, wall)
    apart, _ = _rim(across).distance(wall, 10.0 * _SAME_WALL_MM)
    filled[chosen] = np.where(seen & (apart <= _SAME_WALL_MM), overhang, np.inf)
    return filled


def _nearest_on(segments: FloatArray, points: FloatArray) -> FloatArray:
    """The nearest points on segments (k, 2, 3) for points (n, 3)."""
    _, which = _rim(segments).distance(points)
    a, b = segments[which, 0], segments[which, 1]
    run = b - a
    share = ((points - a) * run).sum(axis=1) / np.maximum((run * run).sum(axis=1), 1e-300)
    return np.asarray(a + np.clip(share, 0.0, 1.0)[:, None] * run)


def _rim(segments: FloatArray) -> FacetTree:
    """A tree over plan segments (k, 2, 3), taken as facets without width."""
    return FacetTree(np.concatenate([segments, segments[:, 1:]], axis=1))


def _along(segments: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points along segments (k, 2, 3), both ends and between, (n, 3), and facing, (n, 2)."""
    length = np.linalg.norm(segments[:, 1] - segments[:, 0], axis=1)
    step = max(float(length.sum()) / _MOST_SAMPLES, float(length.max()) / _SPACING, 1e-9)
    count = np.ceil(length / step).astype(np.int64) + 1
    owner, number = expand(count)
    share = number / np.maximum(count[owner] - 1, 1)
    points = segments[owner, 0] + share[:, None] * (segments[owner, 1] - segments[owner, 0])
    return points, _facing(segments)[owner]


def section(triangles: FloatArray, z: float) -> FloatArray:
    """Segments (k, 2, 3) in which the plane at height z cuts facets, moved to z = 0."""
    height = triangles[..., 2] - z
    above = (height > 0.0).sum(axis=1)
    some = triangles[(above > 0) & (above < 3)]
    height = some[..., 2] - z
    up = height > 0.0
    single = np.where(up.sum(axis=1) == 1, np.argmax(up, axis=1), np.argmin(up, axis=1))
    turn = (single[:, None] + np.arange(3)) % 3
    a, b, c = (np.take_along_axis(some, turn[:, i, None, None], axis=1)[:, 0] for i in range(3))
    ends = []
    for p in (b, c):
        share = (a[:, 2] - z) / (a[:, 2] - p[:, 2])
        ends.append(a + share[:, None] * (p - a))
    cut = np.stack(ends, axis=1)
    cut[..., 2] = 0.0
    return cut
