"""``inspect``: what a part is, before anything is decided."""

from __future__ import annotations

from typing import Annotated

import typer

from patternprep.cli.options import (
    AsJson,
    FacetLimit,
    Part,
    Parting,
    Pull,
    Quiet,
    Units,
    print_json,
    tell_stage,
    whole_number,
)
from patternprep.cli.outcome import say

__all__ = ["register"]

HELP = """\
Say what a part is: size, soundness, faces and holes by name, and how it could part.

\b
  patternprep inspect bracket.stl
  patternprep inspect bracket.stl --units in
  patternprep inspect bracket.stl --pull +z --json

The names of faces ("plane 1", "bore 2") and the points given for them are what
--stock takes.
"""


def inspect(
    part: Part,
    units: Units = None,
    facet_limit: FacetLimit = None,
    pull: Pull = None,
    parting: Parting = None,
    faces: Annotated[int, whole_number("--faces", 0, "How many faces to list; 0 for all.")] = 20,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Parse, call the library, print."""
    from patternprep.kit.inspect import inspect_part
    from patternprep.report.inspect import inspect_text

    figures = inspect_part(
        part,
        units=units,
        facet_limit=facet_limit,
        pull=pull or "auto",
        plane=parting or "auto",
        progress=tell_stage(quiet),
    )
    if as_json:
        print_json(figures)
    else:
        say(inspect_text(figures, most_faces=faces))


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("inspect", help=HELP)(inspect)
