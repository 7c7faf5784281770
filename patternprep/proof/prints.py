"""Each print file is its piece, laid on its flat."""

from __future__ import annotations

import numpy as np

from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.proof.line import ProofLine, at_most
from patternprep.proof.model import Scene, rounding_of
from patternprep.proof.tree import FacetTree, far_distance

__all__ = ["SAME_LIMIT_MM", "SQUARE_LIMIT", "off_the_bed", "print_lines", "scale_off"]

SAME_LIMIT_MM = 0.001
SQUARE_LIMIT = 1e-6
_MOST_POINTS = 40_000


def print_lines(scene: Scene) -> list[ProofLine]:
    """Shape and standing of every print file."""
    lines = []
    size = scene.kit.figures.number("print.scale", 1.0)
    for piece in scene.kit.pieces:
        turned = piece.mesh.transformed(piece.print_matrix)
        away, place = _apart(turned, piece.printed)
        if place is not None:
            linear, shift = piece.print_matrix[:3, :3], piece.print_matrix[:3, 3]
            place = np.asarray(np.linalg.pinv(linear) @ (place - shift), dtype=np.float64)
        rule = f"print file of the {piece.name} is the"
        lines.append(at_most(f"{rule} piece", away, SAME_LIMIT_MM, "mm apart", place))
        scale = scale_off(piece.print_matrix, size)
        lines.append(at_most(f"{rule} right size", scale, SQUARE_LIMIT, "of unity"))
        lowest = off_the_bed(piece.printed)
        name = f"print file of the {piece.name} stands flat"
        lines.append(at_most(name, lowest, SAME_LIMIT_MM, "mm"))
    return lines


def _apart(wanted: Mesh, found: Mesh) -> tuple[float, FloatArray | None]:
    """Largest distance between two meshes that should be one, mm, and where."""
    slack = 2.0 * rounding_of([wanted, found])
    if wanted.facets == found.facets:
        gap = np.abs(wanted.triangles - found.triangles).max(axis=(1, 2))
        worst = int(np.argmax(gap))
        if gap[worst] <= SAME_LIMIT_MM + slack:
            return max(0.0, float(gap[worst]) - slack), found.triangles[worst].mean(axis=0)
    largest, where = 0.0, None
    for points, mesh in ((wanted, found), (found, wanted)):
        step = -(-len(points.vertices) // _MOST_POINTS)
        some = points.vertices[::step]
        d = far_distance(FacetTree(mesh.triangles), some)
        worst = int(np.argmax(d))
        if d[worst] > largest:
            largest, where = float(d[worst]), some[worst]
    return largest, where


def scale_off(matrix: FloatArray, size: float) -> float:
    """How far a print matrix (4, 4) is from a turn times the printer's size factor."""
    linear = matrix[:3, :3]
    row = float(np.abs(matrix[3] - np.array([0.0, 0.0, 0.0, 1.0])).max())
    if not np.linalg.det(linear) > 0.0:
        return 1.0
    return max(row, float(np.abs(linear.T @ linear - size * size * np.eye(3)).max()))


def off_the_bed(mesh: Mesh) -> float:
    """How far the lowest point is from the bed, mm; at least 1 where nothing lies flat on it."""
    lowest = abs(float(mesh.bounds[0, 2]))
    return lowest if _area_on_bed(mesh) > 0.0 else max(lowest, 1.0)


def _area_on_bed(mesh: Mesh) -> float:
    on = (np.abs(mesh.vertices[:, 2]) <= SAME_LIMIT_MM)[mesh.faces].all(axis=1)
    return float(mesh.areas[on & (mesh.cross[:, 2] < 0.0)].sum())
