"""``estimate``: mass and metal of a part, without writing anything."""

from __future__ import annotations

from typing import Any

import typer

from patternprep.cli.options import (
    AsJson,
    PartOrJob,
    Quiet,
    as_job,
    print_json,
    takes_job_options,
    tell_stage,
)
from patternprep.cli.outcome import say

__all__ = ["register"]

HELP = """\
Say the casting's mass and the metal to charge; write no files.

\b
  patternprep estimate bush.stl --alloy gunmetal --stock "bores=2 mm"
  patternprep estimate bush.stl --alloy C95400 --castings 4 --yield "50 %"

The stock, the draft and the filled undercuts are made as make would make them.
"""


@takes_job_options
def estimate(
    part_or_job: PartOrJob,
    as_json: AsJson = False,
    quiet: Quiet = False,
    options: dict[str, Any] | None = None,
) -> None:
    """Parse, call the library, print."""
    job = as_job(part_or_job, options or {})
    from patternprep.kit.pipeline import estimate_part
    from patternprep.report.kit import estimate_text

    figures = estimate_part(job, progress=tell_stage(quiet))
    if as_json:
        print_json(figures)
    else:
        say(estimate_text(figures))


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("estimate", help=HELP)(estimate)
