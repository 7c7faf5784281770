"""``check``: prove a kit from its files alone."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from patternprep.cli.options import AsJson, Quiet, print_json, tell_stage
from patternprep.cli.outcome import say

__all__ = ["register"]

HELP = """\
Prove a kit from its files alone; exit code 7 when anything fails.

\b
  patternprep check kit
  patternprep check kit --json

The proof shares nothing with the maker of the pattern but the reader of meshes.
"""


def check(
    kit: Annotated[Path, typer.Argument(metavar="KIT", readable=False, help="Folder of a kit.")],
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Parse, call the library, print."""
    from patternprep.errors import ProofFailed
    from patternprep.proof import prove_kit
    from patternprep.proof.words import failure_sentence, proof_rows
    from patternprep.report.proof import proof_text

    lines = prove_kit(kit, progress=tell_stage(quiet))
    if as_json:
        print_json({"kit": str(kit), "proof": proof_rows(lines)})
    else:
        say(proof_text(lines))
    if not all(line.passed for line in lines):
        raise ProofFailed(failure_sentence(kit, lines))


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("check", help=HELP)(check)
