"""The causes apart: stock and filled undercuts worked out from the part, the halves left aside.

What cannot be told apart from the files is how the rest divides into draft and matching at the
parting in a pattern of two halves that was tapered to meet; there their sum alone is proved.
"""

from __future__ import annotations

import numpy as np

from patternprep.mesh.mesh import FloatArray
from patternprep.proof.contain import intervals
from patternprep.proof.line import ProofLine, at_most
from patternprep.proof.model import Scene
from patternprep.proof.plan import PlanGrid
from patternprep.proof.stocked import rounds_between

__all__ = ["cause_lines", "stock_of"]

_EXACT = 1e-5
_BY_LINES = 5e-3
"""A field of vertical lines measures a volume to some ten-thousandths."""


def cause_lines(scene: Scene) -> list[ProofLine]:
    """Stock, filled undercuts and matching as told against what the part and the job give.

    Faces that the proof cannot build anew (cones, spheres, free-form) leave out the first two.
    """
    figures = scene.kit.figures
    casting = max(abs(figures.number("casting.volume_mm3")), 1e-300)
    lines = []
    if all(face.known for face in scene.faces):
        stock, doubt = stock_of(scene)
        off = abs(stock - figures.number("volumes_mm3.stock")) / casting
        doubt /= casting
        lines.append(at_most("stock as the part gives it", off, _EXACT + doubt, "of volume"))
        filled = _filled(scene)
        off = abs(filled - figures.number("volumes_mm3.undercut_filled")) / casting
        limit = _BY_LINES + 2.0 * doubt
        lines.append(at_most("undercuts as the part gives them", off, limit, "of volume"))
    if len(scene.halves) < 2 or figures.text("parting.match") != "taper":
        off = abs(figures.number("volumes_mm3.parting_match")) / casting
        lines.append(at_most("no matching where there is none", off, _EXACT, "of volume"))
    return lines


def stock_of(scene: Scene) -> tuple[float, float]:
    """Volume of the stock by the proof's own stocked part, and how far that may be off, mm3.

    It is exact where every facet beside a stocked face stays in its plane when the corners move,
    as on parts with sharp edges. Facets of rounds and chamfers do not: metal over them is in doubt
    by their area times how far they leave their planes; over a round between two stocked faces, by
    its area times twice the largest amount.
    """
    part = scene.kit.part
    stocked = scene.stocked_cold
    wanted = np.zeros((part.facets, 3))
    for face in scene.faces:
        if len(face.facets):
            corners = part.triangles[face.facets]
            normals = np.repeat(part.normals[face.facets], 3, axis=0)
            if face.axis is None:
                normals = np.broadcast_to(face.normal, normals.shape)
            moves = face.moves(corners.reshape(-1, 3), normals).reshape(-1, 3, 3)
            wanted[face.facets] = _along(moves, part.normals[face.facets])
    moved = (stocked.vertices - part.vertices)[part.faces]
    off = np.abs(_along(moved, part.normals) - wanted).max(axis=1)
    doubt = float((off * part.areas).sum())
    over_rounds = rounds_between(part, scene.faces)
    if over_rounds:
        most = max(face.amount_mm for face in scene.faces)
        corners = over_rounds[0]
        cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        doubt += most * float(np.linalg.norm(cross, axis=1).sum())
    return stocked.volume - part.volume, doubt


def _along(moves: FloatArray, normals: FloatArray) -> FloatArray:
    """Moves of corners (m, 3, 3) along the facets' normals, (m, 3)."""
    return np.asarray(np.einsum("ijk,ik->ij", moves, normals))


def _filled(scene: Scene) -> float:
    """Metal under the stocked part's own crest down to the parting, beside the part, mm3 cold.

    Holes that are closed count as part: their bodies are added, walls against walls.
    """
    lines, area = scene.lines
    if scene.closed[0]:
        bodies = [hole.body(scene.stocked) for hole in scene.closed[0]]
        hits = PlanGrid(np.concatenate([scene.stocked.triangles, *bodies])).hits(lines)
    else:
        hits = scene.stocked_hits(lines)
    line, low, high = intervals(hits, len(lines))
    filled = 0.0
    for half in scene.halves:
        start = np.maximum(low if half.sign > 0.0 else -high, 0.0)
        end = np.maximum(high if half.sign > 0.0 else -low, 0.0)
        crest = np.zeros(len(lines))
        np.maximum.at(crest, line, end)
        filled += float(crest.sum() - (end - start).sum()) * area
    growth = abs(float(np.linalg.det(scene.kit.frame[:3, :3])))
    return filled / max(growth, 1e-300)
