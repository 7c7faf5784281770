"""Metal in words: the casting, what is poured, what is charged, and every step of the sum.

A figure that no source gives is "not known", with what the founder can give in its place.
"""

from __future__ import annotations

from typing import Any

from patternprep.report.layout import heading, pairs
from patternprep.units import format_mass

__all__ = ["metal_text", "steps_text"]

UNKNOWN_DENSITY = "not known: no source gives the density; give it with --shop-alloys"


def metal_text(figures: dict[str, Any]) -> str:
    """The masses of a kit, known or not."""
    casting, pattern = figures["casting"], figures["pattern"]
    mass = casting["mass_kg"]
    rows = [
        ("casting", UNKNOWN_DENSITY if mass is None else format_mass(mass)),
        ("poured", _poured(figures)),
        ("charge", _charge(figures)),
    ]
    if pattern["plastic_kg"] is not None:
        rows.append(("pattern", f"{format_mass(pattern['plastic_kg'])} of {pattern['plastic']}"))
    return heading("Metal (cold, without risers and gates in the casting)") + "\n" + pairs(rows)


def steps_text(figures: dict[str, Any]) -> str:
    """Every step of the estimate, for a founder to check by hand."""
    rows = [(step["label"], _step(step)) for step in figures["estimate_steps"]]
    return heading("Every step") + "\n" + pairs(rows, 24)


def _poured(figures: dict[str, Any]) -> str:
    pour = figures["pour"]
    yielded, poured = pour["yield_percent"], pour["poured_kg"]
    if yielded is None:
        return _not_known(figures, "yield", "--yield")
    share = f"yield {yielded:.3g} %"
    return f"not known, {share}" if poured is None else f"{format_mass(poured)}, {share}"


def _charge(figures: dict[str, Any]) -> str:
    charge, pour = figures["charge"], figures["pour"]
    if charge["mass_kg"] is not None:
        return format_mass(charge["mass_kg"])
    if charge["loss_percent"] is None:
        more = " and --yield" if pour["yield_percent"] is None else ""
        return _not_known(figures, "melting loss", f"--loss{more}")
    return "not known, as the metal poured is not"


def _not_known(figures: dict[str, Any], what: str, option: str) -> str:
    return f"not known: no source gives a {what} for {figures['alloy']['name']}; give {option}"


def _step(step: dict[str, Any]) -> str:
    value, unit = step["value"], step["unit"]
    if value is None:
        return f"not known: {step['expression'] or step['source']}"
    result = format_mass(value) if unit == "kg" else f"{value:.4g} {unit}".strip()
    return f"{step['expression']} = {result}" if step["expression"] else result
