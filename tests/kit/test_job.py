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


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"draft": {"angle": 2}}, ['"2 deg"', "text"]),
        ({"rapping": {"per_side": 0.2}}, ['"0.2 mm"']),
        ({"printer": {"infill": 20}}, ['"20 %"']),
        ({"parting": {"plane": 12.5}}, ['"12.5 mm"']),
        ({"estimate": {"heel": 1}}, ['"1 kg"']),
        ({"stock_rule": {"tolerance_grade": 12}}, ['text in quotes: "12"']),
        ({"estimate": {"castings_per_mould": "two"}}, ["'two'", "whole number"]),
        ({"estimate": {"castings_per_mould": 2.5}}, ["2.5", "whole number"]),
    ],
)
def test_a_value_of_the_wrong_kind_is_answered_with_how_to_write_it(
    values: dict[str, Any], words: list[str]
) -> None:
    with pytest.raises(UsageFault) as caught:
        build_job(with_values(**values), "job.toml")
    for word in words:
        assert word in caught.value.message


@pytest.mark.parametrize(
    ("section", "key", "wrong", "right"),
    [
        ("cores", "print_length", ["-3 mm", "0 mm"], ["10 mm", "book"]),
        ("cores", "print_gap", ["-0.1 mm"], ["0 mm", "book"]),
        ("cores", "box_wall", ["-3 mm", "0"], ["5 mm"]),
        ("cores", "coating", ["-0.2 mm"], ["0 mm"]),
        ("cores", "drilled_up_to", ["-1 in"], ["0 mm", "1/2 in"]),
        ("rapping", "per_side", ["-0.2 mm"], ["0 mm", "rule"]),
        ("master", "stock", ["-1 mm"], ["1 mm"]),
        ("estimate", "pour_off", ["-1 kg"], ["0 kg"]),
        ("estimate", "heel", ["-1 lb"], ["1 lb"]),
        ("contraction", "value", ["90 %", "-2 %", "1 in/ft"], ["1/4 in/ft", "5 %"]),
        ("contraction", "x", ["90 %"], ["", "1 %"]),
        ("printer", "infill", ["20", "0.6", "1/4 in/ft", "0 %"], ["20 %", "20 percent"]),
        ("estimate", "yield_share", ["60", "1/4 in/ft"], ["60 %", "book"]),
    ],
)
def test_an_amount_out_of_its_limits_is_refused_at_once(
    section: str, key: str, wrong: list[str], right: list[str]
) -> None:
    for text in wrong:
        with pytest.raises(UsageFault) as caught:
            build_job(with_values(**{section: {key: text}}), "job.toml")
        assert f"'{section}.{key}'" in caught.value.message
        assert f"'{text}'" in caught.value.message
    for text in right:
        build_job(with_values(**{section: {key: text}}), "job.toml")


@pytest.mark.parametrize("text", ["-2 mm", "0 mm"])
def test_stock_must_be_above_nothing(text: str) -> None:
    with pytest.raises(UsageFault, match="above 0 mm"):
        build_job(with_values(stock=[{"face": "+z", "amount": text}]), "job.toml")


def test_a_share_without_percent_is_told_to_be_percent_not_a_shrink_rule() -> None:
    with pytest.raises(UsageFault, match="'20 %'") as caught:
        build_job(with_values(printer={"infill": "20"}), "job.toml")
    assert "in/ft" not in caught.value.message


def test_a_job_that_begins_with_a_byte_order_mark_is_read(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    text = '[part]\r\nfile = "a.stl"\r\n[alloy]\r\nname = "LM25"\r\n'
    path.write_bytes(b"\xef\xbb\xbf" + text.encode())
    assert load_job(path).alloy.name == "LM25"


def test_a_backslash_in_a_path_is_answered_with_how_to_write_it(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    for name in (r"C:\parts\cap.stl", r"C:\Users\a.stl"):
        path.write_text(f'[part]\nfile = "{name}"\n', encoding="utf-8")
        with pytest.raises(UsageFault, match="single quotes") as caught:
            load_job(path)
        assert "write / for" in caught.value.message
    path.write_text("[part]\nfile = = 1\n", encoding="utf-8")
    with pytest.raises(UsageFault) as caught:
        load_job(path)
    assert "single quotes" not in caught.value.message
