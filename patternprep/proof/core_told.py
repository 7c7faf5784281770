"""What the figures tell of each core and core box beside its shape, worked out again."""

from __future__ import annotations

import math
import re
from itertools import combinations, pairwise

import numpy as np

from patternprep.errors import FileFault
from patternprep.mesh.mesh import FloatArray
from patternprep.proof.core_files import CoreFile, PrintTold
from patternprep.proof.figures import Figures
from patternprep.proof.line import ProofLine, at_most
from patternprep.proof.model import Scene
from patternprep.proof.seats import print_volume
from patternprep.units import format_mass

__all__ = ["core_told_lines", "metal_volume"]

STANDARD_GRAVITY = 9.80665
"""m/s2; the standard acceleration of free fall, 3rd General Conference on Weights and Measures."""

_SIZE_MM = 1e-4
_SHARE = 1e-6
_PRINTED = 2e-3
"""Figures in words are printed with four digits."""
_LEAST_MELT, _MOST_MELT = 0.8, 1.02
"""Density of a melt against that of its casting."""
_MELT = re.compile(r"melt of ([0-9.]+) g/cm3")
_SAND = re.compile(r"core of ([0-9.]+) g/cm3")
_PERCENT = re.compile(r"\): ([0-9.]+) %(?: \([^)]*\))? of the (sand|binder)\b")


def core_told_lines(scene: Scene) -> list[ProofLine]:
    """Lines on the figures of all cores and boxes."""
    kit = scene.kit
    lines = []
    for core in kit.cores:
        lines += [
            *_shape_lines(core.name, core.stated, core.mesh.size, core.mesh.volume),
            *_metal_lines(core, kit.figures),
            _weigh_line(core),
            *_hold_lines(core),
        ]
    for box in kit.boxes:
        lines += _shape_lines(box.name, box.stated, box.mesh.size, box.mesh.volume)
    if kit.cores:
        lines.append(_order_line(kit.cores, kit.figures))
    return lines


def metal_volume(core: CoreFile) -> float:
    """Volume of a core within its hole, mm3 at pattern size: what lies in no print."""
    return core.mesh.volume - sum(print_volume(core.mesh, one) for one in core.prints)


def _shape_lines(name: str, told: Figures, size: FloatArray, volume: float) -> list[ProofLine]:
    off = float(np.abs(told.array("size_mm", (3,)) - size).max())
    share = _off(volume, told.number("volume_mm3"))
    return [
        at_most(f"size of {name} as told", off, _SIZE_MM, "mm"),
        at_most(f"{name} holds what is told", share, 1e-5, "of volume"),
    ]


def _metal_lines(core: CoreFile, figures: Figures) -> list[ProofLine]:
    """Volume in the metal, the mass, and the lift by both conventions."""
    told = core.stated
    found = metal_volume(core)
    off = abs(found - told.number("in_metal_mm3")) / max(core.mesh.volume, 1e-300)
    texts = told.look("lift_text", [])
    words = " ".join(t for t in texts if isinstance(t, str)) if isinstance(texts, list) else ""
    melt, sand = (_first(pattern, words) for pattern in (_MELT, _SAND))
    weight = told.number("in_metal_mm3") * 1e-6 * STANDARD_GRAVITY
    gross, net = told.number("lift_gross_n"), told.number("lift_net_n")
    mass = told.number("mass_kg")
    own = mass / max(core.mesh.volume * 1e-6, 1e-300)
    wrong = max(
        abs(gross - weight * melt) / max(gross, 1e-300),
        abs(gross - net - weight * sand) / max(gross, 1e-300),
        _off(own, sand),
    )
    # mass and both lifts rest on one density of the core, which words round
    loose = abs((gross - net) - weight * own) / max(gross, 1e-300)
    loose = max(loose, abs(told.number("lift_n") - gross) / max(gross, 1e-300))
    share = melt / figures.number("alloy.density_g_cm3", melt)
    odd = float(not _LEAST_MELT <= share <= _MOST_MELT)
    return [
        at_most(f"{core.name} in the metal as told", off, 1e-5, "of volume"),
        at_most(f"mass and lift of {core.name} by their densities", wrong, _PRINTED, "of each"),
        at_most(f"mass and lift of {core.name} by one density", loose, _SHARE, "of lift"),
        at_most(f"melt about {core.name} of the alloy's density", odd, 0, "off"),
    ]


def _weigh_line(core: CoreFile) -> ProofLine:
    """Sand and what stays in it give the core's mass; shares and words as told."""
    rows = core.stated.tables("weigh")
    name = f"what is weighed for {core.name} adds up"
    if not rows:
        return at_most(name, 1, 0, "rows off")
    kilos = [row.number("kg") for row in rows]
    mass = core.stated.number("mass_kg")
    sums = [
        kilos[0] + sum(some)
        for size in range(len(kilos))
        for some in combinations(kilos[1:], size)
        if len(kilos) == 1 or size > 0
    ]
    off = int(min(abs(total - mass) for total in sums) > _SHARE * mass)
    binder = kilos[min(1, len(kilos) - 1)]
    for row, kg in zip(rows, kilos, strict=True):
        low, high = row.number("low_kg"), row.number("high_kg")
        text = row.text("text")
        off += not low <= kg <= high
        off += not all(format_mass(value) in text for value in (kg, low, high))
        share = _PERCENT.search(text)
        if share is not None:
            whole = kilos[0] if share.group(2) == "sand" else binder
            off += _off(kg, 0.01 * float(share.group(1)) * whole) > _PRINTED
    return at_most(name, off, 0, "rows off")


def _hold_lines(core: CoreFile) -> list[ProofLine]:
    """What the prints bear, chaplets, and how far the core can move."""
    told = core.stated
    area = _seat_area(core.prints)
    bearing = Figures(told.look("bearing"), told.file)
    off = abs(area - bearing.number("seat_area_mm2")) / max(area, 1.0)
    gross, net = told.number("lift_gross_n"), told.number("lift_net_n")
    if area > 0.0:
        wrong = _off(1e3 * gross / area, bearing.number("kpa"))
        left = max(0.0, gross - 1e-3 * bearing.number("allowable_kpa") * area)
        left = 0.0 if left <= 1e-9 * gross else left
    else:
        wrong, left = 0.0, max(0.0, net)
    wrong = max(wrong, abs(left - bearing.number("unsupported_n")) / max(gross, 1e-300))
    wrong += float((left == 0.0) != bool(bearing.look("holds")))
    wrong += float(bool(told.look("chaplets.needed")) != (left > 0.0))
    return [
        at_most(f"seats that bear {core.name} as told", off, _SHARE, "of area"),
        at_most(f"load on the prints of {core.name}", wrong, _SHARE, "of load"),
        at_most(f"play of {core.name} as its gaps give it", _play_off(core), _SIZE_MM, "mm"),
    ]


def _seat_area(prints: tuple[PrintTold, ...]) -> float:
    """Plan area of the prints that take the lift, mm2: level ones whole, cope ones by their end."""
    import shapely

    area = 0.0
    for one in prints:
        if one.side == "drag":
            continue
        corners = np.concatenate(one.core_rings) if one.side == "horizontal" else one.core_rings[1]
        area += float(shapely.MultiPoint(corners[:, :2]).convex_hull.area)
    return area


def _play_off(core: CoreFile) -> float:
    """How far the play and the wall it leaves are from what gaps and wall give, mm."""
    level = [p for p in core.prints if p.side == "horizontal"]
    cope = [p for p in core.prints if p.side == "cope"]
    sideways = min((p.gap_side_mm for p in core.prints), default=0.0)
    wanted = {
        "up": min([*(p.gap_side_mm for p in level), *(p.gap_end_mm for p in cope)], default=0.0),
        "down": min((p.gap_side_mm for p in level), default=0.0),
        "sideways": sideways,
        "endways": min((p.gap_end_mm for p in level), default=sideways),
    }
    told = core.stated
    off = max(abs(told.number(f"float_mm.{way}") - gap) for way, gap in wanted.items())
    left = max(0.0, told.number("thinnest_wall.mm") - max(wanted.values()))
    return max(off, abs(left - told.number("thinnest_wall.left_mm")))


def _order_line(cores: tuple[CoreFile, ...], figures: Figures) -> ProofLine:
    """Cores are set from the lowest up, those that hang in the cope last."""
    told = figures.look("setting_order", None)
    if not isinstance(told, list):
        raise FileFault(f"{figures.file}: 'setting_order' must be a list; make the kit again.")
    place = {
        core.name: (
            all(one.side == "cope" for one in core.prints),
            round(float(core.mesh.bounds[0, 2]), 4),
        )
        for core in cores
    }
    odd = sorted(map(str, told)) != sorted(place)
    if not odd:
        ranks = [place[name] for name in told]
        odd = any(a > b for a, b in pairwise(ranks))
    return at_most("order of setting the cores", float(odd), 0, "off")


def _first(pattern: re.Pattern[str], words: str) -> float:
    found = pattern.search(words)
    return math.nan if found is None else float(found.group(1))


def _off(found: float, told: float) -> float:
    return abs(found - told) / max(abs(told), 1e-300)
