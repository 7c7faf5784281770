"""How much metal draft would add, estimated without making it.

A wall strip that stands h above the ground before it (the parting, or a ledge) and leans less
than the draft angle t gains the integral of height times (tan t - tan lean) over its area: for an
upright wall h squared times tan t / 2 a mm of its length. Corners' own wedges are left out.
"""

from __future__ import annotations

import numpy as np

from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.parting.columns import Columns
from patternprep.pattern.parting.survey import SurfaceSample

__all__ = ["draft_estimate", "overhang_draft"]


def draft_estimate(
    columns: Columns, sample: SurfaceSample, offsets: FloatArray, angle_deg: float
) -> tuple[FloatArray, FloatArray]:
    """Metal added by draft and by making the halves meet, each (len(offsets),) mm3."""
    frame, tan = columns.frame, float(np.tan(np.radians(angle_deg)))
    facing = sample.normals @ frame[2]
    steep = np.flatnonzero(np.abs(facing) < np.sin(np.radians(angle_deg)))
    if len(steep) == 0:
        return np.zeros(len(offsets)), np.zeros(len(offsets))
    spot = sample.points[steep] @ frame.T
    facing = facing[steep]
    lean = facing / np.sqrt(1.0 - facing**2)
    across = sample.normals[steep] @ frame[:2].T
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    z = spot[:, 2][None, :]
    c = offsets[:, None]
    above = z > c
    outside = columns.cells_at(spot[:, :2] + columns.cell * across)
    top = np.where(outside < 0, -np.inf, columns.top[outside])[None, :]
    bottom = np.where(outside < 0, np.inf, columns.bottom[outside])[None, :]
    # a wall with metal before it at its own height or beyond is inside what is filled anyway
    reach = np.where(above, z - np.maximum(top, c), np.minimum(bottom, c) - z)
    missing = np.clip(tan - np.where(above, lean, -lean), 0.0, tan)
    draft = (np.maximum(reach, 0.0) * missing).sum(axis=1) * sample.weight
    matching = _matching(columns, spot, np.isneginf(top[0]), offsets, missing, above)
    return draft, matching * sample.weight


def _matching(
    columns: Columns,
    spot: FloatArray,
    free: FloatArray,
    offsets: FloatArray,
    missing: FloatArray,
    above: FloatArray,
) -> FloatArray:
    """Sum over wall points of the wedge that widens the shorter half to meet the taller one."""
    cells = columns.cells_at(spot[:, :2])
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
        np.maximum.at(rise, place[up], (spot[up, 2] - offset) * missing[k][up])
        np.maximum.at(fall, place[down], (offset - spot[down, 2]) * missing[k][down])
        step = rise - fall
        both = (rise > 0.0) & (fall > 0.0)
        widen = np.where(both, np.abs(step), 0.0)[place] * 0.5
        total[k] = widen[(up & (step[place] < 0.0)) | (down & (step[place] > 0.0))].sum()
    return total


def overhang_draft(columns: Columns, offset: float, angle_deg: float) -> float:
    """Draft on the upright walls that filling overhangs down to the parting makes, mm3.

    The rim's length comes from crossings in four directions (Cauchy-Crofton).
    """
    shape = (columns.rows, columns.width)
    tan = float(np.tan(np.radians(angle_deg)))
    total = 0.0
    for low, high, sense in (
        (columns.bottom, columns.top, 1.0),
        (-columns.top, -columns.bottom, -1.0),
    ):
        c = sense * offset
        hang = np.where(np.isfinite(low) & (low > c), low - c, 0.0).reshape(shape)
        if not hang.any():
            continue
        ground = np.maximum(np.where(np.isfinite(high), high - c, 0.0), 0.0).reshape(shape)
        for shift, weight in (
            ((0, 1), 1.0),
            ((1, 0), 1.0),
            ((1, 1), 0.5**0.5),
            ((1, -1), 0.5**0.5),
        ):
            for way in (1, -1):
                step = (shift[0] * way, shift[1] * way)
                beside = _shifted(ground, step)
                drop = np.maximum(hang - beside, 0.0)
                total += weight * float((drop * drop).sum())
    return total * (np.pi / 8.0) * columns.cell * 0.5 * tan


def _shifted(field: FloatArray, step: tuple[int, int]) -> FloatArray:
    """The field seen from each cell one step on; 0 beyond the edge."""
    beside = np.zeros_like(field)
    rows, width = field.shape
    di, dj = step
    beside[max(0, -di) : rows - max(0, di), max(0, -dj) : width - max(0, dj)] = field[
        max(0, di) : rows - max(0, -di), max(0, dj) : width - max(0, -dj)
    ]
    return beside
