"""Options that would have no effect are refused: each names what it needs.

Only what is given on the command line is judged; a job file that states every default stays valid.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from typing import TYPE_CHECKING

from patternprep.errors import UsageFault

if TYPE_CHECKING:
    from patternprep.kit.job import Job

__all__ = ["refuse_idle"]

_Rule = Callable[["Job"], str]
"""What an option still needs under a job; empty where it has its effect."""


def refuse_idle(job: Job, given: Collection[str], flag: Callable[[str], str]) -> None:
    """UsageFault for the first option given that changes nothing under the job.

    ``given`` are the options' names in Python, ``flag`` turns one into the words of the command.
    """
    for name, rule in _RULES.items():
        if name not in given:
            continue
        need = rule(job)
        if need:
            raise UsageFault(f"{flag(name)} has no effect without {need}; give that, or leave it.")


def _stock_by_table(job: Job) -> str:
    asked = any(row.amount == "table" for row in job.stock)
    return "" if asked else 'stock by the table, like --stock "+z=table"'


def _iso_grade(job: Job) -> str:
    if need := _stock_by_table(job):
        return need
    return "" if job.stock_rule.rule == "iso" else "--stock-rule iso"


def _cope_extra(job: Job) -> str:
    if job.stock_rule.cope_extra == "book":
        return _stock_by_table(job)
    return "" if job.stock else "stock on a face (--stock)"


def _draft_table(job: Job) -> str:
    return "" if job.draft.angle == "table" else "--draft table"


def _own_axes(job: Job) -> bool:
    return any((job.contraction.x, job.contraction.y, job.contraction.z))


def _contraction_axes(job: Job) -> str:
    return "" if _own_axes(job) else "--contraction-x, --contraction-y or --contraction-z"


def _contraction_basis(job: Job) -> str:
    given = job.contraction.value != "book" or _own_axes(job)
    return "" if given else "a figure that it refers to (--contraction)"


def _cored(job: Job) -> str:
    """The book tells work held by cores apart for some metals only, and not where one is given."""
    if not job.contraction.cored:
        return ""
    if job.contraction.value != "book":
        return "--contraction book"
    from patternprep.data.tables import contraction_bands
    from patternprep.kit.plan import book_of

    metals = list(dict.fromkeys(band.metal for band in contraction_bands() if band.cored))
    table = book_of(job).find(job.alloy.name).contraction_table
    return (
        "" if table in metals else f"a metal with book values for cored work: {', '.join(metals)}"
    )


def _master(job: Job) -> str:
    return "" if job.master.alloy else "the metal of the master (--master-alloy)"


def _camber(job: Job) -> str:
    from patternprep.units import parse_length

    return "" if parse_length(job.camber.height) != 0.0 else "a bow (--camber)"


def _core(job: Job) -> str:
    """Whatever the job asks of cores but "none"; a pattern with camber is made without any."""
    if [text.strip() for text in job.cores.holes] == ["none"]:
        return ""
    return "" if _camber(job) else "a straight pattern (--camber 0mm): a bowed one gets no cores"


def _cores(job: Job) -> str:
    if "none" in [text.strip() for text in job.cores.holes]:
        return "cores (--core auto, or a hole)"
    return _core(job)


_RULES: dict[str, _Rule] = {
    "contraction_basis": _contraction_basis,
    "contraction_axes": _contraction_axes,
    "cored": _cored,
    "master_contraction": _master,
    "master_stock": _master,
    "camber_along": _camber,
    "camber_toward": _camber,
    "draft_table": _draft_table,
    "stock_rule": _stock_by_table,
    "allowance_grade": _iso_grade,
    "tolerance_grade": _iso_grade,
    "cope_extra": _cope_extra,
    "core": _core,
    "mould_sand": _cores,
    "binder": _cores,
    "drill_up_to": _cores,
    "print_length": _cores,
    "print_gap": _cores,
    "box_draft": _cores,
    "box_wall": _cores,
    "coating": _cores,
}
"""By option of a job, in the order of the commands' help."""
