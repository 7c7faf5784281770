"""How the regions of a section are inked: hatching, tints and outlines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from patternprep.mesh.mesh import FloatArray
from patternprep.report.cut import Cut, rings_of
from patternprep.report.sheet import INK, QUIET, Sheet

__all__ = [
    "CORE_TINT",
    "OPEN",
    "SAND_TINT",
    "TINTS",
    "WORDS",
    "Place",
    "define_tints",
    "draw_regions",
    "region_of",
]

SAND_TINT, GRAIN = "#f4ecd9", "#c9b98f"
PART_TINT = "#dfe2e4"
CORE_TINT, CORE_LINE = "#ead2b4", "#9a5f2c"
OPEN = "#ffffff"
TINTS = {
    "stock": "#e69f00",
    "left_solid": "#8fb58a",
    "filled": "#c38fb8",
    "draft": "#3f9fd8",
    "box_draft": "#d1495b",
}
WORDS = {
    "stock": "machining stock",
    "left_solid": "holes left solid",
    "filled": "undercuts filled",
    "draft": "draft",
    "box_draft": "core less than its hole",
}


@dataclass(frozen=True)
class Place:
    """From the cutting plane, mm with up plus, to sheet units with y down."""

    scale: float
    x: float
    y: float

    def __call__(self, points: FloatArray) -> FloatArray:
        """Points (n, 2) on the sheet."""
        return np.column_stack(
            [self.x + self.scale * points[:, 0], self.y - self.scale * points[:, 1]]
        )


def define_tints(sheet: Sheet) -> None:
    """Hatching for the part, crossed hatching for cores, dots for the sand."""
    sheet.define(
        '<pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><rect width="7" height="7" fill="{PART_TINT}"/>'
        f'<path d="M0 0V7" stroke="{QUIET}" stroke-width="1.3"/></pattern>'
    )
    sheet.define(
        '<pattern id="core" width="9" height="9" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(-45)"><rect width="9" height="9" fill="{CORE_TINT}"/>'
        f'<path d="M0 0V9M0 0H9" stroke="{CORE_LINE}" stroke-width="0.9"/></pattern>'
    )
    dots = ((2, 3), (9, 7), (15, 2), (5, 12), (13, 14), (18, 10))
    grains = "".join(f'<circle cx="{x}" cy="{y}" r="0.8" fill="{GRAIN}"/>' for x, y in dots)
    sheet.define(
        '<pattern id="sand" width="20" height="17" patternUnits="userSpaceOnUse">'
        f'<rect width="20" height="17" fill="{SAND_TINT}"/>{grains}</pattern>'
    )


def region_of(cut: Cut, name: str) -> Any:
    """The region of one cause; an empty one where the kit knows of none."""
    import shapely

    region = getattr(cut, name)
    return shapely.Polygon() if region is None else region


def draw_regions(sheet: Sheet, cut: Cut, place: Place, *, names: bool) -> None:
    """Part and additions, the outlines of the halves over them, and the cores as set."""

    def named(name: str) -> str:
        return f'id="{name}"' if names else ""

    for name, tint in TINTS.items():
        rings = [place(r) for r in rings_of(region_of(cut, name))]
        sheet.rings(rings, fill=tint, stroke=tint, width=0.3, extra=named(name))
    part = [place(r) for r in rings_of(cut.part)]
    sheet.rings(part, fill="url(#hatch)", stroke=INK, width=0.9, extra=named("part"))
    gaps = [place(r) for r in rings_of(region_of(cut, "gaps"))]
    sheet.rings(gaps, fill=OPEN, extra=named("gaps"))
    halves = ("drag",) if len(cut.halves) == 1 else ("cope", "drag")
    for name, half in zip(halves, cut.halves, strict=True):
        rings = [place(r) for r in rings_of(half)]
        sheet.rings(rings, fill="none", stroke=INK, width=1.4, extra=named(name))
    for name, region in cut.cores:
        rings = [place(r) for r in rings_of(region)]
        sheet.rings(rings, fill="url(#core)", stroke=INK, width=1.0, extra=named(name))
