"""Walls that touch along an edge or at a vertex: which facets belong together, and parting them.

Where four or more facets meet along an edge, each wedge of material between two of them is one
body's edge. Facets are paired round the edge so that every pair encloses material.
"""

from __future__ import annotations

import numpy as np

from patternprep.mesh.mesh import FloatArray, IntArray
from patternprep.mesh.topology import EdgeTable, components, edge_table, twins

__all__ = ["pair_all", "split_fans"]

_ONE_ANGLE = 0.03
"""Facets within this angle (radians) of each other are taken as walls lying on each other."""


def pair_all(vertices: FloatArray, faces: IntArray, table: EdgeTable | None = None) -> IntArray:
    """Twin of each half-edge (3m,), also on balanced edges of four and more facets.

    There each facet is paired with the one across the wedge of material beside it. Half-edges
    on open or unbalanced edges get -1.
    """
    table = edge_table(faces) if table is None else table
    twin = twins(table)
    for at in np.flatnonzero(table.balanced & (table.count > 2)):
        half = table.half[table.start[at] : table.start[at] + table.count[at]]
        up = int(table.count[at] - table.descending[at])
        for a, b in _pair_round_edge(vertices, faces, half, up):
            twin[a], twin[b] = b, a
    return twin


def _pair_round_edge(
    vertices: FloatArray, faces: IntArray, half: IntArray, up: int
) -> list[tuple[int, int]]:
    """Pairs of half-edges round one edge; the first ``up`` of ``half`` run low to high vertex.

    Seen with the edge pointing at the viewer, material lies anticlockwise of a facet whose
    half-edge runs down and clockwise of one that runs up; so a run-down facet is paired with
    the next run-up facet anticlockwise, like brackets.
    """
    facet, corner = np.divmod(half, 3)
    low = faces[facet[0], corner[0]]
    high = faces[facet[0], (corner[0] + 1) % 3]
    axis = vertices[high] - vertices[low]
    apex = vertices[faces[facet, (corner + 2) % 3]] - vertices[low]
    x = np.cross(axis, np.eye(3)[np.argmin(np.abs(axis))])
    y = np.cross(axis, x)
    angle = np.arctan2(apex @ y / np.linalg.norm(y), apex @ x / np.linalg.norm(x))
    runs_up = np.arange(len(half)) < up
    order = np.lexsort((half, ~runs_up, _angle_classes(angle)))
    step = np.where(runs_up[order], -1, 1)
    order = np.roll(order, -int(np.argmin(np.cumsum(step)) + 1))
    pairs: list[tuple[int, int]] = []
    waiting: list[int] = []
    for at in order:
        if runs_up[at]:
            pairs.append((int(half[waiting.pop()]), int(half[at])))
        else:
            waiting.append(at)
    return pairs


def _angle_classes(angle: FloatArray) -> IntArray:
    """Number the angles round an edge, equal ones alike, starting after the widest gap.

    At one angle run-up facets come first, so that walls lying on each other never enclose a
    wedge of material between them.
    """
    order = np.argsort(angle, kind="stable")
    gap = np.diff(np.append(angle[order], angle[order[0]] + 2.0 * np.pi))
    order = np.roll(order, -int(np.argmax(gap)) - 1)
    gap = np.roll(gap, -int(np.argmax(gap)) - 1)
    classes = np.empty(len(angle), np.int64)
    classes[order] = np.concatenate([[0], np.cumsum(gap[:-1] > _ONE_ANGLE)])
    return classes


def split_fans(
    faces: IntArray, vertices: int, twin: IntArray, chosen: IntArray
) -> tuple[IntArray, IntArray]:
    """Give every fan of facets at the ``chosen`` vertices a vertex of its own.

    A fan is the facets round a vertex that are joined across paired half-edges. Returns the
    facets renumbered and ``parent`` (n,), the old vertex of each new one; the first fan keeps
    the old number, further fans are appended.
    """
    wanted = np.zeros(vertices, bool)
    wanted[chosen] = True
    corner_vertex = faces.reshape(-1)
    corners = np.flatnonzero(wanted[corner_vertex])
    slot = np.full(len(corner_vertex), -1, np.int64)
    slot[corners] = np.arange(len(corners))
    half = np.flatnonzero(twin >= 0)
    half = half[half < twin[half]]
    other = twin[half]
    head, other_head = _next_corner(half), _next_corner(other)
    a = np.concatenate([slot[half], slot[head]])
    b = np.concatenate([slot[other_head], slot[other]])
    linked = (a >= 0) & (b >= 0)
    number, fan = components(len(corners), a[linked], b[linked])
    owner = np.empty(number, np.int64)
    owner[fan] = corner_vertex[corners]
    order = np.argsort(owner, kind="stable")
    further = np.zeros(number, bool)
    further[order[1:]] = owner[order[1:]] == owner[order[:-1]]
    name = owner.copy()
    name[further] = vertices + np.arange(np.count_nonzero(further))
    split = corner_vertex.copy()
    split[corners] = name[fan]
    return split.reshape(-1, 3), np.concatenate([np.arange(vertices), owner[further]])


def _next_corner(half: IntArray) -> IntArray:
    return half - half % 3 + (half % 3 + 1) % 3
