"""Stock on parts whose volume with stock is known in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest

from patternprep.errors import GeometryFault, UsageFault
from patternprep.mesh.faces import Face, find_faces
from patternprep.mesh.kernel import Solid, union_all
from patternprep.mesh.mesh import Mesh
from patternprep.pattern.select import select_faces
from patternprep.pattern.stock import StockResult, add_stock


def with_stock(mesh: Mesh, *asked: tuple[str, float]) -> StockResult:
    faces = find_faces(mesh)
    return add_stock(mesh, [(f, d) for text, d in asked for f in select_faces(faces, text)])


def polygon_area(radius: float, segments: int) -> float:
    """Area of an inscribed regular polygon."""
    return 0.5 * segments * radius**2 * math.sin(2.0 * math.pi / segments)


def pose() -> np.ndarray:
    a, b = 0.7, -0.4
    rz = np.array([[math.cos(a), -math.sin(a), 0], [math.sin(a), math.cos(a), 0], [0, 0, 1]])
    rx = np.array([[1, 0, 0], [0, math.cos(b), -math.sin(b)], [0, math.sin(b), math.cos(b)]])
    matrix = np.eye(4)
    matrix[:3, :3] = rz @ rx
    matrix[:3, 3] = (5.0, -8.0, 2.0)
    return matrix


def require_closed(mesh: Mesh, volume: float, rel: float = 1e-9) -> None:
    assert Solid.from_mesh(mesh).volume == pytest.approx(volume, rel=rel)
    assert mesh.volume == pytest.approx(volume, rel=rel)


def test_box_with_three_moved_faces_has_full_corners() -> None:
    result = with_stock(Solid.box((0, 0, 0), (30, 20, 40)).to_mesh(), ("+x;+z;-y", 2.0))
    require_closed(result.mesh, 29568.0)
    assert result.volume_mm3 == pytest.approx(29568.0 - 24000.0)
    assert {c.method for c in result.checks} == {"solved"}
    assert sum(c.volume_mm3 for c in result.checks) == pytest.approx(result.volume_mm3)


def test_tilted_box_with_every_face_moved_by_its_own_amount() -> None:
    mesh = Solid.box((0, 0, 0), (30, 20, 40)).transform(pose()).to_mesh()
    faces = find_faces(mesh)
    amounts = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0)
    result = add_stock(mesh, list(zip(faces, amounts, strict=True)))
    grown = {tuple(np.round(np.abs(pose()[:3, :3].T @ f.normal), 6)): 0.0 for f in faces}
    for f, d in zip(faces, amounts, strict=True):
        grown[tuple(np.round(np.abs(pose()[:3, :3].T @ f.normal), 6))] += d
    want = (
        (30.0 + grown[(1.0, 0.0, 0.0)])
        * (20.0 + grown[(0.0, 1.0, 0.0)])
        * (40.0 + grown[(0.0, 0.0, 1.0)])
    )
    require_closed(result.mesh, want)


@pytest.mark.parametrize("segments", [12, 48, 360])
@pytest.mark.parametrize("d", [0.2, 1.5, 7.9])
def test_bore_shrinks_by_exactly_the_stock(segments: int, d: float) -> None:
    plate = Solid.box((-20, -20, 0), (20, 20, 10))
    plate -= Solid.cylinder(30.0, 8.0, segments=segments).translate((0, 0, -10))
    mesh = plate.transform(pose()).to_mesh()
    result = with_stock(mesh, ("bore 1", d))
    require_closed(result.mesh, 16000.0 - 10.0 * polygon_area(8.0 - d, segments))
    if d < 7.0:
        (bore,) = find_faces(result.mesh).of_kind("bore")
        assert bore.radius_mm == pytest.approx(8.0 - d, abs=1e-6)


def test_bore_whose_mouth_moves_too_runs_on_through_it() -> None:
    plate = Solid.box((-20, -20, 0), (20, 20, 10))
    plate -= Solid.cylinder(30.0, 8.0, segments=96).translate((0, 0, -10))
    result = with_stock(plate.to_mesh(), ("bore 1", 1.0), ("+z", 2.0), ("-z", 3.0))
    require_closed(result.mesh, 15.0 * (1600.0 - polygon_area(7.0, 96)))


def test_blind_bore_with_its_bottom() -> None:
    block = Solid.box((-20, -20, 0), (20, 20, 30))
    block -= Solid.cylinder(40.0, 8.0, segments=96).translate((0, 0, 10))
    mesh = block.to_mesh()
    result = with_stock(mesh, ("bore 1", 1.0), ("at 0.1,0.2,10", 2.0))
    require_closed(result.mesh, 48000.0 - 18.0 * polygon_area(7.0, 96))


def test_counterbore_and_ledge() -> None:
    block = Solid.box((-20, -20, 0), (20, 20, 30))
    block -= Solid.cylinder(60.0, 6.0, segments=72).translate((0, 0, -10))
    block -= Solid.cylinder(40.0, 12.0, segments=90).translate((0, 0, 20))
    mesh = block.to_mesh()
    ledge = next(f for f in select_faces(find_faces(mesh), "+z") if round(f.point[2]) == 20)
    faces = find_faces(mesh)
    chosen: list[tuple[Face, float]] = [(b, 1.0) for b in faces.of_kind("bore")]
    result = add_stock(mesh, [*chosen, (ledge, 1.5)])
    small, large = polygon_area(5.0, 72), polygon_area(11.0, 90)
    require_closed(result.mesh, 48000.0 - 21.5 * small - 8.5 * large)


def test_boss_grows_and_stepped_bush_faces_move() -> None:
    bush = Solid.cylinder(10.0, 40.0, segments=128) + Solid.cylinder(50.0, 25.0, segments=96)
    bush -= Solid.cylinder(80.0, 12.0, segments=72).translate((0, 0, -10))
    mesh = bush.transform(pose()).to_mesh()
    faces = find_faces(mesh)
    barrel = next(f for f in faces.of_kind("boss") if round(f.radius_mm or 0.0) == 25)
    up = pose()[:3, 2]
    top = max(
        (f for f in faces.of_kind("plane") if np.dot(f.normal, up) > 0.99),
        key=lambda f: float(np.dot(f.point, up)),
    )
    result = add_stock(mesh, [(barrel, 1.0), (top, 2.0), (faces.of_kind("bore")[0], 0.5)])
    want = 10.0 * polygon_area(40.0, 128) + 42.0 * polygon_area(26.0, 96)
    require_closed(result.mesh, want - 52.0 * polygon_area(11.5, 72))


def test_cylinder_end_moves_along_the_axis_without_bending_the_barrel() -> None:
    rod = Solid.cylinder(50.0, 10.0, segments=720).to_mesh()
    rounded = Mesh(rod.vertices.astype(np.float32).astype(np.float64), rod.faces)
    result = with_stock(rounded, ("+z", 3.0))
    require_closed(result.mesh, 53.0 * polygon_area(10.0, 720), rel=1e-6)
    rho = np.hypot(result.mesh.vertices[:, 0], result.mesh.vertices[:, 1])
    assert np.abs(rho[rho > 1.0] - 10.0).max() < 1e-5


def test_hexagon_prism() -> None:
    hexagon = Solid.cylinder(20.0, 10.0, segments=6).to_mesh()
    result = with_stock(hexagon, ("all", 1.5))
    apothem = 10.0 * math.cos(math.pi / 6.0) + 1.5
    require_closed(result.mesh, 23.0 * 6.0 * apothem**2 * math.tan(math.pi / 6.0))


def test_sphere_and_torus_and_cone_are_offset_along_their_normals() -> None:
    sphere = Solid.sphere(10.0, 64).to_mesh()
    result = with_stock(sphere, ("sphere 1", 2.0))
    assert np.abs(np.linalg.norm(result.mesh.vertices, axis=1) - 12.0).max() < 1e-9
    turn = np.linspace(0.0, 2.0 * math.pi, 32, endpoint=False)
    ring = np.stack([20.0 + 5.0 * np.cos(turn), 5.0 * np.sin(turn)], axis=1)
    torus = with_stock(Solid.revolve(ring, 64).to_mesh(), ("torus 1", 1.0)).mesh.vertices
    rho = np.hypot(torus[:, 0], torus[:, 1])
    assert np.abs(np.hypot(rho - 20.0, torus[:, 2]) - 6.0).max() < 1e-6
    frustum = with_stock(Solid.cylinder(20.0, 12.0, 8.0, 40).to_mesh(), ("cone 1", 1.0))
    grow = 1.0 / math.cos(math.atan(0.2))
    a, b = polygon_area(12.0 + grow, 40), polygon_area(8.0 + grow, 40)
    require_closed(frustum.mesh, 20.0 / 3.0 * (a + b + math.sqrt(a * b)))


def test_draft_walls_stay_in_their_planes() -> None:
    frustum = Solid.cylinder(20.0, 20.0, 15.0, 4).to_mesh()
    result = with_stock(frustum, ("+z", 4.0))
    side = [20.0, 14.0]
    a, b = (2.0 * s * s for s in side)
    require_closed(result.mesh, 24.0 / 3.0 * (a + b + math.sqrt(a * b)))


def test_flange_pierced_by_many_bolt_holes() -> None:
    hole = Solid.cylinder(40.0, 3.0, segments=16)
    spots = [
        (r * math.cos(t), r * math.sin(t), -10.0)
        for r in (60.0, 80.0, 100.0, 120.0)
        for t in np.linspace(0.0, 2.0 * math.pi, 50, endpoint=False)
    ]
    flange = Solid.cylinder(20.0, 140.0, segments=180)
    flange -= union_all([hole.translate(s) for s in spots])
    mesh = flange.to_mesh()
    result = with_stock(mesh, ("+z", 2.0))
    want = polygon_area(140.0, 180) - 200 * polygon_area(3.0, 16)
    require_closed(result.mesh, 22.0 * want)
    bores = with_stock(mesh, ("bores", 0.5))
    want = polygon_area(140.0, 180) - 200 * polygon_area(2.5, 16)
    require_closed(bores.mesh, 20.0 * want)


def test_filleted_edge_gets_a_straight_step() -> None:
    quarter = Solid.cylinder(60.0, 5.0, segments=64).translate((0, 0, -30))
    bar = Solid.box((-20, -10, -30), (5, 0, 30)) + Solid.box((-20, -10, -30), (0, 5, 30)) + quarter
    mesh = bar.to_mesh()
    faces = find_faces(mesh)
    (top,) = [f for f in faces.of_kind("plane") if f.normal[1] > 0.99]
    result = add_stock(mesh, [(top, 2.0)])
    assert result.volume_mm3 == pytest.approx(2.0 * 20.0 * 60.0, rel=1e-6)
    assert Solid.from_mesh(result.mesh).volume == pytest.approx(result.mesh.volume)
    after = find_faces(result.mesh)
    (arc,) = after.of_kind("arc")
    assert arc.radius_mm == pytest.approx(5.0, abs=1e-6)
    assert arc.turn_deg == pytest.approx(90.0, abs=1.0)


def test_two_crossing_bores_both_shrink() -> None:
    block = Solid.box((-30, -30, -30), (30, 30, 30))
    drill = Solid.cylinder(80.0, 10.0, segments=96).translate((0, 0, -40))
    quarter = np.array([[0, 0, 1, 0], [0, 1, 0, 0], [-1, 0, 0, 0], [0, 0, 0, 1]], dtype=float)
    cross = Solid.cylinder(80.0, 6.0, segments=96).translate((0, 0, -40)).transform(quarter)
    mesh = (block - drill - cross).to_mesh()
    result = with_stock(mesh, ("bores", 1.0))
    drill = Solid.cylinder(80.0, 9.0, segments=96).translate((0, 0, -40))
    cross = Solid.cylinder(80.0, 5.0, segments=96).translate((0, 0, -40)).transform(quarter)
    want = (block - drill - cross).volume
    assert result.mesh.volume == pytest.approx(want, rel=2e-4)


@pytest.mark.parametrize("amount", [0.0, -1.0, math.nan, math.inf])
def test_amounts_that_are_not_more_than_nothing_are_refused(amount: float) -> None:
    mesh = Solid.box((0, 0, 0), (1, 1, 1)).to_mesh()
    with pytest.raises(UsageFault, match="not more than nothing"):
        add_stock(mesh, [(find_faces(mesh).faces[0], amount)])


def test_face_asked_twice_or_of_another_part_is_refused() -> None:
    mesh = Solid.box((0, 0, 0), (1, 2, 3)).to_mesh()
    face = find_faces(mesh).faces[0]
    with pytest.raises(UsageFault, match="asked for twice"):
        add_stock(mesh, [(face, 1.0), (face, 2.0)])
    other = find_faces(Solid.sphere(3.0, 32).to_mesh()).faces[0]
    with pytest.raises(UsageFault, match="not a face of this part"):
        add_stock(mesh, [(other, 1.0)])


def test_stock_that_closes_a_bore_is_refused() -> None:
    plate = Solid.box((-20, -20, 0), (20, 20, 10))
    mesh = (plate - Solid.cylinder(30.0, 3.0, segments=48).translate((0, 0, -10))).to_mesh()
    with pytest.raises(GeometryFault, match="drill it, or make it with a core"):
        with_stock(mesh, ("bore 1", 3.0))


def test_stock_that_runs_into_a_wall_is_refused_with_its_place() -> None:
    channel = Solid.box((0, 0, 0), (30, 20, 40)) - Solid.box((5, -1, 18), (31, 21, 22))
    mesh = channel.to_mesh()
    floor = next(f for f in select_faces(find_faces(mesh), "+z") if round(f.point[2]) == 18)
    with pytest.raises(GeometryFault, match="runs into metal near") as caught:
        add_stock(mesh, [(floor, 5.0)])
    assert caught.value.where is not None
    assert 22.0 <= caught.value.where[2] <= 23.0


def test_two_stocks_that_run_into_each_other_are_refused() -> None:
    channel = Solid.box((0, 0, 0), (30, 20, 40)) - Solid.box((5, -1, 18), (31, 21, 22))
    mesh = channel.to_mesh()
    faces = find_faces(mesh)
    walls = [f for f in faces.of_kind("plane") if 17.5 < f.point[2] < 22.5 and abs(f.normal[2]) > 0]
    with pytest.raises(GeometryFault, match="runs into"):
        add_stock(mesh, [(f, 3.0) for f in walls if abs(f.normal[2]) > 0.9])


def test_nothing_asked_changes_nothing() -> None:
    mesh = Solid.box((0, 0, 0), (1, 2, 3)).to_mesh()
    result = add_stock(mesh, [])
    assert result.mesh is mesh
    assert result.volume_mm3 == 0.0
