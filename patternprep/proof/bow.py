"""Camber: the part bowed as figures.json tells, its long edges divided so that they follow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patternprep.errors import FileFault
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.proof.files import Kit

__all__ = ["Bow", "bow_of"]

MAKERS_CHORD_MM = 0.02
"""How far the pattern's straight pieces may stay from the true bow, mm."""

_CHORD_MM = 0.001
_MOST_ROUNDS = 14


@dataclass(frozen=True)
class Bow:
    """Every point moves along one plan axis by h (1 - (2 (u - c) / L)^2), u along the other."""

    height_mm: float
    along: int
    toward: int
    centre_mm: float
    length_mm: float

    def moved(self, points: FloatArray) -> FloatArray:
        """Points (n, 3) of the mould frame as they lie in the bowed pattern."""
        u = 2.0 * (points[:, self.along] - self.centre_mm) / self.length_mm
        bowed = np.array(points, dtype=np.float64)
        bowed[:, self.toward] += self.height_mm * (1.0 - u * u)
        return bowed

    def bowed(self, mesh: Mesh) -> Mesh:
        """A mesh with its long edges halved until they follow the bow, and bowed."""
        longest = self.length_mm * float(np.sqrt(_CHORD_MM / max(abs(self.height_mm), 1e-9)))
        vertices, faces = np.array(mesh.vertices), np.array(mesh.faces)
        for _ in range(_MOST_ROUNDS):
            divided = _halved(vertices, faces, self.along, longest)
            if divided is None:
                break
            vertices, faces = divided
        return Mesh(self.moved(vertices), faces)


def bow_of(kit: Kit) -> Bow | None:
    """The camber that the kit tells of, None without one."""
    figures = kit.figures
    if figures.look("camber", None) is None:
        return None
    axes = [figures.number(f"camber.{key}") for key in ("along", "toward")]
    length = figures.number("camber.length_mm")
    if sorted(axes) != [0.0, 1.0] or length <= 0.0:
        raise FileFault(
            f"{figures.file}: 'camber' must run along one plan axis (0 or 1), toward the other, "
            "over a length above zero; make the kit again."
        )
    return Bow(
        figures.number("camber.height_mm"),
        int(axes[0]),
        int(axes[1]),
        figures.number("camber.centre_mm"),
        length,
    )


def _halved(
    vertices: FloatArray, faces: IntArray, along: int, longest: float
) -> tuple[FloatArray, IntArray] | None:
    """The mesh with every edge that runs too far along one axis halved; None when there is none."""
    start, end = faces.ravel(), faces[:, [1, 2, 0]].ravel()
    low, high = np.minimum(start, end), np.maximum(start, end)
    edge, of_half = np.unique(low * len(vertices) + high, return_inverse=True)
    low, high = edge // len(vertices), edge % len(vertices)
    long = np.abs(vertices[low, along] - vertices[high, along]) > longest
    if not long.any():
        return None
    number = np.full(len(edge), -1, dtype=np.int64)
    number[long] = len(vertices) + np.arange(int(long.sum()))
    middles = 0.5 * (vertices[low[long]] + vertices[high[long]])
    middle = number[of_half].reshape(-1, 3)
    cut = middle >= 0
    count = cut.sum(axis=1)
    found = [faces[count == 0]]
    for n in (1, 2, 3):
        some = np.flatnonzero(count == n)
        # turn the facet so that its first edge is the only one cut, or the last the only whole one
        lead = np.argmax(cut[some], axis=1) if n == 1 else (np.argmin(cut[some], axis=1) + 1) % 3
        turn = (lead[:, None] + np.arange(3)) % 3
        a, b, c = np.take_along_axis(faces[some], turn, axis=1).T
        ab, bc, ca = np.take_along_axis(middle[some], turn, axis=1).T
        if n == 1:
            parts = [(a, ab, c), (ab, b, c)]
        elif n == 2:
            parts = [(a, ab, c), (ab, bc, c), (ab, b, bc)]
        else:
            parts = [(a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca)]
        found += [np.stack(part, axis=1) for part in parts]
    return np.concatenate([vertices, middles]), np.concatenate(found)
