"""How much larger than the finished part the pattern is: contraction, master metal, rapping."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from patternprep.data.alloy_book import Alloy, AlloyBook
from patternprep.errors import UsageFault
from patternprep.formulas.contraction import (
    Basis,
    Contraction,
    axis_factors,
    contraction_for,
    contraction_from_text,
)
from patternprep.formulas.rapping import rapping_by_figure, rapping_offsets_contraction
from patternprep.kit.job import Job
from patternprep.mesh.mesh import FloatArray
from patternprep.units import parse_length

__all__ = ["SizeAllowance", "rapping_factors", "size_allowance"]


@dataclass(frozen=True)
class SizeAllowance:
    """Factors along x, y, z of the part (before the turn) and of the mould (after it)."""

    part_factors: tuple[float, float, float]
    mould_factors: tuple[float, float, float]
    contraction: dict[str, Any]
    """The ``contraction`` section of the figures."""
    casting_factors: tuple[float, float, float]
    """Of them the casting's own, along the axes that ``contraction["axes"]`` names."""
    master_stock_mm: float
    """Metal to finish a master, at the master's size, mm."""

    def master_stock_on(self, normals: FloatArray, to_mould: FloatArray) -> float:
        """Stock at casting size, mm, that is at least the master's on faces of these normals.

        ``normals`` (k, 3) in part axes; ``to_mould`` (3, 3) turns them into the mould. A layer
        grows with the casting's own factor along its normal: t to t / |F^-1 n|.
        """
        turned = normals if self.contraction["axes"] == "part" else normals @ to_mould.T
        shrink = np.linalg.norm(turned / np.array(self.casting_factors), axis=1)
        return self.master_stock_mm * float(shrink.max())


def size_allowance(job: Job, alloy: Alloy, book: AlloyBook, largest_mm: float) -> SizeAllowance:
    """All pure scalings that the job asks for, from the alloy and the part's largest size, mm."""
    choice = job.contraction
    found = _contraction(alloy, choice.value, choice.basis, largest_mm, choice.cored)
    own = {axis: getattr(choice, axis) for axis in "xyz" if getattr(choice, axis)}
    per_axis = {
        axis: contraction_from_text(text, choice.basis).fraction for axis, text in own.items()
    }
    factors = axis_factors(found.fraction, per_axis)
    master_growth, master = _master(job, book, largest_mm)
    grown = (factors[0] * master_growth, factors[1] * master_growth, factors[2] * master_growth)
    ones = (1.0, 1.0, 1.0)
    in_part = choice.axes == "part" or not own
    section: dict[str, Any] = {
        "percent": found.percent,
        "basis": "part",
        "per_axis_percent": [(f - 1.0) * 100.0 for f in factors],
        "axes": choice.axes,
        "total_factors": list(grown),
        "given": choice.value,
        "given_basis": choice.basis,
        "low_percent": found.low * 100.0,
        "high_percent": found.high * 100.0,
        "text": found.text,
        "sources": [source.text() for source in found.sources],
    }
    if master:
        section["master"] = master
    return SizeAllowance(
        part_factors=grown if in_part else ones,
        mould_factors=ones if in_part else grown,
        contraction=section,
        casting_factors=factors,
        master_stock_mm=parse_length(job.master.stock) if job.master.alloy else 0.0,
    )


def _contraction(
    alloy: Alloy, text: str, basis: Basis, largest_mm: float, cored: bool
) -> Contraction:
    """The book's contraction, or the figure that was given."""
    if text == "book":
        return contraction_for(alloy, largest_mm, cored)
    return contraction_from_text(text, basis)


def _master(job: Job, book: AlloyBook, largest_mm: float) -> tuple[float, dict[str, Any] | None]:
    """Growth for a metal master's own contraction, and what is told of it."""
    if not job.master.alloy:
        if parse_length(job.master.stock) != 0.0 or job.master.contraction != "book":
            raise UsageFault(
                "Stock or contraction of a metal master is given but not its metal; "
                "name it with --master-alloy."
            )
        return 1.0, None
    alloy = book.find(job.master.alloy)
    found = _contraction(alloy, job.master.contraction, "part", largest_mm, cored=False)
    return found.factor, {
        "alloy": alloy.id,
        "percent": found.percent,
        "basis": "part",
        "text": found.text,
        "stock_mm": parse_length(job.master.stock),
    }


def rapping_factors(
    job: Job, plan_mm: tuple[float, float], contraction: float
) -> tuple[float, float, float]:
    """Factors along the mould's x, y, z that take the rapping allowance off a plan size, mm.

    The old rule (``rule``) lets rapping make up for the contraction of small work.
    Raises UsageFault or DataFault when the allowance does not fit the size.
    """
    text = job.rapping.per_side
    if text == "rule":
        x, y = (rapping_offsets_contraction(size, contraction).mm for size in plan_mm)
    else:
        x, y = (rapping_by_figure(2.0 * parse_length(text), size).mm for size in plan_mm)
    return (1.0 + x / plan_mm[0], 1.0 + y / plan_mm[1], 1.0)
