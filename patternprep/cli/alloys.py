"""``alloys``: the book of alloys, one alloy, or all of them for one part."""

from __future__ import annotations

from typing import Annotated

import typer

from patternprep.cli.options import AsJson, Quiet, ShopAlloys, Units, print_json, tell_stage
from patternprep.cli.outcome import say

__all__ = ["register"]

HELP = """\
List the alloys, show one with every value and its source, or compare all for a part.

\b
  patternprep alloys
  patternprep alloys C95400
  patternprep alloys --for bracket.stl

A value that no source gives is "not known"; sources that disagree stay a range.
"""


def alloys(
    name: Annotated[
        str | None, typer.Argument(metavar="[NAME]", help="Designation or plain name.")
    ] = None,
    for_part: Annotated[
        str | None,
        typer.Option("--for", metavar="PART", help="Pattern size, mass and metal for every alloy."),
    ] = None,
    units: Units = None,
    shop_alloys: ShopAlloys = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Parse, call the library, print."""
    from pathlib import Path

    from patternprep.data.alloy_book import load_alloys
    from patternprep.report.alloys import alloy_json, alloy_list_text, alloy_text, alloys_json
    from patternprep.report.layout import sentence

    if units is not None and for_part is None:
        from patternprep.errors import UsageFault

        raise UsageFault("--units has no effect without --for, the part that is read in them.")
    book = load_alloys(shop_alloys)
    if for_part is not None:
        from patternprep.kit.compare import compare_alloys
        from patternprep.report.compare import compare_text

        chosen = book.all() if name is None else (book.find(name),)
        table = compare_alloys(Path(for_part), chosen, units=units, progress=tell_stage(quiet))
        if as_json:
            print_json(table)
        else:
            say(compare_text(table))
    elif name is not None:
        alloy = book.find(name)
        if as_json:
            print_json(alloy_json(alloy))
        else:
            taken = book.taken_for(name)
            say(alloy_text(alloy) + (f"\n\n{sentence(taken, 0)}" if taken else ""))
    elif as_json:
        print_json(alloys_json(book))
    else:
        say(alloy_list_text(book))


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("alloys", help=HELP)(alloys)
