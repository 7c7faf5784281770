"""Stock on random convex bodies against the exact intersection of half-spaces."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull, HalfspaceIntersection

from patternprep.mesh.faces import find_faces
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.pattern.stock import add_stock

TANGENT = np.cos(np.radians(25.5))


def hull_of(normals: FloatArray, offsets: FloatArray) -> ConvexHull:
    points = HalfspaceIntersection(np.c_[normals, -offsets], np.zeros(3)).intersections
    return ConvexHull(points)


def mesh_of(hull: ConvexHull) -> Mesh:
    facets = hull.simplices.copy()
    a, b, c = hull.points[facets].transpose(1, 0, 2)
    inward = np.einsum("ij,ij->i", np.cross(b - a, c - a), hull.equations[:, :3]) < 0.0
    facets[inward] = facets[inward][:, ::-1]
    return Mesh(hull.points, facets)


@settings(max_examples=60, deadline=None, derandomize=True, database=None)
@given(st.integers(0, 100_000), st.integers(5, 15), st.integers(1, 3))
def test_moved_planes_of_a_convex_body_are_exact(seed: int, planes: int, chosen: int) -> None:
    rng = np.random.default_rng(seed)
    normals = rng.normal(size=(planes, 3))
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    normals = np.concatenate([normals, np.eye(3), -np.eye(3)])
    offsets = rng.uniform(10.0, 20.0, size=len(normals))
    mesh = mesh_of(hull_of(normals, offsets))
    faces = find_faces(mesh)
    assert len(faces.of_kind("plane")) + len(faces.of_kind("free")) == len(faces)
    assume(not faces.of_kind("free"))
    picked = rng.choice(len(faces), size=min(chosen, len(faces)), replace=False)
    asked = [(faces.faces[i], float(rng.uniform(0.05, 2.0))) for i in picked]
    every = np.array([f.normal for f in faces])
    # planes nearer than 25 degrees to a moved one are stepped, not extended
    assume(all(np.sort(every @ np.array(f.normal))[-2] < TANGENT for f, _ in asked))
    present = (normals @ every.T).max(axis=1) > 1.0 - 1e-9
    moved = offsets.copy()
    for face, amount in asked:
        moved[np.argmax(normals @ np.array(face.normal))] += amount
    want = hull_of(normals[present], moved[present]).volume
    result = add_stock(mesh, asked)
    assert Solid.from_mesh(result.mesh).volume == pytest.approx(result.mesh.volume, rel=1e-7)
    assert len(result.checks) == len(asked)
    if all(c.method == "solved" for c in result.checks):
        assert result.mesh.volume == pytest.approx(want, rel=1e-9)
    elif all(c.method != "prism" for c in result.checks):
        assert result.mesh.volume == pytest.approx(want, rel=1e-7)
    else:
        # a face that would shrink to nothing stands on a straight step instead, and says so
        assert result.mesh.volume > mesh.volume


@pytest.mark.xfail(strict=True, reason="the union of the moved plane leaves a slit; not mended yet")
def test_a_plane_whose_stock_leaves_a_slit() -> None:
    test_moved_planes_of_a_convex_body_are_exact.hypothesis.inner_test(637, 8, 2)
