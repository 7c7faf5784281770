"""The core boxes: each piece clear of the core, all of them close round it, and it draws.

A piece is proved in its own frame, as it is printed: it lies on its flat with the cavity up, and
the core draws straight up out of it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.proof.contain import DEPTH_LIMIT_MM
from patternprep.proof.core_files import MOST_POINTS, BoxFile, CoreFile
from patternprep.proof.cores import covered
from patternprep.proof.line import ProofLine, at_most
from patternprep.proof.model import Scene
from patternprep.proof.plan import PlanGrid, grid_lines
from patternprep.proof.prints import SAME_LIMIT_MM, SQUARE_LIMIT, off_the_bed, scale_off
from patternprep.proof.sound import mesh_lines
from patternprep.proof.spread import spread

__all__ = ["box_lines"]

FIT_MM = 0.02
_END_MM = 0.05
_END_SHARE = 0.02
_FAR_MM = 20.0
_LINES = 20_000


def box_lines(scene: Scene) -> list[ProofLine]:
    """All lines about core boxes; none for a kit without cores."""
    lines = []
    for core in scene.kit.cores:
        pieces = [box for box in scene.kit.boxes if box.core == core.name]
        lines.append(at_most(f"{core.name} without a box", float(not pieces), 0, "cores"))
        for box in pieces:
            lines += _piece_lines(box, scene.kit.figures.number("print.scale", 1.0))
            lines += _around(box, core)
        if pieces:
            lines.append(_fit(pieces, core))
            lines.append(_together(pieces, core))
    strays = {box.core for box in scene.kit.boxes} - {core.name for core in scene.kit.cores}
    if scene.kit.boxes:
        lines.append(at_most("boxes of no core", len(strays), 0, "boxes"))
    return lines


def _piece_lines(box: BoxFile, size: float) -> list[ProofLine]:
    return [
        *mesh_lines(box.name, box.mesh, box.sha256, box.stated, "print_sha256"),
        at_most(f"{box.name} is the right size", scale_off(box.matrix, size), SQUARE_LIMIT, "of 1"),
        at_most(f"{box.name} stands flat", off_the_bed(box.mesh), SAME_LIMIT_MM, "mm"),
    ]


def _around(box: BoxFile, core: CoreFile) -> list[ProofLine]:
    """The piece stays off the core, and nothing of it hangs over the core."""
    own = core.mesh.transformed(box.matrix)
    points = spread(own.triangles, MOST_POINTS)
    inside = np.flatnonzero(covered(box.grid, points))
    deep, spot = 0.0, None
    if len(inside):
        depth, _ = box.tree.distance(points[inside], _FAR_MM)
        worst = int(np.argmax(depth))
        deep, spot = float(depth[worst]), _back(box, points[inside[worst]])
    hung, place = _hanging(box, own)
    return [
        at_most(f"{box.name} clear of the core", deep, DEPTH_LIMIT_MM, "mm", spot),
        at_most(f"core draws from {box.name}", hung, DEPTH_LIMIT_MM, "mm", place),
    ]


def _hanging(box: BoxFile, core: Mesh) -> tuple[float, FloatArray | None]:
    """The greatest height of core under a part of the piece, mm, and where in the mould frame."""
    low = np.minimum(core.bounds[0], box.mesh.bounds[0])
    high = np.maximum(core.bounds[1], box.mesh.bounds[1])
    lines, _ = grid_lines(low, high, _LINES)
    hits = box.grid.hits(lines)
    under = np.flatnonzero(hits.up < 0)  # where the piece begins, seen from below
    crest = np.full(len(lines), -np.inf)
    np.maximum.at(crest, hits.line[under], hits.z[under])
    own = PlanGrid(core.triangles).hits(lines)
    foot = np.full(len(lines), np.inf)
    bottom = own.up < 0
    np.minimum.at(foot, own.line[bottom], own.z[bottom])
    height = np.where(np.isfinite(crest) & np.isfinite(foot), crest - foot, 0.0)
    # under a piece that begins below the core there is no core to hold
    worst = int(np.argmax(height))
    if not height[worst] > 0.0:
        return 0.0, None
    return float(height[worst]), _back(box, np.append(lines[worst], crest[worst]))


def _fit(pieces: Sequence[BoxFile], core: CoreFile) -> ProofLine:
    """How far the core's surface is from the nearest piece; ends of prints may be open."""
    points = core.points
    closed = np.ones(len(points), dtype=bool)
    for one in core.prints:
        # the end is struck off where the core is rammed, and leans by the box's draft
        end = float((one.core_rings[1] @ one.normal).min())
        wide = float(np.ptp(one.core_rings[1], axis=0).max())
        closed &= points @ one.normal < end - _END_MM - _END_SHARE * wide
    if len(pieces) == 1:  # a box in one piece is struck off at its top
        box = pieces[0]
        height = points @ box.matrix[2, :3] + box.matrix[2, 3]
        closed &= height < float(box.mesh.bounds[1, 2]) - _END_MM
    points = points[closed]
    apart = np.full(len(points), np.inf)
    for box in pieces:
        scale = float(np.cbrt(abs(np.linalg.det(box.matrix[:3, :3]))))
        moved = points @ box.matrix[:3, :3].T + box.matrix[:3, 3]
        gap, _ = box.tree.distance(moved, _FAR_MM)
        np.minimum(apart, gap / scale, out=apart)
    worst = int(np.argmax(apart)) if len(apart) else -1
    figure = float(apart[worst]) if worst >= 0 else 0.0
    spot = points[worst] if worst >= 0 else None
    return at_most(f"cavity of the box of {core.name}", figure, FIT_MM, "mm", spot)


def _together(pieces: Sequence[BoxFile], core: CoreFile) -> ProofLine:
    """How deep the pieces of a box reach into each other when they are put together, mm."""
    worst, spot = 0.0, None
    for box in pieces:
        for other in (one for one in pieces if one is not box):
            way = box.matrix @ np.linalg.inv(other.matrix)
            points = other.points @ way[:3, :3].T + way[:3, 3]
            inside = points[covered(box.grid, points)]
            if not len(inside):
                continue
            depth, _ = box.tree.distance(inside, _FAR_MM)
            most = int(np.argmax(depth))
            if depth[most] > worst:
                worst, spot = float(depth[most]), _back(box, inside[most])
    return at_most(f"pieces of the box of {core.name} go together", worst, FIT_MM, "mm", spot)


def _back(box: BoxFile, point: FloatArray) -> FloatArray:
    """A point of the piece's own frame in the mould frame."""
    return np.asarray(np.linalg.solve(box.matrix, np.append(point, 1.0))[:3])
