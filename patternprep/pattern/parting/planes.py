"""The heights along a pull at which a flat parting could naturally lie."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.parting.columns import VERTICAL, Columns
from patternprep.pattern.parting.line import Line
from patternprep.pattern.parting.survey import along

__all__ = ["Plane", "natural_planes", "settle_height"]

_BINS = 256
_FLAT = float(np.cos(np.radians(1.0)))


@dataclass(frozen=True)
class Plane:
    """A height along the pull, mm, and what lies there; ``loose`` ones are still to be settled."""

    offset: float
    what: str
    loose: bool = False


def natural_planes(line: Line, levels: Sequence[float] = ()) -> tuple[Plane, ...]:
    """Ends, middle, large flat faces, widest sections and silhouette heights, at most about 18.

    Before the others come ``levels``, the middles of holes' mouths that lie level along the pull.
    """
    columns, z, facing = line.columns, line.spot[2], line.tilt[2]
    bottom, top = line.ends
    flat = z[np.abs(facing) > _FLAT]
    planes = [Plane(h, "the middle of its holes' mouths") for h in levels]
    planes += [
        Plane(bottom, "its upper end"),
        Plane(top, "its upper end"),
        Plane(0.5 * (bottom + top), "its middle"),
    ]
    heights = _flat_heights(flat, columns.footprint / line.sample.weight, top - bottom)
    planes += [Plane(h, "a large flat face") for h in heights]
    planes.append(Plane(float(line.survey.centre @ line.direction), "its centre of mass"))
    planes += _widest(columns)
    planes += _silhouettes(z, facing, bottom, top)
    return _distinct(planes, 2e-3 * (top - bottom))


def _distinct(planes: list[Plane], apart: float) -> tuple[Plane, ...]:
    """The planes in order, without those close to an earlier one."""
    kept: list[Plane] = []
    for plane in planes:
        if all(abs(plane.offset - k.offset) > apart for k in kept):
            kept.append(plane)
    return tuple(kept)


def _flat_heights(z: FloatArray, footprint_points: float, height: float) -> list[float]:
    """Heights of flat faces across the pull that cover at least 3 % of the footprint."""
    if not len(z):
        return []
    z = np.sort(z)
    cuts = np.flatnonzero(np.diff(z) > 1e-4 * height)
    starts = np.append(0, cuts + 1)
    ends = np.append(cuts + 1, len(z))
    level = (z[ends - 1] - z[starts]) < 4e-3 * height
    counts = np.where(level, ends - starts, 0)
    order = np.argsort(-counts, kind="stable")[:6]
    return [
        float(z[(starts[k] + ends[k]) // 2]) for k in order if counts[k] > 0.03 * footprint_points
    ]


def _widest(columns: Columns) -> list[Plane]:
    """Heights that leave the least to fill between the plane and the nearest metal."""
    ends = np.sort(np.concatenate([columns.low[columns.first], columns.high[columns.last]]))
    half = len(ends) // 2
    low, high = float(ends[half - 1]), float(ends[min(half, len(ends) - 1)])
    what = "its widest section"
    return [Plane(0.5 * (low + high), what, loose=True), Plane(low, what), Plane(high, what)]


def _silhouettes(z: FloatArray, facing: FloatArray, bottom: float, top: float) -> list[Plane]:
    """Heights with the least surface that faces the parting from the wrong side."""
    edges = np.linspace(bottom, top, _BINS + 1)
    down = np.histogram(z, edges, weights=np.where(facing < -VERTICAL, -facing, 0.0))[0]
    up = np.histogram(z, edges, weights=np.where(facing > VERTICAL, facing, 0.0))[0]
    wrong = np.append(0.0, np.cumsum(up)) + np.append(np.cumsum(down[::-1])[::-1], 0.0)
    planes: list[Plane] = []
    left = wrong.copy()
    for _ in range(4):
        best = float(left.min())
        if not np.isfinite(best):
            break
        first = int(np.argmin(left))
        last = first
        while last < _BINS and left[last + 1] <= best + 1e-12:
            last += 1
        loose = last - first <= 6
        planes.append(Plane(0.5 * (edges[first] + edges[last]), "its outline's height", loose))
        if not loose:
            planes.append(Plane(float(edges[first]), "its outline's height", True))
            planes.append(Plane(float(edges[last]), "its outline's height", True))
        margin = _BINS // 16
        left[max(0, first - margin) : last + margin + 1] = np.inf
    return planes


def settle_height(line: Line, offset: float, window: float) -> float:
    """The exact height near ``offset`` with the least surface on the wrong side of the plane.

    Where a whole range does, its middle: the axis of a lying cylinder whatever its facets.
    """
    survey, z = line.survey, line.z
    a, b, c = (z[k] for k in survey.corners)
    low, high = np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)
    near = np.flatnonzero((high > offset - window) & (low < offset + window))
    shadow = 0.5 * along(line.direction, survey.cross[:, near])
    leans = np.abs(shadow) > VERTICAL * survey.areas[near]
    low, high, shadow = low[near][leans], high[near][leans], shadow[leans]
    if len(low) == 0:
        return offset
    # down-facing surface is wrong above the plane, up-facing below: straight ramps, low to high
    tall = np.maximum(high - low, 1e-7 * survey.size)
    level = np.concatenate([low, low + tall])
    order = np.argsort(level, kind="stable")
    level = level[order]
    slope = np.cumsum(np.concatenate([shadow / tall, -shadow / tall])[order])
    wrong = np.append(0.0, np.cumsum(slope[:-1] * np.diff(level)))
    inside = np.flatnonzero(np.abs(level - offset) <= window)
    if len(inside) == 0:
        return offset
    wrong, level = wrong[inside], level[inside]
    least = wrong <= wrong.min() + 1e-7 * survey.area
    first = int(np.argmax(least))
    last = first
    while last + 1 < len(level) and least[last + 1]:
        last += 1
    return float(0.5 * (level[first] + level[last]))
