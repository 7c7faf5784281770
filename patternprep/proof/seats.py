"""Core prints: the core's own print and its seat as told, against each other and the hole's mouth.

A print is told by two rings; what it holds is their convex hull. The seat is the print grown by
its gaps, and the core fills its print but for what its box takes off as draft.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.proof.core_files import CoreFile, PrintTold
from patternprep.proof.holes import ClosedHole
from patternprep.proof.line import ProofLine, above, at_most
from patternprep.proof.model import Scene, split_at_zero
from patternprep.proof.spread import spread

__all__ = ["in_print", "print_volume", "seat_lines", "side_planes"]

GAP_SLACK_MM = 0.02
"""By how much a gap may differ from what is told: chords of round prints, and rounding."""

MOUTH_MM = 0.005
"""How far the rings of a print may lie from the mouth's plane, and lengths from those told."""

PRINT_LOSS_MM = 0.3
"""What the draft of its box may take off a core's print, beside a fiftieth of its width."""

_PRINT_LOSS = 0.02
_END = 0.999
_POINTS = 3000
_FAR_MM = 20.0


def seat_lines(
    scene: Scene, core: CoreFile, hole: ClosedHole | None, points: FloatArray
) -> list[ProofLine]:
    """Lines of all prints of a core; ``points`` (n, 3) lie on the core's surface."""
    lines = []
    for number, one in enumerate(core.prints, 1):
        off, spot = _off_its_mouth(scene, one, hole)
        name = f"print {number} of {core.name} at its mouth"
        lines.append(at_most(name, off, MOUTH_MM + scene.slack, "mm off", spot))
        wrong = _seat_off(one)
        name = f"seat {number} of {core.name} is its print and the gaps"
        lines.append(at_most(name, wrong, GAP_SLACK_MM, "mm off", one.point))
        lines.append(_gap_line(core, number, one, points))
        some = spread(_outer(one), _POINTS)
        apart, _ = core.tree.distance(some, _FAR_MM)
        worst = int(np.argmax(apart))
        name = f"{core.name} fills print {number}"
        wide = float(np.ptp(one.core_rings[0], axis=0).max())
        limit = PRINT_LOSS_MM + _PRINT_LOSS * wide
        lines.append(at_most(name, apart[worst], limit, "mm", some[worst]))
    return lines


def _outer(one: PrintTold) -> FloatArray:
    """The surface of a core's print but for its mouth, where it joins the core, (k, 3, 3)."""
    corners = one.core_triangles
    level = (corners - one.point) @ one.normal
    outer = corners[level.max(axis=1) > MOUTH_MM]
    return outer if len(outer) else corners


def in_print(one: PrintTold, points: FloatArray, reach: float) -> npt.NDArray[np.bool_]:
    """Which points (n, 3) lie within the core's own print or nearer to it than the reach."""
    planes = one.core_planes
    return np.asarray((points @ planes[:, :3].T + planes[:, 3]).max(axis=1) <= reach)


def print_volume(mesh: Mesh, one: PrintTold) -> float:
    """Volume of a core beyond the mouth of a print, as far as it lies in its seat, mm3.

    Exact: facets are cut at the mouth's plane; the cut itself faces the origin edge on.
    """
    axis = one.normal / max(float(np.linalg.norm(one.normal)), 1e-300)
    across = np.linalg.svd(axis[None])[2]
    turn = np.array([across[1], across[2], axis])
    if np.linalg.det(turn) < 0.0:
        turn[0] *= -1.0
    beyond = split_at_zero((mesh.triangles - one.point) @ turn.T)
    middle = beyond.mean(axis=1) @ turn + one.point
    planes = one.seat_planes
    own = beyond[(middle @ planes[:, :3].T + planes[:, 3]).max(axis=1) < 0.01]
    return float(np.einsum("ij,ij->i", own[:, 0], np.cross(own[:, 1], own[:, 2])).sum()) / 6.0


def side_planes(one: PrintTold, planes: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Planes of a print but for its mouth's, (h, 4), and the gap that is told there, (h,)."""
    axis = one.normal / max(float(np.linalg.norm(one.normal)), 1e-300)
    lean = planes[:, :3] @ axis
    kept = planes[lean > -_END]
    lean = lean[lean > -_END]
    side = one.gap_side_mm * np.sqrt(np.maximum(1.0 - lean**2, 0.0))
    return kept, np.where(lean > _END, one.gap_end_mm, side)


def _off_its_mouth(
    scene: Scene, one: PrintTold, hole: ClosedHole | None
) -> tuple[float, FloatArray]:
    """How far a print as told is from standing on one of the hole's mouths, mm."""
    axis = one.normal
    unit = abs(float(np.linalg.norm(axis)) - 1.0)
    upright = abs(float(axis[2]))
    side = "horizontal" if upright < 0.5 else "cope" if axis[2] > 0.0 else "drag"
    if unit > 1e-6 or side != one.side:
        return math.inf, one.point
    levels = [(ring - one.point) @ axis for ring in (*one.core_rings, *one.seat_rings)]
    length = one.stated.number("length_mm")
    wanted = (0.0, length, 0.0, length + one.gap_end_mm)
    off = max(float(np.abs(z - w).max()) for z, w in zip(levels, wanted, strict=True))
    if hole is None:
        return off, one.point
    return max(off, _nearest_mouth(scene.stocked.vertices, hole.rings, one)), one.point


def _nearest_mouth(vertices: FloatArray, rings: Sequence[IntArray], one: PrintTold) -> float:
    """How far the best of a hole's mouths stands out of the print's plane and its section, mm.

    A print covers its mouth whole, but for a flat or corner that keys it, which is why only the
    plane and the middle of the section are asked for there.
    """
    best = math.inf
    for ring in rings:
        mouth = vertices[ring]
        level = float(np.abs((mouth - one.point) @ one.normal).max())
        middle = 0.5 * (mouth.min(axis=0) + mouth.max(axis=0)) - one.point
        aside = float(np.linalg.norm(middle - (middle @ one.normal) * one.normal))
        within = 0.0 if aside <= 0.5 * float(np.ptp(mouth, axis=0).max()) else aside
        best = min(best, max(level, within))
    return best


def _seat_off(one: PrintTold) -> float:
    """How far the seat as told is from the print grown by its gaps, mm."""
    planes, gap = side_planes(one, one.core_planes)
    if not len(planes) or not np.isfinite(planes).all():
        return math.inf
    seat = np.concatenate(one.seat_rings)
    found = (seat @ planes[:, :3].T).max(axis=0) + planes[:, 3]
    return float(np.abs(found - gap).max())


def _gap_line(core: CoreFile, number: int, one: PrintTold, points: FloatArray) -> ProofLine:
    """The gap between a core and its seat where it is least beside what is told there."""
    name = f"gap of {core.name} in seat {number}"
    planes, gap = side_planes(one, one.seat_planes)
    along = (points - one.point) @ one.normal
    own = points[(along > min(1.0, one.gap_end_mm)) & in_print(one, points, 0.5)]
    if not len(own) or not len(planes):
        return above(name, 0.0, one.gap_side_mm, "mm", one.point)
    spare = -(own @ planes[:, :3].T + planes[:, 3])
    where, which = np.unravel_index(int(np.argmin(spare - gap)), spare.shape)
    told = float(gap[which])
    return above(name, float(spare[where, which]), told - GAP_SLACK_MM, "mm", own[where])
