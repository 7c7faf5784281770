"""What is settled and written is still the same sound solid when read back."""

from __future__ import annotations

import hashlib
import zipfile

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from mesh_shapes import box, joined, turned

from patternprep.errors import MeshFault
from patternprep.mesh.check import check_mesh
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import Mesh
from patternprep.mesh.read.part import read_part
from patternprep.mesh.read.stl import read_stl
from patternprep.mesh.write import settle, settle_report, write_3mf, write_stl


def read_back(tmp_path, mesh: Mesh) -> Mesh:
    write_stl(tmp_path / "out.stl", mesh)
    return read_stl(tmp_path / "out.stl")


def test_a_sound_mesh_on_32_bits_is_left_alone():
    mesh = box()
    result = settle_report(mesh)
    assert result.moved_mm == 0.0
    assert result.closed_facets == result.parted_edges == 0
    assert np.array_equal(result.mesh.triangles, mesh.triangles)


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    reach=st.sampled_from([0.0, 50.0, 5000.0]),
    turn=st.floats(0.0, 6.0),
)
def test_random_booleans_stay_sound(tmp_path_factory, seed, reach, turn):
    rng = np.random.default_rng(seed)
    solid = Solid.sphere(20.0, 40)
    for _ in range(4):
        spot = rng.uniform(-15, 15, 3)
        solid = solid - Solid.cylinder(60.0, float(rng.uniform(1, 6)), segments=24).translate(
            [*spot[:2], -30.0]
        )
        solid = solid + Solid.box(spot, spot + rng.uniform(0.01, 12.0, 3))
    c, s = np.cos(turn), np.sin(turn)
    matrix = np.array([[c, -s, 0, reach], [s, c, 0, -reach], [0, 0, 1, 0.3], [0, 0, 0, 1.0]])
    half = solid.transform(matrix).trim_by_plane()
    mesh = half.to_mesh()
    result = settle_report(mesh)
    back = read_back(tmp_path_factory.mktemp("s"), result.mesh)
    report = check_mesh(back)
    assert report.fault is None
    step = float(np.spacing(np.float32(np.abs(mesh.vertices).max())))
    assert result.moved_mm <= 200.0 * step
    assert report.volume_mm3 == pytest.approx(mesh.volume, abs=200.0 * step * mesh.area)
    assert back.bounds[0, 2] == 0.0
    flat = np.isclose(mesh.vertices[:, 2], 0.0, atol=0.0).sum()
    assert flat > 0


@pytest.mark.parametrize("lift", [0.0, 3.0])
def test_cubes_that_share_an_edge_are_parted(tmp_path, lift):
    cubes = joined(box((0, 0, lift), (10, 10, lift + 10)), box((10, 10, lift), (20, 20, lift + 10)))
    result = settle_report(cubes)
    back = read_back(tmp_path, result.mesh)
    report = check_mesh(back)
    assert report.sound
    assert (report.shells, result.parted_edges) == (2, 1)
    assert 0.0 < result.moved_mm < 1e-4
    assert report.volume_mm3 == pytest.approx(2000.0, abs=1e-2)
    assert back.bounds[0, 2] == lift
    assert sorted(set(back.vertices[:, 2])) == [lift, lift + 10.0]


def test_cubes_that_share_only_a_corner_pass(tmp_path):
    cubes = joined(box((0, 0, 0), (1, 1, 1)), box((1, 1, 1), (2, 2, 2)))
    assert check_mesh(read_back(tmp_path, settle(cubes))).sound


def test_posts_that_touch_between_two_slabs(tmp_path):
    # Two posts share an upright edge whose ends hang together on the slabs.
    solid = Solid.box((0, 0, -5), (20, 20, 0)) + Solid.box((0, 0, 10), (20, 20, 15))
    solid = solid + Solid.box((0, 0, -1), (10, 10, 11)) + Solid.box((10, 10, -1), (20, 20, 11))
    result = settle_report(solid.to_mesh())
    back = read_back(tmp_path, result.mesh)
    report = check_mesh(back)
    assert report.sound
    assert result.parted_edges > 0
    assert report.volume_mm3 == pytest.approx(solid.volume, abs=1e-2)
    assert Solid.from_mesh(back).volume == pytest.approx(report.volume_mm3, rel=1e-9)


def test_facets_thinner_than_a_rounding_are_closed_up(tmp_path):
    at = 1000.0
    solid = Solid.box((at, 0, 0), (at + 10, 10, 10)) + Solid.box(
        (at + 10 - 1e-6, 3, 3), (at + 10 + 1e-6, 6, 6)
    )
    mesh = solid.to_mesh()
    assert mesh.facets > 12
    result = settle_report(mesh)
    assert check_mesh(read_back(tmp_path, result.mesh)).sound
    assert result.moved_mm < 1e-3


def test_a_corner_on_a_line_is_flipped_away(tmp_path):
    # A facet (p, m, q) with m on p q to rounding, and its neighbour across p q.
    points = np.array([[0, 0, 0], [9, 0, 0], [0, 9, 0], [3, 3e-9, 0], [2, 2, 9]], dtype=float)
    faces = np.array([[0, 2, 1], [0, 1, 3], [0, 3, 4], [3, 1, 4], [1, 2, 4], [2, 0, 4]])
    mesh = Mesh(points, faces)
    assert check_mesh(mesh).sound
    back = read_back(tmp_path, settle(mesh))
    assert check_mesh(back).sound
    assert back.facets == 6


def test_what_cannot_be_settled_is_refused():
    mesh = box()
    with pytest.raises(MeshFault, match="open along 3 edges"):
        settle(Mesh(mesh.vertices, mesh.faces[1:]))
    with pytest.raises(MeshFault):
        settle(box((1e6, 0, 0), (1e6 + 0.001, 1, 1)))
    with pytest.raises(ValueError, match="settle a mesh"):
        write_stl("/dev/null", Mesh(mesh.vertices / 3.0, mesh.faces))


def test_nothing_is_changed_in_place():
    mesh = joined(box((0, 0, 0), (1, 1, 1)), box((1, 1, 0), (2, 2, 1)))
    before = mesh.vertices.copy(), mesh.faces.copy()
    settle(mesh)
    assert np.array_equal(mesh.vertices, before[0])
    assert np.array_equal(mesh.faces, before[1])


def test_same_mesh_same_bytes(tmp_path):
    mesh = settle(Solid.sphere(20, 60).to_mesh())
    sums = set()
    for name in ("a", "b"):
        write_stl(tmp_path / f"{name}.stl", mesh)
        write_3mf(tmp_path / f"{name}.3mf", [("cope", mesh), ("drag", mesh)])
        sums.add(
            hashlib.sha256(
                (tmp_path / f"{name}.stl").read_bytes() + (tmp_path / f"{name}.3mf").read_bytes()
            ).hexdigest()
        )
    assert len(sums) == 1


def test_the_stl_header_is_neutral_and_normals_are_right(tmp_path):
    mesh = settle(Solid.sphere(20, 24).to_mesh())
    write_stl(tmp_path / "a.stl", mesh)
    data = (tmp_path / "a.stl").read_bytes()
    assert len(data) == 84 + 50 * mesh.facets
    assert not data.lower().startswith(b"solid")
    other = trimesh.load(tmp_path / "a.stl", process=False)
    assert np.allclose(np.asarray(other.triangles), mesh.triangles)
    records = np.frombuffer(data[84:], np.dtype([("n", "<f4", 3), ("rest", "V38")]))
    assert np.allclose(records["n"], mesh.normals, atol=1e-6)


def test_3mf_is_read_by_an_independent_reader(tmp_path):
    # trimesh's 3MF loader is the independent side.
    cope = settle(Solid.sphere(20.0, 40).trim_by_plane().to_mesh())
    drag = settle(joined(box(), turned(box((2, 2, 2), (8, 8, 8)))))
    path = tmp_path / "pattern.3mf"
    write_3mf(path, [("cope & riser <1>", cope), ("drag", drag)])
    scene = trimesh.load(path)
    assert scene.units == "millimeter"
    assert list(scene.geometry) == ["cope & riser <1>", "drag"]
    for mesh, other in zip((cope, drag), scene.geometry.values(), strict=True):
        assert other.is_watertight
        assert other.volume == pytest.approx(mesh.volume, rel=1e-7)
    with zipfile.ZipFile(path) as archive:
        assert archive.testzip() is None
        assert {i.date_time for i in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}


def test_3mf_keeps_32_bit_coordinates_exactly(tmp_path):
    mesh = settle(Solid.sphere(17.3, 50).translate((0.1, 200.7, -3.3)).to_mesh())
    write_3mf(tmp_path / "a.3mf", [("part", mesh)])
    back = read_part(tmp_path / "a.3mf").mesh
    assert np.array_equal(back.triangles.astype(np.float32), mesh.triangles.astype(np.float32))
