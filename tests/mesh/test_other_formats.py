"""OBJ, PLY and OFF, their polygons and numbering, and their damaged files."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from mesh_shapes import ascii_stl, binary_stl, box, saved, soup

from patternprep.errors import FileFault
from patternprep.mesh.mesh import Mesh
from patternprep.mesh.read.part import read_part
from patternprep.mesh.read.polygons import triangulate

QUADS = [[1, 3, 4, 2], [5, 6, 8, 7], [1, 2, 6, 5], [3, 7, 8, 4], [1, 5, 7, 3], [2, 4, 8, 6]]
V = box().vertices


def obj(faces="f {}", vertices=V) -> bytes:
    rows = [f"v {x} {y} {z}" for x, y, z in vertices.tolist()]
    rows += [faces.format(" ".join(map(str, q))) for q in QUADS]
    return "\n".join(rows).encode()


@pytest.mark.parametrize("kind", ["obj", "ply", "off"])
def test_agrees_with_trimesh(tmp_path, kind):
    # trimesh's writers are the independent side here; its readers are not used.
    ball = trimesh.creation.icosphere(2, 20.0)
    path = saved(tmp_path / f"ball.{kind}", b"")
    ball.export(path, digits=12) if kind != "ply" else ball.export(path)
    part = read_part(path)
    assert part.facets_read == len(ball.faces)
    assert part.mesh.volume == pytest.approx(ball.volume, rel=1e-6)
    assert part.mendings == ()


def test_obj_quads_slashes_negative_numbers_and_comments(tmp_path):
    plain = read_part(saved(tmp_path / "a.obj", obj())).mesh
    assert plain.volume == pytest.approx(6000.0)
    rows = obj().decode().splitlines()
    odd = ["# mill", "mtllib ../../secret.mtl", "o part"]
    for row in rows:
        if row.startswith("f"):
            numbers = [int(n) for n in row.split()[1:]]
            row = (
                "f "
                + " ".join(f"{n - 9}/1/{n}" for n in numbers[:2])
                + " \\\n"
                + " ".join(f"{n}//{n}" for n in numbers[2:])
                + " # note"
            )
        odd.append(row + "\r")
    assert np.array_equal(
        read_part(saved(tmp_path / "b.obj", "\n".join(odd).encode())).mesh.triangles,
        plain.triangles,
    )


def test_a_vertex_split_for_its_normals_is_one_corner(tmp_path):
    rows = [f"v {x} {y} {z}" for t in box().triangles.tolist() for x, y, z in t]
    rows += [f"f {3 * i + 1} {3 * i + 2} {3 * i + 3}" for i in range(12)]
    part = read_part(saved(tmp_path / "s.obj", "\n".join(rows).encode()))
    assert len(part.mesh.vertices) == 8
    assert part.mendings == ()


def test_concave_polygons_are_cut_without_folding():
    # An L and a comb of unit squares, in a tilted plane; areas by counting squares.
    ell = [(0, 0), (3, 0), (3, 1), (1, 1), (1, 3), (0, 3)]
    comb = [
        (0, 0),
        (5, 0),
        (5, 2),
        (4, 2),
        (4, 1),
        (3, 1),
        (3, 2),
        (2, 2),
        (2, 1),
        (1, 1),
        (1, 2),
        (0, 2),
    ]
    frame = np.array([[2.0, 1.0, 2.0], [-2.0, 2.0, 1.0]]) / 3.0
    for ring, area in ((ell, 5.0), (comb, 8.0)):
        for shift in range(len(ring)):
            plan = np.roll(np.array(ring, dtype=float), shift, axis=0)
            points = plan @ frame + [5.0, -3.0, 1.0]
            faces = triangulate(points, np.array([len(ring)]), np.arange(len(ring)))
            mesh = Mesh(points, faces)
            normal = np.cross(frame[0], frame[1])
            assert len(faces) == len(ring) - 2
            assert (mesh.cross @ normal > 0.0).all()
            assert mesh.area == pytest.approx(area)


def ply(head: str, body: bytes, form: str = "ascii") -> bytes:
    return f"ply\nformat {form} 1.0\ncomment x\n{head}end_header\n".encode() + body


HEAD = (
    "element vertex 8\nproperty float x\nproperty float y\nproperty float z\nproperty uchar red\n"
    "element face 6\nproperty uchar flag\nproperty list uchar int vertex_indices\n"
)


def test_ply_in_all_three_forms_with_quads_and_extra_properties(tmp_path):
    rows = [f"{x} {y} {z} 7" for x, y, z in V.tolist()]
    rows += ["1 4 " + " ".join(str(i - 1) for i in q) for q in QUADS]
    meshes = [read_part(saved(tmp_path / "a.ply", ply(HEAD, "\n".join(rows).encode()))).mesh]
    for name, order, form in (("b", "<", "binary_little_endian"), ("c", ">", "binary_big_endian")):
        v = np.zeros(8, np.dtype([("p", order + "f4", 3), ("r", "u1")]))
        v["p"] = V
        f = np.zeros(6, np.dtype([("g", "u1"), ("n", "u1"), ("i", order + "i4", 4)]))
        f["n"], f["i"] = 4, np.array(QUADS) - 1
        data = ply(HEAD, v.tobytes() + f.tobytes(), form)
        meshes.append(read_part(saved(tmp_path / f"{name}.ply", data)).mesh)
    for mesh in meshes:
        assert mesh.volume == pytest.approx(6000.0)
        assert np.array_equal(mesh.triangles, meshes[0].triangles)


def test_ply_with_rows_of_unequal_length(tmp_path):
    v = V.astype("<f8").tobytes()
    f = b"".join(
        bytes([len(q)]) + np.array(q, "<u2").tobytes()
        for q in [[0, 2, 3], [0, 3, 1], *[[i - 1 for i in r] for r in QUADS[1:]]]
    )
    head = (
        "element vertex 8\nproperty double x\nproperty double y\nproperty double z\n"
        "element face 7\nproperty list uchar ushort vertex_index\n"
    )
    part = read_part(saved(tmp_path / "m.ply", ply(head, v + f, "binary_little_endian")))
    assert part.mesh.volume == pytest.approx(6000.0)


OFF = (
    "OFF\n8 6 0\n"
    + "\n".join(f"{x} {y} {z}" for x, y, z in V.tolist())
    + "\n"
    + "\n".join("4 " + " ".join(str(i - 1) for i in q) for q in QUADS)
)


def test_off_with_comments_and_colours(tmp_path):
    text = (
        OFF.replace("OFF\n8", "OFF # part\n# mill\n\n8").replace("\n4 0", "\n4 0", 1) + " 255 0 0"
    )
    assert read_part(saved(tmp_path / "a.off", text.encode())).mesh.volume == pytest.approx(6000.0)


@pytest.mark.parametrize(
    ("name", "data", "told"),
    [
        ("a.obj", obj().replace(b"f 1 3", b"f 1 99"), "vertex that is not there"),
        ("a.obj", obj().replace(b"f 1 3", b"f 0 3"), "vertex that is not there"),
        ("a.obj", obj().replace(b"f 1 3", b"f 1 x"), "whole number"),
        ("a.obj", obj().replace(b"v 10.0 0.0 0.0", b"v 10.0 0.0"), "line 2 is not a vertex"),
        ("a.obj", obj().replace(b"v 10.0 0.0 0.0", b"v ten 0.0 0"), "line 2 is not a vertex"),
        ("a.obj", obj().replace(b"v 10.0 0.0 0.0", b"v nan 0.0 0"), "not finite"),
        ("a.obj", obj() + b"\ncurv 0 1 1 2", "free-form"),
        ("a.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\n", "no facet"),
        ("a.off", OFF[:80].encode(), "truncated"),
        ("a.off", b"OFF\n", "counts of vertices"),
        ("a.off", OFF.replace("\n4 0", "\n4.5 0", 1).encode(), "not a face"),
        ("a.off", OFF.replace("OFF\n8 6", "OFF\n8 99999999999").encode(), "over the limit"),
        ("a.off", OFF.replace("OFF", "OFF BINARY").encode(), "only ASCII OFF"),
        ("a.off", OFF.replace("\n4 0", "\n4 88", 1).encode(), "vertex that is not there"),
        ("a.ply", b"ply\nformat ascii 1.0\n", "truncated"),
        ("a.ply", ply("element vertex 8\nproperty float x\n", b""), "no face element"),
        ("a.ply", ply(HEAD, b"1 2 3"), "truncated"),
        ("a.ply", ply(HEAD, b"1 2 3", "binary_little_endian"), "truncated"),
        ("a.ply", ply(HEAD.replace("8", "-8"), b""), "unreadable PLY header"),
        ("a.ply", ply(HEAD.replace("float x", "quaternion x"), b""), "unreadable PLY header"),
        ("a.ply", ply(HEAD, b"x " * 200), "numbers"),
        ("a.ply", ply(HEAD.replace("face 6", "face 3000000000"), b"1 " * 99), "over the limit"),
    ],
)
def test_damaged_files_are_refused_in_one_sentence(tmp_path, name, data, told):
    with pytest.raises(FileFault) as caught:
        read_part(saved(tmp_path / name, data))
    message = str(caught.value)
    assert told in message
    assert name in message
    assert "\n" not in message


STEP = b"ISO-10303-21;\nHEADER;\nENDSEC;\n"


@pytest.mark.parametrize(
    ("name", "data", "told"),
    [
        ("a.obj", binary_stl(soup(box())), "named as OBJ but seems to be STL"),
        ("a.stl", obj(), "named as STL but seems to be OBJ"),
        ("a.stl", OFF.encode(), "named as STL but seems to be OFF"),
        ("a.3mf", ascii_stl(soup(box())), "named as 3MF but seems to be STL"),
        ("a.stl", b"PK\x05\x06" + b"\0" * 18, "zip archive"),
        ("a.stl", STEP, "a STEP file"),
        ("a.step", STEP, "a STEP file"),
        ("a.stl", b"%PDF-1.7\n", "a PDF document"),
        ("a.stl", b"<!DOCTYPE html><html>", "a web page"),
        ("a.dat", binary_stl(soup(box())), "is not named so"),
        ("a.txt", b"hello there", "of no known kind"),
        ("a.ply", b"hello there", "something else"),
        ("a.off", b"", "empty"),
    ],
)
def test_wrongly_named_files_are_told_what_they_seem_to_be(tmp_path, name, data, told):
    with pytest.raises(FileFault, match=told):
        read_part(saved(tmp_path / name, data))
