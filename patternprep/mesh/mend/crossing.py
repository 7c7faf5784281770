"""Walls of one shell that run through each other: cut apart and united.

A single shell can enclose the same space twice, as a bar bent through itself does. The place is
boxed, the material inside the box falls into separate bodies, and those are united with the rest.
The result is believed only if lines through it meet the same material as through the original.
"""

from __future__ import annotations

import numpy as np

from patternprep.errors import KernelFault
from patternprep.mesh.kernel import Solid, union_all
from patternprep.mesh.mend.lines import LineCount, count_all_ways, count_along_lines
from patternprep.mesh.mesh import FloatArray, Mesh

__all__ = ["unite_crossing_walls"]

_DEEPEST = 8
_MOST_PIECES = 400
_OVERLAP = 0.02
_AGREE = 1e-5


def unite_crossing_walls(mesh: Mesh, before: list[LineCount], allowed_mm3: float) -> Mesh | None:
    """The same material enclosed once; None where no such solid is found.

    ``before`` are the line counts of the mesh; up to ``allowed_mm3`` may stay enclosed twice.
    """
    try:
        pieces = _pieces(Solid.from_mesh(mesh), allowed_mm3)
        if pieces is None:
            return None
        result = union_all(pieces).to_mesh()
    except KernelFault:
        return None
    if result.facets == 0 or not np.allclose(result.bounds, mesh.bounds, rtol=0.0, atol=1e-9):
        return None
    for axis, count in enumerate(before):
        after = count_along_lines(result, axis)
        if after.faulty_mm3 > allowed_mm3:
            return None
        if abs(after.volume_mm3 - count.volume_mm3) > _AGREE * count.volume_mm3:
            return None
    return result


def _pieces(solid: Solid, allowed_mm3: float) -> list[Solid] | None:
    """Bodies without crossing walls whose union is the material of the solid."""
    clean: list[Solid] = []
    waiting = [(solid, 0)]
    while waiting:
        whole, depth = waiting.pop()
        for body in whole.bodies():
            if body.volume <= 0.0 or len(clean) + len(waiting) > _MOST_PIECES:
                return None  # a hollow, or no end in sight
            mesh = body.to_mesh()
            counts = count_all_ways(mesh)
            if max(c.faulty_mm3 for c in counts) <= 0.1 * allowed_mm3:
                clean.append(body)
                continue
            if depth == _DEEPEST:
                return None
            regions = [c.region for c in counts if c.region is not None]
            box = np.array(
                [np.min([r[0] for r in regions], axis=0), np.max([r[1] for r in regions], axis=0)]
            )
            waiting += [(part, depth + 1) for part in _cut(body, mesh, box)]
    return clean


def _cut(body: Solid, mesh: Mesh, region: FloatArray) -> list[Solid]:
    """Two overlapping parts: in and about the region, or two halves where it is everything."""
    low, high = mesh.bounds
    size = high - low
    pad = _OVERLAP * size + 0.05 * (region[1] - region[0])
    inner = np.array([region[0] - pad, region[1] + pad])
    if ((inner[0] <= low + 0.05 * size) & (inner[1] >= high - 0.05 * size)).all():
        axis = int(np.argmax(size))
        middle = low[axis] + 0.5 * size[axis]
        normal = np.eye(3)[axis]
        lap = 0.5 * _OVERLAP * float(size[axis])
        return [
            body.trim_by_plane(normal, middle - lap),
            body.trim_by_plane(-normal, -(middle + lap)),
        ]
    return [
        body & Solid.box(inner[0] - 0.25 * pad, inner[1] + 0.25 * pad),
        body - Solid.box(inner[0], inner[1]),
    ]
