"""Mending: each planted fault is mended and told with its figures, or refused with its place."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mesh_shapes import binary_stl, box, joined, saved, soup, turned

from patternprep.errors import MeshFault
from patternprep.mesh.check import check_mesh
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mend.close import CRACK_CAP
from patternprep.mesh.mend.distance import distance_to_facets
from patternprep.mesh.mend.lines import count_along_lines
from patternprep.mesh.mend.mend import Mended, mend_part
from patternprep.mesh.mesh import Mesh
from patternprep.mesh.read.part import read_part
from patternprep.mesh.settle import settle_report


def mended(mesh: Mesh) -> Mended:
    result = mend_part(mesh, "part.stl")
    report = check_mesh(result.mesh)
    assert report.sound
    assert Solid.from_mesh(result.mesh).volume == pytest.approx(report.volume_mm3, rel=1e-6)
    return result


def told(result: Mended) -> str:
    return "; ".join(str(m) for m in result.mendings)


def through_stl(tmp_path, mesh: Mesh):
    return read_part(saved(tmp_path / "part.stl", binary_stl(soup(mesh))))


def test_a_sound_part_is_not_touched():
    for mesh in (box(), joined(box(), box((20, 0, 0), (30, 9, 9))), Solid.sphere(9, 40).to_mesh()):
        result = mended(mesh)
        assert result.mendings == ()
        assert result.mesh is mesh


def test_a_hollow_stays_a_hollow():
    result = mended(joined(box(), turned(box((2, 2, 2), (8, 8, 8)))))
    assert result.mendings == ()
    assert result.bodies == 1
    assert result.mesh.volume == pytest.approx(6000.0 - 216.0)


def test_overlapping_bodies_are_united_and_the_change_told():
    result = mended(joined(box((0, 0, 0), (10, 10, 10)), box((5, 5, 5), (15, 15, 15))))
    assert result.bodies == 1
    assert result.mesh.volume == pytest.approx(2000.0 - 125.0)
    assert [m.count for m in result.mendings] == [2]
    assert result.mendings[0].volume_mm3 == pytest.approx(-125.0)


def test_one_body_inside_another_is_told_as_one():
    result = mended(joined(box(), box((2, 2, 2), (8, 8, 8))))
    assert result.warnings[0].startswith("1 body lies wholly inside another and is taken as solid")
    more = mended(joined(box(), box((1, 1, 1), (4, 4, 4)), box((5, 5, 5), (8, 8, 8))))
    assert more.warnings[0].startswith("2 bodies lie wholly inside others and are taken")


def test_a_body_inside_a_body_is_an_overlap():
    result = mended(joined(box(), box((2, 2, 2), (8, 8, 8))))
    assert result.mesh.volume == pytest.approx(6000.0)
    assert result.mendings[0].volume_mm3 == pytest.approx(-216.0)
    assert "inside" in " ".join(result.warnings)


def test_a_body_in_a_hollow_is_kept():
    shell = joined(box(), turned(box((1, 1, 1), (9, 19, 29))), box((4, 4, 4), (6, 6, 6)))
    result = mended(shell)
    assert result.bodies == 2
    assert result.mendings == ()
    assert result.mesh.volume == pytest.approx(6000.0 - 8 * 18 * 28 + 8.0)


def test_a_body_over_a_hollow_fills_it_where_they_meet():
    shell = joined(box(), turned(box((2, 2, 2), (8, 8, 8))), box((5, 3, 3), (15, 7, 7)))
    result = mended(shell)
    assert result.mesh.volume == pytest.approx(6000.0 - 216.0 + 3 * 16 + 5 * 16)


def test_bodies_that_meet_on_a_face_become_one():
    result = mended(joined(box((0, 0, 0), (5, 5, 5)), box((5, 0, 0), (10, 5, 5))))
    assert result.bodies == 1
    assert result.mesh.volume == pytest.approx(250.0)
    assert count_along_lines(result.mesh, 0).twice_mm3 == 0.0


def test_inside_out_files_are_turned():
    result = mended(turned(joined(box(), turned(box((2, 2, 2), (8, 8, 8))))))
    assert result.mesh.volume == pytest.approx(6000.0 - 216.0)
    assert "inside out turned: 2" in told(result)


@settings(max_examples=20, deadline=None)
@given(st.lists(st.integers(0, 11), min_size=1, max_size=5, unique=True))
def test_flipped_facets_are_turned_and_counted(flipped):
    faces = box().faces.copy()
    faces[flipped] = faces[flipped][:, ::-1]
    result = mended(Mesh(box().vertices, faces))
    assert result.mesh.volume == pytest.approx(6000.0)
    # What has more area keeps its winding; if that was the flipped part, the shell is turned.
    assert result.mendings[0].count in (len(flipped), 12 - len(flipped))


def test_doubled_collapsed_and_back_to_back_facets():
    mesh = box()
    doubled = Mesh(mesh.vertices, np.vstack([mesh.faces, mesh.faces[4:6]]))
    assert "given twice kept once: 2" in told(mended(doubled))
    collapsed = Mesh(mesh.vertices, np.vstack([mesh.faces, [[0, 0, 1]]]))
    assert "collapsed" in told(mended(collapsed))
    wall = joined(box((0, 0, 0), (5, 5, 5)), box((5, 0, 0), (10, 5, 5)))
    points, index = np.unique(wall.vertices, axis=0, return_inverse=True)
    result = mended(Mesh(points, index.reshape(-1)[wall.faces]))
    assert result.mesh.volume == pytest.approx(250.0)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 999), share=st.sampled_from([1e-7, 1e-5, 1e-4]))
def test_cracked_soups_are_closed_and_move_no_more_than_told(seed, share):
    # Faces of a box cut into strips, each jittered on its own: every seam is a crack.
    rng = np.random.default_rng(seed)
    solid = Solid.cylinder(30.0, 20.0, segments=32) - Solid.box((-5, -5, -1), (5, 5, 31))
    mesh = solid.to_mesh()
    diagonal = float(np.linalg.norm(mesh.size))
    corners = mesh.triangles + rng.uniform(-0.25, 0.25, (mesh.facets, 1, 3)) * share * diagonal
    torn = Mesh(corners.reshape(-1, 3), np.arange(3 * mesh.facets).reshape(-1, 3))
    result = mended(torn)
    moved = sum(m.moved_mm for m in result.mendings)
    assert 0.0 < moved <= CRACK_CAP * diagonal
    assert result.mesh.volume == pytest.approx(mesh.volume, rel=10 * share)
    samples = result.mesh.triangles.mean(axis=1)
    assert distance_to_facets(samples, torn.triangles).max() <= moved + 1e-12
    samples = torn.triangles.mean(axis=1)
    assert distance_to_facets(samples, result.mesh.triangles).max() <= moved + 1e-12


def test_t_junctions_are_closed_without_moving():
    # The lid's edge has a corner in its middle that the wall does not know of.
    mesh = box((0, 0, 0), (10, 10, 10))
    points = np.vstack([mesh.vertices, [[5.0, 0.0, 10.0]]])
    faces = [f for f in mesh.faces.tolist() if f != [4, 5, 6]] + [[4, 8, 6], [8, 5, 6]]
    result = mended(Mesh(points, np.array(faces)))
    assert result.mesh.volume == pytest.approx(1000.0)
    assert "broken to close cracks: 1" in told(result)
    assert result.mendings[0].moved_mm == 0.0


def test_a_small_hole_is_filled_and_a_large_one_refused():
    mesh = box()
    inner = mesh.triangles[0].mean(axis=0) + 0.004 * (mesh.triangles[0] - mesh.triangles[0][0])
    points = np.vstack([mesh.vertices, inner])
    (i, j, k), p, q, r = mesh.faces[0], 8, 9, 10
    rim = [[i, j, q], [i, q, p], [j, k, r], [j, r, q], [k, i, p], [k, p, r]]
    result = mended(Mesh(points, np.vstack([mesh.faces[1:], rim])))
    assert result.mesh.volume == pytest.approx(6000.0)
    assert "holes filled, the widest 0.08" in told(result)
    with pytest.raises(MeshFault, match="open along 3 edges") as caught:
        mend_part(Mesh(box().vertices, box().faces[1:]), "part.stl")
    assert caught.value.where is not None
    assert "next" not in str(caught.value)
    assert "export it again" in str(caught.value)


def test_a_patch_lying_on_the_surface_a_second_time_is_taken_off():
    mesh = box()
    lid = mesh.triangles[2:4].mean(axis=(0, 1))  # on z = 30
    square = [[-2, -2, 0], [2, -2, 0], [2, 2, 0], [-2, 2, 0]]
    points = np.vstack([mesh.vertices, lid + np.array(square)])
    loose = Mesh(points, np.vstack([mesh.faces, [[8, 9, 10], [8, 10, 11]]]))
    result = mended(loose)
    assert "second time removed: 2" in told(result)
    assert result.mesh.volume == pytest.approx(6000.0)
    with pytest.raises(MeshFault, match="open along 4 edges"):
        mend_part(Mesh(points + (np.arange(12) > 7)[:, None] * [0, 0, 5.0], loose.faces), "fin")


def test_stray_crumbs_go_and_sheets_are_refused():
    crumb = box((40, 0, 0), (40.01, 0.01, 0.01))
    result = mended(joined(box(), crumb))
    assert "stray bodies removed" in told(result)
    assert result.bodies == 1
    assert result.mendings[0].volume_mm3 == pytest.approx(-1e-6)
    sheet = box((40, 0, 0), (60, 20, 1e-7))
    with pytest.raises(MeshFault, match="without thickness"):
        mend_part(joined(box(), sheet), "part.stl")


def test_bodies_that_share_an_edge(tmp_path):
    part = through_stl(
        tmp_path, joined(box((0, 0, 0), (10, 10, 10)), box((10, 10, 0), (20, 20, 10)))
    )
    assert part.bodies == 2
    assert part.mesh.volume == pytest.approx(2000.0, abs=1e-2)
    assert "walls touch parted: 1" in str(part.mendings[0])
    assert part.mendings[0].moved_mm < 1e-4


def test_three_walls_on_one_edge_are_refused():
    inner = joined(box((0, 0, 0), (5, 5, 5)), box((5, 0, 0), (10, 5, 5)))
    points, index = np.unique(inner.vertices, axis=0, return_inverse=True)
    faces = index.reshape(-1)[inner.faces]
    centre = points[faces].mean(axis=1)
    wall = np.flatnonzero(np.isclose(centre[:, 0], 5.0) & (Mesh(points, faces).normals[:, 0] > 0))
    kept = np.setdiff1d(np.arange(24), wall)
    with pytest.raises(MeshFault, match="more than two facets"):
        mend_part(Mesh(points, faces[kept]), "part.stl")


def test_soup_and_sheets_are_refused(tmp_path):
    rng = np.random.default_rng(0)
    soup_of = Mesh(rng.uniform(0, 9, (90, 3)), np.arange(90).reshape(-1, 3))
    with pytest.raises(MeshFault, match="open along 90 edges"):
        mend_part(soup_of, "soup.stl")
    flat = Mesh([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2], [0, 2, 1]])
    with pytest.raises(MeshFault, match="is flat"):
        through_stl(tmp_path, flat)
    strip = 24
    turn = np.arange(strip) * 2 * np.pi / strip
    rows = [
        [[np.cos(a) * (9 + w * np.cos(a / 2)), np.sin(a) * (9 + w * np.cos(a / 2)),
          w * np.sin(a / 2)]
         for a in turn]
        for w in (-2, 2)
    ]  # fmt: skip
    points = np.concatenate(rows)
    band = []
    for k in range(strip):
        a, b = k, (k + 1) % strip
        c, d = (a + strip, b + strip)
        if k == strip - 1:
            b, d = d, b
        band += [[a, b, d], [a, d, c]]
    with pytest.raises(MeshFault, match="open along"):
        mend_part(Mesh(points, np.array(band)), "band.stl")


def crossing_tube() -> Mesh:
    """One closed shell that runs through itself: a bar bent to a pretzel."""
    path = np.array([[0, 0, 0], [40, 0, 0], [40, 20, 0], [20, 20, 0], [20, -20, 0]], dtype=float)
    offsets = np.array([[-2, -2], [2, -2], [2, 2], [-2, 2]], dtype=float)
    points, faces = [], []
    for i, p in enumerate(path):
        before = path[i] - path[i - 1] if i else path[1] - path[0]
        after = path[i + 1] - path[i] if i + 1 < len(path) else before
        before, after = before / np.linalg.norm(before), after / np.linalg.norm(after)
        side = np.cross([0, 0, 1.0], before) + np.cross([0, 0, 1.0], after)
        side /= 1.0 + before @ after
        points += [p + u * side + [0, 0, v] for u, v in offsets]
        if i:
            a = 4 * (i - 1)
            for k in range(4):
                m = (k + 1) % 4
                faces += [[a + k, a + m, a + 4 + m], [a + k, a + 4 + m, a + 4 + k]]
    end = 4 * (len(path) - 1)
    faces += [[0, 2, 1], [0, 3, 2], [end, end + 1, end + 2], [end, end + 2, end + 3]]
    mesh = Mesh(np.array(points), np.array(faces))
    return mesh if mesh.volume > 0 else turned(mesh)


def test_lines_count_material_met_twice():
    mesh = crossing_tube()
    assert check_mesh(mesh).sound
    counts = [count_along_lines(mesh, axis, 200) for axis in range(3)]
    for count in counts:
        assert count.twice_mm3 == pytest.approx(64.0, rel=0.08)
        assert count.inverted_mm3 == 0.0
        assert count.volume_mm3 == pytest.approx(mesh.volume - 64.0, rel=0.02)
        assert np.abs(np.array(count.where) - [20, 0, 0]).max() <= 2.1
    sound = Solid.sphere(10.0, 64) - Solid.cylinder(30, 3, segments=24).translate((0, 0, -15))
    for axis in range(3):
        count = count_along_lines(sound.to_mesh(), axis)
        assert count.twice_mm3 == count.inverted_mm3 == 0.0
        assert count.volume_mm3 == pytest.approx(sound.volume, rel=0.01)


def test_a_bar_bent_through_itself_is_made_one():
    mesh = crossing_tube()
    result = mended(mesh)
    assert result.bodies == 1
    assert result.mesh.volume == pytest.approx(mesh.volume - 64.0)
    assert result.mendings[0].volume_mm3 == pytest.approx(-64.0)
    assert result.mendings[0].where is not None
    assert count_along_lines(result.mesh, 2, 300).twice_mm3 == 0.0


def closed_slit(edge: float, noise: float, depth: float, seed: int) -> Mesh:
    """A hairpin whose limbs lie on each other: one shell, read in metres from 32-bit numbers.

    The walls between the limbs are pressed together, with noise, and run ``depth`` through each
    other over a strip across the middle.
    """
    plan = np.array([[10.0, 5.0], [81.0, 5.0], [81.0, 5.0 + 71.0 / 70.0]])
    upright = np.array([[1, 0, 0, 0], [0, 0, -1, 41], [0, 1, 0, 0], [0, 0, 0, 1.0]])
    slit = Solid.extrude([plan], 42.0).transform(upright)
    mesh = (Solid.box([0, 0, 0], [80, 40, 10]) - slit).refine(edge).to_mesh()
    points = mesh.vertices.copy()
    x, z = points[:, 0], points[:, 2]
    upper = (np.abs(z - 5.0 - (x - 10.0) / 70.0) < 1e-9) & (x > 10.001)
    lower = (np.abs(z - 5.0) < 1e-9) & (x > 10.001)
    random = np.random.default_rng(seed)
    points[lower, 2] = 5.0 + random.normal(0.0, noise, int(lower.sum()))
    deep = np.where(np.abs(x - 50.0) < 11.0, depth, 0.0)[upper]
    points[upper, 2] = 5.0 + random.normal(0.0, noise, int(upper.sum())) - deep
    return Mesh((points * 0.002).astype(np.float32).astype(float) * 1000.0, mesh.faces)


def test_slits_between_united_walls_that_no_file_can_hold_are_filled():
    # United alone, such walls leave slits of a few roundings and crumbs that no kit can be cut
    # from.
    mesh = closed_slit(3.0, 3e-6, 0.002, 2)
    assert check_mesh(mesh).sound
    before = [count_along_lines(mesh, axis) for axis in range(3)]
    twice = max(c.twice_mm3 for c in before)
    assert 1e-7 * mesh.volume < twice < 1e-4 * mesh.volume
    result = mended(mesh)
    assert result.warnings == ()
    united, filled = result.mendings
    assert united.volume_mm3 == pytest.approx(-twice, rel=0.1)
    assert filled.what.startswith("slits")
    assert abs(filled.volume_mm3) < 0.1
    assert 0.0 < filled.moved_mm < 1e-4 * np.linalg.norm(mesh.size)
    assert result.mesh.volume - mesh.volume == pytest.approx(
        united.volume_mm3 + filled.volume_mm3, abs=1e-6
    )
    written = settle_report(result.mesh)
    assert written.moved_mm == 0.0
    assert check_mesh(written.mesh).shells == 1
    assert check_mesh(written.mesh).voids == 0
    assert Solid.from_mesh(written.mesh).volume == pytest.approx(written.mesh.volume, rel=1e-9)
    off = distance_to_facets(result.mesh.vertices, mesh.triangles)
    assert off.max() <= filled.moved_mm
    assert max(count_along_lines(result.mesh, a, 200).twice_mm3 for a in range(3)) == 0.0


def test_walls_that_cross_slightly_are_united_too():
    mesh = closed_slit(5.0, 1e-6, 0.002, 1)
    twice = max(count_along_lines(mesh, axis).twice_mm3 for axis in range(3))
    result = mended(mesh)
    assert result.warnings == ()
    assert result.mendings[0].volume_mm3 == pytest.approx(-twice, rel=0.1)


def test_crossing_walls_beyond_mending_are_refused():
    # A ball turned inside out in part: the lower half pulled up through the upper half.
    ball = Solid.sphere(20.0, 48).to_mesh()
    points = ball.vertices.copy()
    points[:, 2] = np.where(points[:, 2] < -5.0, -1.6 * points[:, 2] - 10.0, points[:, 2])
    mesh = Mesh(points, ball.faces)
    assert check_mesh(mesh).sound
    with pytest.raises(MeshFault, match=r"walls that cross each other at \(") as caught:
        mend_part(mesh, "ball.stl")
    assert caught.value.where is not None


def drum(wall: int, lid: int, radius: float = 20.0, height: float = 10.0) -> Mesh:
    """A drum whose lids are cut into another number of corners than its wall."""
    points: list[list[float]] = []
    faces: list[list[int]] = []

    def ring(count: int, z: float) -> list[int]:
        turn = np.arange(count) * 2 * np.pi / count
        at = len(points)
        points.extend([radius * np.cos(a), radius * np.sin(a), z] for a in turn)
        return list(range(at, at + count))

    low, high = ring(wall, 0.0), ring(wall, height)
    for k in range(wall):
        m = (k + 1) % wall
        faces += [[low[k], low[m], high[m]], [low[k], high[m], high[k]]]
    for z in (0.0, height):
        rim = ring(lid, z)
        points.append([0.0, 0.0, z])
        for k in range(lid):
            a, b = rim[k], rim[(k + 1) % lid]
            faces.append([a, b, len(points) - 1] if z else [b, a, len(points) - 1])
    return Mesh(np.array(points), np.array(faces))


@pytest.mark.parametrize(("wall", "lid"), [(128, 96), (96, 128), (200, 90), (96, 192), (97, 131)])
def test_a_seam_between_two_tessellations_is_zipped(wall, lid):
    mesh = drum(wall, lid)
    result = mended(mesh)
    exact = np.pi * 400.0 * 10.0
    moved = max(m.moved_mm for m in result.mendings)
    sagitta = 20.0 * (1.0 - np.cos(np.pi / min(wall, lid)))
    assert 0.2 * sagitta <= moved <= 2.0 * sagitta
    assert result.mesh.volume == pytest.approx(exact, rel=2.0 * sagitta / 20.0)
    for a, b in ((mesh, result.mesh), (result.mesh, mesh)):
        points = np.concatenate([a.triangles.mean(axis=1), a.vertices])
        assert distance_to_facets(points, b.triangles).max() <= moved + 1e-12


def test_a_seam_wider_than_the_cap_is_refused_with_the_cap():
    mesh = drum(48, 36)
    cap = CRACK_CAP * float(np.linalg.norm(mesh.size))
    with pytest.raises(MeshFault, match=f"mending up to {cap:.2g} mm"):
        mend_part(mesh, "drum.stl")


def test_links_of_a_chain_are_left_as_they_are():
    # Two rings through each other: their bounds meet, their walls do not.
    ring = Solid.revolve(np.array([[8.0, -1.0], [10.0, -1.0], [10.0, 1.0], [8.0, 1.0]]), 48)
    quarter = np.array([[1, 0, 0, 9], [0, 0, -1, 0], [0, 1, 0, 0], [0, 0, 0, 1.0]])
    mesh = joined(ring.to_mesh(), ring.transform(quarter).to_mesh())
    result = mended(mesh)
    assert result.bodies == 2
    assert result.mendings == ()
    assert result.mesh is mesh


def test_a_part_given_twice_over():
    mesh = box()
    again = Mesh(mesh.vertices, np.vstack([mesh.faces, mesh.faces]))
    result = mended(again)
    assert "given twice kept once: 12" in told(result)
    assert result.mesh.volume == pytest.approx(6000.0)
    both = Mesh(mesh.vertices, np.vstack([mesh.faces[::2], mesh.faces[:, ::-1], mesh.faces[1::2]]))
    result = mended(both)
    assert "both sides kept once: 12" in told(result)
    assert result.mesh.volume == pytest.approx(6000.0)
    apart = mended(joined(mesh, mesh))
    assert apart.bodies == 1
    assert apart.mesh.volume == pytest.approx(6000.0)
    assert apart.mendings[0].volume_mm3 == pytest.approx(-6000.0)
