"""Make the demo parts of the invented Quarrenby Mill workshop: finished castings, mm.

    python demo_models/make_models.py [FOLDER]

Each function returns the finished part (machined size, no stock, no draft unless it says so) in
its own axes. Dimensions are round numbers on purpose: tests hold the files to them.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import shapely
from shapes import (
    FloatArray,
    around,
    boss_profile,
    circle,
    drum,
    drum_of,
    loft,
    obround,
    outline,
    rotation,
    rounded,
    sweep,
    write_stl,
)

from patternprep.mesh.kernel import Solid, union_all

TIDY_MM = 0.002
"""Slivers of the unions are removed within this."""


def bar(radius: float, low: float, high: float, segments: int = 96) -> Solid:
    """Round bar about z from low to high, for bores and holes."""
    return Solid.cylinder(high - low, radius, segments=segments).translate((0.0, 0.0, low))


def keyway(bore_radius: float, width: float, depth: float, length: float) -> Solid:
    """Cutter for a keyway on the +y side of a bore about z."""
    half = 0.5 * width
    return Solid.box((-half, 0.0, -length), (half, bore_radius + depth, length))


def ribbed_bracket() -> Solid:
    """Bearing bracket: flat back on z = 0, four bolt bosses, four ribs up to a round hub.

    Plate 160 x 120 x 12; hub 56 dia, 48 high, bored 30; bolt bosses 30 dia, 24 high,
    bored 11 at (+-58, +-38).
    """
    plan = rounded(
        [(-80.0, -60.0, 22.0), (80.0, -60.0, 22.0), (80.0, 60.0, 22.0), (-80.0, 60.0, 22.0)]
    )
    plate = drum(plan, np.array([(0.0, 0.0), *rounded_edge(12.0, 3.0)]))
    bolts = [(58.0, 38.0), (-58.0, 38.0), (-58.0, -38.0), (58.0, -38.0)]
    bolt_boss = drum_of(15.0, boss_profile(12.0, 24.0, 3.0, 1.0), 48)
    hub = drum_of(28.0, boss_profile(12.0, 48.0, 8.0, 1.5), 96)
    reach = math.hypot(*bolts[0])
    rib = loft([rib_section(14.0, 44.0), rib_section(reach - 10.0, 19.2)])
    bodies = [plate, hub]
    for x, y in bolts:
        bodies.append(bolt_boss.translate((x, y, 0.0)))
        bodies.append(rib.transform(rotation("z", math.degrees(math.atan2(y, x)))))
    body = union_all(bodies)
    for x, y in bolts:
        body = body - bar(5.5, -1.0, 26.0, 48).translate((x, y, 0.0))
    return body - bar(15.0, -1.0, 50.0, 96)


def rounded_edge(top: float, radius: float) -> FloatArray:
    """Wall and rounded upper edge of a plate, as (offset, z) for ``drum``."""
    ring = rounded([(-radius - 1.0, top, 0.0), (-radius - 1.0, 0.0, 0.0), (0.0, 0.0, 0.0),
                    (0.0, top, radius)])  # fmt: skip
    return ring[3:]


def rib_section(x: float, height: float) -> FloatArray:
    """Upright section of the bracket's rib at a distance from the hub: 10 thick, filleted foot."""
    foot, fillet = 11.9, 4.0
    half = rounded(
        [
            (5.0 + fillet + 1.0, 8.0, 0.0),
            (5.0 + fillet + 1.0, foot, 0.0),
            (5.0, foot, fillet),
            (5.0, height, 3.0),
            (0.0, height, 0.0),
        ]
    )[:-1]
    ring = np.concatenate([half, (half * [-1.0, 1.0])[::-1]])
    return np.column_stack([np.full(len(ring), x), ring])


def flanged_bush() -> Solid:
    """Flanged bush on the z axis: flange 120 dia x 14, barrel 70 dia, 80 long over all, bored 50.

    Four bolt holes 11 on a 98 pitch circle; root fillet 6.
    """
    profile = rounded(
        [
            (25.0, 0.0, 1.0),
            (60.0, 0.0, 1.5),
            (60.0, 14.0, 3.0),
            (35.0, 14.0, 6.0),
            (35.0, 80.0, 2.0),
            (25.0, 80.0, 1.0),
        ],
        step_deg=15.0,
    )
    body = Solid.revolve(profile, 96)
    return body - around(bar(5.5, -1.0, 16.0, 48).translate((49.0, 0.0, 0.0)), 4, 45.0)


def sluice_link() -> Solid:
    """Sluice-gate link in the plane z = 0: round eye at the origin, slotted eye at x = 220.

    Eyes 34 thick, 60 across their bosses, 76 over all; bore 32; slot 26 wide with 36 travel;
    shank 20 thick, 44 wide at the round eye and 36 at the slotted one.
    """
    segments = 72
    slot_centre = (220.0, 0.0)
    shank = shapely.Polygon([(0.0, -22.0), (220.0, -18.0), (220.0, 18.0), (0.0, 22.0)])
    heads = [
        shapely.Polygon(circle(38.0, segments)),
        shapely.Polygon(obround(38.0, 36.0, segments) + slot_centre),
    ]
    plan = outline(shapely.union_all([shank, *heads]), convex=6.0, concave=24.0)
    upper = drum(plan, np.array([(0.0, 0.0), *rounded_edge(10.0, 4.0)]))
    round_eye = drum_of(30.0, boss_profile(10.0, 17.0, 3.0, 1.0), segments)
    slot_boss = drum(obround(30.0, 36.0, segments), boss_profile(10.0, 17.0, 3.0, 1.0))
    upper = union_all([upper, round_eye, slot_boss.translate((*slot_centre, 0.0))])
    upper = upper.trim_by_plane((0.0, 0.0, 1.0), 0.0)
    lower = upper.transform(np.diag([1.0, 1.0, -1.0, 1.0]))
    slot = Solid.extrude([obround(13.0, 36.0, segments)], 40.0)
    return (upper + lower) - bar(16.0, -20.0, 20.0, 96) - slot.translate((*slot_centre, -20.0))


def handwheel() -> Solid:
    """Handwheel about z, 420 dia: elliptic rim 36 x 30, five bowed spokes, hub 76 dia x 64.

    Bored 35 with a 10 x 3.3 keyway; a grip boss on the rim is bored 14.
    """
    ellipse = circle(1.0, 20)
    rim = Solid.revolve(ellipse * [18.0, 15.0] + [192.0, 0.0], 120)
    hub_half = rounded([(0.0, 0.0, 0.0), (38.0, 0.0, 0.0), (38.0, 32.0, 4.0), (0.0, 32.0, 0.0)])
    hub = Solid.revolve(np.concatenate([hub_half, (hub_half * [1.0, -1.0])[::-1]]), 96)

    def path(s: FloatArray) -> FloatArray:
        return np.column_stack([s, 14.0 * np.sin(np.pi * (s - 20.0) / 172.0)])

    def section(s: float) -> FloatArray:
        taper = np.interp(s, [20.0, 192.0], [1.0, 0.8])
        near_hub, near_rim = max(0.0, (58.0 - s) / 30.0), max(0.0, (s - 158.0) / 22.0)
        flare = 1.0 + 0.5 * near_hub**2 + 0.5 * near_rim**2
        return ellipse * [15.0 * taper * min(flare, 1.9), 10.0 * taper * min(flare, 1.25)]

    spoke = sweep(path, section, np.linspace(22.0, 190.0, 21))
    grip = Solid.revolve(
        np.concatenate([g := rounded([(0.0, 0.0, 0.0), (17.0, 0.0, 0.0), (17.0, 19.0, 2.5),
                                      (0.0, 19.0, 0.0)]), (g * [1.0, -1.0])[::-1]]), 64
    )  # fmt: skip
    body = union_all([rim, hub, grip.translate((192.0, 0.0, 0.0)), around(spoke, 5, 36.0)])
    body = body - bar(7.0, -25.0, 25.0, 48).translate((192.0, 0.0, 0.0))
    return body - bar(17.5, -40.0, 40.0, 96) - keyway(17.5, 10.0, 3.3, 40.0)


def pump_elbow() -> Solid:
    """Square elbow, hollow: bore 50, wall 9, ports facing -x and -y, centre to face 120.

    Flanges 140 dia x 18 with four holes 18 on a 110 pitch circle; a gauge boss on top, bored 14.
    """
    bend, reach = 80.0, 120.0

    def pipe(radius: float, beyond: float) -> Solid:
        turn = np.radians(np.linspace(0.0, 90.0, 16))
        arc = np.column_stack([np.cos(turn), np.sin(turn)]) * bend - bend
        start, stop = (0.0, -reach - beyond), (-reach - beyond, 0.0)
        rings = []
        for (x, y), angle in zip([start, *arc, stop], [0.0, *turn, 0.5 * math.pi], strict=True):
            across, up = circle(radius, 56).T
            rings.append(
                np.column_stack([x - across * math.cos(angle), y - across * math.sin(angle), up])
            )
        return loft(rings)

    flange_ring = rounded(
        [(0.0, 0.0, 0.0), (70.0, 0.0, 1.0), (70.0, 18.0, 3.0), (33.8, 18.0, 8.0), (33.8, 40.0, 0.0),
         (0.0, 40.0, 0.0)]
    )  # fmt: skip
    flange = Solid.revolve(flange_ring, 96)
    holes = around(bar(9.0, -1.0, 20.0, 48).translate((55.0, 0.0, 0.0)), 4, 45.0)
    on_y = rotation("x", -90.0)
    on_y[:3, 3] = (0.0, -reach, 0.0)
    on_x = rotation("y", 90.0)
    on_x[:3, 3] = (-reach, 0.0, 0.0)
    middle = bend * (math.sqrt(0.5) - 1.0)
    boss = bar(15.0, 0.0, 46.0, 48).translate((middle, middle, 0.0))
    outside = union_all([pipe(34.0, -1.0), flange.transform(on_y), flange.transform(on_x), boss])
    tap = bar(7.0, 0.0, 50.0, 48).translate((middle, middle, 0.0))
    return outside - union_all([pipe(25.0, 2.0), holes.transform(on_y), holes.transform(on_x), tap])


def vee_pulley() -> Solid:
    """Vee pulley about z: 220 dia, one 38 degree groove 17 wide and 16 deep, rim 34 wide.

    Web 12 with five holes 34 dia; hub 62 dia x 46, bored 28 with an 8 x 3.3 keyway.
    """
    lean = 16.0 * math.tan(math.radians(19.0))
    upper = rounded(
        [
            (14.0, 0.0, 0.0),
            (14.0, 23.0, 1.0),
            (31.0, 23.0, 3.0),
            (31.0, 6.0, 8.0),
            (80.0, 6.0, 8.0),
            (82.0, 17.0, 2.0),
            (110.0, 17.0, 1.0),
            (110.0, 8.5, 0.8),
            (94.0, 8.5 - lean, 1.0),
            (94.0, 0.0, 0.0),
        ],
        step_deg=30.0,
    )[::-1]
    ring = np.concatenate([upper, (upper * [1.0, -1.0])[::-1][1:-1]])
    body = Solid.revolve(ring[::-1] if signed_area(ring) < 0.0 else ring, 120)
    window = bar(17.0, -10.0, 10.0, 48).translate((56.0, 0.0, 0.0))
    return body - around(window, 5, 54.0) - keyway(14.0, 8.0, 3.3, 30.0)


def signed_area(ring: FloatArray) -> float:
    """Area of a plan ring, positive when anticlockwise."""
    x, y = ring.T
    return float(0.5 * np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))


def bearing_cap() -> Solid:
    """End cap for a shaft bearing, a first part to mould: flat joint face on z = 0, every other
    wall already leans 3 degrees or more, no holes.

    Four-lobed flange 14 thick on a 110 circle with lobes at (+-45, +-45); dome to z = 40.
    """
    lobes = [
        shapely.Polygon(circle(19.0, 48) + np.array([x, y])) for x in (-45, 45) for y in (-45, 45)
    ]
    plan = outline(
        shapely.union_all([shapely.Polygon(circle(55.0, 96)), *lobes]), convex=12.0, concave=14.0
    )
    lean = math.tan(math.radians(3.0))
    wall = rounded([(-20.0, 14.0, 0.0), (-20.0, 0.0, 0.0), (0.0, 0.0, 0.0),
                    (-14.0 * lean, 14.0, 3.0)])[2:]  # fmt: skip
    flange = drum(plan, wall)
    dome = drum_of(43.0, boss_profile(14.0, 40.0, 7.0, 12.0, draft_deg=5.0), 96)
    pad = drum_of(14.0, boss_profile(40.0, 48.0, 4.0, 2.0, draft_deg=5.0), 48)
    lugs = [
        drum_of(11.0, boss_profile(14.0, 20.0, 2.5, 1.5, draft_deg=4.0), 48).translate((x, y, 0.0))
        for x in (-45.0, 45.0)
        for y in (-45.0, 45.0)
    ]
    return union_all([flange, dome, pad, *lugs])


PARTS: dict[str, Callable[[], Solid]] = {
    "ribbed_bracket": ribbed_bracket,
    "flanged_bush": flanged_bush,
    "sluice_link": sluice_link,
    "handwheel": handwheel,
    "pump_elbow": pump_elbow,
    "vee_pulley": vee_pulley,
    "bearing_cap": bearing_cap,
}


def make(name: str) -> Solid:
    """One demo part by name, tidied."""
    return PARTS[name]().simplify(TIDY_MM)


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent
    for name in PARTS:
        solid = make(name)
        write_stl(folder / f"{name}.stl", solid)
        size = " x ".join(f"{c:.2f}" for c in solid.bounds[1] - solid.bounds[0])
        print(f"{name}: {size} mm, {solid.facets} facets, {solid.volume / 1000.0:.2f} cm3")


if __name__ == "__main__":
    main()
