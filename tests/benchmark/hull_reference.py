"""The draft hull against an independent reference: plan sections grown layer by layer.

By definition the hull at height z is the union, over every height z' above it, of the half's own
section at z' grown by (z' - z) tan t with round corners. The reference takes that union in the
plane over many layers (shapely; two-dimensional, no code shared with the draft engine) and is
compared with sections of the engine's result, both ways.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import shapely

sys.path.insert(0, str(Path(__file__).parents[2] / "demo_models"))

import make_models
from meshes import of_size

from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import FloatArray

ANGLE_DEG = 2.0
LAYER_MM = 0.025
MOST_CORNER_HEIGHTS = 200
QUARTER = 32


@dataclass(frozen=True)
class HullError:
    """How far the engine's hull lies outside and inside the reference, mm."""

    body: str
    facets_in: int
    facets_out: int
    outward_mm: float
    inward_mm: float
    reference_mm: float
    """By how much the reference itself may lie inside the truth."""


def area_of(rings: list[FloatArray]) -> shapely.Geometry:
    """Plan area of a section, told inside from outside by nesting (islands in holes too)."""
    lines = [shapely.LinearRing(ring) for ring in rings if len(ring) >= 3]
    return shapely.build_area(shapely.MultiLineString(lines))


def reference_at(half: Solid, z: float, layers: FloatArray) -> shapely.Geometry:
    """The hull's section at z by its definition, over the given layers."""
    above = np.concatenate([[z], layers[layers > z]])
    sections = np.array([area_of(half.section(float(level))) for level in above])
    grow = (above - z) * math.tan(math.radians(ANGLE_DEG))
    return shapely.union_all(shapely.buffer(sections, grow, quad_segs=QUARTER))


def layers_of(half: Solid) -> FloatArray:
    """Heights of the reference: a fine ladder, and just below every corner where they are few."""
    low, high = (float(z) for z in half.bounds[:, 2])
    ladder = np.arange(max(low, 0.0), high, LAYER_MM)
    corners = np.unique(np.round(half.to_mesh().vertices[:, 2], 6))
    if len(corners) <= MOST_CORNER_HEIGHTS:
        ladder = np.concatenate([ladder, corners[corners > 1e-3] - 1e-6])
    return np.unique(np.append(ladder, high - 1e-6))


def outside_of(shape: shapely.Geometry, other: shapely.Geometry) -> float:
    """Largest distance by which the boundary of one area lies outside the other, mm."""
    boundary = shapely.segmentize(shapely.boundary(shape), 0.5)
    points = shapely.points(shapely.get_coordinates(boundary))
    return float(shapely.distance(points, other).max()) if len(points) else 0.0


def compare(name: str, half: Solid, heights: int = 5) -> HullError:
    """Draft a half with round corners and compare it with the reference at some heights."""
    from patternprep.pattern.draft import draft_half

    result = draft_half(half, ANGLE_DEG, corner="round").solid
    layers = layers_of(half)
    top = float(half.bounds[1, 2])
    outward = inward = 0.0
    for z in (np.arange(heights) + 0.137) / heights * top:
        reference = reference_at(half, float(z), layers)
        found = area_of(result.section(float(z)))
        outward = max(outward, outside_of(found, reference))
        inward = max(inward, outside_of(reference, found))
    tan = math.tan(math.radians(ANGLE_DEG))
    chord = top * tan * (1.0 - math.cos(math.pi / (4.0 * QUARTER)))
    return HullError(name, half.facets, result.facets, outward, inward, LAYER_MM * tan + chord)


def stepped_block() -> Solid:
    """Block in two steps, one wall leaning in, a pocket open at the top and an overhang."""
    body = Solid.box((-30.0, -20.0, 0.0), (30.0, 20.0, 12.0))
    body = body + Solid.box((-20.0, -15.0, 0.0), (10.0, 15.0, 30.0))
    body = body + Solid.box((5.0, -8.0, 20.0), (25.0, 8.0, 28.0))
    pocket = Solid.cylinder(40.0, 6.0, 8.0, 96).translate((-8.0, 0.0, 10.0))
    return body - pocket


def ball_on_plate() -> Solid:
    """A ball over a plate, its lower half an undercut, beside a cone."""
    plate = Solid.box((-40.0, -25.0, 0.0), (40.0, 25.0, 6.0))
    ball = Solid.sphere(14.0, 96).translate((-15.0, 0.0, 22.0))
    return plate + ball + Solid.cylinder(30.0, 12.0, 3.0, 96).translate((20.0, 0.0, 0.0))


def upper_half(solid: Solid) -> Solid:
    return solid.trim_by_plane((0.0, 0.0, 1.0), 0.0)


BODIES: dict[str, Callable[[], Solid]] = {
    "stepped block": stepped_block,
    "ball, cone and plate": ball_on_plate,
    "ribbed bracket": make_models.ribbed_bracket,
    "sluice link, upper half": lambda: upper_half(make_models.sluice_link()),
    "handwheel, upper half": lambda: upper_half(make_models.handwheel()),
    "valve body, upper half": lambda: upper_half(of_size("valve body", 20_000)),
}


def compare_all(*, smoke: bool = False) -> list[HullError]:
    """Every body, or the first alone."""
    names = list(BODIES)[:1] if smoke else list(BODIES)
    return [compare(name, BODIES[name]()) for name in names]


if __name__ == "__main__":
    print(json.dumps([asdict(row) for row in compare_all(smoke="--smoke" in sys.argv)]))
