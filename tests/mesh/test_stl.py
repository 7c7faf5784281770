"""STL: what is in the file is what is read; damaged files are refused in one sentence."""

from __future__ import annotations

import os

import numpy as np
import pytest
import stl as numpy_stl
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from mesh_shapes import ascii_stl, binary_stl, box, saved, soup

from patternprep.errors import FileFault
from patternprep.mesh.read.stl import read_stl

FLOAT32 = st.floats(width=32, allow_nan=False, allow_infinity=False)


@settings(max_examples=40, deadline=None)
@given(
    corners=arrays(
        np.float32, st.tuples(st.integers(1, 6), st.just(3), st.just(3)), elements=FLOAT32
    )
)
@pytest.mark.parametrize("make", [binary_stl, ascii_stl])
def test_every_coordinate_comes_back_exactly(tmp_path_factory, make, corners):
    path = saved(tmp_path_factory.mktemp("stl") / "a.stl", make(corners))
    mesh = read_stl(path)
    assert np.array_equal(mesh.triangles, corners.astype(np.float64))
    assert len(np.unique(mesh.vertices, axis=0)) == len(mesh.vertices)


def test_agrees_with_numpy_stl(tmp_path):
    corners = np.random.default_rng(3).normal(size=(50, 3, 3)).astype(np.float32)
    for name, data in (("a.stl", ascii_stl(corners)), ("b.stl", binary_stl(corners))):
        path = saved(tmp_path / name, data)
        other = numpy_stl.mesh.Mesh.from_file(str(path), calculate_normals=False)
        assert np.array_equal(read_stl(path).triangles, other.vectors.astype(np.float64))


def test_equal_corners_become_one_vertex_in_order_of_appearance(tmp_path):
    mesh = read_stl(saved(tmp_path / "box.stl", binary_stl(soup(box()))))
    assert len(mesh.vertices) == 8
    assert mesh.faces[0].tolist() == [0, 1, 2]
    assert mesh.volume == pytest.approx(6000.0)


def test_minus_zero_is_zero(tmp_path):
    corners = soup(box())
    corners[::2] = np.where(corners[::2] == 0.0, np.float32(-0.0), corners[::2])
    mesh = read_stl(saved(tmp_path / "z.stl", binary_stl(corners)))
    assert len(mesh.vertices) == 8
    assert not np.signbit(mesh.vertices).any()


@pytest.mark.parametrize(
    "header",
    [
        b"",
        b"solid looks like text",
        b"\xff\xfe\x80 invalid",
        b"solid facet normal",
        "铸件".encode(),
    ],
)
def test_any_header_of_a_binary_file_is_fine(tmp_path, header):
    mesh = read_stl(saved(tmp_path / "h.stl", binary_stl(soup(box()), header)))
    assert mesh.facets == 12


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("name", ["", "中文 月", "solid facet endsolid", "a b  c"])
def test_ascii_names_and_line_ends(tmp_path, newline, name):
    mesh = read_stl(saved(tmp_path / "n.stl", ascii_stl(soup(box()), name, newline)))
    assert mesh.facets == 12


def test_ascii_in_capitals_tabs_several_solids_and_odd_normals(tmp_path):
    text = (
        ascii_stl(soup(box()))
        .upper()
        .replace(b"  ", b"\t")
        .replace(b"NORMAL 0 0 0", b"NORMAL nan -nan(ind) 1.#QNAN")
    )
    mesh = read_stl(saved(tmp_path / "c.stl", text + ascii_stl(soup(box((50, 0, 0), (60, 1, 1))))))
    assert mesh.facets == 24


def test_a_few_trailing_bytes_are_passed_over(tmp_path):
    assert read_stl(saved(tmp_path / "t.stl", binary_stl(soup(box())) + b"\0")).facets == 12
    assert read_stl(saved(tmp_path / "u.stl", ascii_stl(soup(box())) + b"\0\0\x1a")).facets == 12


GOOD = soup(box())
BAD_NUMBER = GOOD.copy()
BAD_NUMBER[7, 1, 2] = np.nan
INFINITE = GOOD.copy()
INFINITE[3, 0, 0] = np.inf


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"", "empty"),
        (b"solid", "truncated"),
        (b"\0" * 40, "too short"),
        (binary_stl(GOOD)[:-1], "truncated"),
        (binary_stl(GOOD)[:300], "holds 4"),
        (binary_stl(GOOD, count=4_000_000_000), "4000000000"),
        (binary_stl(GOOD, count=5), "contradicts itself"),
        (binary_stl(GOOD[:0]), "no facet"),
        (binary_stl(BAD_NUMBER), "facet 8"),
        (binary_stl(INFINITE), "facet 4"),
        (b"solid x\nendsolid x\n", "no facet"),
        (ascii_stl(GOOD)[:-200], "truncated"),
        (ascii_stl(GOOD).replace(b"endloop", b"", 1), "facet 1"),
        (ascii_stl(GOOD).replace(b"30.0", b"thirty", 1), "damaged"),
        (ascii_stl(GOOD).replace(b"30.0", b"3,0", 1), "damaged"),
        (ascii_stl(GOOD).replace(b"30.0", b"nan", 1), "not a finite number"),
        (ascii_stl(GOOD).replace(b"30.0", b"1e60", 1), "not a finite number"),
        (ascii_stl(GOOD).replace(b"vertex", b"vertex 1", 1), "facet 1 (line 2)"),
        (
            ascii_stl(GOOD).replace(b"      vertex", b"      vertex 0 0 0\n      vertex", 1),
            "facet 1",
        ),
        (ascii_stl(GOOD).replace(b"endsolid", b"rubbish\nendsolid"), "facet 13"),
    ],
)
def test_damaged_files_are_refused_in_one_sentence(tmp_path, data, told):
    path = saved(tmp_path / "bad.stl", data)
    with pytest.raises(FileFault) as caught:
        read_stl(path)
    message = str(caught.value)
    assert told in message
    assert "bad.stl" in message
    assert "\n" not in message
    assert message.endswith(".")


def test_absent_folder_unreadable(tmp_path):
    with pytest.raises(FileFault, match="does not exist"):
        read_stl(tmp_path / "none.stl")
    with pytest.raises(FileFault, match="is a folder"):
        read_stl(tmp_path)
    with pytest.raises(FileFault, match="cannot be read"):
        read_stl("a\0b.stl")
    path = saved(tmp_path / "locked.stl", binary_stl(GOOD))
    path.chmod(0)
    if os.geteuid() != 0:
        with pytest.raises(FileFault, match="permissions"):
            read_stl(path)
    path.chmod(0o600)


def test_facet_limit_is_stated_and_adjustable(tmp_path):
    path = saved(tmp_path / "box.stl", binary_stl(GOOD))
    with pytest.raises(FileFault, match="12 facets, over the limit of 11"):
        read_stl(path, facet_limit=11)
    assert read_stl(path, facet_limit=12).facets == 12
