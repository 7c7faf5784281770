"""Forces on cores: lift by both conventions, bearing of prints, load left over, chaplets.

Volumes in mm3, densities in g/cm3, forces in N, areas in mm2, pressures in kPa.
"""

from __future__ import annotations

from dataclasses import dataclass

from patternprep.data.core_practice import chaplet_rows, find_mould_sand
from patternprep.data.values import Source, format_figure
from patternprep.errors import UsageFault
from patternprep.formulas.checks import require_not_negative, require_positive
from patternprep.formulas.core_prints import STANDARD_GRAVITY

__all__ = ["CONVENTIONS", "Bearing", "Chaplets", "Lift", "chaplets", "core_lift", "print_bearing"]

#: How a lift is reckoned: the displaced metal's weight, or that less the core's own.
CONVENTIONS = ("gross", "net")


@dataclass(frozen=True, slots=True)
class Lift:
    """Lift of the metal on a core in N, with the convention it follows."""

    newton: float
    convention: str
    text: str


@dataclass(frozen=True, slots=True)
class Bearing:
    """Pressure of a core on its seats in kPa against the allowable, and the load left over in N."""

    kpa: float
    allowable_kpa: float
    low_kpa: float
    high_kpa: float
    ok: bool
    unsupported_n: float
    text: str
    sources: tuple[Source, ...]


@dataclass(frozen=True, slots=True)
class Chaplets:
    """Whether chaplets are needed, and their area in mm2 (None: not known, or none needed)."""

    needed: bool
    area_mm2: float | None
    text: str
    sources: tuple[Source, ...]


def core_lift(
    volume_mm3: float,
    liquid_g_cm3: float,
    sand_g_cm3: float,
    convention: str,
    *,
    gravity: float = STANDARD_GRAVITY,
) -> Lift:
    """Lift in N on the part of a core that lies in the metal.

    Gross: V rho_l g, the weight of the displaced melt; the core's own weight is left out, which is
    the careful figure (giessereilexikon.com, lifting force). Net: V (rho_l - rho_c) g (convention
    of P. N. Rao and of Groover). ``gravity`` in m/s2. A net lift below zero: the core sinks.

    >>> round(core_lift(1875e3, 11.3, 1.6, "net").newton, 1)
    178.4
    """
    require_positive(volume_mm3, "the core's volume in the metal", "mm3")
    require_positive(liquid_g_cm3, "the density of the melt", "g/cm3")
    require_positive(sand_g_cm3, "the density of the core", "g/cm3")
    require_positive(gravity, "gravity", "m/s2")
    if convention not in CONVENTIONS:
        raise UsageFault(
            f"'{convention}' is no convention of core lift; give one of {', '.join(CONVENTIONS)}."
        )
    own = sand_g_cm3 if convention == "net" else 0.0
    newton = volume_mm3 * 1e-6 * (liquid_g_cm3 - own) * gravity
    volume = f"{format_figure(volume_mm3 * 1e-3)} cm3"
    melt = f"melt of {format_figure(liquid_g_cm3)} g/cm3"
    reckoned = (
        f"weight of {volume} of displaced {melt}, the core's own weight left out"
        if convention == "gross"
        else f"{volume} x ({melt} - core of {format_figure(sand_g_cm3)} g/cm3) x g"
    )
    return Lift(newton, convention, f"{convention} lift {format_figure(newton)} N: {reckoned}")


def print_bearing(
    load_n: float, seat_area_mm2: float, sand: str, *, allowable_kpa: float | None = None
) -> Bearing:
    """Pressure of a load on core seats, and what of it they do not bear.

    ``seat_area_mm2``: seats of all the prints that take the load, projected along it; ``sand``:
    mould sand; ``allowable_kpa`` replaces the table's. Unsupported load = load - allowable x area,
    not below 0 (after P. N. Rao, from memory).

    >>> found = print_bearing(856.7, 2000.0, "green", allowable_kpa=350.0)
    >>> round(found.unsupported_n, 1), found.ok
    (156.7, False)
    """
    require_not_negative(load_n, "the load on the prints", "N")
    require_positive(seat_area_mm2, "the area of the seats", "mm2")
    found = find_mould_sand(sand)
    table = found.bearing
    allowed = table.usual if allowable_kpa is None else allowable_kpa
    require_positive(allowed, "the allowable bearing", "kPa")
    pressure = 1e3 * load_n / seat_area_mm2
    left = max(0.0, load_n - 1e-3 * allowed * seat_area_mm2)
    ok = left <= 1e-9 * load_n
    sources = table.sources if allowable_kpa is None else ()
    shown = table.text() if allowable_kpa is None else f"{format_figure(allowed)} kPa as given"
    text = (
        f"{format_figure(load_n)} N on {format_figure(seat_area_mm2)} mm2 of {found.name} presses "
        f"{format_figure(pressure)} kPa, allowed {shown}"
    )
    text += "" if ok else f"; {format_figure(left)} N are not borne"
    if sources:
        text += f" ({'; '.join(source.text() for source in sources)})"
    return Bearing(pressure, allowed, table.low, table.high, ok, 0.0 if ok else left, text, sources)


def chaplets(unsupported_n: float, family: str | None = None) -> Chaplets:
    """Whether chaplets are needed for a load that the prints do not bear, and their area.

    The only figure at hand is 29 mm2 of chaplet for each newton, for cast iron (after P. N. Rao,
    from memory). An area per force is right in its dimension: the load then presses 1/29 N/mm2 =
    34.5 kPa, 5 psi, which is what green sand bears under the chaplets' heads, and a tenth of what
    the same text lets a print bear. It says nothing of the metal's strength. For all other metals
    the area is not known.

    >>> chaplets(100.0, "grey iron").area_mm2, chaplets(100.0, "tin bronze").area_mm2
    (2900.0, None)
    """
    require_not_negative(unsupported_n, "the unsupported load", "N")
    if unsupported_n == 0.0:
        return Chaplets(False, None, "no chaplets: the prints bear the whole load", ())
    load = f"chaplets are needed for {format_figure(unsupported_n)} N, or longer prints"
    row = next((r for r in chaplet_rows() if family in r.families), None)
    if row is None:
        metal = family or "this metal"
        return Chaplets(True, None, f"{load}; their area in {metal}: not known", ())
    per = row.mm2_per_n
    area = per.usual * unsupported_n
    text = (
        f"{load}; area of their heads on the sand in all {format_figure(area)} mm2, "
        f"{format_figure(per.usual)} mm2/N as quoted for cast iron: they press the sand with "
        f"{format_figure(1e3 / per.usual, 3)} kPa "
        f"({'; '.join(source.text() for source in per.sources)})"
    )
    return Chaplets(True, area, text, per.sources)
