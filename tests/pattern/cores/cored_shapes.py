"""Parts with one kind of hole each, and the holes' volumes worked out from their polygons."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from patternprep.mesh.kernel import Solid, union_all

SEGMENTS = 24
"""Sides of everything round here."""

X_UP = np.array([[0.0, 0, 1, 0], [0, 1, 0, 0], [-1, 0, 0, 0], [0, 0, 0, 1]])
"""Turns +z to +x."""
Y_UP = np.array([[1.0, 0, 0, 0], [0, 0, 1, 0], [0, -1, 0, 0], [0, 0, 0, 1]])
"""Turns +z to +y."""


@dataclass(frozen=True)
class Holed:
    """A part, the volumes of its holes joined where they lead into each other, their mouths."""

    part: Solid
    volumes: tuple[float, ...]
    mouths: tuple[int, ...]
    single: int
    """How many holes there are before any are joined."""


def ngon_area(radius: float, sides: int = SEGMENTS) -> float:
    return 0.5 * sides * radius**2 * np.sin(2.0 * np.pi / sides)


def frustum(area: float, other: float, height: float) -> float:
    """Volume between two parallel similar sections."""
    return height / 3.0 * (area + other + np.sqrt(area * other))


def ngon(radius: float, sides: int = SEGMENTS, turn: float = 0.0) -> np.ndarray:
    angle = np.arange(sides) * 2.0 * np.pi / sides + turn
    return radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)


def ring_area(ring: np.ndarray) -> float:
    x, y = ring.T
    return 0.5 * float((x * np.roll(y, -1) - y * np.roll(x, -1)).sum())


def rod(radius: float, low: float, high: float, at=(0.0, 0.0), top: float | None = None) -> Solid:
    return Solid.cylinder(high - low, radius, top, SEGMENTS).translate((*at, low))


def slot_ring(length: float, width: float) -> np.ndarray:
    """Slot with round ends of 12 chords each, straight sides of ``length``, anticlockwise."""
    angle = np.linspace(-0.5 * np.pi, 0.5 * np.pi, 13)
    end = 0.5 * width * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    right = end + np.array([0.5 * length, 0.0])
    return np.concatenate([right, -right])


def block(height: float = 40.0) -> Solid:
    return Solid.box((-50, -40, 0), (50, 40, height))


def round_through() -> Holed:
    return Holed(block() - rod(15, -5, 45), (40 * ngon_area(15),), (2,), 1)


def round_blind() -> Holed:
    return Holed(block() - rod(15, 12, 45), (28 * ngon_area(15),), (1,), 1)


def blind_with_drill_point() -> Holed:
    tool = rod(12, 15, 45) + rod(0.0, 8, 15, top=12)
    return Holed(block() - tool, (25 * ngon_area(12) + 7 / 3 * ngon_area(12),), (1,), 1)


def stepped() -> Holed:
    tool = rod(10, -5, 45) + rod(15, 15, 45) + rod(20, 30, 45)
    volume = 15 * ngon_area(10) + 15 * ngon_area(15) + 10 * ngon_area(20)
    return Holed(block() - tool, (volume,), (2,), 3)


def counterbored_both_ends() -> Holed:
    tool = rod(8, -5, 45) + rod(14, -5, 8) + rod(18, 30, 45)
    volume = 22 * ngon_area(8) + 8 * ngon_area(14) + 10 * ngon_area(18)
    return Holed(block() - tool, (volume,), (2,), 3)


def necked_inside() -> Holed:
    tool = rod(10, -5, 45) + rod(18, 12, 25)
    volume = 27 * ngon_area(10) + 13 * ngon_area(18)
    return Holed(block() - tool, (volume,), (2,), 3)


def tapered() -> Holed:
    tool = rod(10, 0, 40, top=16)
    return Holed(block() - tool, (frustum(ngon_area(10), ngon_area(16), 40),), (2,), 1)


def tapered_from_both_ends() -> Holed:
    small, large = slot_ring(30, 16), 1.25 * slot_ring(30, 16)

    def half(sign: float) -> Solid:
        low = np.column_stack([small, np.full(len(small), 20.0)])
        high = np.column_stack([large, np.full(len(large), 20.0 + sign * 20.0)])
        return Solid.from_mesh(_hull(np.concatenate([low, high])))

    volume = 2 * frustum(ring_area(small), ring_area(large), 20)
    return Holed(block() - (half(1.0) + half(-1.0)), (volume,), (2,), 1)


def _hull(points: np.ndarray):
    from patternprep.mesh.kernel import hull_of_points

    return hull_of_points(points).to_mesh()


def slotted_eye() -> Holed:
    tool = Solid.extrude([slot_ring(40, 20)], 60).translate((0, 0, -10))
    return Holed(block() - tool, (40 * ring_area(slot_ring(40, 20)),), (2,), 1)


def square_hole() -> Holed:
    return Holed(block() - Solid.box((-10, -12, -5), (10, 12, 45)), (20.0 * 24 * 40,), (2,), 1)


def keyed_bore() -> Holed:
    """A round bore with a keyway: the key's walls run into the polygon at y = 3 either side."""
    ring = keyed_ring()
    tool = Solid.extrude([ring], 60).translate((0, 0, -10))
    return Holed(block() - tool, (40 * ring_area(ring),), (2,), 1)


def keyed_ring(radius: float = 15.0, half: float = 3.0, out: float = 18.0) -> np.ndarray:
    points = ngon(radius)
    inner = points[(np.abs(points[:, 1]) > half) | (points[:, 0] < 0.0)]
    edge = np.sqrt(radius**2 - half**2)
    key = np.array([[edge, -half], [out, -half], [out, half], [edge, half]])
    return np.concatenate([key, inner])


def crossing_volume(sides: int, radius: float) -> float:
    """What two like regular prisms along x and y, each with corners in z, have in common."""
    heights = np.unique(np.round(ngon(radius, sides, 0.5 * np.pi)[:, 1], 12))
    ring = ngon(radius, sides, 0.5 * np.pi)

    def width(z: float) -> float:
        a, b = ring, np.roll(ring, -1, axis=0)
        found = []
        for (x0, z0), (x1, z1) in zip(a, b, strict=True):
            if abs(z1 - z0) > 1e-12 and min(z0, z1) - 1e-9 <= z <= max(z0, z1) + 1e-9:
                found.append(x0 + (x1 - x0) * (z - z0) / (z1 - z0))
        return max(found) - min(found)

    total = 0.0
    for low, high in pairwise(heights):
        inner = 1e-9 * (high - low)
        w0, w1, w2 = (width(z) for z in (low + inner, 0.5 * (low + high), high - inner))
        total += (high - low) / 6.0 * (w0**2 + 4.0 * w1**2 + w2**2)
    return total


def crossing() -> Holed:
    body = Solid.box((-50, -40, -30), (50, 40, 30))
    bar = Solid.extrude([ngon(12, SEGMENTS)], 140).translate((0, 0, -70))
    tool = bar.transform(X_UP) + bar.transform(Y_UP)
    area = ngon_area(12)
    return Holed(body - tool, (180 * area - crossing_volume(SEGMENTS, 12.0),), (4,), 1)


def tee() -> Holed:
    """A level square bore and an upright one from the top that ends in it."""
    body = Solid.box((-50, -40, -30), (50, 40, 30))
    tool = Solid.box((-60, -10, -10), (60, 10, 10)) + Solid.box((-8, -8, 0), (8, 8, 40))
    return Holed(body - tool, (100.0 * 400 + 256 * 20,), (3,), 2)


def bend(ring: np.ndarray, radius: float, steps: int, straight: float) -> tuple[Solid, float]:
    """A quarter bend swept over a ring (r, z), with a straight at either end, and its volume."""
    torus = Solid.revolve(ring + np.array([radius, 0.0]), steps, 90.0)
    bar = Solid.extrude([ring], straight)
    # the ring's plane is x, z at the first end: plan (u, v) to (radius + u, -w, v)
    first = np.array([[1.0, 0, 0, radius], [0, 0, -1, 0], [0, 1, 0, 0], [0, 0, 0, 1]])
    last = np.array([[0.0, 0, -1, 0], [1, 0, 0, radius], [0, 1, 0, 0], [0, 0, 0, 1]])
    mirror = np.diag([1.0, 1, -1, 1])
    near = bar.transform(first)
    far = bar.transform(last @ np.diag([1.0, -1, 1, 1])).transform(mirror)
    area = ring_area(ring)
    volume = steps * area * radius * np.sin(0.5 * np.pi / steps) + 2 * area * straight
    return union_all([torus, near, far]), volume


def elbow() -> Holed:
    """A flanged quarter bend of round bore; the straights run through the flanges."""
    outer, _ = bend(ngon(16), 50.0, 6, 30.0)
    inner, volume = bend(ngon(12), 50.0, 6, 30.0)
    plate = rod(28, -30, -22)
    first = np.array([[1.0, 0, 0, 50], [0, 0, 1, 0], [0, -1, 0, 0], [0, 0, 0, 1]])
    last = np.array([[0.0, 0, 1, 0], [1, 0, 0, 50], [0, 1, 0, 0], [0, 0, 0, 1]])
    part = outer + plate.transform(first) + plate.transform(last)
    return Holed(part - inner, (volume,), (2,), 1)


def body_with_outlets() -> Holed:
    """A hollow body, closed below, with an opening on top and an outlet in each of two sides."""
    body = Solid.box((-40, -40, -40), (40, 40, 40))
    room = Solid.box((-28, -26, -30), (28, 26, 25))
    top = Solid.box((-15, -15, 20), (15, 15, 50))
    side = Solid.box((-50, -10, -8), (50, 10, 8))
    volume = 56.0 * 52 * 55 + 900 * 15 + 2 * 320 * 12
    return Holed(body - union_all([room, top, side]), (volume,), (3,), 4)


def opens_in_recess() -> Holed:
    """Two holes whose mouths lie on the floor of one recess."""
    tool = union_all(
        [
            Solid.box((-30, -20, 25), (30, 20, 45)),
            rod(6, -5, 30, (-15, 0)),
            rod(8, 5, 30, (15, 0)),
        ]
    )
    volume = 60.0 * 40 * 15 + 25 * ngon_area(6) + 20 * ngon_area(8)
    return Holed(block() - tool, (volume,), (2,), 3)


def bolt_holes() -> Holed:
    tools = [rod(4, -5, 45, (x, y)) for x in (-40, 40) for y in (-30, 30)]
    tools.append(rod(20, -5, 45))
    volumes = (40 * ngon_area(20), *[40 * ngon_area(4)] * 4)
    return Holed(block() - union_all(tools), volumes, (2,) * 5, 5)


def chamfered() -> Holed:
    tool = union_all([rod(12, -5, 45), rod(12, 37, 40, top=15), rod(15, 0, 3, top=12)])
    volume = 34 * ngon_area(12) + 2 * frustum(ngon_area(12), ngon_area(15), 3)
    return Holed(block() - tool, (volume,), (2,), 1)


def filleted() -> Holed:
    """A bore whose mouths are rounded over with arcs that run out into the faces."""
    angle = np.linspace(0.0, 0.5 * np.pi, 7)
    arc = np.stack([16 - 4 * np.cos(angle), 36 + 4 * np.sin(angle)], axis=1)
    low = (arc * [1, -1] + [0, 40])[::-1]
    ring = np.concatenate([[[0.0, 0.0]], low, arc, [[0.0, 40.0]]])
    tool = Solid.revolve(ring, SEGMENTS)
    unit = ngon_area(1.0)
    wall = np.concatenate([low, arc])
    volume = sum(
        frustum(unit * a[0] ** 2, unit * b[0] ** 2, b[1] - a[1]) for a, b in pairwise(wall)
    )
    return Holed(block() - tool, (volume,), (2,), 1)


def frame() -> Holed:
    """A frame window with a bridge across its middle, flush with neither side."""
    window = Solid.box((-35, -25, -5), (35, 25, 45)) - Solid.box((-4, -30, 10), (4, 30, 30))
    return Holed(block() - window, (70.0 * 50 * 40 - 8 * 50 * 20,), (2,), 1)


KINDS = {
    made.__name__: made
    for made in (
        round_through,
        round_blind,
        blind_with_drill_point,
        stepped,
        counterbored_both_ends,
        necked_inside,
        tapered,
        tapered_from_both_ends,
        slotted_eye,
        square_hole,
        keyed_bore,
        crossing,
        tee,
        elbow,
        body_with_outlets,
        opens_in_recess,
        bolt_holes,
        chamfered,
        filleted,
        frame,
    )
}
