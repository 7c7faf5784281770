"""Time one make with cores and one without, in one process: how much the cores cost.

    python tests/benchmark/cored.py NAME PART.stl

Prints one JSON object. A make without cores goes first, unmeasured, and loads all modules.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from measure import ALLOY, Stages


def make(part: Path, holes: str, folder: Path) -> tuple[dict[str, Any], float, Stages]:
    """Figures, seconds and stages of a make with the word for its cores."""
    from patternprep.kit.job import build_job
    from patternprep.kit.pipeline import make_kit

    job = build_job(
        {"part": {"file": str(part)}, "alloy": {"name": ALLOY}, "cores": {"holes": [holes]}},
        "the benchmark",
    )
    stages = Stages()
    start = time.perf_counter()
    figures = make_kit(job, folder, overwrite=True, progress=stages)
    return figures, time.perf_counter() - start, stages


def measure(name: str, part: Path) -> dict[str, Any]:
    """Seconds with and without cores, and what the cores are."""
    with tempfile.TemporaryDirectory(prefix="patternprep-benchmark-") as folder:
        out = Path(folder) / "kit"
        make(part, "none", out)
        _, plain, _ = make(part, "none", out)
        figures, cored, stages = make(part, "auto", out)
    return {
        "name": name,
        "facets_in": figures["part"]["facets"],
        "cores": len(figures["cores"]),
        "core_facets": sum(core["facets"] for core in figures["cores"]),
        "plain_s": plain,
        "cored_s": cored,
        "ratio": cored / plain,
        "stages": stages.done(),
    }


if __name__ == "__main__":
    print(json.dumps(measure(sys.argv[1], Path(sys.argv[2]))))
