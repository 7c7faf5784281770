"""Camber: a parabola in plan, heights and volume kept."""

from __future__ import annotations

import numpy as np
import pytest

from patternprep.errors import GeometryFault
from patternprep.mesh.kernel import Solid
from patternprep.pattern.camber import bow_for, bow_mesh


def test_the_middle_rises_by_the_height_and_the_ends_stay() -> None:
    bar = Solid.box((-200, -10, -15), (200, 10, 15)).to_mesh()
    bow = bow_for(bar, 3.0, "x", "y")
    bent = bow_mesh(bar, bow)
    v = bent.vertices
    ends = v[np.abs(np.abs(v[:, 0]) - 200) < 1e-9]
    assert ends[:, 1].max() == pytest.approx(10.0)
    assert v[:, 1].max() == pytest.approx(13.0, abs=0.01)
    assert bent.volume == pytest.approx(bar.volume, rel=1e-9)
    assert bent.size[2] == pytest.approx(30.0)
    true = 10.0 + 3.0 * (1.0 - (v[:, 0] / 200.0) ** 2)
    edge = (np.abs(v[:, 2]) > 14.9) & (np.abs(v[:, 1] - true) < 1e-6)
    lengths = np.diff(np.unique(np.round(v[edge][:, 0], 6)))
    assert (3.0 / 400.0**2) * lengths.max() ** 2 <= 0.01 + 1e-9  # the sag of a chord, h (l/L)^2


@pytest.mark.parametrize(("along", "toward"), [("x", "x"), ("z", "x"), ("x", "z")])
def test_a_bow_out_of_the_parting_plane_is_refused(along: str, toward: str) -> None:
    bar = Solid.box((-200, -10, -15), (200, 10, 15)).to_mesh()
    with pytest.raises(GeometryFault):
        bow_for(bar, 3.0, along, toward)


def test_a_bow_too_strong_is_refused() -> None:
    bar = Solid.box((-20, -10, -15), (20, 10, 15)).to_mesh()
    with pytest.raises(GeometryFault, match="one in twenty"):
        bow_for(bar, 5.0, "x", "y")
