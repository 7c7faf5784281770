"""The corner between two faces that both get stock, against areas worked out by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from patternprep.errors import GeometryFault
from patternprep.mesh.faces import Face, find_faces
from patternprep.mesh.faces.topology import mesh_edges
from patternprep.mesh.kernel import Solid, hull_of_points, union_all
from patternprep.mesh.mesh import Mesh
from patternprep.mesh.read.part import read_part
from patternprep.mesh.topology import components
from patternprep.pattern.select import select_faces
from patternprep.pattern.stock import add_stock
from patternprep.pattern.stock.between import edge_bars, rounds_between

LENGTH = 50.0
DEMO = Path(__file__).parents[2] / "demo_models"


def _arc(x: float, z: float, radius: float, start: float, end: float) -> np.ndarray:
    turn = np.radians(np.linspace(start, end, 9))
    return np.stack([x + radius * np.cos(turn), z + radius * np.sin(turn)], axis=1)


def _bar(ring: np.ndarray) -> Mesh:
    return Solid.extrude([ring], LENGTH).to_mesh()


def _facing(mesh: Mesh, x: float, y: float) -> Face:
    (face,) = [
        f
        for f in find_faces(mesh)
        if f.kind == "plane" and np.allclose(f.normal, (x, y, 0.0), atol=1e-6)
    ]
    return face


def _in_one_piece(mesh: Mesh) -> bool:
    return components(mesh.facets, *mesh_edges(mesh).facets.T)[0] == 1


@pytest.mark.parametrize("amount", [1.4, 2.0, 3.0])
def test_convex_round_moves_along_with_its_sides(amount: float) -> None:
    radius, wide, high = 1.5, 30.0, 20.0
    round_ = _arc(wide - radius, high - radius, radius, 0.0, 90.0)
    part = _bar(np.concatenate([[(0.0, 0.0), (wide, 0.0)], round_, [(0.0, high)]]))
    result = add_stock(part, [(_facing(part, 1, 0), amount), (_facing(part, 0, 1), amount)])
    sector = 0.5 * 8 * np.sin(np.radians(90.0 / 8)) * ((radius + amount) ** 2 - radius**2)
    strips = amount * (wide - radius) + amount * (high - radius)
    assert result.volume_mm3 == pytest.approx(LENGTH * (strips + sector), rel=1e-5)
    assert _in_one_piece(result.mesh)


def test_unequal_stock_leaves_the_round_and_two_steps() -> None:
    radius, wide, high = 1.5, 30.0, 20.0
    round_ = _arc(wide - radius, high - radius, radius, 0.0, 90.0)
    part = _bar(np.concatenate([[(0.0, 0.0), (wide, 0.0)], round_, [(0.0, high)]]))
    result = add_stock(part, [(_facing(part, 1, 0), 2.0), (_facing(part, 0, 1), 1.0)])
    strips = 1.0 * (wide - radius) + 2.0 * (high - radius)
    assert result.volume_mm3 == pytest.approx(LENGTH * strips, rel=1e-5)


@pytest.mark.parametrize("amount", [1.4, 2.0, 4.0])
def test_hollow_round_is_filled_where_it_is_tighter_than_the_stock(amount: float) -> None:
    radius, foot, wall = 1.5, 5.0, 8.0
    round_ = _arc(wall + radius, foot + radius, radius, 270.0, 180.0)
    ring = np.concatenate(
        [[(0.0, 0.0), (40.0, 0.0), (40.0, foot)], round_, [(wall, 30.0), (0.0, 30.0)]]
    )
    part = _bar(ring)
    result = add_stock(part, _inner(part, amount))
    new = wall + amount, foot + amount
    area = new[0] * 30.0 + (40.0 - new[0]) * new[1]
    if amount < radius:
        left = radius - amount
        area += left**2 * (1.0 - 0.5 * 8 * np.sin(np.radians(90.0 / 8)))
    assert result.mesh.volume == pytest.approx(LENGTH * area, rel=1e-5)
    assert _in_one_piece(result.mesh)


def _inner(part: Mesh, amount: float) -> list[tuple[Face, float]]:
    """The floor and the inner wall of the angle bar."""
    faces = find_faces(part)
    chosen = select_faces(faces, "at 8,20,25; at 30,5,25")
    return [(face, amount) for face in chosen]


def test_bars_along_the_edges_of_two_stepped_faces() -> None:
    part = Solid.box((0.0, 0.0, 0.0), (30.0, 20.0, 10.0)).to_mesh()
    faces = find_faces(part)
    top, side = (faces.faces.index(f) for f in select_faces(faces, "+z;+x"))
    bars = union_all(edge_bars(faces, {top: 2.0, side: 3.0}))
    assert bars.volume == pytest.approx(2.0 * 3.0 * 20.0)
    assert edge_bars(faces, {top: 2.0}) == []


def test_rounds_only_between_chosen_faces_and_only_narrow_ones() -> None:
    for radius, found in ((1.5, 1), (8.0, 0)):
        round_ = _arc(30.0 - radius, 20.0 - radius, radius, 0.0, 90.0)
        part = _bar(np.concatenate([[(0.0, 0.0), (30.0, 0.0)], round_, [(0.0, 20.0)]]))
        faces = find_faces(part)
        both = [faces.faces.index(_facing(part, *way)) for way in ((1, 0), (0, 1))]
        assert len(rounds_between(faces, dict.fromkeys(both, 2.0))) == found
        assert rounds_between(faces, {both[0]: 2.0}) == []


def test_rim_and_groove_of_the_pulley_are_covered_everywhere() -> None:
    part = read_part(DEMO / "vee_pulley.stl").mesh
    faces = find_faces(part)
    chosen = select_faces(faces, "boss 1; boss 2; boss 3; cone 1; cone 2")
    result = add_stock(part, [(face, 2.0) for face in chosen])
    pieces = []
    for face in chosen:
        assert face.surface is not None
        side = 2.0 if face.outward else -2.0
        for corners in part.triangles[face.facets][::7]:
            moved = corners + side * face.surface.normal(corners)
            pieces.append(hull_of_points(np.concatenate([corners, moved])))
    bare = union_all(pieces) - Solid.from_mesh(result.mesh)
    assert bare.volume < 1e-3
    assert _in_one_piece(result.mesh)


def test_refusals_name_the_face_as_it_was_asked_for() -> None:
    part = read_part(DEMO / "handwheel.stl").mesh
    faces = find_faces(part)
    chosen = select_faces(faces, "bore 1; plane 3; plane 6; plane 7")
    with pytest.raises(GeometryFault) as told:
        add_stock(part, [(face, 9.0) for face in chosen])
    assert any(f"'{face.name}'" in str(told.value) for face in chosen)


def test_hollow_round_between_faces_with_unequal_stock() -> None:
    radius, foot, wall = 1.5, 5.0, 8.0
    round_ = _arc(wall + radius, foot + radius, radius, 270.0, 180.0)
    ring = np.concatenate(
        [[(0.0, 0.0), (40.0, 0.0), (40.0, foot)], round_, [(wall, 30.0), (0.0, 30.0)]]
    )
    part = _bar(ring)
    (side, _), (floor, _) = _inner(part, 1.0)
    result = add_stock(part, [(side, 3.0), (floor, 2.0)])
    area = (wall + 3.0) * 30.0 + (40.0 - wall - 3.0) * (foot + 2.0)
    assert result.mesh.volume == pytest.approx(LENGTH * area, rel=1e-5)
    assert _in_one_piece(result.mesh)
