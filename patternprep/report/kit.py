"""A kit in words: what was decided, what was added, how much metal, and the proof."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from patternprep.proof.words import figure_text, limit_text
from patternprep.report.cores import cores_text
from patternprep.report.layout import (
    bullets,
    degrees_text,
    heading,
    pairs,
    size_text,
    told_row,
    without_sources,
)
from patternprep.report.metal import metal_text, steps_text

__all__ = ["estimate_text", "kit_text"]

CAUSES = (
    ("part", "finished part"),
    ("stock", "machining stock"),
    ("left_solid", "holes left solid"),
    ("undercut_filled", "undercuts filled"),
    ("draft", "draft"),
    ("parting_match", "taper to meet"),
    ("box_draft", "draft of core boxes"),
)


def kit_text(figures: dict[str, Any], out: Path) -> str:
    """The summary that ``make`` prints, at most 80 columns wide."""
    blocks = [
        _decided(figures),
        _added(figures),
        metal_text(figures),
        cores_text(figures),
        _warned(figures),
        heading("Proof, from the written files"),
        _proof_summary(figures["proof"]),
        heading("Kit"),
        pairs(_files(figures, out)),
        _cautions(figures),
    ]
    return "\n".join(block for block in blocks if block).lstrip("\n")


def estimate_text(figures: dict[str, Any]) -> str:
    """The summary that ``estimate`` prints."""
    blocks = [
        _decided(figures),
        _added(figures),
        metal_text(figures),
        cores_text(figures),
        steps_text(figures),
        _warned(figures),
        _cautions(figures),
    ]
    return "\n".join(block for block in blocks if block).lstrip("\n")


def _decided(figures: dict[str, Any]) -> str:
    part, parting = figures["part"], figures["parting"]
    contraction, draft = figures["contraction"], figures["draft"]
    pull = ", ".join(f"{c:g}" for c in (round(v, 4) + 0.0 for v in parting["pull_in_part"]))
    rows = [
        ("part", f"{part['name']}: {size_text(part['size_mm'])}, {part['facets']} facets"),
        ("from", "; ".join(part["history"])),
        ("alloy", figures["alloy"]["name"]),
        ("contraction", contraction["text"]),
        *_allowances(figures),
        ("up in the mould", f"({pull}) of the part"),
        (
            "parting plane",
            f"{parting['offset_mm']:.3f} mm along that direction"
            + ("; all of the pattern in the drag" if parting["one_piece"] else ""),
        ),
        ("draft", _draft_words(draft)),
    ]
    rows += [
        (f"stock, {face['name']}", f"{face['amount_mm']:.2f} mm ({face['asked']})")
        for face in figures["stock"]["faces"]
    ]
    text = "Decided\n" + pairs(rows) + "\n"
    best = parting["candidates"][0]
    if best["reasons"]:
        text += heading("Why this parting") + "\n" + bullets(best["reasons"])
    return text


def _allowances(figures: dict[str, Any]) -> list[tuple[str, str]]:
    """Every size allowance beside the common contraction, and what all of them come to."""
    contraction, rapping, camber = (figures[key] for key in ("contraction", "rapping", "camber"))
    rows = []
    own = contraction["per_axis_percent"]
    if any(abs(value - contraction["percent"]) > 1e-9 for value in own):
        words = ", ".join(f"{axis} {value:.3f} %" for axis, value in zip("xyz", own, strict=True))
        rows.append(("contraction by axis", f"{words}, in the axes of the {contraction['axes']}"))
    if "master" in contraction:
        master = contraction["master"]
        rows.append(
            ("metal master", f"{master['alloy']}, contracts {master['percent']:.3f} % more")
        )
    if any(factor != 1.0 for factor in rapping["factors"]):
        x, y, _ = rapping["factors"]
        by_rule = rapping["per_side"] == "rule"
        asked = "by the rule for small work" if by_rule else f"{rapping['per_side']} a side"
        rows.append(
            (
                "rapping",
                f"{asked}: plan x {x:.6f} and x {y:.6f} (mould x and y)",
            )
        )
    if camber is not None:
        rows.append(
            (
                "camber",
                f"{camber['height_mm']:.3f} mm at pattern size, along "
                f"{'xy'[camber['along']]} toward {'xy'[camber['toward']]} of the mould",
            )
        )
    if rows:
        words = ", ".join(f"{factor:.6f}" for factor in contraction["total_factors"])
        rows.append(("pattern over part", f"{words} (x, y, z), before rapping and camber"))
    scale = figures["print"]["scale"]
    if scale != 1.0:
        rows.append(("print/ only", f"scaled by {scale:.6f} for the printer's size error"))
    return rows


def _draft_words(draft: dict[str, Any]) -> str:
    corners = f"{draft['corner']} corners"
    if not draft["walls"]:
        return f"{degrees_text(draft['angle_deg'], draft['angle_deg'])}, {corners}"
    angles = [wall["angle_deg"] for wall in draft["walls"]]
    return f"{degrees_text(min(angles), max(angles))} by wall height and side, {corners}"


def _added(figures: dict[str, Any]) -> str:
    volumes = figures["volumes_mm3"]
    rows = [
        (label, f"{volumes[key] / 1000.0:12.3f} cm3")
        for key, label in CAUSES
        if key == "part" or abs(volumes.get(key, 0.0)) > 0.0005
    ]
    rows.append(("casting, cold", f"{volumes['casting'] / 1000.0:12.3f} cm3"))
    return heading("Metal by cause (casting size)") + "\n" + pairs(rows)


def _warned(figures: dict[str, Any]) -> str:
    warnings = [without_sources(warning) for warning in figures["warnings"]]
    return heading("Look at this") + "\n" + bullets(warnings) if warnings else ""


def _proof_summary(rows: list[dict[str, Any]]) -> str:
    """How many lines hold, and those that say how near the limits it comes."""
    telling = [row for row in rows if row["limit"] and row["figure"]]
    head = f"  All {len(rows)} lines hold; 'patternprep check' shows them."
    if not telling:
        return head
    lines = [f"{head} Not zero are:"]
    for row in telling:
        limit = limit_text(row["limit"], row["unit"], least=row.get("limit_is") == "least")
        value = f"{figure_text(row['figure']):>10}, {limit}"
        lines.append(told_row("  ", row["name"], 43, value))
    return "\n".join(lines)


def _files(figures: dict[str, Any], out: Path) -> list[tuple[str, str]]:
    names = ", ".join(row["name"] for row in (*figures["pieces"], *figures["boxes"]))
    return [
        ("folder", str(out)),
        ("to print", f"{names}: pattern.3mf, or print/ piece by piece"),
        ("as in the mould", "assembly/"),
        ("figures and job", "figures.json, job.toml"),
    ]


def _cautions(figures: dict[str, Any]) -> str:
    cautions = figures["cautions"]
    return heading("Take care") + "\n" + bullets(cautions) if cautions else ""
