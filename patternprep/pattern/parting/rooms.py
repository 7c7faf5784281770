"""The rooms that a pattern must fill so that it draws: found in the columns, and named."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from patternprep.mesh.mesh import FloatArray, IntArray
from patternprep.pattern.parting.candidate import Undercut, UndercutKind, Vec3
from patternprep.pattern.parting.columns import VERTICAL, Columns, expand
from patternprep.pattern.parting.line import Line
from patternprep.pattern.parting.survey import along

__all__ = [
    "LEAST_DEPTH_MM",
    "LEAST_DEPTH_SHARE",
    "LEAST_VOLUME_SHARE",
    "advice_for",
    "fill_volumes",
    "find_rooms",
]

LEAST_VOLUME_SHARE = 2e-5
"""An undercut smaller than this share of the part's volume is not reported."""
LEAST_DEPTH_MM = 0.02
"""Surface that leans back over the parting by less than this depth is upright, mm."""
LEAST_DEPTH_SHARE = 2e-4
"""... and so is what is shallower than this share of the part's diagonal."""
_SMALL_DEPTH_SHARE = 1e-3
"""On a very small part LEAST_DEPTH_MM gives way to this share of its diagonal."""
_STRONG = 0.2
"""Sine of the lean from which surface on the wrong side is never taken for an upright wall."""
_MOST_NAMED = 24


@dataclass(frozen=True)
class _Rooms:
    """Empty runs to be filled: column, low and high mm, open on the parting."""

    column: IntArray
    low: FloatArray
    high: FloatArray
    open: npt.NDArray[np.bool_]


def fill_volumes(columns: Columns, offsets: FloatArray) -> FloatArray:
    """Volume that must be filled for each height of the plane, (len(offsets),) mm3.

    A column that reaches through the plane fills its gaps, wherever the plane lies; one that
    does not also fills what lies between it and the plane.
    """
    gaps = columns.gaps
    inside = float((columns.low[gaps + 1] - columns.high[gaps]).sum())
    hang = columns.low_sine[columns.first] > VERTICAL
    sink = columns.high_sine[columns.last] > VERTICAL
    low = columns.low[columns.first][hang]
    high = columns.high[columns.last][sink]
    fill = [
        float(np.maximum(low - c, 0.0).sum() + np.maximum(c - high, 0.0).sum()) for c in offsets
    ]
    return (inside + np.array(fill)) * columns.cell**2


def find_rooms(line: Line, offset: float) -> tuple[float, tuple[Undercut, ...]]:
    """Total volume to fill, mm3, and the rooms by falling volume; (0, ()) for a clean draw.

    Left out: surface that leans back by less than LEAST_DEPTH_MM or LEAST_DEPTH_SHARE of the
    diagonal (noise of upright walls, facets at an outline), and rooms of less than
    LEAST_VOLUME_SHARE of the part.
    """
    survey, columns = line.survey, line.columns
    rooms = _empty_runs(columns, offset, None)
    if len(rooms.column):
        rooms = _empty_runs(columns, offset, _leaning_back(line, offset))
    if len(rooms.column) == 0:
        return 0.0, ()
    count, label = _connect(columns, rooms)
    run_volume = (rooms.high - rooms.low) * columns.cell**2
    volume = np.bincount(label, weights=run_volume, minlength=count)
    large = volume >= LEAST_VOLUME_SHARE * survey.volume
    middle = np.column_stack([columns.plan_of(rooms.column), 0.5 * (rooms.low + rooms.high)])
    place = np.column_stack(
        [np.bincount(label, weights=run_volume * m, minlength=count) for m in middle.T]
    )
    order = [k for k in np.argsort(-volume, kind="stable") if large[k]]
    named: list[Undercut] = []
    for k in order[:_MOST_NAMED]:
        own = label == k
        kind = _kind(columns, offset, rooms, own)
        x, y, z = (place[k] / volume[k]) @ columns.frame
        where: Vec3 = (float(x), float(y), float(z))
        touches = bool(rooms.open[own].any())
        named.append(Undercut(kind, where, float(volume[k]), advice_for(kind, touches)))
    return float(volume[large].sum()), tuple(named)


def advice_for(kind: UndercutKind, touches_parting: bool) -> str:
    """What to do about a room that the pattern fills."""
    if kind == "hollow":
        return (
            "hollow open on the parting: set a core in it, held by prints on the parting, "
            "or choose a pull or plane from which it opens away from the parting"
        )
    if touches_parting:
        return (
            "overhang down to the parting: choose another pull or plane, "
            "make the overhanging piece loose, or form it with a core"
        )
    return (
        "undercut in the side: set a core through it, choose a pull along it, "
        "make the piece beside it loose, or machine it from the solid"
    )


def _leaning_back(line: Line, offset: float) -> npt.NDArray[np.bool_]:
    """Facets (m,) that face the parting from the wrong side over a real depth.

    What leans back strongly does; what leans back weakly does where it goes on from there, or
    where its patch is deep enough.
    """
    survey, z = line.survey, line.z
    shadow = 0.5 * along(line.direction, survey.cross)
    a, b, c = (z[k] for k in survey.corners)
    close = 1e-7 * survey.size
    over = np.maximum(np.maximum(a, b), c) > offset + close
    under = np.minimum(np.minimum(a, b), c) < offset - close
    sine = np.abs(shadow) / np.maximum(survey.areas, 1e-300)
    wrong = (((shadow < 0.0) & over) | ((shadow > 0.0) & under)) & (sine > VERTICAL)
    real = wrong & (sine > _STRONG)
    for sense in (-1.0, 1.0):
        weak = np.flatnonzero(wrong & ~real & (shadow * sense > 0.0))
        if len(weak):
            strong = np.zeros(len(z), dtype=bool)
            for corner in survey.corners:
                strong[corner[real & (shadow * sense > 0.0)]] = True
            real[weak[_deep_patches(line, offset, weak, sense, strong)]] = True
    return real


def _deep_patches(
    line: Line, offset: float, weak: IntArray, sense: float, strong: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    """Which weakly leaning facets lie in a patch that is deep, or touches a strong vertex."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    survey = line.survey
    corners = survey.mesh.faces[weak]
    used = np.zeros(len(line.z), dtype=bool)
    used[corners] = True
    vertices = np.flatnonzero(used)
    place = np.cumsum(used) - 1
    local = place[corners]
    edges = np.sort(np.concatenate([local[:, [0, 1]], local[:, [1, 2]], local[:, [2, 0]]]), axis=1)
    size = len(vertices)
    graph = coo_matrix(
        (np.ones(len(edges), dtype=np.int32), (edges[:, 0], edges[:, 1])), shape=(size, size)
    ).tocsr()
    count, label = connected_components(graph, directed=False)
    # a patch's depth: its plan area over half the plan length of its border
    once = graph.tocoo()
    i, j = once.row[once.data == 1], once.col[once.data == 1]
    spot = np.array([along(axis, survey.xyz[:, vertices]) for axis in line.columns.frame[:2]])
    length = np.hypot(*(spot[:, i] - spot[:, j]))
    border = np.bincount(label[i], weights=length, minlength=count)
    beyond = _share_above(np.sort(line.z[corners], axis=1), offset)
    beyond = beyond if sense < 0.0 else 1.0 - beyond
    shadow = np.abs(0.5 * along(line.direction, survey.cross[:, weak])) * beyond
    patch = label[local[:, 0]]
    covered = np.bincount(patch, weights=shadow, minlength=count)
    least = max(
        min(LEAST_DEPTH_MM, _SMALL_DEPTH_SHARE * survey.size), LEAST_DEPTH_SHARE * survey.size
    )
    deep = covered > least * 0.5 * border
    deep[label[strong[vertices]]] = True
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


def _empty_runs(columns: Columns, offset: float, real: npt.NDArray[np.bool_] | None) -> _Rooms:
    """Empty runs that the halves must fill.

    Each has a really overhanging facet (``real``) at its end; without that: any not upright.
    """
    if real is None:
        low_real, high_real = columns.low_sine > VERTICAL, columns.high_sine > VERTICAL
    else:
        low_real, high_real = real[columns.low_facet], real[columns.high_facet]
    eps = 1e-6 * columns.cell
    gaps = columns.gaps
    low, high = columns.high[gaps], columns.low[gaps + 1]
    keep = np.where(low >= offset - eps, low_real[gaps + 1], high_real[gaps])
    crossed = (low < offset - eps) & (high > offset + eps)
    keep = np.where(crossed, low_real[gaps + 1] | high_real[gaps], keep)
    gaps, low, high = gaps[keep], low[keep], high[keep]
    hang = columns.first[columns.low[columns.first] > offset + eps]
    hang = hang[low_real[hang]]
    sink = columns.last[columns.high[columns.last] < offset - eps]
    sink = sink[high_real[sink]]
    column = np.concatenate([columns.column[gaps], columns.column[hang], columns.column[sink]])
    low = np.concatenate([low, np.full(len(hang), offset), columns.high[sink]])
    high = np.concatenate([high, columns.low[hang], np.full(len(sink), offset)])
    order = np.lexsort((low, column))
    column, low, high = column[order], low[order], high[order]
    return _Rooms(column, low, high, (low <= offset + eps) & (high >= offset - eps))


def _connect(columns: Columns, rooms: _Rooms) -> tuple[int, IntArray]:
    """Number of separate rooms and the room of each run: neighbours that overlap in height."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    cells = columns.rows * columns.width
    start = np.searchsorted(rooms.column, np.arange(cells + 1))
    one: list[IntArray] = []
    two: list[IntArray] = []
    for step in (1, columns.width, columns.width + 1, columns.width - 1):
        beside = np.minimum(rooms.column + step, cells - 1)
        mine, other = expand(start[beside], start[beside + 1] - start[beside])
        meet = np.minimum(rooms.high[mine], rooms.high[other]) > np.maximum(
            rooms.low[mine], rooms.low[other]
        )
        one.append(mine[meet])
        two.append(other[meet])
    i, j = np.concatenate(one), np.concatenate(two)
    size = len(rooms.column)
    graph = coo_matrix((np.ones(len(i), dtype=np.int8), (i, j)), shape=(size, size))
    count, label = connected_components(graph, directed=False)
    return int(count), label.astype(np.int64)


def _kind(
    columns: Columns, offset: float, rooms: _Rooms, own: npt.NDArray[np.bool_]
) -> UndercutKind:
    """Hollow when most of the room's mouth on the parting has metal on two opposite sides."""
    mouth = rooms.column[own & rooms.open]
    if len(mouth) == 0:
        return "undercut"
    mouth = mouth[:: max(1, len(mouth) // 24)]
    eps = 1e-3 * columns.cell
    metal = np.zeros(columns.rows * columns.width, dtype=bool)
    # on the side of the plane that the room lies on
    for side in (offset + eps, offset - eps):
        own_side = own & (rooms.low < side) & (rooms.high > side)
        if own_side.any():
            metal[columns.column[(columns.low < side) & (columns.high > side)]] = True
    grid = np.pad(metal.reshape(columns.rows, columns.width), 1)
    i, j = (mouth // columns.width + 1)[:, None], (mouth % columns.width + 1)[:, None]
    reach = np.arange(1.0, max(columns.rows, columns.width), 2.0)
    between = np.zeros(len(mouth), dtype=bool)
    for angle in np.arange(8) * (np.pi / 8.0):
        di = np.rint(np.sin(angle) * reach).astype(np.int64)
        dj = np.rint(np.cos(angle) * reach).astype(np.int64)
        hit = np.ones(len(mouth), dtype=bool)
        for way in (1, -1):
            row = np.clip(i + way * di, 0, columns.rows + 1)
            hit &= grid[row, np.clip(j + way * dj, 0, columns.width + 1)].any(axis=1)
        between |= hit
    return "hollow" if between.mean() > 0.5 else "undercut"
