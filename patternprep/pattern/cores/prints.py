"""Core prints: what carries a core in the sand, on the pattern and on the core.

A print continues the hole through its mouth: a convex section, that of the mouth, drawn out by the
print's length and narrowed by its taper. On the pattern it makes the seat, which is the core's own
print grown by the gaps. Everything here is in the mould frame at pattern size, mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import shapely

from patternprep.errors import GeometryFault
from patternprep.mesh.kernel import Solid, hull_of_points
from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.cores.model import Opening, place_words
from patternprep.pattern.cores.voids import plan_basis

__all__ = ["Print", "PrintSize", "Side", "make_print", "side_of"]

Side = Literal["drag", "cope", "horizontal"]

LEVEL_DEG = 1.0
"""A mouth whose axis is level, or upright, to within this."""

SUNK_MM = 0.5
"""How far the seat on the pattern reaches into the metal, so that both are one body."""

SLIMMEST = 0.3
"""The outer end of a print keeps at least this share of its section's width."""

SAME_SHARE = 1e-12
"""Points nearer than this share of their coordinates are one point."""

OFF_AXIS = 0.02
"""A level mouth lies on the parting when its centre is nearer than this share of its height."""


@dataclass(frozen=True)
class PrintSize:
    """What the rules give for one print."""

    length_mm: float
    taper_deg: float
    gap_side_mm: float
    gap_end_mm: float
    rule: str = ""
    """Where the sizes come from, in words."""


@dataclass(frozen=True, eq=False)
class Print:
    """One print, as seat on the pattern and as end of the core."""

    side: Side
    opening: Opening = field(repr=False)
    size: PrintSize
    drop_mm: float
    """How far the print reaches from the mouth's centre to the parting; 0 on the parting."""
    core_rings: tuple[FloatArray, FloatArray] = field(repr=False)
    """Section at the mouth and at the outer end of the core's print, (k, 3) each."""
    seat_rings: tuple[FloatArray, FloatArray] = field(repr=False)
    """The same of the seat."""
    core: Solid = field(repr=False)
    seat: Solid = field(repr=False)
    """The seat before draft; it reaches a little into the metal."""

    @property
    def axis(self) -> FloatArray:
        """Unit vector out of the hole, (3,)."""
        return self.opening.normal


def side_of(opening: Opening) -> Side:
    """Where a mouth's print goes; GeometryFault where none can be made there.

    Raises GeometryFault for a mouth that is neither level nor upright, or that faces the parting
    from within a half.
    """
    lean = float(opening.normal[2])
    height = float(opening.point[2])
    where = f"The hole's mouth at {place_words(opening.point)} in the mould"
    if abs(lean) <= math.sin(math.radians(LEVEL_DEG)):
        return "horizontal"
    if abs(lean) < math.cos(math.radians(LEVEL_DEG)):
        slope = math.degrees(math.asin(min(1.0, abs(lean))))
        raise GeometryFault(
            f"{where} slopes {slope:.1f} degrees out of the level, and a core print must lie level "
            "or stand upright; choose a pull along or across the hole with --pull, or leave it "
            "without a core."
        )
    if lean * height < -1e-6:
        raise GeometryFault(
            f"{where} faces the parting from within the {'drag' if height < 0.0 else 'cope'}, "
            "where no sand can hold a print; move the parting with --parting, or leave it "
            "without a core."
        )
    return "cope" if lean > 0.0 else "drag"


def make_print(opening: Opening, size: PrintSize, flat: FloatArray | None = None) -> Print:
    """The print of one mouth.

    ``flat`` (3,) is a direction across the axis on whose side the print gets a flat, so that the
    core goes in one way only. Raises GeometryFault where no print can be made.
    """
    side = side_of(opening)
    basis = plan_basis(opening.normal)
    origin = opening.point
    plan = (opening.ring - origin) @ basis.T
    section = shapely.Polygon(plan).convex_hull
    drop = 0.0
    if side == "horizontal":
        section, drop = _down_to_parting(section, basis, origin, size)
    if flat is not None:
        section = _with_flat(section, basis @ flat)
    narrow = math.tan(math.radians(size.taper_deg)) if drop == 0.0 else 0.0
    length, gap_side, gap_end = size.length_mm, size.gap_side_mm, size.gap_end_mm

    def ring(plan: shapely.Polygon, along: float) -> FloatArray:
        return _placed(plan, opening, basis, along)

    def offset(plan: shapely.Polygon, by: float) -> shapely.Polygon:
        return _offset(plan, by, section, opening)

    end = offset(section, -narrow * length)
    core = (_on_rim(ring(section, 0.0), opening), ring(end, length))
    # the seat's end is grown from the core's: sides that a taper eats up leave no less gap
    mouth, bottom = offset(section, gap_side), offset(end, gap_side - narrow * gap_end)
    seat = (ring(mouth, 0.0), ring(bottom, length + gap_end))
    sunk = ring(offset(section, gap_side + narrow * SUNK_MM), -SUNK_MM)
    return Print(
        side=side,
        opening=opening,
        size=size,
        drop_mm=drop,
        core_rings=core,
        seat_rings=seat,
        core=hull_of_points(np.concatenate(core)),
        seat=hull_of_points(np.concatenate([sunk, *seat])),
    )


def _offset(
    plan: shapely.Polygon, by: float, section: shapely.Polygon, opening: Opening
) -> shapely.Polygon:
    """A plan with its sides moved out (sharp corners stay); refused where little is left."""
    grown = plan if by == 0.0 else plan.buffer(by, join_style="mitre")
    if grown.is_empty or math.sqrt(grown.area) < SLIMMEST * math.sqrt(section.area):
        raise GeometryFault(
            f"The core print at {place_words(opening.point)} narrows to nothing over its length; "
            "give it less taper or less length."
        )
    return grown


def _placed(plan: shapely.Polygon, opening: Opening, basis: FloatArray, along: float) -> FloatArray:
    """The corners of a plan at a distance along the axis from the mouth, (k, 3)."""
    corners = np.asarray(shapely.orient_polygons(plan).exterior.coords)[:-1]
    return np.asarray(opening.point + corners @ basis + along * opening.normal)


def _on_rim(ring: FloatArray, opening: Opening) -> FloatArray:
    """Points (k, 3) with those that lie on the mouth's own corners put onto them exactly."""
    from scipy.spatial import cKDTree

    away, nearest = cKDTree(opening.ring).query(ring)
    near = away <= SAME_SHARE * float(np.abs(opening.ring).max())
    return np.asarray(np.where(near[:, None], opening.ring[nearest], ring))


def _down_to_parting(
    section: shapely.Polygon, basis: FloatArray, origin: FloatArray, size: PrintSize
) -> tuple[shapely.Polygon, float]:
    """The section of a level print, drawn down (or up) to the parting where it lies off it.

    The core's print ends above the parting by the gap, so that its seat ends on it.
    """
    height = float(origin[2])
    upright = basis @ np.array([0.0, 0.0, 1.0])
    across = np.array([upright[1], -upright[0]])
    corners = np.asarray(section.exterior.coords)[:-1]
    tall = np.ptp(corners @ upright)
    if abs(height) <= OFF_AXIS * tall:
        return section, 0.0
    floor = math.copysign(size.gap_side_mm, height) - height
    rise = corners @ upright - floor
    wide = np.sign(corners @ across) * np.abs(rise) * math.tan(math.radians(size.taper_deg))
    foot = np.outer(corners @ across + wide, across) + floor * upright
    drawn = shapely.MultiPoint(np.concatenate([corners, foot])).convex_hull
    return drawn, abs(height)


def _with_flat(section: shapely.Polygon, toward: FloatArray) -> shapely.Polygon:
    """The section with a flat at three quarters of its reach on one side."""
    toward = toward / np.linalg.norm(toward)
    corners = np.asarray(section.exterior.coords)[:-1]
    reach = float((corners @ toward).max())
    big = 4.0 * float(np.abs(corners).max())
    across = np.array([-toward[1], toward[0]])
    keep = shapely.Polygon(
        [
            0.75 * reach * toward + big * across,
            0.75 * reach * toward - big * across,
            -big * toward - big * across,
            -big * toward + big * across,
        ]
    )
    cut = section.intersection(keep)
    assert isinstance(cut, shapely.Polygon)
    return cut
