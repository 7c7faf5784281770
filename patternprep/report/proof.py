"""The proof as a table: a line for each thing proved."""

from __future__ import annotations

from collections.abc import Sequence

from patternprep.proof.line import ProofLine
from patternprep.proof.words import figure_text, limit_text, place_text
from patternprep.report.layout import told_row

__all__ = ["proof_text"]


def proof_text(lines: Sequence[ProofLine]) -> str:
    """A table of at most 80 columns."""
    rows = [f"{'':6}{'proved from the written files':<39}{'figure':>10}  limit"]
    for line in lines:
        mark = "ok" if line.passed else "FAILS"
        limit = limit_text(line.limit, line.unit, least=line.least)
        rows.append(
            told_row(f"{mark:<6}", line.name, 39, f"{figure_text(line.figure):>10}  {limit}")
        )
        if not line.passed and line.where is not None:
            rows.append(f"{'':6}{place_text(line.where)}")
    failed = sum(1 for line in lines if not line.passed)
    rows.append(
        f"All {len(lines)} lines hold." if failed == 0 else f"{failed} of {len(lines)} lines fail."
    )
    return "\n".join(row.rstrip() for row in rows)
