"""Plain text that fits 80 columns: wrapped sentences, lists and pairs."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Sequence

__all__ = [
    "WIDTH",
    "bullets",
    "degrees_text",
    "heading",
    "pairs",
    "sentence",
    "size_text",
    "told_row",
    "without_sources",
]

WIDTH = 80


def _filled(text: str, first: str, rest: str) -> str:
    """Wrapped at spaces alone, so that an option such as --yield stays in one piece."""
    return textwrap.fill(
        text, WIDTH, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False
    )


def heading(text: str) -> str:
    """A heading on a line of its own, after an empty line."""
    return f"\n{text}"


def sentence(text: str, indent: int = 2) -> str:
    """One wrapped sentence."""
    pad = " " * indent
    return _filled(text, pad, pad)


def without_sources(text: str) -> str:
    """The text without its cited sources, which figures.json and the docs hold: "(... [mark])"."""
    return re.sub(r" \([^()]*\[[^\]]*\][^()]*\)", "", text)


def bullets(items: Iterable[str], indent: int = 2) -> str:
    """Wrapped items, each with a dash."""
    pad = " " * indent
    return "\n".join(_filled(item, f"{pad}- ", f"{pad}  ") for item in items)


def pairs(rows: Sequence[tuple[str, str]], label_width: int = 22) -> str:
    """Label and value, the value wrapped under itself."""
    pad = " " * (label_width + 2)
    lines = []
    for label, value in rows:
        first = f"  {label:<{label_width}}"
        if len(label) >= label_width:
            lines.append(first.rstrip())
            first = pad
        lines.append(_filled(value or "-", first, pad))
    return "\n".join(lines)


def told_row(mark: str, name: str, width: int, value: str) -> str:
    """Mark, name and value in columns; what is too long for one line takes another, uncut."""
    line = f"{mark}{name:<{width}}{value}".rstrip()
    if len(name) < width and len(line) <= WIDTH:
        return line
    below = f"{'':{len(mark) + width}}{value}".rstrip()
    if len(below) > WIDTH:
        below = value.strip().rjust(WIDTH)
    return _filled(name, mark, " " * len(mark)) + "\n" + below


def size_text(size: Sequence[float]) -> str:
    """'120.0 x 80.0 x 25.4 mm'."""
    digits = 1 if max(size) >= 10.0 else 4
    return " x ".join(f"{side:.{digits}f}" for side in size) + " mm"


def degrees_text(low: float, high: float) -> str:
    """'1 to 3 degrees', '1 degree'."""
    if f"{low:g}" != f"{high:g}":
        return f"{low:g} to {high:g} degrees"
    return f"{low:g} degree{'' if f'{low:g}' == '1' else 's'}"
