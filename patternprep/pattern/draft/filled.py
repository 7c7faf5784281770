"""The half with its undercuts filled, made as far as can be from its own facets.

Facets that look up and are not covered are kept, and with them the upright ones between; from the
rim of what is kept a wall drops to z = 0, closed by a flat base. Where facets are partly covered,
prisms under them are united with that. Areas in plan tell whether nothing overlaps and nothing of
the shadow is left out; where they do not agree, the half is united with prisms under all facets
that look up over an undercut.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patternprep.errors import GeometryFault
from patternprep.mesh.kernel import Solid, plan_area, triangulate_rings, union_all
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.mesh.topology import components
from patternprep.pattern.draft.bodies import pack
from patternprep.pattern.draft.cover import beside, covered_facets
from patternprep.pattern.draft.sources import LOW_MM
from patternprep.pattern.draft.spare import spared
from patternprep.pattern.draft.topology import BoolArray, HalfEdges, following, half_edges
from patternprep.pattern.draft.undercut import (
    LEVEL,
    over_undercuts,
    rim_rings,
    undercut_facets,
    undercut_prisms,
)

__all__ = ["Filled", "fill_undercuts"]

_AREA_SHARE = 1e-7
_TRIES = 3
_SMALL_SHARE = 0.2
_OVER_MM = 1e-7
_VOLUME_SHARE = 1e-9
_PLAINER_MM = 1e-5
_CRUMB_MM3 = 1e-9


@dataclass(frozen=True, eq=False)
class Filled:
    """A half with its undercuts filled, and the facets whose draft is to be made."""

    solid: Solid
    mesh: HalfEdges
    hidden: BoolArray
    """Facets of ``mesh`` that lie wholly under other material, (m,): they ask for no draft."""


def fill_undercuts(half: Solid, mesh: HalfEdges) -> Filled:
    """The half with all that is undercut filled down to z = 0."""
    nothing = np.zeros(len(mesh.faces), dtype=bool)
    down = undercut_facets(mesh)
    if not down.any():
        return Filled(half, mesh, nothing)
    up = mesh.normals[:, 2] > LEVEL
    maybe = np.flatnonzero(up)
    maybe = maybe[over_undercuts(mesh, maybe, np.flatnonzero(down))]
    some, every = covered_facets(mesh, maybe, np.flatnonzero(down))
    hidden = every & _small(mesh) & ~beside(mesh, up & ~every)
    doubtful = some
    for _ in range(_TRIES):
        doubtful = beside(mesh, doubtful) & up
        solid = _by_facets(mesh, up, up & ~doubtful, doubtful & ~hidden)
        if solid is not None:
            if (doubtful & ~hidden).any():
                return Filled(solid, mesh, hidden)
            return Filled(solid, half_edges(solid.to_mesh()), np.zeros(solid.facets, dtype=bool))
    prisms = undercut_prisms(mesh, maybe[~hidden[maybe]])
    if prisms is None:
        return Filled(half, mesh, nothing)
    return Filled(_plainer(union_all([half, *pack(prisms)])), mesh, hidden)


def _plainer(solid: Solid) -> Solid:
    """Without inner voids, and without facets that say nothing."""
    bodies = [b for b in spared(solid, _PLAINER_MM).bodies() if b.volume > _CRUMB_MM3]
    return bodies[0] if len(bodies) == 1 else union_all(bodies)


def _small(mesh: HalfEdges) -> BoolArray:
    """Facets so small in plan that a few of their points speak for them."""
    plan = mesh.points[mesh.faces, :2]
    size = float(np.ptp(mesh.points[:, :2], axis=0).max())
    return np.asarray(np.ptp(plan, axis=1).max(axis=1) < _SMALL_SHARE * size)


def _by_facets(
    mesh: HalfEdges, up: BoolArray, plain: BoolArray, doubtful: BoolArray
) -> Solid | None:
    """The filled half from its plainly visible facets, and prisms under the doubtful ones.

    None where the plain facets overlap in plan or both together leave a part of the shadow out.
    """
    if not plain.any():
        return None
    base = (mesh.points[mesh.faces, 2] <= LOW_MM).all(axis=1)
    upright = ~up & ~undercut_facets(mesh) & ~base
    keep = plain | _hung(mesh, plain, upright)
    rings = _plan(mesh, keep)
    outline = [mesh.points[mesh.origin[r], :2] for r in rings]
    area = 0.5 * float(_plan_cross(mesh, np.flatnonzero(keep)).sum())
    slack = _AREA_SHARE * max(area, 1.0)
    if abs(plan_area(outline) - area) > slack:
        return None
    lapping = doubtful
    if doubtful.any():
        lapping = beside(mesh, doubtful) & (plain | doubtful)
        outline = outline + _area_rings(mesh, lapping)
        area = plan_area(outline)
    # upright facets may cover a little more than those that look up
    slack += 0.5 * float(np.abs(_plan_cross(mesh, np.flatnonzero(upright))).sum())
    if abs(plan_area(_area_rings(mesh, up)) - area) > slack:
        return None
    try:
        solid = _closed(mesh, keep, rings)
        prisms = undercut_prisms(mesh, np.flatnonzero(lapping))
        return union_all([solid, *pack(prisms)]) if prisms else solid
    except GeometryFault:
        return None


def _area_rings(mesh: HalfEdges, facets: BoolArray) -> list[FloatArray]:
    return [mesh.points[mesh.origin[r], :2] for r in _plan(mesh, facets)]


def _plan_cross(mesh: HalfEdges, facets: IntArray) -> FloatArray:
    a, b, c = (mesh.points[mesh.faces[facets, i], :2] for i in range(3))
    return (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])


def _plan(mesh: HalfEdges, keep: BoolArray) -> list[IntArray]:
    half = np.repeat(keep, 3)
    rim = np.flatnonzero(half & ~half[mesh.twin])
    return rim_rings(mesh, rim, np.where(keep, 0, -1))


def _hung(mesh: HalfEdges, visible: BoolArray, upright: BoolArray) -> BoolArray:
    """Upright facets that hang from visible ones: none of their upper edges is bare."""
    keep = upright.copy()
    facets = np.flatnonzero(upright)
    half = (3 * facets[:, None] + np.arange(3)).reshape(-1)
    step = mesh.points[mesh.target(half)] - mesh.points[mesh.origin[half]]
    normal = mesh.normals[half // 3]
    rightward = step[:, 1] * normal[:, 0] - step[:, 0] * normal[:, 1]
    upper = half[rightward < -1e-9]
    while True:
        whole = visible | keep
        bare = upper[keep[upper // 3] & ~whole[mesh.twin[upper] // 3]]
        if not len(bare):
            return keep
        keep[bare // 3] = False


def _closed(mesh: HalfEdges, keep: BoolArray, rings: list[IntArray]) -> Solid:
    """Kept facets, the wall that drops from their rim, and the base."""
    facets = np.flatnonzero(keep)
    place = np.full(len(mesh.faces), -1, dtype=np.int64)
    place[facets] = np.arange(len(facets))

    def corner(half_edge: IntArray) -> IntArray:
        return 3 * place[half_edge // 3] + half_edge % 3

    half = (3 * facets[:, None] + np.arange(3)).reshape(-1)
    across = mesh.twin[half]
    inner = keep[across // 3]
    one, other = half[inner], across[inner]
    count, label = components(
        3 * len(facets),
        np.concatenate([corner(one), corner(following(one))]),
        np.concatenate([corner(following(other)), corner(other)]),
    )
    top = np.empty((count, 3))
    top[label] = mesh.points[mesh.origin[half]]
    top[top[:, 2] <= LOW_MM, 2] = 0.0
    walls, feet, columns = _walls(top, [label[corner(r)] for r in rings])
    points = np.concatenate([top, feet])
    cap = np.concatenate(columns)[triangulate_rings([points[c, :2] for c in columns])]
    faces = np.concatenate([label.reshape(-1, 3), walls, cap[:, ::-1]])
    whole = Mesh(points, faces)
    solid = Solid.from_mesh(whole, "filling undercuts")
    if abs(solid.volume - whole.volume) > _VOLUME_SHARE * abs(whole.volume):
        raise GeometryFault("The filled half does not hold together.")
    return solid


def _walls(top: FloatArray, rings: list[IntArray]) -> tuple[IntArray, FloatArray, list[IntArray]]:
    """(triangles of the walls under the rings, new feet on z = 0, foot of each column in rings).

    Vertices of a ring that stand over each other make a column with one foot; a wall is a panel
    between two columns, with the column's vertices on the side where they lie within its edge.
    """
    z = top[:, 2].tolist()
    triangles: list[tuple[int, int, int]] = []
    feet: list[FloatArray] = []
    columns = []
    for ring in rings:
        plan = top[ring, :2]
        step = np.abs(np.roll(plan, -1, axis=0) - plan).max(axis=1)
        ends = np.flatnonzero(step > _OVER_MM)
        if len(ends) < 3:
            raise GeometryFault("A rim of the filled half has no area.")
        turned = np.roll(ring, -(int(ends[0]) + 1))
        parts = np.split(turned, (ends[1:] - ends[0]).tolist())
        stacks = [part.tolist() for part in parts]
        foot = []
        for stack in stacks:
            low = min(stack, key=z.__getitem__)
            if z[low] > 0.0:
                feet.append(top[low] * [1.0, 1.0, 0.0])
                low = len(top) + len(feet) - 1
            foot.append(low)
        columns.append(np.array(foot, dtype=np.int64))
        for i, here in enumerate(stacks):
            j = (i + 1) % len(stacks)
            triangles += _panel(_rising(here, z), foot[i], _rising(stacks[j][::-1], z), foot[j])
    found = np.array(triangles, dtype=np.int64)
    a, b, c = found.T
    found = found[(a != b) & (b != c) & (c != a)]
    return found, np.array(feet).reshape(-1, 3), columns


def _rising(stack: list[int], z: list[float]) -> list[int]:
    """The last vertex of a column, and those before it where the column rises to it."""
    heights = [z[v] for v in stack]
    if heights == sorted(heights):
        return stack[::-1]
    if heights != sorted(heights, reverse=True):
        raise GeometryFault("A rim of the filled half goes up and down on the spot.")
    return stack[-1:]


def _panel(
    left: list[int], left_foot: int, right: list[int], right_foot: int
) -> list[tuple[int, int, int]]:
    """Triangles between two upright edges, each given from its top down without its foot."""
    over = right[0]
    triangles = [(over, p, q) for p, q in zip(left, [*left[1:], left_foot], strict=True)]
    triangles += [(left_foot, q, p) for p, q in zip(right, [*right[1:], right_foot], strict=True)]
    return triangles
