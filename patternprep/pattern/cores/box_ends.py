"""Where a core box is rammed, struck off and vented: at the outer ends of the prints."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely

from patternprep.mesh.kernel import Solid, plan_area
from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.cores.box_block import BoxVent, Outside
from patternprep.pattern.cores.voids import plan_basis
from patternprep.pattern.frame import rotation_to_z

__all__ = ["CoreEnd", "Opening", "end_area", "lay_vents", "ramming_end"]

STRAIGHT_SHARE = 1.6
"""A core is rammed through its end when its shadow along the end's axis is at most this many
times the end: sand rammed from there reaches every corner."""

SLENDER = 6.0
"""And when it is at most this many times as long as the end is wide."""

_LEVEL = 1e-3
_FLUSH_MM = 1e-3
_SEGMENTS = 32
_VENT_SHARE = 0.5
"""A vent is at most this share of the widest circle about it inside the end."""
_LEAST_VENT_MM = 1.0
_SUNK_SHARE = 0.25
"""Share of an end's width by which a vent reaches into the core, whose end leans back."""


@dataclass(frozen=True, eq=False)
class CoreEnd:
    """Outer end of one print of a core, mould frame, mm."""

    point: FloatArray
    """(3,) its centre."""
    normal: FloatArray
    """(3,) outward unit vector."""
    ring: FloatArray = field(repr=False)
    """(k, 3) convex."""


@dataclass(frozen=True, eq=False)
class Opening:
    """An open face of the box: the core is rammed through it and struck off level."""

    words: str
    point: FloatArray
    """(3,) mould frame, mm."""
    normal: FloatArray
    """(3,) outward, mould frame."""
    area_mm2: float


def end_area(end: CoreEnd) -> float:
    """Area of the end, mm2."""
    ring = (end.ring - end.point) @ plan_basis(end.normal).T
    return float(shapely.MultiPoint(ring).convex_hull.area)


def ramming_end(
    core: Solid, ends: Sequence[CoreEnd], pull: FloatArray, offset_mm: float
) -> tuple[CoreEnd | None, str]:
    """The end through which a box in two halves is rammed, or None; and why, in words."""
    level = [
        e
        for e in ends
        if abs(float(e.normal @ pull)) < _LEVEL
        and float((e.ring @ pull).min()) < offset_mm < float((e.ring @ pull).max())
    ]
    if not level:
        return None, "no print ends across the parting of its box"
    points = core.to_mesh().vertices
    for end in sorted(level, key=lambda e: -round(end_area(e), 3)):
        along = points @ end.normal
        if float(along.max()) > float(end.point @ end.normal) + _FLUSH_MM:
            continue
        area = end_area(end)
        turn = np.eye(4)
        turn[:3, :3] = rotation_to_z(end.normal)
        shadow = plan_area(core.transform(turn).outline())
        if shadow > STRAIGHT_SHARE * area:
            return None, "the core is wider, or bends away, behind the end of its print"
        width = math.sqrt(4.0 * area / math.pi)
        if float(np.ptp(along)) > SLENDER * width:
            return None, "the core is too long for its width to be rammed through its end"
        return end, "sand rammed through the end of the print reaches all of the core"
    return None, "the core reaches past the ends of its prints"


def lay_vents(
    ends: Sequence[CoreEnd],
    opening: CoreEnd | None,
    to_box: FloatArray,
    outside: Outside,
    vent_mm: float,
    *,
    one_piece: bool,
) -> list[tuple[BoxVent, Solid]]:
    """A hole out through the wall at every closed end, as a record and as a channel (box frame).

    In two halves only where it lies on the parting, so that both halves still draw; never wider
    than a share of the end.
    """
    found = []
    for end in ends:
        if vent_mm <= 0.0 or end is opening:
            continue
        point = to_box[:3, :3] @ end.point + to_box[:3, 3]
        out = to_box[:3, :3] @ end.normal
        upright = abs(float(out[2])) > 1.0 - _LEVEL
        level = abs(float(out[2])) < _LEVEL
        if not (upright and out[2] > 0.0 if one_piece else level):
            continue
        if level:
            point = np.array([point[0], point[1], 0.0])
        diameter = min(vent_mm, _VENT_SHARE * _clear_width(end, to_box, point))
        if diameter < min(vent_mm, _LEAST_VENT_MM):
            continue
        reach = np.where(out > 0.0, outside.high - point, outside.low - point)
        with np.errstate(divide="ignore", invalid="ignore"):
            length = float(np.min(np.where(np.abs(out) > 1e-6, reach / out, np.inf)))
        if not 0.0 < length < math.inf:
            continue
        deep = _SUNK_SHARE * math.sqrt(end_area(end))
        turn = np.eye(4)
        turn[:3, :3] = rotation_to_z(out).T
        turn[:3, 3] = point - deep * out
        channel = Solid.cylinder(length + deep + 1.0, 0.5 * diameter, segments=_SEGMENTS)
        back = np.linalg.inv(to_box)
        place = back[:3, :3] @ point + back[:3, 3]
        found.append((BoxVent(place, end.normal, diameter, length), channel.transform(turn)))
    return found


def _clear_width(end: CoreEnd, to_box: FloatArray, point: FloatArray) -> float:
    """Diameter of the largest circle about a point (box frame) inside the end, 0 outside it."""
    basis = plan_basis(end.normal)
    back = np.linalg.inv(to_box)
    place = (back[:3, :3] @ point + back[:3, 3] - end.point) @ basis.T
    section = shapely.MultiPoint((end.ring - end.point) @ basis.T).convex_hull
    at = shapely.Point(place)
    return 2.0 * float(section.exterior.distance(at)) if section.contains(at) else 0.0
