"""Holes that cannot hold a core for the same reason are told once, with all their places."""

from __future__ import annotations

from pathlib import Path

import pytest

from patternprep.kit.core_figures import hole_warnings
from patternprep.kit.cores import _in_short
from patternprep.kit.job import build_job
from patternprep.kit.plan import make_plan

ELBOW = Path(__file__).parents[2] / "demo_models" / "pump_elbow.stl"


def test_alike_holes_share_one_sentence() -> None:
    values = {"part": {"file": str(ELBOW)}, "alloy": {"name": "LM25"}}
    plan = make_plan(build_job(values, "here"))
    assert plan.cores is not None
    left = [choice for choice in plan.cores.choices if choice.fate == "solid"]
    told = [words for words in hole_warnings(plan) if words.startswith("The hole")]
    assert len(left) > 1
    assert len(told) == len({choice.reason for choice in left}) == 1
    for choice in left:
        x, y, z = plan.frame.to_part(choice.void.point)
        assert f"({x:.1f}, {y:.1f}, {z:.1f})" in told[0]
    assert told[0].endswith("its horizontal print would run into the part.")


@pytest.mark.parametrize(
    ("fault", "short"),
    [
        (
            "The cope print of core-2 runs into the part at (1.0, 2.0, 3.0) mm in the mould "
            "(9.1 mm3); shorten it.",
            "its cope print would run into the part",
        ),
        (
            "The prints of core-1 and core-12 run into each other at (1.0, 2.0, 3.0) mm in the "
            "mould; shorten them.",
            "its print would run into that of another core",
        ),
        ("The core is in 2 bodies.", "The core is in 2 bodies"),
    ],
)
def test_a_fault_in_short_has_no_places_and_no_full_stop(fault: str, short: str) -> None:
    assert _in_short(fault) == short
