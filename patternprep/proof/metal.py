"""The arithmetic of the metal: masses from volumes, the charge, and every step of the sum.

Figures are added up again from the figures they rest on; the steps' expressions are worked out as
they are printed, with the rounding of print allowed for.
"""

from __future__ import annotations

import ast
import operator
import re
from collections.abc import Callable

from patternprep.proof.files import Figures, Kit
from patternprep.proof.line import ProofLine, at_most
from patternprep.units import format_mass

__all__ = ["metal_lines", "worked_out"]

_SHARE = 1e-9
_PRINTED = 1e-3
_LEAST_KG = 1e-9
"""Masses are printed with ten decimals."""
_LONGEST = 200
_UNITS = re.compile(r"g/cm3|cm3|kg|poured|pour-off|heel")
_PLAIN = re.compile(r"[0-9.eE+\-*/() ]+")
_BEST = re.compile(r"yield ([0-9.]+) %, loss ([0-9.]+) %")
_FIGURE_OF_STEP = {
    "one casting": "casting.mass_kg",
    "casting yield": "pour.yield_percent",
    "metal poured": "pour.poured_kg",
    "melting loss": "charge.loss_percent",
    "metal to charge": "charge.mass_kg",
    "charge at the best of both ranges": "charge.low_kg",
    "charge at the worst of both ranges": "charge.high_kg",
    "pattern plastic": "pattern.plastic_kg",
}
"""The figure that the step of each label gives."""
_OPERATORS: dict[type, Callable[[float, float], float]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
}


def metal_lines(kit: Kit) -> list[ProofLine]:
    """Poured and charged metal, the pattern's volume, and the steps of the estimate."""
    return [*_charge_lines(kit), *_step_lines(kit)]


def _charge_lines(kit: Kit) -> list[ProofLine]:
    """Poured = n x casting / yield; charge = (poured + pour-off + heel) / (1 - loss)."""
    figures = kit.figures
    lines = []
    if figures.look("pattern.volume_mm3", None) is not None:
        volume = sum(piece.mesh.volume for piece in kit.pieces)
        off = _off(volume, figures.number("pattern.volume_mm3"))
        lines.append(at_most("pattern volume from the halves", off, 1e-5, "of volume"))
    keys = (
        "casting.mass_kg",
        "pour.poured_kg",
        "pour.yield_percent",
        "pour.castings_per_mould",
        "charge.mass_kg",
        "charge.loss_percent",
    )
    if any(figures.look(key, None) is None for key in keys):
        return lines
    casting, poured, yielded, count, charge, loss = (figures.number(key) for key in keys)
    pour = count * casting / max(yielded / 100.0, 1e-9)
    charged = _charged(figures, poured, loss)
    low, high = (figures.number(f"charge.{key}", charge) for key in ("low_kg", "high_kg"))
    outside = max(low - charge, charge - high, 0.0) / max(abs(charge), 1e-300)
    return [
        *lines,
        at_most("metal poured from castings and yield", _off(pour, poured), _SHARE, "of mass"),
        at_most("charge from metal poured and loss", _off(charged, charge), _SHARE, "of mass"),
        at_most("charge within its range", outside, _SHARE, "of mass"),
    ]


def _charged(figures: Figures, poured: float, loss: float) -> float:
    """Metal to charge for metal poured, kg, with the loss in percent."""
    spare = sum(figures.number(f"charge.{key}", 0.0) for key in ("pour_off_kg", "heel_kg"))
    return (poured + spare) / max(1.0 - loss / 100.0, 1e-9)


def _step_lines(kit: Kit) -> list[ProofLine]:
    """How many steps do not give the figure of their name, do not add up, or are told otherwise."""
    steps = kit.figures.tables("estimate_steps")
    if not steps:
        return []
    other = sum(not _gives_its_figure(kit.figures, step) for step in steps)
    wrong = sum(not _adds_up(kit.figures, step) for step in steps)
    words = sum(not _told_as_it_is(step) for step in steps)
    return [
        at_most("estimate steps give the figures told", other, 0, "steps off"),
        at_most("estimate steps add up", wrong, 0, "steps off"),
        at_most("estimate steps in words", words, 0, "steps off"),
    ]


def _value(step: Figures) -> float | None:
    return None if step.look("value", None) is None else step.number("value")


def _gives_its_figure(figures: Figures, step: Figures) -> bool:
    key = _FIGURE_OF_STEP.get(step.text("label").partition(",")[0])
    if key is None:
        return True
    value, told = _value(step), figures.look(key, None)
    if value is None or told is None:
        return value is None and told is None
    return _off(value, figures.number(key)) <= _SHARE


def _adds_up(figures: Figures, step: Figures) -> bool:
    value, expression = _value(step), step.text("expression")
    if value is None or not expression:
        return True
    best = _BEST.fullmatch(expression)
    if best is not None:
        yielded, loss = (float(number) for number in best.groups())
        cast = figures.number("casting.mass_kg") * figures.number("pour.castings_per_mould")
        found: float | None = _charged(figures, 100.0 * cast / max(yielded, 1e-9), loss)
        largest = value
    else:
        found = worked_out(expression)
        # a small difference of two masses is as true as these are printed
        masses = [float(m) for m in re.findall(r"([0-9.]+) kg", expression)]
        largest = max([value, *masses]) if " - " in expression else value
    return found is not None and abs(found - value) <= _PRINTED * abs(largest) + _LEAST_KG


def worked_out(expression: str) -> float | None:
    """What a printed sum such as '375.742 cm3 x 2.68 g/cm3' gives, kg; None if it is no sum."""
    if len(expression) > _LONGEST:
        return None
    volume = "cm3 x" in expression and "g/cm3" in expression
    plain = _UNITS.sub("", expression).replace(" x ", " * ")
    if not _PLAIN.fullmatch(plain):
        return None
    try:
        number = _node(ast.parse(plain.strip(), mode="eval").body)
    except (SyntaxError, ValueError, ZeroDivisionError, OverflowError, RecursionError):
        return None
    return number * 1e-3 if volume else number


def _node(node: ast.expr) -> float:
    if isinstance(node, ast.BinOp) and type(node.op) in _OPERATORS:
        return _OPERATORS[type(node.op)](_node(node.left), _node(node.right))
    if isinstance(node, ast.Constant) and isinstance(node.value, (int, float)):
        return float(node.value)
    raise ValueError("not a plain sum")


def _told_as_it_is(step: Figures) -> bool:
    """Does the step's sentence hold its own label, expression, value and source?"""
    label, expression, source = (step.text(key) for key in ("label", "expression", "source"))
    text, value, unit = step.text("text", ""), _value(step), step.text("unit")
    begin = f"{label}: {expression} = " if expression else f"{label}: "
    end = f"  [{source}]" if source else ""
    if not text.startswith(begin) or not text.endswith(end):
        return False
    result = text[len(begin) : len(text) - len(end)]
    if value is None:
        return result == "not known"
    if unit == "kg":
        return result == format_mass(value)
    number, _, told = result.partition(" ")
    try:
        return told == unit and _off(float(number), value) <= 1e-4
    except ValueError:
        return False


def _off(found: float, told: float) -> float:
    return abs(found - told) / max(abs(told), 1e-300)
