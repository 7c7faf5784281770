"""What was mended, in figures."""

from __future__ import annotations

from dataclasses import dataclass

from patternprep.units import format_point

__all__ = ["Mending"]


@dataclass(frozen=True)
class Mending:
    """One kind of mending: what was done, how often, how far, how much, and where first.

    ``moved_mm`` is the largest distance that the surface moved; ``volume_mm3`` the change of
    the enclosed volume, signed, where the mending itself changes it.
    """

    what: str
    count: int
    moved_mm: float = 0.0
    volume_mm3: float = 0.0
    where: tuple[float, float, float] | None = None

    def __str__(self) -> str:
        text = f"{self.what}: {self.count}"
        if self.moved_mm > 0.0:
            text += f", surface moved by at most {self.moved_mm:.2g} mm"
        if self.volume_mm3 != 0.0:
            text += f", volume changed by {self.volume_mm3:+.6g} mm3"
        if self.where is not None:
            text += f", first at {format_point(list(self.where))}"
        return text
