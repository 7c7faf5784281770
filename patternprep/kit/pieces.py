"""The printed pieces: settled, written as they lie in the mould and as they lie on the bed."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from patternprep.errors import GeometryFault, MeshFault
from patternprep.kit.job import Job
from patternprep.mesh.check import MeshReport, check_mesh, require_sound
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.mesh.read.stl import weld
from patternprep.mesh.write import settle, write_3mf, write_stl
from patternprep.pattern.draft import join_needle_ends, keep_lean
from patternprep.units import parse_fraction

__all__ = ["Piece", "make_piece", "print_scale", "sha256_of", "write_pattern_3mf", "write_piece"]

BED_GAP_MM = 10.0
"""Space between the pieces in pattern.3mf, mm."""


@dataclass(frozen=True)
class Piece:
    """One piece of the pattern, settled to what an STL file can hold."""

    name: str
    mesh: Mesh
    """As it lies in the mould, pattern size, mm."""
    print_mesh: Mesh
    """As it lies on the printer's bed, with the printer's own size factor."""
    print_matrix: FloatArray
    """Mould frame to print frame, 4 x 4."""
    bodies: int


def make_piece(name: str, solid: Solid, print_scale: float, angle_deg: float) -> Piece:
    """Settle a half; the drag is turned over so that its parting face lies on the bed.

    ``angle_deg`` is the least draft of its walls, which rounding to 32 bits must not spoil.
    """
    mesh = weld(settle(solid.to_mesh()).triangles)
    mesh, checked = _leaning(mesh, angle_deg, -1.0 if name == "drag" else 1.0)
    report = checked or require_sound(mesh, f"the {name}")
    flip = -1.0 if name == "drag" else 1.0
    matrix = np.diag([print_scale, flip * print_scale, flip * print_scale, 1.0])
    turned = mesh.transformed(matrix)
    printed = turned if print_scale == 1.0 else weld(settle(turned).triangles)
    lowest = float(printed.bounds[0, 2])
    if lowest != 0.0:
        raise GeometryFault(
            f"The {name} does not stand on its parting face: its lowest point in print is at "
            f"{lowest:.6f} mm instead of 0; report this with the part."
        )
    return Piece(name, mesh, printed, matrix, report.shells)


def _leaning(mesh: Mesh, angle_deg: float, sign: float) -> tuple[Mesh, MeshReport | None]:
    """The piece with its needles kept at their lean, where that leaves it as sound as it was.

    With the report of the piece where it was changed and checked.
    """
    joined = join_needle_ends(mesh, angle_deg, sign)
    if joined is not mesh:
        with suppress(MeshFault):
            mesh = weld(settle(joined).triangles)
    turned = keep_lean(mesh, angle_deg, sign)
    if turned is mesh:
        return mesh, None
    kept = weld(turned.triangles)
    report = check_mesh(kept)
    return (kept, report) if report.fault is None else (mesh, None)


def print_scale(job: Job) -> float:
    """The factor for print/ that makes up for the size error of the job's printer."""
    return 1.0 / (1.0 + parse_fraction(job.printer.size_error))


def write_piece(folder: Path, piece: Piece) -> dict[str, Any]:
    """Write assembly/ and print/ files of a piece, read them back, and return its figures."""
    assembly = Path("assembly") / f"{piece.name}.stl"
    printed = Path("print") / f"{piece.name}.stl"
    for relative, mesh in ((assembly, piece.mesh), (printed, piece.print_mesh)):
        path = folder / relative
        path.parent.mkdir(exist_ok=True)
        write_stl(path, mesh)
    return {
        "name": piece.name,
        "file": assembly.as_posix(),
        "bodies": piece.bodies,
        "facets": piece.mesh.facets,
        "volume_mm3": piece.mesh.volume,
        "size_mm": piece.mesh.size.tolist(),
        "sha256": sha256_of(folder / assembly),
        "print_file": printed.as_posix(),
        "print_matrix": piece.print_matrix.tolist(),
        "print_sha256": sha256_of(folder / printed),
    }


def write_pattern_3mf(
    path: Path, pieces: list[Piece], boxes: Sequence[tuple[str, Mesh]] = ()
) -> None:
    """All pieces to print in one file, named, side by side along x, mm; boxes after the pattern."""
    placed: list[tuple[str, Mesh]] = []
    x = 0.0
    for name, mesh in [*((p.name, p.print_mesh) for p in pieces), *boxes]:
        low, high = mesh.bounds
        shift = np.eye(4)
        shift[0, 3] = x - low[0]
        shift[1, 3] = -low[1]
        placed.append((name, mesh.transformed(shift)))
        x += float(high[0] - low[0]) + BED_GAP_MM
    write_3mf(path, placed)


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
