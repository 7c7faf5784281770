"""Figures looked up with care: whatever is absent or of the wrong kind is a FileFault."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from patternprep.errors import FileFault
from patternprep.mesh.mesh import FloatArray

__all__ = ["Figures", "short_text"]

_LARGEST, _FARTHEST = 1e12, 1e6
_MISSING = object()


class Figures:
    """A nested table of figures that answers a dotted key or names what is wrong with it."""

    def __init__(self, values: Mapping[str, Any], file: Path) -> None:
        self.values = values
        self.file = file

    def look(self, key: str, default: Any = _MISSING) -> Any:
        """The value at a dotted key, or the default."""
        value: Any = self.values
        for step in key.split("."):
            if not isinstance(value, Mapping) or step not in value:
                if default is _MISSING:
                    raise FileFault(f"{self.file}: the key '{key}' is missing; make the kit again.")
                return default
            value = value[step]
        return value

    def number(self, key: str, default: float | None = None) -> float:
        """A number of a size that a kit can hold."""
        value = self.look(key) if default is None else self.look(key, default)
        plain = isinstance(value, (int, float)) and not isinstance(value, bool)
        if not plain or not abs(value) <= _LARGEST:
            raise FileFault(
                f"{self.file}: '{key}' is {short_text(value)} but must be a number within 1e12; "
                "make the kit again."
            )
        return float(value)

    def text(self, key: str, default: str | None = None) -> str:
        """A text."""
        value = self.look(key) if default is None else self.look(key, default)
        if not isinstance(value, str):
            raise FileFault(
                f"{self.file}: '{key}' is {short_text(value)} but must be text; make the kit again."
            )
        return value

    def array(self, key: str, shape: tuple[int, ...]) -> FloatArray:
        """Numbers of the given shape."""
        value = self.look(key)
        try:
            array = np.array(value, dtype=np.float64)
        except (TypeError, ValueError, OverflowError):
            array = np.zeros(0)
        if array.shape != shape or not (np.abs(array) <= _FARTHEST).all():
            size = " x ".join(str(n) for n in shape)
            raise FileFault(
                f"{self.file}: '{key}' must hold {size} numbers within 1e6; make the kit again."
            )
        return array

    def tables(self, key: str) -> list[Figures]:
        """A list of tables; empty when the key is absent."""
        value = self.look(key, [])
        if not isinstance(value, list) or not all(isinstance(row, Mapping) for row in value):
            raise FileFault(f"{self.file}: '{key}' must be a list of tables; make the kit again.")
        return [Figures(row, self.file) for row in value]


def short_text(value: object) -> str:
    """A value as text of at most 60 characters."""
    text = str(value).replace("\n", " ")
    return text if len(text) <= 60 else text[:57] + "..."
