"""Plain text that fits 80 columns: wrapped sentences, lists and pairs."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Sequence

__all__ = ["WIDTH", "bullets", "heading", "pairs", "sentence", "size_text", "without_sources"]

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


def size_text(size: Sequence[float]) -> str:
    """'120.0 x 80.0 x 25.4 mm'."""
    digits = 1 if max(size) >= 10.0 else 4
    return " x ".join(f"{side:.{digits}f}" for side in size) + " mm"
