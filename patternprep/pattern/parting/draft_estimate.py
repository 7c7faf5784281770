"""How much metal draft would add, estimated without making it.

A wall strip that stands h above the ground before it (the parting, or a ledge) and leans less
than the draft angle t gains the integral of height times (tan t - tan lean) over its area: for an
upright wall h squared times tan t / 2 a mm of its length. Corners' own wedges are left out.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.parting.columns import Columns
from patternprep.pattern.parting.line import Line
from patternprep.pattern.parting.rooms import Filling

__all__ = ["draft_estimate", "filled_draft"]


def draft_estimate(
    line: Line, offsets: FloatArray, angle_deg: float
) -> tuple[FloatArray, FloatArray]:
    """Metal added by draft and by making the halves meet, each (len(offsets),) mm3."""
    columns, tan = line.columns, float(np.tan(np.radians(angle_deg)))
    steep = np.flatnonzero(np.abs(line.tilt[2]) < np.sin(np.radians(angle_deg)))
    if len(steep) == 0:
        return np.zeros(len(offsets)), np.zeros(len(offsets))
    spot, tilt = line.spot[:, steep], line.tilt[:, steep]
    cosine = np.sqrt(tilt[0] ** 2 + tilt[1] ** 2)
    lean, across = tilt[2] / cosine, tilt[:2] / cosine
    c = offsets[:, None]
    above = spot[2] > c
    top, bottom = np.full(len(steep), np.inf), np.full(len(steep), -np.inf)
    # just before the wall, and where a leaning wall's own foot is passed
    for ahead in (columns.cell, columns.cell + np.ptp(spot[2]) * np.abs(lean)):
        u, v = spot[0] + ahead * across[0], spot[1] + ahead * across[1]
        outside = columns.cells_at(u, v)
        top = np.minimum(top, np.where(outside < 0, -np.inf, columns.top[outside]))
        bottom = np.maximum(bottom, np.where(outside < 0, np.inf, columns.bottom[outside]))
    # a wall with metal before it at its own height or beyond is inside what is filled anyway
    reach = np.where(above, spot[2] - np.maximum(top, c), np.minimum(bottom, c) - spot[2])
    missing = np.clip(tan - np.where(above, lean, -lean), 0.0, tan)
    draft = (np.maximum(reach, 0.0) * missing).sum(axis=1) * line.sample.weight
    matching = _matching(columns, spot, np.isneginf(top), offsets, missing, above)
    return draft, matching * line.sample.weight


def _matching(
    columns: Columns,
    spot: FloatArray,
    free: npt.NDArray[np.bool_],
    offsets: FloatArray,
    missing: FloatArray,
    above: npt.NDArray[np.bool_],
) -> FloatArray:
    """Sum over wall points of the wedge that widens the shorter half to meet the taller one."""
    cells = columns.cells_at(spot[0], spot[1])
    coarse = (cells // columns.width) // 2 * columns.width + (cells % columns.width) // 2
    _, place = np.unique(np.where(cells < 0, -1, coarse), return_inverse=True)
    place = place.ravel()
    total = np.zeros(len(offsets))
    count = int(place.max()) + 1
    for k, offset in enumerate(offsets):
        rise = np.full(count, 0.0)
        fall = np.full(count, 0.0)
        up = above[k] & free & (missing[k] > 0.0)
        down = ~above[k] & free & (missing[k] > 0.0)
        np.maximum.at(rise, place[up], (spot[2, up] - offset) * missing[k][up])
        np.maximum.at(fall, place[down], (offset - spot[2, down]) * missing[k][down])
        step = rise - fall
        both = (rise > 0.0) & (fall > 0.0)
        widen = np.where(both, np.abs(step), 0.0)[place] * 0.5
        total[k] = widen[(up & (step[place] < 0.0)) | (down & (step[place] > 0.0))].sum()
    return total


def filled_draft(filling: Filling, angle_deg: float) -> float:
    """Draft on the upright walls that the filled rooms show to the outside, mm3.

    The rooms' outline length comes from crossings in four directions (Cauchy-Crofton).
    """
    columns, rooms, offset = filling.columns, filling.rooms, filling.offset
    shape = (columns.rows, columns.width)
    row, place = rooms.column // columns.width + 1, rooms.column % columns.width + 1
    total = 0.0
    for ground, low, high in (
        (columns.top - offset, rooms.low - offset, rooms.high - offset),
        (offset - columns.bottom, offset - rooms.high, offset - rooms.low),
    ):
        level = np.pad(np.maximum(ground, 0.0).reshape(shape), 1)
        over = np.flatnonzero(high > 0.0)
        foot, head = np.maximum(low[over], 0.0), high[over]
        for di, dj in ((0, 1), (1, 0), (1, 1), (1, -1), (0, -1), (-1, 0), (-1, -1), (-1, 1)):
            beside = level[row[over] + di, place[over] + dj]
            wedge = np.maximum(head - beside, 0.0) ** 2 - np.maximum(foot - beside, 0.0) ** 2
            total += float(wedge.sum()) / float(np.hypot(di, dj))
    return total * (np.pi / 8.0) * columns.cell * 0.5 * float(np.tan(np.radians(angle_deg)))
