"""The picture of a section along the pull: the part hatched, what was added tinted by cause."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from patternprep.mesh.mesh import FloatArray
from patternprep.report.cut import Across, Cut, cut_kit, rings_of
from patternprep.report.sheet import INK, QUIET, Sheet, figures_of_kit, number

__all__ = ["section_svg"]

WIDTH, MARGIN = 1000.0, 24.0
SIDE = 250.0
"""Width of the enlarged detail's column."""
SAND_LEFT, SAND_RIGHT, SAND, DIMENSION = 92.0, 106.0, 46.0, 54.0
HIGHEST = 420.0
LINE = 21.0

SAND_TINT, GRAIN = "#f4ecd9", "#c9b98f"
PART_TINT = "#dfe2e4"
TINTS = {"stock": "#e69f00", "filled": "#c38fb8", "draft": "#3f9fd8"}
WORDS = {
    "stock": "machining stock",
    "filled": "undercuts filled",
    "draft": "draft",
}

DETAIL_THICKNESS = 13.0
"""How thick the detail shows the taper it enlarges, sheet units, within ZOOMS."""
THICK_SHARE = 0.7
"""Pieces of taper down to this share of the thickest may be enlarged."""
ZOOMS = (3, 4, 5, 6, 8, 10, 12, 15, 20)


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


def section_svg(kit_folder: Path, across: Across | None = None) -> str:
    """A vertical section through the middle of a kit's pattern, at pattern size.

    Cut along the pattern's longer side, or square to the axis given. The sheet's root carries
    ``data-mm-per-unit``, its scale. Raises FileFault or GeometryFault, as ``cut_kit`` does.
    """
    figures = figures_of_kit(kit_folder)
    cut = cut_kit(kit_folder, figures, across)
    name = str(figures["part"].get("name", "part"))
    sheet = Sheet(
        WIDTH,
        f"{name}: section along the pull",
        f"Cut at {cut.across} = {cut.place_mm:.1f} mm of the mould frame, at pattern size; "
        "the part is hatched, what was added is tinted by cause.",
    )
    _define_tints(sheet)
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
    _regions(sheet, cut, place, names=True)
    _parting(sheet, place.y, right)
    _dimensions(sheet, place, low, high, floor)
    bottom = max(floor + DIMENSION, _detail(sheet, cut, place, right, floor))
    _legend(sheet, cut, figures, scale, bottom + 0.6 * LINE)
    return sheet.svg()


def _bounds(cut: Cut) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest (along, up) of the pattern and the parting line, mm."""
    boxes = np.array([half.bounds for half in cut.halves if not half.is_empty])
    low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
    return np.minimum(low, [np.inf, 0.0]), np.maximum(high, [-np.inf, 0.0])


def _define_tints(sheet: Sheet) -> None:
    """Hatching for the part, dots for the sand."""
    sheet.define(
        '<pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><rect width="7" height="7" fill="{PART_TINT}"/>'
        f'<path d="M0 0V7" stroke="{QUIET}" stroke-width="1.3"/></pattern>'
    )
    dots = ((2, 3), (9, 7), (15, 2), (5, 12), (13, 14), (18, 10))
    grains = "".join(f'<circle cx="{x}" cy="{y}" r="0.8" fill="{GRAIN}"/>' for x, y in dots)
    sheet.define(
        '<pattern id="sand" width="20" height="17" patternUnits="userSpaceOnUse">'
        f'<rect width="20" height="17" fill="{SAND_TINT}"/>{grains}</pattern>'
    )


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


def _regions(sheet: Sheet, cut: Cut, place: Place, *, names: bool) -> None:
    """Part and additions, then the outlines of part and halves over them."""

    def named(name: str) -> str:
        return f'id="{name}"' if names else ""

    for name in TINTS:
        rings = [place(r) for r in rings_of(getattr(cut, name))]
        sheet.rings(rings, fill=TINTS[name], stroke=TINTS[name], width=0.3, extra=named(name))
    part = [place(r) for r in rings_of(cut.part)]
    sheet.rings(part, fill="url(#hatch)", stroke=INK, width=0.9, extra=named("part"))
    halves = ("drag",) if len(cut.halves) == 1 else ("cope", "drag")
    for name, half in zip(halves, cut.halves, strict=True):
        rings = [place(r) for r in rings_of(half)]
        sheet.rings(rings, fill="none", stroke=INK, width=1.4, extra=named(name))


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
    sheet.text(x + 6.0, middle - 5.0, f"{high[1] - low[1]:.1f} mm", size=16.0, extra=halo)


def _thickest(region: Any) -> tuple[FloatArray, float] | None:
    """The rightmost of the places where taper is thick, and how thick it is there, mm."""
    found: list[tuple[FloatArray, float]] = []
    for piece in getattr(region, "geoms", [region]):
        for points in rings_of(piece)[:1]:
            from_parting = np.abs(points[:, 1])
            near = points[from_parting <= from_parting.min() + 0.1 * np.ptp(points[:, 1])]
            found.append((near.mean(axis=0), float(np.ptp(near[:, 0]))))
    most = max((thick for _, thick in found), default=0.0)
    thick_ones = [f for f in found if f[1] > 0.0 and f[1] >= THICK_SHARE * most]
    return max(thick_ones, key=lambda f: (f[0][0], f[1]), default=None)


def _detail(sheet: Sheet, cut: Cut, place: Place, right: float, floor: float) -> float:
    """A round enlargement of the taper where it is thickest; returns its lowest y."""
    import shapely

    found = _thickest(cut.draft)
    if found is None:
        return floor
    centre, thick = found
    wanted = DETAIL_THICKNESS / (thick * place.scale)
    zoom = min(ZOOMS, key=lambda z: (abs(np.log(z / wanted)), z))
    radius = 0.5 * (WIDTH - MARGIN - right) - 16.0
    middle = np.array([right + 26.0 + radius, max(0.5 * (MARGIN + floor), MARGIN + radius)])
    scale = place.scale * zoom
    near = Place(scale, float(middle[0] - scale * centre[0]), float(middle[1] + scale * centre[1]))
    reach = 1.05 * radius / scale
    window = shapely.Point(*centre).buffer(reach)
    shown = Cut(
        cut.across,
        cut.place_mm,
        part=cut.part.intersection(window),
        stock=cut.stock.intersection(window),
        filled=cut.filled.intersection(window),
        draft=cut.draft.intersection(window),
        halves=tuple(half.intersection(window) for half in cut.halves),
    )
    circle = f'cx="{number(middle[0])}" cy="{number(middle[1])}" r="{number(radius)}"'
    sheet.define(f'<clipPath id="detail"><circle {circle}/></clipPath>')
    sheet.open_group('clip-path="url(#detail)"')
    corners = [middle + radius * np.array(c) for c in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    sheet.line(corners, closed=True, fill="url(#sand)", width=0.0, stroke="none")
    _regions(sheet, shown, near, names=False)
    level = [[middle[0] - radius, near.y], [middle[0] + radius, near.y]]
    sheet.line(level, width=1.5, dash="14 4 3 4")
    sheet.close_group()
    sheet.circle(middle, radius, width=1.6)
    spot = place(centre[None, :])[0]
    small = max(radius / zoom, 7.0)
    sheet.circle(spot, small, width=1.3)
    _leader(sheet, spot, small, middle, radius)
    sheet.text(
        middle[0], middle[1] + radius + LINE, f"{zoom} times larger", anchor="middle", size=15.0
    )
    return float(middle[1] + radius + 1.4 * LINE)


def _leader(
    sheet: Sheet, spot: FloatArray, small: float, middle: FloatArray, radius: float
) -> None:
    """A line from the small circle to the large one."""
    along = (middle - spot) / np.linalg.norm(middle - spot)
    ends = [spot + small * along, middle - radius * along]
    sheet.line(ends, width=0.8, stroke=QUIET)


def _legend(sheet: Sheet, cut: Cut, figures: dict[str, Any], scale: float, top: float) -> None:
    """Tints and signs in words, and a bar of round length."""
    volumes = figures["volumes_mm3"]
    amounts = {
        "stock": volumes["stock"],
        "filled": volumes["undercut_filled"],
        "draft": volumes["draft"] + volumes["parting_match"],
    }
    rows = [("url(#hatch)", "finished part, grown by the contraction")]
    for name, tint in TINTS.items():
        if not getattr(cut, name).is_empty:
            words = WORDS[name]
            if name == "draft" and volumes["parting_match"] > 0.0:
                words += " and matching of the halves"
            rows.append((tint, f"{words}, {amounts[name] / 1000.0:.1f} cm3 in all"))
    rows.append(("url(#sand)", "sand"))
    rows.append(("", "way of the pattern out of the sand"))
    for i, (tint, words) in enumerate(rows):
        x, y = MARGIN + 350.0 * (i % 2), top + 1.35 * LINE * (i // 2)
        if tint:
            box = [[x, y], [x + 26.0, y], [x + 26.0, y + 16.0], [x, y + 16.0]]
            sheet.line(box, closed=True, fill=tint, width=0.8)
        else:
            sheet.arrow([x + 13.0, y + 18.0], [x + 13.0, y - 1.0], width=2.2, size=11.0)
        sheet.text(x + 36.0, y + 13.5, words, size=15.0)
    rest = top + 1.35 * LINE * ((len(rows) + 1) // 2 - 1)
    _scale_bar(sheet, scale, top + 13.5)
    sheet.height = max(rest, top + LINE) + LINE + MARGIN
    sheet.remark(f'data-mm-per-unit="{1.0 / scale:.9g}"')


def _scale_bar(sheet: Sheet, scale: float, y: float) -> None:
    """A bar of 1, 2 or 5 times a power of ten mm, at most 180 units long."""
    lengths = [m * 10.0**p for p in range(-2, 4) for m in (1.0, 2.0, 5.0)]
    length = max(v for v in lengths if v * scale <= 180.0)
    x = WIDTH - MARGIN - scale * length
    sheet.line([[x, y], [WIDTH - MARGIN, y]], width=3.0, extra='id="scale-bar"')
    for end in (x, WIDTH - MARGIN):
        sheet.line([[end, y - 6.0], [end, y + 6.0]], width=1.2)
    sheet.text(
        0.5 * (x + WIDTH - MARGIN),
        y + 22.0,
        f"{length:g} mm",
        anchor="middle",
        size=15.0,
        extra='id="scale-words"',
    )
