"""The strict checker finds each planted fault and passes what is sound."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mesh_shapes import box, joined, turned

from patternprep.errors import MeshFault
from patternprep.mesh.check import check_mesh, require_sound
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import Mesh


def test_a_box_is_sound():
    report = check_mesh(box())
    assert report.sound
    assert (report.facets, report.vertices, report.shells, report.voids) == (12, 8, 1, 0)
    assert report.volume_mm3 == pytest.approx(6000.0)
    assert require_sound(box(), "box") == report


def test_a_hollow_is_a_void():
    report = check_mesh(joined(box(), turned(box((2, 2, 2), (8, 8, 8)))))
    assert report.sound
    assert (report.shells, report.voids) == (1, 1)
    assert report.volume_mm3 == pytest.approx(6000.0 - 216.0)


@settings(max_examples=30, deadline=None)
@given(index=st.integers(0, 11))
def test_a_missing_facet_is_found_where_it_was(index):
    mesh = box()
    report = check_mesh(Mesh(mesh.vertices, np.delete(mesh.faces, index, axis=0)))
    assert report.open_edges == report.bad_edges == 3
    assert "open along 3 edges" in report.fault
    gone = mesh.triangles[index]
    low, high = gone.min(axis=0) - 1e-9, gone.max(axis=0) + 1e-9
    assert ((report.where >= low) & (report.where <= high)).all()


@pytest.mark.parametrize(
    ("change", "told", "field"),
    [
        (lambda f: np.vstack([f, f[:1]]), "twice", "duplicate_facets"),
        (lambda f: np.vstack([f[:3], f[3:4, ::-1], f[4:]]), "against each other", "flipped_edges"),
        (lambda f: np.vstack([f, [[0, 7, 3]]]), "open", "open_edges"),
    ],
)
def test_each_fault_has_its_name(change, told, field):
    mesh = box()
    report = check_mesh(Mesh(mesh.vertices, change(mesh.faces)))
    assert not report.sound
    assert told in report.fault
    assert getattr(report, field) > 0


def test_inside_out_touching_flat_and_not_finite():
    assert "no volume" in check_mesh(turned(box())).fault
    cubes = joined(box((0, 0, 0), (1, 1, 1)), box((1, 1, 0), (2, 2, 1)))
    assert check_mesh(cubes).sound
    _, index = np.unique(cubes.vertices, axis=0, return_inverse=True)
    welded = Mesh(np.unique(cubes.vertices, axis=0), index.reshape(-1)[cubes.faces])
    report = check_mesh(welded)
    assert report.pinched_edges == report.bad_edges == 1
    assert "more than two facets" in report.fault
    assert np.allclose(report.where, (1.0, 1.0, 0.5))
    points = box().vertices.copy()
    points[7] = points[3]
    assert check_mesh(Mesh(points, box().faces)).degenerate_facets == 2
    points[7] = np.nan
    assert "no number" in check_mesh(Mesh(points, box().faces)).fault
    assert check_mesh(Mesh(np.empty((0, 3)), np.empty((0, 3)))).fault == "holds no facet"


def test_a_facet_in_line_has_no_area():
    mesh = box((0, 0, 0), (2, 2, 2))
    points = np.vstack([mesh.vertices, [[1.0, 0.0, 0.0]]])
    faces = np.vstack([mesh.faces, [[0, 1, 8]]])
    assert check_mesh(Mesh(points, faces)).degenerate_facets == 1


def test_require_sound_names_the_file_and_the_place():
    mesh = box()
    with pytest.raises(MeshFault, match=r"^kit/cope.stl is open along 3 edges at \(") as caught:
        require_sound(Mesh(mesh.vertices, mesh.faces[1:]), "kit/cope.stl")
    assert caught.value.where is not None


def test_counts_agree_with_the_kernel():
    solid = Solid.sphere(10, 60) - Solid.sphere(5, 40) + Solid.box((20, 0, 0), (22, 2, 2))
    report = check_mesh(solid.to_mesh())
    assert report.sound
    assert (report.shells, report.voids) == (2, 1)
    assert report.volume_mm3 == pytest.approx(solid.volume)
    assert len(solid.bodies()) == report.shells + report.voids
