"""The thinnest metal beside a core: how far it is through the part from the walls of its hole.

Mould frame, pattern size, mm.
"""

from __future__ import annotations

import numpy as np

from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.pattern.cores.model import Void

__all__ = ["thinnest_wall"]

LOOKS = 1500
"""Places on the walls of a hole from which it is measured."""

OFF_MM = 1e-3
"""How far inside the metal a measurement begins."""


def thinnest_wall(part: Solid, mesh: Mesh, void: Void) -> tuple[float, FloatArray]:
    """The least thickness of metal behind a hole's walls, and a point there on the wall.

    ``part`` is the solid of ``mesh``, on which the void was found. Measured square to the wall at
    the middles of facets, the largest first: a bound from above.
    """
    facets = void.facets[np.argsort(-mesh.areas[void.facets], kind="stable")]
    if len(facets) > LOOKS:
        facets = np.concatenate([facets[: LOOKS // 2], facets[LOOKS // 2 :: len(facets) // LOOKS]])
    middles = mesh.triangles[facets].mean(axis=1)
    inward = -mesh.normals[facets]
    reach = 2.0 * float(np.linalg.norm(mesh.size))
    least, where = np.inf, middles[0]
    for start, way in zip(middles + OFF_MM * inward, inward, strict=True):
        found = part.first_hit(start, start + reach * way)
        if found is not None and OFF_MM < found + OFF_MM < least:
            least, where = found + OFF_MM, start
    return float(least), np.asarray(where)
