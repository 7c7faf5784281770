"""Facets spared from cores and box pieces, and the result held against what it came from."""

from __future__ import annotations

from patternprep.mesh.kernel import Solid

__all__ = ["plainer"]

_TRIES_MM = (1e-4, 1e-5)
_CRUMB_MM3 = 1e-7


def plainer(solid: Solid) -> Solid:
    """With needless facets spared; the surface moves by no more than about 0.0001 mm.

    The kernel may turn over a sharp edge and cut a wedge off: what was added and what was taken
    away is looked at body by body, and where one of them is thicker the solid stays as it was.
    """
    for tolerance in _TRIES_MM:
        fewer = solid.simplify(tolerance)
        changes = [*(solid - fewer).bodies(), *(fewer - solid).bodies()]
        if all(c.volume <= max(_CRUMB_MM3, 0.5 * tolerance * c.area) for c in changes):
            return fewer
    return solid
