"""Stock on combinations of faces, against volumes worked out by hand on the faceted shapes."""

from __future__ import annotations

import math

import numpy as np
import pytest

from patternprep.errors import GeometryFault
from patternprep.mesh.faces import find_faces
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import Mesh
from patternprep.pattern.select import select_faces
from patternprep.pattern.stock import StockResult, add_stock

SIDES = 120
_SECTOR = 0.5 * math.sin(2.0 * math.pi / SIDES) * SIDES
"""Area of an inscribed polygon of radius 1."""


def grown(mesh: Mesh, *asked: tuple[str, float]) -> StockResult:
    faces = find_faces(mesh)
    result = add_stock(mesh, [(f, d) for text, d in asked for f in select_faces(faces, text)])
    assert Solid.from_mesh(result.mesh).volume == pytest.approx(result.mesh.volume, rel=1e-7)
    return result


def turned(*profile: tuple[float, float]) -> Mesh:
    return Solid.revolve(np.array(profile), SIDES).to_mesh()


def volume(profile: list[tuple[float, float]]) -> float:
    """Volume of a profile (r, z) turned in SIDES straight steps, by frustums."""
    total = 0.0
    for (r0, z0), (r1, z1) in zip(profile, profile[1:] + profile[:1], strict=True):
        total += (z1 - z0) * (r0 * r0 + r0 * r1 + r1 * r1) / 3.0
    return abs(total) * _SECTOR


def keyed_tube(bore: float, half_key: float, key_top: float, length: float) -> Mesh:
    tube = turned((bore, 0.0), (40.0, 0.0), (40.0, length), (bore, length))
    key = Solid.box((-half_key, 0.0, -1.0), (half_key, key_top, length + 1.0))
    return (Solid.from_mesh(tube) - key).to_mesh()


def keyed_area(bore: float, sides: np.ndarray, half_key: float, key_top: float) -> float:
    """Area of the bore (polygon through ``sides`` at that radius) together with its keyway."""
    import shapely

    ring = shapely.Polygon(bore * np.column_stack([np.cos(sides), np.sin(sides)]))
    return float(ring.union(shapely.box(-half_key, 0.0, half_key, key_top)).area)


@pytest.mark.parametrize("amount", [0.3, 1.0, 1.5, 2.0, 3.0])
def test_keyed_bore_and_both_ends_keep_the_keyway_at_its_width(amount: float) -> None:
    part = keyed_tube(17.5, 5.0, 20.8, 50.0)
    result = grown(part, ("+z;-z", amount), ("bore 1", amount))
    # round points of the moved bore, and the keyway's mouth where the chord meets its wall
    sides = 2.0 * math.pi * np.arange(SIDES) / SIDES
    area = _SECTOR * 40.0**2 - keyed_area(17.5 - amount, sides, 5.0, 20.8)
    # a corner solved on the true circle differs from the chord by less than its depth there
    depth = 17.5 * (1.0 - math.cos(math.pi / SIDES))
    assert result.mesh.volume / (50.0 + 2.0 * amount) == pytest.approx(area, abs=4.0 * depth)
    mouth = result.mesh.vertices
    mouth = mouth[(np.hypot(mouth[:, 0], mouth[:, 1]) < 18.5) & (mouth[:, 1] > 10.0)]
    assert np.abs(mouth[:, 0]).min() == pytest.approx(5.0, abs=1e-6)


def test_keyed_bore_with_its_keyway_and_both_ends() -> None:
    part = keyed_tube(17.5, 5.0, 20.8, 50.0)
    faces = find_faces(part)
    key = [f for f in faces if f.kind == "plane" and abs(f.normal[2]) < 0.5]
    assert len(key) == 3
    chosen = [*select_faces(faces, "+z;-z;bore 1"), *key]
    result = add_stock(part, [(f, 2.0) for f in chosen])
    sides = 2.0 * math.pi * np.arange(SIDES) / SIDES
    area = _SECTOR * 40.0**2 - keyed_area(15.5, sides, 3.0, 18.8)
    assert result.mesh.volume / 54.0 == pytest.approx(area, abs=0.15)


def moved(profile: list[tuple[float, float]], amount: float) -> list[tuple[float, float]]:
    """A profile, anticlockwise, with each side moved out by the amount and sharp corners."""
    points = np.array(profile)
    side = np.roll(points, -1, axis=0) - points
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    out = np.column_stack([side[:, 1], -side[:, 0]])
    before = np.roll(out, 1, axis=0)
    scale = 1.0 + np.einsum("ij,ij->i", before, out)
    return [tuple(p) for p in points + amount * (before + out) / scale[:, None]]


PROFILES = {
    "stepped bosses": [(8, 0), (40, 0), (40, 10), (25, 10), (25, 22), (15, 22), (15, 30), (8, 30)],
    "counterbore": [(6, 0), (30, 0), (30, 30), (14, 30), (14, 18), (6, 18)],
    "countersink": [(6, 0), (30, 0), (30, 30), (12, 30), (6, 24)],
    "hollow frustum": [(10, 0), (30, 0), (20, 25), (10, 25)],
    "vee pulley": [(10, 0), (40, 0), (40, 6), (30, 14), (30, 16), (40, 24), (40, 30), (10, 30)],
}


@pytest.mark.parametrize("name", PROFILES)
@pytest.mark.parametrize("amount", [0.5, 1.0, 2.0])
def test_turned_part_with_stock_all_over(name: str, amount: float) -> None:
    profile = [(float(r), float(z)) for r, z in PROFILES[name]]
    part = turned(*profile)
    assert part.volume == pytest.approx(volume(profile), rel=1e-9)
    result = grown(part, ("all", amount))
    assert result.mesh.volume == pytest.approx(volume(moved(profile, amount)), rel=1e-6)


def test_groove_whose_floor_the_stock_swallows_ends_in_a_sharp_vee() -> None:
    profile = [(10.0, 0.0), (40.0, 0.0), (40.0, 6.0), (30.0, 14.5), (30.0, 15.5)]
    profile += [(40.0, 24.0), (40.0, 30.0), (10.0, 30.0)]
    result = grown(turned(*profile), ("all", 2.0))
    outer = moved(profile, 2.0)
    # the two flanks, moved, meet in the middle of the width before the floor has moved its way
    (r0, z0), (r1, z1) = outer[2], outer[3]
    root = r0 + (15.0 - z0) / (z1 - z0) * (r1 - r0)
    assert outer[3][1] > outer[4][1]
    want = [*outer[:3], (root, 15.0), *outer[5:]]
    deep = max(root, 32.0)
    assert deep == root
    assert result.mesh.volume == pytest.approx(volume(want), rel=1e-6)


def test_box_all_over_is_exact() -> None:
    result = grown(Solid.box((0, 0, 0), (30, 20, 40)).to_mesh(), ("all", 1.0))
    assert result.mesh.volume == pytest.approx(32.0 * 22.0 * 42.0, rel=1e-12)


def test_stock_that_closes_a_slot_is_refused_with_its_place() -> None:
    slot = Solid.box((0, 0, 0), (30, 20, 20)) - Solid.box((10, -1, 10), (13, 21, 21))
    part = slot.to_mesh()
    faces = find_faces(part)
    wall = select_faces(faces, "at 10,10,15")
    with pytest.raises(GeometryFault) as told:
        add_stock(part, [(wall[0], 4.0)])
    assert wall[0].name in str(told.value)
