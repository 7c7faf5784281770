"""Shared facets raised away: the difference of two halves stays what the plain one is."""

from __future__ import annotations

import numpy as np
import pytest
from parting_shapes import Z_TO_X, block_with_side_hole, i_beam, placed, tube

from patternprep.mesh.kernel import Solid
from patternprep.pattern.draft import draft_half
from patternprep.pattern.parting import shared

BALL_IN_A_BOX = Solid.box((-40, -40, 0), (40, 40, 20)) + Solid.sphere(30, 128).translate((0, 0, 32))


@pytest.mark.parametrize(
    "half",
    [
        BALL_IN_A_BOX - Solid.cylinder(90, 6, 6, 64).translate((0, 0, -1)),
        placed(tube(20, 50, 30), Z_TO_X).trim_by_plane() + Solid.box((-30, 40, 0), (30, 90, 8)),
        i_beam(),
        block_with_side_hole(),
    ],
    ids=["ball", "bore", "beam", "hole"],
)
def test_the_difference_is_the_plain_one(half, monkeypatch):
    half = half.translate((0.0, 0.0, -half.bounds[0, 2]))
    drafted = draft_half(half, 2.0)
    filled, half = drafted.filled, drafted.half
    raised = shared._raised(filled.to_mesh(), half.to_mesh())
    assert raised is not None
    told = filled.volume - half.volume
    assert told > 1.0
    assert raised[0].volume - raised[1].volume == pytest.approx(told, rel=1e-9)
    plain = shared.difference(filled, half)
    monkeypatch.setattr(shared, "_MANY", 0)
    less = shared.difference(filled, half)
    assert less.volume == pytest.approx(plain.volume, rel=1e-9)
    assert less.bounds == pytest.approx(plain.bounds, abs=1e-9)


def test_few_shared_facets_replace_many():
    half = BALL_IN_A_BOX - Solid.cylinder(200, 5, 5, 64).transform(
        np.array([[0, 0, 1, -100], [0, 1, 0, 0], [-1, 0, 0, 8], [0, 0, 0, 1.0]])
    )
    drafted = draft_half(half, 2.0)
    raised = shared._raised(drafted.filled.to_mesh(), drafted.half.to_mesh())
    assert raised is not None
    assert sum(m.facets for m in raised) < 0.5 * (drafted.filled.facets + drafted.half.facets)
    assert raised[1].bounds[1, 2] > drafted.half.bounds[1, 2]


def test_solids_without_a_shared_facet_are_left_to_the_kernel(monkeypatch):
    monkeypatch.setattr(shared, "_MANY", 0)
    outer, inner = Solid.box((0, 0, 0), (9, 9, 9)), Solid.box((1, 1, 1), (2, 2, 2))
    assert shared._raised(outer.to_mesh(), inner.to_mesh()) is None
    assert shared.difference(outer, inner).volume == pytest.approx(728.0)
