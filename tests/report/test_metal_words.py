"""The metal in words, for every alloy of the book: what no source gives is told as not known."""

from __future__ import annotations

import copy
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from patternprep.data.alloy_book import load_alloys
from patternprep.kit.job import Job, build_job
from patternprep.kit.metal import metal_figures
from patternprep.kit.pipeline import estimate_part
from patternprep.report.kit import estimate_text, kit_text
from patternprep.report.metal import steps_text
from patternprep.report.rescale import rescale_text

CAP = Path(__file__).parents[2] / "demo_models" / "bearing_cap.stl"
BOOK = load_alloys()


def job_for(alloy: str, **estimate: str) -> Job:
    values = {"part": {"file": str(CAP)}, "alloy": {"name": alloy}, "estimate": estimate}
    return build_job(values, "here")


@cache
def figures_of_cap() -> dict[str, Any]:
    return estimate_part(job_for("LM6"))


def figures_in(alloy: str, **estimate: str) -> dict[str, Any]:
    """The cap's figures with the metal of another alloy; its geometry is made once."""
    figures = copy.deepcopy(figures_of_cap())
    casting = figures["casting"]["volume_mm3"]
    pattern = figures["pattern"]["volume_mm3"]
    job = job_for(alloy, **estimate)
    metal = metal_figures(job, BOOK.find(alloy), casting, pattern, cored=True)
    return figures | metal.sections(casting) | {"pieces": [], "proof": []}


@pytest.mark.parametrize("alloy", [alloy.id for alloy in BOOK.all()])
def test_every_alloy_of_the_book_can_be_told(alloy: str) -> None:
    figures = figures_in(alloy)
    made, told = kit_text(figures, Path("kit")), estimate_text(figures)
    change = {
        "scale_factors": [1.0] * 3,
        "from": "LM6",
        "from_plain_name": "LM6",
        "to": alloy,
        "to_plain_name": figures["alloy"]["plain_name"],
        "taken": [],
        "kept_by_mere_scaling": ["stock"],
        "contraction": figures["contraction"],
        "off_at_largest_mm": 0.0,
        "spoilt_by_mere_scaling": ["stock"],
        "dropped": [],
        "figures": figures,
    }
    changed = rescale_text(change, Path("kit"))
    for text in (made, told, changed):
        assert "None" not in text
        assert max(map(len, text.splitlines())) <= 80
    unknown = {"casting": "mass_kg", "pour": "poured_kg", "charge": "mass_kg"}
    missing = any(figures[section][key] is None for section, key in unknown.items())
    assert ("not known" in made) == missing


def words(text: str) -> str:
    return " ".join(text.split())


def test_an_unknown_yield_and_loss_are_told_with_the_options_that_give_them() -> None:
    text = words(kit_text(figures_in("zinc"), Path("kit")))
    assert "poured not known: no source gives a yield for zinc; give --yield" in text
    assert "charge not known: no source gives a melting loss for zinc; give --loss and --yi" in text
    steps = words(steps_text(figures_in("zinc")))
    assert "not known: needs a casting yield, give --yield" in steps


def test_a_yield_given_without_a_loss_leaves_the_charge_unknown() -> None:
    figures = figures_in("zinc", yield_share="50 %")
    text = words(kit_text(figures, Path("kit")))
    assert f"{figures['pour']['poured_kg']:.3f} kg" in text
    assert "yield 50 %" in text
    assert "charge not known" in text
    assert "give --loss" in words(estimate_text(figures))


def test_a_yield_and_a_loss_given_make_everything_known() -> None:
    figures = figures_in("zinc", yield_share="50 %", loss="4 %")
    assert "not known" not in kit_text(figures, Path("kit"))
    assert figures["charge"]["mass_kg"] == pytest.approx(
        figures["casting"]["mass_kg"] / 0.5 / 0.96, rel=1e-12
    )


def test_an_unknown_density_is_told() -> None:
    text = words(kit_text(figures_in("pewter"), Path("kit")))
    assert "casting not known: no source gives the density" in text


def test_every_step_gives_pounds_beside_kilograms() -> None:
    figures = figures_in("LM6")
    masses = [step for step in figures["estimate_steps"] if step["unit"] == "kg"]
    assert len(masses) >= 4
    text = words(steps_text(figures))
    for step in masses:
        pounds = step["value"] / 0.45359237
        shown = f"({pounds:.2f} lb)" if step["value"] >= 0.1 else f"({pounds:.3f} lb)"
        assert shown in text, step["label"]
