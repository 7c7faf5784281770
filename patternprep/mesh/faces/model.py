"""What a face of a part is, as a machinist names it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from patternprep.mesh.faces.surface import Surface
from patternprep.mesh.mesh import IntArray, Mesh

__all__ = ["KINDS", "Face", "FaceSet", "Vector"]

KINDS = ("plane", "bore", "boss", "arc", "cone", "sphere", "torus", "free")
"""Kinds of faces: a bore is a full turn with the material outside, a boss one with it inside."""

Vector = tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Face:
    """One face of a part.

    A face is told by where it is (``point`` lies on it, well inside), never by its place in the
    file. ``radius_mm`` is that of the vertices: facets are chords inside of it. For a torus it is
    the ring's radius and ``second_radius_mm`` the tube's; for a cone the larger and the smaller
    end. ``outward`` is True where the material is inside of the curve. ``residual_mm`` is the
    root mean square distance of the vertices from the surface.
    """

    name: str
    kind: str
    facets: IntArray = field(repr=False)
    area_mm2: float
    point: Vector
    normal: Vector
    """Outward normal at ``point``; for a plane the normal of the whole face."""
    axis_point: Vector | None = None
    axis: Vector | None = None
    radius_mm: float | None = None
    second_radius_mm: float | None = None
    length_mm: float | None = None
    turn_deg: float | None = None
    """How much of a full turn about the axis the face covers."""
    through: bool | None = None
    """For a bore: open at both ends along its axis."""
    outward: bool = True
    residual_mm: float = 0.0
    surface: Surface | None = field(default=None, repr=False)

    def describe(self) -> str:
        """One line in plain words: 'bore 1: diameter 20.00, length 30.00 mm, through, at (...)'."""
        x, y, z = (c + 0.0 for c in self.point)
        length = self.length_mm or 0.0
        words = {
            "plane": f"normal ({', '.join(f'{c + 0.0:.3f}' for c in self.normal)})",
            "free": "free-form",
        }.get(self.kind, "")
        if self.kind in ("bore", "boss", "arc") and self.radius_mm is not None:
            words = f"diameter {2 * self.radius_mm:.3f} mm, length {length:.2f} mm"
            if self.kind == "arc":
                side = "outside" if self.outward else "inside"
                words += f", {self.turn_deg or 0.0:.0f} degrees, {side} corner"
            if self.through is not None:
                words += ", through" if self.through else ", blind"
        elif self.kind == "sphere" and self.radius_mm is not None:
            words = f"diameter {2 * self.radius_mm:.3f} mm"
        elif self.radius_mm is not None and self.second_radius_mm is not None:
            first, second = 2 * self.radius_mm, 2 * self.second_radius_mm
            words = (
                f"ring diameter {first:.3f} mm, tube diameter {second:.3f} mm"
                if self.kind == "torus"
                else f"diameter {first:.3f} to {second:.3f} mm, length {length:.2f} mm"
            )
        return f"{self.name}: {words}, area {self.area_mm2:.1f} mm2, at ({x:.3f}, {y:.3f}, {z:.3f})"


@dataclass(frozen=True, eq=False)
class FaceSet:
    """All faces of one mesh, largest first within each kind."""

    mesh: Mesh = field(repr=False)
    faces: tuple[Face, ...]
    face_of_facet: IntArray = field(repr=False)
    """Index into ``faces`` for each facet; -1 for a facet that no face holds."""

    def __iter__(self) -> Iterator[Face]:
        return iter(self.faces)

    def __len__(self) -> int:
        return len(self.faces)

    def of_kind(self, kind: str) -> tuple[Face, ...]:
        """The faces of one kind, largest first."""
        return tuple(f for f in self.faces if f.kind == kind)
