"""Cores in words: what each is, how it sits, what to weigh for it, and the forces on it."""

from __future__ import annotations

from typing import Any

from patternprep.report.layout import heading, pairs, size_text, without_sources
from patternprep.units import format_mass

__all__ = ["cores_text"]

SEATS = {"drag": "drag print", "cope": "cope print", "horizontal": "level print"}


def cores_text(figures: dict[str, Any]) -> str:
    """All cores of a kit, or nothing."""
    blocks = []
    for core in figures["cores"]:
        boxes = [box for box in figures["boxes"] if box["core"] == core["name"]]
        blocks.append(heading(f"{core['name']}: fills {core['hole']}"))
        blocks.append(pairs(_rows(core, boxes)))
    if len(figures["cores"]) > 1:
        blocks.append(pairs([("set in this order", ", ".join(figures["setting_order"]))]))
    return "\n".join(blocks)


def _rows(core: dict[str, Any], boxes: list[dict[str, Any]]) -> list[tuple[str, str]]:
    bearing, moves = core["bearing"], core["float_mm"]
    rows = [
        ("why", without_sources(core["reason"])),
        ("core", f"{size_text(core['size_mm'])}, {format_mass(core['mass_kg'])}"),
    ]
    rows += [(SEATS[one["side"]], _print_words(one)) for one in core["prints"]]
    rows.append(
        (
            "can move",
            f"up {moves['up']:.2f}, down {moves['down']:.2f}, sideways {moves['sideways']:.2f}, "
            f"endways {moves['endways']:.2f} mm",
        )
    )
    wall = core["thinnest_wall"]
    if wall is not None:
        left = f"{wall['mm']:.2f} mm beside the core, {wall['left_mm']:.2f} mm when it has moved"
        rows.append(("thinnest wall", left))
    if core["keyed_by"]:
        rows.append(("goes in one way", core["keyed_by"]))
    rows.append(("weigh", ", ".join(f"{row['what']} {row['kg']:.3f} kg" for row in core["weigh"])))
    rows.append(
        (
            "lift",
            f"{core['lift_gross_n']:.1f} N gross, {core['lift_net_n']:.1f} N net of the weight of "
            "the part in the metal",
        )
    )
    bears = bearing["text"]
    if bearing["kpa"] is not None:
        bears = f"{bearing['kpa']:.1f} of {bearing['allowable_kpa']:.0f} kPa"
    if not bearing["holds"]:
        bears += f"; {without_sources(core['chaplets']['text'])}"
    rows.append(("prints bear", bears))
    rows.append(("vent", without_sources(core["vent"]["text"])))
    if core["wire"]["needed"]:
        rows.append(("wire", without_sources(core["wire"]["text"])))
    if boxes:
        rows.append(("box", f"{boxes[0]['kind']}: {', '.join(box['name'] for box in boxes)}"))
        left = core["box_draft"]["greatest_mm"]
        rows.append(("box draft leaves", f"up to {left:.3f} mm of metal on the cored surface"))
    return rows


def _print_words(one: dict[str, Any]) -> str:
    text = (
        f"{one['length_mm']:.1f} mm long, tapers {one['taper_deg']:g} degrees, gap "
        f"{one['gap_side_mm']:.2f} mm at the sides and {one['gap_end_mm']:.2f} mm at the end"
    )
    if one["drop_mm"]:
        text += f"; a drop print, reaching {one['drop_mm']:.1f} mm to the parting"
    return text
