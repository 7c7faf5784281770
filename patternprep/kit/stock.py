"""Which faces get how much metal for machining, from the job, the tables and the pull."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from patternprep.data.alloy_book import Alloy
from patternprep.errors import UsageFault
from patternprep.formulas.machining import stock_by_handbook, stock_by_iso
from patternprep.kit.job import Job
from patternprep.mesh.faces import Face, FaceSet
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.pattern.select import select_faces
from patternprep.units import parse_fraction, parse_length

__all__ = ["StockedFace", "chosen_faces", "stocked_faces"]

LIES_UP = math.cos(math.radians(45.0))
"""A face lies up in the cope when its normal is within 45 degrees of straight up."""


@dataclass(frozen=True)
class StockedFace:
    """One face with the metal that it gets."""

    face: Face
    amount_mm: float
    asked: str
    """How the amount came about, in words."""


def chosen_faces(job: Job, faces: FaceSet) -> list[tuple[Face, str]]:
    """The faces that the job asks stock on, each once, with the amount's text (the last wins)."""
    chosen: dict[str, tuple[Face, str]] = {}
    for row in job.stock:
        for face in select_faces(faces, row.face):
            chosen.pop(face.name, None)
            chosen[face.name] = (face, row.amount)
    return list(chosen.values())


def stocked_faces(
    job: Job,
    chosen: list[tuple[Face, str]],
    alloy: Alloy,
    part: Mesh,
    up: FloatArray,
    master_stock_mm: float,
    all_faces: FaceSet | None,
) -> list[StockedFace]:
    """Amounts in mm at casting size for the chosen faces; ``up`` is the pull in part axes (3,)."""
    extra = parse_fraction(job.stock_rule.cope_extra)
    if not 0.0 <= extra <= 1.0:
        raise UsageFault(
            f"The extra for faces in the cope is '{job.stock_rule.cope_extra}' but must be 0 to "
            "100 % of the amount."
        )
    amounts: dict[str, StockedFace] = {}
    for face, text in chosen:
        amount, words = _amount(job, face, text, alloy, part)
        if extra and face.normal is not None and float(np.dot(face.normal, up)) > LIES_UP:
            amount *= 1.0 + extra
            words += f", and {extra * 100.0:g} % more because the face lies up in the cope"
        amounts[face.name] = StockedFace(face, amount, words)
    if master_stock_mm > 0.0:
        assert all_faces is not None
        for face in all_faces.faces:
            before = amounts.get(face.name)
            amounts[face.name] = StockedFace(
                face,
                master_stock_mm + (before.amount_mm if before else 0.0),
                (before.asked + ", and " if before else "")
                + f"{master_stock_mm:.3f} mm to finish the master",
            )
    return list(amounts.values())


def _amount(job: Job, face: Face, text: str, alloy: Alloy, part: Mesh) -> tuple[float, str]:
    if text != "table":
        amount = parse_length(text)
        if not amount > 0.0:
            raise UsageFault(
                f"Stock of {text} on {face.name} adds no metal; give an amount above zero."
            )
        return amount, f"given as {text}"
    rule = job.stock_rule
    largest = float(part.size.max())
    kind = face.kind if face.kind in ("bore", "boss") else "plane"
    if rule.rule == "iso":
        nominal = 2.0 * face.radius if kind != "plane" and face.radius else largest
        found = stock_by_iso(rule.allowance_grade, rule.tolerance_grade, largest, kind, nominal)
    else:
        found = stock_by_handbook(alloy.family, largest, bore=kind == "bore")
    return found.amount_mm, found.text
