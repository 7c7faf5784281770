"""The rooms that a pattern must fill so that it draws: found in the columns, and named."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from patternprep.mesh.mesh import FloatArray, IntArray
from patternprep.mesh.topology import components
from patternprep.pattern.parting.candidate import Undercut, UndercutKind, Vec3
from patternprep.pattern.parting.columns import VERTICAL, Columns, expand
from patternprep.pattern.parting.line import Line
from patternprep.pattern.parting.overhangs import leaning_back

__all__ = [
    "LEAST_VOLUME_SHARE",
    "Filling",
    "advice_for",
    "fill_volumes",
    "find_rooms",
]

LEAST_VOLUME_SHARE = 2e-5
"""An undercut smaller than this share of the part's volume is not reported."""
_MOST_NAMED = 24
_MOUTH_CELLS = 16
_PIECE_COLUMNS = 20
"""A group of fewer columns than that may be a piece of a narrow room."""
_THIN = 1.4
"""... and so may one whose columns have fewer neighbours than that (2 within a wide room)."""


@dataclass(frozen=True)
class _Rooms:
    """Empty runs to be filled: column, low and high mm, patch over it, open on the parting."""

    column: IntArray
    low: FloatArray
    high: FloatArray
    patch: IntArray
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


@dataclass(frozen=True)
class Filling:
    """What a plane makes the halves fill: the runs, the room of each, the rooms' volumes mm3.

    ``order`` numbers the rooms worth reporting by falling volume; none for a clean draw.
    """

    columns: Columns
    offset: float
    rooms: _Rooms
    label: IntArray
    volume: FloatArray
    order: IntArray

    @property
    def volumes(self) -> tuple[float, ...]:
        """Volumes of the rooms, falling, mm3."""
        return tuple(float(v) for v in self.volume[self.order])

    def names(self) -> tuple[Undercut, ...]:
        """The rooms named with their places; of very many the largest _MOST_NAMED only."""
        rooms, columns = self.rooms, self.columns
        weight = (rooms.high - rooms.low) * columns.cell**2
        middle = np.column_stack([columns.plan_of(rooms.column), 0.5 * (rooms.low + rooms.high)])
        named: list[Undercut] = []
        wanted = self.order[:_MOST_NAMED]
        if len(wanted) == 0:
            return ()
        kinds = _kinds(columns, self.offset, rooms, self.label, wanted)
        for k, kind in zip(wanted, kinds, strict=True):
            own = self.label == k
            moment = (middle[own] * weight[own, None]).sum(axis=0)
            x, y, z = self._in_room(own, moment / self.volume[k], middle) @ columns.frame
            where: Vec3 = (float(x), float(y), float(z))
            advice = advice_for(kind, bool(rooms.open[own].any()))
            named.append(Undercut(kind, where, float(self.volume[k]), advice))
        return tuple(named)

    def _in_room(
        self, own: npt.NDArray[np.bool_], centre: FloatArray, middle: FloatArray
    ) -> FloatArray:
        """The centre (3,) of a room, or the point of it nearest to that: a ring's is in the air."""
        low, high = self.rooms.low[own], self.rooms.high[own]
        aside = np.hypot(*(middle[own, :2] - centre[:2]).T)
        along = np.maximum(np.maximum(low - centre[2], centre[2] - high), 0.0)
        if ((aside <= self.columns.cell) & (along <= self.columns.cell)).any():
            return centre
        # the roomiest of the runs about as near as the nearest
        away = np.hypot(aside, along)
        reach = float(away.min())
        deeper = np.where(away <= 1.5 * reach, high - low, -np.inf)
        return np.asarray(middle[own][int(np.argmax(deeper))])


def find_rooms(line: Line, offset: float) -> Filling:
    """The rooms that must be filled for a plane at that height along the line's axis.

    Left out: surface that leans back by less than LEAST_DEPTH_MM or LEAST_DEPTH_SHARE of the
    diagonal (noise of upright walls, facets at an outline), and rooms of less than
    LEAST_VOLUME_SHARE of the part.
    """
    survey, columns = line.survey, line.columns
    rooms = _empty_runs(columns, offset, None)
    if len(rooms.column):
        rooms = _empty_runs(columns, offset, leaning_back(line, offset))
    if len(rooms.column) == 0:
        none = np.zeros(0, dtype=np.int64)
        return Filling(columns, offset, rooms, none, np.zeros(0), none)
    count, label = _connect(columns, rooms)
    weight = (rooms.high - rooms.low) * columns.cell**2
    volume = np.asarray(np.bincount(label, weights=weight, minlength=count), dtype=np.float64)
    order = np.argsort(-volume, kind="stable")
    order = order[volume[order] >= LEAST_VOLUME_SHARE * survey.volume]
    return Filling(columns, offset, rooms, label, volume, order)


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


def _empty_runs(columns: Columns, offset: float, patch: IntArray | None) -> _Rooms:
    """Empty runs that the halves must fill.

    Each ends at a facet of an overhanging ``patch``; without that: at any facet not upright.
    """
    if patch is None:
        low_patch = np.where(columns.low_sine > VERTICAL, 0, -1)
        high_patch = np.where(columns.high_sine > VERTICAL, 0, -1)
    else:
        low_patch, high_patch = patch[columns.low_facet], patch[columns.high_facet]
    eps = 1e-6 * columns.cell
    gaps = columns.gaps
    low, high = columns.high[gaps], columns.low[gaps + 1]
    over, under = low_patch[gaps + 1], high_patch[gaps]
    over = np.where(high > offset + eps, over, -1)
    under = np.where(low < offset - eps, under, -1)
    ceiling = np.where(over >= 0, over, under)
    hang = columns.first[columns.low[columns.first] > offset + eps]
    sink = columns.last[columns.high[columns.last] < offset - eps]
    column = np.concatenate([columns.column[gaps], columns.column[hang], columns.column[sink]])
    low = np.concatenate([low, np.full(len(hang), offset), columns.high[sink]])
    high = np.concatenate([high, columns.low[hang], np.full(len(sink), offset)])
    ceiling = np.concatenate([ceiling, low_patch[hang], high_patch[sink]])
    order = np.lexsort((low, column))
    order = order[ceiling[order] >= 0]
    column, low, high = column[order], low[order], high[order]
    touches = (low <= offset + eps) & (high >= offset - eps)
    return _Rooms(column, low, high, ceiling[order], touches)


def _connect(columns: Columns, rooms: _Rooms) -> tuple[int, IntArray]:
    """Number of separate rooms and the room of each run.

    Runs belong together that overlap in height beside each other.
    """
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
    count, label = components(size, i, j)
    # a room narrower than a cell comes in pieces: they go to the largest piece under their patch
    columns_of = np.bincount(label, minlength=count)
    joints = np.bincount(label[np.concatenate(one[:2])], minlength=count)  # to the side and ahead
    pieces = ((columns_of < _PIECE_COLUMNS) | (joints < _THIN * columns_of))[label]
    weight = np.bincount(label, weights=rooms.high - rooms.low, minlength=count)[label]
    order = np.lexsort((weight, rooms.patch))
    ends = np.flatnonzero(np.diff(rooms.patch[order], append=-2))
    largest = np.zeros(int(rooms.patch.max()) + 1, dtype=np.int64)
    largest[rooms.patch[order[ends]]] = order[ends]
    loose = np.flatnonzero(pieces)
    i, j = np.concatenate([i, loose]), np.concatenate([j, largest[rooms.patch[loose]]])
    return components(size, i, j)


def _kinds(
    columns: Columns, offset: float, rooms: _Rooms, label: IntArray, wanted: IntArray
) -> list[UndercutKind]:
    """Hollow where most of a room's mouth on the parting has metal on two opposite sides."""
    eps = 1e-3 * columns.cell
    shape = (columns.rows, columns.width)
    metal = np.zeros((3, columns.rows * columns.width), dtype=bool)  # just above, below, either
    for k, side in enumerate((offset + eps, offset - eps)):
        metal[k, columns.column[(columns.low < side) & (columns.high > side)]] = True
    metal[2] = metal[0] | metal[1]
    grids = np.pad(metal.reshape(3, *shape), ((0, 0), (1, 1), (1, 1)))
    cells: list[IntArray] = []
    layer: list[int] = []
    for k in wanted:
        mouth = np.flatnonzero((label == k) & rooms.open)
        cells.append(rooms.column[mouth[:: max(1, len(mouth) // _MOUTH_CELLS)]])
        # look at the metal on the side of the plane that the room lies on
        above = bool((rooms.high[mouth] > offset + eps).any())
        below = bool((rooms.low[mouth] < offset - eps).any())
        layer.append(2 if above and below else int(below))
    counts = [len(c) for c in cells]
    spots = np.concatenate(cells)
    which = np.repeat(np.array(layer), counts)[:, None]
    i, j = (spots // columns.width + 1)[:, None], (spots % columns.width + 1)[:, None]
    reach = np.arange(1.0, max(shape), 2.0)
    between = np.zeros(len(spots), dtype=bool)
    for angle in np.arange(8) * (np.pi / 8.0):
        di = np.rint(np.sin(angle) * reach).astype(np.int64)
        dj = np.rint(np.cos(angle) * reach).astype(np.int64)
        hit = np.ones(len(spots), dtype=bool)
        for way in (1, -1):
            row = np.clip(i + way * di, 0, columns.rows + 1)
            place = np.clip(j + way * dj, 0, columns.width + 1)
            hit &= grids[which, row, place].any(axis=1)
        between |= hit
    owner = np.repeat(np.arange(len(wanted)), counts)
    share = np.bincount(owner, weights=between, minlength=len(wanted)) / np.maximum(counts, 1)
    return ["hollow" if s > 0.5 else "undercut" for s in share]
