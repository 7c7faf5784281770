"""Building the moved mesh from the copies of its vertices, with steps where copies differ."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patternprep.mesh.faces import FaceSet
from patternprep.mesh.faces.topology import edges_among
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.pattern.stock.corners import Corners

__all__ = ["Woven", "closed_between", "weave"]


@dataclass(frozen=True, eq=False)
class Woven:
    """The moved part before it is put together.

    ``positions`` of all vertices and copies, mm; ``copy_of`` (m, 3) vertex id for each corner of
    the part's facets; ``steps`` (k, 3) facets between copies; ``renewed``: new facets of plane
    faces, by index of the face, whose old net would fold within the plane.
    """

    faces: FaceSet
    positions: FloatArray
    copy_of: IntArray
    steps: IntArray
    renewed: dict[int, IntArray]

    def facets_of(self, index: int) -> IntArray:
        """Moved facets (k, 3) of one face."""
        renewed = self.renewed.get(index)
        return self.copy_of[self.faces.faces[index].facets] if renewed is None else renewed

    def mesh(self) -> Mesh:
        """The moved part: facets in the order of the part, then renewed ones, then steps."""
        stay = ~np.isin(self.faces.face_of_facet, sorted(self.renewed))
        parts = [self.copy_of[stay], *(self.renewed[i] for i in sorted(self.renewed)), self.steps]
        every = np.concatenate(parts)
        used, inverse = np.unique(every, return_inverse=True)
        return Mesh(self.positions[used], inverse.reshape(-1, 3))


def weave(faces: FaceSet, corners: Corners) -> Woven:
    """Give every facet its face's copy of each vertex and close the gaps between copies."""
    mesh = faces.mesh
    grain = 1e-9 * float(np.linalg.norm(mesh.size)) + 1e-12
    number, positions = _numbered(mesh, corners, grain)
    stride = np.int64(len(faces) + 1)
    key = corners.vertex * stride + corners.face
    at = np.zeros(len(mesh.vertices), dtype=bool)
    at[corners.vertex] = True
    facet, corner = np.nonzero(at[mesh.faces])
    wanted = mesh.faces[facet, corner] * stride + faces.face_of_facet[facet]
    copy_of = mesh.faces.copy()
    copy_of[facet, corner] = number[np.searchsorted(key, wanted)]
    steps = _steps(mesh, copy_of, np.unique(facet))
    return Woven(faces, positions, copy_of, steps, {})


def _numbered(mesh: Mesh, corners: Corners, grain: float) -> tuple[IntArray, FloatArray]:
    """(vertex id of each copy, all positions); copies of one vertex that coincide share an id."""
    count = len(corners.vertex)
    first = np.searchsorted(corners.vertex, corners.vertex, side="left")
    rank = np.arange(count) - first
    leader = np.arange(count)
    for step in range(1, int(rank.max()) + 1 if count else 0):
        for back in range(step, 0, -1):
            here = np.flatnonzero((rank == step) & (leader == np.arange(count)))
            before = here - back
            gap = np.abs(corners.position[here] - corners.position[before]).max(axis=1)
            same = here[gap <= grain]
            leader[same] = leader[same - back]
    is_leader = leader == np.arange(count)
    base = is_leader & (rank == 0)
    number = np.full(count, -1, dtype=np.int64)
    number[base] = corners.vertex[base]
    extra = np.flatnonzero(is_leader & ~base)
    number[extra] = len(mesh.vertices) + np.arange(len(extra))
    number = number[leader]
    positions = np.concatenate([mesh.vertices, corners.position[extra]])
    positions[corners.vertex[base]] = corners.position[base]
    return number, positions


def _steps(mesh: Mesh, copy_of: IntArray, touched: IntArray) -> IntArray:
    """Facets between copies of an edge that its two touched facets hold differently."""
    edges = edges_among(mesh, touched)
    f0, f1 = edges.facets.T
    s0, s1 = edges.slots.T
    a0, b0 = copy_of[f0, s0], copy_of[f0, (s0 + 1) % 3]
    b1, a1 = copy_of[f1, s1], copy_of[f1, (s1 + 1) % 3]
    return closed_between(a0, b0, a1, b1)


def closed_between(a0: IntArray, b0: IntArray, a1: IntArray, b1: IntArray) -> IntArray:
    """Facets that join half-edges a0 -> b0 to b1 -> a1, and the small rings left at vertices."""
    differ = (a0 != a1) | (b0 != b1)
    a0, b0, a1, b1 = a0[differ], b0[differ], a1[differ], b1[differ]
    first = np.stack([b0, a0, a1], axis=1)[a0 != a1]
    second = np.stack([b0, a1, b1], axis=1)[b0 != b1]
    made = np.concatenate([first, second])
    # around a vertex with three and more copies the steps leave a small ring open
    start = np.concatenate([a0[a0 != a1], b1[b0 != b1]])
    end = np.concatenate([a1[a0 != a1], b0[b0 != b1]])
    return np.concatenate([made, _ring_caps(start, end)])


def _ring_caps(start: IntArray, end: IntArray) -> IntArray:
    """Fans over the rings that half-edges start -> end leave once opposite ones cancel."""
    from collections import Counter, defaultdict

    loose: Counter[tuple[int, int]] = Counter()
    for pair in zip(start.tolist(), end.tolist(), strict=True):
        if loose[pair[1], pair[0]] > 0:
            loose[pair[1], pair[0]] -= 1
        else:
            loose[pair] += 1
    follow: defaultdict[int, list[int]] = defaultdict(list)
    for (a, b), times in sorted(loose.items()):
        follow[a] += [b] * times
    caps: list[tuple[int, int, int]] = []
    for origin in sorted(follow):
        while follow[origin]:
            ring = [origin]
            while True:
                following = follow[ring[-1]].pop()
                if following == origin:
                    break
                ring.append(following)
            # the half-edges are on made facets: the cap runs the other way round
            caps += [(ring[0], ring[i + 1], ring[i]) for i in range(1, len(ring) - 1)]
    return np.array(caps, dtype=np.int64).reshape(-1, 3)
