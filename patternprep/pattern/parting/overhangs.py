"""The surface that overhangs: facets that face a flat parting from the wrong side, in patches."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from patternprep.mesh.mesh import FloatArray, IntArray
from patternprep.pattern.parting.columns import VERTICAL
from patternprep.pattern.parting.line import Line
from patternprep.pattern.parting.survey import along

__all__ = ["LEAST_DEPTH_MM", "LEAST_DEPTH_SHARE", "leaning_back"]

LEAST_DEPTH_MM = 0.02
"""Surface that leans back over the parting by less than this depth is upright, mm."""
LEAST_DEPTH_SHARE = 2e-4
"""... and so is what is shallower than this share of the part's diagonal."""
_SMALL_DEPTH_SHARE = 1e-3
"""On a very small part LEAST_DEPTH_MM gives way to this share of its diagonal."""
STRONG = 0.2
"""Sine of the lean from which surface on the wrong side is never taken for an upright wall."""


def leaning_back(line: Line, offset: float) -> IntArray:
    """Patch of every facet (m,) that faces the parting from the wrong side over a real depth.

    What leans back strongly does; what leans back weakly does where it goes on from there, or
    where its patch is deep enough. Facets that share a vertex make one patch; others have -1.
    """
    survey, z = line.survey, line.z
    shadow = 0.5 * along(line.direction, survey.cross)
    a, b, c = (z[k] for k in survey.corners)
    close = 1e-7 * survey.size
    over = np.maximum(np.maximum(a, b), c) > offset + close
    under = np.minimum(np.minimum(a, b), c) < offset - close
    sine = np.abs(shadow) / np.maximum(survey.areas, 1e-300)
    wrong = (((shadow < 0.0) & over) | ((shadow > 0.0) & under)) & (sine > VERTICAL)
    patch = np.full(len(shadow), -1, dtype=np.int64)
    taken = 0
    for sense in (-1.0, 1.0):
        own = wrong & (shadow * sense > 0.0)
        strong = own & (sine > STRONG)
        weak = np.flatnonzero(own & ~strong)
        if len(weak):
            strong[weak[_deep(line, offset, weak, sense, strong)]] = True
        real = np.flatnonzero(strong)
        if len(real):
            patch[real] = _vertex_patches(survey.mesh.faces[real])[0] + taken
            taken = int(patch[real].max()) + 1
    return patch


def _vertex_patches(corners: IntArray) -> tuple[IntArray, IntArray, Any, IntArray]:
    """(patch of each triangle, patch of each vertex, edge counts, vertices) by shared vertices."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    used = np.zeros(int(corners.max()) + 1, dtype=bool)
    used[corners] = True
    local = (np.cumsum(used) - 1)[corners]
    edges = np.sort(np.concatenate([local[:, [0, 1]], local[:, [1, 2]], local[:, [2, 0]]]), axis=1)
    vertices = np.flatnonzero(used)
    shape = (len(vertices), len(vertices))
    ones = np.ones(len(edges), dtype=np.int32)
    graph = coo_matrix((ones, (edges[:, 0], edges[:, 1])), shape=shape).tocsr()
    label = connected_components(graph, directed=False)[1].astype(np.int64)
    return label[local[:, 0]], label, graph.tocoo(), vertices


def _deep(
    line: Line, offset: float, weak: IntArray, sense: float, strong: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    """Which weakly leaning facets lie in a patch that is deep, or that touches a strong one."""
    survey = line.survey
    corners = survey.mesh.faces[weak]
    patch, label, edges, vertices = _vertex_patches(corners)
    count = int(label.max()) + 1
    # a patch's depth: its plan area over half the plan length of its border
    once = edges.data == 1
    i, j = edges.row[once], edges.col[once]
    spot = np.array([along(axis, survey.xyz[:, vertices]) for axis in line.columns.frame[:2]])
    length = np.hypot(*(spot[:, i] - spot[:, j]))
    border = np.bincount(label[i], weights=length, minlength=count)
    beyond = _share_above(np.sort(line.z[corners], axis=1), offset)
    beyond = beyond if sense < 0.0 else 1.0 - beyond
    shadow = np.abs(0.5 * along(line.direction, survey.cross[:, weak])) * beyond
    covered = np.bincount(patch, weights=shadow, minlength=count)
    least = max(
        min(LEAST_DEPTH_MM, _SMALL_DEPTH_SHARE * survey.size), LEAST_DEPTH_SHARE * survey.size
    )
    deep = covered > least * 0.5 * border
    marked = np.zeros(len(line.z), dtype=bool)
    for corner in survey.corners:
        marked[corner[strong]] = True
    deep[label[marked[vertices]]] = True
    chosen: npt.NDArray[np.bool_] = deep[patch]
    return chosen


def _share_above(z: FloatArray, offset: float) -> FloatArray:
    """Share of each triangle's area above the plane; z (k, 3) sorted heights."""
    low, mid, high = z.T
    span = np.maximum(high - low, 1e-300)
    with np.errstate(divide="ignore", invalid="ignore"):
        tip = np.clip(high - offset, 0.0, None) ** 2 / (span * (high - mid))
        foot = 1.0 - np.clip(offset - low, 0.0, None) ** 2 / (span * (mid - low))
    share = np.where(offset >= mid, tip, foot)
    share = np.where(offset >= high, 0.0, np.where(offset <= low, 1.0, share))
    bounded: FloatArray = np.clip(np.nan_to_num(share, nan=0.5), 0.0, 1.0)
    return bounded
