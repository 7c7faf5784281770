"""The cores: each within its hole and its prints, filling the hole, and with gaps in its seats.

With what is proved of the halves (that they hold the part and the seats and no more than draft
beside) this proves the casting: impression of cope and drag, less the cores at their seats.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from patternprep.mesh.mesh import FloatArray
from patternprep.proof.contain import (
    DEPTH_LIMIT_MM,
    VOLUME_LIMIT,
    depth_outside,
    intervals,
    shared_lengths,
)
from patternprep.proof.core_files import MOST_POINTS, CoreFile
from patternprep.proof.holes import ClosedHole
from patternprep.proof.line import ProofLine, at_most
from patternprep.proof.model import Scene
from patternprep.proof.plan import PlanGrid, grid_lines
from patternprep.proof.seats import in_print, seat_lines
from patternprep.proof.sound import mesh_lines
from patternprep.proof.spread import spread
from patternprep.proof.stock import stock_samples
from patternprep.proof.tree import FacetTree
from patternprep.proof.trimmed import trimmed

__all__ = ["core_lines", "covered"]

BOX_DRAFT_LIMIT_MM = 1.0
"""Most metal that box draft may leave on a cored surface, casting size, mm."""

FILL_SLACK_MM = 0.02
_ASIDE = np.array([0.00031, 0.00017])
_FAR_MM = 20.0
_BESIDE = 3.0
"""Walls nearer to a stocked face than this many times its stock may be moved along."""
_LINES = 20_000
_AT_MOUTH_MM = 0.002
_UNSEEN = 0.2
"""Share of the greatest box draft by which points beside the place may find less."""


def core_lines(scene: Scene) -> list[ProofLine]:
    """All lines about cores; none for a kit without cores and closed holes."""
    found, lost = scene.closed
    lines = []
    if found or lost:
        spot = None
        lines.append(at_most("closed holes found on the part", len(lost), 0, "not found", spot))
    by_core = {hole.core: hole for hole in found if hole.core}
    names = {core.name for core in scene.kit.cores}
    if by_core or names:
        odd = len(names ^ set(by_core)) + sum(1 for h in found if h.core) - len(by_core)
        odd += sum(
            core.stated.text("hole") != by_core[core.name].name
            for core in scene.kit.cores
            if core.name in by_core
        )
        lines.append(at_most("a core for each cored hole", odd, 0, "without"))
    for core in scene.kit.cores:
        lines += _file_lines(core)
        if core.name in by_core:
            lines += _lines_of(scene, core, by_core[core.name])
    return lines


def _file_lines(core: CoreFile) -> list[ProofLine]:
    told = core.stated.number("volume_mm3")
    share = abs(core.mesh.volume - told) / max(abs(told), 1e-300)
    return [
        *mesh_lines(core.name, core.mesh, core.sha256, core.stated, "sha256"),
        at_most(f"volume of {core.name} as told", share, 1e-5, "of volume"),
    ]


def _lines_of(scene: Scene, core: CoreFile, hole: ClosedHole) -> list[ProofLine]:
    points = core.points
    # stock beside a mouth lengthens the hole, stock on its walls narrows it: that is for the next
    bodies = [hole.body(scene.part)] + ([hole.body(scene.stocked)] if scene.faces else [])
    over, spot = _beyond(points, bodies, core)
    lines = [at_most(f"{core.name} within its hole and prints", over, DEPTH_LIMIT_MM, "mm", spot)]
    much, spot = _cuts_into(scene, core)
    name = f"{core.name} cuts into the part"
    lines.append(at_most(name, much, VOLUME_LIMIT + scene.slack, "of volume", spot))
    walls, stocked = _walls(scene, hole)
    if stocked is not None:
        deep, spot = _in_the_stock(core, stocked)
        name = f"{core.name} clear of the machining stock"
        lines.append(at_most(name, deep, DEPTH_LIMIT_MM, "mm", spot))
    bare, spot = _bare(walls, core)
    told = core.stated.number("box_draft.greatest_mm")
    lines.append(at_most(f"{core.name} fills its hole", bare, told + FILL_SLACK_MM, "mm", spot))
    if stocked is None:
        deep, spot = _notched(points, hole.body(scene.stocked), core)
        name = f"{core.name} has no hollows"
        lines.append(at_most(name, deep, told + FILL_SLACK_MM, "mm", spot))
        more = max(0.0, told - max(bare, deep))
        name = f"greatest box draft of {core.name} told beyond what is found"
        lines.append(at_most(name, more, FILL_SLACK_MM + _UNSEEN * told, "mm"))
    name = f"metal that box draft leaves at {core.name}"
    lines.append(at_most(name, max(told, bare), BOX_DRAFT_LIMIT_MM, "mm"))
    outside, spot = depth_outside(scene, _seat_points(core))
    name = f"seats of {core.name} on the pattern"
    lines.append(at_most(name, outside, DEPTH_LIMIT_MM, "mm", spot))
    return lines + seat_lines(scene, core, hole, points)


def _walls(scene: Scene, hole: ClosedHole) -> tuple[FloatArray, FloatArray | None]:
    """Points on the walls that the core should touch, and those of them on stock; (n, 3) each.

    A stocked facet counts where its stock carries it; facets that hang on one, and rounds and
    chamfers beside it, which may be moved along or swallowed, are left out.
    """
    part = scene.kit.part
    own = np.zeros(part.facets, dtype=bool)
    own[hole.facets] = True
    ends = []
    for face in scene.faces:
        facets = face.facets[own[face.facets]]
        if not len(facets):
            continue
        some = replace(face, facets=facets)
        points, to = stock_samples(scene, some)
        excused = trimmed(part, scene.faces, some, points, to)
        ends.append(scene.to_mould(to[~excused]))
        own[facets] = False
    held = np.zeros(len(part.vertices), dtype=bool)
    for face in scene.faces:  # facets that hang on a stocked face by a corner go along with it
        held[part.faces[face.facets]] = True
    still = np.flatnonzero(own & ~held[part.faces].any(axis=1))
    for face in scene.faces:
        middles = part.triangles[still].mean(axis=1)
        reach = _BESIDE * face.amount_mm
        near, _ = FacetTree(part.triangles[face.facets]).distance(middles, reach)
        still = still[near >= reach]
    found = [spread(scene.part.triangles[still], MOST_POINTS)]
    stocked = np.concatenate(ends) if ends else None
    if stocked is not None:
        found.append(stocked)
    points = np.concatenate(found)
    return points[:: max(1, -(-len(points) // MOST_POINTS))], stocked


def _in_the_stock(core: CoreFile, ends: FloatArray) -> tuple[float, FloatArray | None]:
    """How deep a core reaches into the stock, by the points where the stock ends, mm."""
    inside = np.flatnonzero(covered(core.grid, ends))
    if not len(inside):
        return 0.0, None
    depth, _ = core.tree.distance(ends[inside], _FAR_MM)
    worst = int(np.argmax(depth))
    return float(depth[worst]), ends[inside[worst]]


def _cuts_into(scene: Scene, core: CoreFile) -> tuple[float, FloatArray | None]:
    """Share of the part's volume that a core takes away, by vertical lines, and where most."""
    low, high = core.mesh.bounds
    lines, area = grid_lines(low, high, _LINES)
    lines = lines + _ASIDE
    own = intervals(core.grid.hits(lines), len(lines))
    metal = intervals(scene.part_grid.hits(lines), len(lines))
    taken, height = shared_lengths(own, metal, len(lines))
    worst = int(np.argmax(taken))
    share = float(taken.sum()) * area / max(scene.part.volume, 1e-300)
    return share, np.append(lines[worst], height[worst]) if share > 0.0 else None


def _notched(
    points: FloatArray, body: FloatArray, core: CoreFile
) -> tuple[float, FloatArray | None]:
    """How far a core's surface lies within its hole, away from the walls, mm, and where."""
    free = np.ones(len(points), dtype=bool)
    for one in core.prints:
        free &= ~in_print(one, points, _AT_MOUTH_MM)
    rest = points[free]
    if not len(rest):
        return 0.0, None
    apart, _ = FacetTree(body).distance(rest, _FAR_MM)
    worst = int(np.argmax(apart))
    return float(apart[worst]), rest[worst]


def _beyond(
    points: FloatArray, bodies: list[FloatArray], core: CoreFile
) -> tuple[float, FloatArray | None]:
    """How far a core's points stand out of its hole and its prints, mm, and where."""
    apart = np.full(len(points), np.inf)
    for one in core.prints:
        planes = one.core_planes
        np.minimum(apart, (points @ planes[:, :3].T + planes[:, 3]).max(axis=1), out=apart)
    apart = np.maximum(apart, 0.0)
    for body in bodies:
        rest = np.flatnonzero(apart > 0.0)
        apart_hole = np.zeros(len(points))
        rest = rest[~covered(PlanGrid(body), points[rest])]
        apart_hole[rest], _ = FacetTree(body).distance(points[rest], _FAR_MM)
        apart = np.minimum(apart, apart_hole)
    worst = int(np.argmax(apart))
    return float(apart[worst]), points[worst]


def covered(grid: PlanGrid, points: FloatArray) -> npt.NDArray[np.bool_]:
    """Points within a closed body, up to a hair."""
    if not len(points):
        return np.zeros(0, dtype=bool)
    hits = grid.hits(points[:, :2] + _ASIDE)
    cover = np.zeros(len(points))
    over = hits.z > points[hits.line, 2]
    np.add.at(cover, hits.line, np.where(over, hits.up, 0))
    return np.asarray(cover > 0.5)


def _bare(points: FloatArray, core: CoreFile) -> tuple[float, FloatArray | None]:
    """The greatest distance from points of a hole's walls (n, 3) to the core, mm, and where."""
    if not len(points):
        return 0.0, None
    apart, _ = core.tree.distance(points, _FAR_MM)
    worst = int(np.argmax(apart))
    return float(apart[worst]), points[worst]


def _seat_points(core: CoreFile) -> FloatArray:
    """Corners of the seats, and points between them along the prints, (n, 3)."""
    found = [np.zeros((0, 3))]
    for one in core.prints:
        found += list(one.seat_rings)
        found += [one.seat_triangles.mean(axis=1)]
    return np.concatenate(found)
