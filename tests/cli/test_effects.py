"""Options that would change nothing are refused with what they need; defaults in a file are not."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from patternprep.cli.effects import _RULES
from patternprep.cli.options import KEYS, as_job
from patternprep.errors import UsageFault
from patternprep.kit.job import build_job, dump_job

PART = Path(__file__).parents[2] / "demo_models" / "bearing_cap.stl"
IDLE: list[tuple[dict[str, Any], list[str]]] = [
    ({"draft_table": "wood"}, ["--draft-table", "--draft table"]),
    ({"draft_table": "wood", "draft": "2 deg"}, ["--draft-table", "--draft table"]),
    ({"allowance_grade": "F"}, ["--allowance-grade", "--stock"]),
    ({"allowance_grade": "F", "stock": ["+z=2 mm"]}, ["--allowance-grade", "table"]),
    (
        {"tolerance_grade": "11", "stock": ["+z=table"], "stock_rule": "handbook"},
        ["--tolerance-grade", "--stock-rule iso"],
    ),
    ({"stock_rule": "handbook"}, ["--stock-rule", "--stock"]),
    ({"cope_extra": "30 %"}, ["--cope-extra", "--stock"]),
    ({"contraction_axes": "mould"}, ["--contraction-axes", "--contraction-z"]),
    ({"contraction_basis": "pattern"}, ["--contraction-basis", "--contraction"]),
    ({"cored": True}, ["--cored", "grey iron"]),
    ({"cored": True, "alloy": "grey iron", "contraction": "1 %"}, ["--cored", "book"]),
    ({"master_stock": "1 mm"}, ["--master-stock", "--master-alloy"]),
    ({"camber_along": "y"}, ["--camber-along", "--camber"]),
    ({"print_length": "20 mm", "core": ["none"]}, ["--print-length", "--core"]),
    ({"binder": "oil", "core": ["none"]}, ["--binder", "--core"]),
    ({"mould_sand": "resin sand", "camber": "1 mm"}, ["--mould-sand", "--camber"]),
    ({"core": ["bore 1"], "camber": "1 mm"}, ["--core", "--camber"]),
]
WORKING: list[dict[str, Any]] = [
    {"draft_table": "wood", "draft": "table"},
    {"allowance_grade": "F", "stock": ["+z=table"]},
    {"stock_rule": "handbook", "stock": ["+z=2 mm", "-z=table"]},
    {"cope_extra": "30 %", "stock": ["+z=2 mm"]},
    {"contraction_axes": "mould", "contraction_z": "1 %"},
    {"contraction_basis": "pattern", "contraction": "2 %"},
    {"cored": True, "alloy": "grey iron"},
    {"cored": False},
    {"master_stock": "1 mm", "master_alloy": "LM6"},
    {"camber_along": "y", "camber_toward": "x", "camber": "1 mm"},
    {"core": ["none"], "camber": "1 mm"},
    {"print_length": "20 mm", "mould_sand": "resin sand"},
]


@pytest.mark.parametrize(("options", "words"), IDLE, ids=lambda v: " ".join(v))
def test_an_option_without_effect_is_refused(options: dict[str, Any], words: list[str]) -> None:
    with pytest.raises(UsageFault) as caught:
        as_job(PART, {"alloy": "LM0", **options})
    assert caught.value.message.startswith(f"{words[0]} has no effect without ")
    for word in words:
        assert word in caught.value.message


@pytest.mark.parametrize("options", WORKING, ids=lambda v: " ".join(v))
def test_an_option_with_its_effect_is_taken(options: dict[str, Any]) -> None:
    as_job(PART, {"alloy": "LM0", **options})


def test_a_job_file_that_states_every_default_stays_valid(tmp_path: Path) -> None:
    values = {"part": {"file": "a.stl"}, "alloy": {"name": "LM25"}}
    path = tmp_path / "job.toml"
    path.write_text(dump_job(build_job(values, "here")), encoding="utf-8")
    assert as_job(path, {"castings": 2}).estimate.castings_per_mould == 2
    with pytest.raises(UsageFault, match="--draft-table"):
        as_job(path, {"draft_table": "wood"})
    as_job(path, {"draft_table": "wood", "draft": "table"})


def test_every_rule_is_of_an_option_that_exists() -> None:
    assert set(_RULES) <= set(KEYS)
