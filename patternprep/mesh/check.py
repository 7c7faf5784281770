"""The strict check of a mesh: used on every file read, every result and every file read back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patternprep.errors import MeshFault
from patternprep.mesh.mesh import IntArray, Mesh
from patternprep.mesh.topology import EdgeTable, components, edge_table, unique_rows
from patternprep.units import format_point

__all__ = ["MeshReport", "check_mesh", "require_sound", "shell_volumes"]

_FLAT = 1e-14
"""Twice the area of a facet without area, as a share of its longest edge squared."""


@dataclass(frozen=True)
class MeshReport:
    """What the strict check found; ``sound`` is the verdict.

    ``bad_edges`` have not exactly two facets of opposite direction; of them ``open_edges`` have
    one facet, ``flipped_edges`` two of the same direction, ``pinched_edges`` four or more that
    cancel in direction (two walls touch along an edge). ``shells`` are the bodies' outer
    surfaces and ``voids`` the surfaces with negative volume. ``fault`` and ``where`` name the
    first bad place; volumes in mm3, lengths in mm.
    """

    facets: int
    vertices: int
    shells: int
    voids: int
    volume_mm3: float
    degenerate_facets: int
    duplicate_facets: int
    bad_edges: int
    open_edges: int
    flipped_edges: int
    pinched_edges: int
    fault: str | None
    where: tuple[float, float, float] | None

    @property
    def sound(self) -> bool:
        """True for a closed, oriented manifold without degenerate facets and with volume."""
        return self.fault is None


def check_mesh(mesh: Mesh) -> MeshReport:
    """Check a mesh strictly; never raises for what it finds.

    Sound means: finite coordinates, no facet without area, no facet twice, every edge shared by
    exactly two facets that run along it in opposite directions, volume above zero. Vertices are
    told apart by number, so a triangle soup must be welded first.
    """
    finite = np.isfinite(mesh.vertices).all(axis=1)
    if not finite.all() or mesh.facets == 0:
        reason = "holds no facet" if mesh.facets == 0 else "has a coordinate that is no number"
        return MeshReport(
            mesh.facets, len(mesh.vertices), 0, 0, 0.0, 0, 0, 0, 0, 0, 0, reason, None
        )
    flat = flat_facets(mesh)
    repeated = _names_a_vertex_twice(mesh.faces)
    faces = mesh.faces[~repeated] if repeated.any() else mesh.faces
    table = edge_table(faces)
    bad = ~table.simple
    doubles = _duplicates(faces) if bad.any() else np.empty(0, np.int64)
    label, shell = _shells(faces, table)
    volumes = shell_volumes(Mesh(mesh.vertices, faces), label, shell)
    counts = {
        "open_edges": int(np.count_nonzero(table.count == 1)),
        "flipped_edges": int(np.count_nonzero((table.count == 2) & (table.descending != 1))),
        "pinched_edges": int(np.count_nonzero((table.count > 2) & table.balanced)),
    }
    fault, where = _first_fault(mesh, faces, table, flat, doubles, counts)
    volume = float(volumes.sum())
    if fault is None and not volume > 0.0:
        fault = f"encloses no volume (its signed volume is {volume:.6g} mm3)"
    return MeshReport(
        facets=mesh.facets,
        vertices=len(mesh.vertices),
        shells=int(np.count_nonzero(volumes >= 0.0)),
        voids=int(np.count_nonzero(volumes < 0.0)),
        volume_mm3=volume,
        degenerate_facets=int(np.count_nonzero(flat)),
        duplicate_facets=len(doubles),
        bad_edges=int(np.count_nonzero(bad)),
        fault=fault,
        where=where,
        **counts,
    )


def require_sound(mesh: Mesh, what: str) -> MeshReport:
    """The report of a sound mesh; MeshFault with ``what``, the fault and its place otherwise."""
    report = check_mesh(mesh)
    if report.fault is not None:
        place = "" if report.where is None else f" at {format_point(list(report.where))}"
        raise MeshFault(
            f"{what} {report.fault}{place}; it must be a closed surface whose every edge is "
            f"shared by two facets, so repair it where it was drawn and export it again.",
            where=report.where,
        )
    return report


def flat_facets(mesh: Mesh) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Facets without area (two corners equal, or all three in line to rounding), (m,) bool."""
    a, b, c = (mesh.vertices[mesh.faces[:, i]] for i in range(3))
    longest = np.maximum(np.maximum(_squared(b - a), _squared(c - b)), _squared(a - c))
    return np.asarray(_squared(mesh.cross) <= (_FLAT * longest) ** 2)


def shell_volumes(
    mesh: Mesh, shells: int, shell: IntArray
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Signed volume of each shell, (shells,) mm3, from the shell number of each facet."""
    if len(mesh.faces) == 0:
        return np.zeros(0)
    centre = mesh.bounds.mean(axis=0)
    a = mesh.vertices[mesh.faces[:, 0]] - centre
    return np.bincount(shell, np.einsum("ij,ij->i", a, mesh.cross), shells) / 6.0


def _squared(
    v: np.ndarray[tuple[int, int], np.dtype[np.float64]],
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.asarray(np.einsum("ij,ij->i", v, v))


def _names_a_vertex_twice(faces: IntArray) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    a, b, c = faces.T
    return np.asarray((a == b) | (b == c) | (c == a))


def _duplicates(faces: IntArray) -> IntArray:
    """Facets that repeat an earlier one's three vertices in any order."""
    first, index = unique_rows(np.sort(faces, axis=1).astype(np.float64))
    return np.flatnonzero(first[index] != np.arange(len(faces)))


def _shells(faces: IntArray, table: EdgeTable) -> tuple[int, IntArray]:
    """Groups of facets joined across edges: (number, group of each facet)."""
    chained = np.ones(len(table.half), bool)
    chained[table.start] = False
    at = np.flatnonzero(chained)
    return components(len(faces), table.half[at - 1] // 3, table.half[at] // 3)


def _first_fault(
    mesh: Mesh,
    faces: IntArray,
    table: EdgeTable,
    flat: np.ndarray[tuple[int], np.dtype[np.bool_]],
    doubles: IntArray,
    counts: dict[str, int],
) -> tuple[str | None, tuple[float, float, float] | None]:
    """The sentence part that names the first fault, and its place."""

    def middle(corners: IntArray) -> tuple[float, float, float]:
        x, y, z = mesh.vertices[corners].mean(axis=0)
        return float(x), float(y), float(z)

    def edge(chosen: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> tuple[float, float, float]:
        half = int(table.half[table.start[int(np.argmax(chosen))]])
        f, i = divmod(half, 3)
        return middle(faces[f, [i, (i + 1) % 3]])

    if counts["open_edges"]:
        return f"is open along {counts['open_edges']} edges", edge(table.count == 1)
    if len(doubles):
        return f"holds {len(doubles)} facets twice", middle(faces[doubles[0]])
    if counts["flipped_edges"]:
        chosen = (table.count == 2) & (table.descending != 1)
        return f"has facets wound against each other at {counts['flipped_edges']} edges", edge(
            chosen
        )
    more = ~table.simple
    if more.any():
        return f"has {int(more.sum())} edges where more than two facets meet", edge(more)
    if flat.any():
        return f"has {int(flat.sum())} facets without area", middle(
            mesh.faces[int(np.argmax(flat))]
        )
    return None, None
