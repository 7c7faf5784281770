"""Closed shells too small to mean anything, which a union or a cut may leave behind."""

from __future__ import annotations

import numpy as np

from patternprep.mesh.check import shell_volumes
from patternprep.mesh.mesh import Mesh
from patternprep.mesh.topology import components, edge_table, mesh_of_facets

__all__ = ["CRUMB_MM3", "without_crumbs"]

CRUMB_MM3 = 0.01
"""A hollow or a splinter of less than this holds nothing."""


def without_crumbs(mesh: Mesh) -> Mesh:
    """Without closed shells of hardly any volume: hollows and splinters."""
    table = edge_table(mesh.faces)
    at = table.start[table.simple]
    count, label = components(mesh.facets, table.half[at] // 3, table.half[at + 1] // 3)
    if count == 1:
        return mesh
    volume = shell_volumes(mesh, count, label)
    return mesh_of_facets(mesh.vertices, mesh.faces[(np.abs(volume) > CRUMB_MM3)[label]])
