"""Every figure of holes, cores and core boxes, as figures.json holds them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from patternprep.formulas.core_forces import chaplets, core_lift, print_bearing
from patternprep.formulas.core_sand import core_mix, hardening
from patternprep.formulas.cores import core_vent, core_wire
from patternprep.kit.core_pieces import MadeCore
from patternprep.kit.core_rules import liquid_density
from patternprep.kit.cores import opening_of_part
from patternprep.kit.plan import Plan
from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.cores.choose import Choice
from patternprep.pattern.cores.model import Opening, Void
from patternprep.pattern.cores.prints import Print
from patternprep.pattern.cores.walls import thinnest_wall

__all__ = [
    "box_figures",
    "core_figures",
    "core_warnings",
    "hole_figures",
    "hole_warnings",
    "setting_order",
]


def hole_figures(plan: Plan) -> list[dict[str, Any]]:
    """Every hole that opens through flat faces, and what becomes of it; part axes."""
    if plan.cores is None:
        return []
    return [_hole(plan, choice) for choice in plan.cores.choices]


def _hole(plan: Plan, choice: Choice) -> dict[str, Any]:
    void = choice.void
    core = next((c for c in _bodies(plan) if c.void is void), None)
    return {
        "name": void.name,
        "with": list(void.members[1:]),
        "place_in_part_mm": plan.frame.to_part(void.point).tolist(),
        "openings": [
            {
                "place_in_part_mm": own.point.tolist(),
                "normal_in_part": own.normal.tolist(),
                "diameter_mm": own.diameter_mm,
                "ring_in_part_mm": own.ring.tolist() if choice.fate != "sand" else [],
            }
            for own in _openings_of_part(plan, void)
        ],
        "volume_mm3": void.volume_mm3 / plan.frame.volume_factor,
        "made_by": choice.fate,
        "core": "" if core is None else core.name,
        "reason": choice.reason,
    }


def _bodies(plan: Plan) -> Sequence[Any]:
    return () if plan.cores is None else plan.cores.cores


def _openings_of_part(plan: Plan, void: Void) -> list[Opening]:
    """The mouths of a hole of the finished part that became those of the void under its stock."""
    assert plan.cores is not None
    own = plan.cores.part_openings
    mouths = (*void.openings, *void.stopped)
    found = [opening_of_part(o, own, plan.frame, plan.part) for o in mouths]
    return [o for o in found if o is not None]


def core_figures(plan: Plan, core: MadeCore) -> dict[str, Any]:
    """One core: what it is, its prints, what to weigh for it, and the forces on it."""
    job, body, box = plan.job, core.body, core.box
    density = liquid_density(plan.alloy)
    mix = core_mix(core.mesh.volume, job.cores.binder)
    sand = mix.core_kg / core.mesh.volume * 1e6
    in_metal = core.in_metal_mm3
    gross = core_lift(in_metal, density, sand, "gross")
    net = core_lift(in_metal, density, sand, "net")
    area = _seat_area(body.prints)
    bearing = _bearing(gross.newton, max(0.0, net.newton), area, job.mould.sand)
    held = chaplets(bearing["unsupported_n"], plan.alloy.family.name)
    width = min(o.diameter_mm for o in body.void.openings)
    long = float(np.max(core.mesh.size))
    vent = core_vent(width)
    wire = core_wire(width, long)
    moves = _float(body.prints)
    return {
        "name": core.name,
        "hole": body.void.name,
        "reason": _reason(plan, core),
        "facets": core.mesh.facets,
        "bodies": core.bodies,
        "size_mm": core.mesh.size.tolist(),
        "volume_mm3": core.mesh.volume,
        "mass_kg": mix.core_kg,
        "in_metal_mm3": in_metal,
        "lift_n": gross.newton,
        "lift_gross_n": gross.newton,
        "lift_net_n": net.newton,
        "lift_text": [gross.text, net.text],
        "bearing": bearing,
        "chaplets": {"needed": held.needed, "area_mm2": held.area_mm2, "text": held.text},
        "vent": {
            "hole_mm": vent.hole_mm,
            "area_mm2": vent.area_mm2,
            "text": vent.text,
            "line_mm": _vent_line(core).tolist(),
        },
        "wire": {"needed": wire.ok, "text": wire.text},
        "float_mm": moves,
        "thinnest_wall": _wall(plan, core, moves),
        "keyed_by": body.keyed,
        "box_draft": {
            "greatest_mm": box.greatest_loss_mm,
            "volume_mm3": max(0.0, body.hollow.volume - in_metal),
            "place_mm": np.asarray(box.loss_place).tolist(),
        },
        "prints": [_print(one) for one in body.prints],
        "weigh": [
            {
                "what": row.name,
                "kg": row.kg,
                "low_kg": row.low_kg,
                "high_kg": row.high_kg,
                "text": row.text,
            }
            for row in mix.rows
        ],
        "hardening": list(hardening(job.cores.binder)),
    }


def _bearing(lift_n: float, net_n: float, area_mm2: float, sand: str) -> dict[str, Any]:
    """What the prints bear of the lift; without a print above it only the core's weight holds."""
    if area_mm2 <= 0.0:
        return {
            "seat_area_mm2": 0.0,
            "kpa": None,
            "allowable_kpa": None,
            "allowable_range_kpa": None,
            "unsupported_n": net_n,
            "holds": net_n == 0.0,
            "text": f"no print takes the lift: {net_n:.1f} N above the core's own weight",
        }
    found = print_bearing(lift_n, area_mm2, sand)
    return {
        "seat_area_mm2": area_mm2,
        "kpa": found.kpa,
        "allowable_kpa": found.allowable_kpa,
        "allowable_range_kpa": [found.low_kpa, found.high_kpa],
        "unsupported_n": found.unsupported_n,
        "holds": found.ok,
        "text": found.text,
    }


def _reason(plan: Plan, core: MadeCore) -> str:
    assert plan.cores is not None
    return next(c.reason for c in plan.cores.choices if c.void is core.body.void)


def _wall(plan: Plan, core: MadeCore, moves: dict[str, float]) -> dict[str, Any] | None:
    """The thinnest metal beside the core at pattern size, and what its float leaves of it."""
    assert plan.cores is not None
    assert plan.cores.part is not None
    body = core.body
    found = thinnest_wall(plan.cores.part, body.hollow, plan.in_mould, body.void)
    if found is None:
        return None
    wall, spot = found
    return {
        "mm": wall,
        "left_mm": max(0.0, wall - max(moves.values())),
        "place_mm": spot.tolist(),
    }


def _print(one: Print) -> dict[str, Any]:
    size = one.size
    return {
        "side": one.side,
        "opening_point_mm": one.opening.point.tolist(),
        "opening_normal": one.opening.normal.tolist(),
        "opening_ring_mm": one.opening.ring.tolist(),
        "length_mm": size.length_mm,
        "taper_deg": size.taper_deg,
        "gap_side_mm": size.gap_side_mm,
        "gap_end_mm": size.gap_end_mm,
        "drop_mm": one.drop_mm,
        "rule": size.rule,
        "core_rings_mm": [ring.tolist() for ring in one.core_rings],
        "seat_rings_mm": [ring.tolist() for ring in one.seat_rings],
    }


def _seat_area(prints: Sequence[Print]) -> float:
    """Plan area of the prints that take the lift, mm2: level ones whole, upright ones by end."""
    area = 0.0
    for one in prints:
        if one.side == "horizontal":
            corners = np.concatenate(one.core_rings)[:, :2]
            area += _hull_area(corners)
        elif one.side == "cope":
            area += _hull_area(one.core_rings[1][:, :2])
    return area


def _hull_area(points: FloatArray) -> float:
    import shapely

    return float(shapely.MultiPoint(points).convex_hull.area)


def _float(prints: Sequence[Print]) -> dict[str, float]:
    """How far the core can move from its nominal seat: up, down and sideways, mm."""
    level = [p for p in prints if p.side == "horizontal"]
    cope = [p for p in prints if p.side == "cope"]
    up = min([p.size.gap_side_mm for p in level] + [p.size.gap_end_mm for p in cope], default=0.0)
    down = min([p.size.gap_side_mm for p in level], default=0.0)
    side = min((p.size.gap_side_mm for p in prints), default=0.0)
    ends = min((p.size.gap_end_mm for p in level), default=side)
    return {"up": up, "down": down, "sideways": side, "endways": ends}


def _vent_line(core: MadeCore) -> FloatArray:
    """Points (k, 3) along which the vent runs: from print to print, by way of the mouths."""
    ends = [np.mean(p.core_rings[1], axis=0) for p in core.body.prints]
    mouths = [np.mean(p.core_rings[0], axis=0) for p in core.body.prints]
    if len(ends) == 1:
        low, high = core.body.void.bounds
        return np.array([ends[0], mouths[0], 0.5 * (low + high)])
    return np.array([ends[0], mouths[0], mouths[1], ends[1]])


def box_figures(core: MadeCore) -> list[dict[str, Any]]:
    """The pieces of one core's box."""
    box = core.box
    return [
        {
            "name": part.name,
            "core": core.name,
            "kind": box.kind,
            "pull_in_mould": np.asarray(box.pull).tolist(),
            "core_to_print": part.matrix.tolist(),
            "facets": part.mesh.facets,
            "bodies": part.bodies,
            "size_mm": part.mesh.size.tolist(),
            "volume_mm3": part.mesh.volume,
        }
        for part in core.parts
    ]


def core_warnings(plan: Plan, rows: Sequence[dict[str, Any]]) -> list[str]:
    """Thin metal beside cores, and loads that their prints do not bear; from the cores' figures."""
    told = []
    section = plan.alloy.smallest_section
    for core in rows:
        wall = core["thinnest_wall"]
        if wall is not None and section is not None and wall["left_mm"] < section.usual:
            x, y, z = wall["place_mm"]
            told.append(
                f"The metal beside {core['name']} is {wall['mm']:.2f} mm at ({x:.1f}, {y:.1f}, "
                f"{z:.1f}) mm in the mould, and {wall['left_mm']:.2f} mm when the core has moved: "
                f"{plan.alloy.id} fills sections down to about {section.usual:g} mm; thicken it, "
                "or give the prints smaller gaps with --print-gap."
            )
        if not core["bearing"]["holds"] and core["bearing"]["kpa"] is not None:
            told.append(
                f"The prints of {core['name']} do not bear its lift in {plan.job.mould.sand}: "
                f"{core['bearing']['unsupported_n']:.1f} N are left over; lengthen them with "
                "--print-length, or set chaplets."
            )
    return told


def setting_order(cores: Sequence[MadeCore]) -> list[str]:
    """Names of the cores as they are set: from the lowest up, those that hang in the cope last."""

    def rank(core: MadeCore) -> tuple[bool, float, str]:
        hangs = all(one.side == "cope" for one in core.body.prints)
        return hangs, float(core.mesh.bounds[0, 2]), core.name

    return [core.name for core in sorted(cores, key=rank)]


def hole_warnings(plan: Plan) -> list[str]:
    """What the caster must know of holes that are not cast, or that cores are held in badly."""
    if plan.cores is None:
        return []
    told = []
    left: dict[tuple[str, str], list[str]] = {}
    for choice in plan.cores.choices:
        if choice.fate == "solid" or choice.refused:
            x, y, z = (float(c) for c in plan.frame.to_part(choice.void.point))
            words = "left solid" if choice.fate == "solid" else "left to the sand, without a core"
            left.setdefault((words, choice.reason), []).append(f"({x:.1f}, {y:.1f}, {z:.1f})")
    for (words, reason), places in left.items():
        one = len(places) == 1
        told.append(
            f"The hole{'' if one else 's'} at {', '.join(places)} mm {'is' if one else 'are'} "
            f"{words}{'' if one else ', each for the same reason'}: {reason.rstrip('.')}."
        )
    for core in plan.cores.cores:
        sides = {p.side for p in core.prints}
        if sides == {"drag"}:
            told.append(
                f"Nothing above holds {core.name} down while the metal lifts it: fasten it in its "
                "drag print with paste or wire, or set chaplets."
            )
        if sides == {"cope"}:
            told.append(
                f"{core.name} hangs in the cope alone: wire it to the cope, or turn the pattern "
                "over with --pull so that it stands in the drag."
            )
    return told
