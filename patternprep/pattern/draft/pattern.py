"""Both halves of a pattern, drafted, matched on the parting, and accounted for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from patternprep.errors import GeometryFault
from patternprep.mesh.kernel import Solid
from patternprep.pattern.draft.angles import AngleRule
from patternprep.pattern.draft.hull import Corner, DraftedHalf, draft_half
from patternprep.pattern.draft.match import match_halves
from patternprep.pattern.draft.walls import WallRecord
from patternprep.progress import Progress, silent

__all__ = ["DraftedPattern", "HalfVolumes", "Match", "draft_pattern"]

Match = Literal["taper", "step"]

_MIRROR = np.diag([1.0, 1.0, -1.0, 1.0])


@dataclass(frozen=True)
class HalfVolumes:
    """What was added to one half, by cause, mm3 at the scale given."""

    undercut_filled: float
    draft: float
    parting_match: float


@dataclass(frozen=True, eq=False)
class DraftedPattern:
    """The halves in the mould frame: cope in z >= 0, drag in z <= 0; None for one without metal."""

    cope: Solid | None
    drag: Solid | None
    cope_volumes: HalfVolumes | None
    drag_volumes: HalfVolumes | None
    filled_pairs: tuple[tuple[Solid, Solid], ...]
    """(half with its undercuts filled, half with none filled) of each half with metal."""
    walls: tuple[WallRecord, ...]
    """Where the angle varies: places on walls, and the angle asked of each."""
    min_angle: float
    step_before_mm: float
    """Largest step, square to the walls, between the halves' outlines where a wall passes through
    the parting."""
    step_mm: float
    """The same after matching."""
    step_corner_mm: float
    """Largest distance between the outlines there after matching, corners included."""
    methods: tuple[str, ...]
    """How each half's walls were built; other than 'strips' is a slower, surer way."""

    @property
    def undercut_filled_mm3(self) -> float:
        """Metal that fills undercuts, both halves."""
        return sum(v.undercut_filled for v in self._volumes())

    @property
    def draft_mm3(self) -> float:
        """Metal that draft adds, both halves."""
        return sum(v.draft for v in self._volumes())

    @property
    def parting_match_mm3(self) -> float:
        """Metal that makes the halves meet, both halves."""
        return sum(v.parting_match for v in self._volumes())

    def _volumes(self) -> list[HalfVolumes]:
        return [v for v in (self.cope_volumes, self.drag_volumes) if v is not None]

    def wall_figures(self) -> list[Mapping[str, object]]:
        """The walls as plain figures, for figures.json."""
        return [
            {
                "point": list(w.point),
                "outward": list(w.outward),
                "low_mm": w.low_mm,
                "high_mm": w.high_mm,
                "inside": w.inside,
                "angle_deg": w.angle_deg,
            }
            for w in self.walls
        ]


def draft_pattern(
    cope: Solid | None,
    drag: Solid | None,
    angles: AngleRule | float,
    corner: Corner = "mitred",
    *,
    match: Match = "taper",
    progress: Progress = silent,
) -> DraftedPattern:
    """Draft the cope half (z >= 0) and the drag half (z <= 0) and make them meet on z = 0.

    ``match`` "taper" leans the smaller half more where a wall of the part passes through the
    parting, until the outlines agree; "step" leaves them as they are.
    """
    given = {"cope": cope, "drag": None if drag is None else drag.transform(_MIRROR)}
    halves: dict[str, DraftedHalf] = {}
    for name, half in given.items():
        if half is not None and not half.is_empty:
            progress(f"drafting the {name}")
            halves[name] = draft_half(half, angles, corner=corner, progress=progress)
    if not halves:
        raise GeometryFault("Neither half of the pattern holds any material to draft.")
    solids = {name: half.solid for name, half in halves.items()}
    before = after = corner_mm = 0.0
    if len(halves) == 2:
        progress("matching the halves on the parting")
        matched = match_halves(halves["cope"], halves["drag"], corner, taper=match == "taper")
        solids["cope"], solids["drag"] = matched.cope, matched.drag
        before, after = matched.step_before_mm, matched.step_mm
        corner_mm = matched.step_corner_mm
    volumes: dict[str, HalfVolumes] = {}
    walls: list[WallRecord] = []
    pairs = []
    for name, drafted in halves.items():
        source = given[name]
        assert source is not None
        undercut = max(0.0, drafted.filled.volume - drafted.half.volume)
        volumes[name] = HalfVolumes(
            undercut_filled=undercut,
            draft=drafted.solid.volume - source.volume - undercut,
            parting_match=solids[name].volume - drafted.solid.volume,
        )
        if name == "drag":
            walls += [_mirrored(w) for w in drafted.walls]
            solids[name] = solids[name].transform(_MIRROR)
            pairs.append((drafted.filled.transform(_MIRROR), drafted.half.transform(_MIRROR)))
        else:
            walls += drafted.walls
            pairs.append((drafted.filled, drafted.half))
    return DraftedPattern(
        cope=solids.get("cope"),
        drag=solids.get("drag"),
        cope_volumes=volumes.get("cope"),
        drag_volumes=volumes.get("drag"),
        filled_pairs=tuple(pairs),
        walls=tuple(walls),
        min_angle=min(half.min_angle for half in halves.values()),
        step_before_mm=before,
        step_mm=after,
        step_corner_mm=corner_mm,
        methods=tuple(half.method for half in halves.values()),
    )


def _mirrored(wall: WallRecord) -> WallRecord:
    x, y, z = wall.point
    return replace(wall, point=(x, y, -z), low_mm=-wall.high_mm, high_mm=-wall.low_mm)
