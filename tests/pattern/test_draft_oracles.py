"""The hull against two other ways to the same solid, and properties on random solids and poses.

Oracles: the kernel's Minkowski sum with a cone, and the union, layer by layer in the plane, of
sections grown by the height between them times the tangent of the angle (shapely).
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import shapely
from hull_checks import assert_draws
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from patternprep.errors import PatternprepError
from patternprep.mesh.kernel import Solid, hull_of_points, union_all
from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.draft import draft_half, draft_pattern

MIRROR = np.diag([1.0, 1.0, -1.0, 1.0])


def stepped() -> Solid:
    body = Solid.box((-30, -20, 0), (30, 20, 12)) + Solid.box((-20, -15, 0), (10, 15, 30))
    body = body + Solid.box((5, -8, 20), (25, 8, 28))
    return body - Solid.cylinder(40, 6, 8, 32).translate((-8, 0, 10))


def wedge_on_plate() -> Solid:
    points = np.array([[-8, -3, 4], [8, -3, 4], [-8, 4, 4], [8, 4, 4], [-5, 0, 18], [7, 1, 14]])
    return Solid.box((-14, -9, 0), (14, 9, 5)) + hull_of_points(points.astype(float))


def leaning_post() -> Solid:
    post = Solid.cylinder(30, 5, 3, 20)
    lean = np.eye(4)
    lean[0, 2] = 0.3
    return Solid.box((-12, -12, 0), (18, 12, 4)) + post.transform(lean)


def ring() -> Solid:
    return Solid.cylinder(14, 16, segments=40) - Solid.cylinder(20, 9, 11, 40).translate((0, 0, -2))


BODIES: dict[str, Callable[[], Solid]] = {
    f.__name__: f for f in (stepped, wedge_on_plate, leaning_post, ring)
}


@pytest.mark.parametrize("name", BODIES)
def test_minkowski_sum_with_a_cone(name: str) -> None:
    angle = 3.0
    half = BODIES[name]()
    height = float(half.bounds[1, 2])
    segments = 96
    reach = height * math.tan(math.radians(angle))
    # inscribed cone: the sum lies inside the exact hull by at most the polygon's sagitta
    cone = Solid.cylinder(height, reach, 0.0, segments).translate((0, 0, -height))
    oracle = half.minkowski_sum(cone).trim_by_plane((0, 0, 1), 0.0)
    drafted = draft_half(half, angle, corner="round").solid
    slack = reach * (1.0 - math.cos(math.pi / segments))
    assert (oracle - drafted).volume <= 0.003 * half.area
    grown = drafted.volume - oracle.volume
    assert grown <= (slack + 0.006) * oracle.area


def area_of(rings: list[FloatArray]) -> shapely.Geometry:
    polygons = [shapely.Polygon(r) for r in rings if len(r) >= 3]
    outer = shapely.union_all([p for p in polygons if p.exterior.is_ccw])
    return shapely.difference(
        outer, shapely.union_all([p for p in polygons if not p.exterior.is_ccw])
    )


def outside(shape: shapely.Geometry, other: shapely.Geometry) -> float:
    points = shapely.get_coordinates(shapely.segmentize(shapely.boundary(shape), 0.5))
    return float(shapely.distance(shapely.points(points), other).max()) if len(points) else 0.0


@pytest.mark.parametrize("angle", [1.0, 4.0])
@pytest.mark.parametrize("name", BODIES)
def test_layers_grown_in_the_plane(name: str, angle: float) -> None:
    half = BODIES[name]()
    top = float(half.bounds[1, 2])
    step = 0.05
    slope = math.tan(math.radians(angle))
    corners = np.unique(np.round(half.to_mesh().vertices[:, 2], 9)) - 1e-6
    drafted = draft_half(half, angle, corner="round").solid
    for z in (0.02, 0.31 * top, 0.63 * top):
        layers = np.unique(np.concatenate([[z], np.arange(z, top, step), corners[corners > z]]))
        grown = [
            shapely.buffer(area_of(half.section(float(h))), (h - z) * slope, quad_segs=32)
            for h in layers
        ]
        reference = shapely.union_all(grown)
        found = area_of(drafted.section(float(z)))
        assert outside(reference, found) <= 0.003
        assert outside(found, reference) <= 0.01 + step * slope + 0.0005 * top * slope


@st.composite
def solids(draw: st.DrawFn) -> Solid:
    """A few boxes, cylinders, spheres and hulls added and cut, anyhow turned."""
    number = st.floats(-1.0, 1.0, width=32)
    parts: list[Solid] = []
    for _ in range(draw(st.integers(1, 4))):
        kind = draw(st.sampled_from(["box", "cylinder", "sphere", "hull"]))
        a, b, c = (8.0 + 5.0 * draw(number) for _ in range(3))
        at = [12.0 * draw(number) for _ in range(3)]
        if kind == "box":
            solid = Solid.box((-a, -b, -c), (a, b, c))
        elif kind == "cylinder":
            solid = Solid.cylinder(2 * a, b, c, draw(st.integers(5, 40))).translate((0, 0, -a))
        elif kind == "sphere":
            solid = Solid.sphere(a, draw(st.integers(8, 40)))
        else:
            seed = draw(st.integers(0, 10_000))
            solid = hull_of_points(np.random.default_rng(seed).normal(size=(9, 3)) * 7.0)
        if draw(st.booleans()):
            solid = solid.transform(pose(draw(st.integers(0, 10_000))))
        solid = solid.translate(at)
        parts.append(solid)
    body = union_all(parts[:2])
    for cutter in parts[2:]:
        less = body - cutter
        body = less if not less.is_empty else body
    return body


def pose(seed: int) -> FloatArray:
    q, r = np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))
    q = q * np.sign(np.diag(r))
    if np.linalg.det(q) < 0:
        q[:, 0] = -q[:, 0]
    matrix = np.eye(4)
    matrix[:3, :3] = q
    return matrix


@settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
@given(
    body=solids(),
    angle=st.floats(0.5, 5.0),
    corner=st.sampled_from(["mitred", "round"]),
    shift=st.floats(-0.4, 0.4),
)
def test_any_solid_draws(body: Solid, angle: float, corner: str, shift: float) -> None:
    low, high = body.bounds[:, 2]
    body = body.translate((0, 0, float(-0.5 * (low + high) + shift * (high - low))))
    cope, drag = body.split_by_plane()
    pattern = draft_pattern(cope, drag, angle, corner=corner)  # type: ignore[arg-type]
    for half, given_half, m in ((pattern.cope, cope, np.eye(4)), (pattern.drag, drag, MIRROR)):
        assert half is not None
        assert_draws(half.transform(m).to_mesh(), angle, given_half.transform(m).to_mesh())
    assert pattern.undercut_filled_mm3 >= 0.0
    assert pattern.draft_mm3 >= -1e-6 * body.volume
    assert pattern.step_mm <= 0.03


@settings(max_examples=15, deadline=None, derandomize=True)
@given(body=solids(), angle=st.floats(0.5, 5.0))
def test_drafting_a_hull_again_adds_nothing(body: Solid, angle: float) -> None:
    half = body.translate((0, 0, -float(body.bounds[:, 2].mean()))).trim_by_plane()
    once = draft_half(half, angle, corner="round").solid
    twice = draft_half(once, angle, corner="round").solid
    assert twice.volume == pytest.approx(once.volume, rel=2e-4)


def test_finer_body_grows_no_facets() -> None:
    part = Solid.sphere(30, 200) + Solid.cylinder(80, 12, segments=400).translate((0, 0, -40))
    cope, drag = part.split_by_plane()
    assert part.facets > 20_000
    pattern = draft_pattern(cope, drag, 2.0)
    assert pattern.cope is not None
    assert pattern.drag is not None
    assert pattern.cope.facets + pattern.drag.facets <= part.facets


def trial_meshes() -> list[Path]:
    folder = os.environ.get("PATTERNPREP_MESHES", "")
    if not folder or not Path(folder).is_dir():
        return []
    return sorted(p for p in Path(folder).iterdir() if p.suffix.lower() in (".stl", ".ply", ".obj"))


@pytest.mark.slow
@pytest.mark.skipif(not trial_meshes(), reason="PATTERNPREP_MESHES names no folder of meshes")
@pytest.mark.parametrize("path", trial_meshes(), ids=lambda p: p.name)
def test_trial_mesh_draws(path: Path) -> None:
    from patternprep.mesh.read.part import read_part

    if path.stat().st_size > 3_000_000:
        pytest.skip("left to the benchmark")
    try:
        mesh = read_part(path).mesh
    except PatternprepError as refused:
        pytest.skip(refused.message)
    scale = 150.0 / float(mesh.size.max())
    solid = Solid.from_mesh(mesh).transform(np.diag([scale, scale, scale, 1.0]))
    solid = solid.translate((-solid.bounds.mean(axis=0)).tolist())
    pattern = draft_pattern(*solid.split_by_plane(), 2.0)
    for half, m in ((pattern.cope, np.eye(4)), (pattern.drag, MIRROR)):
        assert half is not None
        assert_draws(half.transform(m).to_mesh(), 2.0)
