"""The pieces of a core box: blocks around the cavity, with pegs, peg holes, vents, opening.

Everything in the box frame: parting z = 0, the opening (where the box is rammed through the end of
a print) looks along +x. mm throughout.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from patternprep.errors import GeometryFault
from patternprep.mesh.kernel import Solid, union_all
from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.cores.box_spare import plainer

__all__ = ["BoxVent", "Dowel", "Outside", "lay_dowels", "lay_outside", "make_block"]

_LIP_MM = 3.0
"""Least material around a peg hole."""
_FLOOR_MM = 2.0
"""Least material under a peg hole."""
_DEEPER_MM = 0.5
"""How much deeper a hole is than its peg stands out."""
_SEGMENTS = 48
_SPOTS = 21
"""Places tried for each peg along its rim."""
_THROUGH_MM = 1.0


@dataclass(frozen=True, eq=False)
class Dowel:
    """A peg and its hole, on the parting of a box."""

    place: FloatArray
    """Its centre on the parting, box frame, (3,) mm."""
    place_in_mould: FloatArray
    """The same in the mould frame."""
    diameter_mm: float
    out_mm: float
    """How far the peg stands out."""
    hole_mm: float
    """Diameter of the hole."""
    hole_depth_mm: float
    peg_on: str
    """The piece that carries the peg; empty where a loose peg goes into holes in both."""


@dataclass(frozen=True, eq=False)
class BoxVent:
    """A straight round hole through the wall of a box, for a vent wire."""

    place: FloatArray
    """Where it leaves the cavity, mould frame, (3,) mm."""
    direction: FloatArray
    """Unit vector out of the box, mould frame, (3,)."""
    diameter_mm: float
    length_mm: float


@dataclass(frozen=True, eq=False)
class Outside:
    """Outer faces of the box, box frame; ``low`` z is 0 or less, ``high`` z more than 0."""

    low: FloatArray
    high: FloatArray


def lay_outside(
    made: Solid,
    wall_mm: float,
    dowels_mm: Sequence[float],
    peg_depth_mm: float,
    *,
    flush: bool,
    two: bool,
) -> Outside:
    """The block around a core in the box frame; ``flush``: it ends where the core does at +x."""
    low, high = made.bounds[0] - wall_mm, made.bounds[1] + wall_mm
    if flush:
        high[0] = made.bounds[1, 0]
    if two:
        rim = max([wall_mm, *(d + 2.0 * _LIP_MM for d in dowels_mm)])
        low[0] = min(low[0], high[0] - rim)
        low[1], high[1] = made.bounds[0, 1] - rim, made.bounds[1, 1] + rim
        least = peg_depth_mm + _DEEPER_MM + _FLOOR_MM if dowels_mm else 0.0
        low[2], high[2] = min(low[2], -least), max(high[2], least)
    else:
        low[2] = 0.0
    return Outside(low, high)


def lay_dowels(
    outside: Outside,
    made: Solid,
    to_mould: FloatArray,
    dowels_mm: Sequence[float],
    out_mm: float,
    gap_mm: float,
    *,
    loose: bool,
    clear_of: Sequence[tuple[FloatArray, FloatArray, float]] = (),
) -> tuple[Dowel, ...]:
    """Two pegs in the rims beside the cavity, near opposite corners, the first one the larger.

    They differ in diameter and in their distance from the ends, so that the halves go together one
    way only. ``clear_of``: (point, direction, radius) of straight channels to keep away from.
    """
    if len(dowels_mm) != 2 or abs(dowels_mm[0] - dowels_mm[1]) <= gap_mm:
        raise GeometryFault(
            f"A core box needs two pegs whose diameters differ by more than the gap of their holes "
            f"({gap_mm:g} mm), not {', '.join(f'{d:g}' for d in dowels_mm)} mm; give unequal ones."
        )
    first, second = (float(d) for d in dowels_mm)
    inner = made.bounds
    near, far = 0.5 * first + _LIP_MM, 0.5 * second + _LIP_MM
    low, high = float(outside.low[0]) + near, float(outside.high[0]) - far
    aside = min(0.1 * (high - low), first)
    ways = (
        (first, np.linspace(low, high, _SPOTS), 0.5 * (outside.low[1] + inner[0, 1])),
        (second, np.linspace(high - aside, low, _SPOTS), 0.5 * (outside.high[1] + inner[1, 1])),
    )
    found = []
    for diameter, along, y in ways:
        spots = np.column_stack([along, np.full(len(along), y), np.zeros(len(along))])
        room = _room(spots, 0.5 * (diameter + gap_mm), clear_of)
        free = np.flatnonzero(room >= _LIP_MM)
        place = spots[free[0] if len(free) else int(np.argmax(room))]
        found.append(
            Dowel(
                place=place,
                place_in_mould=to_mould[:3, :3] @ place + to_mould[:3, 3],
                diameter_mm=diameter,
                out_mm=out_mm,
                hole_mm=diameter + gap_mm,
                hole_depth_mm=out_mm + _DEEPER_MM,
                peg_on="" if loose else "b",
            )
        )
    return tuple(found)


def _room(
    spots: FloatArray, radius: float, channels: Sequence[tuple[FloatArray, FloatArray, float]]
) -> FloatArray:
    """Material between a hole at each spot (n, 3) and the nearest channel, (n,) mm."""
    room = np.full(len(spots), np.inf)
    for point, direction, channel in channels:
        off = spots - point
        along = np.maximum(off @ direction, 0.0)
        gap = np.linalg.norm(off - along[:, None] * direction, axis=1)
        room = np.minimum(room, gap - radius - channel)
    return room


def make_block(
    outside: Outside,
    cavity: Solid,
    *,
    upper: bool,
    dowels: Sequence[Dowel],
    channels: Sequence[Solid],
) -> Solid:
    """The piece of the box over (or under) the parting, less its half of the cavity."""
    low, high = outside.low.copy(), outside.high.copy()
    low[2], high[2] = (0.0, high[2]) if upper else (low[2], 0.0)
    block = Solid.box(low.tolist(), high.tolist())
    holes, pegs = [cavity, *channels], []
    for one in dowels:
        x, y = float(one.place[0]), float(one.place[1])
        if one.peg_on and not upper:
            pegs.append(_peg(one).translate((x, y, 0.0)))
        else:
            depth = one.hole_depth_mm
            hole = Solid.cylinder(depth + _THROUGH_MM, 0.5 * one.hole_mm, segments=_SEGMENTS)
            holes.append(hole.translate((x, y, -_THROUGH_MM if upper else -depth)))
    piece = block - union_all(holes)
    return plainer(union_all([piece, *pegs]) if pegs else piece)


def _peg(one: Dowel) -> Solid:
    """A peg with a bevelled top, rooted in the block."""
    radius = 0.5 * one.diameter_mm
    bevel = min(1.0, 0.25 * radius, 0.25 * one.out_mm)
    profile = np.array(
        [
            (0.0, -_FLOOR_MM),
            (radius, -_FLOOR_MM),
            (radius, one.out_mm - bevel),
            (radius - bevel, one.out_mm),
            (0.0, one.out_mm),
        ]
    )
    return Solid.revolve(profile, _SEGMENTS)
