"""How much larger than the finished part the pattern is: contraction, master metal, rapping."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from patternprep.data.alloy_book import Alloy, AlloyBook
from patternprep.errors import UsageFault
from patternprep.formulas.contraction import contraction_for
from patternprep.kit.job import Job
from patternprep.units import parse_fraction, parse_length

__all__ = ["SizeAllowance", "rapping_factors", "size_allowance"]

LARGEST_CONTRACTION = 0.10
"""Above this a contraction is taken for a slip of the pen (the books end near 2.6 %)."""


@dataclass(frozen=True)
class SizeAllowance:
    """Factors along x, y, z of the part (before the turn) and of the mould (after it)."""

    part_factors: tuple[float, float, float]
    mould_factors: tuple[float, float, float]
    contraction: dict[str, Any]
    """The ``contraction`` section of the figures."""
    master_stock_mm: float
    """Metal to finish a master, at casting size, mm."""


def _factor(fraction: float, basis: str) -> float:
    """Pattern over part for a contraction referred to the part or to the pattern."""
    return 1.0 + fraction if basis == "part" else 1.0 / (1.0 - fraction)


def _checked(text: str, name: str) -> float:
    fraction = parse_fraction(text)
    if not -0.02 <= fraction <= LARGEST_CONTRACTION:
        raise UsageFault(
            f"The {name} '{text}' is {fraction * 100.0:.2f} %, outside -2 to 10 %; "
            "casting metals contract by 0 to 3 %, so check the figure."
        )
    return fraction


def size_allowance(job: Job, alloy: Alloy, book: AlloyBook, largest_mm: float) -> SizeAllowance:
    """All pure scalings that the job asks for, from the alloy and the part's largest size, mm."""
    choice = job.contraction
    if choice.value == "book":
        found = contraction_for(alloy, largest_mm, cored=choice.cored)
        fraction, basis = found.fraction, found.basis
        told: dict[str, Any] = {
            "from": "book",
            "low_percent": found.low * 100.0,
            "high_percent": found.high * 100.0,
            "text": found.text,
            "sources": list(found.sources),
        }
    else:
        fraction, basis = _checked(choice.value, "contraction"), choice.basis
        told = {"from": "given", "text": f"given as {choice.value}, referred to the {basis}"}
    common = _factor(fraction, basis)
    own = [getattr(choice, axis) for axis in "xyz"]
    factors = tuple(
        _factor(_checked(text, f"contraction along {axis}"), choice.basis) if text else common
        for axis, text in zip("xyz", own, strict=True)
    )
    master_factor, master = _master(job, book, largest_mm)
    ones = (1.0, 1.0, 1.0)
    grown = (factors[0] * master_factor, factors[1] * master_factor, factors[2] * master_factor)
    in_part = choice.axes == "part" or not any(own)
    section: dict[str, Any] = {
        "percent": fraction * 100.0,
        "basis": basis,
        "per_axis_percent": [(f - 1.0) * 100.0 for f in factors],
        "per_axis_basis": "part",
        "axes": choice.axes,
        "total_factors": list(grown),
        **told,
    }
    if master:
        section["master"] = master
    return SizeAllowance(
        part_factors=grown if in_part else ones,
        mould_factors=ones if in_part else grown,
        contraction=section,
        master_stock_mm=parse_length(job.master.stock) / common if job.master.alloy else 0.0,
    )


def _master(job: Job, book: AlloyBook, largest_mm: float) -> tuple[float, dict[str, Any] | None]:
    """Factor of a metal master's own contraction, and what is told of it."""
    if not job.master.alloy:
        if parse_length(job.master.stock) != 0.0 or job.master.contraction != "book":
            raise UsageFault(
                "Stock or contraction of a metal master is given but not its metal; "
                "name it with --master-alloy."
            )
        return 1.0, None
    alloy = book.find(job.master.alloy)
    if job.master.contraction == "book":
        found = contraction_for(alloy, largest_mm, cored=False)
        fraction, basis = found.fraction, found.basis
    else:
        fraction, basis = _checked(job.master.contraction, "master's contraction"), "part"
    return _factor(fraction, basis), {
        "alloy": alloy.name,
        "percent": fraction * 100.0,
        "basis": basis,
        "stock_mm": parse_length(job.master.stock),
    }


def rapping_factors(job: Job, plan_mm: tuple[float, float]) -> tuple[float, float, float]:
    """Factors along the mould's x, y, z that take the rapping allowance off a plan size, mm.

    Raises UsageFault when the allowance is negative or eats more than a twentieth of the plan.
    """
    per_side = parse_length(job.rapping.per_side)
    if per_side < 0.0 or 2.0 * per_side > 0.05 * min(plan_mm):
        raise UsageFault(
            f"A rapping allowance of {per_side:g} mm a side does not fit a pattern of "
            f"{plan_mm[0]:.1f} x {plan_mm[1]:.1f} mm in plan; give 0 to 2.5 % of the smaller side."
        )
    return (1.0 - 2.0 * per_side / plan_mm[0], 1.0 - 2.0 * per_side / plan_mm[1], 1.0)
