"""Mass, metal and plastic of a kit, through the estimate's formulas."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from patternprep.data.alloy_book import Alloy
from patternprep.kit.job import Job
from patternprep.kit.pieces import Piece

__all__ = ["MetalFigures", "metal_figures"]


@dataclass(frozen=True)
class MetalFigures:
    """The sections of the figures that speak of metal."""

    alloy: dict[str, Any]
    casting_kg: float
    pour: dict[str, Any]
    charge: dict[str, Any]
    pattern: dict[str, Any]
    steps: list[dict[str, Any]]
    cautions: list[str]


def metal_figures(
    job: Job, alloy: Alloy, casting_mm3: float, pieces: Sequence[Piece]
) -> MetalFigures:
    """Sections alloy, casting, pour, charge and pattern for a casting of a volume in mm3."""
    raise NotImplementedError
