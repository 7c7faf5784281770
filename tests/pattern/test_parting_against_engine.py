"""The search's estimates against the halves that the draft engine really makes."""

from __future__ import annotations

import numpy as np
import pytest
from parting_shapes import Z_TO_X, block_with_side_hole, i_beam, placed, tube

from patternprep.mesh.kernel import Solid
from patternprep.pattern.draft import draft_pattern
from patternprep.pattern.parting import evaluate_parting, undercuts_of_pairs

PULLEY = Solid.revolve(
    np.array([(10, 0), (60, 0), (60, 4), (50, 12), (60, 20), (60, 24), (10, 24.0)]), 96
)
CASES = {
    "pulley at its groove": (PULLEY, 12.0),
    "pulley at its end": (PULLEY, 24.0),
    "I-beam across": (i_beam(), 30.0),
    "lying tube": (placed(tube(30, 20, 12), Z_TO_X), 0.0),
    "side hole": (block_with_side_hole(), 40.0),
    "ring": (tube(20, 50, 30), 20.0),
}


def apart(one, two, name):
    """Distance of two places, mm; round a pulley any point of the groove's depth names it."""
    if "pulley" in name:
        return max(0.0, abs(np.hypot(*one[:2]) - np.hypot(*two[:2])) - 10.0)
    return float(np.linalg.norm(np.subtract(one, two)))


@pytest.mark.parametrize("name", list(CASES))
def test_fill_draft_and_names_agree_with_the_engine(name):
    solid, offset = CASES[name]
    rough = evaluate_parting(solid.to_mesh(), (0.0, 0.0, 1.0), offset)
    cope, drag = solid.translate((0, 0, -offset)).split_by_plane()
    made = draft_pattern(None if rough.one_piece else cope, drag, 2.0)
    volumes = [v for v in (made.cope_volumes, made.drag_volumes) if v is not None]
    filled = sum(v.undercut_filled for v in volumes)
    assert rough.undercut_mm3 == pytest.approx(filled, rel=0.02, abs=1e-4 * solid.volume)
    assert rough.draft_added_mm3 == pytest.approx(sum(v.draft for v in volumes), rel=0.12)
    back = np.eye(4)
    back[2, 3] = offset
    exact = undercuts_of_pairs(made.filled_pairs, back, 1e-4 * solid.volume)
    assert len(exact) == len(rough.undercuts)
    assert sum(u.volume_mm3 for u in exact) == pytest.approx(filled, rel=0.01, abs=1.0)
    assert sorted(u.kind for u in exact) == sorted(u.kind for u in rough.undercuts)
    for u in exact:
        near = min(rough.undercuts, key=lambda r: apart(r.place, u.place, name))
        assert apart(near.place, u.place, name) < 0.02 * float(np.linalg.norm(PULLEY.bounds))
        assert near.volume_mm3 == pytest.approx(u.volume_mm3, rel=0.03)
