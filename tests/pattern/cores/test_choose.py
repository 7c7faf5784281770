"""What becomes of a hole: sand, core or solid, by rules that answer with their words."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest
from cored_shapes import (
    X_UP,
    Y_UP,
    block,
    body_with_outlets,
    crossing,
    ngon_area,
    opens_in_recess,
    rod,
    stepped,
    tapered,
)

from patternprep.mesh.kernel import Solid, union_all
from patternprep.pattern.cores.choose import (
    Choice,
    choose_holes,
    drill_mm,
    joined_choices,
    overhangs,
    sand_depths,
)
from patternprep.pattern.cores.model import Void
from patternprep.pattern.cores.voids import find_voids


@dataclass
class Rules:
    """Sand stands to ``standing`` times its width, hangs to ``hanging`` times; drills to 12 mm."""

    standing: float = 1.0
    hanging: float = 0.5
    asked: list[tuple[float, float, bool]] = field(default_factory=list)

    def stands(self, diameter_mm: float, depth_mm: float, hanging: bool) -> tuple[bool, str]:
        self.asked.append((diameter_mm, depth_mm, hanging))
        most = (self.hanging if hanging else self.standing) * diameter_mm
        return depth_mm <= most, f"{'hangs' if hanging else 'stands'} to {most:.1f} mm"

    def drilled(self, diameter_mm: float) -> tuple[bool, str]:
        return diameter_mm <= 12.0, "it is drilled"


def voids(part: Solid, lower: float = 0.0) -> tuple[Void, ...]:
    """The holes of the part with the parting that far above its foot."""
    return find_voids(part.translate((0, 0, -lower)).to_mesh())


def fates(found: list[Choice]) -> dict[str, str]:
    return {c.void.name: c.fate for c in found}


@pytest.mark.parametrize(
    ("part", "lower", "depths"),
    [
        (lambda: block() - rod(15, -5, 45), 0.0, [(40.0, True)]),  # through, in the cope: it hangs
        (
            lambda: block() - rod(15, -5, 45),
            40.0,
            [(40.0, False)],
        ),  # through, in the drag: it stands
        (
            lambda: block() - rod(15, -5, 45),
            15.0,
            [(25.0, True), (15.0, False)],
        ),  # across the parting
        (lambda: block() - rod(15, 12, 45), 0.0, [(28.0, True)]),  # blind, open to the cope
        (lambda: block() - rod(15, -5, 28), 40.0, [(28.0, False)]),  # blind, open to the drag
        (
            lambda: block() - rod(15, -5, 28),
            0.0,
            [(28.0, False)],
        ),  # blind, open to the parting from above
        (
            lambda: block() - rod(15, 12, 45),
            40.0,
            [(28.0, True)],
        ),  # blind, open to the parting from below
    ],
)
def test_bodies_of_sand_stand_in_the_drag_and_hang_in_the_cope(part, lower, depths):
    (void,) = voids(part(), lower)
    found = sand_depths(void)
    assert [d for d, _ in found] == pytest.approx([d for d, _ in depths])
    assert [h for _, h in found] == [h for _, h in depths]


@pytest.mark.parametrize(
    ("part", "lower", "expected"),
    [
        (lambda: block() - rod(15, -5, 45), 0.0, False),
        (lambda: block() - rod(15, -5, 45), 20.0, False),
        (lambda: block() - rod(15, 12, 45), 0.0, False),
        (lambda: block() - rod(15, 12, 45), 20.0, True),  # its floor is below the parting
        (lambda: tapered().part, 0.0, False),  # widens to the cope, in the cope
        (lambda: tapered().part, 40.0, True),  # widens to the parting, in the drag
        (lambda: crossing().part, 30.0, True),
        (lambda: block() - rod(15, -60, 60).transform(X_UP).translate((0, 0, 20)), 20.0, True),
    ],
)
def test_walls_over_the_sand_overhang(part, lower, expected):
    assert overhangs(voids(part(), lower)[0]) is expected


def test_overhang_of_a_level_bore_is_its_whole_roof():
    tool = Solid.box((-60, -10, 10), (60, 10, 30))
    (void,) = voids(block() - tool, 20.0)
    # roof above the parting and floor below it: each the length by the width
    assert void.ceiling_mm2 == pytest.approx(2 * 100 * 20)
    (void,) = voids(block() - tool, 0.0)
    assert void.ceiling_mm2 == pytest.approx(100 * 20)
    assert void.plan_mm2 == pytest.approx(100 * 20)


def test_a_wide_hole_stays_sand_and_a_deep_one_gets_a_core_with_the_rules_words():
    wide, deep = block() - rod(30, -5, 45), block() - rod(15, -5, 45)
    rules = Rules()
    (choice,) = choose_holes(voids(wide, 40.0), rules, frozenset(), auto=True)
    assert (choice.fate, choice.reason) == ("sand", "the mould's own sand draws from it and stands")
    width, depth, hanging = rules.asked[0]
    assert width == pytest.approx(np.sqrt(4 * ngon_area(30) / np.pi))
    assert (depth, hanging) == (pytest.approx(40.0), False)
    (choice,) = choose_holes(voids(wide, 0.0), rules, frozenset(), auto=True)
    assert (choice.fate, choice.reason[:9]) == ("core", "hangs to ")
    (choice,) = choose_holes(voids(deep, 40.0), rules, frozenset(), auto=True)
    assert (choice.fate, choice.reason[:10]) == ("core", "stands to ")


def test_across_the_parting_both_bodies_have_to_hold():
    part = block() - rod(15, -5, 45)
    assert choose_holes(voids(part, 27.0), Rules(), frozenset(), auto=True)[0].fate == "sand"
    assert choose_holes(voids(part, 20.0), Rules(), frozenset(), auto=True)[0].fate == "core"
    assert choose_holes(voids(part, 35.0), Rules(), frozenset(), auto=True)[0].fate == "core"


def test_the_narrow_end_of_a_tapered_hole_counts_for_the_sand():
    rules = Rules()
    choose_holes(voids(tapered().part, 0.0), rules, frozenset(), auto=True)
    assert rules.asked[0][0] == pytest.approx(np.sqrt(4 * ngon_area(10) / np.pi))


def test_a_small_hole_is_left_solid_unless_asked_for():
    found = voids(block() - rod(5, -5, 45), 40.0)
    (choice,) = choose_holes(found, Rules(), frozenset(), auto=True)
    assert choice.fate == "solid"
    assert choice.reason.startswith("stands to ")
    assert choice.reason.endswith("; it is drilled")
    (choice,) = choose_holes(found, Rules(), frozenset({"hole 1"}), auto=True)
    assert (choice.fate, choice.reason) == ("core", "asked for")


def test_without_rules_only_what_is_named_gets_a_core():
    found = voids(block() - rod(5, -5, 45) - rod(6, -5, 45, (30, 0)), 40.0)
    choices = choose_holes(found, Rules(), frozenset({"hole 2"}), auto=False)
    assert fates(choices) == {"hole 1": "sand", "hole 2": "core"}


def test_what_a_drill_must_take_is_the_whole_hole():
    (plain,) = voids(block() - rod(5, -5, 45))
    assert drill_mm(plain) == pytest.approx(plain.openings[0].diameter_mm)
    (slot,) = voids(block() - Solid.box((-20, -3, -5), (20, 3, 45)))
    rim = np.hypot(20, 3)
    assert drill_mm(slot) == pytest.approx(slot.openings[0].diameter_mm)
    assert drill_mm(slot) < 2 * rim
    (room,) = voids(block() - (rod(4, 30, 45) + rod(25, 5, 20) + rod(25, 20, 30, top=4)))
    assert drill_mm(room) == pytest.approx(25 / 4 * room.openings[0].diameter_mm)
    (level,) = voids(block() - rod(4, -60, 60).transform(Y_UP).translate((0, 0, 20)))
    assert drill_mm(level) == pytest.approx(level.openings[0].diameter_mm)


def test_a_room_behind_a_narrow_mouth_is_no_hole_for_the_drill():
    part = block() - (rod(5, 30, 45) + rod(25, 5, 20) + rod(25, 20, 30, top=5))
    (choice,) = choose_holes(voids(part, 0.0), Rules(), frozenset(), auto=True)
    assert choice.fate == "core"


def test_the_only_way_out_of_a_cored_hole_is_cored_with_it():
    """A room whose sole neck is small enough for the drill: the neck alone would be left solid."""
    part = block() - rod(25, 5, 30) - rod(5, 20, 45)
    found = voids(part, 0.0)
    choices = choose_holes(found, Rules(), frozenset(), auto=True)
    assert fates(choices) == {"hole 1": "core", "hole 2": "core"}
    assert choices[1].reason == "it continues hole 1, which gets a core"


def test_a_pocket_inside_a_cored_room_is_cored_with_it():
    """Sand would stand in the pocket, but none can get there."""
    made = block(60.0) - rod(25, 25, 50) - rod(12, 45, 65) - rod(20, 20, 30)
    found = voids(made, 0.0)
    choices = choose_holes(found, Rules(standing=9.0, hanging=9.0), frozenset(), auto=True)
    assert set(fates(choices).values()) == {"core"}
    (joined,) = joined_choices(made.to_mesh(), choices)
    assert joined.void.volume_mm3 == pytest.approx(
        25 * ngon_area(25) + 10 * ngon_area(12) + 5 * ngon_area(20)
    )


def test_a_hole_from_a_drilled_one_is_left_solid_with_it():
    """A short wide step that only a drilled hole leads to is of no use without it."""
    part = block(60.0) - rod(5, 8, 65) - rod(6, 2, 8)
    found = voids(part, 0.0)
    choices = choose_holes(found, Rules(standing=1.0, hanging=1.0), frozenset(), auto=True)
    assert set(fates(choices).values()) == {"solid"}


def test_a_drilled_drain_is_no_mouth_of_the_core():
    room = [rod(25, 5, 30), rod(20, 20, 45), rod(4, -5, 10)]
    part = block() - union_all(room)
    mesh = part.to_mesh()
    choices = choose_holes(find_voids(mesh), Rules(hanging=0.1), frozenset(), auto=True)
    assert sorted(fates(choices).values()) == ["core", "core", "solid"]
    core, drain = joined_choices(mesh, choices)
    assert (core.fate, drain.fate) == ("core", "solid")
    assert len(core.void.openings) == 1
    assert core.void.openings[0].normal[2] == pytest.approx(1.0)
    assert core.void.volume_mm3 == pytest.approx(25 * ngon_area(25) + 10 * ngon_area(20))


def test_cored_holes_that_lead_into_each_other_become_one_and_the_others_follow():
    mesh = union_all(
        [
            stepped().part,
            stepped().part.translate((150, 0, 0)),
            opens_in_recess().part.translate((300, 0, 0)),
        ]
    ).to_mesh()
    found = find_voids(mesh)
    assert len(found) == 9
    first = {v.name for v in found if v.point[0] < 60}
    recess = next(v.name for v in found if v.volume_mm3 == pytest.approx(60 * 40 * 15))
    choices = choose_holes(found, Rules(), frozenset(first | {recess}), auto=False)
    joined = joined_choices(mesh, choices)
    assert [c.fate for c in joined] == ["core"] * 2 + ["sand"] * 3
    volumes = [c.void.volume_mm3 for c in joined[:2]]
    assert volumes == sorted(volumes)[::-1]
    one = next(c for c in joined if set(c.void.members) == first)
    assert one.reason == "asked for"
    other = next(c for c in joined[:2] if c is not one)
    assert other.void.members[0] == recess
    assert other.reason == f"asked for; it continues {recess}, which gets a core"


def test_a_body_with_outlets_is_one_core():
    made = body_with_outlets()
    mesh = made.part.to_mesh()
    choices = choose_holes(find_voids(mesh), Rules(), frozenset(), auto=True)
    (core,) = joined_choices(mesh, choices)
    assert core.fate == "core"
    assert core.void.volume_mm3 == pytest.approx(made.volumes[0])
    assert len(core.void.openings) == 3


def test_no_holes_give_no_choices():
    assert choose_holes((), Rules(), frozenset(), auto=True) == []
    assert joined_choices(block().to_mesh(), []) == []
