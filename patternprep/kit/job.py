"""The job: everything that is asked of one make, as a checked model and as a TOML file.

Amounts are kept as the text the user wrote ("1.9 %", "2 mm"); they are checked when the job is
made and turned into numbers where they are used. Every key has a stated default, and a job that
is written out states every key.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from patternprep.errors import FileFault, UsageFault, reason_of
from patternprep.kit.amounts import (
    AxisFraction,
    BedSize,
    BookFraction,
    BoxDraft,
    BoxWall,
    Coating,
    CopeExtra,
    Drilled,
    Heel,
    Infill,
    Length,
    Loss,
    MasterStock,
    Plane,
    PourOff,
    PrintError,
    PrintGap,
    PrintLength,
    RappingAmount,
    StockAmount,
    TableAngle,
    Yield,
)
from patternprep.kit.complaints import first_complaint

__all__ = [
    "JOB_VERSION",
    "AlloyChoice",
    "Camber",
    "ContractionChoice",
    "CoresChoice",
    "DraftChoice",
    "EstimateChoice",
    "Job",
    "MasterChoice",
    "MouldChoice",
    "PartChoice",
    "PartingChoice",
    "PrinterChoice",
    "Rapping",
    "StockChoice",
    "StockRule",
    "dump_job",
    "load_job",
]

JOB_VERSION = 1


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class PartChoice(_Section):
    """The finished-part model."""

    file: str = Field(description="path of the mesh, from the folder of the job file")
    units: Literal["auto", "mm", "cm", "m", "in", "ft"] = Field(
        "auto", description="the mesh's unit; auto: the one that a 3MF states, mm for all others"
    )
    name: str = Field("", description="name of the part; empty for the file's own")
    history: tuple[str, ...] = Field(
        (), description="how the file came about, carried along when a kit is made again"
    )
    facet_limit: int = Field(2_000_000, gt=0, description="refuse meshes with more facets")


class AlloyChoice(_Section):
    """The metal that is poured."""

    name: str = Field(description="designation or plain name of the alloy")
    shop_file: str = Field("", description="TOML file with the shop's own alloys; empty for none")


class ContractionChoice(_Section):
    """How much larger than the casting the pattern is made."""

    value: BookFraction = Field("book", description='"book", or like "1.9 %" or "1/4 in/ft"')
    basis: Literal["part", "pattern"] = Field(
        "part",
        description="pattern = part x (1 + s), or part = pattern x (1 - s)",
    )
    cored: bool = Field(False, description="the book value for work held back by cores")
    axes: Literal["part", "mould"] = Field(
        "part", description="whose x, y and z the values per axis follow"
    )
    x: AxisFraction = Field("", description="own value along x; empty for the common value")
    y: AxisFraction = Field("", description="own value along y; empty for the common value")
    z: AxisFraction = Field("", description="own value along z; empty for the common value")


class MasterChoice(_Section):
    """A metal master pattern, cast from the printed one: contracts twice."""

    alloy: str = Field("", description="the master's metal; empty when there is no metal master")
    contraction: BookFraction = Field("book", description="contraction of the master's metal")
    stock: MasterStock = Field("0 mm", description="metal to finish on every face of the master")


class Rapping(_Section):
    """Rapping makes the mould larger than the pattern; the pattern is made smaller by it."""

    per_side: RappingAmount = Field(
        "0 mm", description='taken off each side in plan, at pattern size; or "rule" under 1 ft'
    )


class Camber(_Section):
    """A bow given to a long pattern against the bow that the casting takes."""

    height: Length = Field("0 mm", description="rise of the middle over the ends, casting size")
    along: Literal["x", "y"] = Field("x", description="the long axis, in the mould frame")
    toward: Literal["x", "y"] = Field("y", description="where the middle moves, mould frame")


class PartingChoice(_Section):
    """How the part leaves the sand."""

    pull: str = Field("auto", description='"auto", "+z", "-x" or "0,1,1": up in the mould')
    plane: Plane = Field(
        "auto", description='"auto", "middle", "top", "12.5 mm" along the pull, or "at 0,0,12.5"'
    )
    match: Literal["taper", "step"] = Field(
        "taper", description="taper the smaller half more so that the halves meet, or keep a step"
    )


class DraftChoice(_Section):
    """The taper of the walls."""

    angle: TableAngle = Field("2 deg", description='degrees, or "table" by wall height')
    table: Literal["plastic", "wood", "taper", "shop rule"] = Field(
        "plastic", description="which table: by pattern material, taper by height, or shop rule"
    )
    corner: Literal["mitred", "round"] = Field("mitred", description="sharp edges stay, or round")


class StockChoice(_Section):
    """Metal left on one face, or on several, for machining or grinding."""

    face: str = Field(description='like "+z", "bore 1", "bores", "at 10,0,35" or "all"')
    amount: StockAmount = Field(description='like "2 mm", or "table" for the stock rule')


class StockRule(_Section):
    """Where "table" amounts come from."""

    rule: Literal["iso", "handbook"] = Field("iso", description="ISO 8062-3 or the handbook table")
    allowance_grade: str = Field("G", description="required machining allowance grade, A to K")
    tolerance_grade: str = Field("12", description="casting tolerance grade DCTG, 1 to 16")
    cope_extra: CopeExtra = Field(
        "book", description='more on faces up in the cope: "book" (table amounts), or a share'
    )


class MouldChoice(_Section):
    """The sand of the mould."""

    sand: Literal["green sand", "silicate sand", "resin sand"] = Field(
        "green sand", description="decides which holes sand stands in, and the prints' gaps"
    )


class CoresChoice(_Section):
    """Which holes get cores, and how the cores are made."""

    holes: tuple[str, ...] = Field(
        ("auto",), description='"auto", "none", or holes by a face: "bore 1", "at 10,0,35"'
    )
    binder: Literal["silicate", "oil", "furan", "urethane"] = Field(
        "silicate", description="what the core sand is bound with"
    )
    drilled_up_to: Drilled = Field(
        "book", description="smaller holes that sand does not make are left solid for the drill"
    )
    print_length: PrintLength = Field("book", description="length of every print, pattern size")
    print_gap: PrintGap = Field("book", description="gap at the sides of every print")
    box_draft: BoxDraft = Field("book", description="draft of the core boxes, taken off the core")
    box_wall: BoxWall = Field("book", description="wall of the core boxes")
    coating: Coating = Field("0 mm", description="thickness of the coating that cores get")


class PrinterChoice(_Section):
    """The machine that prints the pattern."""

    size_error: PrintError = Field(
        "0 %", description="by how much a print comes out too large (negative: too small)"
    )
    bed: BedSize = Field(
        "", description='the largest print, like "220 x 220 x 250 mm"; empty for not told'
    )
    plastic: str = Field("PLA", description="what the pattern is printed in")
    infill: Infill = Field("100 %", description="share of the volume that is printed")


class EstimateChoice(_Section):
    """What the metal estimate counts with."""

    castings_per_mould: int = Field(1, ge=1, description="how many castings one mould holds")
    yield_share: Yield = Field("book", description="casting mass over poured mass")
    loss: Loss = Field("book", description="metal lost in melting")
    pour_off: PourOff = Field("0 kg", description="metal poured off into pigs after the moulds")
    heel: Heel = Field("0 kg", description="metal left in the furnace")


class Job(_Section):
    """One make, whole."""

    version: Literal[1] = 1
    part: PartChoice
    alloy: AlloyChoice
    contraction: ContractionChoice = ContractionChoice()
    master: MasterChoice = MasterChoice()
    rapping: Rapping = Rapping()
    camber: Camber = Camber()
    parting: PartingChoice = PartingChoice()
    draft: DraftChoice = DraftChoice()
    stock: tuple[StockChoice, ...] = ()
    stock_rule: StockRule = StockRule()
    mould: MouldChoice = MouldChoice()
    cores: CoresChoice = CoresChoice()
    printer: PrinterChoice = PrinterChoice()
    estimate: EstimateChoice = EstimateChoice()


def build_job(values: dict[str, Any], source: str, options: Mapping[str, str] | None = None) -> Job:
    """A checked Job from nested plain values; UsageFault names the key and the rule.

    ``options`` names the command's option for a key, where the value came from the command line.
    """
    try:
        return Job.model_validate(values)
    except ValidationError as error:
        raise UsageFault(first_complaint(Job, error, source, options or {})) from None


def load_job(path: Path) -> Job:
    """Read a job file; the part's and the shop file's paths are taken from its folder."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise FileFault(f"{path}: cannot be read ({reason_of(error)}); check the path.") from None
    except UnicodeDecodeError:
        raise FileFault(f"{path}: is not UTF-8 text; a job file is TOML text.") from None
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise UsageFault(f"{path}: is not valid TOML: {error}{_backslash(text, error)}.") from None
    if values.get("version", JOB_VERSION) != JOB_VERSION:
        raise UsageFault(
            f"{path}: version is {values['version']!r} but this tool knows version {JOB_VERSION}."
        )
    job = build_job(values, str(path))
    folder = path.parent
    part = job.part.model_copy(update={"file": str(folder / job.part.file)})
    alloy = job.alloy
    if alloy.shop_file:
        alloy = alloy.model_copy(update={"shop_file": str(folder / alloy.shop_file)})
    return job.model_copy(update={"part": part, "alloy": alloy})


def _backslash(text: str, error: tomllib.TOMLDecodeError) -> str:
    """What to do when the line that cannot be read holds a backslash, as a Windows path does."""
    line = re.search(r"at line (\d+)", str(error))
    lines = text.splitlines()
    if line is None or "\\" not in "".join(lines[int(line[1]) - 1 : int(line[1])]):
        return ""
    return "; in a path write / for each \\, or put it in single quotes: 'C:\\parts\\cap.stl'"


def dump_job(job: Job) -> str:
    """The job as TOML text, every key stated, each with its meaning beside it."""
    import tomlkit

    document = tomlkit.document()
    document.add(tomlkit.comment("A patternprep job: mm, kg, degrees unless a unit is written."))
    document.add("version", tomlkit.item(job.version))
    for name in Job.model_fields:
        section = getattr(job, name)
        if isinstance(section, BaseModel):
            document.add(name, _table(section))
        elif name == "stock" and section:
            rows = tomlkit.aot()
            for row in section:
                rows.append(_table(row))
            document.add("stock", rows)
    return tomlkit.dumps(document)


def _table(section: BaseModel) -> Any:
    import tomlkit

    table = tomlkit.table()
    for key, field in type(section).model_fields.items():
        item = tomlkit.item(getattr(section, key))
        if field.description:
            item.comment(field.description)
        table.add(key, item)
    return table
