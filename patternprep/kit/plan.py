"""Everything that is decided before metal is added: reading, pull, stock, size and frame."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from patternprep.data.alloy_book import Alloy, AlloyBook, load_alloys
from patternprep.errors import UsageFault
from patternprep.formulas.estimate import find_plastic
from patternprep.kit.core_rules import CoreRules
from patternprep.kit.cores import CorePlan, holes_to_core, plan_cores
from patternprep.kit.job import Job
from patternprep.kit.size import SizeAllowance, rapping_factors, size_allowance
from patternprep.kit.stock import StockedFace, chosen_faces, named_twice, stocked_faces
from patternprep.mesh.mesh import Mesh
from patternprep.mesh.read.part import PartRead, read_part
from patternprep.mesh.read.stl import weld
from patternprep.mesh.write import settle
from patternprep.pattern.camber import Bow, bow_for, bow_mesh
from patternprep.pattern.cores.model import Void
from patternprep.pattern.frame import Frame, mould_frame
from patternprep.pattern.parting import (
    MachinedFace,
    PartingCandidate,
    Vec3,
    evaluate_parting,
    find_partings,
    parse_parting,
    parse_pull,
)
from patternprep.pattern.stock import StockResult, add_stock
from patternprep.progress import Progress, silent
from patternprep.units import parse_angle, parse_length

__all__ = ["RANKING_ANGLE_DEG", "Plan", "book_of", "check_choices", "make_plan", "partings_for"]

RANKING_ANGLE_DEG = 2.0
"""Draft with which pulls are compared when the angle itself comes from a table."""

ON_FACE_MM = 1e-4
"""A face lies in the parting plane when it is nearer to it than this share of the part's size."""


THINNEST_MM = 0.02
"""A parting plane nearer than this to the end of the part lies in that end, mm."""


@dataclass(frozen=True)
class Plan:
    """A job with all that follows from it before geometry is drafted."""

    job: Job
    read: PartRead
    part: Mesh
    """The finished part exactly as part.stl holds it, part axes, mm."""
    name: str
    history: tuple[str, ...]
    """Where the part was read from and how it was mended, in words."""
    alloy: Alloy
    size: SizeAllowance
    candidates: tuple[PartingCandidate, ...]
    chosen: PartingCandidate
    offset_mm: float
    """Parting plane along the pull in part axes, after stock, mm."""
    stock: tuple[StockedFace, ...]
    stock_result: StockResult | None
    stocked: Mesh
    """Part plus stock at casting size, part axes, mm."""
    frame: Frame
    rapping: tuple[float, float, float]
    """Factors along the mould's axes, inside the frame, that rapping asks for."""
    bow: Bow | None
    """Camber in the mould frame, when asked."""
    in_mould: Mesh
    """Part plus stock in the mould frame, at pattern size, with its camber, mm."""
    cores: CorePlan | None
    """What becomes of its holes; None when no cores are wanted."""
    told: tuple[str, ...] = ()
    """What the user should know of how the job was understood."""


def book_of(job: Job) -> AlloyBook:
    """The alloys that a job can name: the project's own and the shop's."""
    return load_alloys(Path(job.alloy.shop_file) if job.alloy.shop_file else None)


def check_choices(job: Job) -> None:
    """Refuse names and words that mean nothing, before any file is looked at."""
    book = book_of(job)
    for name in filter(None, (job.alloy.name, job.master.alloy)):
        book.find(name)
    find_plastic(job.printer.plastic)
    if job.parting.pull.strip().lower() != "auto":
        parse_pull(job.parting.pull)
    parse_parting(job.parting.plane)


def make_plan(job: Job, progress: Progress = silent) -> Plan:
    """Read the part, choose the pull, add the stock and fix the frame."""
    book = book_of(job)
    alloy = book.find(job.alloy.name)
    read = read_part(
        Path(job.part.file),
        units=None if job.part.units == "auto" else job.part.units,
        facet_limit=job.part.facet_limit,
        progress=progress,
    )
    part = weld(settle(read.mesh).triangles)
    size_words = " x ".join(f"{s:.2f}" for s in part.size)
    progress(f"part: {size_words} mm, {part.volume / 1000.0:.2f} cm3, {part.facets} facets")
    for warning in read.warnings:
        progress(f"warning: {warning}")
    for mending in read.mendings:
        progress(f"mended: {mending}")
    return _decide(job, book, alloy, read, part, progress)


def _history(job: Job, read: PartRead) -> tuple[str, ...]:
    """What is told of the reading; a part that comes out of a kit keeps what was told of it."""
    before = job.part.history or (
        f"read from {Path(job.part.file).name} in {read.unit}: {read.facets_read} facets",
    )
    return (*before, *(f"mended: {mending}" for mending in read.mendings))


def _decide(
    job: Job, book: AlloyBook, alloy: Alloy, read: PartRead, part: Mesh, progress: Progress
) -> Plan:
    size = size_allowance(job, alloy, book, float(part.size.max()))
    all_faces = None
    chosen: list[Any] = []
    told = [taken] if (taken := book.taken_for(job.alloy.name)) else []
    if job.stock or size.master_stock_mm > 0.0:
        from patternprep.mesh.faces import find_faces

        progress("finding faces")
        all_faces = find_faces(part)
        chosen = chosen_faces(job, all_faces)
        told += named_twice(job, all_faces)
    progress("choosing the parting")
    machined = tuple(
        MachinedFace(face.point, face.normal, face.area_mm2)
        for face, _ in chosen
        if face.kind == "plane"
    )
    candidates = _candidates(job, part, machined, _holes_to_core(job, alloy, part), progress)
    best = candidates[0]
    stock = tuple(
        stocked_faces(job, chosen, alloy, part, np.asarray(best.pull), size, all_faces)
        if all_faces is not None
        else ()
    )
    result = None
    stocked = part
    if stock:
        progress(f"adding machining stock to {len(stock)} faces")
        result = add_stock(part, [(row.face, row.amount_mm) for row in stock], progress=progress)
        stocked = result.mesh
    offset = _offset_after_stock(job, part, stocked, best, stock)
    offset = _off_the_skin(stocked, best.pull, offset)
    frame, rapping = _frame(job, stocked, best.pull, offset, size)
    in_mould = frame.mesh_to_mould(stocked)
    bow = None
    height = parse_length(job.camber.height)
    if height != 0.0:
        grown = height * size.contraction["total_factors"][0]
        bow = bow_for(in_mould, grown, job.camber.along, job.camber.toward)
        in_mould = bow_mesh(in_mould, bow)
    cores = (
        None
        if bow is not None
        else plan_cores(
            job, part, in_mould, frame, CoreRules(job.cores, job.mould, alloy), progress
        )
    )
    return Plan(
        job=job,
        read=read,
        part=part,
        name=job.part.name or Path(job.part.file).stem,
        history=_history(job, read),
        alloy=alloy,
        size=size,
        candidates=candidates,
        chosen=best,
        offset_mm=offset,
        stock=stock,
        stock_result=result,
        stocked=stocked,
        frame=frame,
        rapping=rapping,
        bow=bow,
        in_mould=in_mould,
        cores=cores,
        told=tuple(told),
    )


def _candidates(
    job: Job,
    part: Mesh,
    machined: tuple[MachinedFace, ...],
    cores: tuple[Void, ...],
    progress: Progress,
) -> tuple[PartingCandidate, ...]:
    """The best five partings, or those that the job's pull and plane leave."""
    angle = RANKING_ANGLE_DEG if job.draft.angle == "table" else parse_angle(job.draft.angle)
    return partings_for(
        part,
        job.parting.pull,
        job.parting.plane,
        angle_deg=angle,
        machined=machined,
        cores=cores,
        progress=progress,
    )


def _holes_to_core(job: Job, alloy: Alloy, part: Mesh) -> tuple[Void, ...]:
    """The holes that may get cores by rule, by which pulls and planes are then compared."""
    if "auto" not in job.cores.holes or parse_length(job.camber.height) != 0.0:
        return ()
    return holes_to_core(part, CoreRules(job.cores, job.mould, alloy))


def partings_for(
    part: Mesh,
    pull_text: str,
    plane_text: str,
    *,
    angle_deg: float = RANKING_ANGLE_DEG,
    machined: tuple[MachinedFace, ...] = (),
    cores: tuple[Void, ...] = (),
    progress: Progress = silent,
) -> tuple[PartingCandidate, ...]:
    """Partings, best first, within what the words for the pull and the plane decide.

    Raises UsageFault where a plane is measured along a pull that is left open.
    """
    wish = parse_parting(plane_text)
    pulls = None if pull_text.strip().lower() == "auto" else [parse_pull(pull_text)]
    if pulls is None and wish.kind in ("offset", "at"):
        raise UsageFault(
            f"The parting plane '{plane_text}' is measured along the pull, but the pull is left "
            "to be chosen; give it with --pull."
        )
    if wish.kind != "auto" and pulls is None:
        best = find_partings(
            part, angle_deg=angle_deg, machined=machined, cores=cores, limit=1, progress=progress
        )
        pulls = [best[0].pull]
    if wish.kind == "auto" or pulls is None:
        return find_partings(
            part,
            pulls=pulls,
            angle_deg=angle_deg,
            machined=machined,
            cores=cores,
            progress=progress,
        )
    heights = part.vertices @ np.asarray(pulls[0])
    lowest, highest = float(heights.min()), float(heights.max())
    offset = wish.offset_along(pulls[0], lowest, highest)
    assert offset is not None
    slack = 1e-6 * (highest - lowest)
    if not lowest - slack <= offset <= highest + slack:
        raise UsageFault(
            f"The parting plane '{plane_text}' lies at {offset:.3f} mm along the pull, outside the "
            f"part, which reaches from {lowest:.3f} to {highest:.3f} mm; give a height between."
        )
    return (
        evaluate_parting(
            part, pulls[0], offset, angle_deg=angle_deg, machined=machined, cores=cores
        ),
    )


def _offset_after_stock(
    job: Job,
    part: Mesh,
    stocked: Mesh,
    best: PartingCandidate,
    stock: tuple[StockedFace, ...],
) -> float:
    """Where the parting plane lies once the stock is on.

    A flat back stays the back; a machined face that lay in the plane takes the plane with it; a
    plane given as a figure or a point stays where it was put.
    """
    pull = np.asarray(best.pull, dtype=np.float64)
    if stocked is part:
        return best.offset_mm
    plane = job.parting.plane
    if plane == "middle":
        heights = stocked.vertices @ pull
        return float(0.5 * (heights.min() + heights.max()))
    given = plane not in ("auto", "top")
    if not given and best.one_piece:
        return float((stocked.vertices @ pull).max())
    if not given:
        near = ON_FACE_MM * float(part.size.max())
        for row in stock:
            if row.face.kind != "plane":
                continue
            lean = float(np.dot(row.face.normal, pull))
            height = float(np.dot(row.face.point, pull))
            if abs(abs(lean) - 1.0) < 1e-6 and abs(height - best.offset_mm) < near:
                return height + lean * row.amount_mm
    return best.offset_mm


def _off_the_skin(stocked: Mesh, pull: Vec3, offset: float) -> float:
    """A plane that would cut off a skin too thin for a pattern is put onto the face beside it."""
    heights = stocked.vertices @ np.asarray(pull)
    for end in (float(heights.min()), float(heights.max())):
        if abs(offset - end) < THINNEST_MM:
            return end
    return offset


def _frame(
    job: Job, stocked: Mesh, pull: Vec3, offset: float, size: SizeAllowance
) -> tuple[Frame, tuple[float, float, float]]:
    """The frame, and in it the rapping factors, measured on the pattern as it is without them."""
    plain = mould_frame(
        stocked,
        pull,
        offset,
        part_factors=size.part_factors,
        mould_factors=size.mould_factors,
    )
    plan = plain.to_mould(stocked.vertices)[:, :2]
    width, depth = (float(c) for c in np.ptp(plan, axis=0))
    rapping = rapping_factors(job, (width, depth), 0.01 * size.contraction["percent"])
    if rapping == (1.0, 1.0, 1.0):
        return plain, rapping
    factors = tuple(m * r for m, r in zip(size.mould_factors, rapping, strict=True))
    framed = mould_frame(
        stocked, pull, offset, part_factors=size.part_factors, mould_factors=factors
    )
    return framed, rapping
