"""The thinnest metal beside a core, against what was drawn."""

from __future__ import annotations

import numpy as np
import pytest

from patternprep.mesh.kernel import Solid
from patternprep.pattern.cores.voids import find_voids
from patternprep.pattern.cores.walls import thinnest_wall


def bar(radius: float, low: float, high: float, sides: int = 64) -> Solid:
    return Solid.cylinder(high - low, radius, segments=sides).translate((0.0, 0.0, low))


def thinnest(solid: Solid) -> tuple[float, np.ndarray]:
    mesh = solid.to_mesh()
    void = find_voids(mesh)[0]
    found = thinnest_wall(solid, Solid.from_mesh(void.mesh), mesh, void)
    assert found is not None
    return found


def test_a_keyed_bore_that_runs_through_disc_and_hub_is_thinnest_at_the_hubs_key() -> None:
    """Disc 120 across, hub 40, bore 20 with a key to 14 from the axis: 6 mm at the key.

    Its facets run the whole length; only in the hub is the metal thin.
    """
    solid = bar(60.0, -15.0, 15.0) + bar(20.0, -25.0, 25.0)
    solid = solid - bar(10.0, -30.0, 30.0) - Solid.box((-3.0, 0.0, -30.0), (3.0, 14.0, 30.0))
    wall, where = thinnest(solid)
    assert wall == pytest.approx(np.sqrt(20.0**2 - 3.0**2) - 14.0, abs=0.25)
    assert abs(where[2]) > 15.0


def test_a_step_inside_a_hole_is_no_wall() -> None:
    """A tee's bores of one size meet with a ledge of 1 mm: the wall is 5 mm, not the ledge."""
    run = np.array([[0, 0, 1, 0], [0, 1, 0, 0], [-1, 0, 0, 0], [0, 0, 0, 1.0]])
    branch = bar(20.0, 0.0, 60.0) + bar(20.0, -60.0, 60.0).transform(run)
    branch = branch - bar(14.0, 0.0, 61.0) - bar(15.0, -61.0, 61.0).transform(run)
    wall, _ = thinnest(branch)
    assert 4.5 < wall < 5.1


def test_an_eccentric_bore_is_thinnest_on_its_near_side() -> None:
    wall, where = thinnest(bar(30.0, 0.0, 40.0) - bar(20.0, -1.0, 41.0).translate((6.0, 0.0, 0.0)))
    assert wall == pytest.approx(4.0, abs=0.1)
    assert where[0] > 20.0
