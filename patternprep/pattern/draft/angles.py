"""How much draft a wall is asked to have."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from patternprep.errors import GeometryFault
from patternprep.mesh.mesh import FloatArray
from patternprep.pattern.draft.topology import BoolArray

__all__ = ["ANGLE_MOST_DEG", "AngleRule", "as_rule", "constant_angle"]

ANGLE_MOST_DEG = 45.0


class AngleRule(Protocol):
    """Degrees of draft for walls, by height in mm and whether they bound a pocket or a hole."""

    def __call__(self, height_mm: FloatArray, inside: BoolArray) -> FloatArray:
        """One angle for each wall, (k,)."""


class _Constant:
    def __init__(self, degrees: float) -> None:
        self.degrees = degrees

    def __call__(self, height_mm: FloatArray, inside: BoolArray) -> FloatArray:
        return np.full(len(height_mm), self.degrees)


def constant_angle(degrees: float) -> AngleRule:
    """The same angle for every wall; GeometryFault outside 0 to 45 degrees."""
    if not 0.0 <= degrees <= ANGLE_MOST_DEG:
        raise GeometryFault(
            f"A draft angle of {degrees:g} degrees is outside 0 to {ANGLE_MOST_DEG:g} degrees; "
            "give an angle within that range."
        )
    return _Constant(float(degrees))


def as_rule(angles: AngleRule | float) -> AngleRule:
    """The rule itself, or the constant rule of a number."""
    return constant_angle(float(angles)) if isinstance(angles, int | float) else angles
