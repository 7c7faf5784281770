"""What the parting search answers with: candidates, the undercuts they fill, and the figures."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

__all__ = ["MachinedFace", "PartingCandidate", "Undercut", "UndercutKind", "Vec3"]

Vec3 = tuple[float, float, float]
"""A direction or a place in the part's own axes, mm."""

UndercutKind = Literal["undercut", "hollow"]
"""``hollow``: open on the parting with metal on opposite sides; ``undercut``: any other fill."""


@dataclass(frozen=True)
class MachinedFace:
    """A face that will be machined: a point on it, its outward normal, its area in mm2."""

    point: Vec3
    normal: Vec3
    area_mm2: float


@dataclass(frozen=True)
class Undercut:
    """A place that the pattern must fill although the part wants it empty.

    ``place`` is the middle of the filled room in part axes, mm, or a point in the room where that
    lies outside it, as a ring's does; ``volume_mm3`` at part size.
    """

    kind: UndercutKind
    place: Vec3
    volume_mm3: float
    advice: str


@dataclass(frozen=True)
class PartingCandidate:
    """One pull with one flat parting, judged; all figures at the part's own size.

    The plane is n.x = ``offset_mm`` in part axes with n = ``pull``, the direction that points up
    in the mould; metal on its far side lies in the cope. ``score`` is a cost in shares of the
    part's volume: lower is better.
    """

    pull: Vec3
    offset_mm: float
    up: str
    down: str
    height_above_mm: float
    height_below_mm: float
    height_mm: float
    height_share: float
    footprint_mm2: float
    draft_added_mm3: float
    matching_added_mm3: float
    undercut_mm3: float
    undercuts: tuple[Undercut, ...]
    cores_asked: int
    deep_openings: int
    machined_up_mm2: float
    machined_down_mm2: float
    machined_upright_mm2: float
    volume_above_mm3: float
    volume_below_mm3: float
    modulus_above_mm: float
    modulus_below_mm: float
    flat_back: bool
    one_piece: bool
    cell_mm: float
    score: float
    reasons: tuple[str, ...] = field(repr=False)
    metal_reasons: tuple[str, ...] = field(repr=False)
    """What draft and meeting halves add, as estimated before stock."""

    @property
    def hollow_mm3(self) -> float:
        """Volume of the named hollows that open on the parting, mm3."""
        return sum(u.volume_mm3 for u in self.undercuts if u.kind == "hollow")

    @property
    def draws_clean(self) -> bool:
        """True when a flat parting draws without any undercut."""
        return self.undercut_mm3 == 0.0
