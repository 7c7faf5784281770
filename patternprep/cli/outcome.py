"""What a command has done so far, so that every complaint says truly what was written."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import typer

from patternprep.errors import FileFault, PatternprepError, reason_of

__all__ = ["Stopped", "kit_written", "say", "what_was_written"]

_written: list[Path] = []


class Stopped(PatternprepError):
    """The user stopped the command."""

    exit_code = 130


def kit_written(out: Path) -> None:
    """Remember that a kit has appeared at ``out``."""
    _written.append(out)


def what_was_written() -> str:
    """'nothing was written', or which kit was."""
    if not _written:
        return "nothing was written"
    return f"the kit {_written[-1]} was written and proved"


def say(text: str) -> None:
    """Text to stdout; FileFault, with what was written before, when stdout cannot take it."""
    try:
        typer.echo(text)
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        _close_stdout()
        done = f"{what_was_written()}, but " if _written else ""
        raise FileFault(
            f"{done}the figures could not be printed ({reason_of(error)}); send them elsewhere."
        ) from None


def _close_stdout() -> None:
    """Let what is still held back go nowhere, so that the end of the program is quiet."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
