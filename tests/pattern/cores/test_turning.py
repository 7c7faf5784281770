"""Turns that a core's seats allow: found where they matter, and keyed away."""

from __future__ import annotations

import numpy as np
import pytest
from core_parts import SIZE, bored, cored, only_void, rotation
from cored_shapes import X_UP, elbow, keyed_ring, ngon, rod, slot_ring

from patternprep.mesh.kernel import Solid, union_all
from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.cores.assemble import CoreBody
from patternprep.pattern.cores.prints import Print, make_print
from patternprep.pattern.cores.turning import wrong_turn


def upright(ring: np.ndarray) -> Solid:
    return Solid.extrude([ring], 200).translate((0, 0, -100))


def level(ring: np.ndarray) -> Solid:
    return upright(ring).transform(X_UP)


def plain_turn(part: Solid) -> FloatArray | None:
    """The wrong turn of the part's core with plain prints."""
    void = only_void(part)
    prints = [make_print(o, SIZE) for o in void.openings]
    return wrong_turn(Solid.from_mesh(void.mesh), prints)


side_boss = Solid.box((-4, 0, -4), (4, 24, 4))
"""A boss on one side of a core."""

SYMMETRIC = {
    "round, upright": upright(ngon(15, 48)),
    "round, level": level(ngon(15, 48)),
    "coarse round": upright(ngon(15, 12)),
    "square": upright(ngon(15, 4)),
    "five sides": upright(ngon(15, 5)),
    "seven sides, level": level(ngon(15, 7, 0.5 * np.pi)),
    "hexagon": upright(ngon(15, 6)),
    "nine sides": upright(ngon(15, 9)),
    "slot": upright(slot_ring(30, 16)),
    "slot across the pull": level(slot_ring(30, 16)),
    "blind round": rod(15, 0, 60),
    "round with a round room": upright(ngon(12, 48))
    + Solid.cylinder(30, 25, segments=48).translate((0, 0, -15)),
}

TURNABLE = {
    "round with a boss on one side": upright(ngon(15, 48)) + side_boss,
    "square with a boss on one side": upright(ngon(16, 4)) + side_boss,
    "five sides with a boss on one side": upright(ngon(15, 5)) + side_boss,
    "seven sides with a boss on one side": upright(ngon(15, 7)) + side_boss,
    "slot with a boss on one side": upright(slot_ring(30, 16)) + side_boss,
    "long round core with a small boss": upright(ngon(30, 96))
    + Solid.cylinder(36, 4, segments=24).transform(X_UP),
    "keyway that ends before the faces": upright(ngon(15, 48))
    + Solid.box((0, -3, -20), (18, 3, 20)),
    "room at one end": upright(ngon(15, 48))
    + Solid.cylinder(20, 25, segments=24).translate((0, 0, 5)),
    "level room at one end": level(ngon(15, 48))
    + Solid.cylinder(20, 25, segments=24).translate((0, 0, 5)).transform(X_UP),
    "blind rectangle with a room to one side": Solid.box((-10, -6, 0), (10, 6, 60))
    + Solid.box((-30, -6, -20), (10, 6, 10)),
    "blind square with a room to one side": Solid.box((-10, -10, 0), (10, 10, 60))
    + Solid.box((-30, -10, -20), (10, 10, 10)),
    "level square with a boss": level(ngon(15, 4)) + side_boss,
}


@pytest.mark.parametrize("shape", SYMMETRIC)
def test_no_turn_of_a_core_that_looks_the_same_matters(shape: str):
    part = bored(SYMMETRIC[shape])
    assert plain_turn(part) is None
    assert cored(part)[0].keyed == ""


@pytest.mark.parametrize("shape", TURNABLE)
def test_a_turn_that_puts_the_body_elsewhere_is_found_and_keyed_away(shape: str):
    part = bored(TURNABLE[shape])
    turn = plain_turn(part)
    assert turn is not None
    assert turn[:3, :3] @ turn[:3, :3].T == pytest.approx(np.eye(3), abs=1e-9)
    assert np.linalg.det(turn[:3, :3]) == pytest.approx(1.0)
    core, _ = cored(part)
    assert core.keyed != ""
    assert other_ways(core) == []


@pytest.mark.parametrize(
    "tool",
    [
        upright(keyed_ring(15, 3, 20)),
        upright(np.array([[-15, -15], [15, -15], [15, 15], [0, 22], [-15, 10]], dtype=float)),
        upright(ngon(15, 48)) - Solid.box((9, -50, -200), (50, 50, 200)),
    ],
)
def test_a_section_that_tells_the_way_needs_no_key_about_its_axis(tool):
    """Only end over end might such a core go, and then its section does not meet the seat."""
    core, _ = cored(bored(tool))
    assert other_ways(core) == []


def test_unequal_outlets_of_an_elbow_tell_it_from_itself_turned():
    equal = elbow().part
    assert plain_turn(equal) is None  # end for end it is the same
    with_boss = equal - rod(6, -12, 12, (35, 35))
    assert plain_turn(with_boss) is None


def test_an_elbow_with_a_boss_near_one_end_is_keyed():
    tool = rod(14, -15, 15, (47, 17))
    part = (elbow().part + rod(20, -20, 20, (47, 17))) - union_all([tool, hollow_of(elbow().part)])
    turn = plain_turn(part)
    assert turn is not None
    core, _ = cored(part)
    assert core.keyed != ""
    assert other_ways(core) == []


def hollow_of(part: Solid) -> Solid:
    return Solid.from_mesh(only_void(part).mesh)


def other_ways(core: CoreBody) -> list[str]:
    """Turns in fine steps that set all prints within the seats and the body elsewhere.

    Nothing is taken from the module: turns about each print's axis by 5 degrees and by the odd
    turns of regular sections, and about lines across that swap two prints; a turn is allowed when
    no more than 1 mm3 of the prints sticks out of the seats; it matters when some piece that is
    thicker than chords and play sticks out of the body.
    """
    found = []
    prints = union_all([p.core for p in core.prints])
    for name, turn in independent_turns(core.prints):
        out = prints.transform(turn) - core.seats
        if out.volume > 1.0:
            continue
        pieces = (core.hollow.transform(turn) - core.hollow).bodies()
        if any(2.0 * p.volume > 0.6 * p.area and p.volume > 20.0 for p in pieces):
            found.append(name)
    return found


def independent_turns(prints: tuple[Print, ...]):
    angles = sorted({*range(0, 360, 5), 72, 144, 216, 288, *(360 * k / 7 for k in range(7))})
    for i, one in enumerate(prints):
        middle = one.core_rings[0].mean(axis=0)
        for point in (one.opening.point, middle):
            for angle in angles[1:]:
                yield f"about {i} by {angle}", rotation(one.axis, angle, point)
        across = np.cross(one.axis, [0.36, 0.48, 0.8])
        for j, other in enumerate(prints):
            if j <= i:
                continue
            halfway = 0.5 * (one.opening.point + other.opening.point)
            bisector = one.axis + other.axis
            if np.linalg.norm(bisector) > 1e-6:
                yield f"swap {i} {j}", rotation(bisector, 180, halfway)
            else:
                for angle in angles:
                    line = rotation(one.axis, angle, np.zeros(3))[:3, :3] @ across
                    yield f"over {i} {j} by {angle}", rotation(line, 180, halfway)
