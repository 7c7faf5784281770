"""Rapping and camber: only what a source covers, else the founder's own figure."""

from __future__ import annotations

import pytest

from patternprep.errors import DataFault, UsageFault
from patternprep.formulas.contraction import shrink_rule
from patternprep.formulas.rapping import camber, rapping_by_figure, rapping_offsets_contraction


def test_own_figure_is_taken_off() -> None:
    found = rapping_by_figure(0.4, 150.0)
    assert found.mm == -0.4
    assert found.source is None
    assert "the figure given" in found.text
    assert rapping_by_figure(0.0, 150.0).mm == 0.0
    with pytest.raises(UsageFault):
        rapping_by_figure(20.0, 150.0)
    with pytest.raises(UsageFault):
        rapping_by_figure(-0.4, 150.0)


def test_richards_rule_under_a_foot() -> None:
    """Text of J. Richards [seen]: under 1 ft 'rapping will generally make up for shrinkage'.

    A pattern enlarged by 1/8 in/ft and rapped by the rule is again as large as the part.
    """
    s = shrink_rule(1 / 8)
    found = rapping_offsets_contraction(300.0, s)
    assert 300.0 * (1.0 + s) + found.mm == pytest.approx(300.0)
    assert found.source is not None
    assert found.source.mark == "seen"


def test_no_rule_from_a_foot_on() -> None:
    with pytest.raises(DataFault, match=r"304\.8 mm"):
        rapping_offsets_contraction(304.8, 0.01)


def test_camber_is_only_the_founders_figure() -> None:
    assert camber(4.0, 1500.0).mm == 4.0
    assert camber(4.0, 1500.0).source is None
    with pytest.raises(UsageFault, match="fiftieth"):
        camber(40.0, 1500.0)
    with pytest.raises(UsageFault):
        camber(-1.0, 1500.0)
