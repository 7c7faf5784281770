"""Names hang on the part, not on the order of its file or its facets."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from patternprep.mesh.faces import FaceSet, find_faces
from patternprep.mesh.faces.order import by_size_and_place
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import Mesh


def part(segments: int) -> Mesh:
    body = Solid.box((0, 0, 0), (90, 60, 20))
    for x, y, r in ((15, 15, 6), (75, 15, 6), (15, 45, 6), (75, 45, 6), (45, 30, 14)):
        body -= Solid.cylinder(40.0, r, segments=segments).translate((x, y, -10))
    body += Solid.cylinder(12.0, 8.0, segments=segments).translate((45, 10, 15))
    return body.to_mesh()


def shuffled(mesh: Mesh, seed: int) -> Mesh:
    rng = np.random.default_rng(seed)
    order = rng.permutation(len(mesh.vertices))
    back = np.argsort(order)
    faces = back[mesh.faces][rng.permutation(mesh.facets)]
    turns = rng.integers(0, 3, size=mesh.facets)
    faces = np.stack([np.roll(f, t) for f, t in zip(faces, turns, strict=True)])
    vertices = mesh.vertices[order].astype(np.float32).astype(np.float64)
    return Mesh(vertices, faces)


def seen(faces: FaceSet) -> list[tuple[str, tuple[float, ...]]]:
    """Name and place of the axis, or plane, of each face."""
    told = []
    for f in faces:
        where = f.axis_point if f.axis_point is not None else f.normal
        told.append((f.name, tuple(round(c, 2) + 0.0 for c in where)))
    return told


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 10_000))
def test_names_survive_shuffling_and_rounding(seed: int) -> None:
    mesh = part(48)
    assert seen(find_faces(shuffled(mesh, seed))) == seen(find_faces(mesh))


def test_names_survive_another_fineness() -> None:
    assert seen(find_faces(part(48))) == seen(find_faces(part(120)))


def test_nothing_is_asked_twice_of_the_same_mesh() -> None:
    mesh = part(24)
    assert find_faces(mesh) is find_faces(mesh)


def test_order_by_size_then_place() -> None:
    areas = np.array([5.0, 9.0, 5.000001, 5.0])
    places = np.array([[2.0, 0, 0], [0, 0, 0], [1.0, 0, 0], [2.0 + 1e-7, -3.0, 0]])
    assert by_size_and_place(areas, places, 1e-4) == [1, 2, 3, 0]


def test_a_mesh_without_facets_has_no_faces() -> None:
    empty = Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64))
    assert len(find_faces(empty)) == 0
