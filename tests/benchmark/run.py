"""The benchmark: speed and memory of the whole make, accuracy of the hull and of dimensions.

    python tests/benchmark/run.py [--sizes 20k,200k,1m] [--write] [--smoke]

Times are told as multiples of the floor (load and weld, build the solid, one union, write) taken
in the same process. Every mesh and size runs in a fresh process, so that its peak memory is its
own. ``--write`` writes docs/benchmark.md; ``--smoke`` is a quick run that must merely succeed.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
sys.path.insert(0, str(HERE))

import report  # noqa: E402

MESHES = ("valve body", "spoked pulley")
SIZES = {"20k": 20_000, "200k": 200_000, "1m": 1_000_000}
SMOKE_FACETS = 6_000


def run_script(script: str, *arguments: str) -> str:
    """Output of a script of this folder in a fresh process; its complaint when it fails."""
    done = subprocess.run(
        [sys.executable, str(HERE / script), *arguments],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )
    if done.returncode != 0:
        raise SystemExit(f"{script} {' '.join(arguments)} failed:\n{done.stderr}")
    return done.stdout


CORED_UP_TO = 200_000
"""Cored parts are timed up to this many facets."""


def measured(facets: list[int]) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """One row for each mesh and size, in order; and one for each that is made with cores too."""
    rows, cored = [], []
    with tempfile.TemporaryDirectory(prefix="patternprep-meshes-") as folder:
        for name in MESHES:
            for count in facets:
                part = Path(folder) / f"{name.replace(' ', '_')}_{count}.stl"
                run_script("meshes.py", name, str(count), str(part))
                row = json.loads(run_script("measure.py", name, str(part)))
                row["asked"] = count
                rows.append(row)
                print(report.speed_line(row), flush=True)
                if count <= CORED_UP_TO:
                    row = json.loads(run_script("cored.py", name, str(part)))
                    row["asked"] = count
                    cored.append(row)
                    print(report.cored_line(row), flush=True)
    return rows, cored


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--sizes", default="20k", help="20k, 200k, 1m, with commas between")
    parser.add_argument("--write", action="store_true", help="write docs/benchmark.md")
    parser.add_argument("--smoke", action="store_true", help="a quick run for CI")
    asked = parser.parse_args()
    unknown = [size for size in asked.sizes.split(",") if size not in SIZES]
    if unknown:
        parser.error(f"unknown size {unknown[0]}; known are {', '.join(SIZES)}")
    facets = [SMOKE_FACETS] if asked.smoke else [SIZES[size] for size in asked.sizes.split(",")]
    busy = os.getloadavg()[0]
    rows, cored = measured(facets)
    flags = ["--smoke"] if asked.smoke else []
    hulls = json.loads(run_script("hull_reference.py", *flags))
    for hull in hulls:
        print(report.hull_line(hull), flush=True)
    parts = json.loads(run_script("dimensions.py", *flags))
    for part in parts:
        print(report.dimension_line(part), flush=True)
    if asked.smoke and any("refused" in part for part in parts):
        raise SystemExit("a demo part gives no kit")
    if asked.write:
        page = ROOT / "docs" / "benchmark.md"
        page.write_text(report.page(rows, cored, hulls, parts, busy), encoding="utf-8")
        print(f"wrote {page.relative_to(ROOT)}")


if __name__ == "__main__":
    main()
