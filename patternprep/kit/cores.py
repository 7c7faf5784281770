"""The cores of a job: which holes get one, with which prints, and what boxes make them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from patternprep.errors import GeometryFault, UsageFault
from patternprep.kit.core_rules import CoreRules
from patternprep.kit.job import Job
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.pattern.cores.assemble import (
    CoreBody,
    build_core,
    check_clear,
    check_prints,
    close_voids,
)
from patternprep.pattern.cores.choose import (
    Choice,
    choose_holes,
    drill_mm,
    is_round,
    joined_choices,
    overhangs,
)
from patternprep.pattern.cores.model import Opening, Void
from patternprep.pattern.cores.voids import find_voids
from patternprep.pattern.frame import Frame
from patternprep.progress import Progress, silent

__all__ = ["CorePlan", "holes_to_core", "opening_of_part", "plan_cores", "without_core"]


ASIDE_SHARE, ALONG_SHARE = 0.02, 0.3
"""How far stock may move a mouth, aside and along its axis, as shares of the part's size."""

_PLACES = r" at \([^()]*\)(?: mm)?(?: in the mould)?(?: \([^()]*mm3\))?"
"""A place, as faults tell it, with the volume that is wrong there."""


@dataclass(frozen=True, eq=False)
class CorePlan:
    """What becomes of every hole of the part, in the mould frame at pattern size, mm."""

    choices: tuple[Choice, ...]
    """Cored holes first, those that lead into each other joined."""
    cores: tuple[CoreBody, ...]
    solids: tuple[Solid, ...] = field(repr=False)
    """Holes that are left solid for the drill."""
    filled: Solid | None = field(repr=False)
    """The part with its stock, with cored and left-out holes closed; None when none is closed."""
    part: Solid | None = field(repr=False)
    """The part with its stock; None when no hole is closed."""
    part_openings: tuple[Opening, ...] = field(repr=False)
    """All mouths of the finished part, in its own axes."""
    named: frozenset[str] = frozenset()
    """Names of the holes that the job itself asks a core for."""

    @property
    def by_rule(self) -> dict[str, str]:
        """Names of the cores that the job does not itself ask for, and of their holes."""
        return {core.name: core.void.name for core in self.cores if not self.asked_for(core.void)}

    def asked_for(self, void: Void) -> bool:
        """Does the job itself ask for a core in this hole, or in one of those joined in it?"""
        return bool(self.named & {void.name, *void.members})


def plan_cores(
    job: Job,
    part: Mesh,
    in_mould: Mesh,
    frame: Frame,
    rules: CoreRules,
    progress: Progress = silent,
) -> CorePlan | None:
    """Decide on every hole and build the cores; None when no cores are wanted.

    ``part`` is the finished part in its own axes, ``in_mould`` the part with stock as it lies in
    the mould. Raises UsageFault for a hole that is named but not there, and GeometryFault where a
    core that was asked for cannot be made; a hole that would need a core by rule but cannot hold
    one is left solid, with the reason.
    """
    asked = [text.strip() for text in job.cores.holes]
    auto = "auto" in asked
    if "none" in asked:
        if len(asked) > 1:
            raise UsageFault("Cores are asked for together with 'none'; give the one or the other.")
        return None
    wished = [text for text in asked if text != "auto"]
    progress("finding holes")
    voids = find_voids(in_mould)
    named = frozenset(_named(wished, part, in_mould, voids, frame)) if wished else frozenset()
    openings = tuple(o for void in find_voids(part) for o in void.openings)
    chosen = choose_holes(voids, rules, named, auto=auto)
    known = [_of_the_part(choice, openings, frame, part) for choice in chosen]
    choices = joined_choices(in_mould, known)
    if all(c.fate == "sand" for c in choices):
        return CorePlan(tuple(choices), (), (), None, None, openings, named)
    progress("closing holes and making core prints")
    return _built(CorePlan(tuple(choices), (), (), None, None, openings, named), in_mould, rules)


def holes_to_core(part: Mesh, rules: CoreRules) -> tuple[Void, ...]:
    """The holes of the finished part, in its own axes, that are not left solid for the drill."""
    return tuple(
        void
        for void in find_voids(part)
        if not (is_round(void) and rules.drilled(drill_mm(void))[0])
    )


def without_core(
    plan: CorePlan, void: Void, fault: GeometryFault, in_mould: Mesh, rules: CoreRules
) -> CorePlan:
    """The plan without the core of one hole, which turned out not to be possible.

    Raises the fault where the job itself asks for that core.
    """
    if plan.asked_for(void):
        raise fault
    left = tuple(_left(c, str(fault)) if c.void is void else c for c in plan.choices)
    if all(c.fate == "solid" for c in left if c.void is void):
        # the same holes stay closed: nothing needs to be closed anew
        cores = [core for core in plan.cores if core.void is not void]
        hollows = [core.hollow for core in plan.cores if core.void is void]
        return replace(
            plan,
            choices=left,
            cores=tuple(replace(core, name=f"core-{i + 1}") for i, core in enumerate(cores)),
            solids=(*plan.solids, *hollows),
        )
    return _built(replace(plan, choices=left), in_mould, rules)


def _built(plan: CorePlan, in_mould: Mesh, rules: CoreRules) -> CorePlan:
    """Cores for the choices; what cannot hold a core by rule is left.

    Cores that the plan has already stay as they are, but for their number.
    """
    part = plan.part or Solid.from_mesh(in_mould, "the part with its stock")
    ready = {core.void.name: core for core in plan.cores}
    settled = [_with_core(c, plan, rules, ready) for c in plan.choices]
    while True:
        closed = [c.void for c in settled if c.fate != "sand"]
        if not closed:
            return replace(
                plan, choices=tuple(settled), cores=(), solids=(), filled=None, part=None
            )
        filled, solids, stuck = close_voids(part, closed, in_mould)
        if stuck is None:
            cored = [c.void for c in settled if c.fate == "core"]
            cored.sort(key=lambda void: not plan.asked_for(void))
            cores, stuck = _set_apart([ready[void.name] for void in cored], filled)
        if stuck is None:
            hollows = dict(zip((v.name for v in closed), solids, strict=True))
            return replace(
                plan,
                choices=tuple(settled),
                cores=tuple(cores),
                solids=tuple(hollows[c.void.name] for c in settled if c.fate == "solid"),
                filled=filled,
                part=part,
            )
        at = next(i for i, c in enumerate(settled) if c.void is stuck[0])
        if plan.asked_for(stuck[0]):
            raise GeometryFault(stuck[1])
        settled[at] = _left(settled[at], stuck[1])


def _with_core(
    choice: Choice, plan: CorePlan, rules: CoreRules, ready: dict[str, CoreBody]
) -> Choice:
    """The choice with its core put among those ready, or without where it can have none."""
    void = choice.void
    if choice.fate != "core" or void.name in ready:
        return choice
    try:
        hollow = Solid.from_mesh(void.mesh, f"closing {void.name}")
        ready[void.name] = build_core("the core", void, hollow, rules.print_rule(void))
    except GeometryFault as fault:
        if plan.asked_for(void):
            raise
        return _left(choice, str(fault))
    return choice


def _set_apart(
    bodies: Sequence[CoreBody], filled: Solid
) -> tuple[list[CoreBody], tuple[Void, str] | None]:
    """The cores with their names, or the hole of the first that runs into metal or another."""
    cores: list[CoreBody] = []
    for body in bodies:
        core = replace(body, name=f"core-{len(cores) + 1}")
        try:
            check_clear(filled, core)
            check_prints(core, cores)
        except GeometryFault as fault:
            return cores, (body.void, str(fault))
        cores.append(core)
    return cores, None


def _left(choice: Choice, fault: str) -> Choice:
    """A hole that cannot hold its core: solid where sand cannot draw from it, else left to sand.

    Of the fault only what is wrong is told, not the advice that follows it.
    """
    wrong = _in_short(fault)
    if choice.fate == "core" and overhangs(choice.void):
        reason = f"{choice.reason}, but no core can be made for it: {wrong}"
        return Choice(choice.void, "solid", reason, refused=True)
    reason = f"{choice.reason}, but it cannot be closed or cored: {wrong}"
    return Choice(choice.void, "sand", reason, refused=True)


def _in_short(fault: str) -> str:
    """What is wrong, without advice, places and numbers: holes alike have the same words."""
    wrong = re.sub(_PLACES, "", fault.partition(";")[0].rstrip("."))
    wrong = re.sub(r"^The (\w+) print of core-\d+ runs", r"its \1 print would run", wrong)
    return re.sub(
        r"^The prints of core-\d+ and core-\d+ run into each other",
        "its print would run into that of another core",
        wrong,
    )


def _of_the_part(choice: Choice, openings: Sequence[Opening], frame: Frame, part: Mesh) -> Choice:
    """The same, but left to sand where stock made a mouth that the finished part does not have."""
    if choice.fate == "sand" or all(
        opening_of_part(mouth, openings, frame, part) is not None for mouth in choice.void.openings
    ):
        return choice
    reason = f"{choice.reason}; but its mouth is made by stock, not by the finished part"
    return Choice(choice.void, "sand", reason)


def opening_of_part(
    mouth: Opening, openings: Sequence[Opening], frame: Frame, part: Mesh
) -> Opening | None:
    """The mouth of the finished part (its own axes) that one in the mould became under stock."""
    if not openings:
        return None
    size = float(part.size.max())
    away = np.array([frame.to_mould(o.point) for o in openings]) - mouth.point
    along = np.abs(away @ mouth.normal)
    aside = np.linalg.norm(away - np.outer(away @ mouth.normal, mouth.normal), axis=1)
    turn = frame.matrix[:3, :3] / frame.volume_factor ** (1.0 / 3.0)
    alike = np.array([turn @ o.normal for o in openings]) @ mouth.normal > 0.5
    same = alike & (aside <= ASIDE_SHARE * size) & (along <= ALONG_SHARE * size)
    if not same.any():
        return None
    factor = frame.volume_factor ** (1.0 / 3.0)
    wider = np.abs([o.diameter_mm * factor - mouth.diameter_mm for o in openings])
    return openings[int(np.argmin(np.where(same, along + aside + wider, np.inf)))]


def _named(
    wished: Sequence[str], part: Mesh, in_mould: Mesh, voids: Sequence[Void], frame: Frame
) -> list[str]:
    """Names of the holes in the mould that the words for faces of the part mean."""
    from patternprep.mesh.faces import find_faces
    from patternprep.pattern.select import select_faces

    faces = find_faces(part)
    own = find_voids(part)
    hole_of_facet = np.full(part.facets, -1)
    for i, void in enumerate(own):
        hole_of_facet[void.facets] = i
    found = []
    for text in wished:
        for face in select_faces(faces, text):
            holes = hole_of_facet[face.facets]
            holes = holes[holes >= 0]
            if not len(holes):
                raise UsageFault(
                    f"A core is asked for at '{text}', but {face.name} is not the wall of a hole "
                    "that opens through flat faces; patternprep inspect lists the holes."
                )
            hole = own[int(np.bincount(holes).argmax())]
            found.append(_same_hole(hole, voids, frame, part))
    return found


def _same_hole(hole: Void, voids: Sequence[Void], frame: Frame, part: Mesh) -> str:
    """The hole in the mould that a hole of the finished part became under its stock."""
    middle = _middle(hole, frame)
    apart = [float(np.linalg.norm(_middle(v, None) - middle)) for v in voids]
    nearest = int(np.argmin(apart)) if apart else -1
    if nearest < 0 or apart[nearest] > 0.1 * float(part.size.max()):
        x, y, z = (float(c) for c in hole.point)
        raise UsageFault(
            f"The hole at ({x:.2f}, {y:.2f}, {z:.2f}) mm of the part is closed by its stock; it "
            "needs no core."
        )
    return voids[nearest].name


def _middle(void: Void, frame: Frame | None) -> FloatArray:
    middle = np.mean([o.point for o in void.openings], axis=0)
    return np.asarray(middle if frame is None else frame.to_mould(middle))
