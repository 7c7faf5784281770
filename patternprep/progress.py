"""Telling how far long work has come: a plain callback, passed down, silent by default."""

from __future__ import annotations

from collections.abc import Callable

__all__ = ["Progress", "silent"]

Progress = Callable[[str], None]
"""Called with one line of plain text when a stage begins."""


def silent(_stage: str) -> None:
    """Say nothing."""
