"""Cored parts from mesh to proved kit, each kind of hole by name, against closed forms.

The holes are polygonal: their volumes are those of polygons, not of circles.
"""

from __future__ import annotations

import json
import math
import shutil
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from patternprep.errors import PatternprepError
from patternprep.kit.job import build_job
from patternprep.kit.pipeline import make_kit
from patternprep.mesh.kernel import Solid, hull_of_points
from patternprep.mesh.mesh import Mesh
from patternprep.mesh.read.stl import read_stl
from patternprep.mesh.write import write_stl
from patternprep.proof import prove_kit

SIDES = 64
TURN_Y = np.array([[0, 0, 1, 0], [0, 1, 0, 0], [-1, 0, 0, 0], [0, 0, 0, 1.0]])
"""z to x."""


def polygon_area(radius: float, sides: int = SIDES) -> float:
    return 0.5 * sides * radius**2 * math.sin(2.0 * math.pi / sides)


def bar(radius: float, low: float, high: float) -> Solid:
    return Solid.cylinder(high - low, radius, segments=SIDES).translate((0.0, 0.0, low))


def slot(length: float, width: float, z: float) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Ring of a rounded slot at a height, (k, 3)."""
    half, r = 0.5 * length - 0.5 * width, 0.5 * width
    turn = np.linspace(-0.5 * math.pi, 0.5 * math.pi, 13)
    right = np.column_stack([half + r * np.cos(turn), r * np.sin(turn)])
    ring = np.concatenate([right, -right])
    return np.column_stack([ring, np.full(len(ring), z)])


def made(folder: Path, solid: Solid, **sections: Any) -> tuple[Path, dict[str, Any]]:
    mesh = solid.to_mesh()
    write_stl(
        folder / "part.stl",
        Mesh(mesh.vertices.astype(np.float32).astype(np.float64), mesh.faces),
    )
    values = {"part": {"file": str(folder / "part.stl")}, "alloy": {"name": "C95400"}} | sections
    figures = make_kit(build_job(values, "the test"), folder / "kit", overwrite=True)
    return folder / "kit", figures


def factor_of(figures: dict[str, Any]) -> float:
    return float(np.linalg.det(np.array(figures["frame"]["part_to_mould"])[:3, :3]))


def holds(kit: Path, figures: dict[str, Any], void_mm3: float, cores: int = 1) -> dict[str, Any]:
    """The proof passes, and the core with what box draft left is the void's closed form."""
    assert [line.name for line in prove_kit(kit) if not line.passed] == []
    assert len(figures["cores"]) == cores
    volumes = figures["volumes_mm3"]
    core = figures["cores"][0]
    inside = core["in_metal_mm3"] / factor_of(figures)
    assert inside + volumes["box_draft"] == pytest.approx(void_mm3, rel=2e-5)
    told = volumes["part"] + volumes["stock"] + volumes["left_solid"] + volumes["undercut_filled"]
    told += volumes["draft"] + volumes["parting_match"] + volumes["box_draft"]
    assert told == pytest.approx(volumes["casting"], rel=1e-5)
    return core


def test_a_horizontal_through_bore(tmp_path: Path) -> None:
    """A bush lying on its side: 120 long, 80 across, bored 50 along x; axis on the parting."""
    bush = (bar(40.0, -60.0, 60.0) - bar(25.0, -61.0, 61.0)).transform(TURN_Y)
    kit, figures = made(tmp_path, bush, parting={"pull": "+z", "plane": "0 mm"})
    core = holds(kit, figures, polygon_area(25.0) * 120.0)
    assert [one["side"] for one in core["prints"]] == ["horizontal", "horizontal"]
    assert all(one["drop_mm"] == 0.0 for one in core["prints"])
    assert core["keyed_by"] == ""
    assert figures["volumes_mm3"]["box_draft"] < 1e-3 * figures["volumes_mm3"]["part"]


def test_a_vertical_blind_bore(tmp_path: Path) -> None:
    """A pot 100 across and 90 high with a hole 60 across and 70 deep from below."""
    pot = bar(50.0, 0.0, 90.0) - bar(30.0, -1.0, 70.0)
    kit, figures = made(
        tmp_path, pot, parting={"pull": "+z", "plane": "top"}, cores={"holes": ["bore 1"]}
    )
    core = holds(kit, figures, polygon_area(30.0) * 70.0)
    assert [one["side"] for one in core["prints"]] == ["drag"]


def test_a_slotted_eye_tapered_from_both_ends(tmp_path: Path) -> None:
    """A link 40 thick with a slot 70 x 30 in the middle that opens to 74 x 34 at both faces."""
    wide, narrow = (74.0, 34.0), (70.0, 30.0)
    low = hull_of_points(np.concatenate([slot(*wide, -20.0), slot(*narrow, 0.0)]))
    high = hull_of_points(np.concatenate([slot(*narrow, 0.0), slot(*wide, 20.0)]))
    eye = low + high
    link = Solid.box((-70.0, -35.0, -20.0), (70.0, 35.0, 20.0)) - eye
    kit, figures = made(
        tmp_path,
        link,
        parting={"pull": "+z", "plane": "0 mm"},
        cores={"holes": ["at 0,15,0.01"]},
    )
    core = holds(kit, figures, eye.volume)
    assert sorted(one["side"] for one in core["prints"]) == ["cope", "drag"]


@pytest.mark.parametrize("pull", ["+y", "+z"])
def test_a_stepped_bore(tmp_path: Path, pull: str) -> None:
    """A block bored 30 through along z and counterbored 50 from one end, lying and standing."""
    block = Solid.box((-45.0, -45.0, -50.0), (45.0, 45.0, 50.0))
    block = block - bar(15.0, -51.0, 51.0) - bar(25.0, 10.0, 51.0)
    kit, figures = made(
        tmp_path,
        block,
        parting={"pull": pull, "plane": "0 mm"},
        cores={"holes": ["bore 1", "bore 2"]},
    )
    core = holds(kit, figures, polygon_area(15.0) * 60.0 + polygon_area(25.0) * 40.0)
    assert len(core["prints"]) == 2


def elbow() -> tuple[Solid, float]:
    """A bend of radius 80 with a flange 12 thick at each end, bored 40; volume of its hollow."""
    turn = 2.0 * np.pi * np.arange(48) / 48
    ring = 20.0 * np.column_stack([np.cos(turn), np.sin(turn)])
    ends = [
        np.array([[1, 0, 0, 80.0], [0, 0, -1, 0], [0, 1, 0, 0], [0, 0, 0, 1.0]]),
        np.array([[0, 0, -1, 0], [-1, 0, 0, 80.0], [0, 1, 0, 0], [0, 0, 0, 1.0]]),
    ]
    out = np.array([80.0, 0.0])
    body = Solid.revolve(1.6 * ring + out, 128, 90.0)
    hollow = Solid.revolve(ring + out, 128, 90.0)
    for end in ends:
        body = body + Solid.cylinder(12.0, 48.0, segments=SIDES).transform(end)
        hollow = hollow + Solid.extrude([ring], 12.0).transform(end)
    return body - hollow, (body & hollow).volume


def test_a_two_flange_elbow(tmp_path: Path) -> None:
    """A bent hollow that opens at two flanges, its plane on the parting."""
    body, hollow = elbow()
    kit, figures = made(tmp_path, body, parting={"pull": "+z", "plane": "0 mm"})
    core = holds(kit, figures, hollow)
    assert [one["side"] for one in core["prints"]] == ["horizontal", "horizontal"]


def test_stock_on_a_cored_bore_makes_the_core_smaller(tmp_path: Path) -> None:
    bush = (bar(40.0, -60.0, 60.0) - bar(25.0, -61.0, 61.0)).transform(TURN_Y)
    kit, figures = made(
        tmp_path,
        bush,
        parting={"pull": "+z", "plane": "0 mm"},
        stock=[{"face": "bore 1", "amount": "2 mm"}],
    )
    # a bore's radius is that of its corners
    holds(kit, figures, polygon_area(25.0 - 2.0) * 120.0)


def test_without_cores_the_hole_is_filled_and_told(tmp_path: Path) -> None:
    bush = (bar(40.0, -60.0, 60.0) - bar(25.0, -61.0, 61.0)).transform(TURN_Y)
    kit, figures = made(
        tmp_path, bush, parting={"pull": "+z", "plane": "0 mm"}, cores={"holes": ["none"]}
    )
    assert [line.name for line in prove_kit(kit) if not line.passed] == []
    assert figures["cores"] == []
    filled = figures["volumes_mm3"]["undercut_filled"]
    assert filled == pytest.approx(polygon_area(25.0) * 120.0, rel=1e-3)


def test_a_small_hole_is_left_solid_and_told(tmp_path: Path) -> None:
    plate = Solid.box((-40.0, -30.0, -15.0), (40.0, 30.0, 15.0)) - bar(4.0, -16.0, 16.0)
    kit, figures = made(tmp_path, plate, parting={"pull": "+z", "plane": "0 mm"})
    assert [line.name for line in prove_kit(kit) if not line.passed] == []
    assert figures["volumes_mm3"]["left_solid"] == pytest.approx(polygon_area(4.0) * 30.0, rel=1e-5)
    assert any("left solid" in words for words in figures["warnings"])


def test_a_core_asked_for_where_there_is_no_hole_is_refused(tmp_path: Path) -> None:
    block = Solid.box((-40.0, -30.0, -15.0), (40.0, 30.0, 15.0))
    with pytest.raises(PatternprepError, match="not the wall of a hole"):
        made(tmp_path, block, cores={"holes": ["+z"]})
    assert not (tmp_path / "kit").exists()


# -- planted faults ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def keyed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A block with a D-shaped bore along x: its turn matters."""
    folder = tmp_path_factory.mktemp("keyed")
    hole = bar(20.0, -61.0, 61.0) - Solid.box((-30.0, 12.0, -70.0), (30.0, 30.0, 70.0))
    block = (Solid.box((-40.0, -40.0, -60.0), (40.0, 40.0, 60.0)) - hole).transform(TURN_Y)
    kit, figures = made(folder, block, parting={"pull": "+z", "plane": "0 mm"})
    assert len(figures["cores"]) == 1
    return kit, figures["cores"][0]["name"]


def planted(kit: Path, out: Path, name: str, change: Callable[[Mesh], Mesh]) -> list[str]:
    """Names of the failing lines when a core is another mesh and the figures say so."""
    copy = out / "kit"
    shutil.copytree(kit, copy)
    figures = json.loads((copy / "figures.json").read_text(encoding="utf-8"))
    core = next(c for c in figures["cores"] if c["name"] == name)
    mesh = change(read_stl(copy / core["file"]))
    mesh = Mesh(mesh.vertices.astype(np.float32).astype(np.float64), mesh.faces)
    write_stl(copy / core["file"], mesh)
    core["sha256"] = sha256((copy / core["file"]).read_bytes()).hexdigest()
    core["facets"], core["volume_mm3"] = mesh.facets, mesh.volume
    (copy / "figures.json").write_text(json.dumps(figures), encoding="utf-8")
    return [line.name for line in prove_kit(copy) if not line.passed]


def turned(mesh: Mesh) -> Mesh:
    """Half a turn about the core's own axis, x."""
    return Mesh(mesh.vertices * np.array([1.0, -1.0, -1.0]), mesh.faces)


def shifted(mesh: Mesh) -> Mesh:
    return Mesh(mesh.vertices + np.array([0.0, 0.3, 0.0]), mesh.faces)


def swollen(mesh: Mesh) -> Mesh:
    middle = mesh.bounds.mean(axis=0)
    return Mesh(middle + 1.01 * (mesh.vertices - middle), mesh.faces)


@pytest.mark.parametrize("fault", [turned, shifted, swollen])
def test_a_core_that_is_turned_shifted_or_too_large_is_named(
    keyed: tuple[Path, str], tmp_path: Path, fault: Callable[[Mesh], Mesh]
) -> None:
    kit, name = keyed
    failing = planted(kit, tmp_path, name, fault)
    assert any(name in line for line in failing)
    assert f"{name} within its hole and prints" in failing


def test_what_does_not_go_onto_the_bed_is_told(tmp_path: Path) -> None:
    bush = (bar(40.0, -60.0, 60.0) - bar(25.0, -61.0, 61.0)).transform(TURN_Y)
    parting = {"pull": "+z", "plane": "0 mm"}
    _, figures = made(tmp_path, bush, parting=parting, printer={"bed": "120 x 300 x 100 mm"})
    assert figures["print"]["does_not_fit"] == []
    _, figures = made(tmp_path, bush, parting=parting, printer={"bed": "100 x 100 x 100 mm"})
    assert figures["print"]["does_not_fit"][:2] == ["cope", "drag"]
    assert sum("does not fit the bed" in words for words in figures["warnings"]) >= 2


def test_cores_are_set_from_the_lowest_up(tmp_path: Path) -> None:
    """Two bores standing side by side at two heights."""
    block = Solid.box((-90.0, -40.0, -50.0), (0.0, 40.0, 50.0))
    block = block + Solid.box((0.0, -40.0, -80.0), (90.0, 40.0, 50.0))
    for x in (-45.0, 45.0):
        block = block - bar(18.0, -90.0, 60.0).translate((x, 0.0, 0.0))
    _, figures = made(tmp_path, block, parting={"pull": "+z", "plane": "top"})
    assert len(figures["cores"]) == 2
    lowest = {
        c["name"]: min(p["core_rings_mm"][1][0][2] for p in c["prints"]) for c in figures["cores"]
    }
    assert figures["setting_order"] == sorted(lowest, key=lambda name: lowest[name])


def pocketed() -> Solid:
    """A block bored 30 along x, with three blind pockets from the bore outward, 50 degrees apart
    and one behind the other, so that no flat parting of a box lets the core go."""
    block = Solid.box((-60.0, -40.0, -40.0), (60.0, 40.0, 40.0))
    block = block - bar(15.0, -61.0, 61.0).transform(TURN_Y)
    for x, degrees in ((-35.0, 0.0), (0.0, 50.0), (35.0, 100.0)):
        c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
        turn = np.array([[1, 0, 0, x], [0, c, -s, 0], [0, s, c, 0], [0, 0, 0, 1.0]])
        block = block - bar(8.0, 0.0, 32.0).transform(turn)
    return block


def test_a_hole_whose_core_no_box_makes_is_left_without_and_told(tmp_path: Path) -> None:
    kit, figures = made(tmp_path, pocketed(), parting={"pull": "+z", "plane": "0 mm"})
    assert [line.name for line in prove_kit(kit) if not line.passed] == []
    assert figures["cores"] == []
    assert figures["volumes_mm3"]["left_solid"] > polygon_area(15.0) * 120.0
    told = [words for words in figures["warnings"] if "no core can be made for it" in words]
    assert len(told) == 1
    assert "No core box with a flat parting makes the core" in told[0]


def test_a_core_that_is_asked_for_and_no_box_makes_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PatternprepError, match="No core box with a flat parting"):
        made(
            tmp_path,
            pocketed(),
            parting={"pull": "+z", "plane": "0 mm"},
            cores={"holes": ["bore 1"]},
        )
    assert not (tmp_path / "kit").exists()


def test_a_low_hole_in_a_web_is_made_by_sand(tmp_path: Path) -> None:
    """A hole 30 wide through a web 6 thick."""
    web = Solid.box((-50.0, -50.0, -6.0), (50.0, 50.0, 0.0)) - bar(15.0, -7.0, 1.0)
    kit, figures = made(tmp_path, web, parting={"pull": "+z", "plane": "top"})
    assert [line.name for line in prove_kit(kit) if not line.passed] == []
    assert figures["cores"] == []
    assert figures["volumes_mm3"]["left_solid"] == 0.0


# -- random poses --------------------------------------------------------------------------------

POSED: dict[str, Callable[[], Solid]] = {
    "level bore": lambda: (
        Solid.box((-40.0, -40.0, -55.0), (40.0, 40.0, 55.0)) - bar(22.0, -56.0, 56.0)
    ).transform(TURN_Y),
    "upright bore": lambda: (
        Solid.box((-50.0, -40.0, -45.0), (50.0, 40.0, 45.0)) - bar(14.0, -46.0, 46.0)
    ),
    "blind bore": lambda: (
        Solid.box((-50.0, -40.0, -45.0), (50.0, 40.0, 45.0)) - bar(14.0, -46.0, 30.0)
    ),
}


@pytest.mark.parametrize("name", POSED)
@given(
    degrees=st.floats(0.0, 360.0),
    scale=st.floats(0.6, 4.0),
    shift=st.tuples(*[st.floats(-500.0, 500.0)] * 2),
)
@settings(
    max_examples=2,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.too_slow],
)
def test_a_cored_part_is_proved_however_it_lies(
    name: str, degrees: float, scale: float, shift: tuple[float, float]
) -> None:
    c, s = scale * math.cos(math.radians(degrees)), scale * math.sin(math.radians(degrees))
    pose = np.array([[c, -s, 0, shift[0]], [s, c, 0, shift[1]], [0, 0, scale, 0], [0, 0, 0, 1.0]])
    with TemporaryDirectory() as folder:
        kit, figures = made(
            Path(folder), POSED[name]().transform(pose), parting={"pull": "+z", "plane": "0 mm"}
        )
        assert [line.name for line in prove_kit(kit) if not line.passed] == []
        assert len(figures["cores"]) == 1
        assert figures["cores"][0]["bodies"] == 1
