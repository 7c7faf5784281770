"""How much metal a mould takes and how much goes into the crucible, every step shown.

charge = (castings + feeding and gating by a stated yield + pour-off + heel) / (1 - loss)
"""

from __future__ import annotations

from dataclasses import dataclass

from patternprep.data.alloy_book import Alloy
from patternprep.data.tables import Plastic, Share, melt_losses, plastics, yields
from patternprep.data.tomlfile import nearest
from patternprep.data.values import Value, format_figure
from patternprep.errors import DataFault, UsageFault
from patternprep.formulas.checks import (
    require_between,
    require_not_negative,
    require_positive,
)
from patternprep.units import format_mass

__all__ = [
    "Estimate",
    "Step",
    "casting_mass",
    "charged_mass",
    "estimate_metal",
    "find_plastic",
    "plastic_mass",
    "poured_mass",
]


def casting_mass(volume_mm3: float, density_g_cm3: float) -> float:
    """Mass in kg of a volume in mm3: V x rho x 1e-6 (1 g/cm3 = 1e-6 kg/mm3).

    >>> round(casting_mass(1_000_000.0, 7.2), 3)
    7.2
    """
    require_positive(volume_mm3, "the casting's volume", "mm3")
    require_positive(density_g_cm3, "the density", "g/cm3")
    return volume_mm3 * density_g_cm3 * 1e-6


def poured_mass(casting_kg: float, castings: int, yield_percent: float) -> float:
    """Metal poured into one mould in kg: n x casting / yield. Limits: yield above 0 to 100 %.

    Definition of yield: casting mass over all metal poured (giessereilexikon.com, "Output").

    >>> round(poured_mass(6.5, 2, 65.0), 6)
    20.0
    """
    require_positive(casting_kg, "the casting's mass", "kg")
    if castings < 1:
        raise UsageFault(f"{castings} castings per mould is too few; give 1 or more.")
    require_between(yield_percent, 1.0, 100.0, "the yield", "%")
    return casting_kg * castings / (0.01 * yield_percent)


def charged_mass(
    poured_kg: float, loss_percent: float, pour_off_kg: float = 0.0, heel_kg: float = 0.0
) -> float:
    """Metal to charge in kg: (poured + pour-off + heel) / (1 - loss). Limits: loss 0 to 50 %.

    Pour-off is what is pigged or poured into a spare mould; the heel stays in the furnace.

    >>> round(charged_mass(18.6, 4.0, pour_off_kg=0.4, heel_kg=0.2), 6)
    20.0
    """
    require_positive(poured_kg, "the metal poured", "kg")
    require_between(loss_percent, 0.0, 50.0, "the melting loss", "%")
    require_not_negative(pour_off_kg, "the pour-off", "kg")
    require_not_negative(heel_kg, "the heel", "kg")
    return (poured_kg + pour_off_kg + heel_kg) / (1.0 - 0.01 * loss_percent)


def plastic_mass(volume_mm3: float, density_g_cm3: float, infill_percent: float = 100.0) -> float:
    """Plastic of the printed pattern in kg: V x rho x infill; 100 % is solid.

    Infill counts the whole volume alike, so a pattern with solid walls takes somewhat more.

    >>> round(plastic_mass(250_000.0, 1.24), 4)
    0.31
    """
    require_positive(volume_mm3, "the pattern's volume", "mm3")
    require_positive(density_g_cm3, "the plastic's density", "g/cm3")
    require_between(infill_percent, 1.0, 100.0, "the infill", "%")
    return volume_mm3 * density_g_cm3 * 1e-6 * 0.01 * infill_percent


@dataclass(frozen=True, slots=True)
class Step:
    """One line of the sum: what, the expression with its numbers, the result, where it is from.

    ``value`` is None, and the expression says what is missing, when a figure is not known.
    """

    label: str
    expression: str
    value: float | None
    unit: str
    source: str

    def text(self) -> str:
        """'metal poured: 1 x 7.2 kg / 0.65 = 11.077 kg (24.42 lb)  [source]'."""
        result = "not known"
        if self.value is not None:
            result = (
                format_mass(self.value)
                if self.unit == "kg"
                else f"{format_figure(self.value, 6)} {self.unit}"
            )
        join = f"{self.expression} = " if self.expression else ""
        source = f"  [{self.source}]" if self.source else ""
        return f"{self.label}: {join}{result}{source}"


@dataclass(frozen=True, slots=True)
class Estimate:
    """Masses in kg, None where a figure is not known; ``steps`` let a founder check them by hand.

    ``charge_low_kg`` and ``charge_high_kg`` are the charge at the best and at the worst ends of
    the yield's and the loss's ranges.
    """

    alloy: str
    castings: int
    density_g_cm3: float | None
    casting_kg: float | None
    yield_percent: float | None
    poured_kg: float | None
    loss_percent: float | None
    charge_kg: float | None
    charge_low_kg: float | None
    charge_high_kg: float | None
    plastic_kg: float | None
    steps: tuple[Step, ...]
    missing: tuple[str, ...]

    def text(self) -> str:
        """All steps, one a line."""
        return "\n".join(step.text() for step in self.steps)


@dataclass(frozen=True, slots=True)
class _Chosen:
    """A percentage: the figure used with the ends of its range, or nothing known."""

    usual: float | None
    low: float | None
    high: float | None
    source: str


def _choose(given: float | None, share: Share | None, family: str, what: str) -> _Chosen:
    """The user's figure, else the table's usual one with its range."""
    if given is not None:
        return _Chosen(given, given, given, "given")
    if share is None:
        return _Chosen(None, None, None, f"no source gives a {what} for {family}")
    value = share.value
    words = f"{share.metal} {format_figure(value.low)} to {format_figure(value.high)} %, "
    return _Chosen(value.usual, value.low, value.high, words + value.sources[0].text())


def _value_source(value: Value) -> str:
    first = value.readings[0]
    words = f"{format_figure(value.low)} to {format_figure(value.high)} {value.unit}, "
    family = "the family's figure, " if first.scope == "family" else ""
    return (words if value.low < value.high else "") + family + first.source.text()


def _percent_step(label: str, chosen: _Chosen) -> Step:
    return Step(label, "", chosen.usual, "%", chosen.source)


def _missing_step(label: str, missing: str) -> Step:
    return Step(label, f"needs {missing}", None, "kg", "")


def _kg(mass: float) -> str:
    return f"{format_figure(mass, 6)} kg"


def _charge_steps(
    poured: float, loss: _Chosen, castings_kg: float, yielded: _Chosen, pour_off: float, heel: float
) -> tuple[list[Step], float | None, float | None, float | None]:
    """Steps from the metal poured to the charge, the charge, and its best and worst."""
    steps = [_percent_step("melting loss", loss)]
    sum_text = f"({_kg(poured)} poured + {_kg(pour_off)} pour-off + {_kg(heel)} heel)"
    if loss.usual is None or loss.low is None or loss.high is None:
        step = _missing_step("metal to charge", "a melting loss, give --loss")
        return [*steps, step], None, None, None
    charge = charged_mass(poured, loss.usual, pour_off, heel)
    expression = f"{sum_text} / (1 - {format_figure(0.01 * loss.usual)})"
    steps.append(Step("metal to charge", expression, charge, "kg", ""))
    assert yielded.low is not None
    assert yielded.high is not None
    best = charged_mass(castings_kg / (0.01 * yielded.high), loss.low, pour_off, heel)
    worst = charged_mass(castings_kg / (0.01 * yielded.low), loss.high, pour_off, heel)
    if best < worst:
        for label, mass, share, lost in (
            ("charge at the best of both ranges", best, yielded.high, loss.low),
            ("charge at the worst of both ranges", worst, yielded.low, loss.high),
        ):
            why = f"yield {format_figure(share)} %, loss {format_figure(lost)} %"
            steps.append(Step(label, why, mass, "kg", ""))
    return steps, charge, best, worst


def find_plastic(name: str) -> Plastic:
    """A print plastic of the tables, in capitals or not; DataFault, naming all, for another."""
    known = plastics()
    folded = {key.casefold(): key for key in known}
    if name.casefold() not in folded:
        near = nearest(name, known)
        hint = f"; did you mean '{near[0]}'" if near else ""
        raise DataFault(f"no print plastic is named '{name}'{hint}; use one of {', '.join(known)}.")
    return known[folded[name.casefold()]]


def _plastic_step(name: str, volume_mm3: float, infill_percent: float) -> Step:
    plastic = find_plastic(name)
    density = plastic.density.usual
    mass = plastic_mass(volume_mm3, density, infill_percent)
    expression = (
        f"{format_figure(volume_mm3 / 1000.0, 6)} cm3 x {format_figure(density)} g/cm3 "
        f"x {format_figure(0.01 * infill_percent)}"
    )
    label = f"pattern plastic, {plastic.id}, {format_figure(infill_percent)} % infill"
    return Step(label, expression, mass, "kg", _value_source(plastic.density))


def estimate_metal(
    alloy: Alloy,
    casting_volume_mm3: float,
    *,
    castings: int = 1,
    density_g_cm3: float | None = None,
    yield_percent: float | None = None,
    loss_percent: float | None = None,
    pour_off_kg: float = 0.0,
    heel_kg: float = 0.0,
    pattern_volume_mm3: float | None = None,
    plastic: str = "PLA",
    infill_percent: float = 100.0,
) -> Estimate:
    """Casting mass, metal poured and charged for one mould of ``castings`` castings, and plastic.

    Volumes in mm3: the casting's cold, with stock and draft, cores out; the pattern's at pattern
    scale. A figure given as None is taken from the tables, and stays None where they are silent:
    the sums that need it are then None and named in ``missing``. Raises `UsageFault` on figures
    outside their limits.

    >>> from patternprep.data.alloy_book import load_alloys
    >>> iron = load_alloys().find("EN-GJL-250")
    >>> made = estimate_metal(iron, 1_000_000.0, yield_percent=60.0, loss_percent=4.0)
    >>> round(made.casting_kg, 3), round(made.poured_kg, 3), round(made.charge_kg, 3)
    (7.2, 12.0, 12.5)
    """
    require_positive(casting_volume_mm3, "the casting's volume", "mm3")
    steps: list[Step] = []
    missing: list[str] = []
    casting = poured = charge = best = worst = None
    density, source = density_g_cm3, "given"
    if density is None and alloy.density_solid is not None:
        density, source = alloy.density_solid.usual, _value_source(alloy.density_solid)
    family = f"'{alloy.family.name}'"
    yielded = _choose(yield_percent, yields().get(alloy.family.yield_metal), family, "yield")
    loss = _choose(loss_percent, melt_losses().get(alloy.family.loss_metal), family, "melting loss")
    if density is None:
        missing.append("density")
        steps.append(_missing_step("one casting", f"a density of {alloy.id}, which is not known"))
    else:
        casting = casting_mass(casting_volume_mm3, density)
        cm3 = format_figure(casting_volume_mm3 / 1000.0, 6)
        expression = f"{cm3} cm3 x {format_figure(density)} g/cm3"
        steps.append(Step("one casting", expression, casting, "kg", source))
    steps.append(_percent_step("casting yield", yielded))
    if yielded.usual is None:
        missing.append("yield")
    if loss.usual is None:
        missing.append("melting loss")
    if casting is not None and yielded.usual is not None:
        poured = poured_mass(casting, castings, yielded.usual)
        share = format_figure(0.01 * yielded.usual)
        steps.append(
            Step("metal poured", f"{castings} x {_kg(casting)} / {share}", poured, "kg", "")
        )
        feeding = poured - castings * casting
        expression = f"{_kg(poured)} - {castings} x {_kg(casting)}"
        steps.append(Step("of it feeding and gating", expression, feeding, "kg", ""))
        more, charge, best, worst = _charge_steps(
            poured, loss, castings * casting, yielded, pour_off_kg, heel_kg
        )
        steps += more
    else:
        what = "a density" if casting is None else "a casting yield, give --yield"
        steps.append(_missing_step("metal poured and charged", what))
    printed = None
    if pattern_volume_mm3 is not None:
        steps.append(_plastic_step(plastic, pattern_volume_mm3, infill_percent))
        printed = steps[-1].value
    return Estimate(
        alloy=alloy.id,
        castings=castings,
        density_g_cm3=density,
        casting_kg=casting,
        yield_percent=yielded.usual,
        poured_kg=poured,
        loss_percent=loss.usual,
        charge_kg=charge,
        charge_low_kg=best,
        charge_high_kg=worst,
        plastic_kg=printed,
        steps=tuple(steps),
        missing=tuple(missing),
    )
