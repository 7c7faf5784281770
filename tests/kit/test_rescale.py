"""What mere scaling of a kit's files would keep and spoil: in the casting, with figures."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from patternprep.kit.job import build_job, dump_job
from patternprep.kit.rescale import rescale_kit
from patternprep.report.rescale import rescale_text


def kit(folder: Path, faces: list[dict[str, Any]], factor: float = 1.013, **sections: Any) -> Path:
    job = {"part": {"file": "part.stl"}, "alloy": {"name": "LM6"}, **sections}
    (folder / "job.toml").write_text(dump_job(build_job(job, "here")), encoding="utf-8")
    figures = {
        "part": {"size_mm": [100.0, 80.0, 20.0]},
        "alloy": {"name": "LM6", "plain_name": "aluminium-silicon alloy, 12 % Si"},
        "contraction": {"total_factors": [factor] * 3},
        "stock": {"faces": faces},
    }
    (folder / "figures.json").write_text(json.dumps(figures), encoding="utf-8")
    return folder


def face(name: str, amount: float, asked: str) -> dict[str, Any]:
    return {"name": name, "amount_mm": amount, "asked": asked}


def test_given_stock_is_kept_and_told_with_what_it_gains_on_the_pattern(tmp_path: Path) -> None:
    faces = [face("plane 1", 2.0, "given as 2 mm")]
    told = rescale_kit(kit(tmp_path, faces), "C95400")
    assert not any("stock" in words for words in told["spoilt_by_mere_scaling"])
    (kept,) = told["kept_by_mere_scaling"]
    assert "plane 1 2.00 mm" in kept
    assert f"{2.0 * (told['scale_factors'][0] - 1.0):+.3f} mm" in kept
    text = rescale_text(told, None)
    for alloy in ("LM6, ", "C95400, "):
        assert alloy in text


def test_stock_by_a_table_is_spoilt_only_where_the_table_parts_the_metals(tmp_path: Path) -> None:
    faces = [face("plane 1", 1.6, "handbook, non-ferrous")]
    rule = {"rule": "handbook"}
    stock = [{"face": "plane 1", "amount": "table"}]
    made = kit(tmp_path, faces, stock=stock, stock_rule=rule)
    assert rescale_kit(made, "LM25")["kept_by_mere_scaling"]
    told = rescale_kit(made, "WCB")
    assert told["kept_by_mere_scaling"] == []
    assert "1.60 mm by the handbook table" in told["spoilt_by_mere_scaling"][0]
    made = kit(tmp_path, faces, stock=stock)
    assert rescale_kit(made, "WCB")["kept_by_mere_scaling"]


def test_stock_of_a_master_is_told_with_its_change(tmp_path: Path) -> None:
    faces = [face("plane 1", 0.987, "0.987 mm to finish the master")]
    master = {"alloy": "LM6", "stock": "1 mm"}
    told = rescale_kit(kit(tmp_path, faces, 1.0262, master=master), "C95400")
    assert told["kept_by_mere_scaling"] == []
    change = 1.0 * (told["scale_factors"][0] - 1.0)
    assert told["spoilt_by_mere_scaling"][0].endswith(f"would change by {change:+.3f} mm")


@pytest.mark.parametrize(("to", "said"), [("aluminium", True), ("LM0", False)])
def test_a_broad_name_is_told(tmp_path: Path, to: str, said: bool) -> None:
    told = rescale_kit(kit(tmp_path, []), to)
    assert told["to"] == "LM0"
    assert bool(told["taken"]) == said
    assert ("Look at this" in rescale_text(told, None)) == said
