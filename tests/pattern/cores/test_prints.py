"""Core prints: their own closed forms, gaps on all sides, tapers that let the seat draw."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from core_parts import bored, cored, only_void, rotation
from cored_shapes import X_UP, frustum, ngon_area, rod
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull

from patternprep.errors import GeometryFault
from patternprep.mesh.kernel import Solid
from patternprep.pattern.cores.model import Opening
from patternprep.pattern.cores.prints import Print, PrintSize, make_print, side_of

SUNK = 0.5
"""The seat starts this far inside the metal."""


def mouth(tool: Solid, toward, **block) -> Opening:
    """The mouth of a block's only hole that looks a way."""
    openings = only_void(bored(tool, **block)).openings
    return max(openings, key=lambda o: float(o.normal @ np.asarray(toward, dtype=float)))


UP, DOWN, EAST = (0.0, 0.0, 1.0), (0.0, 0.0, -1.0), (1.0, 0.0, 0.0)


def grown(radius: float, by: float, sides: int = 24) -> float:
    """Area of a regular polygon whose sides are moved out."""
    flat = radius * np.cos(np.pi / sides)
    return ngon_area(radius, sides) * ((flat + by) / flat) ** 2


def plan(ring: np.ndarray, one: Print) -> shapely.Polygon:
    """A ring in its own plane, by axes found here."""
    axis = one.axis
    u = np.cross(axis, [0.0, 0.6, 0.8] if abs(axis[0]) > 0.5 else [1.0, 0.0, 0.0])
    u /= np.linalg.norm(u)
    away = ring - one.opening.point
    return shapely.Polygon(np.stack([away @ u, away @ np.cross(axis, u)], axis=1))


@pytest.mark.parametrize("toward", [UP, DOWN])
def test_prism_print_of_an_upright_bore(toward):
    opening = mouth(rod(15, -60, 60), toward)
    one = make_print(opening, PrintSize(25.0, 0.0, 0.3, 0.8))
    assert one.side == ("cope" if toward == UP else "drag")
    assert one.drop_mm == 0.0
    assert one.core.volume == pytest.approx(25 * ngon_area(15), rel=1e-9)
    assert one.seat.volume == pytest.approx((25 + 0.8 + SUNK) * grown(15, 0.3), rel=1e-9)


@pytest.mark.parametrize("toward", [UP, DOWN, EAST])
def test_tapered_print_is_a_frustum_of_the_mouth(toward):
    tool = rod(15, -80, 80) if toward != EAST else rod(15, -80, 80).transform(X_UP)
    one = make_print(mouth(tool, toward), PrintSize(25.0, 5.0, 0.3, 0.8))
    t = np.tan(np.radians(5.0))
    assert one.core.volume == pytest.approx(
        frustum(ngon_area(15), grown(15, -25 * t), 25.0), rel=1e-9
    )
    far = 25.8
    assert one.seat.volume == pytest.approx(
        frustum(grown(15, 0.3 + SUNK * t), grown(15, 0.3 - far * t), far + SUNK), rel=1e-9
    )


def test_upright_prints_narrow_away_from_the_part_and_level_ones_too():
    size = PrintSize(20.0, 4.0, 0.3, 0.5)
    for tool, toward in (
        (rod(15, -80, 80), UP),
        (rod(15, -80, 80), DOWN),
        (rod(15, -80, 80).transform(X_UP), EAST),
    ):
        one = make_print(mouth(tool, toward), size)
        for rings in (one.core_rings, one.seat_rings):
            near, far = (plan(r, one).area for r in rings)
            assert far < near
            step = (rings[1] - rings[0].mean(axis=0)) @ np.asarray(toward)
            assert (step > 19.0).all()
        # every wall of an upright seat leans so that its half draws
        if toward != EAST:
            normals = ConvexHull(one.seat.to_mesh().vertices).equations[:, :3]
            walls = normals[np.abs(normals @ np.asarray(toward)) < 0.9]
            assert (walls @ np.asarray(toward)).min() == pytest.approx(np.sin(np.radians(4.0)))


def test_seat_reaches_into_the_metal_and_the_core_print_starts_at_the_mouth():
    one = make_print(mouth(rod(15, -80, 80), UP), PrintSize(20.0, 2.0, 0.3, 0.5))
    assert one.core.bounds[:, 2] == pytest.approx([40.0, 60.0])
    assert one.seat.bounds[:, 2] == pytest.approx([39.5, 60.5])


def test_print_of_a_keyed_mouth_is_its_convex_hull():
    tool = rod(15, -80, 80) + Solid.box((0, -3, -80), (19, 3, 80))
    opening = mouth(tool, UP)
    one = make_print(opening, PrintSize(20.0, 0.0, 0.3, 0.5))
    hull = shapely.MultiPoint(opening.ring[:, :2]).convex_hull
    assert one.core.volume == pytest.approx(20 * hull.area)
    assert hull.area > opening.area_mm2 + 10


def square(height: float, half: float = 10.0) -> Solid:
    return Solid.box((-80, -half, height - half), (80, half, height + half))


@pytest.mark.parametrize("height", [25.0, -25.0])
def test_drop_print_reaches_to_the_parting_and_widens_towards_it(height: float):
    one = make_print(mouth(square(height), EAST), PrintSize(30.0, 5.0, 0.25, 0.5))
    assert one.side == "horizontal"
    assert one.drop_mm == pytest.approx(25.0)
    wide = 20.0 + 2 * 34.75 * np.tan(np.radians(5.0))
    assert one.core.volume == pytest.approx(30 * 0.5 * (20 + wide) * 34.75)
    low, high = one.core.bounds
    assert (low[2], high[2]) == pytest.approx((0.25, 35.0) if height > 0 else (-35.0, -0.25))
    assert (low[0], high[0]) == pytest.approx((60.0, 90.0))
    foot = one.core_rings[0][np.abs(np.abs(one.core_rings[0][:, 2]) - 0.25) < 1e-9]
    assert np.ptp(foot[:, 1]) == pytest.approx(wide)
    low, high = one.seat.bounds  # the seat rests on the parting
    assert (low[2], high[2]) == pytest.approx((0.0, 35.25) if height > 0 else (-35.25, 0.0))


@pytest.mark.parametrize("height", [12.0, -7.0, 3.0])
def test_drop_print_of_a_round_bore_draws_both_ways_from_the_parting(height: float):
    tool = rod(10, -80, 80).transform(X_UP).translate((0, 0, height))
    one = make_print(mouth(tool, EAST), PrintSize(30.0, 3.0, 0.25, 0.5))
    assert one.drop_mm == pytest.approx(abs(height))
    ring = one.seat_rings[0]
    section = shapely.Polygon(ring[:, 1:])
    levels = np.linspace(
        0.3 if height > 0 else -0.3, ring[:, 2].max() if height > 0 else ring[:, 2].min(), 9
    )[:-1]
    widths = [section.intersection(shapely.LineString([(-99, z), (99, z)])).length for z in levels]
    assert (np.diff(widths) < 0.0).all()


def test_bore_on_the_parting_is_no_drop_print():
    tool = rod(10, -80, 80).transform(X_UP)
    one = make_print(mouth(tool, EAST), PrintSize(30.0, 0.0, 0.25, 0.5))
    assert one.drop_mm == 0.0
    assert one.core.volume == pytest.approx(30 * ngon_area(10))
    low, high = one.core.bounds
    assert high[2] == pytest.approx(-low[2])


def test_flat_takes_a_slice_off_one_side_of_core_and_seat_alike():
    tool = Solid.box((-10, -12, -80), (10, 12, 80))
    size = PrintSize(20.0, 0.0, 0.3, 0.5)
    one = make_print(mouth(tool, UP), size, np.array([1.0, 0.0, 0.0]))
    assert one.core.volume == pytest.approx(20 * 17.5 * 24)
    assert one.core.bounds[:, 0] == pytest.approx([-10.0, 7.5])
    assert one.seat.bounds[:, 0] == pytest.approx([-10.3, 7.8])
    round_one = make_print(mouth(rod(15, -80, 80), UP), size, np.array([0.0, 1.0, 0.0]))
    assert round_one.core.bounds[:, 1] == pytest.approx([-15.0, 11.25])
    level = make_print(
        mouth(rod(15, -80, 80).transform(X_UP), EAST), size, np.array([0.0, 0.0, 1.0])
    )
    assert level.core.bounds[:, 2] == pytest.approx([-15.0, 11.25])


polygons = st.lists(
    st.tuples(st.floats(4.0, 20.0), st.floats(0.0, 2 * np.pi)), min_size=3, max_size=9
).map(lambda corners: np.array([(r * np.cos(a), r * np.sin(a)) for r, a in corners]))


@settings(max_examples=60, deadline=None)
@given(
    corners=polygons,
    toward=st.sampled_from([UP, DOWN, EAST]),
    height=st.sampled_from([0.0, 22.0, -22.0]),
    taper=st.floats(0.0, 6.0),
    side=st.floats(0.05, 1.0),
    end=st.floats(0.05, 1.5),
    flat=st.booleans(),
)
def test_gaps_are_there_on_all_sides(corners, toward, height, taper, side, end, flat):
    hull = shapely.MultiPoint(corners).convex_hull
    assume(hull.geom_type == "Polygon" and hull.area > 30.0)
    # narrow enough to be eaten up by the taper is another test's
    assume(not hull.buffer(-0.7 - 20.0 * np.tan(np.radians(taper))).is_empty)
    ring = np.asarray(shapely.orient_polygons(hull).exterior.coords)[:-1]
    tool = Solid.extrude([ring], 200).translate((0, 0, -100))
    if toward == EAST:
        tool = tool.transform(X_UP).translate((0, 0, height))
    opening = mouth(tool, toward, low=(-60, -50, -60), high=(60, 50, 60))
    key = None
    if flat:
        key = np.array([0.0, 0.0, 1.0] if toward == EAST else [1.0, 0.0, 0.0])
    size = PrintSize(20.0, taper, side, end)
    try:
        one = make_print(opening, size, key)
    except GeometryFault:
        assume(False)
    planes = ConvexHull(one.seat.to_mesh().vertices).equations
    points = one.core.to_mesh().vertices
    clear = -(points @ planes[:, :3].T + planes[:, 3])
    along = planes[:, :3] @ one.axis
    level = np.abs(along) < 0.9
    across = clear[:, level] / np.sqrt(1.0 - along[level] ** 2)  # within the section
    assert across.min() > side - 1e-5
    assert clear[:, along > 0.9].min() == pytest.approx(end, abs=1e-5)
    # in each section the gap is the one asked for where a side runs along
    near = plan(one.core_rings[0], one).exterior.distance(plan(one.seat_rings[0], one).exterior)
    assert near == pytest.approx(side, abs=1e-5)
    assert (one.core - one.seat).volume == pytest.approx(0.0, abs=1e-6)


def tilted(degrees: float) -> Solid:
    return bored(rod(12, -80, 80)).transform(rotation((0, 1, 0), degrees, np.zeros(3)))


@pytest.mark.parametrize("degrees", [2.0, 30.0, 45.0, 87.0])
def test_a_sloping_mouth_is_refused_with_its_slope(degrees: float):
    opening = only_void(tilted(degrees)).openings[0]
    with pytest.raises(GeometryFault, match=rf"slopes {90.0 - degrees:.1f} degrees.*--pull"):
        side_of(opening)


@pytest.mark.parametrize("degrees", [0.5, 89.5])
def test_a_mouth_within_a_degree_of_level_or_upright_is_taken(degrees: float):
    opening = only_void(tilted(degrees)).openings[0]
    assert side_of(opening) in (("cope", "drag") if degrees < 1 else ("horizontal",))


@pytest.mark.parametrize(
    ("low", "high", "toward", "half"),
    [((-60, -50, 10), (60, 50, 40), DOWN, "cope"), ((-60, -50, -40), (60, 50, -10), UP, "drag")],
)
def test_a_mouth_that_faces_the_parting_from_within_a_half_is_refused(low, high, toward, half):
    opening = mouth(rod(12, -80, 80), toward, low=low, high=high)
    with pytest.raises(GeometryFault, match=f"faces the parting from within the {half}"):
        make_print(opening, PrintSize(20.0, 2.0, 0.3, 0.5))


def test_a_mouth_on_the_parting_itself_gets_its_print_in_the_other_half():
    low, high = (-60, -50, -40), (60, 50, 0)
    assert side_of(mouth(rod(12, -80, 80), UP, low=low, high=high)) == "cope"
    low, high = (-60, -50, 0), (60, 50, 40)
    assert side_of(mouth(rod(12, -80, 80), DOWN, low=low, high=high)) == "drag"


def test_a_print_that_its_taper_would_eat_up_is_refused():
    opening = mouth(rod(12, -80, 80), UP)
    make_print(opening, PrintSize(40.0, 5.0, 0.3, 0.5))
    with pytest.raises(GeometryFault, match=r"narrows to nothing over its length"):
        make_print(opening, PrintSize(100.0, 5.0, 0.3, 0.5))
    with pytest.raises(GeometryFault, match=r"\(0\.00, 0\.00, 40\.00\) mm"):
        make_print(opening, PrintSize(400.0, 5.0, 0.3, 0.5))


@pytest.mark.parametrize("lying", [False, True])
@pytest.mark.parametrize("degrees", [0.0, 7.0, 61.7, 123.4])
def test_hole_and_prints_are_one_body_however_the_part_lies(degrees: float, lying: bool) -> None:
    """Corners of lid and print that differ in the last place once left two bodies, or films."""
    tool = rod(20, -100, 100).transform(X_UP) if lying else rod(20, -100, 100)
    part = bored(tool).transform(rotation([0.0, 0.0, 1.0], degrees, np.array([3.1, 2.2, 0.0])))
    core, _ = cored(part)
    assert len(core.solid.bodies()) == 1
    told = core.hollow.volume + sum(one.core.volume for one in core.prints)
    assert core.solid.volume == pytest.approx(told, rel=1e-9)
