"""The same part in another alloy: what mere scaling of the old pattern would spoil."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from patternprep.data.alloy_book import Alloy
from patternprep.errors import FileFault, reason_of
from patternprep.kit.job import Job, build_job, load_job
from patternprep.kit.pipeline import make_kit
from patternprep.kit.plan import book_of
from patternprep.kit.size import size_allowance
from patternprep.progress import Progress, silent
from patternprep.units import parse_length

__all__ = ["rescale_kit"]


def rescale_kit(
    kit: Path,
    alloy_name: str,
    *,
    contraction: str | None = None,
    out: Path | None = None,
    overwrite: bool = False,
    progress: Progress = silent,
) -> dict[str, Any]:
    """Compare a kit's pattern with what another alloy asks, and make the kit anew if ``out``.

    A contraction that was given for the old alloy is not carried over; give the new one.
    Returns the factors, what mere scaling would spoil, and the new kit's figures when made.
    """
    figures = _figures(kit)
    job = load_job(kit / "job.toml")
    book = book_of(job)
    alloy = book.find(alloy_name)
    updates: dict[str, Any] = {
        "alloy": job.alloy.model_copy(update={"name": alloy.id}),
        "contraction": job.contraction.model_copy(
            update={"value": contraction or "book", "x": "", "y": "", "z": ""}
        ),
    }
    new_job = build_job(
        job.model_copy(update=updates).model_dump(),
        "the command line",
        {"contraction.value": "--contraction"},
    )
    largest = max(figures["part"]["size_mm"])
    old = [float(f) for f in figures["contraction"]["total_factors"]]
    allowance = size_allowance(new_job, alloy, book, largest)
    new = [float(f) for f in allowance.contraction["total_factors"]]
    factors = [n / o for n, o in zip(new, old, strict=True)]
    result: dict[str, Any] = {
        "kit": str(kit),
        "from": figures["alloy"]["name"],
        "from_plain_name": figures["alloy"]["plain_name"],
        "to": alloy.id,
        "to_plain_name": alloy.name,
        "taken": [taken] if (taken := book.taken_for(alloy_name)) else [],
        "old_factors": old,
        "new_factors": new,
        "scale_factors": factors,
        "off_at_largest_mm": (factors[0] - 1.0) * largest * old[0],
        "contraction": allowance.contraction,
        "kept_by_mere_scaling": _kept(figures, job, book.find(job.alloy.name), alloy, factors),
        "spoilt_by_mere_scaling": [
            *_spoilt_stock(figures, job, book.find(job.alloy.name), alloy, factors),
            *_spoilt(figures, factors),
        ],
        "dropped": _dropped(job.contraction, contraction),
    }
    if out is not None:
        result["figures"] = make_kit(new_job, out, overwrite=overwrite, progress=progress)
    return result


def _figures(kit: Path) -> dict[str, Any]:
    path = kit / "figures.json"
    try:
        figures: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        figures["contraction"]["total_factors"]
    except OSError as error:
        raise FileFault(
            f"{path}: cannot be read ({reason_of(error)}); give the folder of a kit."
        ) from None
    except (ValueError, KeyError, TypeError):
        raise FileFault(f"{path}: is not the figures of a kit; make the kit anew.") from None
    return figures


def _by_another_table(face: dict[str, Any], job: Job, old: Alloy, new: Alloy) -> bool:
    """Is the face's stock from a table that asks other amounts of the new metal?"""
    handbook = job.stock_rule.rule == "handbook" and old.family.finish != new.family.finish
    return handbook and not face["asked"].startswith("given") and not _masters(face, job)


def _masters(face: dict[str, Any], job: Job) -> bool:
    """Is the face's stock nothing but that to finish a metal master?"""
    return (
        bool(job.master.alloy)
        and face["asked"].endswith("to finish the master")
        and (", and " not in face["asked"])
    )


def _kept(
    figures: dict[str, Any], job: Job, old: Alloy, new: Alloy, factors: list[float]
) -> list[str]:
    """Stock that comes out of the scaled pattern as the new alloy wants it."""
    kept = [
        face
        for face in figures["stock"]["faces"]
        if not _by_another_table(face, job, old, new) and not _masters(face, job)
    ]
    if not kept:
        return []
    most = max(face["amount_mm"] for face in kept)
    amounts = ", ".join(f"{face['name']} {face['amount_mm']:.2f} mm" for face in kept)
    more = most * max((f - 1.0 for f in factors), key=abs)
    return [
        f"stock: it is cast with the same amounts ({amounts}); on the pattern it changes by "
        f"{more:+.3f} mm at the most, as it should"
    ]


def _spoilt_stock(
    figures: dict[str, Any], job: Job, old: Alloy, new: Alloy, factors: list[float]
) -> list[str]:
    """Stock by a table for the old metal, and stock to finish a master, which should not change."""
    faces = [f for f in figures["stock"]["faces"] if _by_another_table(f, job, old, new)]
    spoilt = [
        f"stock on {face['name']}: {face['amount_mm']:.2f} mm by the handbook table for "
        f"{old.family.finish or old.id}, which has other amounts for {new.family.finish or new.id}"
        for face in faces
    ]
    if job.master.alloy and parse_length(job.master.stock) > 0.0:
        change = parse_length(job.master.stock) * max((f - 1.0 for f in factors), key=abs)
        spoilt.append(
            f"stock to finish the master: {job.master.stock} on the master would change by "
            f"{change:+.3f} mm"
        )
    return spoilt


def _spoilt(figures: dict[str, Any], factors: list[float]) -> list[str]:
    """What would no longer be as asked if the printed pattern's files were merely scaled."""
    worst = max((abs(f - 1.0) for f in factors), default=0.0)
    spoilt = []
    cores = figures.get("cores", [])
    if not cores:
        spoilt.append(
            "this kit holds no prints, clearances or dowels; where there are, they are made at "
            f"pattern size and would change by {worst * 100.0:.2f} %"
        )
    for core in cores:
        gaps = [one[key] for one in core["prints"] for key in ("gap_side_mm", "gap_end_mm")]
        spoilt.append(
            f"prints of {core['name']}: gaps of {min(gaps):.2f} to {max(gaps):.2f} mm, made at "
            f"pattern size, and the pegs of its box would change by {worst * 100.0:.2f} %, and "
            "the core with them"
        )
    if len({round(f, 9) for f in factors}) > 1:
        spoilt.append("walls and round holes: the factor differs by axis, so circles turn oval")
    return spoilt


def _dropped(old: Any, contraction: str | None) -> list[str]:
    dropped = []
    if old.value != "book" and contraction is None:
        dropped.append(f"the contraction {old.value} given for the old alloy: the book is taken")
    if old.x or old.y or old.z:
        dropped.append("the contractions per axis given for the old alloy")
    return dropped
