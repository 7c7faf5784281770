"""Openings, prints and cores for tests, cut out of blocks in the mould frame."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from patternprep.mesh.kernel import Solid
from patternprep.pattern.cores.assemble import CoreBody, build_core, close_voids
from patternprep.pattern.cores.model import Opening, Void
from patternprep.pattern.cores.prints import PrintSize, Side
from patternprep.pattern.cores.voids import find_voids, join_voids

SIZE = PrintSize(length_mm=25.0, taper_deg=2.0, gap_side_mm=0.25, gap_end_mm=0.5)


def rule(opening: Opening, side: Side) -> PrintSize:
    return SIZE


def only_void(part: Solid) -> Void:
    """All holes of a part as one."""
    mesh = part.to_mesh()
    return join_voids(mesh, find_voids(mesh))


def cored(part: Solid, size: Callable[[Opening, Side], PrintSize] = rule) -> tuple[CoreBody, Solid]:
    """The core of a part's only hole, and the part with it filled."""
    void = only_void(part)
    filled, hollows, bad = close_voids(part, [void])
    assert bad is None
    return build_core("core 1", void, hollows[0], size), filled


def bored(tool: Solid, low=(-60.0, -50.0, -40.0), high=(60.0, 50.0, 40.0)) -> Solid:
    return Solid.box(low, high) - tool


def turned(solid: Solid, axis: np.ndarray, degrees: float, about: np.ndarray) -> Solid:
    return solid.transform(rotation(axis, degrees, about))


def rotation(axis, degrees: float, about) -> np.ndarray:
    """Turn about an axis through a point (Rodrigues), 4 x 4."""
    k = np.asarray(axis, dtype=float) / np.linalg.norm(axis)
    cross = np.array([[0, -k[2], k[1]], [k[2], 0, -k[0]], [-k[1], k[0], 0]])
    angle = np.radians(degrees)
    turn = np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross
    matrix = np.eye(4)
    matrix[:3, :3] = turn
    matrix[:3, 3] = about - turn @ np.asarray(about)
    return matrix
