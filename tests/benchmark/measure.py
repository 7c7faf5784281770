"""What one fresh process measures: a whole make with its stages, the floor, and peak memory.

``python tests/benchmark/measure.py MESH_NAME FILE`` prints one JSON object.
"""

from __future__ import annotations

import json
import resource
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

STARTED = time.perf_counter()

import numpy as np  # noqa: E402

STL_FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
REPEATS = 3
ALLOY = "EN-GJL-250"
STOCK = "2 mm"


def peak_mb() -> float:
    """Largest resident size of this process so far, MB (Linux counts in kB, macOS in bytes)."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1024.0 * 1024.0 if sys.platform == "darwin" else 1024.0)


class Stages:
    """A progress callback that times what lies between two calls."""

    def __init__(self) -> None:
        self.rows: list[tuple[str, float]] = []
        self._label, self._since = "reading", time.perf_counter()

    def __call__(self, stage: str) -> None:
        now = time.perf_counter()
        self.rows.append((self._label, now - self._since))
        self._label, self._since = stage, now

    def done(self) -> list[tuple[str, float]]:
        self("end")
        return [(label, seconds) for label, seconds in self.rows if seconds >= 0.0005]


def make(part: Path, faces: tuple[str, str], folder: Path) -> tuple[dict[str, Any], Stages]:
    """The whole job as a library call: stock on two faces, both halves, proof."""
    from patternprep.kit.job import build_job
    from patternprep.kit.pipeline import make_kit

    job = build_job(
        {
            "part": {"file": str(part)},
            "alloy": {"name": ALLOY},
            "stock": [{"face": face, "amount": STOCK} for face in faces],
            "cores": {"holes": ["none"]},
        },
        "the benchmark",
    )
    stages = Stages()
    return make_kit(job, folder / "kit", progress=stages), stages


def floor_once(part: Path, folder: Path) -> float:
    """Load and weld, build the solid, one union with a small box, write; seconds."""
    from patternprep.mesh.kernel import Solid
    from patternprep.mesh.read.stl import read_stl

    start = time.perf_counter()
    mesh = read_stl(part)
    corner = mesh.vertices[0]
    box = Solid.box(corner - 0.5, corner + 0.5)
    result = (Solid.from_mesh(mesh) + box).to_mesh()
    facets = np.zeros(result.facets, dtype=STL_FACET)
    facets["normal"], facets["corners"] = result.normals, result.triangles
    with (folder / "floor.stl").open("wb") as stream:
        stream.write(b" " * 80 + np.uint32(len(facets)).tobytes())
        facets.tofile(stream)
    return time.perf_counter() - start


def measure(name: str, part: Path) -> dict[str, Any]:
    """Time the make first, so that it pays for loading the libraries, then the floor."""
    with tempfile.TemporaryDirectory(prefix="patternprep-benchmark-") as folder:
        here = Path(folder)
        start = time.perf_counter()
        figures, stages = make(part, faces_of(name), here)
        seconds = time.perf_counter() - start
        rows, peak = stages.done(), peak_mb()
        since_start = time.perf_counter() - STARTED
        floor = sorted(floor_once(part, here) for _ in range(REPEATS))[REPEATS // 2]
    pieces = figures["pieces"]
    return {
        "name": name,
        "facets_in": figures["part"]["facets"],
        "facets_out": sum(piece["facets"] for piece in pieces),
        "halves": {piece["name"]: piece["facets"] for piece in pieces},
        "make_s": seconds,
        "work_s": since_start,
        "floor_s": floor,
        "ratio": seconds / floor,
        "peak_mb": peak,
        "stages": rows,
        "pull": figures["parting"]["pull_in_part"],
        "proof": figures["proof"],
    }


def faces_of(name: str) -> tuple[str, str]:
    """The two faces that get stock, without loading the modules that make the meshes."""
    return {
        "valve body": ("at -130,50,0", "at 130,50,0"),
        "spoked pulley": ("at 27,0,40", "at 27,0,-40"),
    }[name]


if __name__ == "__main__":
    print(json.dumps(measure(sys.argv[1], Path(sys.argv[2]))))
