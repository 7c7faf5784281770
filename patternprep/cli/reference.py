"""The command page of the docs, written from the commands' own declarations.

``python -m patternprep.cli.reference`` prints docs/commands.md; a test holds the two together.
Only what the project declares is used, so that the page does not change with typer's layout.
"""

from __future__ import annotations

import inspect
import types
import typing
from collections.abc import Callable
from typing import Any

__all__ = ["command_names", "reference_text"]

INTRODUCTION = """\
# Commands

This page is written by `python -m patternprep.cli.reference`; change the help texts instead.

Lengths, angles, masses and shares are text with units: `2 mm`, `1/8 in`, `2 deg`, `1.5 kg`,
`1.9 %`, `1/4 in/ft`. Figures go to stdout, stages and warnings to stderr.

Exit codes: 0 done; 2 a wrong option; 3 a file; 4 a mesh; 5 the geometry; 6 a data table;
7 a proof that fails; 70 a fault of the tool itself.
"""


def command_names() -> list[str]:
    """Every command, in the order of the help."""
    return [name for name, _, _ in _commands()]


def reference_text() -> str:
    """The page as Markdown."""
    blocks = [INTRODUCTION]
    for name, words, function in _commands():
        blocks.append(f"## {name}\n\n```text\n{words.replace(chr(8) + chr(10), '').strip()}\n```\n")
        hints = typing.get_type_hints(function, include_extras=True)
        parameters = inspect.signature(function).parameters.values()
        rows = [_row(parameter, hints[parameter.name]) for parameter in parameters]
        table = "\n".join(f"| `{option}` | {text} |" for option, text in rows)
        blocks.append(f"| option | meaning |\n|---|---|\n{table}\n")
    return "\n".join(blocks)


def _commands() -> list[tuple[str, str, Callable[..., Any]]]:
    from patternprep.cli.main import app

    return [
        (command.name, command.help or "", command.callback)
        for command in app.registered_commands
        if command.name is not None and command.callback is not None
    ]


def _row(parameter: inspect.Parameter, hint: Any) -> tuple[str, str]:
    """Option or argument, and what it means, with its default where it has one."""
    base, info = typing.get_args(hint)[:2]
    words = (info.help or "").replace("|", "\\|")
    name = parameter.name.replace("_", "-")
    if type(info).__name__ == "ArgumentInfo":
        return (info.metavar or name.upper()).replace("|", " or "), words
    first = (info.default,) if isinstance(info.default, str) else ()
    declared = (*first, *(info.param_decls or ())) or (f"--{name}",)
    value = "" if base is bool or "/" in declared[0] else f" {info.metavar or _value(base)}"
    default = parameter.default
    if default not in (None, False) and default is not parameter.empty:
        words += f" Default: {default}."
    return ", ".join(declared) + value, words


def _value(base: Any) -> str:
    if isinstance(base, types.UnionType):
        base = next(kind for kind in typing.get_args(base) if kind is not type(None))
    return {int: "NUMBER", str: "TEXT"}.get(base, "PATH")


if __name__ == "__main__":
    print(reference_text(), end="")
