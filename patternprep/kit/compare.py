"""One part in every alloy: pattern size, casting mass and metal side by side."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from patternprep.data.alloy_book import Alloy
from patternprep.formulas.contraction import contraction_for
from patternprep.kit.metal import quick_metal
from patternprep.mesh.read.part import read_part
from patternprep.progress import Progress, silent

__all__ = ["compare_alloys"]


def compare_alloys(
    part: Path, alloys: Sequence[Alloy], *, units: str | None = None, progress: Progress = silent
) -> dict[str, Any]:
    """Rows by alloy for the finished part alone: without stock, draft, risers and gates.

    Values that no source gives are None: not known.
    """
    read = read_part(part, units=units, progress=progress)
    mesh = read.mesh
    rows = []
    for alloy in alloys:
        row: dict[str, Any] = {"alloy": alloy.id, "name": alloy.name}
        if alloy.contraction is None and not alloy.contraction_table:
            row |= {"contraction_percent": None, "pattern_size_mm": None}
        else:
            found = contraction_for(alloy, float(mesh.size.max()), cored=False)
            row |= {
                "contraction_percent": found.percent,
                "contraction_low_percent": found.low * 100.0,
                "contraction_high_percent": found.high * 100.0,
                "pattern_size_mm": (mesh.size * found.factor).tolist(),
            }
        row |= quick_metal(alloy, mesh.volume)
        rows.append(row)
    return {
        "part": part.name,
        "part_size_mm": mesh.size.tolist(),
        "part_volume_mm3": mesh.volume,
        "counted": "the finished part alone: no stock, draft, risers or gates in the casting",
        "alloys": rows,
    }
