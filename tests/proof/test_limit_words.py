"""On which side of its limit a figure must lie is told, in rows, tables and sentences."""

from __future__ import annotations

from pathlib import Path

from patternprep.proof.line import above, at_most
from patternprep.proof.words import failure_sentence, limit_text, proof_rows

STEEP = above("steepest wall of the cope", 2.0, 1.8, "deg")
DEEP = at_most("part within pattern, depth", 0.001, 0.002, "mm")


def test_rows_tell_a_least_from_a_most() -> None:
    assert [row["limit_is"] for row in proof_rows([STEEP, DEEP])] == ["least", "most"]
    assert STEEP.passed
    assert DEEP.passed


def test_limits_in_words() -> None:
    assert limit_text(1.8, "deg", least=True) == "at least 1.8 deg"
    assert limit_text(0.0, "", least=False) == "at most 0"


def test_a_failure_says_what_the_figure_should_have_been() -> None:
    low = above("steepest wall of the cope", 1.0, 1.8, "deg", (0.0, 0.0, 1.0))
    assert not low.passed
    assert "1 deg, must be at least 1.8 deg" in failure_sentence(Path("kit"), [low])
