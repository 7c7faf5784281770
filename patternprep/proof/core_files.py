"""The cores and core boxes of a kit as they lie in its folder."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from patternprep.errors import FileFault
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.proof.figures import Figures
from patternprep.proof.plan import PlanGrid
from patternprep.proof.reading import read_hashed
from patternprep.proof.spread import spread
from patternprep.proof.tree import FacetTree

__all__ = ["MOST_POINTS", "BoxFile", "CoreFile", "PrintTold", "read_boxes", "read_cores"]

MOST_POINTS = 12_000
"""So many points at most are spread over a core or a piece of its box."""

_FARTHEST = 1e6


@dataclass(frozen=True, eq=False)
class PrintTold:
    """One core print as figures.json tells it; mould frame, mm."""

    stated: Figures
    side: str
    point: FloatArray
    normal: FloatArray
    gap_side_mm: float
    gap_end_mm: float
    core_rings: tuple[FloatArray, FloatArray]
    seat_rings: tuple[FloatArray, FloatArray]

    @cached_property
    def seat_planes(self) -> FloatArray:
        """The seat as half-spaces (h, 4): a.x + b <= 0 inside."""
        return _planes(np.concatenate(self.seat_rings))

    @cached_property
    def core_planes(self) -> FloatArray:
        """The core's own print as half-spaces (h, 4): a.x + b <= 0 inside."""
        return _planes(np.concatenate(self.core_rings))

    @cached_property
    def core_triangles(self) -> FloatArray:
        """The surface of the core's own print, outward, (k, 3, 3)."""
        return _hull_triangles(np.concatenate(self.core_rings))

    @cached_property
    def seat_triangles(self) -> FloatArray:
        """The seat's surface, outward, (k, 3, 3)."""
        return _hull_triangles(np.concatenate(self.seat_rings))


@dataclass(frozen=True, eq=False)
class _MeshFile:
    """A mesh of the kit, what is told of it, and what is made ready of it once."""

    name: str
    stated: Figures
    mesh: Mesh
    sha256: str

    @cached_property
    def tree(self) -> FacetTree:
        """Its facets, for distances."""
        return FacetTree(self.mesh.triangles)

    @cached_property
    def grid(self) -> PlanGrid:
        """Its facets, for vertical lines."""
        return PlanGrid(self.mesh.triangles)

    @cached_property
    def points(self) -> FloatArray:
        """Points spread over its surface, (n, 3)."""
        return spread(self.mesh.triangles, MOST_POINTS)


@dataclass(frozen=True, eq=False)
class CoreFile(_MeshFile):
    """One core: what figures.json states of it, and the mesh that was found."""

    prints: tuple[PrintTold, ...]


@dataclass(frozen=True, eq=False)
class BoxFile(_MeshFile):
    """One piece of a core box."""

    core: str
    matrix: FloatArray
    """Mould frame to the frame of this file, 4 x 4."""


def read_cores(folder: Path, figures: Figures) -> tuple[CoreFile, ...]:
    """All cores that figures.json tells of; FileFault for what is absent or wrong."""
    found = []
    for row in figures.tables("cores"):
        name = row.text("name")
        mesh, sha = _read(folder, row, "file", f"assembly/{name}.stl")
        prints = tuple(_print(one) for one in row.tables("prints"))
        found.append(CoreFile(name, row, mesh, sha, prints))
    _check_names(figures, "cores", [c.name for c in found], folder / "assembly", "core-*.stl")
    return tuple(found)


def read_boxes(folder: Path, figures: Figures) -> tuple[BoxFile, ...]:
    """All box pieces that figures.json tells of; FileFault for what is absent or wrong."""
    found = []
    for row in figures.tables("boxes"):
        name = row.text("name")
        mesh, sha = _read(folder, row, "print_file", f"print/{name}.stl")
        matrix = row.array("core_to_print", (4, 4))
        found.append(BoxFile(name, row, mesh, sha, row.text("core"), matrix))
    _check_names(figures, "boxes", [b.name for b in found], folder / "print", "core-*.stl")
    return tuple(found)


def _check_names(figures: Figures, key: str, names: list[str], folder: Path, kind: str) -> None:
    if len(set(names)) != len(names):
        raise FileFault(f"{figures.file}: '{key}' names a piece twice; make the kit again.")
    for path in sorted(folder.glob(kind)):
        if path.stem not in names:
            raise FileFault(
                f"{path} lies in the kit but figures.json does not tell of it; make the kit again."
            )


def _read(folder: Path, row: Figures, key: str, expected: str) -> tuple[Mesh, str]:
    if row.text(key) != expected or "/" in row.text("name") or "\\" in row.text("name"):
        raise FileFault(
            f"{row.file}: '{key}' of {row.text('name')} is not '{expected}'; make the kit again."
        )
    return read_hashed(folder / expected)


def _print(row: Figures) -> PrintTold:
    core, seat = (_rings(row, key) for key in ("core_rings_mm", "seat_rings_mm"))
    return PrintTold(
        stated=row,
        side=row.text("side"),
        point=row.array("opening_point_mm", (3,)),
        normal=row.array("opening_normal", (3,)),
        gap_side_mm=row.number("gap_side_mm"),
        gap_end_mm=row.number("gap_end_mm"),
        core_rings=core,
        seat_rings=seat,
    )


def _rings(row: Figures, key: str) -> tuple[FloatArray, FloatArray]:
    given = row.look(key)
    if not isinstance(given, list) or len(given) != 2:
        raise FileFault(f"{row.file}: '{key}' must hold two rings; make the kit again.")
    return ring_of(given[0], row, key), ring_of(given[1], row, key)


def ring_of(given: object, row: Figures, key: str) -> FloatArray:
    """A ring of at least three points (k, 3), or a FileFault."""
    try:
        ring = np.array(given, dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        ring = np.zeros(0)
    sound = ring.ndim == 2 and ring.shape[1:] == (3,) and len(ring) >= 3
    if not sound or not (np.abs(ring) <= _FARTHEST).all():
        raise FileFault(
            f"{row.file}: '{key}' must hold rings of points within 1e6; make the kit again."
        )
    return ring


def _planes(points: FloatArray) -> FloatArray:
    from scipy.spatial import ConvexHull, QhullError

    try:
        return np.asarray(ConvexHull(points).equations)
    except QhullError:  # a flat print holds nothing
        return np.array([[0.0, 0.0, 0.0, np.inf]])


def _hull_triangles(points: FloatArray) -> FloatArray:
    from scipy.spatial import ConvexHull, QhullError

    try:
        hull = ConvexHull(points)
    except QhullError:
        return np.zeros((0, 3, 3))
    corners = points[hull.simplices]
    facing = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    turned = (facing * hull.equations[:, :3]).sum(axis=1) < 0.0
    return np.where(turned[:, None, None], corners[:, ::-1], corners)
