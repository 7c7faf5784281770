"""Which faces get how much metal for machining, from the job, the tables and the pull."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from patternprep.data.alloy_book import Alloy
from patternprep.errors import DataFault, UsageFault
from patternprep.formulas.machining import cope_stock, stock_by_handbook, stock_by_iso
from patternprep.kit.job import Job
from patternprep.kit.size import SizeAllowance
from patternprep.mesh.faces import Face, FaceSet
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.pattern.frame import rotation_to_z
from patternprep.pattern.select import select_faces
from patternprep.units import parse_fraction, parse_length

__all__ = ["StockedFace", "chosen_faces", "named_twice", "stocked_faces"]

LIES_UP = math.cos(math.radians(45.0))
"""A face lies up in the cope when its normal is within 45 degrees of straight up."""


LARGEST_SHARE = 0.25
"""Stock above this share of the part's largest size is taken for a slip of the pen."""


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


def named_twice(job: Job, faces: FaceSet) -> list[str]:
    """What is to be told where two requests for stock name the same face with other amounts."""
    last: dict[str, int] = {}
    over: dict[tuple[int, int], list[str]] = {}
    for i, row in enumerate(job.stock):
        for face in select_faces(faces, row.face):
            before = last.get(face.name)
            if before is not None and job.stock[before].amount != row.amount:
                over.setdefault((before, i), []).append(face.name)
            last[face.name] = i
    told = []
    for (before, i), names in over.items():
        first, second = job.stock[before], job.stock[i]
        told.append(
            f"Stock is asked on {', '.join(names)} as '{first.face}={first.amount}' and again as "
            f"'{second.face}={second.amount}': the later one, {second.amount}, is taken."
        )
    return told


def stocked_faces(
    job: Job,
    chosen: list[tuple[Face, str]],
    alloy: Alloy,
    part: Mesh,
    up: FloatArray,
    size: SizeAllowance,
    all_faces: FaceSet | None,
) -> list[StockedFace]:
    """Amounts in mm at casting size for the chosen faces; ``up`` is the pull in part axes (3,)."""
    amounts: dict[str, StockedFace] = {}
    for face, text in chosen:
        amount, words = _amount(job, face, text, alloy, part)
        if float(np.dot(face.normal, up)) > LIES_UP:
            amount, words = _in_the_cope(job, text, amount, words)
        amounts[face.name] = StockedFace(face, amount, words)
    if size.master_stock_mm > 0.0:
        assert all_faces is not None
        to_mould = rotation_to_z(up)
        for face in all_faces.faces:
            more = size.master_stock_on(part.normals[face.facets], to_mould)
            before = amounts.get(face.name)
            amounts[face.name] = StockedFace(
                face,
                more + (before.amount_mm if before else 0.0),
                (before.asked + ", and " if before else "") + f"{more:.3f} mm to finish the master",
            )
    for row in amounts.values():
        _check_amount(row, part)
    return list(amounts.values())


def _check_amount(row: StockedFace, part: Mesh) -> None:
    most = LARGEST_SHARE * float(part.size.max())
    if row.amount_mm > most:
        raise UsageFault(
            f"Stock of {row.amount_mm:g} mm on {row.face.name} is more than a quarter of the "
            f"part's largest size ({most:.1f} mm); model so much metal in the part itself."
        )


def _in_the_cope(job: Job, text: str, amount: float, words: str) -> tuple[float, str]:
    """More metal on a face that lies up: by the book on table amounts, or by the figure given."""
    given = job.stock_rule.cope_extra
    if given == "book":
        if text != "table":
            return amount, words
        more = cope_stock(amount)
    else:
        share = parse_fraction(given)
        if share == 0.0:
            return amount, words
        more = cope_stock(amount, 100.0 * share)
    return more.mm, f"{words}; lies up in the cope: {more.text}"


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
    kind: Literal["plane", "bore", "boss"] = "plane"
    if face.kind in ("bore", "boss"):
        kind = "bore" if face.kind == "bore" else "boss"
    if rule.rule == "iso":
        nominal = 2.0 * face.radius_mm if kind != "plane" and face.radius_mm else largest
        found = stock_by_iso(rule.allowance_grade, rule.tolerance_grade, largest, kind, nominal)
    elif not alloy.family.finish:
        raise DataFault(
            f"No handbook table of machining stock covers {alloy.id}; use --stock-rule iso or give "
            f"the stock on {face.name} as an amount."
        )
    else:
        found = stock_by_handbook(alloy.family.finish, largest, bore=kind == "bore")
    return found.mm, found.text
