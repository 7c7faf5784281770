"""Ways to part a core box: pulls and planes worth trying, the plainest and least costly first."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.pattern.cores.voids import plan_basis

__all__ = ["BoxWay", "box_ways", "searched_ways"]

PLAIN_MM = 0.005
"""What a step in plainness is worth in mean depth of lost surface, mm."""

_FLAT_SHARE = 0.06
_SAME = 1e-6
_FLUSH_MM = 1e-3
_OVERHANG = 1e-4


@dataclass(frozen=True, eq=False)
class BoxWay:
    """A plane n.x = offset along a pull n; the core lies ahead of it, or on both sides."""

    pull: FloatArray
    offset_mm: float
    words: str
    plain: int
    """0 is the plainest."""
    one_piece: bool
    cost_mm: float = math.inf
    """Rough mean depth of lost surface, with a charge for what is less plain."""


def box_ways(
    core: Mesh, free: Solid | None, ends: Sequence[tuple[FloatArray, FloatArray]], draft_deg: float
) -> list[BoxWay]:
    """Natural ways for a core whose print ends are (point, outward normal), best first."""
    metal = ~_inside(core.triangles.mean(axis=1), free)
    body = core.triangles[metal if metal.any() else ~metal].reshape(-1, 3)
    ways = [*_one_piece(core, ends), *_two_halves(core, body, ends)]
    priced = [_priced(w, core, metal, draft_deg) for w in _without_twins(ways)]
    return sorted(priced, key=lambda w: w.cost_mm)


def searched_ways(core: Mesh, free: Solid | None, draft_deg: float, limit: int) -> list[BoxWay]:
    """Ways that the parting search finds on the core, best first."""
    from patternprep.pattern.parting import find_partings

    metal = ~_inside(core.triangles.mean(axis=1), free)
    found = find_partings(core, angle_deg=draft_deg, limit=limit)
    ways = [
        BoxWay(np.asarray(c.pull), c.offset_mm, "a parting that was searched for", 5, c.one_piece)
        for c in found
    ]
    turned = [
        BoxWay(-w.pull, -w.offset_mm, w.words, w.plain, True) if w.one_piece else w for w in ways
    ]
    return sorted((_priced(w, core, metal, draft_deg) for w in turned), key=lambda w: w.cost_mm)


def _one_piece(core: Mesh, ends: Sequence[tuple[FloatArray, FloatArray]]) -> Iterator[BoxWay]:
    """The whole core behind the end of a print, or behind a large flat face."""
    for point, normal in ends:
        far = float((core.vertices @ normal).max())
        if far <= float(point @ normal) + _FLUSH_MM:
            yield BoxWay(-normal, -far, "struck off at the end of a print", 0, True)
    key = np.round(core.normals, 5)
    _, kind = np.unique(key, axis=0, return_inverse=True)
    kind = kind.reshape(-1)
    area = np.bincount(kind, weights=core.areas)
    for one in np.argsort(-area, kind="stable")[:8]:
        if area[one] < _FLAT_SHARE * core.area:
            break
        facets = np.flatnonzero(kind == one)
        cross = core.cross[facets].sum(axis=0)
        normal = cross / np.linalg.norm(cross)
        far = float((core.vertices @ normal).max())
        heights = core.triangles[facets] @ normal
        on = (heights > far - _FLUSH_MM).all(axis=1)
        if core.areas[facets][on].sum() >= _FLAT_SHARE * core.area:
            yield BoxWay(-normal, -far, "struck off at a flat face", 3, True)


def _two_halves(
    core: Mesh, body: FloatArray, ends: Sequence[tuple[FloatArray, FloatArray]]
) -> Iterator[BoxWay]:
    up = np.array([0.0, 0.0, 1.0])
    yield from _planes(core, body, ends, up, "parted level in the mould", 1)
    if not ends:
        for axis in np.eye(3)[:2]:
            yield from _planes(core, body, ends, axis, "parted through its middle", 2)
        return
    axis = ends[0][1]
    for _, other in ends[1:]:
        across = np.cross(axis, other)
        if np.linalg.norm(across) > 1e-3:
            yield from _planes(core, body, ends, across, "parted in the plane of its bend", 1)
    basis = plan_basis(axis)
    if abs(float(axis[2])) > 1.0 - 1e-6:
        for level in np.eye(3)[:2]:
            yield from _planes(core, body, ends, level, "parted along its axis", 2)
    upright = np.cross(axis, up)
    if np.linalg.norm(upright) > 1e-3:
        yield from _planes(core, body, ends, upright, "parted upright along its axis", 2)
    plan = shapely.MultiPoint(core.vertices @ basis.T).minimum_rotated_rectangle
    if isinstance(plan, shapely.Polygon):
        corners = np.asarray(plan.exterior.coords)[:4]
        sides = (corners[1] - corners[0], corners[2] - corners[1])
        diagonals = (corners[2] - corners[0], corners[3] - corners[1])
        for side in sides:
            yield from _planes(core, body, ends, side @ basis, "parted along its axis", 3)
        for diagonal in diagonals:
            normal = np.array([-diagonal[1], diagonal[0]]) @ basis
            yield from _planes(
                core, body, ends, normal, "parted along its axis from edge to edge", 4
            )


def _planes(
    core: Mesh,
    body: FloatArray,
    ends: Sequence[tuple[FloatArray, FloatArray]],
    direction: FloatArray,
    words: str,
    plain: int,
) -> Iterator[BoxWay]:
    """Planes through the ends of the prints and through the middle of what lies in metal."""
    n = direction / np.linalg.norm(direction)
    lead = int(np.argmax(np.abs(n) > 0.5 * np.abs(n).max()))
    n = n if n[lead] > 0.0 else -n
    heights = core.vertices @ n
    low, high = float(heights.min()), float(heights.max())
    along = body @ n
    offsets = [0.5 * float(along.min() + along.max()), 0.5 * (low + high)]
    across = [float(p @ n) for p, axis in ends if abs(float(axis @ n)) < 1e-3]
    if across:
        offsets = [across[0], float(np.mean(across)), *offsets]
    for k, offset in enumerate(offsets):
        if low + _FLUSH_MM < offset < high - _FLUSH_MM and not any(
            abs(offset - o) < _FLUSH_MM for o in offsets[:k]
        ):
            yield BoxWay(n, offset, words, plain, False)


def _without_twins(ways: Sequence[BoxWay]) -> list[BoxWay]:
    kept: list[BoxWay] = []
    for way in ways:
        twin = any(
            way.one_piece == k.one_piece
            and abs(way.offset_mm - k.offset_mm) < _FLUSH_MM
            and float(way.pull @ k.pull) > 1.0 - _SAME
            for k in kept
        )
        if not twin:
            kept.append(way)
    return kept


def _priced(way: BoxWay, core: Mesh, metal: npt.NDArray[np.bool_], draft_deg: float) -> BoxWay:
    """A rough price by facets: walls that lean too little, and what stands over undercuts."""
    sides = 0.5 * (core.triangles + core.triangles[:, [1, 2, 0]])  # exact for linear functions
    height = sides @ way.pull - way.offset_mm
    ahead = np.where(height >= 0.0, 1.0, -1.0)
    lean = (core.normals @ way.pull)[:, None] * ahead
    height = np.abs(height)
    reach = np.where(
        ahead > 0.0,
        np.max(height[ahead > 0.0], initial=0.0),
        np.max(height[ahead < 0.0], initial=0.0),
    )
    area = np.where(metal, core.areas, 0.0)
    walls = height * np.clip(math.tan(math.radians(draft_deg)) - lean, 0.0, 0.1)
    over = np.where(lean < -_OVERHANG, -lean, 0.0) * (reach - height)
    mean = np.where(height < _FLUSH_MM, 0.0, walls + over).mean(axis=1)
    total = float((area * mean).sum()) / max(float(area.sum()), 1e-9)
    return BoxWay(
        way.pull, way.offset_mm, way.words, way.plain, way.one_piece, total + PLAIN_MM * way.plain
    )


def _inside(points: FloatArray, free: Solid | None) -> npt.NDArray[np.bool_]:
    """Which points lie within the convex hulls of the free regions; for rough prices alone."""
    inside = np.zeros(len(points), dtype=bool)
    if free is None or free.is_empty:
        return inside
    for body in free.bodies():
        hull = body.hull().to_mesh()
        normals, first = np.unique(np.round(hull.normals, 6), axis=0, return_index=True)
        limit = np.einsum("ij,ij->i", normals, hull.triangles[first, 0])
        inside |= (points @ normals.T <= limit + 1e-3).all(axis=1)
    return inside
