"""The pattern holds no more than the draft hull: every wall point stands under the part's draft.

A point belongs to the draft hull when the part (with its stock) stands above it, or somewhere
inside the cone that opens upward from the point by the draft angle; at mitred corners the cone is
wider along the wall. A point of the pattern's surface is moved into the pattern, further and
further, until that is so: how far is the excess at the point.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from patternprep.mesh.mesh import FloatArray, IntArray
from patternprep.proof.asked import largest_angle
from patternprep.proof.line import ProofLine, at_most
from patternprep.proof.model import Half, Scene, split_at_zero
from patternprep.proof.plan import PlanGrid
from patternprep.proof.tree import FacetTree

__all__ = ["excess_lines"]

EXCESS_LIMIT_MM = 0.05
_STEPS_MM = (0.005, 0.01, 0.02, 0.035, 0.05)
_FAR_STEPS_MM = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
_MOST_FAR = 300
_HALVINGS = 14
_SAMPLES = 6000
_MOST_MATCHED = 2000
_SHARPEST_MITRE_DEG = 105.0
_PULLED_IN = 0.98
_TOUCH_MM = 1e-5
_BELOW_MM = 0.002
_BEAD_MM = 1.0
_LIFT_MM = 0.5
_SIDEWAYS_MM = 100.0
_MOST_ALONG = 4
_UNKNOWN_SHARE = 2.0
"""Stock on free-form faces is not built again here: so much of it may stand out, mm per mm."""


@dataclass(frozen=True, eq=False)
class _Material:
    """The stocked part on one side of the parting, in the half's own frame."""

    grids: tuple[PlanGrid, ...]
    sign: float
    tree: FacetTree
    slope: float
    mitre: float

    def holds(self, points: FloatArray, outward: FloatArray) -> npt.NDArray[np.bool_]:
        """Which points (n, 3) lie in the draft hull; ``outward`` (n, 2) as their walls face."""
        held = np.zeros(len(points), dtype=bool)
        for grid in self.grids:
            rest = np.flatnonzero(~held)
            top, _ = grid.tops(points[rest, :2], _TOUCH_MM, self.sign)
            held[rest] = top >= points[rest, 2] - _TOUCH_MM
        rest = np.flatnonzero(~held)
        held[rest] = self.tree.in_cone(points[rest], self.slope, None, 1.0) <= _TOUCH_MM
        if self.mitre > 1.0:
            rest = np.flatnonzero(~held)
            gap = self.tree.in_cone(points[rest], self.slope, outward[rest], self.mitre)
            held[rest] = gap <= _TOUCH_MM
        return held


@dataclass(frozen=True, eq=False)
class _Points:
    """Points of the walls (n, 3), normals of their facets (n, 3), and these in plan (n, 2)."""

    points: FloatArray
    normals: FloatArray
    outward: FloatArray

    def some(self, which: IntArray) -> _Points:
        """Some of the points."""
        return _Points(self.points[which], self.normals[which], self.outward[which])


def excess_lines(scene: Scene) -> list[ProofLine]:
    """How far each half stands out beyond the draft hull, matching at the parting left aside."""
    kit = scene.kit
    slope = float(np.tan(np.radians(largest_angle(kit))))
    mitred = kit.figures.text("draft.corner") == "mitred"
    mitre = 1.0 / float(np.cos(np.radians(0.5 * _SHARPEST_MITRE_DEG))) if mitred else 1.0
    matched = kit.figures.text("parting.match") == "taper"
    unknown = [face.amount_mm for face in scene.faces if not face.known]
    limit = EXCESS_LIMIT_MM + _UNKNOWN_SHARE * max([0.0, *unknown])
    materials = {half.sign: _material(scene, half.sign, slope, mitre) for half in scene.halves}
    lines = []
    for half in scene.halves:
        points, normals = _samples(half)
        walls = _Points(points, normals, _plan_unit(normals))
        own = materials[half.sign]
        excess = _excess(own, walls)
        other = scene.half(-half.sign) if matched else None
        across = None if other is None else (other, materials[other.sign])
        _look_again(half, own, across, walls, excess, limit)
        worst = int(np.argmax(excess)) if len(excess) else -1
        figure = float(excess[worst]) if worst >= 0 else 0.0
        spot = half.place(points[worst]) if worst >= 0 else None
        lines.append(at_most(f"{half.name} beyond its draft hull", figure, limit, "mm", spot))
    return lines


def _plan_unit(normals: FloatArray) -> FloatArray:
    """The plan directions (n, 2) of normals (n, 3)."""
    plan = normals[:, :2]
    return np.asarray(plan / np.maximum(np.linalg.norm(plan, axis=1, keepdims=True), 1e-300))


def _look_again(
    half: Half,
    own: _Material | None,
    other: tuple[Half, _Material | None] | None,
    walls: _Points,
    excess: FloatArray,
    limit: float,
) -> None:
    """Judge the points over the limit in other ways, and tell how far out the rest of them are.

    Changes ``excess`` in place; without ``other`` no matching is taken as an explanation.
    """
    over = np.flatnonzero(excess > limit)
    if not len(over):
        return
    over = _some(over, excess)
    excess[over] = np.minimum(excess[over], _sideways(own, walls.points[over]))
    over = over[excess[over] > limit]
    if other is not None and len(over) and len(half.outline):
        met = _met(half, own, other, walls.some(over))
        excess[over[met]] = 0.0
        over = over[~met]
    if len(over):
        far = over[:: -(-len(over) // _MOST_FAR)]
        out = _far_out(own, walls.some(far))
        excess[over] = np.minimum(excess[over], out.max())
        excess[far] = np.minimum(excess[far], out)


def _far_out(material: _Material | None, walls: _Points) -> FloatArray:
    """How far points that stand out far do so, mm: the way inward, sideways or to the metal itself.

    Each of the three bounds the excess from above; the way inward is halved down to a thousandth.
    """
    steps = np.array([0.0, *_FAR_STEPS_MM])
    inward = _excess(material, walls, _FAR_STEPS_MM)
    if material is None:
        return inward
    at = np.flatnonzero(np.isfinite(inward))
    near = inward[at]
    less = steps[np.searchsorted(steps, near) - 1]
    some = walls.some(at)
    for _ in range(_HALVINGS):
        middle = 0.5 * (less + near)
        inner = some.points - middle[:, None] * some.normals
        inner[:, 2] = np.maximum(inner[:, 2], 0.0)
        held = material.holds(inner, some.outward)
        near, less = np.where(held, middle, near), np.where(held, less, middle)
    inward[at] = near
    sideways = _sideways(material, walls.points)
    return np.minimum(np.minimum(inward, sideways), material.tree.distance(walls.points)[0])


def _some(over: IntArray, excess: FloatArray) -> IntArray:
    """At most a few thousand of the points: the worst and a spread; the others are let go."""
    if len(over) <= _MOST_MATCHED:
        return over
    worst = over[np.argsort(-excess[over], kind="stable")[: _MOST_MATCHED // 4]]
    some = np.union1d(worst, over[:: -(-len(over) * 2 // _MOST_MATCHED)])
    excess[np.setdiff1d(over, some)] = 0.0
    return some


def _material(scene: Scene, sign: float, slope: float, mitre: float) -> _Material | None:
    triangles = scene.metal
    if sign < 0.0:
        triangles = triangles[:, ::-1] * np.array([1.0, 1.0, -1.0])
    above = split_at_zero(triangles)
    if not len(above):
        return None
    return _Material(scene.metal_grids, sign, FacetTree(above), slope, mitre)


def _samples(half: Half) -> tuple[FloatArray, FloatArray]:
    """Points spread over the walls by area and near the corners of facets, with normals."""
    walls = half.walls
    areas = half.mesh.areas[walls]
    walls, areas = walls[areas > 0.0], areas[areas > 0.0]
    if not len(walls):
        return np.zeros((0, 3)), np.zeros((0, 3))
    ends = np.cumsum(areas)
    number = np.arange(_SAMPLES)
    facet = walls[
        np.searchsorted(ends, (number + 0.5) / _SAMPLES * ends[-1]).clip(0, len(walls) - 1)
    ]
    u, v = np.modf(number * 0.7548776662466927)[0], np.modf(number * 0.5698402909980532)[0]
    flip = u + v > 1.0
    u, v = np.where(flip, 1.0 - u, u), np.where(flip, 1.0 - v, v)
    corners = half.mesh.triangles[facet]
    weights = np.stack([1.0 - u - v, u, v], axis=1)
    spread = np.einsum("ij,ijk->ik", weights, corners)
    largest = walls[np.argsort(-areas, kind="stable")[: _SAMPLES // 6]]
    step = -(-len(walls) * 6 // _SAMPLES)
    some = np.union1d(largest, walls[::step])
    corners = half.mesh.triangles[some]
    middle = corners.mean(axis=1, keepdims=True)
    near = (middle + _PULLED_IN * (corners - middle)).reshape(-1, 3)
    owner: IntArray = np.concatenate([facet, np.repeat(some, 3)])
    return np.concatenate([spread, near]), half.mesh.normals[owner]


def _excess(
    material: _Material | None, walls: _Points, steps: Sequence[float] = _STEPS_MM
) -> FloatArray:
    """How far each point has to move against its normal to lie in the draft hull, mm.

    One of the steps, or infinite where none of them is enough.
    """
    points, normals, outward = walls.points, walls.normals, walls.outward
    if material is None:
        return points[:, 2].copy()
    excess = np.full(len(points), np.inf)
    rest = np.arange(len(points))
    for step in steps:
        inner = points[rest] - step * normals[rest]
        inner[:, 2] = np.maximum(inner[:, 2], 0.0)
        held = material.holds(inner, outward[rest])
        excess[rest[held]] = step
        rest = rest[~held]
        if not len(rest):
            break
    return excess


def _sideways(material: _Material | None, points: FloatArray) -> FloatArray:
    """How far points stand sideways out of the draft hull with round corners, mm.

    Like the way inward along the wall's normal this bounds the excess from above; it is the
    better bound at slivers, whose normals point anywhere.
    """
    if material is None:
        return np.full(len(points), np.inf)
    return material.tree.gap_under(points, material.slope, _BELOW_MM)


def _met(
    half: Half,
    own: _Material | None,
    other: tuple[Half, _Material | None],
    walls: _Points,
) -> npt.NDArray[np.bool_]:
    """Which points stand out because the half was tapered to meet the other half's outline.

    The point's wall falls to a foot on the parting: there the other half must stand within its own
    draft hull, and the wall may be out sideways by no more than at that foot. A low bead at the
    parting only has to lie over the other half's hull.
    """
    points, normals, outward = walls.points, walls.normals, walls.outward
    if own is None:
        return np.zeros(len(points), dtype=bool)
    here = own.tree.gap_under(points, own.slope, EXCESS_LIMIT_MM)
    level = points * np.array([1.0, 1.0, 0.0])
    near, inward = _nearest_foot(half, level)
    flat = np.maximum(np.hypot(normals[:, 0], normals[:, 1]), 1e-9)
    run = points[:, 2] * np.minimum(normals[:, 2] / flat, 1e4)
    fall = level.copy()
    fall[:, :2] += run[:, None] * outward
    along = np.column_stack([outward, np.zeros(len(outward))])
    met = np.zeros(len(points), dtype=bool)
    for look in range(3 + _MOST_ALONG):
        low = points[:, 2] <= (_BEAD_MM if look == 2 else np.inf)
        rest = np.flatnonzero(~met & low)
        if not len(rest):
            continue
        way = inward if look == 0 else along
        if look < 3:
            foot = (near, fall, level)[look]
        else:
            foot = _foot_further_along(half, fall, outward, rest, look - 3)
        feet = _Points(foot[rest], way[rest], outward[rest])
        tight = _excess(other[1], feet) <= EXCESS_LIMIT_MM
        loose = np.flatnonzero(~tight)
        if len(loose):
            # in a mitred corner the hull is told by the other half's own walls there
            _, facet = other[0].tree.distance(foot[rest[loose]] + np.array([0.0, 0.0, _LIFT_MM]))
            facing = _plan_unit(other[0].mesh.normals[facet])
            feet = _Points(foot[rest[loose]], way[rest[loose]], facing)
            tight[loose] = _excess(other[1], feet) <= EXCESS_LIMIT_MM
        if look == 2 and not tight.all():
            # the end of a bead faces along the other half's outline: inward is as that lies there
            loose = np.flatnonzero(~tight)
            _, out = _nearest_foot(other[0], level[rest[loose]])
            feet = _Points(level[rest[loose]], out, out[:, :2])
            tight[loose] = _excess(other[1], feet) <= EXCESS_LIMIT_MM
        if look != 2:
            there = own.tree.gap_under(foot[rest], own.slope, EXCESS_LIMIT_MM)
            tight &= here[rest] <= there + EXCESS_LIMIT_MM
        met[rest] = tight
    return met


def _foot_further_along(
    half: Half, fall: FloatArray, outward: FloatArray, which: IntArray, turn: int
) -> FloatArray:
    """Where the walls of some points, carried on sideways, come to the outline; else their foot.

    A wall that was tapered because one end of it stands on the outline leans more all along. The
    places are taken in turn, the nearest first.
    """
    foot = fall.copy()
    rim = np.concatenate([half.outline[:, 0, :2], half.outline[..., :2].mean(axis=1)])
    for i in which[:: -(-len(which) // _MOST_FAR)]:
        away = rim - fall[i, :2]
        side = np.abs(away @ np.array([-outward[i, 1], outward[i, 0]]))
        on = (np.abs(away @ outward[i]) <= EXCESS_LIMIT_MM) & (side <= _SIDEWAYS_MM)
        places = np.flatnonzero(on)
        if len(places) > turn:
            foot[i, :2] = rim[places[np.argsort(side[places], kind="stable")[turn]]]
    return foot


def _nearest_foot(half: Half, level: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The nearest point of a half's outline for points on z = 0, and the way out of the pattern."""
    segments = half.outline
    rim = FacetTree(np.concatenate([segments, segments[:, 1:]], axis=1))
    _, which = rim.distance(level)
    a, b = segments[which, 0], segments[which, 1]
    run = b - a
    share = ((level - a) * run).sum(axis=1) / np.maximum((run * run).sum(axis=1), 1e-300)
    foot = a + np.clip(share, 0.0, 1.0)[:, None] * run
    foot[:, 2] = 0.0
    # the outline runs with the pattern on its right; at its corners outward is from the point
    out = np.stack([-run[:, 1], run[:, 0], np.zeros(len(run))], axis=1)
    aside = foot - level
    aside = np.where((aside * out).sum(axis=1, keepdims=True) < 0.0, -aside, aside)
    out = np.where((aside**2).sum(axis=1, keepdims=True) > 1e-8, aside, out)
    return foot, out / np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-300)
