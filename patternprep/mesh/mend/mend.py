"""From the surface as read to one sound solid, every step told."""

from __future__ import annotations

from dataclasses import dataclass

from patternprep.mesh.check import require_sound
from patternprep.mesh.mend.report import Mending
from patternprep.mesh.mesh import Mesh
from patternprep.progress import Progress, silent

__all__ = ["Mended", "mend_part"]


@dataclass(frozen=True)
class Mended:
    """A sound mesh, its number of bodies, and what was done to get there."""

    mesh: Mesh
    bodies: int
    mendings: tuple[Mending, ...]
    warnings: tuple[str, ...]


def mend_part(mesh: Mesh, what: str, progress: Progress = silent) -> Mended:
    """A sound solid from a welded mesh in mm; MeshFault where that cannot be done honestly."""
    report = require_sound(mesh, what)
    return Mended(mesh, report.shells, (), ())
