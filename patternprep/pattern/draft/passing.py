"""Where walls of the part pass through the parting: pieces of the halves' rims on z = 0."""

from __future__ import annotations

import numpy as np
import shapely

from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import FloatArray, IntArray
from patternprep.pattern.draft.outline import Segments, base_rings

__all__ = ["SAME_WALL_MM", "SHARES", "common_pieces", "passing", "rim_of"]

SAME_WALL_MM = 0.02
"""Rims nearer than this are of one wall."""
SHARES = np.array([0.02, 0.26, 0.5, 0.74, 0.98])
"""Where pieces and sources are asked, as shares of their length."""
_INSIDE_MM = 2.0 * SAME_WALL_MM
_SHORT_MM = 0.5
_CUTS = 4
_MOST_PIECES = 4000


def rim_of(half: Solid) -> Segments:
    """The rim of a half's own section on z = 0; metal on the left."""
    rings = base_rings(half)
    ends = [np.stack([r, np.roll(r, -1, axis=0)], axis=1) for r in rings]
    return Segments(np.concatenate(ends) if ends else np.empty((0, 2, 2)))


def common_pieces(rim: Segments, other: Segments) -> FloatArray:
    """The parts of the rim that lie on the other rim, (k, 2, 2)."""
    shares = np.linspace(0.0, 1.0, 3)
    a, run = rim.ends[:, 0], rim.ends[:, 1] - rim.ends[:, 0]
    probes = a[:, None] + shares[None, :, None] * run[:, None]
    on = (other.distance(probes.reshape(-1, 2)) <= SAME_WALL_MM).reshape(-1, len(shares))
    whole = rim.ends[on.all(axis=1)]
    partly = np.flatnonzero(~on.all(axis=1) & (np.hypot(run[:, 0], run[:, 1]) > 1.0))
    if not len(partly):
        return whole
    band = shapely.union_all(
        shapely.buffer(shapely.linestrings(other.ends), SAME_WALL_MM, cap_style="square")
    )
    cut = shapely.intersection(shapely.linestrings(rim.ends[partly]), band)
    lines = shapely.get_parts(cut)
    lines = lines[(shapely.get_type_id(lines) == 1) & (shapely.length(lines) > 0.1)]
    if not len(lines):
        return whole
    ends = np.array([shapely.get_coordinates(line)[[0, -1]] for line in lines])
    return np.concatenate([whole, ends])


def passing(
    pieces: FloatArray,
    hulls: list[Segments],
    filled: list[Segments],
    far: float,
    overhang: float,
) -> tuple[FloatArray, float]:
    """(the pieces of a rim (k, 2, 2) whose wall passes the parting, the hulls' most beyond them).

    Long pieces are cut up, and so are those of which undercuts are filled beside a part.
    """
    off = _beyond(pieces, hulls, 1e-6, 2.0 * far)
    pieces = pieces[(off <= far).any(axis=1)]
    length = np.hypot(*(pieces[:, 1] - pieces[:, 0]).T)
    most = max(far, float(length.sum()) / _MOST_PIECES)
    pieces = _cut_up(pieces, np.maximum(np.ceil(length / most), 1).astype(np.int64))
    for turn in range(_CUTS + 1):
        over = _beyond(pieces, filled, _INSIDE_MM, 2.0 * overhang)
        bare = over <= overhang + _INSIDE_MM
        mixed = bare.any(axis=1) & ~bare.all(axis=1)
        mixed &= np.hypot(*(pieces[:, 1] - pieces[:, 0]).T) > _SHORT_MM
        if turn == _CUTS or not mixed.any():
            break
        pieces = _cut_up(pieces, np.where(mixed, 4, 1))
    pieces = pieces[bare.any(axis=1)]
    off = _beyond(pieces, hulls, 1e-6, 2.0 * far)
    return pieces, float(off[off <= far].max(initial=0.0))


def _beyond(pieces: FloatArray, rims: list[Segments], inward: float, most: float) -> FloatArray:
    """How far out the further of two rims lies from a little inward of pieces, at their shares."""
    run = pieces[:, 1] - pieces[:, 0]
    length = np.maximum(np.hypot(run[:, 0], run[:, 1]), 1e-12)
    # metal lies on the left of a rim
    out = np.column_stack([run[:, 1], -run[:, 0]]) / length[:, None]
    start = pieces[:, :1] + SHARES[:, None] * run[:, None] - inward * out[:, None]
    along = np.repeat(out, len(SHARES), axis=0)
    ways = [rim.reach(start.reshape(-1, 2), along, most) for rim in rims]
    return np.maximum(*ways).reshape(-1, len(SHARES))


def _cut_up(pieces: FloatArray, number: IntArray) -> FloatArray:
    """Each piece cut into so many of equal length, that share their ends to the last digit."""
    owner = np.repeat(np.arange(len(pieces)), number)
    step = np.arange(len(owner)) - np.repeat(np.cumsum(number) - number, number)
    share = (np.stack([step, step + 1], axis=1) / number[owner, None])[..., None]
    return np.asarray(pieces[owner, None, 0] * (1.0 - share) + pieces[owner, None, 1] * share)
