"""The proof, the draft and the rapping in words: nothing cut off, nothing told twice over."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from patternprep.kit.job import build_job
from patternprep.kit.pipeline import estimate_part
from patternprep.proof.line import ProofLine
from patternprep.proof.words import proof_rows
from patternprep.report.kit import estimate_text, kit_text
from patternprep.report.layout import degrees_text, told_row
from patternprep.report.proof import proof_text

BLOCK = Path(__file__).parents[2] / "demo_models" / "bearing_cap.stl"

LINES = [
    ProofLine("undercuts as the part gives them", True, 0.4309, 1e-5, "of volume"),
    ProofLine("depth of the undercut beside the lug", True, 0.4309, 1.0, "mm of undercut"),
    ProofLine("gap of core-12 in seat 2, as the kit's figures tell", True, 0.5, 1.0, "mm"),
    ProofLine("walls of the drag under their angle", True, 1e-7, 500.0, "ppm of wall"),
]


def figures(**sections: Any) -> dict[str, Any]:
    values = {"part": {"file": str(BLOCK)}, "alloy": {"name": "LM6"}, "cores": {"holes": ["none"]}}
    made = estimate_part(build_job(values | sections, "here"))
    return made | {"pieces": [], "proof": proof_rows(LINES)}


@pytest.fixture(scope="module")
def plain() -> dict[str, Any]:
    return figures()


def test_the_proof_s_units_and_names_are_never_cut(plain: dict[str, Any]) -> None:
    for text in (proof_text(LINES), kit_text(plain, Path("kit"))):
        assert max(map(len, text.splitlines())) <= 80
        told = " ".join(text.split())
        for line in LINES:
            assert line.name in told
            assert f"{line.limit:g} {line.unit}" in told


def test_a_row_of_any_length_keeps_80_columns_and_every_word() -> None:
    for words in range(1, 40):
        for value in ("0.5 of 1 mm", "1.04e-08 of 1e-05 of volume", "0.5 of 1 mm of undercut here"):
            name = " ".join(["wall"] * words)
            text = told_row("  ", name, 48, value)
            assert max(map(len, text.splitlines())) <= 80
            assert " ".join(text.split()) == f"{name} {value}"


def test_a_proof_with_nothing_to_tell_promises_no_list(plain: dict[str, Any]) -> None:
    zero = [ProofLine("the halves meet", True, 0.0, 0.0, "mm")]
    text = kit_text(plain | {"proof": proof_rows(zero)}, Path("kit"))
    assert "Not zero are" not in text
    assert "lines hold; 'patternprep check' shows them." in text


def test_degrees_are_no_range_of_one_and_one_degree_is_one() -> None:
    assert degrees_text(1.0, 1.0) == "1 degree"
    assert degrees_text(2.0, 2.0) == "2 degrees"
    assert degrees_text(0.5, 0.5) == "0.5 degrees"
    assert degrees_text(1.0, 3.0) == "1 to 3 degrees"


def test_rapping_by_the_rule_is_told_in_words() -> None:
    text = " ".join(estimate_text(figures(rapping={"per_side": "rule"})).split())
    assert "rapping by the rule for small work: plan x " in text
    assert "rule a side" not in text
