"""Which draft angle was asked of each wall, from figures.json."""

from __future__ import annotations

import numpy as np

from patternprep.errors import FileFault
from patternprep.mesh.mesh import FloatArray
from patternprep.proof.files import Kit
from patternprep.proof.model import Half

__all__ = ["asked_angles", "largest_angle", "smallest_angle"]


def smallest_angle(kit: Kit) -> float:
    """The smallest draft angle that the kit tells of, degrees."""
    angle = kit.figures.number("draft.angle_deg")
    if not 0.0 <= angle < 60.0:
        raise FileFault(
            f"{kit.figures.file}: 'draft.angle_deg' is {angle:g} but must be 0 to 60 degrees; "
            "make the kit again."
        )
    return angle


def largest_angle(kit: Kit) -> float:
    """The largest draft angle that the kit tells of, degrees."""
    angles = [row.number("angle_deg") for row in kit.figures.tables("draft.walls")]
    return max([smallest_angle(kit), *angles])


def asked_angles(kit: Kit, half: Half) -> FloatArray:
    """Asked angle of each facet outside the parting, degrees, (walls,)."""
    return np.full(len(half.walls), smallest_angle(kit))
