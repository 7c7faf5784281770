"""The thinnest metal beside a core: how far it is through the part from the walls of its hole.

Mould frame, pattern size, mm.
"""

from __future__ import annotations

import numpy as np

from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.pattern.cores.model import Void

__all__ = ["thinnest_wall", "wall_looks"]

LOOKS = 2500
"""How many places on the walls of a hole it is measured from."""

OFF_MM = 1e-3
"""How far inside the metal a measurement begins."""


def thinnest_wall(
    part: Solid, hollow: Solid, mesh: Mesh, void: Void
) -> tuple[float, FloatArray] | None:
    """The least thickness of metal behind a hole's walls, and a point there on the wall.

    ``part`` is the solid of ``mesh``, on which the void was found, and ``hollow`` the void's.
    Measured square to the wall at points spread over it, so a bound from above. Metal that ends in
    the same hole again, beside its steps and forks, is no wall of the casting and does not count.
    None where no metal lies behind the walls.
    """
    points, inward = wall_looks(mesh, void)
    reach = 2.0 * float(np.linalg.norm(mesh.size))
    least, where = np.inf, None
    for start, way in zip(points + OFF_MM * inward, inward, strict=True):
        hits = part.hits(start, start + reach * way)
        if not len(hits) or hits[0] + OFF_MM >= least:
            continue
        beyond = start + (hits[0] + 2.0 * OFF_MM) * way
        if len(hollow.hits(beyond, beyond + reach * way)) % 2 == 1:
            continue
        least, where = float(hits[0]) + OFF_MM, start
    return None if where is None else (least, np.asarray(where))


def wall_looks(mesh: Mesh, void: Void) -> tuple[FloatArray, FloatArray]:
    """Points spread over a hole's walls by area, and the unit ways into the metal, (n, 3) each."""
    ends = np.cumsum(mesh.areas[void.facets])
    number = np.arange(LOOKS)
    chosen = np.searchsorted(ends, (number + 0.5) / LOOKS * ends[-1]).clip(0, len(ends) - 1)
    # an even spread over each facet: multiples of the plastic number's powers, folded
    u, v = np.modf(number * 0.7548776662466927)[0], np.modf(number * 0.5698402909980532)[0]
    over = u + v > 1.0
    u, v = np.where(over, 1.0 - u, u), np.where(over, 1.0 - v, v)
    facets = void.facets[chosen]
    weights = np.stack([1.0 - u - v, u, v], axis=1)
    points = np.einsum("ij,ijk->ik", weights, mesh.triangles[facets])
    return points, -mesh.normals[facets]
