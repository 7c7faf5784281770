"""Checks of the limits that the formulas state."""

from __future__ import annotations

import math

from patternprep.errors import UsageFault

__all__ = ["require_between", "require_not_negative", "require_positive"]


def require_positive(value: float, what: str, unit: str) -> float:
    """``value`` when it is finite and above zero, else a `UsageFault`."""
    if not math.isfinite(value) or value <= 0.0:
        raise UsageFault(f"{what} is {value:g} {unit}, but must be above 0; give a larger one.")
    return value


def require_not_negative(value: float, what: str, unit: str) -> float:
    """``value`` when it is finite and not below zero, else a `UsageFault`."""
    if not math.isfinite(value) or value < 0.0:
        raise UsageFault(f"{what} is {value:g} {unit}, but must not be below 0; give 0 or more.")
    return value


def require_between(value: float, low: float, high: float, what: str, unit: str) -> float:
    """``value`` when low <= value <= high, else a `UsageFault`."""
    if not math.isfinite(value) or not low <= value <= high:
        raise UsageFault(
            f"{what} is {value:g} {unit}, but must lie between {low:g} and {high:g}; "
            "give a figure within."
        )
    return value
