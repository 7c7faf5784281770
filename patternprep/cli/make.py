"""``make``: a part or a job file in, a proved kit out."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import typer

from patternprep.cli.options import (
    AsJson,
    Out,
    Overwrite,
    PartOrJob,
    Quiet,
    as_job,
    print_json,
    takes_job_options,
    tell_stage,
)
from patternprep.cli.outcome import kit_written, say

__all__ = ["register"]

HELP = """\
Make a pattern kit from a finished part and prove it.

\b
  patternprep make bracket.stl --alloy LM25 --out kit
  patternprep make bush.stl --alloy gunmetal --stock "bores=table" --out kit
  patternprep make cap.stl --alloy EN-GJL-250 --stock "+z=3 mm" --draft table
  patternprep make kit/job.toml --draft "1.5 deg" --out kit2

The kit holds the pattern's halves as they lie in the mould (assembly/), the same
pieces ready to print (print/, pattern.3mf), every figure (figures.json) and the
job, with every default stated (job.toml). It appears whole or not at all.
"""


@takes_job_options
def make(
    part_or_job: PartOrJob,
    out: Out = Path("kit"),
    overwrite: Overwrite = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
    options: dict[str, Any] | None = None,
) -> None:
    """Parse, call the library, print."""
    job = as_job(part_or_job, options or {})
    from patternprep.kit.pipeline import make_kit
    from patternprep.report.kit import kit_text

    figures = make_kit(job, out, overwrite=overwrite, progress=tell_stage(quiet))
    kit_written(out)
    if as_json:
        print_json(figures)
    else:
        say(kit_text(figures, out))


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("make", help=HELP)(make)
