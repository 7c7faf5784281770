"""Core sand to weigh, boxes and cautions: sums that close, ranges that hold, sources that show."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from patternprep.data.alloy_book import load_alloys
from patternprep.data.core_sands import binders
from patternprep.data.tables import plastics
from patternprep.errors import UsageFault
from patternprep.formulas.cautions import all_cautions, cautions_for, core_cautions
from patternprep.formulas.core_box import (
    box_dowels,
    box_draft,
    box_draft_metal,
    box_notes,
    box_wall,
    coating_allowance,
)
from patternprep.formulas.core_sand import binder_names, core_mass, core_mix, hardening

NAMES = binder_names()


def test_silicate_core_by_arithmetic() -> None:
    """1000 cm3 at 1.6 g/cm3 with 4 % silicate and as much CO2: 1600 / 1.04 g of sand (computed)."""
    mix = core_mix(1e6, "silicate")
    sand = 1.6 / 1.04
    assert mix.core_kg == mix.mix_kg == pytest.approx(1.6)
    assert mix.row("sand").kg == pytest.approx(sand)
    assert mix.row("sodium silicate, liquid").kg == pytest.approx(0.04 * sand)
    assert mix.row("carbon dioxide").kg == pytest.approx(0.04 * sand)
    assert mix.row("sodium silicate, liquid").low_kg == pytest.approx(0.03 * 1.5 / 1.03)
    assert mix.row("sodium silicate, liquid").high_kg == pytest.approx(0.06 * 1.6825 / 1.06)


@given(
    st.floats(1e2, 1e8), st.sampled_from(NAMES), st.integers(1, 50), st.floats(0.0, 0.5)
)  # fmt: skip
def test_the_mix_adds_up_and_scales(volume: float, name: str, count: int, waste: float) -> None:
    mix = core_mix(volume, name, count, waste=waste)
    gases = {a.name for a in binders()[name].additions if not a.mixed}
    weighed = sum(row.kg for row in mix.rows if row.name not in gases)
    assert weighed == pytest.approx(mix.mix_kg)
    assert mix.mix_kg == pytest.approx(core_mass(volume, name) * count * (1.0 + waste))
    for row in mix.rows:
        assert 0.0 < row.low_kg <= row.kg <= row.high_kg
    twice = core_mix(2.0 * volume, name, count, waste=waste)
    for row, double in zip(mix.rows, twice.rows, strict=True):
        assert double.kg == pytest.approx(2.0 * row.kg)


@pytest.mark.parametrize("name", NAMES)
def test_every_step_shows_its_source_and_range(name: str) -> None:
    mix = core_mix(5e5, name, 3, waste=0.1)
    assert mix.sources
    assert "3 cores" in " ".join(mix.steps)
    for row in mix.rows:
        assert row.text in mix.steps
    binder = mix.rows[1]
    assert " to " in binder.text
    assert all(reading.source.text() in binder.text for reading in binders()[name].percent.readings)


def test_a_given_density_replaces_the_tables() -> None:
    mix = core_mix(1e6, "furan", density_g_cm3=2.5)
    assert mix.core_kg == pytest.approx(2.5)
    assert "2.5 g/cm3" in mix.steps[0]
    for bad in (0.0, -1.0, float("nan")):
        with pytest.raises(UsageFault, match="volume"):
            core_mix(bad, "furan")
    with pytest.raises(UsageFault, match="number of cores"):
        core_mix(1e6, "furan", 0)
    with pytest.raises(UsageFault, match="binder system"):
        core_mix(1e6, "treacle")


def test_hardening_of_silicate_tells_gas_time_and_grade() -> None:
    """1 to 2 bar, a few seconds to 2 minutes (seen); ratio 2.40, not 3.22 (seen)."""
    text = "\n".join(hardening("silicate"))
    assert "1 to 2 bar" in text
    assert "5 to 120 s" in text
    assert "2.4 (" in text
    assert "3.22" in text
    assert "more gas weakens it" in text
    assert "[computed]" in text
    assert "176.7 to 204.4 degC" in "\n".join(hardening("oil"))


# Boxes


@given(st.sampled_from(sorted(plastics())), st.floats(1.0, 2000.0))
def test_walls_grow_with_the_box(plastic: str, side: float) -> None:
    wall = box_wall(plastic, side)
    assert 3.0 <= wall.low <= wall.value <= wall.high
    assert box_wall(plastic, 1.5 * side).value >= wall.value
    assert "[own choice]" in wall.text


def test_box_figures_show_their_origin() -> None:
    assert box_draft().value == 1.0
    assert (box_draft().low, box_draft().high) == (0.5, 5.0)
    assert "northernim.com" in box_draft().text
    assert coating_allowance().value == 0.2
    assert "[own choice]" in box_draft_metal(0.5).text
    pegs = box_dowels()
    assert pegs.first_mm > pegs.second_mm
    assert 6.0 <= pegs.out_mm <= 8.0  # 1/4 to 5/16 in, A Text Book of Mechanical Engineering (seen)
    assert all(note.endswith("])") for note in box_notes())
    with pytest.raises(UsageFault, match="print plastic"):
        box_wall("glass", 10.0)


# Cautions


def test_cautions_of_each_binder() -> None:
    ids = {name: {c.id for c in core_cautions(name)} for name in NAMES}
    for found in ids.values():
        assert {"core-dust", "hot-core"} <= found
    assert {"silicate", "carbon-dioxide"} <= ids["silicate"]
    assert "silicate" not in ids["oil"] | ids["furan"] | ids["urethane"]
    assert {"furan", "resin-gas"} <= ids["furan"]
    assert "isocyanate" in ids["urethane"]
    assert "core-baking" in ids["oil"]
    known = {binder for caution in all_cautions() for binder in caution.binders}
    assert known == set(NAMES)


def test_cautions_say_what_hurts() -> None:
    text = " ".join(c.text for c in core_cautions("silicate"))
    for word in ("caustic", "displaces air", "ventilate", "respirable crystalline silica", "hot"):
        assert word in text


def test_resin_cautions_are_not_told_unasked() -> None:
    ids = {c.id for c in cautions_for(load_alloys().find("C90500"))}
    assert {"silicate", "carbon-dioxide", "core-dust"} <= ids
    assert not {"furan", "isocyanate", "core-baking", "resin-gas"} & ids
