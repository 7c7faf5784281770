"""Each half leaves the sand: walls lean as asked, and no vertical line meets an undercut."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from patternprep.mesh.mesh import FloatArray
from patternprep.proof.asked import (
    ANGLE_MARGIN_DEG,
    draft_as_asked,
    own_angle_lines,
    smallest_angle,
)
from patternprep.proof.line import ProofLine, above, at_most
from patternprep.proof.model import Half, Scene
from patternprep.proof.plan import Hits
from patternprep.proof.sound import edge_partners, groups

__all__ = ["draft_lines", "interval_lines"]

FAR_UNDER_DEG = 0.2
FAR_UNDER_AREA_MM2 = 0.05
SHARE_LIMIT_PPM = 500.0
GAP_LIMIT_MM = 0.02
WRONG_SIDE_LIMIT_MM = 0.001
WALL_BELOW_DEG = 45.0
_SMALLEST_PLAN_MM2 = 1e-6
_ASIDE_MM = (0.00013, 0.00071)
_MOST_MIDDLES = 60_000


def draft_lines(scene: Scene) -> list[ProofLine]:
    """Share of wall under its asked angle, and the worst connected place, for each half."""
    lines: list[ProofLine] = []
    asked = smallest_angle(scene.kit)
    for half in scene.halves:
        walls = half.walls
        area = half.mesh.areas[walls]
        lean = np.degrees(np.arcsin(np.clip(half.mesh.normals[walls, 2], -1.0, 1.0)))
        short = asked - lean
        wall = float(area[lean < WALL_BELOW_DEG].sum())
        under = (short > ANGLE_MARGIN_DEG) & (area > 0.0)
        share = float(area[under].sum()) / wall * 1e6 if wall > 0.0 else 0.0
        spot = None
        if under.any():
            worst = int(np.argmax(np.where(under, area * short, 0.0)))
            spot = half.place(half.mesh.triangles[walls[worst]].mean(axis=0))
        name = f"walls of the {half.name} under their angle"
        lines.append(at_most(name, share, SHARE_LIMIT_PPM, "ppm of wall", spot))
        lines.append(_worst_place(half, lean, short, area))
    return [*draft_as_asked(scene.kit), *lines, *own_angle_lines(scene)]


def _worst_place(half: Half, lean: FloatArray, short: FloatArray, area: FloatArray) -> ProofLine:
    """The largest connected place that leans too little by more than is ever let pass."""
    name = f"steepest wall of the {half.name}"
    far = np.flatnonzero((short > FAR_UNDER_DEG) & (area > 0.0))
    limit = FAR_UNDER_AREA_MM2
    if len(far):
        label = _connected(half, half.walls[far])
        _, member = np.unique(label, return_inverse=True)
        total = np.bincount(member, area[far])
        largest = int(np.argmax(total))
        inside = far[member == largest]
        spot = half.mesh.triangles[half.walls[inside[np.argmax(area[inside])]]].mean(axis=0)
        if total[largest] > limit:
            mean = float(np.average(lean[inside], weights=area[inside]))
            asked = float(np.average(lean[inside] + short[inside], weights=area[inside]))
            return above(name, mean, asked - FAR_UNDER_DEG, "deg", half.place(spot))
    # no such place: the angle that all but a trifle of the walls keep
    order = np.argsort(-short, kind="stable")
    at = order[min(int(np.searchsorted(np.cumsum(area[order]), limit)), len(order) - 1)]
    floor = float(lean[at] + short[at]) - FAR_UNDER_DEG
    spot = half.mesh.triangles[half.walls[at]].mean(axis=0)
    return above(name, max(float(lean[at]), floor), floor, "deg", half.place(spot))


def _connected(half: Half, facets: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Group of each of the facets, joined across edges."""
    partner, _, _ = edge_partners(half.mesh.faces[facets])
    across = np.flatnonzero(partner >= 0)
    return groups(len(facets), across // 3, partner[across])


def interval_lines(scene: Scene) -> list[ProofLine]:
    """Every vertical line meets a half once, from the parting up; nothing is beyond it."""
    lines: list[ProofLine] = []
    for half in scene.halves:
        lowest = int(np.argmin(half.mesh.vertices[:, 2]))
        beyond = max(0.0, -float(half.mesh.vertices[lowest, 2]))
        side = "above" if half.sign > 0 else "below"
        lines.append(
            at_most(
                f"{half.name} lies {side} the parting",
                beyond,
                WRONG_SIDE_LIMIT_MM,
                "mm",
                half.place(half.mesh.vertices[lowest]),
            )
        )
        gap, spot = _longest_gap(scene, half)
        name = f"vertical lines through the {half.name}"
        lines.append(at_most(name, gap, GAP_LIMIT_MM, "mm of undercut", spot))
    return lines


def _longest_gap(scene: Scene, half: Half) -> tuple[float, FloatArray | None]:
    """The longest stretch of a vertical line that breaks the rule of one interval from z = 0."""
    plan_area = 0.5 * np.abs(half.mesh.cross[half.walls, 2])
    middles = half.mesh.triangles[half.walls[plan_area > _SMALLEST_PLAN_MM2], :, :2].mean(axis=1)
    middles = middles[:: max(1, -(-len(middles) // _MOST_MIDDLES))]
    field = scene.lines[0]
    points = np.concatenate([field, middles])
    both = [_gaps(scene.line_hits(half), len(field)), _gaps(half.grid.hits(middles), len(middles))]
    gap, spot = (np.concatenate([one[i] for one in both]) for i in (0, 1))
    again = np.flatnonzero(np.concatenate([one[2] for one in both]))
    for aside in _ASIDE_MM:
        if not len(again):
            break
        # a line whose crossings do not add up ran along an edge: try beside it
        moved = points[again] + np.array([aside, 0.61 * aside])
        gap[again], spot[again], torn = _gaps(half.grid.hits(moved), len(moved))
        again = again[torn]
    worst = int(np.argmax(gap))
    if gap[worst] <= 0.0:
        return 0.0, None
    return float(gap[worst]), half.place(np.append(points[worst], spot[worst]))


def _gaps(hits: Hits, count: int) -> tuple[FloatArray, FloatArray, npt.NDArray[np.bool_]]:
    """Per line: longest fault, mm, its height, and whether the crossings do not add up."""
    first, number = hits.bounds(count)
    gap, spot = np.zeros(count), np.zeros(count)
    torn = np.zeros(count, dtype=bool)
    pair = np.flatnonzero(number == 2)
    low, high = first[pair], first[pair] + 1
    simple = (hits.up[low] < 0) & (hits.up[high] > 0)
    gap[pair[simple]] = np.abs(hits.z[low[simple]])
    spot[pair[simple]] = 0.5 * hits.z[low[simple]]
    rest = np.flatnonzero(number != 0)
    rest = np.setdiff1d(rest, pair[simple], assume_unique=True)
    if len(rest):
        chosen = np.flatnonzero(np.isin(hits.line, rest))
        line, z, up = hits.line[chosen], hits.z[chosen], hits.up[chosen].astype(np.int64)
        new = np.append(True, line[1:] != line[:-1])
        total = np.cumsum(-up)
        before = np.append(0, total[:-1])
        base = before[np.flatnonzero(new)][np.cumsum(new) - 1]
        cover = total - base
        last = np.append(line[1:] != line[:-1], True)
        torn[line[last]] = cover[last] != 0
        length = np.append(np.diff(z), 0.0)
        wrong = np.where(~last & (cover != 1), length, 0.0)
        wrong = np.where(last & (cover != 0), np.maximum(np.abs(z), 1.0), wrong)
        wrong = np.where(new, np.maximum(wrong, np.abs(z)), wrong)
        order = np.lexsort((wrong, line))
        end = order[np.append(line[order][1:] != line[order][:-1], True)]
        gap[line[end]] = wrong[end]
        spot[line[end]] = z[end] + 0.5 * length[end]
    return gap, spot, torn
