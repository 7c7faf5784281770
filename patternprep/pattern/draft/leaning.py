"""Does every wall lean as asked? A quick judgement by facets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patternprep.mesh.mesh import Mesh

__all__ = ["Lean", "judge"]

_UNDER_DEG = 0.05
_FAR_UNDER_DEG = 0.2
_FAR_UNDER_MM2 = 0.05
_UNDER_SHARE = 300e-6
_FAR_CLEAN_MM2 = 0.005
_CLEAN_SHARE = 5e-6


@dataclass(frozen=True)
class Lean:
    """What was found about the walls of a half standing on z = 0."""

    under_mm2: float
    far_under_mm2: float
    wall_mm2: float
    worst_deg: float
    where: tuple[float, float, float]
    off_base: bool

    @property
    def clean(self) -> bool:
        """Whether all but nothing leans too little."""
        return self.far_under_mm2 <= _FAR_CLEAN_MM2 and self.under_mm2 <= _CLEAN_SHARE * max(
            self.wall_mm2, 1e-9
        )

    @property
    def sound(self) -> bool:
        """Whether it may pass."""
        return (
            not self.off_base
            and self.far_under_mm2 <= _FAR_UNDER_MM2
            and self.under_mm2 <= _UNDER_SHARE * max(self.wall_mm2, 1e-9)
        )


def judge(mesh: Mesh, lean_deg: float) -> Lean:
    """Lean of all facets above z = 0 against one angle, degrees."""
    z = mesh.vertices[mesh.faces, 2]
    base = (z == 0.0).all(axis=1)
    off_base = bool(mesh.vertices[:, 2].min() < 0.0)
    lean = np.degrees(np.arcsin(np.clip(mesh.normals[:, 2], -1.0, 1.0)))
    area = np.where(base, 0.0, mesh.areas)
    wall = area[lean < 45.0].sum()
    under = (lean < lean_deg - _UNDER_DEG) & (area > 0.0)
    far = (lean < lean_deg - _FAR_UNDER_DEG) & (area > 0.0)
    if not under.any():
        return Lean(0.0, 0.0, float(wall), lean_deg, (0.0, 0.0, 0.0), off_base)
    pick = far if far.any() else under
    worst = int(np.argmax(np.where(pick, area, -1.0)))
    centre = mesh.triangles[worst].mean(axis=0)
    return Lean(
        float(area[under].sum()),
        float(area[far].sum()),
        float(wall),
        float(lean[worst]),
        (float(centre[0]), float(centre[1]), float(centre[2])),
        off_base,
    )
