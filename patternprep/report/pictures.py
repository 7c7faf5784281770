"""Pictures of a kit: taken apart, a core with its box, and a section through it, as SVG.

All are drawn from the kit's own files, the same bytes from the same kit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from patternprep.errors import UsageFault
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.mesh.read.stl import read_stl
from patternprep.report.section import section_svg
from patternprep.report.shading import Colour, Shaded, View, axonometric, shade
from patternprep.report.sheet import QUIET, Sheet, figures_of_kit, number

__all__ = ["box_svg", "exploded_svg", "section_svg"]

COPE: Colour = (126, 166, 205)
DRAG: Colour = (222, 178, 104)
CORE: Colour = (196, 140, 92)
BOX: Colour = (150, 184, 150)
PART: Colour = (190, 194, 196)
INK: Colour = (34, 38, 43)

WIDTH, MARGIN = 1000.0, 24.0
ELEVATION_DEG, INTO_BOX_DEG = 30.0, 42.0
SPACE = 40.0
PIXELS_PER_UNIT = 1.7
LINE = 21.0
AT_PATTERN = ", pattern size"
LETTER = 8.7
"""Mean width of a letter of a label."""
HIGHEST_BOX = 360.0
"""The tallest that a piece of a core box is drawn, sheet units."""


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
    """Cope above and drag below the parting plane, cores between, the finished part beside them.

    A pattern without a cope is shown turned over, lying on its flat back as it is rammed. Sizes in
    the labels are those of the files, mm: halves and cores at pattern size, the part at its own.
    Raises FileFault where the folder is no kit.
    """
    figures = figures_of_kit(kit_folder)
    alone = not (kit_folder / "assembly" / "cope.stl").is_file()
    turn = np.diag([1.0, -1.0, -1.0]) if alone else np.eye(3)
    part = _part_upright(kit_folder, figures, turn)
    drag = _turned(read_stl(kit_folder / "assembly" / "drag.stl"), turn)
    cope = None if alone else read_stl(kit_folder / "assembly" / "cope.stl")
    cores = [
        (row["name"], _turned(read_stl(kit_folder / row["file"]), turn)) for row in figures["cores"]
    ]
    view = axonometric(-62.0 if drag.size[0] >= 0.8 * drag.size[1] else -28.0, ELEVATION_DEG)
    name = str(figures["part"].get("name", "part"))
    sheet = Sheet(
        WIDTH,
        f"{name}: the pattern taken apart",
        "Axonometric view of the pattern, its cores and the finished part, sizes in mm.",
    )
    beside = _figure("Finished part", "as machined", "", part, PART, view)
    plane = _plane_corners(drag, cope)
    flat = view.project(plane)[:, :2]
    room = WIDTH - 2.0 * MARGIN - SPACE
    scale = room / (float(np.ptp(flat[:, 0])) + float(np.ptp(beside.box[:, 0])))
    line = LINE / scale
    if cope is None:
        first = _figure("Pattern, drag only", "turned over", AT_PATTERN, drag, DRAG, view)
        raised = _raise_cores(cores, view, float(drag.bounds[1, 2]) + 3.0 * line)
        pattern = [first, *raised]
    else:
        whole = bool(figures["parting"]["one_piece"])
        depth = float(np.ptp(flat[:, 1]))
        raised = _raise_cores(cores, view, 0.05 * depth)
        pattern = _halves_apart(drag, cope, raised, view, depth, line, whole=whole)
    _lay_out(sheet, view, pattern, beside, plane, scale)
    return sheet.svg()


def _halves_apart(
    drag: Mesh,
    cope: Mesh,
    cores: list[Figure],
    view: View,
    depth: float,
    line: float,
    *,
    whole: bool,
) -> list[Figure]:
    """Drag, cores and cope, clear of each other; the depth of the plane and a line of words, mm."""
    gap = 0.42 * depth / float(view.axes[1, 2])
    down, up = np.array([0.0, 0.0, -gap]), np.array([0.0, 0.0, gap])
    if cores:
        reach = max(float(core.box[1, 1]) for core in cores) + 2.9 * line
        lowest = float(view.project(cope.vertices)[:, 1].min())
        up[2] = max(gap, (reach - lowest) / float(view.axes[1, 2]))
    names = ("all of the part", "core prints only") if whole else ("lower half", "upper half")
    below = _figure("Drag", names[0], AT_PATTERN, _shifted(drag, down), DRAG, view)
    above = _figure("Cope", names[1], AT_PATTERN, _shifted(cope, up), COPE, view)
    return [below, *cores, above]


def _raise_cores(cores: list[tuple[str, Mesh]], view: View, clear: float) -> list[Figure]:
    """Cores lifted together until the lowest of them is ``clear`` mm above the parting."""
    low = min((float(mesh.bounds[0, 2]) for _, mesh in cores), default=0.0)
    up = np.array([0.0, 0.0, clear - low])
    return [_figure(name, "", AT_PATTERN, _shifted(mesh, up), CORE, view) for name, mesh in cores]


def box_svg(kit_folder: Path, core: str = "core-1") -> str:
    """The pieces of a core's box lying open, and the core as it lies in the first of them.

    Sizes are those of the files: pieces as printed, the core at pattern size. Raises FileFault
    where the folder is no kit, UsageFault where it has no such core.
    """
    figures = figures_of_kit(kit_folder)
    boxes = [row for row in figures["boxes"] if row["core"] == core]
    rows = [row for row in figures["cores"] if row["name"] == core]
    if not rows or not boxes:
        have = ", ".join(row["name"] for row in figures["cores"]) or "none"
        raise UsageFault(f"{kit_folder} has no core '{core}' with a box; its cores: {have}.")
    view = axonometric(-62.0, INTO_BOX_DEG)
    lying = read_stl(kit_folder / rows[0]["file"])
    lies = np.array(boxes[0]["core_to_print"], dtype=np.float64)
    shown = [
        _figure(row["name"], "", "", read_stl(kit_folder / row["print_file"]), BOX, view)
        for row in boxes
    ]
    turned = _figure("", "", "", lying.transformed(lies), CORE, view)
    shown.append(Figure(core, "as it lies in the first", AT_PATTERN, lying, CORE, turned.box))
    name = str(figures["part"].get("name", "part"))
    sheet = Sheet(
        WIDTH,
        f"{name}: {core} and its box",
        f"Axonometric view of the box of {core}, {boxes[0]['kind']}, and of the core; sizes in mm.",
    )
    widths = [float(np.ptp(figure.box[:, 0])) for figure in shown]
    scale = (WIDTH - 2.0 * MARGIN - SPACE * (len(shown) - 1)) / sum(widths)
    scale = min(scale, HIGHEST_BOX / max(float(np.ptp(f.box[:, 1])) for f in shown))
    foot = MARGIN + scale * max(float(np.ptp(figure.box[:, 1])) for figure in shown)
    between = (WIDTH - 2.0 * MARGIN - scale * sum(widths)) / max(1, len(shown) - 1)
    left = MARGIN
    for figure, width in zip(shown, widths, strict=True):
        drawn = figure if figure.note == "" else replace(turned, name=figure.name)
        shift = np.array([left, foot])
        _draw(sheet, view, drawn, scale, _beside(figure.box, scale, shift))
        box = np.array([[left, 0.0], [left + scale * width, foot]])
        _label(sheet, figure, box, foot + 1.3 * LINE)
        left += scale * width + between
    sheet.text(MARGIN, foot + 3.9 * LINE, f"Box: {boxes[0]['kind']}.", size=16.0)
    sheet.height = foot + 4.2 * LINE + MARGIN
    return sheet.svg()


def _beside(
    box: FloatArray, scale: float, corner: FloatArray
) -> Callable[[FloatArray], FloatArray]:
    """From the screen, mm, to the sheet, with the box's lower left corner at ``corner``."""

    def place(points: FloatArray) -> FloatArray:
        right = corner[0] + scale * (points[:, 0] - box[0, 0])
        return np.column_stack([right, corner[1] - scale * (points[:, 1] - box[0, 1])])

    return place


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
    sheet: Sheet,
    view: View,
    pattern: list[Figure],
    beside: Figure,
    plane: FloatArray,
    scale: float,
) -> None:
    """Pattern and parting plane on the left, the part on the right, at one scale.

    ``pattern`` runs from below: drag, cores, cope; the plane lies on the drag.
    """
    flat = view.project(plane)[:, :2]
    boxes = [figure.box for figure in pattern] + [np.array([flat.min(axis=0), flat.max(axis=0)])]
    low = np.min([b[0] for b in boxes], axis=0)
    high = np.max([b[1] for b in boxes], axis=0)
    width = float(np.ptp(beside.box[:, 0]))
    top = MARGIN + (2.4 * LINE if len(pattern) > 1 else 0.0)
    height = scale * max(float(high[1] - low[1]), float(np.ptp(beside.box[:, 1])))

    def place(points: FloatArray) -> FloatArray:
        return np.column_stack(
            [MARGIN + scale * (points[:, 0] - low[0]), top + scale * (high[1] - points[:, 1])]
        )

    under = pattern[0].name == "Drag"
    if under:
        _draw(sheet, view, pattern[0], scale, place)
    sheet.line(
        place(flat),
        width=1.3,
        closed=True,
        fill="#ffffff",
        dash="9 4 2 4",
        extra='fill-opacity="0.45"',
    )
    for figure in pattern[under:]:
        _draw(sheet, view, figure, scale, place)
    foot = top + height
    for i, figure in enumerate(pattern):
        box = place(figure.box)
        if i == 0:
            foot = float(max(box[:, 1].max(), place(flat)[:, 1].max()))
            _label(sheet, figure, box, foot + 1.2 * LINE)
        else:
            _label(sheet, figure, box, float(box[:, 1].min()) - 1.6 * LINE)
    _name_plane(sheet, place(flat))
    middle = 0.5 * (low[1] + high[1]) - 0.5 * float(beside.box[:, 1].sum())
    left = WIDTH - MARGIN - scale * width
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
    size = " x ".join(f"{s:.1f}" for s in figure.mesh.size)
    half = 0.5 * LETTER * (len(size) + len(" mm") + len(figure.at))
    middle = max(0.5 * float(box[:, 0].sum()), MARGIN + half)
    name = f"{figure.name}, {figure.note}" if figure.note else figure.name
    sheet.text(middle, first, name, bold=True, anchor="middle")
    sheet.text(middle, first + LINE, f"{size} mm{figure.at}", anchor="middle", size=16.0)
