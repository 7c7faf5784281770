"""The half with its undercuts filled, made from its own facets without a single union.

Facets that look up and are not covered are kept, and with them the upright ones between; from the
rim of what is kept a wall drops to z = 0, closed by a flat base. That is the filled half wherever
the kept facets do not overlap in plan and cover the whole shadow, which is checked by areas.
"""

from __future__ import annotations

import numpy as np

from patternprep.mesh.kernel import Solid, plan_area, triangulate_rings
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.pattern.draft.sources import LOW_MM
from patternprep.pattern.draft.topology import BoolArray, HalfEdges, following, joined_groups
from patternprep.pattern.draft.undercut import LEVEL, rim_rings, undercut_facets

__all__ = ["filled_by_facets"]

_MOST_PATCHES = 400
_SAMPLES = 5
_AREA_SHARE = 1e-7


def filled_by_facets(mesh: HalfEdges) -> Solid | None:
    """The filled half, or None where the facets do not tell it plainly."""
    up = mesh.normals[:, 2] > LEVEL
    visible = _visible(mesh, up)
    if visible is None:
        return None
    base = (mesh.points[mesh.faces, 2] <= LOW_MM).all(axis=1)
    upright = ~up & ~undercut_facets(mesh) & ~base
    keep = visible | _hung(mesh, visible, upright)
    rings = _plan(mesh, keep)
    twice = _plan_cross(mesh, np.flatnonzero(keep))
    area = 0.5 * float(twice.sum())
    slack = _AREA_SHARE * max(area, 1.0)
    if abs(plan_area([mesh.points[mesh.origin[r], :2] for r in rings]) - area) > slack:
        return None
    shadow = plan_area([mesh.points[mesh.origin[r], :2] for r in _plan(mesh, up)])
    if abs(shadow - area) > slack:
        return None
    return _closed(mesh, keep, rings)


def _plan_cross(mesh: HalfEdges, facets: IntArray) -> FloatArray:
    a, b, c = (mesh.points[mesh.faces[facets, i], :2] for i in range(3))
    return (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])


def _plan(mesh: HalfEdges, keep: BoolArray) -> list[IntArray]:
    half = np.repeat(keep, 3)
    rim = np.flatnonzero(half & ~half[mesh.twin])
    return rim_rings(mesh, rim, np.where(keep, 0, -1))


def _visible(mesh: HalfEdges, up: BoolArray) -> BoolArray | None:
    """Upward facets of connected patches that lie under no other; None for too many patches."""
    facets = np.flatnonzero(up)
    place = np.full(len(mesh.faces), -1, dtype=np.int64)
    place[facets] = np.arange(len(facets))
    half = (3 * facets[:, None] + np.arange(3)).reshape(-1)
    other = place[mesh.twin[half] // 3]
    patches, patch = joined_groups(len(facets), place[half[other >= 0] // 3], other[other >= 0])
    if patches > _MOST_PATCHES:
        return None
    # the largest facets of each patch are asked whether something lies over their middles
    size = _plan_cross(mesh, facets)
    order = np.lexsort((-size, patch))
    start = np.searchsorted(patch[order], np.arange(patches))
    rank = np.arange(len(order)) - start[patch[order]]
    asked = order[rank < _SAMPLES]
    corners = mesh.points[mesh.faces[facets]]
    centre = corners[asked].mean(axis=1)
    under = np.array([_covered(corners, p) for p in centre], dtype=float)
    votes = np.bincount(patch[asked], weights=under, minlength=patches)
    covered = votes > 0.5 * np.bincount(patch[asked], minlength=patches)
    visible = np.zeros(len(mesh.faces), dtype=bool)
    visible[facets] = ~covered[patch]
    return visible


def _covered(corners: FloatArray, point: FloatArray) -> bool:
    """Whether any of the facets (k, 3, 3) lies above the point."""
    x, y, z = point
    near = (
        (corners[:, :, 0].min(axis=1) <= x)
        & (corners[:, :, 0].max(axis=1) >= x)
        & (corners[:, :, 1].min(axis=1) <= y)
        & (corners[:, :, 1].max(axis=1) >= y)
        & (corners[:, :, 2].max(axis=1) > z + LOW_MM)
    )
    a, b, c = corners[near].transpose(1, 0, 2)

    def weight(p: FloatArray, q: FloatArray) -> FloatArray:
        return (q[:, 0] - p[:, 0]) * (y - p[:, 1]) - (q[:, 1] - p[:, 1]) * (x - p[:, 0])

    wc, wa, wb = weight(a, b), weight(b, c), weight(c, a)
    inside = (wa >= 0.0) & (wb >= 0.0) & (wc >= 0.0) & (wa + wb + wc > 0.0)
    total = np.where(inside, wa + wb + wc, 1.0)
    height = (wa * a[:, 2] + wb * b[:, 2] + wc * c[:, 2]) / total
    return bool((inside & (height > z + 1e-5)).any())


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
    count, label = joined_groups(
        3 * len(facets),
        np.concatenate([corner(one), corner(following(one))]),
        np.concatenate([corner(following(other)), corner(other)]),
    )
    top = np.empty((count, 3))
    top[label] = mesh.points[mesh.origin[half]]
    top[top[:, 2] <= LOW_MM, 2] = 0.0
    rim = np.concatenate(rings)
    o, e = label[corner(rim)], label[corner(following(rim))]
    # a rim vertex on z = 0 is its own foot
    foot = np.arange(count)
    high = np.unique(o[top[o, 2] > 0.0])
    foot[high] = count + np.arange(len(high))
    bottom = top[high] * [1.0, 1.0, 0.0]
    walls = np.concatenate(
        [np.column_stack([e, o, foot[o]]), np.column_stack([e, foot[o], foot[e]])]
    )
    distinct = (
        (walls[:, 0] != walls[:, 1]) & (walls[:, 1] != walls[:, 2]) & (walls[:, 0] != walls[:, 2])
    )
    points = np.concatenate([top, bottom])
    at = foot[np.concatenate([label[corner(r)] for r in rings])]
    cap = at[triangulate_rings([points[foot[label[corner(r)]], :2] for r in rings])]
    faces = np.concatenate([label.reshape(-1, 3), walls[distinct], cap[:, ::-1]])
    return Solid.from_mesh(Mesh(points, faces), "filling undercuts")
