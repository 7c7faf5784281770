"""One line of the proof: what was measured, against which limit, and where it was worst."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

__all__ = ["Place", "ProofLine", "above", "at_most", "verdict"]

Place = tuple[float, float, float]


@dataclass(frozen=True)
class ProofLine:
    """One thing proved or not.

    ``figure`` is what was measured, ``limit`` what is allowed, both in ``unit``; the limit is the
    most that passes or, with ``least``, the least; ``where`` is the
    worst place in mould-frame mm (for a fault of the part's own file: in the part's own axes), or
    None when the thing has no place.
    """

    name: str
    passed: bool
    figure: float
    limit: float
    unit: str
    where: Place | None = None
    least: bool = False

    def as_dict(self) -> dict[str, Any]:
        """Plain values, as they stand in figures.json."""
        return {
            "name": self.name,
            "passed": self.passed,
            "figure": self.figure,
            "limit": self.limit,
            "limit_is": "least" if self.least else "most",
            "unit": self.unit,
            "where": None if self.where is None else list(self.where),
        }


def _place(where: Sequence[float] | np.ndarray[Any, Any] | None) -> Place | None:
    if where is None:
        return None
    x, y, z = (round(float(c), 4) + 0.0 for c in where)
    return (x, y, z) if math.isfinite(x + y + z) else None


def at_most(
    name: str,
    figure: float,
    limit: float,
    unit: str,
    where: Sequence[float] | np.ndarray[Any, Any] | None = None,
) -> ProofLine:
    """A line that passes when the figure is at most the limit (and is a number at all)."""
    figure, limit = float(figure), float(limit)
    return ProofLine(name, figure <= limit, figure, limit, unit, _place(where))


def above(
    name: str,
    figure: float,
    limit: float,
    unit: str,
    where: Sequence[float] | np.ndarray[Any, Any] | None = None,
) -> ProofLine:
    """A line that passes when the figure is at least the limit."""
    figure, limit = float(figure), float(limit)
    return ProofLine(name, figure >= limit, figure, limit, unit, _place(where), least=True)


def verdict(lines: Sequence[ProofLine]) -> bool:
    """True when there are lines and every one of them passed."""
    return bool(lines) and all(line.passed for line in lines)
