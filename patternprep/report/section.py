"""The picture of a section along the pull: part and cores hatched, what was added tinted."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from patternprep.mesh.mesh import FloatArray
from patternprep.report.cut import Across, Cut, cut_kit
from patternprep.report.section_detail import draw_details
from patternprep.report.section_ink import (
    CORE_TINT,
    OPEN,
    SAND_TINT,
    TINTS,
    WORDS,
    Place,
    define_tints,
    draw_regions,
    region_of,
)
from patternprep.report.sheet import QUIET, Sheet, figures_of_kit

__all__ = ["section_svg"]

WIDTH, MARGIN = 1000.0, 24.0
SIDE = 250.0
"""Width of the enlarged detail's column."""
SAND_LEFT, SAND_RIGHT, SAND, DIMENSION = 92.0, 106.0, 46.0, 54.0
HIGHEST = 420.0
LINE = 21.0
LETTER = 7.9
"""Mean width of a letter of the legend."""
FAR = 1e6


def section_svg(kit_folder: Path, across: Across | None = None) -> str:
    """A vertical section through a kit's pattern and the cores set in its mould, at pattern size.

    Cut along the pattern's longer side, or square to the axis given: through the first core, or
    through the middle where there is none. The sheet's root carries ``data-mm-per-unit``, its
    scale, and ``data-place-mm``, where the plane stands on its axis. Raises FileFault or
    GeometryFault, as ``cut_kit`` does.
    """
    figures = figures_of_kit(kit_folder)
    cut = cut_kit(kit_folder, figures, across)
    name = str(figures["part"].get("name", "part"))
    sheet = Sheet(
        WIDTH,
        f"{name}: section along the pull",
        f"Cut at {cut.across} = {cut.place_mm:.1f} mm of the mould frame, at pattern size; "
        "the part is hatched, cores are hatched across, what was added is tinted by cause.",
    )
    define_tints(sheet)
    low, high = _bounds(cut)
    room = WIDTH - 2.0 * MARGIN - SIDE - SAND_LEFT - SAND_RIGHT
    scale = min(room / (high[0] - low[0]), HIGHEST / (high[1] - low[1]))
    wide = scale * (high[0] - low[0])
    place = Place(
        scale,
        MARGIN + SAND_LEFT + 0.5 * (room - wide) - scale * low[0],
        MARGIN + SAND + scale * high[1],
    )
    right, floor = MARGIN + SAND_LEFT + room + SAND_RIGHT, float(place(low[None, :])[0, 1]) + SAND
    _mould(sheet, place, right, floor, one_piece=len(cut.halves) == 1)
    draw_regions(sheet, cut, place, names=True)
    _name_cores(sheet, cut, place)
    _parting(sheet, place.y, right)
    _dimensions(sheet, place, low, high, floor)
    column = np.array([[right + 16.0, MARGIN], [WIDTH - MARGIN, floor]])
    beside = draw_details(sheet, cut, figures, place, column)
    foot = _legend(sheet, cut, figures, scale, floor + DIMENSION + 0.6 * LINE)
    sheet.height = max(foot, beside + 0.5 * LINE) + MARGIN
    sheet.remark(f'data-mm-per-unit="{1.0 / scale:.9g}" data-place-mm="{cut.place_mm:.6f}"')
    return sheet.svg()


def _bounds(cut: Cut) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest (along, up) of the pattern and the parting line, mm."""
    boxes = np.array([half.bounds for half in cut.halves if not half.is_empty])
    low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
    return np.minimum(low, [np.inf, 0.0]), np.maximum(high, [-np.inf, 0.0])


def _mould(sheet: Sheet, place: Place, right: float, floor: float, *, one_piece: bool) -> None:
    """Sand in both boxes, their names, and which way each half of the pattern leaves."""
    corners = [[MARGIN, MARGIN], [right, MARGIN], [right, floor], [MARGIN, floor]]
    sheet.line(corners, closed=True, fill="url(#sand)", width=1.0, stroke=QUIET)
    x = MARGIN + 0.42 * SAND_LEFT
    if not one_piece:
        sheet.text(MARGIN + 10.0, MARGIN + 22.0, "cope", bold=True)
        sheet.arrow(
            [x, max(place.y - 52.0, MARGIN + 28.0)], [x, place.y - 5.0], width=2.2, size=12.0
        )
    else:
        sheet.text(MARGIN + 10.0, MARGIN + 22.0, "cope, flat sand")
    sheet.text(MARGIN + 10.0, floor - 10.0, "drag", bold=True)
    sheet.arrow([x, min(place.y + 52.0, floor - 28.0)], [x, place.y + 5.0], width=2.2, size=12.0)


def _parting(sheet: Sheet, y: float, right: float) -> None:
    sheet.line(
        [[MARGIN - 14.0, y], [right + 14.0, y]], width=1.5, dash="14 4 3 4", extra='id="parting"'
    )


def _dimensions(
    sheet: Sheet, place: Place, low: FloatArray, high: FloatArray, floor: float
) -> None:
    """Width and height of the pattern in this section, mm."""
    (left, foot), (end, head) = place(np.array([low, high]))
    y = floor + 24.0
    for x in (left, end):
        sheet.line([[x, foot + 5.0], [x, y + 6.0]], width=0.7, stroke=QUIET)
    middle = 0.5 * (left + end)
    sheet.arrow([middle, y], [left, y], width=0.9)
    sheet.arrow([middle, y], [end, y], width=0.9)
    sheet.text(middle, y + 20.0, f"{high[0] - low[0]:.1f} mm", anchor="middle", size=16.0)
    x = end + 18.0
    for level in (foot, head):
        sheet.line([[end + 5.0, level], [x + 6.0, level]], width=0.7, stroke=QUIET)
    middle = 0.5 * (foot + head)
    sheet.arrow([x, middle], [x, head], width=0.9)
    sheet.arrow([x, middle], [x, foot], width=0.9)
    halo = f'stroke="{SAND_TINT}" stroke-width="5" paint-order="stroke"'
    at = 0.5 * (place.y + foot) + 5.0  # clear of the parting line
    sheet.text(x + 6.0, at, f"{high[1] - low[1]:.1f} mm", size=16.0, extra=halo)


def _name_cores(sheet: Sheet, cut: Cut, place: Place) -> None:
    """The name of each core that is cut, within it and clear of the parting line."""
    import shapely

    halo = f'stroke="{CORE_TINT}" stroke-width="6" paint-order="stroke"'
    for name, region in cut.cores:
        below = region.intersection(shapely.box(-FAR, -FAR, FAR, 0.0))
        point = (region if below.is_empty else below).representative_point()
        if not region.is_empty:
            x, y = place(np.array([[point.x, point.y]]))[0]
            sheet.text(x, y + 6.0, name, size=16.0, bold=True, anchor="middle", extra=halo)


def _legend(sheet: Sheet, cut: Cut, figures: dict[str, Any], scale: float, top: float) -> float:
    """Tints and signs in words, and a bar of round length; returns the lowest y."""
    rows = _legend_rows(cut, figures)
    second = max(len(words) for _, words in rows[::2]) * LETTER + 60.0
    for i, (tint, words) in enumerate(rows):
        x, y = MARGIN + second * (i % 2), top + 1.35 * LINE * (i // 2)
        if tint:
            box = [[x, y], [x + 26.0, y], [x + 26.0, y + 16.0], [x, y + 16.0]]
            sheet.line(box, closed=True, fill=tint, width=0.8)
        else:
            sheet.arrow([x + 13.0, y + 18.0], [x + 13.0, y - 1.0], width=2.2, size=11.0)
        sheet.text(x + 36.0, y + 13.5, words, size=15.0)
    bar = top + 1.35 * LINE * ((len(rows) + 1) // 2) + 13.5
    _scale_bar(sheet, scale, bar)
    return bar + 22.0


def _legend_rows(cut: Cut, figures: dict[str, Any]) -> list[tuple[str, str]]:
    """Tint (none for the arrow) and words of each row."""
    volumes = figures["volumes_mm3"]
    amounts = {
        "stock": volumes["stock"],
        "left_solid": volumes["left_solid"],
        "filled": volumes["undercut_filled"],
        "draft": volumes["draft"] + volumes["parting_match"],
        "box_draft": volumes["box_draft"],
    }
    rows = [("url(#hatch)", "finished part, grown by the contraction")]
    for name, tint in TINTS.items():
        if not region_of(cut, name).is_empty:
            words = WORDS[name]
            if name == "draft" and volumes["parting_match"] > 0.0:
                words += " and matching of the halves"
            rows.append((tint, f"{words}, {_cm3(amounts[name])} in all"))
    sand = {row["name"]: row["volume_mm3"] for row in figures["cores"]}
    for name, region in cut.cores:
        if not region.is_empty:
            rows.append(("url(#core)", f"{name} as set, {_cm3(sand[name])} of core sand"))
    if not region_of(cut, "gaps").is_empty:
        gaps = _cm3(volumes["print_clearance"])
        rows.append((OPEN, f"gaps round core prints, {gaps} in all"))
    rows.append(("url(#sand)", "sand"))
    rows.append(("", "way of the pattern out of the sand"))
    return rows


def _cm3(volume_mm3: float) -> str:
    """A volume in words; small ones with more digits."""
    return f"{volume_mm3 / 1000.0:.{1 if volume_mm3 >= 1000.0 else 2}f} cm3"


def _scale_bar(sheet: Sheet, scale: float, y: float) -> None:
    """A bar of 1, 2 or 5 times a power of ten mm, at most 180 units long."""
    lengths = [m * 10.0**p for p in range(-2, 4) for m in (1.0, 2.0, 5.0)]
    length = max(v for v in lengths if v * scale <= 180.0)
    end = MARGIN + scale * length
    sheet.line([[MARGIN, y], [end, y]], width=3.0, extra='id="scale-bar"')
    for x in (MARGIN, end):
        sheet.line([[x, y - 6.0], [x, y + 6.0]], width=1.2)
    sheet.text(
        end + 12.0,
        y + 5.5,
        f"{length:g} mm",
        size=15.0,
        extra='id="scale-words"',
    )
