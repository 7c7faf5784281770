"""What the user may say about the pull and the parting, as text."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from patternprep.errors import UsageFault
from patternprep.pattern.parting.candidate import Vec3
from patternprep.units import parse_length

__all__ = ["PartingWish", "parse_parting", "parse_pull"]


@dataclass(frozen=True)
class PartingWish:
    """Where the parting is to lie along whatever pull is taken.

    ``auto``: the search decides; ``offset``: at n.x = ``offset_mm``; ``middle``: half way between
    the ends; ``top``: at the upper end, the part in one piece below it; ``at``: through ``point``.
    """

    kind: Literal["auto", "offset", "middle", "top", "at"]
    offset_mm: float | None = None
    point: Vec3 | None = None

    def offset_along(self, pull: Vec3, lowest: float, highest: float) -> float | None:
        """Offset n.x mm along a pull for a part between two heights; None for ``auto``."""
        if self.kind == "middle":
            return 0.5 * (lowest + highest)
        if self.kind == "top":
            return highest
        if self.point is not None:
            return sum(n * x for n, x in zip(pull, self.point, strict=True))
        return self.offset_mm


def parse_pull(text: str) -> Vec3:
    """Unit direction that points up in the mould, from '+z', '-x', '0,0,1' or '0.2,0,1'."""
    plain = text.strip().lower()
    sign, name = (plain[0], plain[1:]) if plain[:1] in ("+", "-") else ("+", plain)
    if name in ("x", "y", "z"):
        value = 1.0 if sign == "+" else -1.0
        x, y, z = (value if name == axis else 0.0 for axis in "xyz")
        return (x, y, z)
    parts = _numbers(plain)
    if parts is None:
        raise UsageFault(
            f"'{text}' is not a pull; write a part axis like '+z' or '-x', "
            "or three numbers like '0.2,0,1'."
        )
    length = math.hypot(*parts)
    if length < 1e-9:
        raise UsageFault(f"The pull '{text}' has no direction; at least one number must not be 0.")
    return (parts[0] / length, parts[1] / length, parts[2] / length)


def parse_parting(text: str) -> PartingWish:
    """Wish from 'auto', 'middle', 'top', '12.5 mm' or 'at 10,0,35'."""
    plain = text.strip().lower()
    if plain == "auto":
        return PartingWish("auto")
    if plain == "middle":
        return PartingWish("middle")
    if plain == "top":
        return PartingWish("top")
    if plain.startswith("at ") or plain.startswith("at\t"):
        point = _numbers(plain[3:].strip())
        if point is None:
            raise UsageFault(
                f"'{text}' does not name a point; write the parting like 'at 10,0,35' in mm."
            )
        return PartingWish("at", point=point)
    try:
        return PartingWish("offset", offset_mm=parse_length(plain))
    except UsageFault:
        raise UsageFault(
            f"'{text}' is not a parting; write 'auto', 'middle', 'top', a height along the pull "
            "like '12.5 mm', or a point like 'at 10,0,35'."
        ) from None


def _numbers(text: str) -> Vec3 | None:
    """Three finite numbers with commas between, or None."""
    pieces = text.strip("() ").split(",")
    if len(pieces) != 3:
        return None
    try:
        x, y, z = (float(p) for p in pieces)
    except ValueError:
        return None
    return (x, y, z) if all(math.isfinite(c) and abs(c) < 1e9 for c in (x, y, z)) else None
