"""Every figure of a kit as one dictionary: what figures.json holds and the reports print."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from patternprep import __version__
from patternprep.kit.core_figures import (
    box_figures,
    core_figures,
    core_warnings,
    hole_figures,
    hole_warnings,
    setting_order,
)
from patternprep.kit.core_pieces import CoreVolumes, MadeCore, core_volumes
from patternprep.kit.halves import Halves
from patternprep.kit.metal import metal_figures
from patternprep.kit.pieces import Piece
from patternprep.kit.plan import Plan
from patternprep.mesh.mesh import Mesh
from patternprep.pattern.parting import PartingCandidate, Undercut
from patternprep.units import parse_size

__all__ = ["FIGURES_VERSION", "candidate_figures", "figures_of", "part_figures"]

FIGURES_VERSION = 1

SMALLEST_TOLD_MM3 = 1.0

MOST_CLOSED_TOLD = 8


def figures_of(
    plan: Plan, halves: Halves, pieces: Sequence[Piece], cores: Sequence[MadeCore]
) -> dict[str, Any]:
    """All figures but hashes, files and the proof; plain Python values only."""
    pattern_mm3 = sum(piece.mesh.volume for piece in pieces)
    held = core_volumes(plan, halves, cores)
    factor = plan.frame.volume_factor
    casting_mm3 = (pattern_mm3 - held.cores - held.clearance) / factor
    volumes = _volumes(plan, halves, held, casting_mm3)
    metal = metal_figures(
        plan.job, plan.alloy, casting_mm3, pattern_mm3, cored=bool(cores)
    ).sections(casting_mm3)
    core_rows = [core_figures(plan, core) for core in cores]
    too_large = _too_large(plan, pieces, cores)
    figures: dict[str, Any] = {
        "version": FIGURES_VERSION,
        "made_with": f"patternprep {__version__}",
        "part": part_figures(plan.part) | _reading(plan),
        "alloy": metal["alloy"],
        "contraction": plan.size.contraction,
        "frame": {
            "part_to_mould": plan.frame.matrix.tolist(),
            "up_in_mould": "+z",
            "parting_plane": "z = 0",
        },
        "rapping": {"per_side": plan.job.rapping.per_side, "factors": plan.rapping},
        "camber": None if plan.bow is None else asdict(plan.bow),
        "parting": _parting(plan, halves),
        "draft": _draft(plan, halves),
        "stock": _stock(plan),
        "volumes_mm3": volumes,
        "casting": metal["casting"],
        "pour": metal["pour"],
        "charge": metal["charge"],
        "pattern": metal["pattern"],
        "holes": hole_figures(plan),
        "cores": core_rows,
        "boxes": [row for core in cores for row in box_figures(core)],
        "risers": [],
        "gating": None,
        "print": _print(plan, pieces, too_large),
        "setting_order": setting_order(cores),
        "estimate_steps": metal["estimate_steps"],
        "warnings": [
            *_warnings(plan, halves),
            *_loose_warnings(pieces),
            *core_warnings(plan, core_rows),
            *_bed_warnings(plan, too_large),
        ],
        "cautions": metal["cautions"],
        "pieces": [],
        "proof": [],
    }
    return plain(figures)


def part_figures(part: Mesh) -> dict[str, Any]:
    """The ``part`` section: the finished part in its own axes."""
    return {
        "size_mm": part.size.tolist(),
        "low_corner_mm": part.bounds[0].tolist(),
        "volume_mm3": part.volume,
        "area_mm2": part.area,
        "facets": part.facets,
    }


def _reading(plan: Plan) -> dict[str, Any]:
    return {
        "name": plan.name,
        "bodies": plan.read.bodies,
        "history": list(plan.history),
    }


def _volumes(plan: Plan, halves: Halves, held: CoreVolumes, casting_mm3: float) -> dict[str, float]:
    """Causes at casting size; what rounding to 32-bit files moved is told as ``rounding``.

    The causes up to ``box_draft`` make up the casting; the prints, their clearance and the cores
    in the metal are what the pattern holds beside it.
    """
    factor = plan.frame.volume_factor
    drafted = halves.drafted
    causes = {
        "part": plan.part.volume,
        "stock": plan.stocked.volume - plan.part.volume,
        "left_solid": held.left_solid / factor,
        "undercut_filled": drafted.undercut_filled_mm3 / factor,
        "draft": (drafted.draft_mm3 - held.through_draft) / factor,
        "parting_match": drafted.parting_match_mm3 / factor,
        "box_draft": held.box_draft / factor,
    }
    return causes | {
        "rounding": casting_mm3 - sum(causes.values()),
        "casting": casting_mm3,
        "prints": held.prints / factor,
        "print_clearance": held.clearance / factor,
        "cores_in_metal": held.in_metal / factor,
    }


def _parting(plan: Plan, halves: Halves) -> dict[str, Any]:
    drafted = halves.drafted
    return {
        "pull_in_part": np.asarray(plan.chosen.pull).tolist(),
        "offset_mm": plan.offset_mm,
        "one_piece": drafted.cope is None or drafted.drag is None,
        "match": plan.job.parting.match,
        "step_before_mm": drafted.step_before_mm,
        "step_mm": drafted.step_mm,
        "step_corner_mm": drafted.step_corner_mm,
        "candidates": [
            candidate_figures(c) | ({"reasons": _reasons(plan, halves)} if c is plan.chosen else {})
            for c in plan.candidates
        ],
        "undercuts": [undercut_figures(u) for u in halves.undercuts],
        "undercuts_unnamed_mm3": drafted.undercut_filled_mm3 / plan.frame.volume_factor
        - sum(u.volume_mm3 for u in halves.undercuts),
    }


def _reasons(plan: Plan, halves: Halves) -> list[str]:
    """Why the chosen parting: with what draft and meeting halves come to in the end."""
    factor = plan.frame.volume_factor
    drafted = halves.drafted
    added = [("Draft adds", drafted.draft_mm3 / factor)]
    if drafted.parting_match_mm3 / factor > SMALLEST_TOLD_MM3:
        added.append(("Making the halves meet adds", drafted.parting_match_mm3 / factor))
    share = 100.0 / plan.part.volume
    metal = [f"{what} {mm3:.0f} mm3 ({mm3 * share:.1f} % of the part)." for what, mm3 in added]
    return [*plan.chosen.reasons, *metal]


def candidate_figures(candidate: PartingCandidate) -> dict[str, Any]:
    """One way to part the part, with its figures and reasons."""
    return {
        "pull_in_part": np.asarray(candidate.pull).tolist(),
        "offset_mm": candidate.offset_mm,
        "score": candidate.score,
        "one_piece": candidate.one_piece,
        "flat_back": candidate.flat_back,
        "height_mm": candidate.height_mm,
        "draft_added_mm3": candidate.draft_added_mm3,
        "undercut_mm3": candidate.undercut_mm3,
        "cores_asked": candidate.cores_asked,
        "machined_up_mm2": candidate.machined_up_mm2,
        "undercuts": [undercut_figures(u) for u in candidate.undercuts],
        "reasons": [*candidate.reasons, *candidate.metal_reasons],
    }


def undercut_figures(undercut: Undercut) -> dict[str, Any]:
    """One place that has to be filled, cored or pulled otherwise."""
    return {
        "kind": undercut.kind,
        "place_in_part_mm": np.asarray(undercut.place).tolist(),
        "volume_mm3": undercut.volume_mm3,
        "advice": undercut.advice,
    }


def _draft(plan: Plan, halves: Halves) -> dict[str, Any]:
    drafted = halves.drafted
    return {
        "angle_deg": drafted.min_angle,
        "asked": plan.job.draft.angle,
        "corner": plan.job.draft.corner,
        "walls": [dict(wall) for wall in drafted.wall_figures()],
        "closed": [
            {
                "place_in_part_mm": pocket.place,
                "depth_mm": pocket.was_mm,
                "open_mm": pocket.is_mm,
                "through": pocket.through,
            }
            for pocket in halves.closed
        ],
    }


def _print(
    plan: Plan, pieces: Sequence[Piece], too_large: Sequence[tuple[str, Mesh]]
) -> dict[str, Any]:
    bed = plan.job.printer.bed
    return {
        "scale": float(pieces[0].print_matrix[0, 0]),
        "bed_mm": list(parse_size(bed)) if bed else None,
        "does_not_fit": [name for name, _ in too_large],
    }


def _too_large(
    plan: Plan, pieces: Sequence[Piece], cores: Sequence[MadeCore]
) -> list[tuple[str, Mesh]]:
    """Pieces that do not go onto the bed as they lie, not even turned by a quarter."""
    if not plan.job.printer.bed:
        return []
    wide, deep, high = parse_size(plan.job.printer.bed)
    sized = [(p.name, p.print_mesh) for p in pieces]
    sized += [(part.name, part.mesh) for core in cores for part in core.parts]
    found = []
    for name, mesh in sized:
        x, y, z = (float(s) for s in mesh.size)
        flat = (x <= wide and y <= deep) or (y <= wide and x <= deep)
        if not flat or z > high:
            found.append((name, mesh))
    return found


def _bed_warnings(plan: Plan, too_large: Sequence[tuple[str, Mesh]]) -> list[str]:
    return [
        f"The {name} is {' x '.join(f'{s:.1f}' for s in mesh.size)} mm as it lies and does not fit "
        f"the bed of {plan.job.printer.bed}: print it in parts, or on a larger machine."
        for name, mesh in too_large
    ]


def _stock(plan: Plan) -> dict[str, Any]:
    rows = []
    for row in plan.stock:
        face = row.face
        rows.append(
            {
                "name": face.name,
                "kind": face.kind,
                "point": face.point,
                "normal": face.normal,
                "axis_point": face.axis_point,
                "axis": face.axis,
                "radius_mm": face.radius_mm,
                "amount_mm": row.amount_mm,
                "asked": row.asked,
            }
        )
    return {"faces": rows}


def _warnings(plan: Plan, halves: Halves) -> list[str]:
    warnings = [*plan.read.warnings, *plan.told]
    for undercut in halves.undercuts:
        x, y, z = (float(c) for c in undercut.place)
        warnings.append(
            f"{undercut.kind} at ({x:.1f}, {y:.1f}, {z:.1f}) mm is filled with "
            f"{undercut.volume_mm3 / 1000.0:.3f} cm3 of metal: {undercut.advice}"
        )
    warnings += _closed_warnings(halves)
    warnings += hole_warnings(plan)
    for row in plan.stock:
        radius = row.face.radius_mm
        if row.face.kind == "bore" and radius and radius - row.amount_mm < 0.25 * radius:
            warnings.append(
                f"{row.face.name} closes to {2.0 * (radius - row.amount_mm):.2f} mm diameter under "
                "its stock: leave it solid and drill it, or core it."
            )
    if halves.drafted.step_mm > 0.05:
        warnings.append(
            f"The halves step by up to {halves.drafted.step_mm:.2f} mm at the parting, square to "
            "the walls, as asked."
        )
    return warnings


def _loose_warnings(pieces: Sequence[Piece]) -> list[str]:
    return [
        f"The {piece.name} is {piece.bodies} separate bodies that nothing holds in place: mount "
        f"them on one board as they lie in assembly/{piece.name}.stl, or make each a pattern of "
        "its own."
        for piece in pieces
        if piece.bodies > 1
    ]


def _closed_warnings(halves: Halves) -> list[str]:
    """Slots and holes that draft closes: the first few by name, then how many more."""
    told = []
    for pocket in halves.closed[:MOST_CLOSED_TOLD]:
        x, y, z = (c + 0.0 for c in np.round(pocket.place, 1))
        what = "opening through to the parting" if pocket.through else "pocket"
        left = (
            "is closed altogether"
            if pocket.is_mm <= 0.05
            else f"is open only {pocket.is_mm:.1f} mm deep"
        )
        told.append(
            f"{what} at ({x:.1f}, {y:.1f}, {z:.1f}) mm, {pocket.was_mm:.1f} mm deep on the part, "
            f"{left} in the pattern, for the draft of its walls meets: give it less draft, core "
            "it, pull another way, or leave it solid and machine it."
        )
    more = len(halves.closed) - MOST_CLOSED_TOLD
    if more > 0:
        told.append(f"{more} more narrow pockets are closed in part or altogether by draft.")
    return told


def plain(value: Any) -> Any:
    """The same with numpy's numbers and arrays as Python's own, for JSON."""
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, np.generic):
        return value.item()
    return value
