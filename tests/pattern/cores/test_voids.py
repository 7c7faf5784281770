"""Holes found on parts, each kind against the closed form of its own polygons."""

from __future__ import annotations

import numpy as np
import pytest
from cored_shapes import KINDS, block, bolt_holes, ngon_area, opens_in_recess, rod, stepped
from hypothesis import example, given, settings
from hypothesis import strategies as st

from patternprep.mesh.check import check_mesh
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import Mesh
from patternprep.mesh.read.stl import weld
from patternprep.pattern.cores.assemble import close_voids
from patternprep.pattern.cores.model import Void
from patternprep.pattern.cores.voids import fill_voids, find_voids, join_voids


def clusters(mesh: Mesh, voids: tuple[Void, ...]) -> list[Void]:
    """Holes that lead into each other joined, largest first."""
    left, found = {v.name: v for v in voids}, []
    while left:
        todo, group = [next(iter(left))], []
        while todo:
            name = todo.pop()
            if name in left:
                group.append(left.pop(name))
                todo += [o.beyond for o in group[-1].openings if o.beyond]
        found.append(join_voids(mesh, sorted(group, key=lambda v: -v.volume_mm3)))
    return sorted(found, key=lambda v: -v.volume_mm3)


def winding(mesh: Mesh, point: np.ndarray) -> float:
    """How often the surface winds about a point: 1 inside, 0 outside (solid angles of facets)."""
    a, b, c = (mesh.triangles[:, i] - point for i in range(3))
    la, lb, lc = (np.linalg.norm(v, axis=1) for v in (a, b, c))
    above = np.einsum("ij,ij->i", a, np.cross(b, c))
    dots = [np.einsum("ij,ij->i", u, v) for u, v in ((a, b), (b, c), (c, a))]
    below = la * lb * lc + dots[0] * lc + dots[1] * la + dots[2] * lb
    return float(np.arctan2(above, below).sum() / (2.0 * np.pi))


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_of_hole_has_the_volume_of_its_polygons(kind: str):
    made = KINDS[kind]()
    mesh = made.part.to_mesh()
    voids = find_voids(mesh)
    assert len(voids) == made.single
    joined = clusters(mesh, voids)
    assert [v.volume_mm3 for v in joined] == pytest.approx(sorted(made.volumes)[::-1], rel=1e-9)
    assert [len(v.openings) for v in joined] == list(made.mouths)
    for void in (*voids, *joined):
        assert check_mesh(void.mesh).fault is None
        assert void.mesh.volume == void.volume_mm3
    assert not any(o.beyond for v in joined for o in v.openings)


@pytest.mark.parametrize("kind", KINDS)
def test_part_and_voids_together_fill_the_part_exactly(kind: str):
    made = KINDS[kind]()
    mesh = made.part.to_mesh()
    voids = find_voids(mesh)
    expected = made.part.volume + sum(made.volumes)
    for source in (None, mesh):
        filled, solids, bad = close_voids(made.part, voids, source)
        assert bad is None
        assert len(solids) == made.single
        assert filled.volume == pytest.approx(expected, rel=1e-9)
        assert find_voids(filled.to_mesh()) == ()


@pytest.mark.parametrize("kind", KINDS)
def test_filling_some_holes_leaves_the_others(kind: str):
    made = KINDS[kind]()
    mesh = made.part.to_mesh()
    for void in find_voids(mesh):
        filled = fill_voids(mesh, [void])
        assert check_mesh(filled).fault is None
        assert filled.volume == pytest.approx(mesh.volume + void.volume_mm3, rel=1e-9)


@pytest.mark.parametrize("kind", KINDS)
def test_mouths_lie_in_their_plane_and_run_anticlockwise_seen_from_outside(kind: str):
    mesh = KINDS[kind]().part.to_mesh()
    for void in find_voids(mesh):
        for mouth in void.openings:
            assert np.linalg.norm(mouth.normal) == pytest.approx(1.0)
            assert (mouth.ring - mouth.point) @ mouth.normal == pytest.approx(0.0, abs=1e-9)
            away = mouth.ring - mouth.point
            swept = 0.5 * np.cross(away, np.roll(away, -1, axis=0)).sum(axis=0)
            assert swept @ mouth.normal == pytest.approx(mouth.area_mm2)
            assert np.array_equal(mesh.vertices[mouth.corners], mouth.ring)
            just_in = mouth.point - 1e-3 * mouth.normal
            assert winding(void.mesh, just_in) == pytest.approx(1.0)
            assert winding(void.mesh, mouth.point + 1e-3 * mouth.normal) == pytest.approx(
                0.0, abs=1e-9
            )


def test_steps_of_a_bore_lead_into_each_other_and_join_with_both_outer_mouths():
    made = stepped()
    mesh = made.part.to_mesh()
    voids = find_voids(mesh)
    assert [v.name for v in voids] == ["hole 1", "hole 2", "hole 3"]
    shared = [(o.rim, v.name, o.beyond) for v in voids for o in v.openings if o.beyond]
    assert len(shared) == 4
    assert {(a, b) for _, a, b in shared} == {(b, a) for _, a, b in shared}
    joined = join_voids(mesh, voids)
    assert joined.members == ("hole 1", "hole 2", "hole 3")
    assert sorted(o.area_mm2 for o in joined.openings) == pytest.approx(
        [ngon_area(10), ngon_area(20)]
    )
    assert sorted(float(o.normal[2]) for o in joined.openings) == [-1.0, 1.0]


def test_two_neighbours_of_a_recess_join_to_it_one_at_a_time():
    made = opens_in_recess()
    mesh = made.part.to_mesh()
    recess, blind, through = sorted(find_voids(mesh), key=lambda v: -v.volume_mm3)
    assert {o.beyond for o in recess.openings} == {"", blind.name, through.name}
    pair = join_voids(mesh, [recess, blind])
    assert pair.volume_mm3 == pytest.approx(recess.volume_mm3 + blind.volume_mm3, rel=1e-12)
    assert sorted(o.beyond for o in pair.openings) == ["", through.name]


def test_the_largest_hole_comes_first_and_is_named_by_its_place():
    voids = find_voids(bolt_holes().part.to_mesh())
    assert voids[0].volume_mm3 == pytest.approx(40 * ngon_area(20))
    assert voids[0].point[:2] == pytest.approx([0.0, 0.0], abs=1e-9)
    places = {tuple(np.round(v.point[:2]) + 0.0) for v in voids[1:]}
    assert places == {(-40.0, -30.0), (-40.0, 30.0), (40.0, -30.0), (40.0, 30.0)}


SOLID_SHAPES = {
    "block": block,
    "ball": lambda: Solid.sphere(30, 48),
    "boss": lambda: block() + rod(15, 40, 60),
    "boss and rib": lambda: block() + rod(15, 40, 60) + Solid.box((20, -3, 30), (40, 3, 50)),
    "open notch": lambda: block() - Solid.box((-10, -50, 20), (10, 50, 50)),
    "corner pocket": lambda: block() - Solid.box((30, 20, 20), (60, 50, 50)),
    "void inside": lambda: block() - Solid.box((-10, -10, 10), (10, 10, 30)),
}


@pytest.mark.parametrize("shape", SOLID_SHAPES)
def test_what_has_no_hole_gives_none(shape: str):
    assert find_voids(SOLID_SHAPES[shape]().to_mesh()) == ()


def across_a_bar() -> tuple[Solid, Solid]:
    """A round bar, and the drill that goes across it."""
    turn = np.array([[0.0, 0, 1, -50], [0, 1, 0, 0], [-1, 0, 0, 50], [0, 0, 0, 1]])
    return rod(30, 0, 100), Solid.cylinder(100, 8, segments=24).transform(turn)


def test_a_hole_across_a_bar_opens_through_its_curved_face():
    """The lids fan over bent rims, so the void is the drilled metal but for what they cut off."""
    bar, across = across_a_bar()
    (void,) = find_voids((bar - across).to_mesh())
    assert [o.flat for o in void.openings] == [False, False]
    drilled = (bar & across).volume
    assert drilled - 2.0 * void.openings[0].area_mm2 * 1.2 < void.volume_mm3 < drilled + 1e-6


def test_an_oil_hole_does_not_hide_the_bore_that_it_leads_into():
    bush = rod(30, 0, 100) - rod(20, -1, 101)
    turn = np.array([[0.0, 0, 1, 0], [0, 1, 0, 0], [-1, 0, 0, 50], [0, 0, 0, 1]])
    voids = find_voids((bush - Solid.cylinder(40, 3, segments=24).transform(turn)).to_mesh())
    assert len(voids) == 2
    assert len(voids[0].openings) == 3
    assert voids[1].openings[0].beyond in ("", "hole 1")
    mesh = (bush - Solid.cylinder(40, 3, segments=24).transform(turn)).to_mesh()
    filled, solids, stuck = close_voids(Solid.from_mesh(mesh), list(voids), mesh)
    assert stuck is None
    whole = Solid.from_mesh(mesh).volume + sum(s.volume for s in solids)
    assert filled.volume == pytest.approx(whole, rel=1e-9)


def test_metal_standing_in_the_mouth_refuses_the_lid():
    """A pin that rises from the floor of a blind hole out of its mouth runs through the lid."""
    part = (block() - rod(20, 15, 45)) + rod(6, 10, 60)
    voids = find_voids(part.to_mesh())
    assert len(voids) == 1
    _, _, bad = close_voids(part, voids)
    assert bad is not None
    assert bad[0] is voids[0]
    assert "metal stands in its mouth" in bad[1]
    assert "(0.00, 0.00, 40.00)" in bad[1]


def test_a_pin_that_stays_below_the_mouth_is_no_hindrance():
    part = (block() - rod(20, 15, 45)) + rod(6, 10, 30)
    (void,) = find_voids(part.to_mesh())
    assert void.volume_mm3 == pytest.approx(25 * ngon_area(20) - 15 * ngon_area(6), rel=1e-9)
    filled, _, bad = close_voids(part, [void])
    assert bad is None
    assert filled.volume == pytest.approx(100 * 80 * 40, rel=1e-9)


def test_the_bad_hole_is_named_among_good_ones():
    part = (block() - rod(12, 15, 45) - rod(8, -5, 45, (30, 0))) + rod(5, 10, 60)
    voids = find_voids(part.to_mesh())
    assert len(voids) == 2
    _, _, bad = close_voids(part, voids)
    assert bad is not None
    assert bad[0].point[0] == pytest.approx(0.0, abs=1e-6)


rotation = st.tuples(*[st.floats(-1.0, 1.0)] * 4).filter(lambda q: np.dot(q, q) > 0.1)


def pose(quaternion, scale: float, shift) -> np.ndarray:
    w, x, y, z = np.array(quaternion) / np.linalg.norm(quaternion)
    turn = np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )
    matrix = np.eye(4)
    matrix[:3, :3] = scale * turn
    matrix[:3, 3] = shift
    return matrix


@settings(max_examples=80, deadline=None, derandomize=True, database=None)
@given(
    kind=st.sampled_from(sorted(KINDS)),
    turn=rotation,
    scale=st.sampled_from([0.1, 0.7, 1.0, 1.02, 5.0]),
    shift=st.tuples(*[st.floats(-300.0, 300.0)] * 3),
    rounded=st.booleans(),
)
@example(
    kind="frame",
    turn=(1.0, 0.53125, 0.96875, 0.0),
    scale=0.1,
    shift=(252.0, 0.0, 0.0),
    rounded=True,
)
def test_any_pose_and_size_has_the_same_holes(kind, turn, scale, shift, rounded):
    made = KINDS[kind]()
    mesh = made.part.to_mesh().transformed(pose(turn, scale, shift))
    if rounded:
        mesh = weld(mesh.triangles.astype(np.float32))
    voids = find_voids(mesh)
    assert len(voids) == made.single
    joined = clusters(mesh, voids)
    rel = 2e-4 if rounded else 1e-9
    expected = scale**3 * np.sort(made.volumes)[::-1]
    assert [v.volume_mm3 for v in joined] == pytest.approx(expected, rel=rel)
    assert sorted(len(v.openings) for v in joined) == sorted(made.mouths)
    assert all(check_mesh(v.mesh).fault is None for v in joined)


@settings(max_examples=40, deadline=None, derandomize=True, database=None)
@given(kind=st.sampled_from(sorted(KINDS)), seed=st.integers(0, 999))
def test_the_order_of_facets_and_vertices_does_not_matter(kind, seed):
    made = KINDS[kind]()
    mesh = made.part.to_mesh()
    draw = np.random.default_rng(seed)
    order = draw.permutation(len(mesh.vertices))
    place = np.argsort(order)
    faces = place[mesh.faces][draw.permutation(mesh.facets)]
    faces = np.roll(faces, int(draw.integers(3)), axis=1)
    shuffled = find_voids(Mesh(mesh.vertices[order], faces))
    plain = find_voids(mesh)
    assert [v.volume_mm3 for v in shuffled] == pytest.approx([v.volume_mm3 for v in plain])
    assert [len(v.openings) for v in shuffled] == [len(v.openings) for v in plain]
