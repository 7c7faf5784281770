"""Cores as their boxes make them: settled, measured, written as they are set and boxed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from patternprep.data.core_practice import box_practice
from patternprep.errors import GeometryFault, MeshFault
from patternprep.formulas.core_box import box_dowels, box_draft, box_wall
from patternprep.formulas.cores import core_vent
from patternprep.kit.core_rules import CoreRules
from patternprep.kit.cores import without_core
from patternprep.kit.halves import Halves
from patternprep.kit.job import Job
from patternprep.kit.pieces import print_scale, sha256_of
from patternprep.kit.plan import Plan
from patternprep.mesh.check import require_sound
from patternprep.mesh.crumbs import without_crumbs
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.mesh.read.stl import weld
from patternprep.mesh.write import settle, write_stl
from patternprep.pattern.cores.assemble import CoreBody
from patternprep.pattern.cores.box import CoreBox, CoreEnd, make_box
from patternprep.progress import Progress, silent
from patternprep.units import parse_angle, parse_length

__all__ = ["BoxPart", "CoreVolumes", "MadeCore", "core_volumes", "make_cores", "write_core"]


@dataclass(frozen=True, eq=False)
class BoxPart:
    """One piece of a core box as it is printed."""

    name: str
    mesh: Mesh = field(repr=False)
    matrix: FloatArray = field(repr=False)
    """Mould frame to this piece's print frame, 4 x 4, with the printer's own size factor."""
    bodies: int


@dataclass(frozen=True, eq=False)
class MadeCore:
    """One core as it comes out of its box, settled to what an STL file can hold."""

    body: CoreBody
    box: CoreBox
    mesh: Mesh = field(repr=False)
    bodies: int
    parts: tuple[BoxPart, ...]

    @property
    def name(self) -> str:
        """Like core-1."""
        return self.body.name

    @cached_property
    def in_metal_mm3(self) -> float:
        """Its volume inside its hole, at pattern size."""
        return (self.box.core & self.body.hollow).volume


@dataclass(frozen=True)
class CoreVolumes:
    """What cores and their prints hold at pattern size, mm3."""

    cores: float
    prints: float
    clearance: float
    in_metal: float
    through_draft: float
    box_draft: float
    left_solid: float


def make_cores(
    plan: Plan, progress: Progress = silent, given_up: Mapping[str, str] | None = None
) -> tuple[Plan, list[MadeCore]]:
    """Boxes for all cores of the plan, and the cores that come out of them.

    ``given_up``: names of holes whose cores are not to be made, and at which line of the proof
    they failed.

    A core that no box makes, and that the job does not itself ask for, is dropped from the plan;
    the plan as it then is comes back with the cores. Raises GeometryFault for one asked for.
    """
    for hole, line in (given_up or {}).items():
        core = (
            next((c for c in plan.cores.cores if c.void.name == hole), None) if plan.cores else None
        )
        if core is not None:
            fault = GeometryFault(f"its kit is not proved at '{line}'")
            plan = _dropped(plan, core, fault)
    ready: dict[str, MadeCore] = {}
    while plan.cores is not None:
        refused = _make_all(plan, plan.cores.cores, ready, progress)
        if refused is None:
            return plan, [_called(ready[b.void.name], b) for b in plan.cores.cores]
        body, fault = refused
        progress(f"leaving {body.void.name} without a core")
        plan = _dropped(plan, body, fault)
    return plan, []


def _dropped(plan: Plan, body: CoreBody, fault: GeometryFault) -> Plan:
    """The plan without one core; raises the fault where the job itself asks for it."""
    assert plan.cores is not None
    rules = CoreRules(plan.job.cores, plan.job.mould, plan.alloy)
    return replace(plan, cores=without_core(plan.cores, body.void, fault, plan.in_mould, rules))


def _make_all(
    plan: Plan, bodies: Sequence[CoreBody], ready: dict[str, MadeCore], progress: Progress
) -> tuple[CoreBody, GeometryFault] | None:
    """Make what is not ready yet, by the names of the holes; the first that cannot be made."""
    for body in bodies:
        if body.void.name in ready:
            continue
        progress(f"making the box of {body.name}")
        try:
            ready[body.void.name] = _made(plan.job, body, progress)
        except GeometryFault as fault:
            return body, fault
    return None


def _called(core: MadeCore, body: CoreBody) -> MadeCore:
    """The same core under its final number."""
    parts = tuple(
        replace(part, name=f"{body.name}-box-{piece.name}")
        for part, piece in zip(core.parts, core.box.pieces, strict=True)
    )
    return replace(core, body=body, parts=parts)


def _made(job: Job, body: CoreBody, progress: Progress) -> MadeCore:
    choice = job.cores
    longest = float(np.max(body.solid.bounds[1] - body.solid.bounds[0]))
    width = min(o.diameter_mm for o in body.void.openings)
    draft = box_draft().value if choice.box_draft == "book" else parse_angle(choice.box_draft)
    wall = (
        box_wall(job.printer.plastic, longest).value
        if choice.box_wall == "book"
        else parse_length(choice.box_wall)
    )
    dowels = box_dowels()
    box = make_box(
        body.solid,
        [CoreEnd(_middle(p.core_rings[1]), p.axis, p.core_rings[1]) for p in body.prints],
        free=_prints_of(body),
        draft_deg=draft,
        wall_mm=wall,
        coating_mm=parse_length(choice.coating),
        loss_limit_mm=box_practice().draft_metal.usual,
        dowel_gap_mm=dowels.gap_mm,
        vent_mm=core_vent(width).hole_mm,
        dowels_mm=(dowels.first_mm, dowels.second_mm),
        dowel_out_mm=dowels.out_mm,
        progress=progress,
    )
    try:
        mesh = weld(without_crumbs(settle(box.core.to_mesh())).triangles)
        report = require_sound(mesh, f"the {body.name}")
        scale = print_scale(job)
        parts = tuple(
            _part(f"{body.name}-box-{p.name}", p.solid, p.matrix, scale) for p in box.pieces
        )
    except MeshFault as fault:
        raise GeometryFault(str(fault)) from fault
    return MadeCore(body, box, mesh, report.shells, parts)


def _middle(ring: FloatArray) -> FloatArray:
    return np.asarray(0.5 * (ring.min(axis=0) + ring.max(axis=0)))


def _prints_of(body: CoreBody) -> Solid:
    return body.solid - body.hollow


def _part(name: str, solid: Solid, matrix: FloatArray, scale: float) -> BoxPart:
    sized = np.diag([scale, scale, scale, 1.0])
    mesh = weld(without_crumbs(settle(solid.transform(sized).to_mesh())).triangles)
    report = require_sound(mesh, f"the {name}")
    lowest = float(mesh.bounds[0, 2])
    if abs(lowest) > 1e-4:
        raise GeometryFault(
            f"The {name} does not lie flat: its lowest point in print is at {lowest:.6f} mm "
            "instead of 0; report this with the part."
        )
    return BoxPart(name, mesh, sized @ matrix, report.shells)


def core_volumes(plan: Plan, halves: Halves, cores: Sequence[MadeCore]) -> CoreVolumes:
    """Volumes of cores in and out of the metal, at pattern size."""
    if plan.cores is None:
        return CoreVolumes(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    metal = [h for h in (halves.drafted.cope, halves.drafted.drag) if h is not None]
    whole = in_metal = in_void = 0.0
    for core in cores:
        whole += core.mesh.volume
        in_metal += sum((core.box.core & half).volume for half in metal)
        in_void += core.in_metal_mm3
    voids = sum(core.body.hollow.volume for core in cores)
    prints = halves.seated.seats_mm3
    return CoreVolumes(
        cores=whole,
        prints=prints,
        clearance=max(0.0, prints - (whole - in_metal)),
        in_metal=in_metal,
        through_draft=max(0.0, in_metal - in_void),
        box_draft=max(0.0, voids - in_void),
        left_solid=sum(solid.volume for solid in plan.cores.solids),
    )


def write_core(folder: Path, core: MadeCore) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """Write a core as it is set and its box as it is printed; return what the files are."""
    path = folder / "assembly" / f"{core.name}.stl"
    path.parent.mkdir(exist_ok=True)
    write_stl(path, core.mesh)
    boxes = []
    for part in core.parts:
        printed = folder / "print" / f"{part.name}.stl"
        printed.parent.mkdir(exist_ok=True)
        write_stl(printed, part.mesh)
        boxes.append(
            {
                "print_file": f"print/{part.name}.stl",
                "print_sha256": sha256_of(printed),
            }
        )
    return {"file": f"assembly/{core.name}.stl", "sha256": sha256_of(path)}, boxes
