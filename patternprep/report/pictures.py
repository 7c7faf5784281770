"""Pictures of a kit: the pattern taken apart, and a section through it, as SVG.

Both are drawn from the kit's own files, the same bytes from the same kit.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.mesh.read.stl import read_stl
from patternprep.report.section import section_svg
from patternprep.report.shading import Colour, Shaded, View, axonometric, shade
from patternprep.report.sheet import QUIET, Sheet, figures_of_kit, number

__all__ = ["exploded_svg", "section_svg"]

COPE: Colour = (126, 166, 205)
DRAG: Colour = (222, 178, 104)
PART: Colour = (190, 194, 196)
INK: Colour = (34, 38, 43)

WIDTH, MARGIN = 1000.0, 24.0
ELEVATION_DEG = 30.0
PIXELS_PER_UNIT = 1.7
LINE = 21.0
AT_PATTERN = ", pattern size"


@dataclass(frozen=True)
class Figure:
    """One body of the picture with its place on the screen before scaling, mm."""

    name: str
    note: str
    at: str
    """What is said after the size."""
    mesh: Mesh
    colour: Colour
    box: FloatArray
    """Lowest and highest screen coordinates, (2, 2) mm, up is plus."""


def exploded_svg(kit_folder: Path) -> str:
    """Cope above and drag below the parting plane, and the finished part beside them.

    A pattern in one piece is shown turned over, lying on its flat back as it is rammed. Sizes in
    the labels are those of the files, mm: halves at pattern size, the part at its own.
    Raises FileFault where the folder is no kit.
    """
    figures = figures_of_kit(kit_folder)
    one_piece = not (kit_folder / "assembly" / "cope.stl").is_file()
    turn = np.diag([1.0, -1.0, -1.0]) if one_piece else np.eye(3)
    part = _part_upright(kit_folder, figures, turn)
    drag = _turned(read_stl(kit_folder / "assembly" / "drag.stl"), turn)
    cope = None if one_piece else read_stl(kit_folder / "assembly" / "cope.stl")
    view = axonometric(-62.0 if drag.size[0] >= 0.8 * drag.size[1] else -28.0, ELEVATION_DEG)
    name = str(figures["part"].get("name", "part"))
    sheet = Sheet(
        WIDTH,
        f"{name}: the pattern taken apart",
        "Axonometric view of the pattern and of the finished part, sizes in mm.",
    )
    plane = _plane_corners(drag, cope)
    if cope is None:
        pattern = [_figure("Pattern, drag only", "turned over", AT_PATTERN, drag, DRAG, view)]
    else:
        gap = 0.42 * float(np.ptp(view.project(plane)[:, 1])) / float(view.axes[1, 2])
        up, down = np.array([0.0, 0.0, gap]), np.array([0.0, 0.0, -gap])
        pattern = [
            _figure("Drag", "lower half", AT_PATTERN, _shifted(drag, down), DRAG, view),
            _figure("Cope", "upper half", AT_PATTERN, _shifted(cope, up), COPE, view),
        ]
    beside = _figure("Finished part", "as machined", "", part, PART, view)
    _lay_out(sheet, view, pattern, beside, plane)
    return sheet.svg()


def _part_upright(kit_folder: Path, figures: dict[str, Any], turn: FloatArray) -> Mesh:
    """The finished part turned as it lies in the mould, at its own size."""
    matrix = np.array(figures["frame"]["part_to_mould"], dtype=np.float64)[:3, :3]
    left, _, right = np.linalg.svd(matrix)
    return _turned(read_stl(kit_folder / "part.stl"), turn @ left @ right)


def _turned(mesh: Mesh, turn: FloatArray) -> Mesh:
    matrix = np.eye(4)
    matrix[:3, :3] = turn
    return mesh.transformed(matrix)


def _shifted(mesh: Mesh, shift: FloatArray) -> Mesh:
    return Mesh(mesh.vertices + shift, mesh.faces)


def _plane_corners(drag: Mesh, cope: Mesh | None) -> FloatArray:
    """A rectangle of the parting plane, somewhat larger than the pattern, (4, 3) mm."""
    both = [drag.bounds] if cope is None else [drag.bounds, cope.bounds]
    low = np.min([b[0] for b in both], axis=0)[:2]
    high = np.max([b[1] for b in both], axis=0)[:2]
    edge = 0.07 * float((high - low).max())
    low, high = low - edge, high + edge
    return np.array(
        [
            [low[0], low[1], 0.0],
            [high[0], low[1], 0.0],
            [high[0], high[1], 0.0],
            [low[0], high[1], 0.0],
        ]
    )


def _figure(name: str, note: str, at: str, mesh: Mesh, colour: Colour, view: View) -> Figure:
    seen = view.project(mesh.vertices)[:, :2]
    box = np.array([seen.min(axis=0), seen.max(axis=0)])
    return Figure(name, note, at, mesh, colour, box)


def _lay_out(
    sheet: Sheet, view: View, pattern: list[Figure], beside: Figure, plane: FloatArray
) -> None:
    """Pattern and parting plane on the left, the part on the right, at one scale."""
    flat = view.project(plane)[:, :2]
    boxes = [figure.box for figure in pattern] + [np.array([flat.min(axis=0), flat.max(axis=0)])]
    low = np.min([b[0] for b in boxes], axis=0)
    high = np.max([b[1] for b in boxes], axis=0)
    widths = float(high[0] - low[0]), float(np.ptp(beside.box[:, 0]))
    space = 40.0
    scale = (WIDTH - 2.0 * MARGIN - space) / sum(widths)
    top = MARGIN + (2.4 * LINE if len(pattern) > 1 else 0.0)
    height = scale * max(float(high[1] - low[1]), float(np.ptp(beside.box[:, 1])))

    def place(points: FloatArray) -> FloatArray:
        return np.column_stack(
            [MARGIN + scale * (points[:, 0] - low[0]), top + scale * (high[1] - points[:, 1])]
        )

    for figure in pattern[:1] if len(pattern) > 1 else []:
        _draw(sheet, view, figure, scale, place)
    sheet.line(
        place(flat),
        width=1.3,
        closed=True,
        fill="#ffffff",
        dash="9 4 2 4",
        extra='fill-opacity="0.45"',
    )
    for figure in pattern[-1:]:
        _draw(sheet, view, figure, scale, place)
    foot = top + height
    for figure in pattern:
        box = place(figure.box)
        if figure.name == "Cope":
            _label(sheet, figure, box, float(box[:, 1].min()) - 1.6 * LINE)
        else:
            foot = float(max(box[:, 1].max(), place(flat)[:, 1].max()))
            _label(sheet, figure, box, foot + 1.2 * LINE)
    _name_plane(sheet, place(flat))
    middle = 0.5 * (low[1] + high[1]) - 0.5 * float(beside.box[:, 1].sum())
    left = WIDTH - MARGIN - scale * widths[1]
    shift = np.array([low[0] + (left - MARGIN) / scale - beside.box[0, 0], middle])
    _draw(sheet, view, beside, scale, lambda p: place(p[:, :2] + shift))
    box = place(beside.box + shift)
    _label(sheet, beside, box, float(box[:, 1].max()) + 1.2 * LINE)
    sheet.height = max(foot, float(box[:, 1].max())) + 2.4 * LINE + MARGIN


def _name_plane(sheet: Sheet, corners: FloatArray) -> None:
    """Words under the edge of the parting plane that runs from its front to its right corner."""
    front, right = corners[np.argmax(corners[:, 1])], corners[np.argmax(corners[:, 0])]
    run, fall = right - front
    middle = 0.5 * (front + right)
    turn = f"rotate({number(float(np.degrees(np.arctan2(fall, run))))})"
    shift = f"translate({number(middle[0])} {number(middle[1])})"
    extra = f'transform="{shift} {turn}"'
    sheet.text(0.0, 17.0, "parting plane", size=14.0, fill=QUIET, anchor="middle", extra=extra)


def _draw(sheet: Sheet, view: View, figure: Figure, scale: float, place: Any) -> None:
    picture: Shaded = shade(figure.mesh, view, PIXELS_PER_UNIT * scale, figure.colour, INK)
    x, y = place(np.array([[picture.left, picture.top]]))[0]
    sheet.image(picture.png, x, y, scale * picture.width, scale * picture.height)


def _label(sheet: Sheet, figure: Figure, box: FloatArray, first: float) -> None:
    """Name and size on two lines, the first one's baseline given."""
    middle = 0.5 * float(box[:, 0].sum())
    size = " x ".join(f"{s:.1f}" for s in figure.mesh.size)
    sheet.text(middle, first, f"{figure.name}, {figure.note}", bold=True, anchor="middle")
    sheet.text(middle, first + LINE, f"{size} mm{figure.at}", anchor="middle", size=16.0)
