"""The job file: every key stated, every slip refused in a sentence."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from patternprep.errors import FileFault, UsageFault
from patternprep.kit.job import build_job, dump_job, load_job

LEAST: dict[str, Any] = {"part": {"file": "cap.stl"}, "alloy": {"name": "LM25"}}


def with_values(**sections: Any) -> dict[str, Any]:
    return {**LEAST, **sections}


def test_a_dumped_job_states_every_key_and_reads_back_equal() -> None:
    job = build_job(with_values(stock=[{"face": "+z", "amount": "2 mm"}]), "here")
    text = dump_job(job)
    assert build_job(tomllib.loads(text), "there") == job
    for key in ("units", "basis", "pull", "corner", "allowance_grade", "pour_off"):
        assert f"{key} = " in text


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"part": {"file": "a"}}, ["alloy", "missing"]),
        (with_values(part={"file": "a", "unit": "mm"}), ["part.unit", "units"]),
        (with_values(drafts={}), ["drafts", "draft"]),
        (with_values(draft={"angle": "2 bananas"}), ["draft.angle", "bananas"]),
        (with_values(draft={"corner": "square"}), ["draft.corner", "mitred", "round"]),
        (with_values(contraction={"value": "1.9"}), ["contraction.value", "1.9"]),
        (with_values(stock=[{"face": "+z"}]), ["stock.0.amount", "missing"]),
        (with_values(stock=[{"fase": "+z", "amount": "1 mm"}]), ["fase", "face"]),
        (with_values(estimate={"castings_per_mould": 0}), ["castings_per_mould"]),
    ],
)
def test_a_slip_is_named_with_its_key(values: dict[str, Any], words: list[str]) -> None:
    with pytest.raises(UsageFault) as caught:
        build_job(values, "job.toml")
    for word in ["job.toml", *words]:
        assert word in caught.value.message


def test_the_part_is_found_from_the_folder_of_the_job(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    path.write_text('[part]\nfile = "a.stl"\n[alloy]\nname = "LM25"\n', encoding="utf-8")
    assert load_job(path).part.file == str(tmp_path / "a.stl")


@pytest.mark.parametrize(
    ("text", "words"), [("x = = 1", "TOML"), ("version = 2", "version"), ("", "part")]
)
def test_a_file_that_is_no_job_is_refused(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "job.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(UsageFault, match=words):
        load_job(path)


def test_an_absent_job_is_refused(tmp_path: Path) -> None:
    with pytest.raises(FileFault):
        load_job(tmp_path / "no.toml")
