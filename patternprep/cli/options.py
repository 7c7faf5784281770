"""Options that several commands share, and how they become a job."""

from __future__ import annotations

import functools
import inspect
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, get_type_hints

import typer

if TYPE_CHECKING:
    from patternprep.kit.job import Job

__all__ = ["as_job", "print_json", "takes_job_options", "tell_stage", "whole_number"]


def whole_number(flag: str, least: int, words: str) -> Any:
    """An option that takes a whole number from ``least`` up, and says so of anything else."""

    def parsed(text: str | int) -> int:
        from patternprep.errors import UsageFault

        try:
            number = int(text)
        except ValueError:
            number = least - 1
        if number < least:
            raise UsageFault(
                f"{flag} is '{text}' but must be a whole number, {least} or more; "
                f"write it like {flag} {max(least, 2)}."
            )
        return number

    return typer.Option(flag, parser=parsed, metavar="NUMBER", help=words)


PartOrJob = Annotated[
    Path,
    typer.Argument(
        metavar="PART|JOB", readable=False, help="Mesh of the finished part, or a job file."
    ),
]
Part = Annotated[
    Path, typer.Argument(metavar="PART", readable=False, help="Mesh of the finished part.")
]
Units = Annotated[
    str | None,
    typer.Option(
        help="The mesh's unit: mm, cm, m, in or ft.  [default: mm; a 3MF states its own]",
        show_default=False,
    ),
]
FacetLimit = Annotated[
    int | None,
    whole_number("--facet-limit", 1, "Refuse meshes with more facets.  [default: 2000000]"),
]
Alloy = Annotated[str | None, typer.Option(help='The metal: "C95400", "LM25", "gunmetal" ...')]
ShopAlloys = Annotated[
    Path | None,
    typer.Option(metavar="FILE", readable=False, help="The shop's own alloys and values (TOML)."),
]
Contraction = Annotated[
    str | None, typer.Option(help='Instead of the book: "1.9 %" or "1/4 in/ft".')
]
ContractionBasis = Annotated[
    str | None, typer.Option(help="What it refers to: part (default) or pattern.")
]
ContractionX = Annotated[str | None, typer.Option(help="Contraction along x only.")]
ContractionY = Annotated[str | None, typer.Option(help="Contraction along y only.")]
ContractionZ = Annotated[str | None, typer.Option(help="Contraction along z only.")]
ContractionAxes = Annotated[
    str | None, typer.Option(help="Whose x, y, z these are: part (default) or mould.")
]
Cored = Annotated[
    bool | None, typer.Option("--cored/--open-work", help="Book value for work held by cores.")
]
MasterAlloy = Annotated[str | None, typer.Option(help="Metal of a master pattern in between.")]
MasterContraction = Annotated[str | None, typer.Option(help="Contraction of the master's metal.")]
MasterStock = Annotated[str | None, typer.Option(help="Metal to finish the master all over.")]
Rapping = Annotated[
    str | None, typer.Option(help='Taken off each side in plan for rapping: "0.2 mm", or rule.')
]
Camber = Annotated[str | None, typer.Option(help="Bow of a long pattern: rise of the middle.")]
CamberAlong = Annotated[str | None, typer.Option(help="Long axis of the bow, mould frame.")]
CamberToward = Annotated[str | None, typer.Option(help="Where the middle moves: x or y.")]
Pull = Annotated[
    str | None, typer.Option(help='Up in the mould: "+z", "-x", "0,1,1" or auto (default).')
]
Parting = Annotated[
    str | None,
    typer.Option(help='Plane: "12.5 mm", "middle", "top", "at 0,0,12.5" or auto (default).'),
]
Match = Annotated[
    str | None, typer.Option(help="Where walls of both halves meet: taper (default) or step.")
]
Draft = Annotated[str | None, typer.Option(help='Draft: "2 deg" (default) or table.')]
DraftTable = Annotated[
    str | None, typer.Option(help="Which table: plastic (default), wood, taper or shop rule.")
]
Corner = Annotated[str | None, typer.Option(help="Corners of the draft: mitred or round.")]
Stock = Annotated[
    list[str] | None,
    typer.Option(metavar="FACE=AMOUNT", help='"+z=2 mm", "bore 1=table", "all=1 mm"; repeatable.'),
]
StockRule = Annotated[str | None, typer.Option(help="What table means: iso or handbook.")]
AllowanceGrade = Annotated[str | None, typer.Option(help="ISO 8062-3 allowance grade, A to K.")]
ToleranceGrade = Annotated[str | None, typer.Option(help="ISO 8062-3 DCTG grade, 1 to 16.")]
CopeExtra = Annotated[str | None, typer.Option(help='More on faces up in the cope: "30 %".')]
Core = Annotated[
    list[str] | None,
    typer.Option(
        metavar="WHICH", help='auto (default), none, or a hole: "bore 1", "at 10,0,35"; repeatable.'
    ),
]
MouldSand = Annotated[
    str | None, typer.Option(help="green sand (default), silicate sand or resin sand.")
]
Binder = Annotated[
    str | None, typer.Option(help="Core sand: silicate (default), oil, furan or urethane.")
]
DrillUpTo = Annotated[str | None, typer.Option(help="Holes up to this are left for the drill.")]
PrintLength = Annotated[str | None, typer.Option(help="Length of every core print.")]
PrintGap = Annotated[str | None, typer.Option(help="Gap at the sides of every core print.")]
BoxDraft = Annotated[str | None, typer.Option(help="Draft of the core boxes.")]
BoxWall = Annotated[str | None, typer.Option(help="Wall of the core boxes.")]
Coating = Annotated[str | None, typer.Option(help="Thickness of the coating on cores.")]
PrinterError = Annotated[
    str | None, typer.Option(help='How much too large a print comes out: "0.2 %"; print/ only.')
]
Bed = Annotated[
    str | None, typer.Option(help='Largest print: "220 x 220 x 250 mm"; what does not fit is told.')
]
Plastic = Annotated[
    str | None,
    typer.Option(help="Printed in PLA (default), PETG, ABS, ASA, HIPS, PC, nylon or resin."),
]
Infill = Annotated[str | None, typer.Option(help='Share of the volume that is printed: "20 %".')]
Castings = Annotated[int | None, whole_number("--castings", 1, "Castings in one mould.")]
YieldShare = Annotated[str | None, typer.Option("--yield", help='Casting over poured: "60 %".')]
Loss = Annotated[str | None, typer.Option(help='Lost in melting: "2 %".')]
PourOff = Annotated[str | None, typer.Option(help="Metal poured off into pigs.")]
Heel = Annotated[str | None, typer.Option(help="Metal left in the furnace.")]
Out = Annotated[Path, typer.Option(readable=False, help="Folder of the kit.")]
Overwrite = Annotated[bool, typer.Option("--overwrite", help="Replace a kit that is there.")]
AsJson = Annotated[bool, typer.Option("--json", help="Every figure as JSON on stdout.")]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="Say no stages on stderr.")]

KEYS = {
    "units": "part.units",
    "facet_limit": "part.facet_limit",
    "alloy": "alloy.name",
    "shop_alloys": "alloy.shop_file",
    "contraction": "contraction.value",
    "contraction_basis": "contraction.basis",
    "contraction_x": "contraction.x",
    "contraction_y": "contraction.y",
    "contraction_z": "contraction.z",
    "contraction_axes": "contraction.axes",
    "cored": "contraction.cored",
    "master_alloy": "master.alloy",
    "master_contraction": "master.contraction",
    "master_stock": "master.stock",
    "rapping": "rapping.per_side",
    "camber": "camber.height",
    "camber_along": "camber.along",
    "camber_toward": "camber.toward",
    "pull": "parting.pull",
    "parting": "parting.plane",
    "match": "parting.match",
    "draft": "draft.angle",
    "draft_table": "draft.table",
    "corner": "draft.corner",
    "stock_rule": "stock_rule.rule",
    "allowance_grade": "stock_rule.allowance_grade",
    "tolerance_grade": "stock_rule.tolerance_grade",
    "cope_extra": "stock_rule.cope_extra",
    "core": "cores.holes",
    "mould_sand": "mould.sand",
    "binder": "cores.binder",
    "drill_up_to": "cores.drilled_up_to",
    "print_length": "cores.print_length",
    "print_gap": "cores.print_gap",
    "box_draft": "cores.box_draft",
    "box_wall": "cores.box_wall",
    "coating": "cores.coating",
    "printer_error": "printer.size_error",
    "bed": "printer.bed",
    "plastic": "printer.plastic",
    "infill": "printer.infill",
    "castings": "estimate.castings_per_mould",
    "yield_share": "estimate.yield_share",
    "loss": "estimate.loss",
    "pour_off": "estimate.pour_off",
    "heel": "estimate.heel",
}
"""Option name to job key; an option that was not given leaves the job's own value."""

_FLAGS = {"yield_share": "yield"}
"""Options whose flag is another word than their name here."""


def _job_options(
    units: Units = None,
    facet_limit: FacetLimit = None,
    alloy: Alloy = None,
    shop_alloys: ShopAlloys = None,
    contraction: Contraction = None,
    contraction_basis: ContractionBasis = None,
    contraction_x: ContractionX = None,
    contraction_y: ContractionY = None,
    contraction_z: ContractionZ = None,
    contraction_axes: ContractionAxes = None,
    cored: Cored = None,
    master_alloy: MasterAlloy = None,
    master_contraction: MasterContraction = None,
    master_stock: MasterStock = None,
    rapping: Rapping = None,
    camber: Camber = None,
    camber_along: CamberAlong = None,
    camber_toward: CamberToward = None,
    pull: Pull = None,
    parting: Parting = None,
    match: Match = None,
    draft: Draft = None,
    draft_table: DraftTable = None,
    corner: Corner = None,
    stock: Stock = None,
    stock_rule: StockRule = None,
    allowance_grade: AllowanceGrade = None,
    tolerance_grade: ToleranceGrade = None,
    cope_extra: CopeExtra = None,
    core: Core = None,
    mould_sand: MouldSand = None,
    binder: Binder = None,
    drill_up_to: DrillUpTo = None,
    print_length: PrintLength = None,
    print_gap: PrintGap = None,
    box_draft: BoxDraft = None,
    box_wall: BoxWall = None,
    coating: Coating = None,
    printer_error: PrinterError = None,
    bed: Bed = None,
    plastic: Plastic = None,
    infill: Infill = None,
    castings: Castings = None,
    yield_share: YieldShare = None,
    loss: Loss = None,
    pour_off: PourOff = None,
    heel: Heel = None,
) -> None:
    """Hold the signature of the options that make up a job."""


def takes_job_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command all job options; it receives them as one dictionary ``options``."""
    own = inspect.signature(command)
    own_hints = get_type_hints(command, include_extras=True)
    job = inspect.signature(_job_options)
    job_hints = get_type_hints(_job_options, include_extras=True)

    @functools.wraps(command)
    def gathered(**given: Any) -> None:
        options = {name: given.pop(name) for name in job.parameters}
        command(**given, options=options)

    kept = [p for name, p in own.parameters.items() if name != "options"]
    merged = [
        p.replace(kind=inspect.Parameter.KEYWORD_ONLY, annotation=hints[p.name])
        for hints, group in ((own_hints, kept), (job_hints, job.parameters.values()))
        for p in group
    ]
    gathered.__signature__ = inspect.Signature(merged)  # type: ignore[attr-defined]
    gathered.__annotations__ = {p.name: p.annotation for p in merged}
    return gathered


def as_job(part_or_job: Path, options: dict[str, Any]) -> Job:
    """The job that a part with options means, or a job file with options laid over it."""
    from patternprep.cli.effects import refuse_idle
    from patternprep.kit.job import build_job, load_job

    values: dict[str, Any]
    if part_or_job.suffix.lower() == ".toml" and not part_or_job.is_dir():
        values = load_job(part_or_job).model_dump()
    else:
        _check_part(part_or_job, alloy_given=options.get("alloy") is not None)
        values = {"part": {"file": str(part_or_job)}, "alloy": {}}
    for option, key in KEYS.items():
        given = options.get(option)
        if given is not None and given != []:
            section, name = key.split(".")
            values.setdefault(section, {})[name] = str(given) if isinstance(given, Path) else given
    if options.get("stock"):
        values["stock"] = [_stock_row(text) for text in options["stock"]]
    named = {key: _flag(option) for option, key in KEYS.items()}
    named |= {f"stock.{name}": "--stock" for name in ("face", "amount")}
    job = build_job(values, "the command line", named)
    refuse_idle(job, [o for o in KEYS if options.get(o) not in (None, [])], _flag)
    return job


def _flag(option: str) -> str:
    return f"--{_FLAGS.get(option, option).replace('_', '-')}"


def _check_part(path: Path, *, alloy_given: bool) -> None:
    """Say at once what cannot be a part, before anything else is asked of the user."""
    from patternprep.errors import FileFault, UsageFault
    from patternprep.mesh.read.kind import READABLE, file_kind

    if path.is_dir():
        job = path / "job.toml"
        what = f"give its {job}" if job.is_file() else "name the part file or the job file in it"
        raise FileFault(f"{path} is a folder; {what}.")
    if path.is_file() and path.suffix.lower() not in READABLE:
        raise FileFault(
            f"{path} is named neither as a part ({', '.join(READABLE)}) nor as a job file (.toml); "
            "give one of these."
        )
    file_kind(path)
    if not alloy_given:
        raise UsageFault(
            f"{path}: the metal decides the pattern's size; give it with --alloy "
            "(patternprep alloys lists them)."
        )


def _stock_row(text: str) -> dict[str, str]:
    from patternprep.pattern.select import parse_stock

    face, amount = parse_stock(text)
    return {"face": face, "amount": amount}


def tell_stage(quiet: bool) -> Any:
    """A progress callback that writes each stage to stderr, or nothing."""
    from patternprep.progress import silent

    if quiet:
        return silent

    def tell(stage: str) -> None:
        print(f"  {stage}", file=sys.stderr, flush=True)

    return tell


def print_json(figures: Any) -> None:
    """Figures to machines on stdout."""
    import json

    from patternprep.cli.outcome import say

    say(json.dumps(figures, indent=2, ensure_ascii=False))
