"""Which holes must be cored, which sand makes, and which are left solid for the drill.

All in the mould frame at pattern size, mm: the parting is z = 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, Protocol

import numpy as np

from patternprep.mesh.mesh import Mesh
from patternprep.pattern.cores.model import Void
from patternprep.pattern.cores.voids import join_voids, linked

__all__ = [
    "Choice",
    "Fate",
    "HoleRules",
    "choose_holes",
    "drill_mm",
    "joined_choices",
    "overhangs",
    "sand_depths",
]

Fate = Literal["core", "sand", "solid"]

WEDGE_SHARE = 0.15
"""Overhang below this share of a hole's plan area is a thin wedge, which draft fills."""


FEWEST_SIDES, OUT_OF_ROUND = 8, 0.02
"""A mouth with so many corners at nearly one distance from its centre is round."""


class HoleRules(Protocol):
    """The trade's rules on what sand bears and what a drill makes; each answers with its words."""

    def stands(self, diameter_mm: float, depth_mm: float, hanging: bool) -> tuple[bool, str]:
        """Does a body of moulding sand of this diameter and height hold together?"""

    def drilled(self, diameter_mm: float) -> tuple[bool, str]:
        """Is a hole of this diameter left solid for the drill?"""


@dataclass(frozen=True, eq=False)
class Choice:
    """What becomes of one hole, and why."""

    void: Void
    fate: Fate
    reason: str
    refused: bool = False
    """A core or a lid was due here by rule, and none can be made."""


def choose_holes(
    voids: Sequence[Void], rules: HoleRules, named: frozenset[str], *, auto: bool
) -> list[Choice]:
    """The fate of each hole: those in ``named`` get cores; the others by rule, or stay as sand.

    A hole that opens only into cored holes gets a core with them, and so does one that the core's
    print would fill, or that is the only way out of it; one that opens only into holes left solid
    is left solid too.
    """
    choices = {v.name: _choose(v, rules, v.name in named, auto) for v in voids}
    while _follow(choices):
        pass
    return list(choices.values())


def _follow(choices: dict[str, Choice]) -> bool:
    """Change the fate of holes that their neighbours decide; True when one was changed."""
    for name, choice in choices.items():
        beyond = [o.beyond for o in choice.void.openings if o.beyond in choices]
        reached = choice.fate == "solid" or _is_reached(name, choices)
        if choice.fate == "core":
            way = [
                o.beyond for o in choice.void.openings if o.inner and _is(o.beyond, "sand", choices)
            ]
            if not reached:
                way += [other for other in beyond if _is(other, "solid", choices)]
            if way:
                reason = f"it continues {name}, which gets a core"
                choices[way[0]] = replace(choices[way[0]], fate="core", reason=reason)
                return True
        elif not reached:
            fates: tuple[tuple[Fate, str], ...] = (
                ("core", "gets a core"),
                ("solid", "is left solid"),
            )
            for fate, words in fates:
                for other in beyond:
                    if _is(other, fate, choices):
                        reason = f"it opens only into {other}, which {words}"
                        choices[name] = replace(choice, fate=fate, reason=reason)
                        return True
    return False


def _is(name: str, fate: Fate, choices: dict[str, Choice]) -> bool:
    return name in choices and choices[name].fate == fate


def _is_reached(name: str, choices: dict[str, Choice]) -> bool:
    """Does the hole lead into the open (or a hole not asked about) through sand or like holes?"""
    ways, seen = [name], {name}
    through = ("sand", choices[name].fate)
    while ways:
        for opening in choices[ways.pop()].void.openings:
            if opening.beyond not in choices:
                return True
            if opening.beyond not in seen and choices[opening.beyond].fate in through:
                seen.add(opening.beyond)
                ways.append(opening.beyond)
    return False


def _choose(void: Void, rules: HoleRules, named: bool, auto: bool) -> Choice:
    if named:
        return Choice(void, "core", "asked for")
    if not auto:
        return Choice(void, "sand", "no core was asked for")
    open_air = [o for o in void.openings if not o.inner] or list(void.openings)
    width = min(o.diameter_mm for o in open_air)
    why = ""
    if overhangs(void):
        why = "sand cannot draw from it, for its walls overhang"
    else:
        for depth, hanging in sand_depths(void):
            holds, words = rules.stands(width, depth, hanging)
            if not holds:
                why = words
                break
    if not why:
        return Choice(void, "sand", "the mould's own sand draws from it and stands")
    drilled, words = rules.drilled(drill_mm(void))
    if not drilled:
        return Choice(void, "core", why)
    if is_round(void):
        return Choice(void, "solid", f"{why}; {words}")
    if overhangs(void):
        return Choice(void, "solid", f"{why}; too small for a core, though not round")
    return Choice(void, "sand", f"{why}; but it is too small for a core and not round to drill")


def is_round(void: Void) -> bool:
    """Are all mouths of a hole circles, up to the chords of their facets?"""
    for opening in void.openings:
        away = np.linalg.norm(opening.ring - opening.point, axis=1)
        if len(away) < FEWEST_SIDES or np.ptp(away) > OUT_OF_ROUND * float(away.max()):
            return False
    return True


def drill_mm(void: Void) -> float:
    """Diameter of the drill, along the axis of its largest mouth, that takes the whole hole, mm.

    A round hole has the diameter of its mouth; a slot or a room behind a narrow mouth has more.
    """
    mouth = void.openings[0]
    away = void.mesh.vertices - mouth.point
    reach = np.linalg.norm(away - np.outer(away @ mouth.normal, mouth.normal), axis=1).max()
    rim = np.linalg.norm(mouth.ring - mouth.point, axis=1).max()
    return float(mouth.diameter_mm * reach / rim)


def overhangs(void: Void) -> bool:
    """Do the walls of a hole overhang the sand in it by more than a thin wedge?"""
    return void.ceiling_mm2 > WEDGE_SHARE * void.plan_mm2


def sand_depths(void: Void) -> list[tuple[float, bool]]:
    """Heights (mm) of the bodies of sand that would stand in a hole, and whether each hangs.

    Sand in the drag stands; sand in the cope hangs. A hole that opens upward at the parting alone
    is filled by sand of the other half, whose body then hangs or stands down into it.
    """
    low, high = (float(z) for z in void.bounds[:, 2])
    up = any(o.normal[2] > 0.7 for o in void.openings)
    down = any(o.normal[2] < -0.7 for o in void.openings)
    found = []
    if high > 0.0 > low:
        found = [(high, True), (-low, False)]
    elif low >= 0.0:
        found = [(high - low, up)]
    else:
        found = [(high - low, not down)]
    return [(depth, hanging) for depth, hanging in found if depth > 1e-6]


def joined_choices(mesh: Mesh, choices: Sequence[Choice]) -> list[Choice]:
    """The same with cored holes that lead into each other made one, largest first.

    ``mesh`` is the mesh that the holes were found on. A mouth into a hole that is left solid is
    none any more: metal closes it.
    """
    solid = {c.void.name for c in choices if c.fate == "solid"}
    cored = [c for c in choices if c.fate == "core"]
    joined = []
    for group in linked([c.void for c in cored]):
        members = [cored[i] for i in group]
        reasons = dict.fromkeys(c.reason for c in members)
        void = join_voids(mesh, [c.void for c in members])
        stopped = tuple(o for o in void.openings if o.beyond in solid)
        mouths = tuple(o for o in void.openings if o.beyond not in solid)
        void = replace(void, openings=mouths, stopped=stopped)
        joined.append(Choice(void, "core", "; ".join(reasons)))
    joined.sort(key=lambda c: -c.void.volume_mm3)
    return joined + [c for c in choices if c.fate != "core"]
