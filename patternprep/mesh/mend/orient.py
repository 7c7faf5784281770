"""Winding: neighbours made to agree, then each shell turned outward."""

from __future__ import annotations

import numpy as np

from patternprep.errors import MeshFault
from patternprep.mesh.mend.close import Work
from patternprep.mesh.mesh import Mesh
from patternprep.mesh.topology import components, edge_table
from patternprep.units import format_point

__all__ = ["agree_windings"]


def agree_windings(work: Work, what: str) -> None:
    """Turn facets so that neighbours across two-facet edges run along them in opposite ways.

    Within each shell the winding that more of its area already has is kept. Raises MeshFault
    for a one-sided surface, which has no inside.
    """
    table = edge_table(work.faces)
    pair = table.count == 2
    if not (pair & (table.descending != 1)).any():
        return
    a, b = table.half[table.start[pair]] // 3, table.half[table.start[pair] + 1] // 3
    same_way = table.descending[pair] != 1
    m = len(work.faces)
    # Each facet stands for two nodes, kept and turned; a link says which states go together.
    plus = np.concatenate([a, a + m])
    other = np.concatenate([b + m * same_way, b + m * ~same_way])
    number, state = components(2 * m, plus, other)
    one_sided = state[:m] == state[m:]
    if one_sided.any():
        at = work.points[work.faces[int(np.argmax(one_sided))]].mean(axis=0)
        raise MeshFault(
            f"{what} has a one-sided surface at {format_point([float(c) for c in at])} (like a "
            f"Moebius strip), which has no inside; draw it as a solid body.",
            where=[float(c) for c in at],
        )
    area = Mesh(work.points, work.faces).areas
    kept_area = np.bincount(state[:m], area, number)
    # The two states of a shell are twins: choose the one that keeps more area.
    mine, twin = state[:m], state[m:]
    tie = kept_area[mine] == kept_area[twin]
    turn = (kept_area[mine] < kept_area[twin]) | (tie & (mine > twin))
    if not turn.any():
        return
    at = work.points[work.faces[int(np.argmax(turn))]].mean(axis=0)
    faces = work.faces.copy()
    faces[turn] = faces[turn][:, ::-1]
    work.faces = faces
    work.tell("facets with flipped winding turned", int(turn.sum()), at=at)
