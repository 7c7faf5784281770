"""Text with units in, plain numbers out; and numbers with units spelled out again.

Inside the project lengths are mm, masses kg, angles degrees, temperatures degrees Celsius,
times seconds and fractions plain numbers. Text with units exists only at the edges.
"""

from __future__ import annotations

import math
import re

from patternprep.errors import UsageFault

__all__ = [
    "LB_PER_KG",
    "MM_PER_INCH",
    "MM_PER_UNIT",
    "format_mass",
    "format_mm",
    "format_point",
    "parse_angle",
    "parse_fraction",
    "parse_length",
    "parse_mass",
    "parse_percent",
    "parse_size",
]

MM_PER_INCH = 25.4
LB_PER_KG = 1.0 / 0.45359237

MM_PER_UNIT = {
    "mm": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "um": 0.001,
    "micron": 0.001,
    "in": MM_PER_INCH,
    "inch": MM_PER_INCH,
    "ft": 12.0 * MM_PER_INCH,
}
_KG_PER_UNIT = {"kg": 1.0, "g": 0.001, "t": 1000.0, "lb": 0.45359237, "oz": 0.45359237 / 16.0}

_NUMBER = r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?"
_AMOUNT = re.compile(rf"^\s*(?:(\d+)[\s-]+)?({_NUMBER})(?:\s*/\s*(\d+(?:\.\d+)?))?\s*(.*?)\s*$")


def _amount(text: str, what: str, example: str) -> tuple[float, str]:
    """Split '1 1/2 in' into (1.5, 'in'); the unit is lower case and may be empty."""
    match = _AMOUNT.match(text)
    if match is None:
        raise UsageFault(f"'{text}' is not {what}; write it like {example}.")
    whole, number, divisor, unit = match.groups()
    value = float(number)
    if divisor is not None:
        if float(divisor) == 0.0:
            raise UsageFault(f"'{text}' divides by zero; write {what} like {example}.")
        value /= float(divisor)
    if whole is not None:
        if divisor is None:
            raise UsageFault(f"'{text}' is not {what}; write it like {example}.")
        value += float(whole)
    if not math.isfinite(value):
        raise UsageFault(f"'{text}' is not a finite number; write {what} like {example}.")
    return value, unit.lower()


def parse_length(text: str) -> float:
    """Length in mm from '2 mm', '1/8 in', '0.5' (a bare number is mm)."""
    value, unit = _amount(text, "a length", "'2 mm' or '1/8 in'")
    unit = {"": "mm", '"': "in", "inches": "in", "millimetre": "mm"}.get(unit, unit)
    if unit not in MM_PER_UNIT:
        raise UsageFault(
            f"'{text}' has the unknown length unit '{unit}'; use one of {', '.join(MM_PER_UNIT)}."
        )
    return value * MM_PER_UNIT[unit]


def parse_size(text: str) -> tuple[float, float, float]:
    """Three lengths in mm from '220 x 220 x 250 mm' (a unit at the end holds for all)."""
    parts = [part.strip() for part in text.lower().replace("\u00d7", "x").split("x")]
    if len(parts) != 3:
        raise UsageFault(f"'{text}' is not a size; write it like '220 x 220 x 250 mm'.")
    unit = parts[2].lstrip("0123456789./ ")
    sizes = [parse_length(p if p[-1:].isalpha() else f"{p} {unit}".strip()) for p in parts]
    if not all(size > 0.0 for size in sizes):
        raise UsageFault(f"'{text}' has a side of no length; write it like '220 x 220 x 250 mm'.")
    return sizes[0], sizes[1], sizes[2]


def parse_fraction(text: str) -> float:
    """Plain fraction from '1.9 %', '1/4 in/ft' (a shrink rule: 1/48), '10 mm/m', '1/96'.

    A bare number of 0.2 and more is refused, since percent and fraction cannot be told apart.
    """
    value, unit = _amount(text, "a percentage", "'1.9 %' or '1/4 in/ft'")
    unit = unit.replace(" ", "").replace("percent", "%").replace("inch", "in").replace("foot", "ft")
    divisors = {"%": 100.0, "in/ft": 12.0, "inperft": 12.0, "mm/m": 1000.0}
    if unit in divisors:
        return value / divisors[unit]
    if unit == "" and abs(value) < 0.2:
        return value
    raise UsageFault(
        f"'{text}' does not say of what; write it like '1.9 %', '1/4 in/ft', '10 mm/m' or '1/96'."
    )


def parse_percent(text: str) -> float:
    """Plain fraction from a share such as '60 %' or '0.1'; no shrink rule, no slope.

    A bare number of 0.2 and more is refused, since percent and fraction cannot be told apart.
    """
    value, unit = _amount(text, "a percentage", "'60 %'")
    if unit.replace("percent", "%") == "%":
        return value / 100.0
    if unit == "" and abs(value) < 0.2:
        return value
    percent = value if unit or abs(value) >= 1.0 else 100.0 * value
    raise UsageFault(f"'{text}' does not say that it is percent; write it like '{percent:g} %'.")


def parse_angle(text: str) -> float:
    """Angle in degrees from '2', '2 deg', '0.03 rad'."""
    value, unit = _amount(text, "an angle", "'2 deg'")
    if unit in ("", "deg", "degree", "degrees", "°"):
        return value
    if unit == "rad":
        return math.degrees(value)
    raise UsageFault(f"'{text}' has the unknown angle unit '{unit}'; write it like '2 deg'.")


def parse_mass(text: str) -> float:
    """Mass in kg from '1.2 kg', '300 g', '5 lb' (a bare number is kg)."""
    value, unit = _amount(text, "a mass", "'1.2 kg' or '5 lb'")
    unit = {"": "kg", "lbs": "lb"}.get(unit, unit)
    if unit not in _KG_PER_UNIT:
        raise UsageFault(
            f"'{text}' has the unknown mass unit '{unit}'; use one of {', '.join(_KG_PER_UNIT)}."
        )
    return value * _KG_PER_UNIT[unit]


def format_mm(value: float, digits: int = 2) -> str:
    """'12.50 mm'."""
    return f"{value:.{digits}f} mm"


def format_mass(kg: float) -> str:
    """Kilograms with pounds beside: '1.234 kg (2.72 lb)'; grams below 0.1 kg."""
    pounds = kg * LB_PER_KG
    if abs(kg) < 0.1:
        return f"{kg * 1000.0:.1f} g ({pounds:.3f} lb)"
    return f"{kg:.3f} kg ({pounds:.2f} lb)"


def format_point(point: tuple[float, ...] | list[float]) -> str:
    """'(10.0, 0.0, 35.0) mm'."""
    return "(" + ", ".join(f"{c + 0.0:.3f}" for c in point) + ") mm"
