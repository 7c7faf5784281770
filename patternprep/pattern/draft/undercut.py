"""Filling what the sand could not leave: upright prisms under what covers an undercut."""

from __future__ import annotations

import numpy as np

from patternprep.mesh.kernel import plan_area
from patternprep.mesh.mesh import FloatArray, IntArray
from patternprep.mesh.topology import components
from patternprep.pattern.draft.bodies import Bodies, joined
from patternprep.pattern.draft.sources import LOW_MM
from patternprep.pattern.draft.topology import BoolArray, HalfEdges, following

__all__ = ["LEVEL", "over_undercuts", "rim_rings", "undercut_facets", "undercut_prisms"]

LEVEL = 1e-4
"""Sine under which a facet counts as upright, neither covering nor overhanging."""
_CELLS = 512
_AREA_SHARE = 1e-6


def undercut_facets(mesh: HalfEdges) -> BoolArray:
    """Facets above the parting that look down."""
    high = mesh.points[mesh.faces, 2].max(axis=1) > LOW_MM
    return high & (mesh.normals[:, 2] < -LEVEL)


def undercut_prisms(mesh: HalfEdges, facets: IntArray) -> Bodies | None:
    """Prisms from z = 0 up to facets that look up; None for no facets.

    They may reach through the solid, so too many of them do no harm.
    """
    return _prisms_of(mesh, facets, 0) if len(facets) else None


def over_undercuts(mesh: HalfEdges, up: IntArray, down: IntArray) -> BoolArray:
    """Which facets of ``up`` share a cell of a raster in plan, or a next one, with ``down``."""
    low = mesh.points[:, :2].min(axis=0)
    size = float((mesh.points[:, :2].max(axis=0) - low).max()) / _CELLS

    def cells(facets: IntArray) -> tuple[IntArray, IntArray]:
        plan = (mesh.points[mesh.faces[facets], :2] - low) / size
        return (
            np.floor(plan.min(axis=1)).astype(np.int64) + 1,
            np.floor(plan.max(axis=1)).astype(np.int64) + 1,
        )

    a, b = cells(down)
    grid = np.zeros((_CELLS + 4, _CELLS + 4), dtype=np.int64)
    a, b = a - 1, b + 2
    for x, y, sign in ((a, a, 1), (b, b, 1), (a, b, -1), (b, a, -1)):
        np.add.at(grid, (x[:, 0], y[:, 1]), sign)
    marked = grid.cumsum(axis=0).cumsum(axis=1) > 0
    total = np.zeros((_CELLS + 5, _CELLS + 5), dtype=np.int64)
    total[1:, 1:] = marked.cumsum(axis=0).cumsum(axis=1)
    a, b = cells(up)
    b = b + 1
    inside = (
        total[b[:, 0], b[:, 1]]
        - total[a[:, 0], b[:, 1]]
        - total[b[:, 0], a[:, 1]]
        + total[a[:, 0], a[:, 1]]
    )
    lowest = mesh.points[mesh.faces[down], 2].min()
    return (inside > 0) & (mesh.points[mesh.faces[up], 2].max(axis=1) > lowest)


def _prisms_of(mesh: HalfEdges, facets: IntArray, attempt: int) -> Bodies:
    """Prisms of the connected patches of facets; a patch that overlaps itself is split up."""
    if attempt == 0:
        kind = np.zeros(len(facets), dtype=np.int64)
    elif attempt <= 2:
        normal = mesh.normals[facets]
        sectors = 4 if attempt == 1 else 16
        turn = np.arctan2(normal[:, 1], normal[:, 0]) / (2.0 * np.pi)
        kind = np.floor((turn * sectors + 0.5) % sectors).astype(np.int64)
    else:
        kind = np.arange(len(facets))
    of_facet = np.full(len(mesh.faces), -1, dtype=np.int64)
    of_facet[facets] = kind
    half = (3 * facets[:, None] + np.arange(3)).reshape(-1)
    across = mesh.twin[half]
    same = of_facet[across // 3] == of_facet[half // 3]
    place = np.full(len(mesh.faces), -1, dtype=np.int64)
    place[facets] = np.arange(len(facets))
    patches, patch = components(len(facets), place[half[same] // 3], place[across[same] // 3])
    rim = half[~same]
    folded = _folded_patches(mesh, facets, patch, patches, rim, place, of_facet)
    parts = []
    sound = ~folded[patch]
    if sound.any():
        number = np.cumsum(~folded) - 1
        parts.append(
            _build(mesh, facets[sound], number[patch[sound]], int((~folded).sum()), of_facet)
        )
    if folded.any():
        parts.append(_prisms_of(mesh, facets[~sound], attempt + 1))
    return joined(parts)


def _folded_patches(
    mesh: HalfEdges,
    facets: IntArray,
    patch: IntArray,
    patches: int,
    rim: IntArray,
    place: IntArray,
    of_facet: IntArray,
) -> BoolArray:
    """Patches whose plan covers less than the sum of their facets' plans."""
    a, b, c = (mesh.points[mesh.faces[facets, i], :2] for i in range(3))
    twice = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    total = np.bincount(patch, weights=0.5 * twice, minlength=patches)
    many = np.bincount(patch, minlength=patches) > 1
    folded = np.zeros(patches, dtype=bool)
    if not many.any():
        return folded
    rings: dict[int, list[FloatArray]] = {}
    for ring in rim_rings(mesh, rim, of_facet):
        owner = int(patch[place[ring[0] // 3]])
        if many[owner]:
            rings.setdefault(owner, []).append(mesh.points[mesh.origin[ring], :2])
    for owner, plan in rings.items():
        covered = plan_area(plan)
        folded[owner] = abs(covered - total[owner]) > _AREA_SHARE * max(total[owner], 1e-3)
    return folded


def rim_rings(mesh: HalfEdges, rim: IntArray, of_facet: IntArray) -> list[IntArray]:
    """Rim half-edges in order, ring by ring."""
    here = following(rim)
    active = np.arange(len(rim))
    while len(active):
        across = mesh.twin[here[active]]
        active = active[of_facet[across // 3] == of_facet[here[active] // 3]]
        here[active] = following(mesh.twin[here[active]])
    number = np.full(3 * len(mesh.faces), -1, dtype=np.int64)
    number[rim] = np.arange(len(rim))
    steps = number[here].tolist()
    seen = bytearray(len(rim))
    rings = []
    for first in range(len(steps)):
        if not seen[first]:
            ring, i = [], first
            while not seen[i]:
                seen[i] = 1
                ring.append(i)
                i = steps[i]
            rings.append(rim[np.array(ring)])
    return rings


def _build(
    mesh: HalfEdges, facets: IntArray, body: IntArray, bodies: int, of_facet: IntArray
) -> Bodies:
    """Closed prisms; where a patch touches itself at a vertex the vertex is doubled."""
    place = np.full(len(mesh.faces), -1, dtype=np.int64)
    place[facets] = np.arange(len(facets))
    half = (3 * facets[:, None] + np.arange(3)).reshape(-1)
    across = mesh.twin[half]
    same = (of_facet[across // 3] == of_facet[half // 3]) & (place[across // 3] >= 0)

    def corner(half_edge: IntArray) -> IntArray:
        return 3 * place[half_edge // 3] + half_edge % 3

    one, other = half[same], across[same]
    points, label = components(
        3 * len(facets),
        np.concatenate([corner(one), corner(following(one))]),
        np.concatenate([corner(following(other)), corner(other)]),
    )
    top = np.empty((points, 3))
    top[label] = mesh.points[mesh.origin[half]]
    top[top[:, 2] <= LOW_MM, 2] = 0.0
    bottom = top.copy()
    bottom[:, 2] = 0.0
    lid = label.reshape(-1, 3)
    rim = np.flatnonzero(~same)
    o, e = label[rim], label[following(rim)]
    faces = np.concatenate(
        [
            lid,
            lid[:, ::-1] + points,
            np.column_stack([e, o, o + points]),
            np.column_stack([e, o + points, e + points]),
        ]
    )
    owner = np.concatenate([body, body, body[rim // 3], body[rim // 3]])
    return Bodies(np.concatenate([top, bottom]), faces, owner, bodies)
