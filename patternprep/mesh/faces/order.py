"""An order that does not hang on rounding or on the place in a file."""

from __future__ import annotations

import numpy as np

from patternprep.mesh.mesh import FloatArray

__all__ = ["by_size_and_place"]

_ALIKE = 1e-3
"""Areas that differ by less (as a fraction) count as equal and are ordered by place."""


def _runs(values: FloatArray, order: list[int], width: float) -> list[list[int]]:
    """Split an ascending order into runs that stay within a width of their first value."""
    runs: list[list[int]] = []
    for index in order:
        if runs and values[index] - values[runs[-1][0]] <= width:
            runs[-1].append(index)
        else:
            runs.append([index])
    return runs


def _by_place(places: FloatArray, some: list[int], grain: float, column: int) -> list[int]:
    if column == places.shape[1] or len(some) == 1:
        return some
    values = places[:, column]
    ordered = sorted(some, key=lambda i: (float(values[i]), i))
    result: list[int] = []
    for run in _runs(values, ordered, grain):
        result += _by_place(places, run, grain, column + 1)
    return result


def by_size_and_place(areas: FloatArray, places: FloatArray, grain: float) -> list[int]:
    """Indices by falling area (n,), nearly equal areas by rising x, y and z of places (n, 3).

    ``grain``: coordinates closer than this count as equal, mm.
    """
    if not len(areas):
        return []
    size = -np.log(np.maximum(areas, 1e-300))
    ordered = [int(i) for i in np.argsort(size, kind="stable")]
    result: list[int] = []
    for run in _runs(size, ordered, _ALIKE):
        result += _by_place(places, run, grain, 0)
    return result
