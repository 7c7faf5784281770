"""Rooms inside the metal that open nowhere: no sand and no core gets in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.mesh.topology import components
from patternprep.pattern.parting.candidate import Undercut

__all__ = ["CLOSED_ADVICE", "Cavity", "closed_cavities", "with_cavities_told"]

CLOSED_ADVICE = (
    "closed on all sides: no core can get in; let it open somewhere wide enough for a core, "
    "or let the metal there be solid"
)
_SAME_VOLUME, _SAME_PLACE = 0.1, 0.1
"""How far the volume and the place of an undercut may lie from the cavity's, as shares."""


@dataclass(frozen=True)
class Cavity:
    """A closed room: centre of its volume (3,) mm, its mm3."""

    centre: FloatArray
    volume_mm3: float


def closed_cavities(mesh: Mesh) -> tuple[Cavity, ...]:
    """The shells of a closed surface that enclose no metal, mm."""
    start, end = mesh.faces.reshape(-1), np.roll(mesh.faces, -1, axis=1).reshape(-1)
    count, label = components(len(mesh.vertices), start, end)
    if count < 2:
        return ()
    shell = label[mesh.faces[:, 0]]
    middle = mesh.bounds.mean(axis=0)
    a, b, c = (mesh.vertices[mesh.faces[:, k]] - middle for k in range(3))
    tet = np.einsum("ij,ij->i", a, np.cross(b, c)) / 6.0
    volume = np.bincount(shell, tet, count)
    moment = tet[:, None] * (a + b + c) / 4.0
    sums = np.column_stack([np.bincount(shell, m, count) for m in moment.T])
    return tuple(
        Cavity(sums[k] / volume[k] + middle, -float(volume[k]))
        for k in np.flatnonzero(volume < 0.0).tolist()
    )


def with_cavities_told(
    undercuts: Sequence[Undercut], cavities: Sequence[Cavity]
) -> tuple[Undercut, ...]:
    """The undercuts, with other advice for those that are closed cavities."""
    told = []
    for undercut in undercuts:
        for cavity in cavities:
            away = float(np.linalg.norm(cavity.centre - np.array(undercut.place)))
            more = abs(undercut.volume_mm3 - cavity.volume_mm3)
            if (
                more <= _SAME_VOLUME * cavity.volume_mm3
                and away <= _SAME_PLACE * cavity.volume_mm3 ** (1.0 / 3.0)
            ):
                undercut = replace(undercut, kind="undercut", advice=CLOSED_ADVICE)
                break
        told.append(undercut)
    return tuple(told)
