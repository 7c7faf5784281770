"""Halves of random solids meet on the parting, draw, and hold no more than matching explains.

Whether they meet, and how far they stand out of their draft hull, is told by the proof, which
shares no code with the matching.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hull_checks import assert_draws, missing_depth
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from matching_shapes import Trial, random_trial

from patternprep.mesh.kernel import Solid
from patternprep.mesh.write import settle
from patternprep.pattern.draft import DraftedPattern, draft_pattern
from patternprep.proof.excess import excess_lines
from patternprep.proof.meet import meeting_lines
from patternprep.proof.model import Scene

MIRROR = np.diag([1.0, 1.0, -1.0, 1.0])

MENDED = {
    "a wall whose rim bends back behind its own end": (171, (0, 2, 3)),
    "a bar whose end looks at its own side": (150, (0, 1)),
    "a mitre carried past the end of its wall": (32, (0, 1, 2, 3)),
    "a round corner beside an overhang": (68, (0, 1)),
    "a wall that ends at a filled overhang": (36, (0,)),
    "a lying frustum that leaves its wall at a corner": (348, ()),
    "a wall over a plate thinner than any bead": (173, (0, 1, 2, 4)),
    "a half thinner than the lap of a bead": (517, (0, 1, 2)),
    "a sliver of a half beside a hull": (594, (2,)),
    "a notch between two walls, crossed by a taper": (208, (0, 1, 4)),
    "a notch bridged at both halves": (4, ()),
    "a bead that ends on the outline of a filled overhang": (168, (0,)),
    "a bead between two boxes": (205, (1,)),
    "the tip of a bead": (8, (0, 1, 2, 3)),
    "a wall of which only a corner stands on the outline": (546, (0, 1)),
    "feet some millionths apart in a small hull": (328, (0, 1)),
    "feet some millionths apart on a round part": (495, (0,)),
    "an outline along an edge of the other half's parting": (119, ()),
}
KNOWN = {
    "a deep notch between a block and a hull": (191, ()),
    "a taper swells beside a buried foot": (435, ()),
}


@pytest.mark.parametrize("case", MENDED.values(), ids=MENDED.keys())
def test_shape_that_once_failed(case: tuple[int, tuple[int, ...]]) -> None:
    trial = random_trial(*case)
    assert trial is not None
    _assert_matched(trial)


@pytest.mark.xfail(
    strict=True, raises=AssertionError, reason="a taper stands out above a buried foot"
)
@pytest.mark.parametrize("case", KNOWN.values(), ids=KNOWN.keys())
def test_shape_that_is_still_refused(case: tuple[int, tuple[int, ...]]) -> None:
    trial = random_trial(*case)
    assert trial is not None
    _assert_matched(trial)


@given(st.integers(20_000, 40_000))
@settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.filter_too_much],
)
def test_random_solids_meet_draw_and_hold_no_more(seed: int) -> None:
    trial = random_trial(seed)
    assume(trial is not None)
    assert trial is not None
    low, high = trial.solid.bounds[:, 2]
    assume(low < 0.0 < high)
    _assert_matched(trial)


def _assert_matched(trial: Trial) -> None:
    cope, drag = trial.solid.split_by_plane()
    pattern = draft_pattern(cope, drag, trial.angle_deg, trial.corner)
    assert pattern.cope is not None
    assert pattern.drag is not None
    assert pattern.parting_match_mm3 >= -1e-6
    for half, source in (
        (pattern.cope, cope),
        (pattern.drag.transform(MIRROR), drag.transform(MIRROR)),
    ):
        assert_draws(half.to_mesh(), trial.angle_deg)
        assert missing_depth(source.to_mesh(), half.to_mesh()) <= 0.002
    scene = _scene(trial, pattern)
    for line in meeting_lines(scene) + excess_lines(scene):
        assert line.passed, f"{line.name}: {line.figure} {line.unit} at {line.where}"


class _Figures:
    """What the two lines of the proof ask of figures.json."""

    file = "figures.json"

    def __init__(self, known: dict[str, Any]) -> None:
        self.known = known

    def number(self, key: str) -> float:
        return float(self.known[key])

    def text(self, key: str) -> str:
        return str(self.known[key])

    def tables(self, key: str) -> list[Any]:
        return []

    def look(self, key: str, other: object) -> object:
        return other


def _scene(trial: Trial, pattern: DraftedPattern) -> Scene:
    figures = _Figures(
        {
            "draft.angle_deg": trial.angle_deg,
            "draft.corner": trial.corner,
            "parting.match": "taper",
        }
    )
    halves: dict[str, Solid | None] = {"cope": pattern.cope, "drag": pattern.drag}
    kit: Any = SimpleNamespace(
        figures=figures,
        part=trial.solid.to_mesh(),
        frame=np.eye(4),
        cores=(),
        pieces=[
            SimpleNamespace(name=name, mesh=settle(half.to_mesh()))
            for name, half in halves.items()
            if half is not None
        ],
    )
    return Scene(kit)
