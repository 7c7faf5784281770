"""Facets spared without any trade in accuracy: how far, and never by more volume than stated."""

from __future__ import annotations

import numpy as np

from patternprep.mesh.kept import lost_edge
from patternprep.mesh.kernel import Solid

__all__ = ["spared"]

_SIZE_SHARE = 1e-5
_VOLUME_SHARE = 2e-6
_FINER = 0.2
_TRIES = 3
_EDGE_SHARE = 2.0
"""Facets spared one after another may move the surface by a little more than one of them."""


def spared(solid: Solid, most_mm: float) -> Solid:
    """With needless facets spared; the surface moves by at most ``most_mm``.

    On a small solid it moves by no more than 1e-5 of its size, and less where the volume would
    change by more than 2e-6 of itself or a sharp edge would be cut off. Where even that is not
    kept the solid stays as it is.
    """
    if most_mm <= 0.0 or solid.is_empty:
        return solid
    volume = solid.volume
    tolerance = min(most_mm, _SIZE_SHARE * float(np.ptp(solid.bounds, axis=0).max()))
    for _ in range(_TRIES):
        plainer = solid.simplify(tolerance)
        kept = abs(plainer.volume - volume) <= _VOLUME_SHARE * abs(volume)
        if kept and not _cuts(solid, plainer, _EDGE_SHARE * most_mm):
            return plainer
        tolerance *= _FINER
    return solid


def _cuts(solid: Solid, plainer: Solid, within_mm: float) -> bool:
    """Whether a sharp edge of the solid lies farther off the plainer one than that."""
    return lost_edge(solid.to_mesh(), plainer.to_mesh(), within_mm) is not None
