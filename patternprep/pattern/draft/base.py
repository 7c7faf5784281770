"""The parting face of a matched half freed from what no file can hold.

Where a bead ends on an outline that is already there, the union leaves corners some millionths of
a millimetre apart. 32-bit coordinates cannot tell them apart, and such facets may fold.
"""

from __future__ import annotations

import numpy as np

from patternprep.errors import KernelFault
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import Mesh
from patternprep.mesh.settle import cancel_opposites, flip_flat_facets
from patternprep.mesh.topology import components, used_only

__all__ = ["corners_joined"]

_JOIN_MM = 1e-5
_VOLUME_SHARE = 1e-7


def corners_joined(solid: Solid) -> Solid:
    """With corners on z = 0 joined that hang together by edges shorter than 1e-5 mm.

    The solid as it was where nothing is so short, or where it would not stay one.
    """
    mesh = solid.to_mesh()
    start, end = mesh.faces.reshape(-1), np.roll(mesh.faces, -1, axis=1).reshape(-1)
    flat = mesh.vertices[:, 2] == 0.0
    once = (start < end) & flat[start] & flat[end]
    start, end = start[once], end[once]
    away = mesh.vertices[end, :2] - mesh.vertices[start, :2]
    short = np.hypot(away[:, 0], away[:, 1]) < _JOIN_MM
    if not short.any():
        return solid
    _, label = components(len(mesh.vertices), start[short], end[short])
    _, first = np.unique(label, return_index=True)
    faces = first[label][mesh.faces]
    a, b, c = faces.T
    faces = cancel_opposites(faces[(a != b) & (b != c) & (c != a)])
    used, faces = used_only(faces, len(mesh.vertices))
    points = mesh.vertices[used]
    try:
        joined = Solid.from_mesh(
            Mesh(points, flip_flat_facets(points, faces)), "joining corners on the parting"
        )
    except KernelFault:
        return solid
    kept = abs(joined.volume - solid.volume) <= _VOLUME_SHARE * solid.volume
    return joined if kept else solid
