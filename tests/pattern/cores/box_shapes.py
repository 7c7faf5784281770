"""Cores for the tests of boxes: solids with the outer ends and the regions of their prints."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from patternprep.mesh.kernel import Solid, hull_of_points, union_all
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.pattern.cores.box import CoreEnd

X, Y, Z = np.eye(3)


@dataclass(frozen=True, eq=False)
class Shape:
    core: Solid
    ends: list[CoreEnd]
    free: Solid | None

    def moved(self, matrix: FloatArray) -> Shape:
        turn, shift = matrix[:3, :3], matrix[:3, 3]
        return Shape(
            self.core.transform(matrix),
            [
                CoreEnd(turn @ e.point + shift, turn @ e.normal, e.ring @ turn.T + shift)
                for e in self.ends
            ],
            None if self.free is None else self.free.transform(matrix),
        )


def upright() -> FloatArray:
    """Turns a core that lies along x so that it stands along z."""
    matrix = np.eye(4)
    matrix[:3, :3] = [[0.0, -1.0, 0.0], [0.0, 0.0, -1.0], [1.0, 0.0, 0.0]]
    assert np.isclose(np.linalg.det(matrix), 1.0)
    return matrix


def circle(count: int, radius: float, phase: float = 0.0) -> FloatArray:
    """Plan points (k, 2), anticlockwise; a corner on the first axis for phase 0."""
    turn = 2.0 * np.pi * (np.arange(count) + phase) / count
    return radius * np.column_stack([np.cos(turn), np.sin(turn)])


def at(x: float, plan: FloatArray) -> FloatArray:
    """A ring across the x axis."""
    return np.column_stack([np.full(len(plan), x), plan])


def end(ring: FloatArray, normal: FloatArray) -> CoreEnd:
    return CoreEnd(ring.mean(axis=0), normal, ring)


def straight(plan: FloatArray, length: float, prints: float = 0.0) -> Shape:
    """A prism along x over a convex plan, with prints of that length at its ends."""
    rings = [at(0.0, plan), at(length, plan)]
    free = None
    if prints > 0.0:
        free = union_all(
            [
                hull_of_points(np.concatenate([at(a, plan), at(b, plan)]))
                for a, b in ((0.0, prints), (length - prints, length))
            ]
        )
    core = hull_of_points(np.concatenate(rings))
    return Shape(core, [end(rings[0], -X), end(rings[1], X)], free)


def turned(steps: list[tuple[float, float, float]], count: int = 64) -> Shape:
    """A round core along x of (length, first radius, last radius); first and last are prints."""
    x, profile = 0.0, [(0.0, 0.0)]
    for length, first, last in steps:
        if profile[-1] != (first, x):
            profile.append((first, x))
        x += length
        profile.append((last, x))
    profile.append((0.0, x))
    core = Solid.revolve(np.array(profile), count).transform(np.linalg.inv(upright()))
    free = core.trim_by_plane((1.0, 0.0, 0.0), x - steps[-1][0]) + core.trim_by_plane(
        (-1.0, 0.0, 0.0), -steps[0][0]
    )
    ends = [
        end(at(0.0, circle(count, steps[0][1])), -X),
        end(at(x, circle(count, steps[-1][2])), X),
    ]
    return Shape(core, ends, free)


def slotted() -> Shape:
    """A slotted eye, tapered from both ends to its middle, with tapered prints."""

    def slot(x: float, half: float, radius: float) -> FloatArray:
        round_ended = shapely.LineString([(-half, 0.0), (half, 0.0)]).buffer(radius, quad_segs=12)
        return at(x, np.asarray(round_ended.exterior.coords)[:-1])

    def loft(*rings: FloatArray) -> Solid:
        return hull_of_points(np.concatenate(rings))

    outer = [slot(-20.0, 15.0, 8.0), slot(80.0, 15.0, 8.0)]
    mouths = [slot(0.0, 15.0, 9.0), slot(60.0, 15.0, 9.0)]
    waist = slot(30.0, 14.0, 8.0)
    prints = union_all([loft(outer[0], mouths[0]), loft(outer[1], mouths[1])])
    body = union_all([loft(mouths[0], waist), loft(waist, mouths[1])])
    return Shape(union_all([body, prints]), [end(outer[0], -X), end(outer[1], X)], prints)


def elbow(radius: float = 15.0, bend: float = 40.0, count: int = 48) -> Shape:
    """A quarter of a torus with straight legs and prints, lying in z = 0."""
    leg, prints = 30.0, 25.0
    section = circle(count, radius)

    def ring(centre: tuple[float, float], out: FloatArray) -> FloatArray:
        return np.array([*centre, 0.0]) + section[:, :1] * out + section[:, 1:] * Z

    rings = [ring((0.0, -leg - prints), X), ring((0.0, -leg), X)]
    for t in np.linspace(0.0, 0.5 * np.pi, 25):
        c, s = float(np.cos(t)), float(np.sin(t))
        rings.append(ring((bend - bend * c, bend * s), np.array([c, -s, 0.0])))
    rings += [ring((bend + d, bend), -Y) for d in (leg, leg + prints)]
    free = union_all([hull_of_points(np.concatenate(r)) for r in (rings[:2], rings[-2:])])
    return Shape(tube(rings), [end(rings[0], -Y), end(rings[-1], X)], free)


def tube(rings: list[FloatArray]) -> Solid:
    """The solid through rings of as many points each."""
    k, last = len(rings[0]), (len(rings) - 1) * len(rings[0])
    i = np.arange(k)
    j = (i + 1) % k
    points = np.concatenate([*rings, [rings[0].mean(axis=0)], [rings[-1].mean(axis=0)]])
    faces = []
    for a in range(0, last, k):
        faces.append(np.column_stack([a + i, a + j, a + k + j]))
        faces.append(np.column_stack([a + i, a + k + j, a + k + i]))
    faces.append(np.column_stack([j, i, np.full(k, last + k)]))
    faces.append(np.column_stack([last + i, last + j, np.full(k, last + k + 1)]))
    mesh = Mesh(points, np.concatenate(faces))
    return Solid.from_mesh(mesh if mesh.volume > 0.0 else Mesh(points, mesh.faces[:, ::-1]))


def frustum() -> Shape:
    """A cone that stands upright, its wide end up."""
    core = Solid.cylinder(60.0, 20.0, 30.0, 64)
    ring = np.column_stack([circle(64, 30.0), np.full(64, 60.0)])
    return Shape(core, [end(ring, Z)], None)


def body_core() -> Shape:
    """A hollow's core with coned ends and an outlet to one side."""
    shape = turned([(25, 14, 14), (20, 14, 30), (60, 30, 30), (20, 30, 14), (25, 14, 14)])
    outlet = hull_of_points(
        np.concatenate(
            [np.insert(circle(48, 10.0) + np.array([75.0, 0.0]), 1, y, axis=1) for y in (0, 70)]
        )
    )
    core = shape.core + outlet
    ring = np.insert(circle(48, 10.0) + np.array([75.0, 0.0]), 1, 70.0, axis=1)
    assert shape.free is not None
    free = shape.free + core.trim_by_plane((0.0, 1.0, 0.0), 45.0)
    return Shape(core, [*shape.ends, end(ring, Y)], free)


def winding() -> Shape:
    """Five bars, each square to the last, that wind through space: no flat parting draws it."""

    def bar(low: tuple[float, ...], high: tuple[float, ...]) -> Solid:
        return Solid.box(low, high)

    core = union_all(
        [
            bar((0, 0, 0), (60, 10, 10)),
            bar((50, 0, 0), (60, 10, 60)),
            bar((50, 0, 50), (60, 60, 60)),
            bar((0, 50, 50), (60, 60, 60)),
            bar((0, 50, 0), (10, 60, 60)),
        ]
    )
    return Shape(core, [], None)
