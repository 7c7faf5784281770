"""Choosing faces by words, and what is said where the words name nothing."""

from __future__ import annotations

import numpy as np
import pytest

from patternprep.errors import UsageFault
from patternprep.mesh.faces import FaceSet, find_faces
from patternprep.mesh.kernel import Solid
from patternprep.pattern.select import nearest_face, parse_stock, select_faces


@pytest.fixture(scope="module")
def faces() -> FaceSet:
    """Step block 60 x 40, 10 and 30 high, with two bores."""
    body = Solid.box((0, 0, 0), (60, 40, 10)) + Solid.box((0, 0, 0), (30, 40, 30))
    body -= Solid.cylinder(60.0, 5.0, segments=48).translate((15, 20, -10))
    body -= Solid.cylinder(60.0, 3.0, segments=48).translate((45, 20, -10))
    return find_faces(body.to_mesh())


def names(faces: FaceSet, text: str) -> list[str]:
    return [f.name for f in select_faces(faces, text)]


def test_direction_names_every_plane_that_faces_it(faces: FaceSet) -> None:
    assert sorted(round(f.point[2]) for f in select_faces(faces, "+z")) == [10, 30]
    assert [round(f.point[2]) for f in select_faces(faces, "+z top")] == [30]
    assert all(f.normal[0] == pytest.approx(-1.0) for f in select_faces(faces, "-x"))


def test_names_kinds_points_and_all(faces: FaceSet) -> None:
    assert names(faces, "bore 1") == ["bore 1"]
    assert names(faces, "Bore 2") == ["bore 2"]
    assert names(faces, "bores") == ["bore 1", "bore 2"]
    assert names(faces, "holes") == ["bore 1", "bore 2"]
    assert len(names(faces, "all")) == len(faces)
    (top,) = select_faces(faces, "at 5, 5, 30")
    assert top.normal[2] == pytest.approx(1.0)
    (bore,) = select_faces(faces, "at 20,20,15")
    assert bore.name == "bore 1"


def test_several_are_separated_by_semicolons_or_commas_and_named_once(faces: FaceSet) -> None:
    assert names(faces, "bore 2; bore 1; bores") == ["bore 2", "bore 1"]
    assert names(faces, "bore 1, at 20,20,15, bore 2") == ["bore 1", "bore 2"]
    at_both = select_faces(faces, "at 5,5,30; at 50,5,10")
    assert [round(f.point[2]) for f in at_both] == [30, 10]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("bore 9", "'bore 1' to 'bore 2'"),
        ("bosses", "the part has"),
        ("boar 1", "did you mean 'bore 1'"),
        ("", "No face is named"),
        ("at 100,20,35", "mm away"),
        ("+q", "names no face"),
    ],
)
def test_what_is_not_there_is_told(faces: FaceSet, text: str, told: str) -> None:
    with pytest.raises(UsageFault, match="(?s)" + told.replace("(", r"\(")):
        select_faces(faces, text)


def test_a_direction_that_no_plane_faces_names_the_nearest() -> None:
    turn = np.eye(4)
    turn[:2, :2] = [[np.cos(0.2), -np.sin(0.2)], [np.sin(0.2), np.cos(0.2)]]
    tilted = find_faces(Solid.box((0, 0, 0), (10, 20, 30)).transform(turn).to_mesh())
    with pytest.raises(UsageFault, match=r"11\.5 degrees off"):
        select_faces(tilted, "+x")
    assert len(select_faces(tilted, "+z")) == 1


def test_every_face_is_found_again_by_its_own_point(faces: FaceSet) -> None:
    for face in faces:
        again, distance = nearest_face(faces, np.array(face.point))
        assert again.name == face.name
        assert distance < 1e-9


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("+z=2 mm", ("+z", "2 mm")),
        ("bore 1 = 1/16 in", ("bore 1", "1/16 in")),
        ("bores=table", ("bores", "table")),
        ("at 10,0,35=2 mm", ("at 10,0,35", "2 mm")),
    ],
)
def test_stock_text(text: str, parts: tuple[str, str]) -> None:
    assert parse_stock(text) == parts


@pytest.mark.parametrize("text", ["+z", "=2 mm", "+z=", "+z=2=3"])
def test_stock_text_without_face_or_amount(text: str) -> None:
    with pytest.raises(UsageFault, match="how much stock"):
        parse_stock(text)
