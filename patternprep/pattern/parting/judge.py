"""The cost of a pull and plane, and the sentences that say why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.parting.candidate import MachinedFace, Undercut
from patternprep.pattern.parting.cored import DEEP_RATIO, SAND_FALLS, SAND_STANDS, Held

__all__ = ["Figures", "cost", "machined_areas", "metal_sentences", "sentences", "way_on_part"]

# Costs in shares of the part's volume: the weights are the project's own choice, set so that the
# demo parts and common shapes come out as is common practice.
_DRAFT = 1.0
_UNDERCUT = 0.6  # a core takes this metal out again
_OPENING = 0.35  # a hole along the pull whose sand does not stand: drawn after all where it does
_CORE = 0.05
_CORE_FULL_SHARE = 3e-2  # of the part asks for a whole core; a bolt hole is cast solid and drilled
_ALL_ON_PARTING = 0.02  # taken off a core that simply lies in the parting
_DROPPED = 0.08  # a print drawn down to the parting, with loose sand above it
_ONE_END = 0.03  # a core held at one end only
_NOT_CLEAN = 0.02
_NOT_CLEAN_FULL_SHARE = 2e-3
_ODD_PULL = 0.08
_TWO_HALVES = 0.06
_AT_THE_MIDDLE = 0.01
_FLAT_BACK = 0.03
_MACHINED_UP = 0.05
_HEAVY_LOW = 0.01
_MATCHING_SAID = 1e-2  # of the part: less than that is within the error of the raster
_HEIGHT = 0.01


@dataclass(frozen=True)
class Figures:
    """What one pull and plane come to; volumes mm3, areas mm2, lengths mm."""

    part_volume: float
    draft: float
    matching: float
    rooms: tuple[float, ...]
    machined: tuple[float, float, float]
    heavy_level: float
    footprint: float
    above: float
    below: float
    flat_share: float
    one_piece: bool
    openings: list[tuple[float, float]]
    odd_pull: bool
    cores: tuple[Held, ...]
    angle_deg: float

    @property
    def undercut(self) -> float:
        """Volume to fill in all, mm3."""
        return sum(self.rooms)

    @property
    def height(self) -> float:
        """Height of the part along the pull, mm."""
        return self.above + self.below

    @property
    def height_share(self) -> float:
        """Height over the diameter of a circle as large as the footprint."""
        return self.height / max(float(np.sqrt(4.0 * self.footprint / np.pi)), 1e-12)

    @property
    def deep_openings(self) -> int:
        """Holes along the pull whose sand would stand more than DEEP_RATIO times its width."""
        return sum(ratio > DEEP_RATIO for _, ratio in self.openings)

    @property
    def flat_back(self) -> bool:
        """One end lies on the parting with a flat face over at least 30 % of the footprint."""
        return self.one_piece and self.flat_share >= 0.3


def cost(f: Figures) -> float:
    """Cost in shares of the part's volume, lower is better."""
    cores = sum(min(1.0, v / f.part_volume / _CORE_FULL_SHARE) for v in f.rooms)
    machined = sum(f.machined)
    total = _DRAFT * (f.draft + f.matching) / f.part_volume
    total += _UNDERCUT * f.undercut / f.part_volume
    total += _CORE * cores
    total += sum(_cost_of_core(held, f.part_volume) for held in f.cores)
    total += _NOT_CLEAN * min(1.0, f.undercut / f.part_volume / _NOT_CLEAN_FULL_SHARE)
    total += _ODD_PULL if f.odd_pull else 0.0
    for volume, ratio in f.openings:
        share = volume / f.part_volume
        falls = min(1.0, max(0.0, (ratio - SAND_STANDS) / (SAND_FALLS - SAND_STANDS)))
        total += falls * (_OPENING * share + _CORE * min(1.0, share / _CORE_FULL_SHARE))
    if not f.one_piece:
        total += _TWO_HALVES
        total -= _AT_THE_MIDDLE if abs(f.above - f.below) < 2e-3 * f.height else 0.0
    total -= _FLAT_BACK * f.flat_share if f.flat_back else 0.0
    total += _MACHINED_UP * (f.machined[0] / machined if machined > 0.0 else 0.0)
    total += _HEAVY_LOW * (1.0 - f.heavy_level)
    total += _HEIGHT * min(f.height_share, 5.0)
    return float(total)


def _cost_of_core(held: Held, part_volume: float) -> float:
    """Cost of a hole that a core makes."""
    each = _CORE
    if held.on_parting == held.mouths > 1:
        each -= _ALL_ON_PARTING
    each += _DROPPED if held.dropped else 0.0
    each += _ONE_END if held.mouths == 1 else 0.0
    return held.need * each * min(1.0, held.volume / part_volume / _CORE_FULL_SHARE)


def machined_areas(
    machined: Sequence[MachinedFace], pull: FloatArray
) -> tuple[float, float, float]:
    """Areas of machined faces that look up, down and sideways in the mould, mm2."""
    up = down = upright = 0.0
    for face in machined:
        normal = np.asarray(face.normal, dtype=np.float64)
        rise = float(normal @ pull) / max(float(np.linalg.norm(normal)), 1e-12)
        if rise > 0.5:
            up += face.area_mm2
        elif rise < -0.5:
            down += face.area_mm2
        else:
            upright += face.area_mm2
    return up, down, upright


def way_on_part(direction: FloatArray) -> str:
    """'+z of the part', or the direction's components."""
    for k, name in enumerate("xyz"):
        if abs(abs(direction[k]) - 1.0) < 1e-9:
            return f"{'+' if direction[k] > 0.0 else '-'}{name} of the part"
    shown = ", ".join(f"{c + 0.0:.3f}" for c in np.round(direction, 3))
    return f"({shown}) of the part"


def sentences(
    f: Figures, undercuts: tuple[Undercut, ...], axis_what: str, plane_what: str
) -> tuple[str, ...]:
    """Plain sentences with figures, the most telling first."""
    share = 100.0 / f.part_volume
    said = [f"The pull is {axis_what}, the parting lies at {plane_what}."]
    said += _words_of_cores(f.cores)
    if f.undercut == 0.0 and f.cores:
        said.append("Beside that it draws clean: no undercut is left.")
    elif f.undercut == 0.0:
        said.append("It draws clean: no undercut and no hollow open on the parting.")
    else:
        hollow = [u for u in undercuts if u.kind == "hollow"]
        other = len(f.rooms) - len(hollow)
        parts = []
        if hollow:
            parts.append(f"{_count(len(hollow), 'hollow')} open on the parting")
        if other:
            parts.append(_count(other, "undercut"))
        said.append(
            f"{' and '.join(parts) or 'Undercuts'} would be filled with "
            f"{f.undercut:.0f} mm3 ({f.undercut * share:.1f} % of the part)."
        )
    if f.flat_back:
        said.append("All of the pattern lies in the drag, its flat back on the parting.")
    elif f.one_piece:
        said.append("All of the pattern lies in the drag, without a flat back on the parting.")
    else:
        said.append(f"Two halves: {f.above:.1f} mm high in the cope, {f.below:.1f} mm in the drag.")
    if f.deep_openings:
        said.append(
            f"{_count(f.deep_openings, 'opening')} along the pull would need sand standing "
            "more than 1.5 times as high as wide: core it, or cast it solid and drill."
        )
    up, down, upright = f.machined
    if up + down + upright > 0.0:
        said.append(
            f"Machined faces: {up:.0f} mm2 look up, {down:.0f} mm2 lie down, "
            f"{upright:.0f} mm2 stand upright."
        )
    return tuple(said)


def metal_sentences(f: Figures, *, cores_counted: bool) -> tuple[str, ...]:
    """What draft and meeting halves add, as estimated: at one angle, on the part as it is."""
    before = "before stock" if cores_counted else "before stock and cores"
    share = 100.0 / f.part_volume
    said = [
        f"Draft of {f.angle_deg:g} degrees adds about {f.draft:.0f} mm3 "
        f"({f.draft * share:.1f} % of the part), {before}."
    ]
    if f.matching > _MATCHING_SAID * f.part_volume:
        said.append(
            f"Making the halves meet adds about {f.matching:.0f} mm3 "
            f"({f.matching * share:.1f} % of the part)."
        )
    return tuple(said)


def _words_of_cores(cores: tuple[Held, ...]) -> list[str]:
    """What cores make and how they are held; cores held alike in one sentence."""
    alike: dict[str, list[Held]] = {}
    for held in cores:
        alike.setdefault(_words_of_mouths(held), []).append(held)
    said = []
    for words, those in alike.items():
        volume = sum(held.volume for held in those) / 1000.0
        if len(those) == 1:
            said.append(f"1 hole of {volume:.1f} cm3 gets a core, {words}.")
        else:
            said.append(f"{len(those)} holes of {volume:.1f} cm3 in all get cores, each {words}.")
    return said


def _words_of_mouths(held: Held) -> str:
    """Like "its 3 mouths level on the parting"."""
    ways = [
        (held.on_parting, "level on the parting"),
        (held.dropped, "level off the parting, with a print drawn down to it"),
        (held.upright, "upright"),
    ]
    parts = [f"{_count(count, 'mouth')} {words}" for count, words in ways if count]
    return "with " + " and ".join(parts)


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"
