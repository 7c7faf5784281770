"""The properties an alloy may have: their keys in TOML, units, limits and texts with units."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from patternprep.data.sources import find_source
from patternprep.data.tomlfile import Place
from patternprep.data.values import Composition, ElementLimit, Reading, Source, Value
from patternprep.errors import UsageFault
from patternprep.units import parse_fraction, parse_length

__all__ = ["ELEMENTS", "PROPERTIES", "Property", "parse_composition", "parse_value"]

ELEMENTS = frozenset(
    (
        *("Ag", "Al", "As", "Au", "B", "Be", "Bi", "C", "Ca", "Cd", "Co", "Cr", "Cu", "Fe", "In"),
        *("Mg", "Mn", "Mo", "N", "Na", "Nb", "Ni", "P", "Pb", "S", "Sb", "Se", "Si", "Sn", "Sr"),
        *("Te", "Ti", "V", "W", "Zn", "Zr"),
    )
)

_DIGITS = r"[0-9]{1,9}(?:\.[0-9]{1,9})?"
#: 1 lb/in3 in g/cm3, exact by the definitions of pound and inch.
_G_CM3_PER_LB_IN3 = 453.59237 / 2.54**3


def _contraction_percent(text: str) -> float:
    return 100.0 * parse_fraction(text)


def _density(text: str) -> float:
    match = re.fullmatch(rf"\s*({_DIGITS})\s*(lb/in3|g/cm3|kg/m3)\s*", text)
    if match is None:
        raise UsageFault(f"'{text}' is not a density; write it like '7.6 g/cm3' or '0.276 lb/in3'.")
    factor = {"lb/in3": _G_CM3_PER_LB_IN3, "g/cm3": 1.0, "kg/m3": 0.001}[match.group(2)]
    return float(match.group(1)) * factor


def _celsius(text: str) -> float:
    match = re.fullmatch(rf"\s*(-?{_DIGITS})\s*(degC|degF)\s*", text)
    if match is None:
        raise UsageFault(f"'{text}' is not a temperature; write it like '1038 degC'.")
    degrees = float(match.group(1))
    return degrees if match.group(2) == "degC" else (degrees - 32.0) / 1.8


def _percent(text: str) -> float:
    return 100.0 * parse_fraction(text)


@dataclass(frozen=True, slots=True)
class Property:
    """One property: field of `Alloy`, label, unit, the limits of sense and a reader of text.

    ``example`` is a text with a unit that the reader takes.
    """

    field: str
    label: str
    unit: str
    low: float
    high: float
    read_text: Callable[[str], float]
    example: str


#: TOML key -> property. The limits only catch slips of the unit; they are no data.
PROPERTIES: dict[str, Property] = {
    "contraction_percent": Property(
        "contraction", "contraction, linear", "%", -1.0, 5.0, _contraction_percent, "1/4 in/ft"
    ),
    "density_solid_g_cm3": Property(
        "density_solid", "density, solid, cold", "g/cm3", 0.5, 25.0, _density, "7.6 g/cm3"
    ),
    "density_liquid_g_cm3": Property(
        "density_liquid", "density, liquid", "g/cm3", 0.5, 25.0, _density, "7.6 g/cm3"
    ),
    "liquidus_c": Property("liquidus", "liquidus", "degC", 20.0, 3500.0, _celsius, "1038 degC"),
    "solidus_c": Property("solidus", "solidus", "degC", 20.0, 3500.0, _celsius, "1038 degC"),
    "pouring_c": Property("pouring", "pouring", "degC", 20.0, 3500.0, _celsius, "1038 degC"),
    "solidification_shrinkage_percent": Property(
        "solidification_shrinkage",
        "shrinkage in freezing, volume",
        "%",
        -10.0,
        15.0,
        _percent,
        "4 %",
    ),
    "smallest_section_mm": Property(
        "smallest_section", "smallest section that fills", "mm", 0.1, 100.0, parse_length, "5 mm"
    ),
}

_READING_KEYS = ("as", "at", "basis", "high", "low", "note", "source", "usual")


def _amount(prop: Property, value: object, place: Place) -> tuple[float, str]:
    """Number in the property's unit, and the text it was written as when it was a text."""
    if not isinstance(value, str):
        form = f"write a number in {prop.unit}, or a text with its unit such as '{prop.example}'"
        return place.number(value, prop.low, prop.high, unit=prop.unit, form=form), ""
    try:
        number = prop.read_text(value)
    except UsageFault as fault:
        raise place.fault(fault.message.rstrip(".")) from fault
    if not math.isfinite(number) or not prop.low <= number <= prop.high:
        limits = f"{prop.low:g} to {prop.high:g} {prop.unit}"
        raise place.fault(f"'{value}' is {number:.4g} {prop.unit}, outside the allowed {limits}")
    return number, value


def _to_part_basis(percent: float) -> float:
    """Contraction referred to the pattern -> referred to the part: s / (1 - s), in percent."""
    return percent / (1.0 - percent / 100.0)


def _reading(
    prop: Property,
    entry: object,
    place: Place,
    scope: str,
    sources: Mapping[str, Source],
    own: Source | None,
) -> Reading:
    single = place.at("at")
    if not isinstance(entry, dict):
        entry, single = {"at": entry}, place
    place.check_keys(entry, _READING_KEYS)
    if ("at" in entry) == ("low" in entry or "high" in entry):
        raise place.fault(
            "needs either one figure, 'at = ...', or a range, 'low = ...' and 'high = ...'"
        )
    if "at" in entry:
        low, written = _amount(prop, entry["at"], single)
        high = low
    else:
        if "low" not in entry or "high" not in entry:
            there, absent = ("low", "high") if "low" in entry else ("high", "low")
            raise place.fault(
                f"has only '{there}', one end of its range; give '{absent}' too, or one figure"
            )
        low, first = _amount(prop, entry["low"], place.at("low"))
        high, last = _amount(prop, entry["high"], place.at("high"))
        written = f"{first} to {last}" if first and last else ""
        if low > high:
            raise place.fault(f"low {low:g} is above high {high:g} {prop.unit}; swap them")
    usual = 0.5 * (low + high)
    if "usual" in entry:
        usual, _ = _amount(prop, entry["usual"], place.at("usual"))
        if not low <= usual <= high:
            limits = f"{low:g} to {high:g} {prop.unit}"
            raise place.fault(
                f"usual {usual:g} lies outside its range {limits}; give one inside it"
            )
    if "source" in entry:
        source = find_source(entry["source"], place.at("source"), sources)
    elif own is not None:
        source = own
    else:
        raise place.fault("has no source; every figure of the project's tables needs one")
    basis = ""
    if prop.field == "contraction":
        shrink_rule = "in/ft" in written.replace(" ", "")
        default = "part" if shrink_rule else "not stated"
        basis = place.at("basis").choice(
            entry.get("basis", default), ("not stated", "part", "pattern")
        )
        if basis == "pattern":
            low, usual, high = (_to_part_basis(s) for s in (low, usual, high))
    elif "basis" in entry:
        raise place.at("basis").fault("only a contraction has a basis; leave it out")
    note = place.at("note").text(entry["note"]) if "note" in entry else ""
    printed = place.at("as").text(entry["as"]) if "as" in entry else written
    return Reading(low, high, usual, source, printed, scope, basis, note)


def parse_value(
    key: str,
    entry: object,
    place: Place,
    *,
    scope: str,
    sources: Mapping[str, Source],
    own: Source | None,
) -> Value:
    """Value of the property ``key`` from one reading or a list of readings.

    ``own`` is the source of a figure that names none (a shop's file); None makes a source a must.
    """
    prop = PROPERTIES[key]
    if entry == []:
        raise place.fault("is an empty list; leave the key out when nothing is known")
    return Value(
        prop.unit,
        tuple(
            _reading(prop, item, here, scope, sources, own) for item, here in _items(entry, place)
        ),
    )


def _items(entry: object, place: Place) -> list[tuple[Any, Place]]:
    """The entries of a list with their places, or the one entry that is no list."""
    if isinstance(entry, list):
        return [(item, place.at(index)) for index, item in enumerate(entry)]
    return [(entry, place)]


_RANGE = re.compile(rf"\s*({_DIGITS})\s*-\s*({_DIGITS})\s*")
_BOUND = re.compile(rf"\s*(<=|>=)\s*({_DIGITS})\s*")


def _element_limit(element: str, text: object, place: Place) -> ElementLimit:
    if element not in ELEMENTS:
        raise place.fault(
            f"'{element}' is not a chemical element of these tables; write its symbol, such as Cu"
        )
    words = place.text(text)
    between, bound = _RANGE.fullmatch(words), _BOUND.fullmatch(words)
    if between is not None:
        low, high = (place.number(float(part), 0.0, 100.0) for part in between.groups())
        if low > high:
            raise place.fault(f"low {low:g} is above high {high:g}; swap them")
        return ElementLimit(element, low, high)
    if bound is not None:
        limit = place.number(float(bound.group(2)), 0.0, 100.0)
        return ElementLimit(element, *((limit, None) if bound.group(1) == ">=" else (None, limit)))
    raise place.fault(f"'{words}' is not a limit; write it like '8.5-9.5', '>=79' or '<=0.1'")


def parse_composition(
    entry: object, place: Place, *, sources: Mapping[str, Source], own: Source | None
) -> tuple[Composition, ...]:
    """Composition limits from one table or a list of tables, in mass percent."""
    found: list[Composition] = []
    for item, here in _items(entry, place):
        fields: dict[str, Any] = here.table(item)
        if "source" in fields:
            source = find_source(fields["source"], here.at("source"), sources)
        elif own is not None:
            source = own
        else:
            raise here.fault("has no source; every composition of the tables needs one")
        limits = tuple(
            _element_limit(element, text, here.at(element))
            for element, text in fields.items()
            if element not in ("note", "remainder", "source")
        )
        remainder = ""
        if "remainder" in fields:
            remainder = here.at("remainder").choice(fields["remainder"], ELEMENTS)
        note = here.at("note").text(fields["note"]) if "note" in fields else ""
        composition = Composition(limits, source, remainder, note)
        if not limits:
            raise here.fault('names no element; write it like { Cu = "85-88", Sn = "9-11" }')
        if composition.lowest_sum() > 100.0 + 1e-9:
            raise here.fault(
                f"the lower limits add up to {composition.lowest_sum():g} %, above 100; lower them"
            )
        found.append(composition)
    return tuple(found)
