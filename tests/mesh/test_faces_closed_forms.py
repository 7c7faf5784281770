"""Faces of solids whose faces are known: kinds, sizes, places, depth."""

from __future__ import annotations

import math

import numpy as np
import pytest

from patternprep.mesh.faces import Face, FaceSet, find_faces
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import Mesh


def kinds(faces: FaceSet) -> dict[str, int]:
    return {
        k: len(faces.of_kind(k)) for k in ("plane", "bore", "boss", "arc", "cone", "sphere",
                                           "torus", "free") if faces.of_kind(k)
    }  # fmt: skip


def tilt(solid: Solid) -> Solid:
    """A fixed odd pose."""
    a, b = math.radians(31.0), math.radians(-17.0)
    rx = np.array([[1, 0, 0], [0, math.cos(a), -math.sin(a)], [0, math.sin(a), math.cos(a)]])
    ry = np.array([[math.cos(b), 0, math.sin(b)], [0, 1, 0], [-math.sin(b), 0, math.cos(b)]])
    matrix = np.eye(4)
    matrix[:3, :3] = rx @ ry
    matrix[:3, 3] = (11.0, -7.0, 3.0)
    return solid.transform(matrix)


def single(mesh: Mesh) -> Mesh:
    """Rounded to single precision, as a file would hold it."""
    return Mesh(mesh.vertices.astype(np.float32).astype(np.float64), mesh.faces)


def on_mesh(mesh: Mesh, face: Face) -> float:
    """Distance from the face's point to its own nearest facet plane it lies within, mm."""
    a, b, c = mesh.triangles[face.facets].transpose(1, 0, 2)
    best = math.inf
    for p0, p1, p2 in zip(a, b, c, strict=True):
        edges = np.stack([p1 - p0, p2 - p0], axis=1)
        uv, *_ = np.linalg.lstsq(edges, np.array(face.point) - p0, rcond=None)
        if uv.min() >= -1e-9 and uv.sum() <= 1.0 + 1e-9:
            best = min(best, float(np.linalg.norm(edges @ uv + p0 - np.array(face.point))))
    return best


def bush() -> Solid:
    """Flanged bush: flange, barrel, through bore, counterbore, four blind holes."""
    body = Solid.cylinder(10.0, 40.0, segments=128) + Solid.cylinder(50.0, 25.0, segments=96)
    body -= Solid.cylinder(80.0, 12.0, segments=72).translate((0, 0, -10))
    body -= Solid.cylinder(20.0, 16.0, segments=80).translate((0, 0, 42))
    hole = Solid.cylinder(20.0, 3.0, segments=24)
    for x, y in ((32, 0), (-32, 0), (0, 32), (0, -32)):
        body -= hole.translate((x, y, 4.0))
    return body


@pytest.mark.parametrize("pose", [lambda s: s, tilt])
def test_box_has_six_planes(pose) -> None:
    mesh = pose(Solid.box((0, 0, 0), (30, 20, 40))).to_mesh()
    faces = find_faces(mesh)
    assert kinds(faces) == {"plane": 6}
    assert [round(f.area_mm2) for f in faces] == [1200, 1200, 800, 800, 600, 600]
    assert all(on_mesh(mesh, f) < 1e-9 for f in faces)


@pytest.mark.parametrize("pose", [lambda s: s, tilt])
def test_flanged_bush(pose) -> None:
    mesh = single(pose(bush()).to_mesh())
    faces = find_faces(mesh)
    assert kinds(faces) == {"plane": 8, "bore": 6, "boss": 2}
    barrel, counterbore = faces.of_kind("bore")[:2]
    assert barrel.radius_mm == pytest.approx(12.0, abs=1e-4)
    assert barrel.length_mm == pytest.approx(42.0, abs=1e-4)
    assert counterbore.radius_mm == pytest.approx(16.0, abs=1e-4)
    assert barrel.through is True
    assert counterbore.through is True
    holes = faces.of_kind("bore")[2:]
    assert [h.through for h in holes] == [False] * 4
    assert all(h.length_mm == pytest.approx(6.0, abs=1e-4) for h in holes)
    assert sorted(round(f.radius_mm or 0.0, 3) for f in faces.of_kind("boss")) == [25.0, 40.0]
    assert all(on_mesh(mesh, f) < 1e-4 for f in faces)
    assert (faces.face_of_facet >= 0).all()


@pytest.mark.parametrize("segments", [12, 13, 16, 24, 64, 720])
def test_a_bore_is_found_from_twelve_facets_a_turn(segments: int) -> None:
    plate = Solid.box((-20, -20, 0), (20, 20, 10))
    plate -= Solid.cylinder(30.0, 8.0, segments=segments).translate((1, 2, -10))
    (bore,) = find_faces(tilt(plate).to_mesh()).of_kind("bore")
    assert bore.radius_mm == pytest.approx(8.0, abs=1e-6)
    assert bore.turn_deg == pytest.approx(360.0, abs=1e-6)
    assert bore.length_mm == pytest.approx(10.0, abs=1e-6)


def test_eight_facets_a_turn_stay_planes() -> None:
    plate = Solid.box((-20, -20, 0), (20, 20, 10))
    plate -= Solid.cylinder(30.0, 8.0, segments=8).translate((0, 0, -10))
    assert kinds(find_faces(plate.to_mesh())) == {"plane": 6 + 8}


def test_hexagon_prism_is_eight_planes() -> None:
    assert kinds(find_faces(Solid.cylinder(10.0, 8.0, segments=6).to_mesh())) == {"plane": 8}


def test_sphere_cone_torus_are_told_apart_from_cylinders() -> None:
    sphere = find_faces(tilt(Solid.sphere(10.0, 64)).to_mesh())
    assert kinds(sphere) == {"sphere": 1}
    assert sphere.faces[0].radius_mm == pytest.approx(10.0, abs=1e-6)
    cone = find_faces(tilt(Solid.cylinder(20.0, 12.0, 8.0, 40)).to_mesh())
    assert kinds(cone) == {"plane": 2, "cone": 1}
    (c,) = cone.of_kind("cone")
    assert (c.radius_mm, c.second_radius_mm) == pytest.approx((12.0, 8.0), abs=1e-6)
    turn = np.linspace(0.0, 2.0 * math.pi, 32, endpoint=False)
    ring = np.stack([20.0 + 5.0 * np.cos(turn), 5.0 * np.sin(turn)], axis=1)
    torus = find_faces(tilt(Solid.revolve(ring, 64)).to_mesh())
    assert kinds(torus) == {"torus": 1}
    (t,) = torus.faces
    assert (t.radius_mm, t.second_radius_mm) == pytest.approx((20.0, 5.0), abs=1e-6)


def test_elliptic_spokes_are_no_bosses() -> None:
    stretch = np.diag([12.0, 6.0, 1.0, 1.0])
    spoke = Solid.cylinder(60.0, 1.0, segments=64).transform(stretch)
    found = kinds(find_faces(tilt(spoke).to_mesh()))
    assert "boss" not in found
    assert "arc" not in found
    assert found == {"plane": 2, "free": 1}


def test_an_elliptic_hole_is_no_bore() -> None:
    plate = Solid.box((-20, -20, 0), (20, 20, 10))
    hole = Solid.cylinder(30.0, 1.0, segments=96).transform(np.diag([9.0, 8.0, 1.0, 1.0]))
    assert "bore" not in kinds(find_faces((plate - hole.translate((0, 0, -10))).to_mesh()))


def test_three_cones_in_a_row_are_no_torus() -> None:
    ring = np.array([[85, 0], [100, 0], [94, 9], [89, 13], [85, 20]], dtype=np.float64)
    found = find_faces(Solid.revolve(ring, 300).to_mesh())
    assert kinds(found)["cone"] == 3
    assert "torus" not in kinds(found)


def slotted_eye() -> Solid:
    """Link with a slot whose ends are half round: two arcs and two tangent planes."""
    slot = (
        Solid.cylinder(30.0, 6.0, segments=48).translate((-10, 0, -10))
        + Solid.cylinder(30.0, 6.0, segments=48).translate((10, 0, -10))
        + Solid.box((-10, -6, -10), (10, 6, 20))
    )
    return Solid.box((-40, -20, 0), (40, 20, 10)) - slot


@pytest.mark.parametrize("pose", [lambda s: s, tilt])
def test_slot_has_two_half_round_arcs_and_two_planes(pose) -> None:
    faces = find_faces(single(pose(slotted_eye()).to_mesh()))
    assert kinds(faces) == {"plane": 8, "arc": 2}
    for arc in faces.of_kind("arc"):
        assert arc.radius_mm == pytest.approx(6.0, abs=1e-3)
        assert arc.turn_deg == pytest.approx(180.0, abs=0.5)
        assert not arc.outward


def test_bore_split_by_a_keyway_is_one_bore() -> None:
    hub = Solid.cylinder(30.0, 30.0, segments=96)
    hub -= Solid.cylinder(60.0, 12.0, segments=96).translate((0, 0, -10))
    hub -= Solid.box((-2, 0, -10), (2, 15, 60))
    hub -= Solid.box((-2, -15, -10), (2, 0, 60))
    faces = find_faces(hub.to_mesh())
    (bore,) = faces.of_kind("bore")
    assert bore.radius_mm == pytest.approx(12.0, abs=1e-6)
    missing = 2.0 * math.degrees(2.0 * math.asin(2.0 / 12.0))
    assert bore.turn_deg == pytest.approx(360.0 - missing, abs=0.5)
    assert not faces.of_kind("arc")


def test_two_bores_on_one_axis_stay_two() -> None:
    block = Solid.box((-30, -30, -30), (30, 30, 30))
    block -= Solid.cylinder(80.0, 8.0, segments=64).translate((0, 0, -40))
    block -= Solid.cylinder(20.0, 20.0, segments=64).translate((0, 0, -10))
    bores = find_faces(block.to_mesh()).of_kind("bore")
    assert sorted(round(b.radius_mm or 0.0, 3) for b in bores) == [8.0, 8.0, 20.0]


def test_crossing_bores_keep_their_radii() -> None:
    block = Solid.box((-30, -30, -30), (30, 30, 30))
    drill = Solid.cylinder(80.0, 10.0, segments=72).translate((0, 0, -40))
    quarter = np.array([[0, 0, 1, 0], [0, 1, 0, 0], [-1, 0, 0, 0], [0, 0, 0, 1]], dtype=float)
    cross = Solid.cylinder(80.0, 6.0, segments=48).translate((0, 0, -40)).transform(quarter)
    faces = find_faces(single((block - drill - cross).to_mesh()))
    radii = sorted(round(b.radius_mm or 0.0, 2) for b in faces.of_kind("bore"))
    assert radii == [6.0, 6.0, 10.0]


def test_rounded_block_has_fillets_tangent_to_planes() -> None:
    ball = Solid.sphere(3.0, 48)
    corners = [ball.translate((x, y, z)) for x in (-20, 20) for y in (-10, 10) for z in (-8, 8)]
    block = corners[0]
    for c in corners[1:]:
        block += c
    faces = find_faces(block.hull().to_mesh())
    assert kinds(faces)["plane"] == 6
    assert kinds(faces)["arc"] == 12
    assert all(a.radius_mm == pytest.approx(3.0, abs=0.01) for a in faces.of_kind("arc"))
    assert kinds(faces).get("sphere", 0) == 8
