"""What adding stock hands back."""

from __future__ import annotations

from dataclasses import dataclass, field

from patternprep.mesh.mesh import Mesh

__all__ = ["FaceCheck", "StockResult"]


@dataclass(frozen=True)
class FaceCheck:
    """How one face was moved, and how truly.

    ``method``: 'solved' where every corner was solved over the planes and surfaces that meet in
    it, 'half-spaces' where its neighbours' planes bound it, 'prism' where the moved face stands on
    a straight step, 'swept' where it shrinks to nothing between faces that move as far.
    ``error_mm``: largest deviation of a vertex of the face from the asked offset. ``sampled``:
    points of the old face from which the new surface was measured along the normal;
    ``sample_error_mm`` the largest deviation there (beyond what chords of a curve differ by).
    ``neighbours_error_mm``: largest movement of a neighbouring face out of its own surface.
    """

    face: str
    amount_mm: float
    method: str
    error_mm: float
    neighbours_error_mm: float
    sampled: int
    sample_error_mm: float
    volume_mm3: float


@dataclass(frozen=True, eq=False)
class StockResult:
    """The part with its machining stock; ``volume_mm3`` is what the stock adds."""

    mesh: Mesh = field(repr=False)
    volume_mm3: float
    checks: tuple[FaceCheck, ...]
