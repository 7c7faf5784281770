"""The scene that is proved: each half in its own frame, pull +z, and the part put into it."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
import numpy.typing as npt

from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.proof.bow import MAKERS_CHORD_MM, bow_of
from patternprep.proof.faces import StockedFace, stocked_faces
from patternprep.proof.files import Kit
from patternprep.proof.holes import ClosedHole, closed_holes
from patternprep.proof.plan import Hits, PlanGrid, grid_lines
from patternprep.proof.stocked import stock_bodies, stocked_part
from patternprep.proof.tree import FacetTree

__all__ = ["ON_PARTING_MM", "Half", "Scene", "rounding_of", "split_at_zero"]

ON_PARTING_MM = 1e-4
"""A facet lies in the parting when all its corners are nearer to z = 0 than this, mm."""

FEWEST_LINES, MOST_LINES = 20_000, 100_000


class Half:
    """One half of the pattern, turned so that its pull is +z (the drag is mirrored in z = 0)."""

    def __init__(self, name: str, sign: float, mesh: Mesh) -> None:
        self.name = name
        self.sign = sign
        faces = mesh.faces if sign > 0.0 else mesh.faces[:, ::-1]
        self.mesh = Mesh(mesh.vertices * np.array([1.0, 1.0, sign]), faces)

    def place(self, point: FloatArray) -> FloatArray:
        """A point of this half's own frame in the mould frame."""
        return np.asarray(point) * np.array([1.0, 1.0, self.sign])

    @cached_property
    def flat(self) -> npt.NDArray[np.bool_]:
        """Facets in the parting, (m,)."""
        near = np.abs(self.mesh.vertices[:, 2]) <= ON_PARTING_MM
        return np.asarray(near[self.mesh.faces].all(axis=1))

    @cached_property
    def walls(self) -> IntArray:
        """Facets outside the parting."""
        return np.flatnonzero(~self.flat)

    @cached_property
    def grid(self) -> PlanGrid:
        """All facets, for vertical lines."""
        return PlanGrid(self.mesh.triangles)

    @cached_property
    def floor(self) -> PlanGrid:
        """The facets in the parting, for vertical lines."""
        return PlanGrid(self.mesh.triangles[self.flat])

    @cached_property
    def tree(self) -> FacetTree:
        """All facets, for distances."""
        return FacetTree(self.mesh.triangles)

    @cached_property
    def outline(self) -> FloatArray:
        """Edges between the parting face and the walls, (k, 2, 3)."""
        faces = self.mesh.faces[self.flat]
        start, end = faces.ravel(), faces[:, [1, 2, 0]].ravel()
        size = len(self.mesh.vertices)
        forth, back = start * size + end, end * size + start
        rim = ~np.isin(forth, back)
        return self.mesh.vertices[np.stack([start[rim], end[rim]], axis=1)]


class Scene:
    """The kit's meshes in one frame."""

    def __init__(self, kit: Kit) -> None:
        self.kit = kit
        signs = {"cope": 1.0, "drag": -1.0}
        self.halves = tuple(Half(p.name, signs[p.name], p.mesh) for p in kit.pieces)
        self.bow = bow_of(kit)
        self.part = self._in_mould(kit.part.transformed(kit.frame))
        self._hits: dict[str, Hits] = {}

    def half(self, sign: float) -> Half | None:
        """The cope (+1) or the drag (-1), when there is one."""
        return next((h for h in self.halves if h.sign == sign), None)

    def to_mould(self, points: FloatArray) -> FloatArray:
        """Points (n, 3) of the part's own axes in the mould frame."""
        level = points @ self.kit.frame[:3, :3].T + self.kit.frame[:3, 3]
        return level if self.bow is None else self.bow.moved(level)

    def _in_mould(self, mesh: Mesh) -> Mesh:
        return mesh if self.bow is None else self.bow.bowed(mesh)

    @property
    def slack(self) -> float:
        """What straight pieces of a bowed pattern may stay inside the true bow, mm."""
        return 0.0 if self.bow is None or not self.bow.height_mm else 1.1 * MAKERS_CHORD_MM

    @cached_property
    def faces(self) -> tuple[StockedFace, ...]:
        """The faces that got machining stock."""
        return stocked_faces(self.kit)

    @cached_property
    def stocked_cold(self) -> Mesh:
        """The part with its stock, part axes and finished size."""
        return stocked_part(self.kit.part, self.faces)

    @cached_property
    def stocked_level(self) -> Mesh:
        """The part with its stock in the mould frame, before any camber."""
        return self.stocked_cold.transformed(self.kit.frame)

    @cached_property
    def stocked(self) -> Mesh:
        """The part with its stock, as it lies in the mould, pattern size."""
        if not self.faces:
            return self.part
        return self._in_mould(self.stocked_level)

    @cached_property
    def closed(self) -> tuple[list[ClosedHole], list[str]]:
        """The holes that the pattern closes, and the names of those that are not found."""
        return closed_holes(self.kit.part, self.kit.figures)

    @property
    def metal(self) -> FloatArray:
        """Facets that bound what the pattern is drafted from, in the mould frame, (k, 3, 3).

        The stocked part, lids over the holes that are closed, and the seats of core prints.
        """
        return np.concatenate([self.stocked.triangles, self._bodies])

    @cached_property
    def _bodies(self) -> FloatArray:
        more = stock_bodies(self.kit.part, self.faces)
        moved = self.to_mould(more.reshape(-1, 3)).reshape(-1, 3, 3)
        lids = [hole.lids(self.stocked.vertices) for hole in self.closed[0]]
        seats = [one.seat_triangles for core in self.kit.cores for one in core.prints]
        return np.concatenate([moved, *lids, *seats])

    @cached_property
    def _changed(self) -> npt.NDArray[np.bool_] | None:
        """Facets of the part that stock moved, (m,); None where camber divided them otherwise."""
        if not np.array_equal(self.part.faces, self.stocked.faces):
            return None
        a, b = self.part.vertices, self.stocked.vertices
        moved = np.zeros(len(a), dtype=bool)
        for i in range(3):
            moved |= a[:, i] != b[:, i]
        x, y, z = self.part.faces.T
        return np.asarray(moved[x] | moved[y] | moved[z])

    @cached_property
    def _changed_grid(self) -> PlanGrid:
        return PlanGrid(self.stocked.triangles[self._changed])

    @cached_property
    def metal_grids(self) -> tuple[PlanGrid, ...]:
        """The same, for vertical lines: the part itself, and beside it only what was added."""
        if not self.faces:
            added = (PlanGrid(self._bodies),) if len(self._bodies) else ()
            return (self.part_grid, *added)
        if self._changed is None or min(face.amount_mm for face in self.faces) < 0.0:
            return (PlanGrid(self.metal),)
        return (self.part_grid, self._changed_grid, PlanGrid(self._bodies))

    def stocked_hits(self, points: FloatArray) -> Hits:
        """Where vertical lines through plan points (n, 2) meet the stocked part."""
        if not self.faces:
            return self.part_grid.hits(points)
        if self._changed is None:
            return self._stocked_grid.hits(points)
        bare, more = self.part_grid.hits(points), self._changed_grid.hits(points)
        keep = ~self._changed[bare.facet]
        line = np.concatenate([bare.line[keep], more.line])
        z = np.concatenate([bare.z[keep], more.z])
        up = np.concatenate([bare.up[keep], more.up])
        facet = np.concatenate([bare.facet[keep], np.flatnonzero(self._changed)[more.facet]])
        order = np.lexsort((z, line))
        return Hits(line[order], z[order], up[order], facet[order])

    def line_hits(self, half: Half) -> Hits:
        """Where the field of lines meets a half, in the half's own frame."""
        if half.name not in self._hits:
            self._hits[half.name] = half.grid.hits(self.lines[0])
        return self._hits[half.name]

    def crest(self, half: Half) -> FloatArray:
        """Height of a half over each line of the field, 0 where it is not met, (lines,)."""
        hits = self.line_hits(half)
        crest = np.zeros(len(self.lines[0]))
        np.maximum.at(crest, hits.line, hits.z)
        return crest

    @cached_property
    def part_grid(self) -> PlanGrid:
        """The part's facets, for vertical lines."""
        return PlanGrid(self.part.triangles)

    @cached_property
    def _stocked_grid(self) -> PlanGrid:
        return PlanGrid(self.stocked.triangles)

    @cached_property
    def part_tree(self) -> FacetTree:
        """The part's facets, for distances."""
        return FacetTree(self.part.triangles)

    @cached_property
    def rounding(self) -> float:
        """Coarse bound of what 32-bit coordinates move, mm."""
        return rounding_of([self.part, *(h.mesh for h in self.halves)])

    @cached_property
    def lines(self) -> tuple[FloatArray, float]:
        """A field of vertical lines over everything, and the plan area of each, mm2."""
        bounds = [self.part.bounds, *(h.mesh.bounds for h in self.halves)]
        low = np.min([b[0] for b in bounds], axis=0)
        high = np.max([b[1] for b in bounds], axis=0)
        wanted = int(np.clip(2 * self.part.facets, FEWEST_LINES, MOST_LINES))
        return grid_lines(low, high, wanted)


def rounding_of(meshes: Sequence[Mesh]) -> float:
    """Four units in the last place of the largest 32-bit coordinate, mm."""
    largest = max(float(np.abs(m.bounds).max()) for m in meshes)
    return 4.0 * float(np.spacing(np.float32(max(largest, 1.0))))


def split_at_zero(triangles: FloatArray) -> FloatArray:
    """The part of facets (k, 3, 3) that lies in z >= 0, as facets; winding is kept."""
    z = triangles[..., 2]
    above = (z >= 0.0).sum(axis=1)
    whole = triangles[above == 3]
    pieces = [whole]
    for corners in (1, 2):
        some = triangles[above == corners]
        if not len(some):
            continue
        lone = (some[..., 2] >= 0.0) if corners == 1 else (some[..., 2] < 0.0)
        turn = (np.argmax(lone, axis=1)[:, None] + np.arange(3)) % 3
        a, b, c = (np.take_along_axis(some, turn[:, i, None, None], axis=1)[:, 0] for i in range(3))
        ab = a + (b - a) * (a[:, 2] / (a[:, 2] - b[:, 2]))[:, None]
        ac = a + (c - a) * (a[:, 2] / (a[:, 2] - c[:, 2]))[:, None]
        ab[:, 2] = ac[:, 2] = 0.0
        if corners == 1:
            pieces.append(np.stack([a, ab, ac], axis=1))
        else:
            pieces += [np.stack([ab, b, c], axis=1), np.stack([ab, c, ac], axis=1)]
    return np.concatenate(pieces)
