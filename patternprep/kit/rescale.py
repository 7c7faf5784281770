"""The same part in another alloy: what mere scaling of the old pattern would spoil."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from patternprep.errors import FileFault, reason_of
from patternprep.kit.job import build_job, load_job
from patternprep.kit.pipeline import make_kit
from patternprep.kit.plan import book_of
from patternprep.kit.size import size_allowance
from patternprep.progress import Progress, silent

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
        "to": alloy.name,
        "old_factors": old,
        "new_factors": new,
        "scale_factors": factors,
        "off_at_largest_mm": (factors[0] - 1.0) * largest * old[0],
        "contraction": allowance.contraction,
        "spoilt_by_mere_scaling": _spoilt(figures, factors),
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


def _spoilt(figures: dict[str, Any], factors: list[float]) -> list[str]:
    """What would no longer be as asked if the printed pattern's files were merely scaled."""
    worst = max((abs(f - 1.0) for f in factors), default=0.0)
    spoilt = []
    for face in figures["stock"]["faces"]:
        amount = face["amount_mm"]
        spoilt.append(
            f"stock on {face['name']}: {amount:.2f} mm would still be cast as {amount:.2f} mm, "
            "whatever the new alloy's table asks"
            if face["asked"].startswith("given")
            else f"stock on {face['name']}: the table may ask another amount than "
            f"{amount:.2f} mm for the new alloy"
        )
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
