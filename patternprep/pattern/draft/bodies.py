"""Many small closed bodies as one set of arrays, handed to the kernel as a few solids."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh

__all__ = ["Bodies", "joined", "pack"]

_PAIRS_AT_ONCE = 1500


@dataclass(frozen=True, eq=False)
class Bodies:
    """Triangles of many closed bodies, ``body`` (m,) saying which body each facet is of."""

    points: FloatArray
    faces: IntArray
    body: IntArray
    count: int


def joined(parts: Sequence[Bodies]) -> Bodies:
    """All bodies of several sets as one set."""
    at, number = 0, 0
    points, faces, body = [], [], []
    for part in parts:
        points.append(part.points)
        faces.append(part.faces + at)
        body.append(part.body + number)
        at += len(part.points)
        number += part.count
    return Bodies(np.concatenate(points), np.concatenate(faces), np.concatenate(body), number)


def pack(bodies: Bodies) -> list[Solid]:
    """Solids of bodies that do not touch in plan: few solids, each of many bodies."""
    if not bodies.count or not len(bodies.faces):
        return []
    layer = _layers(_plan_boxes(bodies))
    solids = []
    of_facet = layer[bodies.body]
    for k in range(int(layer.max()) + 1):
        used, flat = np.unique(bodies.faces[of_facet == k], return_inverse=True)
        mesh = Mesh(bodies.points[used], flat.reshape(-1, 3))
        solids.append(Solid.from_mesh(mesh, "building walls of draft"))
    return solids


def _plan_boxes(bodies: Bodies) -> FloatArray:
    """Plan box of each body, (n, 4): low x, low y, high x, high y."""
    xy = bodies.points[bodies.faces.reshape(-1), :2]
    body = np.repeat(bodies.body, 3)
    order = np.argsort(body, kind="stable")
    start = np.searchsorted(body[order], np.arange(bodies.count))
    low = np.minimum.reduceat(xy[order], start, axis=0)
    high = np.maximum.reduceat(xy[order], start, axis=0)
    gap = 1e-6
    return np.hstack([low - gap, high + gap])


def _layers(boxes: FloatArray) -> IntArray:
    """Layer of each body so that bodies of one layer are apart; large bodies first."""
    n = len(boxes)
    near = _neighbours(boxes)
    area = (boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])
    layer = np.full(n, -1, dtype=np.int64)
    for i in np.argsort(-area, kind="stable").tolist():
        taken = set(layer[near[i]].tolist())
        k = 0
        while k in taken:
            k += 1
        layer[i] = k
    return layer


def _neighbours(boxes: FloatArray) -> list[IntArray]:
    """For each box the boxes that overlap it."""
    n = len(boxes)
    if n <= _PAIRS_AT_ONCE:
        meet = (
            (boxes[:, None, 0] < boxes[None, :, 2])
            & (boxes[None, :, 0] < boxes[:, None, 2])
            & (boxes[:, None, 1] < boxes[None, :, 3])
            & (boxes[None, :, 1] < boxes[:, None, 3])
        )
        return [np.flatnonzero(row) for row in meet]
    import shapely

    shapes = shapely.box(*boxes.T)
    one, other = shapely.STRtree(shapes).query(shapes)
    order = np.argsort(one, kind="stable")
    return np.split(other[order], np.searchsorted(one[order], np.arange(1, n)))
