"""What the proof says, as rows for figures.json and as the sentence when it fails."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from patternprep.proof.line import ProofLine
from patternprep.units import format_point

__all__ = ["failure_sentence", "figure_text", "limit_text", "place_text", "proof_rows"]


def proof_rows(lines: Sequence[ProofLine]) -> list[dict[str, Any]]:
    """The proof as it stands in figures.json."""
    return [line.as_dict() for line in lines]


def failure_sentence(kit: Path, lines: Sequence[ProofLine], *, written: bool = True) -> str:
    """One sentence on the first line that fails, for a kit that is there or one not let appear."""
    failed = [line for line in lines if not line.passed]
    first = failed[0]
    more = f" (and {len(failed) - 1} more)" if len(failed) > 1 else ""
    figure = (
        f": {figure_text(first.figure)} {first.unit}, "
        f"must be {limit_text(first.limit, first.unit, least=first.least)}"
        if first.figure is not None and first.limit is not None
        else ""
    )
    place = "" if first.where is None else f", {place_text(first.where)}"
    fails = f"the proof fails at '{first.name}'{more}{figure}{place}"
    if written:
        return f"{kit}: {fails}; do not use this kit."
    return (
        f"{kit}: no kit was written, for {fails}; try another --pull or --parting, or less stock."
    )


def figure_text(value: float | None) -> str:
    """A figure of the proof in at most 12 characters."""
    if value is None:
        return ""
    if value == 0.0 or 1e-3 <= abs(value) < 1e6:
        return f"{value:.4f}".rstrip("0").rstrip(".")
    return f"{value:.2e}"


def limit_text(limit: float, unit: str, *, least: bool) -> str:
    """'at most 0.05 mm', or 'at least 1.8 deg' where larger figures are the better ones."""
    return f"at {'least' if least else 'most'} {limit:g} {unit}".rstrip()


def place_text(where: Any) -> str:
    """A place in the mould frame, or the words that stand for one."""
    if isinstance(where, str):
        return where
    return f"at {format_point(list(where))}"
