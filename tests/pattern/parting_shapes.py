"""Shapes for the tests of the parting search, and an oracle for what a half must fill."""

from __future__ import annotations

import itertools

import numpy as np

from patternprep.mesh.kernel import Solid, union_all
from patternprep.mesh.mesh import FloatArray

Z_TO_X = [[0, 0, 1], [0, 1, 0], [-1, 0, 0]]
Z_TO_Y = [[1, 0, 0], [0, 0, 1], [0, -1, 0]]


def placed(solid: Solid, rotation=None, shift=(0.0, 0.0, 0.0)) -> Solid:
    """Turned by a 3 x 3 matrix, then moved."""
    matrix = np.eye(4)
    if rotation is not None:
        matrix[:3, :3] = rotation
    matrix[:3, 3] = shift
    return solid.transform(matrix)


def tube(length: float, outer: float, inner: float) -> Solid:
    """Tube along z from z = 0, radii given."""
    bore = placed(Solid.cylinder(length + 2.0, inner), shift=(0, 0, -1))
    return Solid.cylinder(length, outer) - bore


def i_beam() -> Solid:
    """200 long in x, 60 high in z with 8 mm flanges 60 wide in y and an 8 mm web."""
    return (
        Solid.box((0, -30, 0), (200, 30, 8))
        + Solid.box((0, -30, 52), (200, 30, 60))
        + Solid.box((0, -4, 0), (200, 4, 60))
    )


def cup() -> Solid:
    """Outside 60 wide and 50 high, open at z = 50, inside 52 wide, floor 4 mm."""
    return Solid.cylinder(50, 30) - placed(Solid.cylinder(50, 26), shift=(0, 0, 4))


def block_with_side_hole(radius: float = 8.0) -> Solid:
    """100 x 100 x 40 with a hole along y through the middle of its sides."""
    hole = placed(Solid.cylinder(200, radius), Z_TO_Y, (0, -100, 20))
    return Solid.box((-50, -50, 0), (50, 50, 40)) - hole


def filled_half(half: Solid, layers: int | None = None) -> Solid:
    """What a half in z >= 0 must be to draw straight up: shadows of all metal above, by layers.

    Exact for solids of level and upright faces; else by the midpoint rule over ``layers``.
    """
    top = float(half.bounds[1, 2])
    if layers is None:
        levels = np.unique(np.round(half.to_mesh().vertices[:, 2], 9))
        levels = np.unique(np.append(levels[levels > 0.0], 0.0))
    else:
        levels = np.linspace(0.0, top, layers + 1)
    slabs = []
    for low, high in itertools.pairwise(levels):
        above = half.trim_by_plane((0, 0, 1), float(0.5 * (low + high)))
        if above.is_empty:
            continue
        rings: list[FloatArray] = above.outline()
        slabs.append(Solid.extrude(rings, float(high - low)).translate((0, 0, float(low))))
    return union_all(slabs)


def fill_oracle(solid: Solid, offset: float, layers: int | None = None) -> float:
    """Volume that both halves together must fill at the plane z = offset, pull +z."""
    moved = solid.translate((0, 0, -offset))
    cope, drag = moved.split_by_plane()
    drag = drag.transform(np.diag([1.0, 1.0, -1.0, 1.0]))
    total = 0.0
    for half in (cope, drag):
        if not half.is_empty and half.volume > 0.0:
            total += filled_half(half, layers).volume - half.volume
    return total
