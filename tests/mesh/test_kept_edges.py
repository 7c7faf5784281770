"""A plainer mesh must keep the sharp edges of the mesh that it was made from."""

from __future__ import annotations

import numpy as np
import pytest
from mesh_shapes import box, turned

from patternprep.mesh.check import check_mesh
from patternprep.mesh.kept import lost_edge
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import Mesh
from patternprep.pattern.draft.spare import spared


def with_an_edge_turned_over(depth: float) -> tuple[Mesh, Mesh]:
    """A bar with a point on its upper edge and one on its top at ``depth`` from that edge.

    In the second mesh the edge between the first point and the bar's end is turned over, as the
    kernel did on a flange's rim: a wedge as wide as the depth is cut off.
    """
    bar = Solid.box([0.0, 0.0, 0.0], [20.0, 80.0, 3.0]).to_mesh()
    top = [k for k, p in enumerate(bar.vertices) if p[2] == 3.0]
    names = {tuple(bar.vertices[k, :2]): k for k in top}
    a, b = names[20.0, 0.0], names[20.0, 80.0]
    low = next(k for k, p in enumerate(bar.vertices) if tuple(p) == (20.0, 0.0, 0.0))
    low_b = next(k for k, p in enumerate(bar.vertices) if tuple(p) == (20.0, 80.0, 0.0))
    c, d = names[0.0, 80.0], names[0.0, 0.0]
    rest = [
        f for f in bar.faces.tolist() if not (set(f) <= set(top) or set(f) <= {a, b, low, low_b})
    ]
    points = np.concatenate([bar.vertices, [[20.0, 18.0, 3.0], [20.0 - depth, 17.0, 3.0]]])
    rim, inner = len(bar.vertices), len(bar.vertices) + 1
    rest += [[d, a, inner], [inner, rim, b], [inner, b, c], [inner, c, d]]
    rest += [[low, low_b, rim], [low_b, b, rim]]
    whole = Mesh(points, np.array([*rest, [a, rim, inner], [a, low, rim]]))
    cut = Mesh(points, np.array([*rest, [a, low, inner], [low, rim, inner]]))
    return whole, cut


def test_an_edge_turned_over_is_found():
    whole, cut = with_an_edge_turned_over(0.5)
    assert check_mesh(whole).sound
    assert check_mesh(cut).sound
    assert whole.volume == pytest.approx(20 * 80 * 3)
    assert cut.volume < whole.volume - 4.0
    place = lost_edge(whole, cut, 0.001)
    assert place is not None
    assert place[0] == pytest.approx(20.0)
    assert place[2] == pytest.approx(3.0)
    assert 0.0 < place[1] < 18.0
    assert lost_edge(whole, whole, 0.001) is None
    assert lost_edge(whole, box((0, 0, 0), (20, 80, 3)), 0.001) is None
    assert lost_edge(whole, cut, 0.6) is None


def test_hollow_edges_count_as_well():
    whole, cut = with_an_edge_turned_over(0.5)
    assert lost_edge(turned(whole), turned(cut), 0.001) is not None


def test_a_solid_whose_edge_would_be_cut_off_is_not_spared(monkeypatch):
    # The volume lost, 4.5 mm3, is far within what a large solid is allowed to lose.
    whole, cut = with_an_edge_turned_over(0.5)
    shift = np.array([0.0, 0.0, 500.0])
    block = Solid.box([-200.0, -200.0, 0.0], [200.0, 200.0, 300.0]).to_mesh()

    def beside_block(mesh: Mesh) -> Solid:
        points = np.concatenate([block.vertices, mesh.vertices + shift])
        return Solid.from_mesh(Mesh(points, np.concatenate([block.faces, mesh.faces + 8])))

    solid, wrong = beside_block(whole), beside_block(cut)
    asked = []

    def simplify(self: Solid, tolerance: float) -> Solid:
        asked.append(tolerance)
        return wrong if tolerance > 2e-4 else self

    monkeypatch.setattr(Solid, "simplify", simplify)
    assert spared(solid, 5e-4).volume == pytest.approx(solid.volume, abs=1e-6)
    assert asked == [pytest.approx(5e-4), pytest.approx(1e-4)]
