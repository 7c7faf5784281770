"""Tables of core practice: pockets by sand, prints and gaps, bearing, chaplets, boxes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import Any

from patternprep.data.readings import find_named, read_value
from patternprep.data.sources import find_source
from patternprep.data.tomlfile import Place, read_packaged, up_to_mm
from patternprep.data.values import Source, Value

__all__ = [
    "SIDES",
    "BoxPractice",
    "ChapletRow",
    "DrillingRow",
    "GapRow",
    "MouldSand",
    "Practice",
    "PrintPractice",
    "PrintRow",
    "box_practice",
    "chaplet_rows",
    "core_practices",
    "drilling_rows",
    "find_mould_sand",
    "gap_rows",
    "mould_sands",
    "pocket_draft",
    "print_practice",
    "print_rows",
    "print_tapers",
    "shallow_pocket",
]

#: Where a core print sits: across the parting, standing in the drag, up in the cope.
SIDES = ("horizontal", "drag", "cope")
_PLACES = tuple(
    f"{side}_{face}" for side in ("drag", "horizontal", "cope") for face in ("side", "end")
)
_FILE = "core_practice.toml"


@dataclass(frozen=True, slots=True)
class MouldSand:
    """A mould sand: what pockets of it stand, what a print's seat bears, where its gaps lie.

    ``pocket_*``: greatest depth over the least width. ``least_*``: least width in mm that stands.
    ``bearing`` in kPa. ``gap_places``: by "drag_side" ... the place of a gap in its range, 0 to 1.
    """

    name: str
    aliases: tuple[str, ...]
    pocket_drag: Value
    pocket_cope: Value
    least_drag: Value
    least_cope: Value
    bearing: Value
    gap_places: Mapping[str, Value]


@dataclass(frozen=True, slots=True)
class DrillingRow:
    """Families of alloys (none: all others) and the diameter in mm up to which one drills."""

    families: tuple[str, ...]
    up_to: Value


@dataclass(frozen=True, slots=True)
class PrintRow:
    """Length of a print for cores up to a diameter in mm: a length, a multiple of it, or both."""

    side: str
    up_to_mm: float
    mm: Value | None
    per_diameter: Value | None


@dataclass(frozen=True, slots=True)
class GapRow:
    """Gap per face in mm between core print and seat, for cores up to a size in mm."""

    up_to_mm: float
    mm: Value


@dataclass(frozen=True, slots=True)
class ChapletRow:
    """Families that a figure for chaplets covers, and the area in mm2 per newton."""

    families: tuple[str, ...]
    mm2_per_n: Value


@dataclass(frozen=True, slots=True)
class PrintPractice:
    """Least lengths of prints in mm and the multiples that lengthen them."""

    least_horizontal: Value
    least_drag: Value
    least_cope: Value
    cope_per_drag: Value
    per_core_length: Value
    balance_safety: Value
    balanced_per_overhang: Value


@dataclass(frozen=True, slots=True)
class BoxPractice:
    """Core boxes: walls in mm by kind of plastic, draft in degrees, allowances and pegs in mm."""

    walls: Mapping[str, Value]
    wall_per_100: Value
    draft: Value
    coating: Value
    draft_metal: Value
    dowel: Value
    second_dowel: Value
    dowel_gap: Value
    dowel_out: Value
    vent_per_diameter: Value
    least_vent: Value
    most_vent: Value
    slender: Value


@dataclass(frozen=True, slots=True)
class Practice:
    """A practice in words, with its source."""

    id: str
    text: str
    source: Source


def _values(table: Mapping[str, Any], place: Place, units: Mapping[str, str]) -> dict[str, Value]:
    """Every key of ``units`` as a value; an unknown or missing key is a fault."""
    place.check_keys(table, units)
    missing = [key for key in units if key not in table]
    if missing:
        raise place.fault(f"has no {missing[0]}; add it with a source")
    return {key: read_value(table[key], place.at(key), unit) for key, unit in units.items()}


def _gap_places(row: Mapping[str, Any], place: Place) -> Mapping[str, Value]:
    source = row.get("source")
    place.check_keys(row, (*_PLACES, "source"))
    return MappingProxyType(
        {
            key: read_value({"at": row[key], "source": source}, place.at(key), "", highest=1.0)
            for key in _PLACES
        }
    )


@cache
def mould_sands() -> Mapping[str, MouldSand]:
    """Mould sands by name."""
    table, place = read_packaged(_FILE)
    units = {
        "pocket_drag": "",
        "pocket_cope": "",
        "least_drag_mm": "mm",
        "least_cope_mm": "mm",
        "bearing_kpa": "kPa",
    }
    found = {}
    for name, row in table["sand"].items():
        here = place.at("sand", name, name=f"'{name}'")
        rest = {key: row[key] for key in row if key not in ("aliases", "gap_places")}
        values = _values(rest, here, units)
        found[name] = MouldSand(
            name,
            here.at("aliases").texts(row["aliases"]),
            values["pocket_drag"],
            values["pocket_cope"],
            values["least_drag_mm"],
            values["least_cope_mm"],
            values["bearing_kpa"],
            _gap_places(row["gap_places"], here.at("gap_places")),
        )
    return MappingProxyType(found)


def find_mould_sand(word: str) -> MouldSand:
    """The mould sand of that name or alias; `UsageFault` when there is none."""
    sands = mould_sands()
    return sands[find_named(word, ((s.name, s.aliases) for s in sands.values()), "mould sand")]


@cache
def shallow_pocket() -> tuple[Value, Value]:
    """Height over width of a low bump of sand, and the share of the least width that it needs."""
    table, place = read_packaged(_FILE)
    units = {"height_per_width": "", "width_per_least": ""}
    values = _values(table["shallow"], place.at("shallow"), units)
    return values["height_per_width"], values["width_per_least"]


@cache
def pocket_draft() -> Mapping[str, Value]:
    """Draft in degrees of pockets in the drag and in the cope, as a foundry asks for it."""
    table, place = read_packaged(_FILE)
    units = {"drag_deg": "deg", "cope_deg": "deg"}
    values = _values(table["pocket_draft"], place.at("pocket_draft"), units)
    return MappingProxyType({"drag": values["drag_deg"], "cope": values["cope_deg"]})


@cache
def drilling_rows() -> tuple[DrillingRow, ...]:
    """Holes left for drilling by family; the last row has no families and covers all others."""
    table, place = read_packaged(_FILE)
    rows = []
    for index, row in enumerate(table["drilling"]):
        here = place.at("drilling", index)
        here.check_keys(row, ("families", "up_to_mm"))
        families = here.at("families").texts(row["families"])
        rows.append(DrillingRow(families, read_value(row["up_to_mm"], here.at("up_to_mm"), "mm")))
    if [row.families for row in rows].count(()) != 1 or rows[-1].families:
        raise place.at("drilling").fault("the last row, and no other, must name no families")
    return tuple(rows)


@cache
def print_rows(side: str) -> tuple[PrintRow, ...]:
    """Rows of print length for a side, by rising diameter; the last covers any diameter."""
    table, place = read_packaged(_FILE)
    rows = []
    for index, row in enumerate(table["print_row"]):
        here = place.at("print_row", index)
        here.check_keys(row, ("side", "up_to_mm", "up_to_in", "mm", "per_diameter"))
        if here.at("side").choice(row["side"], SIDES) != side:
            continue
        mm, per = (
            read_value(row[key], here.at(key), unit) if key in row else None
            for key, unit in (("mm", "mm"), ("per_diameter", ""))
        )
        if mm is None and per is None:
            raise here.fault("needs mm or per_diameter")
        rows.append(PrintRow(side, up_to_mm(row, here), mm, per))
    return tuple(rows)


@cache
def print_practice() -> PrintPractice:
    """Least lengths of prints and what lengthens them."""
    table, place = read_packaged(_FILE)
    units = {
        "least_horizontal_mm": "mm",
        "least_drag_mm": "mm",
        "least_cope_mm": "mm",
        "cope_per_drag": "",
        "per_core_length": "",
        "balance_safety": "",
        "balanced_per_overhang": "",
    }
    return PrintPractice(*_values(table["print"], place.at("print"), units).values())


@cache
def print_tapers() -> Mapping[str, Value]:
    """Taper of prints in degrees by side."""
    table, place = read_packaged(_FILE)
    units = {f"{side}_deg": "deg" for side in SIDES}
    values = _values(table["print_taper"], place.at("print_taper"), units)
    return MappingProxyType({side: values[f"{side}_deg"] for side in SIDES})


@cache
def gap_rows() -> tuple[GapRow, ...]:
    """Gaps between core print and seat, by rising size of the core."""
    table, place = read_packaged(_FILE)
    return tuple(
        GapRow(
            up_to_mm(row, place.at("gap", index)),
            read_value(row["mm"], place.at("gap", index, "mm"), "mm"),
        )
        for index, row in enumerate(table["gap"])
    )


@cache
def chaplet_rows() -> tuple[ChapletRow, ...]:
    """What the sources say of chaplet areas, and for which metals."""
    table, place = read_packaged(_FILE)
    row, here = table["chaplet"], place.at("chaplet")
    families = here.at("families").texts(row["families"])
    return (ChapletRow(families, read_value(row["mm2_per_n"], here.at("mm2_per_n"), "mm2/N")),)


@cache
def box_practice() -> BoxPractice:
    """Figures of core boxes."""
    table, place = read_packaged(_FILE)
    units = {
        "wall_per_100_mm": "mm",
        "draft_deg": "deg",
        "coating_mm": "mm",
        "draft_metal_mm": "mm",
        "dowel_mm": "mm",
        "second_dowel_mm": "mm",
        "dowel_gap_mm": "mm",
        "dowel_out_mm": "mm",
        "vent_per_diameter": "",
        "least_vent_mm": "mm",
        "most_vent_mm": "mm",
        "slender": "",
    }
    walls = _values(table["box_wall"], place.at("box_wall"), {"filament": "mm", "resin": "mm"})
    return BoxPractice(
        MappingProxyType(walls), *_values(table["box"], place.at("box"), units).values()
    )


@cache
def core_practices() -> tuple[Practice, ...]:
    """Core practice in words, in the order of the table."""
    table, place = read_packaged(_FILE)
    return tuple(
        Practice(
            row["id"],
            place.at("practice", index, "text").text(row["text"]),
            find_source(row["source"], place.at("practice", index, "source")),
        )
        for index, row in enumerate(table["practice"])
    )
