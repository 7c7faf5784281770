"""Rules of cores: which holes the mould's sand stands in, which are drilled, vent and wire.

Lengths in mm. A rule answers with the figure it compares and the source of that figure.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from patternprep.data.core_practice import (
    box_practice,
    drilling_rows,
    find_mould_sand,
    pocket_draft,
    shallow_pocket,
)
from patternprep.data.values import Source, Value, format_figure
from patternprep.formulas.checks import require_not_negative, require_positive

__all__ = [
    "Chosen",
    "Ruled",
    "Vent",
    "core_vent",
    "core_wire",
    "leave_for_drilling",
    "sand_stands",
    "sources_of",
]


@dataclass(frozen=True, slots=True)
class Ruled:
    """Answer of a rule: yes or no, the reason as text, the sources of its figures."""

    ok: bool
    text: str
    sources: tuple[Source, ...]


@dataclass(frozen=True, slots=True)
class Chosen:
    """A figure chosen from a range: value, unit, the range of all sources, the rule as text."""

    value: float
    unit: str
    low: float
    high: float
    text: str
    sources: tuple[Source, ...]


@dataclass(frozen=True, slots=True)
class Vent:
    """Hole along a core for its gas: diameter in mm. The area that a core needs is not known."""

    hole_mm: float
    area_mm2: float | None
    text: str
    sources: tuple[Source, ...]


def sources_of(values: Iterable[Value]) -> tuple[Source, ...]:
    """Sources of the values in their order, without repeats."""
    found: dict[str, Source] = {}
    for value in values:
        for source in value.sources:
            found.setdefault(source.id, source)
    return tuple(found.values())


def sand_stands(diameter_mm: float, depth_mm: float, sand: str, hanging: bool) -> Ruled:
    """Whether the mould's own sand stands in a hole or pocket along the pull.

    ``diameter_mm``: least width of the hole at its narrow end; ``depth_mm``: height of the sand in
    it; ``sand``: mould sand; ``hanging``: it hangs from the cope instead of standing in the drag.
    The sand stands when it is wide enough and its depth is not above a multiple of its width; a
    low bump of it needs less width.

    >>> sand_stands(40.0, 40.0, "green", hanging=False).ok
    True
    >>> sand_stands(40.0, 40.0, "green", hanging=True).ok
    False
    >>> sand_stands(10.0, 5.0, "green", hanging=False).ok
    False
    >>> sand_stands(30.0, 6.0, "green", hanging=True).ok
    True
    """
    require_positive(diameter_mm, "the width of the hole", "mm")
    require_not_negative(depth_mm, "the depth of the hole", "mm")
    found = find_mould_sand(sand)
    ratio, least = (
        (found.pocket_cope, found.least_cope) if hanging else (found.pocket_drag, found.least_drag)
    )
    where = "hanging from the cope" if hanging else "standing in the drag"
    draft = pocket_draft()["cope" if hanging else "drag"]
    deepest = ratio.usual * diameter_mm
    size = f"{format_figure(diameter_mm)} mm wide and {format_figure(depth_mm)} mm deep"
    share, narrower = shallow_pocket()
    low = share.usual * diameter_mm * (1.0 + 1e-9)
    lowest = narrower.usual * least.usual
    values: tuple[Value, ...]
    if diameter_mm < least.usual and depth_mm <= low and diameter_mm >= lowest:
        ok = True
        rule = (
            f"a bump no higher than {share.text()} times its width holds from "
            f"{format_figure(lowest)} mm, with a draft of {draft.text()}"
        )
        values = (share, narrower, draft)
    elif diameter_mm < least.usual:
        ok = False
        rule = f"it breaks under {least.text()} of width"
        values = (least,)
    else:
        ok = depth_mm <= deepest * (1.0 + 1e-9)
        rule = (
            f"it {'stands' if ok else 'stands only'} to {format_figure(deepest)} mm, "
            f"{ratio.text()} times its width"
        )
        if ok:
            rule += f", with a draft of {draft.text()}"
        values = (ratio, draft) if ok else (ratio,)
    sources = sources_of(values)
    cited = "; ".join(source.text() for source in sources)
    return Ruled(ok, f"{found.name} {where}, {size}: {rule} ({cited})", sources)


def leave_for_drilling(diameter_mm: float, family: str | None = None) -> Ruled:
    """Whether a hole is small enough to be left solid and drilled.

    ``family``: family of the alloy; None or one that no row names takes the row for all others.

    >>> leave_for_drilling(8.0).ok, leave_for_drilling(30.0, "grey iron").ok
    (True, False)
    """
    require_positive(diameter_mm, "the diameter of the hole", "mm")
    rows = drilling_rows()
    row = next((r for r in rows if family in r.families), rows[-1])
    limit = row.up_to
    ok = diameter_mm <= limit.usual * (1.0 + 1e-9)
    metal = family or "this metal"
    said = "is left solid and drilled" if ok else "is cast"
    cited = "; ".join(source.text() for source in limit.sources)
    text = (
        f"a hole of {format_figure(diameter_mm)} mm {said}: in {metal} up to {limit.text()} "
        f"is drilled ({cited})"
    )
    return Ruled(ok, text, limit.sources)


def core_vent(diameter_mm: float) -> Vent:
    """Vent along a core of that least diameter: a hole by a stated share of it.

    The area of vents that the gas of a core needs is not known: no source at hand gives a rule.

    >>> core_vent(40.0).hole_mm, core_vent(40.0).area_mm2
    (6.0, None)
    """
    require_positive(diameter_mm, "the diameter of the core", "mm")
    box = box_practice()
    least, most = box.least_vent.usual, box.most_vent.usual
    hole = min(max(box.vent_per_diameter.usual * diameter_mm, least), most)
    hole = min(hole, 0.5 * diameter_mm)
    values = (box.vent_per_diameter, box.least_vent, box.most_vent)
    sources = sources_of(values)
    cited = "; ".join(source.text() for source in sources)
    text = (
        f"vent hole of {format_figure(hole)} mm along the core: "
        f"{format_figure(box.vent_per_diameter.usual)} times its diameter, "
        f"{format_figure(least)} to {format_figure(most)} mm and at most half of it ({cited}); "
        "the vent area that its gas needs: not known, no source gives a rule"
    )
    return Vent(hole, None, text, sources)


def core_wire(diameter_mm: float, length_mm: float) -> Ruled:
    """Whether a core of that least diameter and length gets a wire or arbor along it.

    >>> core_wire(20.0, 100.0).ok, core_wire(40.0, 100.0).ok
    (True, False)
    """
    require_positive(diameter_mm, "the diameter of the core", "mm")
    require_not_negative(length_mm, "the length of the core", "mm")
    slender = box_practice().slender
    ratio = length_mm / diameter_mm
    ok = ratio >= slender.usual
    cited = "; ".join(source.text() for source in slender.sources)
    text = (
        f"the core is {format_figure(ratio, 3)} times as long as thick: "
        f"{'a' if ok else 'no'} wire or arbor, from {slender.text()} times ({cited})"
    )
    return Ruled(ok, text, slender.sources)
