"""From a job to a proved kit: plan, cut, draft, write, prove; whole or not at all."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from typing import Any

from patternprep.errors import ProofFailed
from patternprep.kit.core_pieces import MadeCore, make_cores, write_core
from patternprep.kit.figures import figures_of
from patternprep.kit.folder import check_target, staged_folder
from patternprep.kit.halves import Halves, make_halves
from patternprep.kit.job import Job, dump_job
from patternprep.kit.pieces import (
    Piece,
    make_piece,
    print_scale,
    sha256_of,
    write_pattern_3mf,
    write_piece,
)
from patternprep.kit.plan import Plan, check_choices, make_plan
from patternprep.mesh.write import write_stl
from patternprep.progress import Progress, silent

__all__ = ["estimate_part", "make_kit"]


def make_kit(
    job: Job, out: Path, *, overwrite: bool = False, progress: Progress = silent
) -> dict[str, Any]:
    """Make the kit in folder ``out`` and return its figures (as in figures.json).

    Raises a PatternprepError when anything is wrong; then no folder appears and an existing kit
    stays untouched. A kit whose proof fails is never left behind.
    """
    check_choices(job)
    check_target(out, overwrite=overwrite)
    given_up: dict[str, str] = {}
    while True:
        try:
            return _attempt(job, out, given_up, overwrite=overwrite, progress=progress)
        except _CoresFailed as failed:
            given_up |= failed.holes
            words = ", ".join(failed.holes)
            progress(f"warning: made again without the cores of {words}, whose proof fails")


class _CoresFailed(Exception):
    """The proof fails at cores that the rules chose: names of their holes, and at which line."""

    def __init__(self, holes: dict[str, str]) -> None:
        super().__init__(", ".join(holes))
        self.holes = holes


def _attempt(
    job: Job, out: Path, given_up: dict[str, str], *, overwrite: bool, progress: Progress
) -> dict[str, Any]:
    """Make and prove the kit once, without the cores of holes that were given up."""
    plan, cores = make_cores(make_plan(job, progress), progress, given_up)
    automatic = {} if plan.cores is None else plan.cores.by_rule
    halves = make_halves(plan, progress)
    with staged_folder(out, overwrite=overwrite) as stage:
        progress("writing")
        pieces = _pieces(plan, halves)
        figures = _write(stage, plan, halves, pieces, cores)
        known = plan.read.warnings
        del plan, halves, pieces, cores  # the proof reads the files; large parts need the room
        progress("proving")
        return _prove(stage, out, known, automatic, figures, progress)


def estimate_part(job: Job, progress: Progress = silent) -> dict[str, Any]:
    """The figures of a kit without its files and proof."""
    plan, cores = make_cores(make_plan(job, progress), progress)
    halves = make_halves(plan, progress)
    figures = figures_of(plan, halves, _pieces(plan, halves), cores)
    return {key: figures[key] for key in figures if key not in ("pieces", "proof")}


def _pieces(plan: Plan, halves: Halves) -> list[Piece]:
    scale = print_scale(plan.job)
    drafted = halves.drafted
    pairs = (("cope", halves.seated.cope), ("drag", halves.seated.drag))
    return [
        make_piece(name, solid, scale, drafted.min_angle)
        for name, solid in pairs
        if solid is not None
    ]


def _write(
    stage: Path, plan: Plan, halves: Halves, pieces: list[Piece], cores: list[MadeCore]
) -> dict[str, Any]:
    """Everything but the proof."""
    from patternprep.proof import SEAL_KEY, seal_of

    write_stl(stage / "part.stl", plan.part)
    figures = figures_of(plan, halves, pieces, cores)
    figures["part"]["sha256"] = sha256_of(stage / "part.stl")
    figures["pieces"] = [write_piece(stage, piece) for piece in pieces]
    _write_cores(stage, cores, figures)
    boxes = [(part.name, part.mesh) for core in cores for part in core.parts]
    write_pattern_3mf(stage / "pattern.3mf", pieces, boxes)
    (stage / "job.toml").write_text(dump_job(_job_of_kit(stage, plan)), encoding="utf-8")
    figures["files"] = [
        {"file": name, "sha256": sha256_of(stage / name)} for name in ("pattern.3mf", "job.toml")
    ]
    figures[SEAL_KEY] = seal_of(figures)
    _write_figures(stage, figures)
    return figures


def _write_cores(stage: Path, cores: list[MadeCore], figures: dict[str, Any]) -> None:
    """The files of cores and boxes, told of in their figures."""
    rows = {row["name"]: row for key in ("cores", "boxes") for row in figures[key]}
    for core in cores:
        own, boxes = write_core(stage, core)
        rows[core.name] |= own
        for part, files in zip(core.parts, boxes, strict=True):
            rows[part.name] |= files


def _job_of_kit(stage: Path, plan: Plan) -> Job:
    """The job as the kit holds it: its own part, in mm, and its own copy of the shop's alloys."""
    job = plan.job
    part = job.part.model_copy(
        update={
            "file": "part.stl",
            "units": "mm",
            "name": plan.name,
            "history": plan.history,
        }
    )
    alloy = job.alloy
    if alloy.shop_file:
        name = Path(alloy.shop_file).name
        if (stage / name).exists() or name == "job.toml":
            name = "shop-alloys.toml"
        shutil.copyfile(alloy.shop_file, stage / name)
        alloy = alloy.model_copy(update={"shop_file": name})
    return job.model_copy(update={"part": part, "alloy": alloy})


def _write_figures(stage: Path, figures: dict[str, Any]) -> None:
    text = json.dumps(figures, indent=2, ensure_ascii=False, allow_nan=False)
    (stage / "figures.json").write_text(text + "\n", encoding="utf-8")


def _prove(
    stage: Path,
    out: Path,
    known: tuple[str, ...],
    automatic: dict[str, str],
    figures: dict[str, Any],
    progress: Progress,
) -> dict[str, Any]:
    from patternprep.proof import prove_kit
    from patternprep.proof.words import failure_sentence, proof_rows

    lines = prove_kit(stage, progress=progress)
    failing = [line.name for line in lines if not line.passed]
    if failing and automatic:
        # lines of a core name it; where none is named, all that the rules chose are doubtful
        named = {
            hole: name
            for core, hole in automatic.items()
            for name in failing
            if re.search(rf"\b{core}\b", name)
        }
        raise _CoresFailed(named or dict.fromkeys(automatic.values(), failing[0]))
    if failing:
        raise ProofFailed(" ".join((failure_sentence(out, lines, written=False), *known)))
    figures["proof"] = proof_rows(lines)
    _write_figures(stage, figures)
    return figures
