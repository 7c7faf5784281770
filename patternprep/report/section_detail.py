"""Round enlargements beside a section: the taper where it is thickest, and the end of a print."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from patternprep.mesh.mesh import FloatArray
from patternprep.report.cut import Cut, rings_of
from patternprep.report.section_ink import Place, draw_regions, region_of
from patternprep.report.sheet import QUIET, Sheet, number

__all__ = ["draw_details"]

DETAIL_THICKNESS = 13.0
"""How thick the detail shows the taper it enlarges, sheet units, within ZOOMS."""
GAP_THICKNESS = 6.0
"""The same of the gap at the end of a print."""
THICK_SHARE = 0.7
"""Pieces of taper down to this share of the thickest may be enlarged."""
ZOOMS = (3, 4, 5, 6, 8, 10, 12, 15, 20)
LINE = 18.0
LARGEST, SMALLER = 109.0, 84.0
"""Radius of one circle, and of each of several."""


@dataclass(frozen=True)
class Spot:
    """A place worth enlarging, (along, up) mm, and what is said under it."""

    centre: FloatArray
    thick_mm: float
    wanted: float
    """How thick it is shown, sheet units."""
    words: tuple[str, ...] = ()


def draw_details(
    sheet: Sheet, cut: Cut, figures: dict[str, Any], place: Place, frame: FloatArray
) -> float:
    """Enlargements right of the mould, one below the other; returns their lowest y.

    ``frame`` is (2, 2): left and top of the column, right and bottom of the mould's height.
    """
    spots = [spot for spot in (_taper(cut), _print_end(cut, figures)) if spot is not None]
    (left, top), (right, bottom) = frame
    radius = min(LARGEST if len(spots) < 2 else SMALLER, 0.5 * (right - left) - 16.0)
    spots.sort(key=lambda spot: -float(spot.centre[1]))
    needs = [2.0 * radius + LINE * (1.7 + len(spot.words)) for spot in spots]
    y = max(top, 0.5 * (top + bottom - sum(needs)))
    for i, (spot, need) in enumerate(zip(spots, needs, strict=True)):
        middle = np.array([0.5 * (left + right), y + radius])
        _circle(sheet, cut, place, spot, middle, radius, f"detail-{i + 1}")
        y += need
    return y if spots else float(bottom)


def _taper(cut: Cut) -> Spot | None:
    """The rightmost of the places where taper is thick."""
    found: list[tuple[FloatArray, float]] = []
    for piece in getattr(cut.draft, "geoms", [cut.draft]):
        for points in rings_of(piece)[:1]:
            from_parting = np.abs(points[:, 1])
            near = points[from_parting <= from_parting.min() + 0.1 * np.ptp(points[:, 1])]
            found.append((near.mean(axis=0), float(np.ptp(near[:, 0]))))
    most = max((thick for _, thick in found), default=0.0)
    thick_ones = [f for f in found if f[1] > 0.0 and f[1] >= THICK_SHARE * most]
    best = max(thick_ones, key=lambda f: (f[0][0], f[1]), default=None)
    return None if best is None else Spot(best[0], best[1], DETAIL_THICKNESS)


def _print_end(cut: Cut, figures: dict[str, Any]) -> Spot | None:
    """The outer corner of the first print that the plane cuts along its axis."""
    if region_of(cut, "gaps").is_empty:
        return None
    points = np.concatenate(rings_of(cut.gaps))
    along = 1 if cut.across == "x" else 0
    for row in figures["cores"]:
        for one in row["prints"]:
            out = np.asarray(one["opening_normal"])[[along, 2]]
            if float(np.linalg.norm(out)) < 0.5 or row["name"] not in dict(cut.cores):
                continue
            mouth = np.asarray(one["opening_point_mm"])[[along, 2]]
            reach = (points - mouth) @ out
            end = float(one["length_mm"] + one["gap_end_mm"])
            near = points[np.abs(reach - end) < 0.5 * one["gap_end_mm"]]
            if len(near):
                corner = near[np.argmax(near @ np.array([1.0, 1e-3]))]
                side, last = one["gap_side_mm"], one["gap_end_mm"]
                words = (f"gap at the sides {side:.2f} mm,", f"at the end {last:.2f} mm")
                return Spot(corner, min(side, last), GAP_THICKNESS, words)
    return None


def _circle(
    sheet: Sheet,
    cut: Cut,
    place: Place,
    spot: Spot,
    middle: FloatArray,
    radius: float,
    name: str,
) -> None:
    import shapely

    wanted = spot.wanted / (spot.thick_mm * place.scale)
    zoom = min(ZOOMS, key=lambda z: (abs(np.log(z / wanted)), z))
    scale, centre = place.scale * zoom, spot.centre
    near = Place(scale, float(middle[0] - scale * centre[0]), float(middle[1] + scale * centre[1]))
    window = shapely.Point(*centre).buffer(1.05 * radius / scale)
    circle = f'cx="{number(middle[0])}" cy="{number(middle[1])}" r="{number(radius)}"'
    sheet.define(f'<clipPath id="{name}"><circle {circle}/></clipPath>')
    sheet.open_group(f'clip-path="url(#{name})"')
    corners = [middle + radius * np.array(c) for c in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    sheet.line(corners, closed=True, fill="url(#sand)", width=0.0, stroke="none")
    draw_regions(sheet, _within(cut, window), near, names=False)
    level = [[middle[0] - radius, near.y], [middle[0] + radius, near.y]]
    sheet.line(level, width=1.5, dash="14 4 3 4")
    sheet.close_group()
    sheet.circle(middle, radius, width=1.6)
    at = place(centre[None, :])[0]
    small = max(radius / zoom, 7.0)
    sheet.circle(at, small, width=1.3)
    _leader(sheet, at, small, middle, radius)
    foot = middle[1] + radius
    sheet.text(middle[0], foot + LINE, f"{zoom} times larger", anchor="middle", size=15.0)
    for i, words in enumerate(spot.words):
        sheet.text(middle[0], foot + LINE * (2 + i), words, anchor="middle", size=14.0)


def _within(cut: Cut, window: Any) -> Cut:
    """The same cut, inside a window only."""
    regions = ("part", "stock", "filled", "draft", "left_solid", "box_draft", "gaps")
    shown = {name: region_of(cut, name).intersection(window) for name in regions}
    return replace(
        cut,
        **shown,
        halves=tuple(half.intersection(window) for half in cut.halves),
        cores=tuple((name, region.intersection(window)) for name, region in cut.cores),
    )


def _leader(
    sheet: Sheet, spot: FloatArray, small: float, middle: FloatArray, radius: float
) -> None:
    """A line from the small circle to the large one."""
    along = (middle - spot) / np.linalg.norm(middle - spot)
    ends = [spot + small * along, middle - radius * along]
    sheet.line(ends, width=0.8, stroke=QUIET)
