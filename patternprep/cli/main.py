"""The ``patternprep`` command: errors become one sentence and an exit code here, nowhere else."""

from __future__ import annotations

import os
import sys
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from patternprep import __version__
from patternprep.cli import alloys, check, estimate, inspect, make, rescale
from patternprep.cli.outcome import Stopped, say, what_was_written
from patternprep.errors import PatternprepError

__all__ = ["app", "run"]

INTERNAL_FAULT = 70
"""Exit code for a fault of the tool itself (sysexits' EX_SOFTWARE)."""


class _Commands(TyperGroup):
    """The commands; a stop by the user is told in words, which typer would not do."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            raise Stopped(f"stopped; {what_was_written()}.") from None


app = typer.Typer(
    name="patternprep",
    cls=_Commands,
    no_args_is_help=True,
    add_completion=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="From a finished-part model to a foundry pattern: drafted, grown, split and proved.",
    epilog=(
        "Begin with: patternprep inspect part.stl. Then: "
        'patternprep make part.stl --alloy "LM25" --stock "+z=2 mm" --out kit'
    ),
)


def _version(asked: bool) -> None:
    if asked:
        say(f"patternprep {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say the version.")
    ] = False,
) -> None:
    """Hold the options that come before a command."""


inspect.register(app)
make.register(app)
check.register(app)
estimate.register(app)
rescale.register(app)
alloys.register(app)


def run() -> None:
    """Run the command line; the entry point of the installed command."""
    try:
        app()
    except PatternprepError as fault:
        typer.echo(f"patternprep: {fault.message}", err=True)
        sys.exit(fault.exit_code)
    except KeyboardInterrupt:
        typer.echo(f"patternprep: stopped; {what_was_written()}.", err=True)
        sys.exit(Stopped.exit_code)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except MemoryError:
        typer.echo(
            "patternprep: this machine's memory does not hold the part; reduce its facets.",
            err=True,
        )
        sys.exit(INTERNAL_FAULT)
    except Exception as fault:
        if os.environ.get("PATTERNPREP_DEBUG"):
            raise
        typer.echo(
            f"patternprep: an internal fault ({type(fault).__name__}: {fault}); "
            f"{what_was_written()}. Set PATTERNPREP_DEBUG=1 for the details and report it with "
            "the part.",
            err=True,
        )
        sys.exit(INTERNAL_FAULT)
