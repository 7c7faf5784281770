"""The proof as a table: a line for each thing proved."""

from __future__ import annotations

from collections.abc import Sequence

from patternprep.proof.line import ProofLine
from patternprep.proof.words import figure_text, place_text

__all__ = ["proof_text"]


def proof_text(lines: Sequence[ProofLine]) -> str:
    """A table of at most 80 columns."""
    rows = [f"{'':6}{'proved from the written files':<44}{'figure':>13}  {'limit':<15}"]
    for line in lines:
        mark = "ok" if line.passed else "FAILS"
        limit = "" if line.limit is None else f"{line.limit:g} {line.unit}"
        rows.append(f"{mark:<6}{line.name:<44.44}{figure_text(line.figure):>13}  {limit:<15.15}")
        if not line.passed and line.where is not None:
            rows.append(f"{'':6}{place_text(line.where)}")
    failed = sum(1 for line in lines if not line.passed)
    rows.append(
        f"All {len(lines)} lines hold." if failed == 0 else f"{failed} of {len(lines)} lines fail."
    )
    return "\n".join(row.rstrip() for row in rows)
