"""Core sand: mass of a core, and the masses of sand, binder and hardener to weigh.

Volumes in mm3, densities in g/cm3, masses in kg.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from patternprep.data.core_sands import Addition, Binder, binders, find_binder
from patternprep.data.values import Source, Value, format_figure
from patternprep.formulas.checks import require_not_negative, require_positive
from patternprep.formulas.cores import sources_of
from patternprep.units import format_mass

__all__ = ["CoreMix", "MixRow", "binder_names", "core_mass", "core_mix", "hardening"]


@dataclass(frozen=True, slots=True)
class MixRow:
    """One thing to weigh: its mass in kg, and the range that the sources leave."""

    name: str
    kg: float
    low_kg: float
    high_kg: float
    text: str


@dataclass(frozen=True, slots=True)
class CoreMix:
    """What to weigh for cores: the rammed mass in kg, the rows to weigh, every step as text."""

    binder: str
    core_kg: float
    mix_kg: float
    rows: tuple[MixRow, ...]
    steps: tuple[str, ...]
    sources: tuple[Source, ...]

    def row(self, name: str) -> MixRow:
        """The row of that name, such as 'sand'."""
        return next(row for row in self.rows if row.name == name)


def binder_names() -> tuple[str, ...]:
    """Short names of the binder systems."""
    return tuple(binders())


def core_mass(volume_mm3: float, binder: str, density_g_cm3: float | None = None) -> float:
    """Mass in kg of a rammed core; ``density_g_cm3`` replaces the table's.

    >>> core_mass(1e6, "silicate")
    1.6
    """
    require_positive(volume_mm3, "the volume of the core", "mm3")
    density = find_binder(binder).density.usual if density_g_cm3 is None else density_g_cm3
    require_positive(density, "the density of the core", "g/cm3")
    return volume_mm3 * 1e-6 * density


def _share(shares: Sequence[float]) -> float:
    """Mass of the mix for each kg of sand, from shares in percent of the sand."""
    return 1.0 + sum(shares) / 100.0


def _of_sand(addition: Addition, pick: str, binder: Binder) -> float:
    """Share of an addition in percent of the sand, at the low, usual or high end."""
    percent: float = getattr(addition.percent, pick)
    if addition.per == "sand":
        return percent
    of_binder: float = getattr(binder.percent, pick)
    return percent * of_binder / 100.0


def _row(name: str, masses: tuple[float, float, float], rule: str, value: Value | None) -> MixRow:
    low, kg, high = masses
    spread = "" if low == high else f" ({format_mass(low)} to {format_mass(high)})"
    cited = "; ".join(source.text() for source in value.sources) if value else ""
    text = f"{name}: {format_mass(kg)}{spread}: {rule}{f' ({cited})' if cited else ''}"
    return MixRow(name, kg, low, high, text)


def core_mix(
    volume_mm3: float,
    binder: str,
    count: int = 1,
    *,
    waste: float = 0.0,
    density_g_cm3: float | None = None,
) -> CoreMix:
    """Masses of sand, binder and hardener for ``count`` cores of that volume each.

    The rammed mix weighs density x volume x count x (1 + ``waste``). Of it the sand is mix / (1 +
    shares), shares being those of the binder and of what stays in the mix, by the sand's mass. A
    gas is reckoned by the binder and comes on top. ``density_g_cm3`` replaces the table's. Ranges:
    low with the lowest density and shares of all sources, high with the highest; of the sand the
    other way round for the shares.

    >>> mix = core_mix(1e6, "silicate")
    >>> [(row.name, round(row.kg, 4)) for row in mix.rows]
    [('sand', 1.5385), ('sodium silicate, liquid', 0.0615), ('carbon dioxide', 0.0615)]
    """
    require_positive(volume_mm3, "the volume of the core", "mm3")
    require_positive(count, "the number of cores", "")
    require_not_negative(waste, "the waste of sand", "")
    found = find_binder(binder)
    one = core_mass(volume_mm3, binder, density_g_cm3)
    density = found.density
    ends = {"usual": one}
    for pick in ("low", "high"):
        given = getattr(density, pick) if density_g_cm3 is None else density_g_cm3
        ends[pick] = volume_mm3 * 1e-6 * given
    mixes = {pick: kg * count * (1.0 + waste) for pick, kg in ends.items()}
    mixed = [a for a in found.additions if a.mixed]

    def shares(pick: str) -> list[float]:
        own: float = getattr(found.percent, pick)
        return [own, *(_of_sand(a, pick, found) for a in mixed)]

    sand = {
        "low": mixes["low"] / _share(shares("high")),
        "usual": mixes["usual"] / _share(shares("usual")),
        "high": mixes["high"] / _share(shares("low")),
    }
    by_shares = {pick: mixes[pick] / _share(shares(pick)) for pick in mixes}
    order = ("low", "usual", "high")

    def masses(percents: dict[str, float]) -> tuple[float, float, float]:
        low, usual, high = (by_shares[pick] * percents[pick] / 100.0 for pick in order)
        return low, usual, high

    rows = [
        _row("sand", (sand["low"], sand["usual"], sand["high"]), "dry, free of clay", None),
        _row(
            found.binder_name,
            masses({pick: getattr(found.percent, pick) for pick in order}),
            f"{found.percent.text()} of the sand",
            found.percent,
        ),
    ]
    rows += [
        _row(
            a.name,
            masses({pick: _of_sand(a, pick, found) for pick in order}),
            f"{a.percent.text()} of the {a.per}",
            a.percent,
        )
        for a in found.additions
    ]
    used = density.sources if density_g_cm3 is None else ()
    rho = density.text() if density_g_cm3 is None else f"{format_figure(density_g_cm3)} g/cm3"
    cited = f" ({'; '.join(source.text() for source in used)})" if used else ""
    steps = [
        f"{found.name}: one core of {format_figure(volume_mm3 * 1e-3)} cm3 x {rho} = "
        f"{format_mass(one)}{cited}",
        f"mix for {count} core{'s' if count > 1 else ''} with {format_figure(100.0 * waste)} % "
        f"for waste: {format_mass(mixes['usual'])}",
        *(row.text for row in rows),
    ]
    values = [density] if density_g_cm3 is None else []
    sources = sources_of([*values, found.percent, *(a.percent for a in found.additions)])
    return CoreMix(found.id, one, mixes["usual"], tuple(rows), tuple(steps), sources)


def hardening(binder: str) -> tuple[str, ...]:
    """How the binder system hardens: conditions with their ranges and sources, then remarks.

    >>> hardening("silicate")[1].split(" (")[0]
    'gas pressure: 1.4 bar'
    """
    found = find_binder(binder)
    lines = []
    for condition in found.conditions:
        cited = "; ".join(
            f"{reading.source.text()}{f', {reading.note}' if reading.note else ''}"
            for reading in condition.value.readings
        )
        lines.append(f"{condition.name}: {condition.value.text()} ({cited})")
    lines += [f"{remark.text} ({remark.source.text()})" for remark in found.remarks]
    return tuple(lines)
