"""Many small closed bodies as one set of arrays, handed to the kernel as a few solids."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh

__all__ = ["Bodies", "joined", "pack"]

_CELLS = 256


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
    layer = _layers(bodies)
    solids = []
    of_facet = layer[bodies.body]
    for k in range(int(layer.max()) + 1):
        used, flat = np.unique(bodies.faces[of_facet == k], return_inverse=True)
        mesh = Mesh(bodies.points[used], flat.reshape(-1, 3))
        solids.append(Solid.from_mesh(mesh, "building walls of draft"))
    return solids


def _layers(bodies: Bodies) -> IntArray:
    """Layer of each body so that bodies of one layer share no cell of a raster in plan.

    Large bodies are placed first, each into the first layer where its cells are free.
    """
    cell, start = _cells(bodies)
    layer = np.zeros(bodies.count, dtype=np.int64)
    taken = np.zeros((1, _CELLS * _CELLS), dtype=bool)
    size = np.diff(start)
    for i in np.argsort(-size, kind="stable").tolist():
        own = cell[start[i] : start[i + 1]]
        free = int(np.argmin(np.append(taken[:, own].any(axis=1), False)))
        if free == len(taken):
            taken = np.concatenate([taken, np.zeros_like(taken)])
        taken[free, own] = True
        layer[i] = free
    return np.unique(layer, return_inverse=True)[1]


def _cells(bodies: Bodies) -> tuple[IntArray, IntArray]:
    """(cells of all bodies in order of body, first of each body and the end of the last)."""
    plan = bodies.points[bodies.faces, :2]
    low, high = plan.min(axis=1), plan.max(axis=1)
    origin = low.min(axis=0) - 1e-3
    size = float((high.max(axis=0) - origin).max() + 1e-3) / _CELLS
    a = np.floor((low - 1e-6 - origin) / size).astype(np.int64)
    wide = np.floor((high + 1e-6 - origin) / size).astype(np.int64) - a + 1
    count = wide[:, 0] * wide[:, 1]
    facet = np.repeat(np.arange(len(count)), count)
    step = np.arange(len(facet)) - np.repeat(np.cumsum(count) - count, count)
    x = a[facet, 0] + step % wide[facet, 0]
    y = a[facet, 1] + step // wide[facet, 0]
    key = np.unique(bodies.body[facet] * (_CELLS * _CELLS) + x * _CELLS + y)
    owner = key // (_CELLS * _CELLS)
    return key % (_CELLS * _CELLS), np.searchsorted(owner, np.arange(bodies.count + 1))
