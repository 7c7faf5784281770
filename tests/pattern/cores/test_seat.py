"""Seats put onto the halves: both are there, the halves still draw, level prints meet."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from core_parts import bored, cored, rule
from cored_shapes import X_UP, Y_UP, body_with_outlets, elbow, ngon_area, rod, slot_ring

from patternprep.errors import GeometryFault
from patternprep.mesh.check import check_mesh
from patternprep.mesh.kernel import Solid, union_all
from patternprep.mesh.mesh import Mesh
from patternprep.pattern.cores.assemble import (
    CoreBody,
    build_core,
    check_clear,
    check_prints,
    close_voids,
)
from patternprep.pattern.cores.prints import PrintSize
from patternprep.pattern.cores.seat import SeatedPattern, seat_cores
from patternprep.pattern.cores.voids import find_voids
from patternprep.pattern.draft import draft_pattern

ANGLE = 1.5

PARTS = {
    "level bore": lambda: bored(rod(12, -80, 80).transform(X_UP)),
    "upright bore": lambda: bored(rod(12, -80, 80)),
    "upright bore in the drag": lambda: bored(rod(12, -80, 80), high=(60, 50, 0)),
    "upright bore in the cope": lambda: bored(rod(12, -80, 80), low=(-60, -50, 0)),
    "blind bore": lambda: bored(rod(12, 10, 80)),
    "level slot": lambda: bored(
        Solid.extrude([slot_ring(20, 16)], 200).translate((0, 0, -100)).transform(X_UP)
    ),
    "crossing bores": lambda: bored(
        rod(12, -80, 80).transform(X_UP) + rod(12, -80, 80).transform(Y_UP) + rod(10, 0, 80)
    ),
    "drop print": lambda: bored(Solid.box((-80, -10, 12), (80, 10, 28))),
    "elbow": lambda: elbow().part,
    "body with outlets": lambda: body_with_outlets().part,
}


def seated(part: Solid) -> tuple[CoreBody, SeatedPattern, list[Solid | None]]:
    """Core, halves with seats, and the metal's own drafted halves (cope, drag)."""
    core, filled = cored(part)
    above, below = filled.split_by_plane()
    metal = draft_pattern(
        above if above.volume > 1e-6 else None, below if below.volume > 1e-6 else None, ANGLE
    )
    return (
        core,
        seat_cores(metal.cope, metal.drag, core.prints, ANGLE, "mitred"),
        [metal.cope, metal.drag],
    )


@pytest.mark.parametrize("name", PARTS)
def test_halves_hold_metal_and_seats_and_still_draw(name: str):
    core, found, metal = seated(PARTS[name]())
    halves = [found.cope, found.drag]
    whole = union_all([h for h in halves if h is not None])
    assert (core.seats - whole).volume == pytest.approx(0.0, abs=1e-6)
    assert (core.solid - whole).volume == pytest.approx(0.0, abs=1e-6)
    added = 0.0
    for half, own, pull in zip(halves, metal, (1.0, -1.0), strict=True):
        if half is None:
            assert own is None
            continue
        if own is None:
            added += half.volume
        else:
            assert (own - half).volume == pytest.approx(0.0, abs=1e-6)
            added += (half - own).volume
        mesh = half.to_mesh()
        assert check_mesh(mesh).fault is None
        assert (pull * mesh.vertices[:, 2]).min() > -1e-9
        assert overhang(mesh, pull) == pytest.approx(0.0, abs=1e-6)
        assert_draws_line_by_line(half, pull)
    assert found.seats_mm3 == pytest.approx(added, rel=1e-6)
    assert found.seats_mm3 > sum(p.core.volume for p in core.prints)


def overhang(mesh: Mesh, pull: float) -> float:
    """Plan area of facets that look against the pull anywhere but on the parting, mm2."""
    against = mesh.areas * np.maximum(-pull * mesh.normals[:, 2], 0.0)
    on_parting = np.abs(mesh.triangles[:, :, 2]).max(axis=1) < 1e-9
    return float(against[~on_parting].sum())


def assert_draws_line_by_line(half: Solid, pull: float) -> None:
    """Sections shrink with the height: each lies in the one nearer the parting."""
    top = pull * (half.bounds[1, 2] if pull > 0 else half.bounds[0, 2])
    below: shapely.Geometry | None = None
    for height in np.linspace(1e-3, top - 1e-3, 12):
        rings = half.section(pull * height)
        here = shapely.Polygon()
        for ring in rings:
            here = here.symmetric_difference(shapely.Polygon(ring).buffer(0))
        if below is not None:
            assert here.difference(below.buffer(1e-6)).area < 1e-4
        below = here


@pytest.mark.parametrize("name", ["level bore", "level slot", "crossing bores", "elbow"])
def test_level_prints_meet_on_the_parting(name: str):
    core, found, _ = seated(PARTS[name]())
    assert found.cope is not None
    assert found.drag is not None
    outlines = []
    for half, z in ((found.cope, 1e-6), (found.drag, -1e-6)):
        shape = shapely.Polygon()
        for ring in half.section(z):
            shape = shape.symmetric_difference(shapely.Polygon(ring).buffer(0))
        outlines.append(shape)
    level = [p for p in core.prints if p.side == "horizontal"]
    assert len(level) >= 2
    for one in level:
        corners = np.concatenate(one.seat_rings) + 1.0 * one.axis  # clear of the metal's wall
        there = shapely.box(*corners[:, :2].min(axis=0), *corners[:, :2].max(axis=0))
        for outline in outlines:
            assert outline.intersection(there).area > 0.8 * there.area - 60.0
        odd = outlines[0].symmetric_difference(outlines[1]).intersection(there)
        assert odd.area < 1e-3


def test_upright_prints_alone_leave_the_other_half_as_it_is():
    core, found, metal = seated(PARTS["upright bore in the drag"]())
    assert [p.side for p in core.prints].count("cope") == 1
    assert metal[0] is None
    assert found.cope is not None  # the cope is its print alone
    assert found.cope.bounds[1, 2] == pytest.approx(25.5)
    above, _ = core.seats.split_by_plane()
    assert found.cope.volume == pytest.approx(above.volume, rel=1e-6)  # its taper is enough
    assert found.drag is not None
    assert found.drag.bounds[0, 2] == pytest.approx(-65.5)


def test_drop_prints_leave_the_other_half_without_any():
    """A one-piece pattern in the drag with a level hole: no wafers appear in the cope."""
    part = bored(Solid.box((-80, -10, -28), (80, 10, -12)), high=(60, 50, 0))
    core, found, metal = seated(part)
    assert metal[0] is None
    assert found.cope is None
    assert [p.drop_mm for p in core.prints] == pytest.approx([20.0, 20.0])
    assert core.solid.bounds[1, 2] == pytest.approx(-0.25)


def test_prints_that_have_their_taper_are_left_alone_by_the_draft():
    """Seats of 2 degrees under a draft of 1.5 stay as designed outside the metal."""
    core, found, metal = seated(PARTS["upright bore"]())
    designed = core.seats - union_all([m for m in metal if m is not None])
    assert found.seats_mm3 == pytest.approx(designed.volume, rel=1e-3)


def test_core_is_void_and_prints_and_nothing_is_counted_twice():
    core, filled = cored(bored(rod(12, -80, 80)))
    assert core.solid.volume == pytest.approx(
        80 * ngon_area(12) + sum(p.core.volume for p in core.prints), rel=1e-9
    )
    outside = core.solid - filled
    assert outside.volume == pytest.approx(sum(p.core.volume for p in core.prints), rel=1e-6)


def cores_of(part: Solid, size=rule) -> tuple[Solid, list[CoreBody]]:
    voids = find_voids(part.to_mesh())
    filled, hollows, bad = close_voids(part, voids)
    assert bad is None
    pairs = zip(voids, hollows, strict=True)
    return filled, [build_core(f"core {i + 1}", v, h, size) for i, (v, h) in enumerate(pairs)]


def check_apart(filled: Solid, cores: list[CoreBody]) -> None:
    """Both checks for every core."""
    for core in cores:
        check_clear(filled, core)
    for number, core in enumerate(cores, 1):
        check_prints(core, cores[number:])


def test_prints_clear_of_part_and_of_each_other_pass():
    part = bored(rod(12, -80, 80, (-25, 0)) + rod(12, -80, 80, (25, 0)))
    filled, cores = cores_of(part)
    assert len(cores) == 2
    check_apart(filled, cores)


def test_a_print_that_runs_into_the_part_is_refused():
    part = bored(rod(12, -80, 80).transform(X_UP)) + Solid.box((75, -50, -40), (90, 50, 40))
    part = part + Solid.box((60, 30, -40), (80, 50, 40))
    filled, cores = cores_of(part)
    with pytest.raises(
        GeometryFault, match=r"print of core 1 runs into the part at .*--print-length"
    ):
        check_apart(filled, cores)


def test_prints_that_run_into_each_other_are_refused():
    """Two bores 2 mm apart, with gaps of 1.5 mm at the sides of each print."""
    filled, cores = cores_of(
        bored(rod(12, -80, 80, (-13, 0)) + rod(12, -80, 80, (13, 0))),
        lambda opening, side: PrintSize(20.0, 0.0, 1.5, 0.5),
    )
    with pytest.raises(GeometryFault, match=r"prints of core 1 and core 2 run into each other"):
        check_apart(filled, cores)


def test_a_step_narrower_than_the_gap_leaves_no_room_for_a_print():
    """A bore cored to its step only: its seat would cut into the wall of the wider end."""
    part = bored(rod(12, 0, 80) + rod(12.1, -80, 0))
    voids = find_voids(part.to_mesh())
    narrow = min(voids, key=lambda v: v.volume_mm3)
    filled, hollows, bad = close_voids(part, [narrow])
    assert bad is None
    core = build_core("core 1", narrow, hollows[0], rule)
    with pytest.raises(GeometryFault, match="drag print of core 1 runs into the part"):
        check_apart(filled, [core])
