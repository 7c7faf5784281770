"""The demo parts: sound solids in their files, made again by their script, with the dimensions
that their docstrings promise."""

from __future__ import annotations

import importlib.util
import math
import sys
from functools import cache
from pathlib import Path
from types import ModuleType

import numpy as np
import numpy.typing as npt
import pytest

FOLDER = Path(__file__).parents[1] / "demo_models"
FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
NAMES = [
    "bearing_cap",
    "flanged_bush",
    "handwheel",
    "pump_elbow",
    "ribbed_bracket",
    "sluice_link",
    "vee_pulley",
]

Corners = npt.NDArray[np.float64]


@cache
def corners_of(name: str) -> Corners:
    """Corner coordinates (m, 3, 3) read straight from the binary file."""
    data = (FOLDER / f"{name}.stl").read_bytes()
    count = int(np.frombuffer(data, "<u4", 1, 80)[0])
    assert len(data) == 84 + 50 * count
    return np.frombuffer(data, FACET, count, 84)["corners"].astype(np.float64)


def welded(corners: Corners) -> tuple[Corners, npt.NDArray[np.int64]]:
    vertices, faces = np.unique(corners.reshape(-1, 3), axis=0, return_inverse=True)
    return vertices, faces.reshape(-1, 3)


def volume_of(corners: Corners) -> float:
    a, b, c = np.moveaxis(corners, 1, 0)
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)


@cache
def maker() -> ModuleType:
    sys.path.insert(0, str(FOLDER))
    try:
        spec = importlib.util.spec_from_file_location("make_models", FOLDER / "make_models.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
    finally:
        sys.path.remove(str(FOLDER))
    return module


def test_every_part_has_its_file_and_every_file_its_part() -> None:
    assert sorted(maker().PARTS) == NAMES
    assert sorted(p.stem for p in FOLDER.glob("*.stl")) == NAMES
    text = (FOLDER / "README.md").read_text()
    assert all(f"{name}.stl" in text for name in NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_part_is_one_sound_closed_solid(name: str) -> None:
    _, faces = welded(corners_of(name))
    assert 5_000 <= len(faces) <= 30_000
    assert np.all(faces[:, [0, 1, 2]] != faces[:, [1, 2, 0]])
    edges = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    key = edges[:, 0] * (faces.max() + 1) + edges[:, 1]
    back = edges[:, 1] * (faces.max() + 1) + edges[:, 0]
    assert len(np.unique(key)) == len(key), "a directed edge occurs twice"
    assert np.array_equal(np.sort(key), np.sort(back)), "an edge has no partner"
    label = np.arange(faces.max() + 1)
    for _ in range(len(label)):
        low = label.copy()
        np.minimum.at(low, edges[:, 0], label[edges[:, 1]])
        low = low[low]
        if np.array_equal(low, label):
            break
        label = low
    assert len(np.unique(label)) == 1, "more than one shell"
    assert volume_of(corners_of(name)) > 0.0


@pytest.mark.parametrize("name", NAMES)
def test_script_makes_the_part_again(name: str) -> None:
    module = maker()
    solid = module.make(name)
    assert sys.modules["shapes"].stl_bytes(solid, "x") == sys.modules["shapes"].stl_bytes(
        module.make(name), "x"
    )
    written = corners_of(name)
    assert solid.volume == pytest.approx(volume_of(written), rel=1e-6)
    span = np.array([written.min(axis=(0, 1)), written.max(axis=(0, 1))])
    assert np.allclose(solid.bounds, span, atol=1e-4)


SIZES = {
    "bearing_cap": (128.0, 128.0, 48.0),
    "flanged_bush": (120.0, 120.0, 80.0),
    "handwheel": (420.0, 420.0, 64.0),
    "pump_elbow": (190.0, 190.0, 140.0),
    "ribbed_bracket": (160.0, 120.0, 48.0),
    "sluice_link": (220.0 + 2.0 * 38.0 + 18.0, 76.0, 34.0),
    "vee_pulley": (220.0, 220.0, 46.0),
}


ROUNDED_PLANS = ("bearing_cap", "sluice_link")
"""Their outlines are facets of arcs that need not touch the extreme points."""


@pytest.mark.parametrize("name", sorted(SIZES))
def test_over_all_size(name: str) -> None:
    corners = corners_of(name).reshape(-1, 3)
    size = corners.max(axis=0) - corners.min(axis=0)
    assert size == pytest.approx(SIZES[name], abs=0.07 if name in ROUNDED_PLANS else 0.001)


BORES = [
    ("flanged_bush", (0.0, 0.0), 25.0, 40.0),
    ("flanged_bush", (49.0 * math.sqrt(0.5), 49.0 * math.sqrt(0.5)), 5.5, 4.0),
    ("handwheel", (192.0, 0.0), 7.0, 0.0),
    ("ribbed_bracket", (0.0, 0.0), 15.0, 20.0),
    ("ribbed_bracket", (-58.0, 38.0), 5.5, 9.0),
    ("sluice_link", (0.0, 0.0), 16.0, 0.0),
    ("vee_pulley", (56.0 * math.cos(0.3 * math.pi), 56.0 * math.sin(0.3 * math.pi)), 17.0, 0.0),
]


@pytest.mark.parametrize(("name", "centre", "radius", "z"), BORES)
def test_bore_wall_lies_on_its_circle(
    name: str, centre: tuple[float, float], radius: float, z: float
) -> None:
    """Walls of the bore at height z: vertices on the circle, facets within their sagitta."""
    corners = corners_of(name) - [*centre, 0.0]
    crosses = (corners[..., 2].min(axis=1) <= z) & (corners[..., 2].max(axis=1) >= z)
    distance = np.hypot(corners[..., 0], corners[..., 1])
    wall = crosses & (distance.max(axis=1) < radius + 0.05)
    assert np.count_nonzero(wall) >= 48
    assert distance[wall] == pytest.approx(radius, abs=0.005)


def test_flanged_bush_volume_by_rings_and_corners() -> None:
    """Rings of revolution with the rounds and fillets taken off by Pappus; 96-sided."""

    def corner(radius: float, at: float, outward: float, cut: float) -> float:
        """Volume between a sharp corner and its tangent arc, centroid by the spandrel's."""
        area = radius**2 * (1.0 - 0.25 * math.pi)
        centroid = at - outward * radius * (10.0 - 3.0 * math.pi) / (12.0 - 3.0 * math.pi)
        return cut * 2.0 * math.pi * centroid * area

    volume = math.pi * ((60.0**2 - 25.0**2) * 14.0 + (35.0**2 - 25.0**2) * 66.0)
    volume += corner(1.0, 25.0, -1.0, -1.0) * 2.0
    volume += corner(1.5, 60.0, 1.0, -1.0) + corner(3.0, 60.0, 1.0, -1.0)
    volume += corner(2.0, 35.0, 1.0, -1.0) + corner(6.0, 35.0, -1.0, 1.0)
    volume -= 4.0 * math.pi * 5.5**2 * 14.0
    facetted = volume * math.sin(2.0 * math.pi / 96.0) / (2.0 * math.pi / 96.0)
    assert volume_of(corners_of("flanged_bush")) == pytest.approx(facetted, rel=5e-4)


def test_elbow_is_hollow_from_port_to_port() -> None:
    """The pipe wall on the first port's axis, half way along: 25 inside, 34 outside."""
    corners = corners_of("pump_elbow")
    band = np.abs(corners[..., 1].mean(axis=1) + 90.0) < 10.0
    near = np.abs(corners[..., 0]).max(axis=1) < 35.0
    distance = np.hypot(corners[..., 0], corners[..., 2])[band & near]
    assert distance.min() == pytest.approx(25.0, abs=0.001)
    volume = volume_of(corners)
    bore = math.pi * 25.0**2 * (2.0 * 40.0 + 0.5 * math.pi * 80.0)
    wall = math.pi * (34.0**2 - 25.0**2) * (2.0 * 22.0 + 0.5 * math.pi * 80.0)
    flanges = 2.0 * math.pi * (70.0**2 - 25.0**2 - 4.0 * 9.0**2) * 18.0
    assert bore > 390_000.0
    assert volume == pytest.approx(wall + flanges, rel=0.04)


def test_bearing_cap_draws_as_it_is() -> None:
    """From the flat joint face upward no wall leans less than 2.9 degrees: no core, no undercut."""
    corners = corners_of("bearing_cap")
    a, b, c = np.moveaxis(corners, 1, 0)
    cross = np.cross(b - a, c - a)
    area = np.linalg.norm(cross, axis=1)
    lean = np.degrees(np.arcsin(np.clip(cross[:, 2] / area, -1.0, 1.0)))
    joint = np.all(corners[..., 2] == 0.0, axis=1)
    assert np.all(lean[joint] == -90.0)
    wanting = area[~joint & (lean < 2.9)].sum() / area.sum()
    assert wanting < 1e-5


def test_vee_groove_is_an_undercut_for_the_axial_pull() -> None:
    """The groove's flanks lean 19 degrees to the plane of the wheel and 16 deep from the rim."""
    corners = corners_of("vee_pulley")
    radius = np.hypot(corners[..., 0], corners[..., 1])
    groove = (np.abs(corners[..., 2]).max(axis=1) < 8.9) & (radius.min(axis=1) > 90.0)
    assert radius[groove].min() == pytest.approx(94.0, abs=0.001)
    a, b, c = np.moveaxis(corners[groove], 1, 0)
    cross = np.cross(b - a, c - a)
    area = np.linalg.norm(cross, axis=1)
    lean = np.degrees(np.arcsin(np.abs(cross[:, 2]) / area))
    flank = area[np.abs(lean - 71.0) < 0.3].sum() / area.sum()
    assert flank > 0.5
