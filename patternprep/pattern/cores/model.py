"""What a cored hole is: its openings, the void that the core has to fill, and why it is cored."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from patternprep.mesh.mesh import FloatArray, IntArray, Mesh

__all__ = ["Opening", "Void", "place_words"]


def place_words(point: FloatArray) -> str:
    """A point (3,) in words: "(1.00, 2.00, 0.00) mm"."""
    x, y, z = (float(c) + 0.0 for c in np.round(point, 2))
    return f"({x:.2f}, {y:.2f}, {z:.2f}) mm"


@dataclass(frozen=True, eq=False)
class Opening:
    """A flat mouth through which a hole leaves the part."""

    ring: FloatArray
    """Rim points (k, 3) in order, anticlockwise as seen from outside, mm."""
    corners: IntArray = field(repr=False)
    """The rim's vertex numbers in the mesh, (k,)."""
    point: FloatArray
    """Centre of the mouth's area, (3,) mm."""
    normal: FloatArray
    """Unit normal out of the hole, (3,)."""
    area_mm2: float
    rim: int
    """Number of the rim: the openings of two holes that lead into each other share it."""
    beyond: str
    """Name of the hole that it leads into; empty for the open."""
    inner: bool = False
    """It lies in a flat wall of this very hole, so that what it leads into is no wider than it."""

    flat: bool = True
    """Its rim lies in a flat face; False for one in a curved face."""

    @property
    def diameter_mm(self) -> float:
        """Diameter of the circle of the same area, mm."""
        return float(np.sqrt(4.0 * self.area_mm2 / np.pi))


@dataclass(frozen=True, eq=False)
class Void:
    """A hole, pocket or hollow of a part, closed off by flat lids over its openings."""

    name: str
    """Like "hole 1", largest first."""
    mesh: Mesh = field(repr=False)
    """The empty space as a closed body: the part's own facets turned round, and the lids."""
    facets: IntArray = field(repr=False)
    """The part's facets that are its walls."""
    openings: tuple[Opening, ...]
    volume_mm3: float
    ceiling_mm2: float
    """Plan area of walls that overhang the sand which would have to draw from the hole."""
    plan_mm2: float
    """Plan area of all walls and mouths that face down, for comparison."""
    members: tuple[str, ...] = ()
    """The names of the holes that were joined into this one; empty for a single hole."""
    stopped: tuple[Opening, ...] = ()
    """Mouths into holes that are left solid: metal closes them, and they carry no print."""

    @property
    def bounds(self) -> FloatArray:
        """Lowest and highest corner, (2, 3) mm."""
        return self.mesh.bounds

    @property
    def point(self) -> FloatArray:
        """A place to name it by: the centre of its largest opening, (3,) mm."""
        return self.openings[0].point
