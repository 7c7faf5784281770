"""The named meshes of the benchmark, each as a fine tessellation of its true shape.

``python tests/benchmark/meshes.py NAME FACETS FILE`` writes one as binary STL, mm.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2] / "demo_models"))

from shapes import (
    around,
    circle,
    loft,
    rotation,
    rounded,
    write_stl,
)

from patternprep.mesh.kernel import Solid, union_all

Builder = Callable[[int], Solid]


def turned(corners: list[tuple[float, float, float]], segments: int) -> Solid:
    """Profile of (radius, height, rounding) about z, in facets of one turn / segments."""
    return Solid.revolve(rounded(corners, 360.0 / segments), segments)


def flange(radius: float, thick: float, neck: float, fillet: float, segments: int) -> Solid:
    """Flange from z = 0 up to a neck that goes on above it."""
    return turned(
        [
            (0.0, 0.0, 0.0),
            (radius, 0.0, 1.5),
            (radius, thick, 2.5),
            (neck, thick, fillet),
            (neck, thick + 30.0, 0.0),
            (0.0, thick + 30.0, 0.0),
        ],
        segments,
    )


def valve_body(segments: int) -> Solid:
    """Globe-valve body: flow along x, bonnet toward +y, bulb 64 in radius, hollow, bolt holes."""
    on_flow = [rotation("y", turn) for turn in (90.0, -90.0)]
    for matrix, x in zip(on_flow, (-130.0, 130.0), strict=True):
        matrix[0, 3] = x
    bonnet = rotation("x", 90.0)
    bonnet[1, 3] = 100.0
    small = max(16, segments // 3)

    def holes(circle_radius: float, count: int) -> Solid:
        hole = Solid.cylinder(30.0, 8.0, segments=small).translate((circle_radius, 0.0, -2.0))
        return around(hole, count, 180.0 / count)

    flow_flange = flange(75.0, 20.0, 36.0, 8.0, segments) - holes(58.0, 4)
    bonnet_flange = flange(70.0, 18.0, 44.0, 6.0, segments) - holes(57.0, 6)
    pipe = Solid.cylinder(240.0, 36.0, segments=segments).translate((0.0, 0.0, -120.0))
    along_x = rotation("y", 90.0)
    along_y = rotation("x", -90.0)
    neck = Solid.cylinder(90.0, 44.0, segments=segments).transform(along_y)
    bulb = Solid.sphere(64.0, segments)
    outside = union_all(
        [
            *(flow_flange.transform(m) for m in on_flow),
            bonnet_flange.transform(bonnet),
            pipe.transform(along_x),
            neck,
            bulb,
        ]
    )
    bore = Solid.cylinder(280.0, 25.0, segments=segments).translate((0.0, 0.0, -140.0))
    inside = union_all(
        [
            bore.transform(along_x),
            Solid.cylinder(120.0, 35.0, segments=segments).transform(along_y),
            Solid.sphere(54.0, segments),
        ]
    )
    return outside - inside


def spoked_pulley(segments: int) -> Solid:
    """Belt pulley about z: crowned rim 400 dia, two inner rims, six oval spokes, hub.

    The ends of the rim and of both inner rims lie in the same two planes.
    """

    def ring(inner: float, outer: float, half: float, crown: float) -> Solid:
        upper = rounded(
            [(inner, 0.0, 0.0), (inner, half, 2.0), (outer, half, 2.0), (outer + crown, 0.0, 0.0)],
            360.0 / segments,
        )[1:-1]
        if crown > 0.0:
            sag = np.linspace(1.0, 0.0, max(4, segments // 12))[1:-1]
            bow = np.column_stack([outer + crown * (1.0 - sag**2), half * 0.9 * sag])
            upper = np.concatenate([upper, bow])
        lower = (upper * [1.0, -1.0])[::-1]
        edge = [np.array([[outer + crown, 0.0]]), np.array([[inner, 0.0]])]
        return Solid.revolve(np.concatenate([upper, edge[0], lower, edge[1]])[::-1], segments)

    oval = circle(1.0, 4 * max(3, round(segments / 12)))
    stations = np.linspace(20.0, 190.0, max(8, segments // 3))

    def spoke() -> Solid:
        rings = []
        for s in stations:
            flare = 1.0 + 0.5 * (2.0 * abs((s - 105.0) / 170.0)) ** 4
            across, up = (oval * [14.0 * flare, 9.0 * min(flare, 1.2)]).T
            rings.append(np.column_stack([np.full(len(oval), s), across, up]))
        return loft(rings)

    body = union_all(
        [
            ring(184.0, 198.0, 30.0, 2.0),
            ring(120.0, 130.0, 30.0, 0.0),
            ring(60.0, 70.0, 30.0, 0.0),
            ring(15.0, 38.0, 40.0, 0.0),
            around(spoke(), 6),
        ]
    )
    bore = Solid.cylinder(100.0, 17.5, segments=segments).translate((0.0, 0.0, -50.0))
    return body - bore


STEP = 4
"""Segments in a turn come in fours, so that quarters fall on vertices."""

MESHES: dict[str, Builder] = {"valve body": valve_body, "spoked pulley": spoked_pulley}


def of_size(name: str, facets: int) -> Solid:
    """The mesh with at least so many facets, as few more as whole segments allow."""
    build = MESHES[name]
    segments, tried = 96, dict[int, Solid]()
    while segments not in tried:
        tried[segments] = build(segments)
        wanted = segments * math.sqrt(1.01 * facets / tried[segments].facets)
        segments = max(24, STEP * round(wanted / STEP))
    while tried[segments].facets < facets:
        segments += STEP
        if segments not in tried:
            tried[segments] = build(segments)
    return tried[segments]


if __name__ == "__main__":
    write_stl(Path(sys.argv[3]), of_size(sys.argv[1], int(sys.argv[2])))
