"""Which draft angle was asked of the walls, from figures.json, and whether each wall has it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from patternprep.errors import FileFault, PatternprepError
from patternprep.mesh.mesh import FloatArray, IntArray
from patternprep.proof.files import Kit
from patternprep.proof.line import ProofLine, at_most
from patternprep.proof.model import Half, Scene
from patternprep.units import parse_angle

__all__ = [
    "ANGLE_MARGIN_DEG",
    "draft_as_asked",
    "largest_angle",
    "own_angle_lines",
    "smallest_angle",
]

ANGLE_MARGIN_DEG = 0.05
_LARGEST_DEG = 60.0
_STEPS = 32
_HALVINGS = 14
_SLACK_MM = 0.02


def smallest_angle(kit: Kit) -> float:
    """The smallest draft angle that the kit tells of, degrees."""
    return _checked(kit, kit.figures.number("draft.angle_deg"))


def largest_angle(kit: Kit) -> float:
    """The largest draft angle that the kit tells of, degrees."""
    angles = [_checked(kit, row.number("angle_deg")) for row in kit.figures.tables("draft.walls")]
    return max([smallest_angle(kit), *angles])


def _checked(kit: Kit, angle: float) -> float:
    if not 0.0 <= angle < _LARGEST_DEG:
        raise FileFault(
            f"{kit.figures.file}: a draft angle is {angle:g} but must be 0 to {_LARGEST_DEG:g} "
            "degrees; make the kit again."
        )
    return angle


@dataclass(frozen=True, eq=False)
class _Places:
    """Places on walls of the part in a half's own frame: (n, 3), (n, 2), (n,) ..."""

    point: FloatArray
    outward: FloatArray
    crest: FloatArray
    angle: FloatArray
    wall: IntArray


def draft_as_asked(kit: Kit) -> list[ProofLine]:
    """The angle that the figures tell against the one that the job asks, where it gives one."""
    text = kit.job.look("draft.angle", None)
    if not isinstance(text, str):
        return []
    try:
        asked = parse_angle(text)
    except PatternprepError:
        return []
    off = abs(asked - smallest_angle(kit))
    return [at_most("draft angle as the job asks", off, 1e-6, "deg off")]


def own_angle_lines(scene: Scene) -> list[ProofLine]:
    """Where angles vary: each recorded wall of the part against the pattern's wall before it."""
    if not scene.kit.figures.tables("draft.walls"):
        return []
    lines = []
    for half in scene.halves:
        places = _places(scene.kit, half)
        under, judged = _under(half, places)
        walls = int(places.wall.max()) + 1 if len(places.wall) else 0
        short = np.bincount(places.wall[under & judged], minlength=walls)
        seen = np.bincount(places.wall[judged], minlength=walls)
        bad = np.flatnonzero(2 * short > seen)
        spot = None
        if len(bad):
            first = np.flatnonzero(under & judged & (places.wall == bad[0]))[0]
            spot = half.place(places.point[first])
        name = f"walls of the {half.name} at their own angle"
        lines.append(at_most(name, len(bad), 0, "walls under", spot))
    return lines


def _places(kit: Kit, half: Half) -> _Places:
    rows = []
    for row in kit.figures.tables("draft.walls"):
        point, outward = row.array("point", (3,)), row.array("outward", (2,))
        if point[2] * half.sign <= 0.0:
            continue
        ends = (row.number("low_mm"), row.number("high_mm"))
        crest = ends[1] if half.sign > 0.0 else -ends[0]
        key = (*ends, bool(row.look("inside", False)), _checked(kit, row.number("angle_deg")))
        rows.append((point, outward, crest, key))
    keys: dict[tuple[float, float, bool, float], int] = {}
    wall = [keys.setdefault(row[3], len(keys)) for row in rows]
    flip = np.array([1.0, 1.0, half.sign])
    return _Places(
        np.array([row[0] for row in rows]).reshape(-1, 3) * flip,
        np.array([row[1] for row in rows]).reshape(-1, 2),
        np.array([row[2] for row in rows], dtype=np.float64),
        np.array([row[3][3] for row in rows], dtype=np.float64),
        np.array(wall, dtype=np.int64),
    )


def _under(half: Half, places: _Places) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Places before which the pattern's wall leans too little, and those that can be judged.

    Looking level out of the part's wall, the pattern's surface is sought. Where it lies further
    out than the wall's own draft would carry it, a higher neighbour made it and it is not judged.
    """
    reach = (places.crest - places.point[:, 2]) * np.tan(np.radians(places.angle))
    reach = np.maximum(reach, 0.0)
    far = reach + _SLACK_MM
    inside = np.zeros(len(reach))
    outside = np.full(len(reach), np.inf)
    for step in range(1, _STEPS + 1):
        at = far * step / _STEPS
        held = _held(half, places, at)[0]
        outside = np.where(~held & ~np.isfinite(outside), at, outside)
        inside = np.where(held & ~np.isfinite(outside), at, inside)
    judged = np.isfinite(outside)
    outside = np.where(judged, outside, far)
    for _ in range(_HALVINGS):
        middle = 0.5 * (inside + outside)
        held = _held(half, places, middle)[0]
        inside, outside = np.where(held, middle, inside), np.where(held, outside, middle)
    held, facet = _held(half, places, inside)
    judged &= held & (inside < reach - _SLACK_MM)
    lean = np.zeros(len(reach))
    seen = facet >= 0
    lean[seen] = np.degrees(np.arcsin(half.mesh.normals[facet[seen], 2].clip(-1, 1)))
    return np.asarray(lean < places.angle - ANGLE_MARGIN_DEG), judged


def _held(half: Half, places: _Places, out: FloatArray) -> tuple[npt.NDArray[np.bool_], IntArray]:
    """Whether the pattern stands over each place moved out by so much, and its facet there."""
    at = places.point[:, :2] + out[:, None] * places.outward
    top, facet = half.grid.tops(at, 0.0)
    return np.asarray(top >= places.point[:, 2] - 1e-4), facet
