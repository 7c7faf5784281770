"""Pictures of a kit: sound SVG, true sizes, outlines that lie where the meshes are."""

from __future__ import annotations

import base64
import importlib.util
import json
import re
import struct
import zlib
from pathlib import Path
from types import ModuleType
from xml.etree.ElementTree import Element

import numpy as np
import pytest
import shapely
from defusedxml.ElementTree import fromstring

from patternprep.errors import FileFault, UsageFault
from patternprep.kit.pipeline import make_kit
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.mesh.read.stl import read_stl
from patternprep.report.pictures import box_svg, exploded_svg, section_svg
from patternprep.report.shading import axonometric, shade

ROOT = Path(__file__).parents[2]
SVG = "{http://www.w3.org/2000/svg}"
CORED = ("sluice_link", "vee_pulley", "flanged_bush", "pump_elbow")
NAMES = ("ribbed_bracket", *CORED)
LARGEST_BYTES = 300_000


def make_pictures() -> ModuleType:
    spec = importlib.util.spec_from_file_location(
        "make_pictures", ROOT / "tests" / "tools" / "make_pictures.py"
    )
    assert spec is not None
    assert spec.loader is not None
    tool = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(tool)
    return tool


@pytest.fixture(scope="module")
def kits(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("kits")
    tool = make_pictures()
    for name in NAMES:
        make_kit(tool.job_of(name), folder / name)
    return folder


def words(root: Element) -> str:
    return "\n".join("".join(t.itertext()) for t in root.iter(f"{SVG}text"))


def points_of(root: Element, name: str) -> FloatArray:
    """All points of the path with an id, sheet units (n, 2)."""
    (path,) = [p for p in root.iter(f"{SVG}path") if p.get("id") == name]
    pairs = re.findall(r"(-?[\d.]+) (-?[\d.]+)", path.get("d", ""))
    return np.array(pairs, dtype=np.float64)


def mm_per_unit(root: Element) -> float:
    """The scale as drawn: the bar's length and what is written under it."""
    bar = points_of(root, "scale-bar")
    (said,) = [t.text for t in root.iter(f"{SVG}text") if t.get("id") == "scale-words"]
    assert said is not None
    return float(said.removesuffix(" mm")) / float(np.ptp(bar[:, 0]))


def cut_of(mesh: Mesh, axis: int, place: float) -> FloatArray:
    """Points (along, up) where the mesh's edges pass through a vertical plane."""
    ends = np.concatenate([mesh.triangles[:, [i, (i + 1) % 3]] for i in range(3)])
    height = ends[:, :, axis] - place
    through = np.flatnonzero(height[:, 0] * height[:, 1] < 0.0)
    share = height[through, 0] / (height[through, 0] - height[through, 1])
    points = ends[through, 0] + share[:, None] * (ends[through, 1] - ends[through, 0])
    return points[:, [1 - axis, 2]]


def place_of(kit: Path, pieces: dict[str, Mesh], axis: int) -> float:
    """Where the plane stands: in the first mouth of a core that it cuts along, or the middle."""
    figures = json.loads((kit / "figures.json").read_text(encoding="utf-8"))
    mouths = [one for core in figures["cores"] for one in core["prints"]]
    for one in mouths:
        if abs(one["opening_normal"][axis]) < 0.5:
            return float(one["opening_point_mm"][axis])
    bounds = np.array([piece.bounds for piece in pieces.values()])
    return float(0.5 * (bounds[:, 0, axis].min() + bounds[:, 1, axis].max()))


@pytest.mark.parametrize("name", NAMES)
def test_pictures_are_sound_and_the_same_every_time(name: str, kits: Path) -> None:
    for draw in (exploded_svg, section_svg):
        text = draw(kits / name)
        assert fromstring(text).tag == f"{SVG}svg"
        assert len(text) < LARGEST_BYTES
        assert draw(kits / name) == text


@pytest.mark.parametrize("name", NAMES)
def test_labels_of_the_pattern_taken_apart_carry_the_sizes_of_the_files(
    name: str, kits: Path
) -> None:
    root = fromstring(exploded_svg(kits / name))
    said = words(root)
    files = sorted((kits / name / "assembly").glob("*.stl"))
    for file in files:
        size = " x ".join(f"{s:.1f}" for s in read_stl(file).size)
        assert f"{size} mm, pattern size" in said
        assert file.stem in said.lower()
    part = " x ".join(f"{s:.1f}" for s in read_stl(kits / name / "part.stl").size)
    assert f"{part} mm" in said.split("\n")
    assert len(list(root.iter(f"{SVG}image"))) == len(files) + 1


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("axis", [0, 1], ids=["x", "y"])
def test_section_is_drawn_where_the_meshes_are_cut(name: str, axis: int, kits: Path) -> None:
    """Outlines read back at the drawn scale, against a cut of our own through the files."""
    kit = kits / name
    root = fromstring(section_svg(kit, "x" if axis == 0 else "y"))
    scale = mm_per_unit(root)
    assert float(root.get("data-mm-per-unit", "0")) == pytest.approx(scale, rel=2e-4)
    files = sorted((kit / "assembly").glob("*.stl"))
    pieces = {file.stem: read_stl(file) for file in files}
    place = float(root.get("data-place-mm", "nan"))
    assert place == pytest.approx(place_of(kit, pieces, axis), abs=1e-3)
    middle = place + 1.3e-4
    parting = float(points_of(root, "parting")[0, 1])
    cuts = {stem: cut_of(piece, axis, middle) for stem, piece in pieces.items()}
    cuts = {stem: cut for stem, cut in cuts.items() if len(cut)}
    begin = min(cut[:, 0].min() for cut in cuts.values())
    left = min(points_of(root, stem)[:, 0].min() for stem in cuts)
    for stem, cut in cuts.items():
        drawn = points_of(root, stem)
        at = np.column_stack(
            [begin + scale * (drawn[:, 0] - left), scale * (parting - drawn[:, 1])]
        )
        assert at.min(axis=0) == pytest.approx(cut.min(axis=0), abs=0.1)
        assert at.max(axis=0) == pytest.approx(cut.max(axis=0), abs=0.1)
    every = np.concatenate(list(cuts.values()))
    for extent in np.ptp(every, axis=0):
        assert f"{extent:.1f} mm" in words(root)


@pytest.mark.parametrize("name", NAMES)
def test_part_in_the_section_has_its_size_grown_by_the_contraction(name: str, kits: Path) -> None:
    kit = kits / name
    figures = json.loads((kit / "figures.json").read_text(encoding="utf-8"))
    part = read_stl(kit / "part.stl").transformed(figures["frame"]["part_to_mould"])
    root = fromstring(section_svg(kit, "y"))
    cut = cut_of(part, 1, float(root.get("data-place-mm", "nan")) + 1.3e-4)
    drawn = points_of(root, "part") * mm_per_unit(root)
    assert np.ptp(drawn, axis=0) == pytest.approx(np.ptp(cut, axis=0), abs=0.1)


@pytest.mark.parametrize("name", CORED)
def test_gaps_round_a_core_print_are_as_wide_as_told(name: str, kits: Path) -> None:
    """At the outer end of each print that the plane cuts along: seat's end less core's end.

    The end of a level print's seat leans by the draft, from its top edge down to the parting.
    """
    kit = kits / name
    figures = json.loads((kit / "figures.json").read_text(encoding="utf-8"))
    root = fromstring(section_svg(kit, "y"))
    scale = mm_per_unit(root)
    core, gaps = points_of(root, "core-1"), points_of(root, "gaps")
    seen = 0
    for one in figures["cores"][0]["prints"]:
        out = np.array([one["opening_normal"][0], -one["opening_normal"][2]])
        beside = abs(one["opening_point_mm"][1] - float(root.get("data-place-mm", "nan")))
        if np.linalg.norm(out) < 0.5 or beside > 0.1:
            continue  # not cut along its axis
        wide = float((gaps @ out).max() - (core @ out).max()) * scale
        told = one["gap_end_mm"]
        if one["side"] == "horizontal":
            tall = float(np.array(one["seat_rings_mm"][1])[:, 2].max())
            told += tall * np.tan(np.radians(figures["draft"]["angle_deg"]))
        assert wide == pytest.approx(told, abs=0.03), one["side"]
        seen += 1
    assert seen


@pytest.mark.parametrize("name", CORED)
def test_areas_of_core_metal_and_gaps_make_up_the_pattern(name: str, kits: Path) -> None:
    """Areas of the drawn regions: they neither overlap nor leave anything out."""
    root = fromstring(section_svg(kits / name))

    def area(region: str) -> float:
        """By the even-odd rule, sheet units squared; 0 for what is not drawn."""
        whole = shapely.Polygon()
        for path in root.iter(f"{SVG}path"):
            if path.get("id") == region:
                for text in path.get("d", "").split("M")[1:]:
                    pairs = re.findall(r"(-?[\d.]+) (-?[\d.]+)", text)
                    ring = shapely.Polygon(np.array(pairs, dtype=np.float64)).buffer(0.0)
                    whole = whole.symmetric_difference(ring)
        return float(whole.area)

    inside = ("part", "stock", "left_solid", "filled", "draft", "box_draft", "gaps", "core-1")
    pattern = area("cope") + area("drag")
    assert sum(area(region) for region in inside) == pytest.approx(pattern, rel=2e-3)


def test_section_tells_causes_apart(kits: Path) -> None:
    """Every part shows what it has: the pulley its groove filled, the bush only draft."""
    shown = {
        name: {p.get("id") for p in fromstring(section_svg(kits / name)).iter(f"{SVG}path")}
        for name in NAMES
    }
    causes = {name: ids & {"stock", "filled", "draft"} for name, ids in shown.items()}
    assert causes == {
        "ribbed_bracket": {"stock", "draft"},
        "sluice_link": {"draft"},
        "vee_pulley": {"stock", "filled", "draft"},
        "flanged_bush": {"filled", "draft"},
        "pump_elbow": {"draft"},
    }
    assert [name for name in NAMES if {"core-1", "gaps"} <= shown[name]] == list(CORED)


@pytest.mark.parametrize("name", CORED)
def test_legend_carries_the_volumes_of_the_figures(name: str, kits: Path) -> None:
    figures = json.loads((kits / name / "figures.json").read_text(encoding="utf-8"))
    said = words(fromstring(section_svg(kits / name)))
    core = read_stl(kits / name / "assembly" / "core-1.stl").volume / 1000.0
    assert f"core-1 as set, {core:.1f} cm3 of core sand" in said
    gaps = figures["volumes_mm3"]["print_clearance"] / 1000.0
    assert f"gaps round core prints, {gaps:.1f} cm3 in all" in said


@pytest.mark.parametrize("name", CORED)
def test_box_picture_shows_every_piece_with_the_size_of_its_file(name: str, kits: Path) -> None:
    text = box_svg(kits / name)
    root = fromstring(text)
    files = sorted((kits / name / "print").glob("core-1-box-*.stl"))
    assert len(files) >= 2
    for file in files:
        size = " x ".join(f"{s:.1f}" for s in read_stl(file).size)
        assert f"{file.stem}\n{size} mm" in words(root)
    core = " x ".join(f"{s:.1f}" for s in read_stl(kits / name / "assembly/core-1.stl").size)
    assert f"{core} mm, pattern size" in words(root)
    assert len(list(root.iter(f"{SVG}image"))) == len(files) + 1
    assert len(text) < LARGEST_BYTES
    assert box_svg(kits / name) == text


def test_a_box_that_is_not_there_is_named(kits: Path) -> None:
    with pytest.raises(UsageFault, match="core-7"):
        box_svg(kits / "sluice_link", "core-7")
    with pytest.raises(UsageFault, match="none"):
        box_svg(kits / "ribbed_bracket")


def test_stock_on_the_flat_back_is_as_thick_as_asked(kits: Path) -> None:
    root = fromstring(section_svg(kits / "ribbed_bracket"))
    scale = mm_per_unit(root)
    parting = points_of(root, "parting")[0, 1]
    top_of_part = points_of(root, "part")[:, 1].min()
    assert scale * (top_of_part - parting) == pytest.approx(2.0 * (1.0 + 0.0125 / 0.96), abs=0.05)


def pixels_of(png: bytes) -> FloatArray:
    """Palette indices of a PNG without filters, (rows, columns); every chunk's sum is checked."""
    assert png.startswith(b"\x89PNG\r\n\x1a\n")
    at, body, shape = 8, b"", (0, 0)
    while at < len(png):
        (length,) = struct.unpack(">I", png[at : at + 4])
        kind, data = png[at + 4 : at + 8], png[at + 8 : at + 8 + length]
        (told,) = struct.unpack(">I", png[at + 8 + length : at + 12 + length])
        assert zlib.crc32(kind + data) == told
        if kind == b"IHDR":
            shape = struct.unpack(">II", data[:8])
        if kind == b"IDAT":
            body += data
        at += 12 + length
    rows = np.frombuffer(zlib.decompress(body), dtype=np.uint8).reshape(shape[1], shape[0] + 1)
    assert not rows[:, 0].any()
    return rows[:, 1:].astype(np.float64)


def test_images_inside_are_sound_png(kits: Path) -> None:
    for image in fromstring(exploded_svg(kits / "sluice_link")).iter(f"{SVG}image"):
        head, _, data = image.get("href", "").partition(",")
        assert head == "data:image/png;base64"
        assert pixels_of(base64.b64decode(data)).size > 10_000


def test_nearer_bodies_hide_farther_ones_and_cover_their_true_area() -> None:
    """A small square plate floats over a large one; seen from straight above.

    The palette holds 48 tones from the ink up, then 16 veils of ink from none to full cover.
    """
    plates = Solid.box((-10, -10, 0), (10, 10, 1)) + Solid.box((-4, -4, 5), (4, 4, 6))
    picture = shade(plates.to_mesh(), axonometric(-90.0, 90.0), 4.0, (200, 200, 200), (0, 0, 0))
    pixels = pixels_of(picture.png)
    solid = (pixels < 48) | (pixels >= 56)
    assert solid.sum() / 16.0 == pytest.approx(400.0, rel=0.02)
    middle = np.array(pixels.shape) // 2
    row = pixels[middle[0]]
    dark = np.flatnonzero((row < 24) | (row >= 56)) / 4.0 - middle[1] / 4.0
    assert dark[dark > 0].min() == pytest.approx(4.0, abs=0.4)
    assert dark.max() == pytest.approx(10.0, abs=0.4)


def test_a_folder_without_figures_is_refused(tmp_path: Path) -> None:
    for draw in (exploded_svg, section_svg):
        with pytest.raises(FileFault, match="figures"):
            draw(tmp_path)


SHOWN = [(name, kind) for name in NAMES for kind in ("apart", "section")]
SHOWN += [(name, "box") for name in CORED]


@pytest.mark.parametrize(("name", "kind"), SHOWN)
def test_pictures_in_the_docs_say_what_the_kits_say(name: str, kind: str, kits: Path) -> None:
    """The words, not the bytes: the last digit of a coordinate may differ between platforms."""
    shown = fromstring((ROOT / "docs" / "pictures" / f"{name}_{kind}.svg").read_text("utf-8"))
    draw = {"apart": exploded_svg, "section": section_svg, "box": box_svg}[kind]
    assert words(shown) == words(fromstring(draw(kits / name))), "run tests/tools/make_pictures.py"
