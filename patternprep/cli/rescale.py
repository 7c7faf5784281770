"""``rescale``: the same part in another alloy, and what the old pattern would be worth."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from patternprep.cli.options import AsJson, Overwrite, Quiet, print_json, tell_stage
from patternprep.cli.outcome import kit_written, say

__all__ = ["register"]

HELP = """\
Say how far a kit's pattern is off for another alloy, and make the kit anew for it.

\b
  patternprep rescale kit --to C95400
  patternprep rescale kit --to C95400 --out kit-bronze

Without --out only the comparison is printed and nothing is written.
"""


def rescale(
    kit: Annotated[Path, typer.Argument(metavar="KIT", readable=False, help="Folder of a kit.")],
    to: Annotated[str, typer.Option("--to", metavar="ALLOY", help="The other metal.")],
    contraction: Annotated[
        str | None, typer.Option(help='Instead of the book: "1.9 %" or "1/4 in/ft".')
    ] = None,
    out: Annotated[Path | None, typer.Option(readable=False, help="Folder of the new kit.")] = None,
    overwrite: Overwrite = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Parse, call the library, print."""
    from patternprep.errors import UsageFault
    from patternprep.kit.rescale import rescale_kit
    from patternprep.report.rescale import rescale_text

    if overwrite and out is None:
        raise UsageFault("--overwrite has no effect without --out, the folder of the new kit.")
    figures = rescale_kit(
        kit,
        to,
        contraction=contraction,
        out=out,
        overwrite=overwrite,
        progress=tell_stage(quiet),
    )
    if out is not None:
        kit_written(out)
    if as_json:
        print_json(figures)
    else:
        say(rescale_text(figures, out))


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("rescale", help=HELP)(rescale)
