"""Holes that cores would make, for one pull and plane: what they fill, and how they are held.

A hole gets a core where the mould's sand cannot draw from it or would not stand in it, and where
prints can hold a core: its mouths lie level or stand upright, and none of the upright ones faces
the parting from within. Any other hole is judged like the rest of the surface.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.cores.choose import WEDGE_SHARE
from patternprep.pattern.cores.model import Opening, Void
from patternprep.pattern.cores.prints import LEVEL_DEG, OFF_AXIS
from patternprep.pattern.cores.voids import fill_voids, join_voids, linked, plan_basis
from patternprep.pattern.parting.survey import Survey

__all__ = ["CoredHoles", "Held", "Hollow"]

LEAST_SHARE = 2e-3
"""A hole smaller than that share of the part decides nothing."""
_MOST = 12
SAND_STANDS, SAND_FALLS = 1.0, 3.0
"""Height over width of the sand in a hole: up to the first it stands, from the second it falls."""
DEEP_RATIO = 1.5
"""Sand that stands higher than this many times its width hardly draws or holds.

Common practice; such holes are cored, or cast solid and drilled.
"""
_LEVEL = math.sin(math.radians(LEVEL_DEG))
_UPRIGHT = math.cos(math.radians(LEVEL_DEG))


@dataclass(frozen=True)
class Held:
    """One core as it would lie in the mould."""

    volume: float
    """mm3."""
    need: float
    """From 0 where sand would stand as well to 1 where only a core makes the hole."""
    on_parting: int
    """Level mouths whose centre lies on the parting."""
    dropped: int
    """Level mouths off the parting, whose prints are drawn down to it."""
    upright: int

    @property
    def mouths(self) -> int:
        """Mouths in all."""
        return self.on_parting + self.dropped + self.upright


@dataclass(frozen=True, eq=False)
class Hollow:
    """Holes that lead into each other, as one core would make them."""

    members: tuple[Void, ...]
    void: Void
    mouths: tuple[Opening, ...]
    cross: FloatArray = field(repr=False)
    """Normals of its walls times their areas, (k, 3) mm2."""
    middles: FloatArray = field(repr=False)
    """Middles of its walls' facets, (k, 3) mm."""

    def held(self, direction: FloatArray, heights: FloatArray) -> list[Held | None]:
        """How a core is held for each height of the plane; None where none is due or possible."""
        mouths = [
            (float(o.normal @ direction), float(o.point @ direction), _tall(o, direction))
            for o in self.mouths
        ]
        if any(_LEVEL < abs(lean) < _UPRIGHT for lean, _, _ in mouths):
            return [None] * len(heights)
        overhangs = self._overhangs(direction, heights)
        along = self.void.mesh.vertices @ direction
        low, high = float(along.min()), float(along.max())
        width = min(o.diameter_mm for o in self.mouths)
        found: list[Held | None] = []
        for c, over in zip(heights.tolist(), overhangs.tolist(), strict=True):
            depth = max(high - c, c - low) if low < c < high else high - low
            falls = (depth / width - SAND_STANDS) / (SAND_FALLS - SAND_STANDS)
            upright = [(lean, h) for lean, h, _ in mouths if abs(lean) > _LEVEL]
            inward = any(lean * (h - c) < -1e-6 for lean, h in upright)
            if inward or not (over or depth > DEEP_RATIO * width):
                found.append(None)
                continue
            level = [(h, tall) for lean, h, tall in mouths if abs(lean) <= _LEVEL]
            on = sum(abs(h - c) <= OFF_AXIS * tall for h, tall in level)
            need = 1.0 if over else min(1.0, max(0.0, falls))
            found.append(Held(self.void.volume_mm3, need, on, len(level) - on, len(upright)))
        return found

    def _overhangs(self, direction: FloatArray, heights: FloatArray) -> FloatArray:
        """1 for the heights of the plane for which the walls hang over the sand."""
        rise, height = self.cross @ direction, self.middles @ direction
        order = np.argsort(height, kind="stable")
        height, rise = height[order], rise[order]
        up = np.append(0.0, np.cumsum(np.maximum(rise, 0.0)))
        down = np.append(np.cumsum(np.maximum(-rise, 0.0)[::-1])[::-1], 0.0)
        plan = 0.5 * float(np.abs(rise).sum())
        plan += 0.5 * sum(o.area_mm2 * abs(float(o.normal @ direction)) for o in self.mouths)
        at = np.searchsorted(height, heights, side="left")
        return np.asarray(up[at] + down[at] > WEDGE_SHARE * plan)


def _stands_out(void: Void, mouth: Opening) -> bool:
    """Does something in the hole stand out through its mouth, like the hub of a dished wheel?"""
    import shapely

    basis = plan_basis(mouth.normal)
    away = void.mesh.vertices - mouth.point
    reach = float(np.ptp(mouth.ring @ basis.T, axis=0).max())
    out = away[away @ mouth.normal > 1e-4 * reach] @ basis.T
    ring = shapely.Polygon((mouth.ring - mouth.point) @ basis.T)
    return bool(len(out)) and bool(shapely.contains_xy(ring, out[:, 0], out[:, 1]).any())


def _tall(opening: Opening, direction: FloatArray) -> float:
    return float(np.ptp(opening.ring @ direction))


class CoredHoles:
    """The holes of a part that may get cores, and the part with some of them filled."""

    def __init__(self, survey: Survey, voids: Sequence[Void]) -> None:
        self.survey = survey
        self.hollows = _hollows(survey, voids)
        self._filled: dict[tuple[int, ...], Survey] = {(): survey}

    def held(
        self, direction: FloatArray, heights: FloatArray
    ) -> list[tuple[tuple[int, ...], tuple[Held, ...]]]:
        """For each height of the plane: the numbers of the hollows that get cores, and how."""
        every = [hollow.held(direction, heights) for hollow in self.hollows]
        found = []
        for j in range(len(heights)):
            own = [(i, one[j]) for i, one in enumerate(every) if one[j] is not None]
            key = tuple(i for i, _ in own)
            found.append((key, tuple(held for _, held in own if held is not None)))
        return found

    def filled(self, key: tuple[int, ...]) -> Survey:
        """The part with those hollows filled."""
        if key not in self._filled:
            voids = [void for i in key for void in self.hollows[i].members]
            self._filled[key] = Survey(fill_voids(self.survey.mesh, voids))
        return self._filled[key]

    @property
    def mouths(self) -> list[Opening]:
        """Mouths of all hollows, those of the largest first."""
        return [mouth for hollow in self.hollows for mouth in hollow.mouths]

    def squares(self) -> list[FloatArray]:
        """Directions square to all mouths of a hollow that points more than one way."""
        found: list[FloatArray] = []
        for hollow in self.hollows:
            normals = np.array([o.normal for o in hollow.mouths])
            _, spread, axes = np.linalg.svd(normals)
            if len(normals) > 1 and spread[1] > 0.1 and np.abs(normals @ axes[2]).max() < _LEVEL:
                found.append(np.asarray(axes[2]))
        return found

    def levels(self, direction: FloatArray) -> list[float]:
        """Heights along a pull of the centres of the mouths that lie level, without repeats."""
        heights: list[float] = []
        for mouth in self.mouths:
            height = float(mouth.point @ direction)
            near = OFF_AXIS * _tall(mouth, direction)
            if abs(float(mouth.normal @ direction)) <= _LEVEL and all(
                abs(height - h) > 0.1 * near for h in heights
            ):
                heights.append(height)
        return heights[:_MOST]


def _hollows(survey: Survey, voids: Sequence[Void]) -> tuple[Hollow, ...]:
    """The holes joined where they lead into each other, without very small ones."""
    names = {void.name for void in voids}
    found = []
    for group in linked(voids):
        members = tuple(voids[i] for i in group)
        if sum(void.volume_mm3 for void in members) < LEAST_SHARE * survey.volume:
            continue
        void = join_voids(survey.mesh, members)
        mouths = tuple(o for o in void.openings if not o.beyond or o.beyond in names)
        if not mouths or any(_stands_out(void, mouth) for mouth in mouths):
            continue
        cross = 0.5 * survey.cross[:, void.facets].T
        middles = survey.mesh.triangles[void.facets].mean(axis=1)
        found.append(Hollow(members, void, mouths, cross, np.asarray(middles)))
    found.sort(key=lambda hollow: -hollow.void.volume_mm3)
    return tuple(found[:_MOST])
