"""The holes that a kit closes: their walls found again on part.stl from the mouths that are told.

A mouth is told by the corners of its rim on the finished part. Cutting the surface along all the
rims leaves the walls of each hole as a piece of its own; with flat lids they close a body, which
with the part's stock and in the mould frame is the space that a core fills or that is left solid.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.proof.core_files import ring_of
from patternprep.proof.figures import Figures
from patternprep.proof.sound import groups, partners_of

__all__ = ["ClosedHole", "closed_holes"]


@dataclass(frozen=True, eq=False)
class ClosedHole:
    """One hole that is closed on the pattern."""

    name: str
    core: str
    """Name of the core that fills it; empty where it is left solid."""
    facets: IntArray
    """Its walls among the part's facets."""
    rings: tuple[IntArray, ...]
    """Corners of its mouths among the part's vertices."""

    def lids(self, vertices: FloatArray) -> FloatArray:
        """Facets that close its mouths, outward, for the part's vertices (n, 3); (k, 3, 3)."""
        found = [np.zeros((0, 3, 3))]
        for ring in self.rings:
            points = vertices[ring]
            first = np.broadcast_to(points[0], (len(points) - 2, 3))
            found.append(np.stack([first, points[1:-1], points[2:]], axis=1))
        return np.concatenate(found)

    def body(self, part: Mesh) -> FloatArray:
        """Its space as a closed surface, outward, for the part's mesh in any frame; (k, 3, 3)."""
        return np.concatenate([part.triangles[self.facets][:, ::-1], self.lids(part.vertices)])


def closed_holes(part: Mesh, figures: Figures) -> tuple[list[ClosedHole], list[str]]:
    """The holes told as closed, on the finished part, and the names of those not found there."""
    found: list[ClosedHole] = []
    lost: list[str] = []
    placed: list[tuple[Figures, list[IntArray]]] = []
    for row in figures.tables("holes"):
        if row.text("made_by") == "sand":
            continue
        rings = _corners(
            part.vertices,
            [
                ring_of(mouth.look("ring_in_part_mm"), mouth, "ring_in_part_mm")
                for mouth in row.tables("openings")
            ],
        )
        if rings:
            placed.append((row, rings))
        else:
            lost.append(row.text("name"))
    if not placed:
        return found, lost
    inner, label = _cut(part, [ring for _, rings in placed for ring in rings])
    for row, rings in placed:
        walls, inner = inner[: len(rings)], inner[len(rings) :]
        facets = np.flatnonzero(np.isin(label, walls))
        hole = ClosedHole(row.text("name"), row.text("core"), facets, tuple(rings))
        if min(walls) < 0 or not _encloses(hole, part):
            lost.append(hole.name)
        else:
            found.append(hole)
    return found, lost


def _corners(vertices: FloatArray, rings: Sequence[FloatArray]) -> list[IntArray] | None:
    """Vertex numbers of the points of rings, each exactly a vertex; None where one is not."""
    if not rings:
        return []
    points = np.concatenate(rings)
    near = np.flatnonzero(np.isin(vertices[:, 0], points[:, 0]))
    place = {tuple(row): int(i) for i, row in zip(near, vertices[near].tolist(), strict=True)}
    try:
        return [np.array([place[tuple(p)] for p in ring.tolist()]) for ring in rings]
    except KeyError:
        return None


def _cut(part: Mesh, rings: Sequence[IntArray]) -> tuple[list[int], IntArray]:
    """Cut the surface along rings: the piece inside each ring (-1: none), and each facet's piece.

    A ring runs anticlockwise as seen from outside, so the walls lie to its left.
    """
    faces = part.faces
    partner = partners_of(part)
    start, end = faces.ravel(), faces[:, [1, 2, 0]].ravel()
    size = len(part.vertices)
    key = start * size + end
    along = np.concatenate([ring * size + np.roll(ring, -1) for ring in rings])
    against = np.concatenate([np.roll(ring, -1) * size + ring for ring in rings])
    cut = np.isin(key, np.concatenate([along, against]))
    across = np.flatnonzero((partner >= 0) & ~cut)
    label = groups(len(faces), across // 3, partner[across])
    order = np.argsort(key, kind="stable")
    inner = []
    for ring in rings:
        wanted = ring * size + np.roll(ring, -1)
        at = np.searchsorted(key[order], wanted).clip(0, len(order) - 1)
        half = order[at]
        met = key[half] == wanted
        pieces = np.unique(label[half // 3])
        inner.append(int(pieces[0]) if met.all() and len(pieces) == 1 else -1)
    return inner, label


def _encloses(hole: ClosedHole, part: Mesh) -> bool:
    """True when walls and lids close a body of some volume that the part does not hold."""
    body = hole.body(part)
    centre = body.reshape(-1, 3).mean(axis=0)
    a, b, c = (body[:, i] - centre for i in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum()) > 0.0
