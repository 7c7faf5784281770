"""The difference of a filled half and the half, without the many facets that both share.

What both halves show to the sky is the same; there both are raised alike, by upright walls from
the rim of the shared patches to a few large facets over everything. The difference stays what it
was, and the kernel has far fewer facets to meet.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from patternprep.errors import KernelFault
from patternprep.mesh.kernel import Solid, triangulate_rings
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.mesh.topology import components, mesh_of_facets, unique_rows

__all__ = ["difference"]

_MANY = 20_000
"""Facets of both halves from which it is worth while."""
_FLATTER = 0.05
"""Sine of facets that are replaced: under steeper ones the kernel would meet slivers."""
_TRIES = 4
_BITS = 21
_OVER_SHARE = 0.1
_SAME_VOLUME = 1e-10


def difference(filled: Solid, half: Solid) -> Mesh:
    """The surface of what ``filled`` has and ``half`` has not; nothing of either stands over
    the facets of ``filled`` that look up, and ``half`` lies within it."""
    if filled.facets + half.facets >= _MANY:
        raised = _raised(filled.to_mesh(), half.to_mesh())
        if raised is not None:
            try:
                cut = Solid.from_mesh(raised[0]) - Solid.from_mesh(raised[1])
            except KernelFault:
                cut = Solid.empty()
            told = filled.volume - half.volume
            whole = abs(cut.volume - told) <= _SAME_VOLUME * filled.volume
            # nothing, not even a film, may be left of what was raised
            if whole and not cut.is_empty and cut.bounds[1, 2] <= filled.bounds[1, 2]:
                return cut.to_mesh()
    return (filled - half).to_mesh()


def _raised(filled: Mesh, half: Mesh) -> tuple[Mesh, Mesh] | None:
    """Both with the facets that look up in both replaced; None where there are none to replace."""
    first, label = unique_rows(np.concatenate([filled.vertices, half.vertices]))
    if len(first) >> _BITS:
        return None
    points = np.concatenate([filled.vertices, half.vertices])[first]
    f, h = label[filled.faces], label[len(filled.vertices) + half.faces]
    f_key, h_key = _facet_keys(f), _facet_keys(h)
    shared = (filled.normals[:, 2] > _FLATTER) & _among(f_key, h_key)
    for _ in range(_TRIES):
        patch = f[shared]
        if not len(patch):
            return None
        rim = _rim(patch, len(points))
        twice = np.bincount(rim[:, 0], minlength=len(points)) > 1
        if not twice.any():
            break
        # where patches touch at a vertex they are drawn back from it
        shared &= ~twice[f].any(axis=1)
    else:
        return None
    lid, more = _lid(points, patch, rim)
    points = np.concatenate([points, more])
    parts = (f[~shared], h[~_among(h_key, f_key[shared])])
    one, other = (mesh_of_facets(points, np.concatenate([part, lid])) for part in parts)
    return one, other


def _facet_keys(faces: IntArray) -> IntArray:
    """One number for a facet's vertices in their order, whichever of them comes first."""
    a, b, c = faces[:, 0], faces[:, 1], faces[:, 2]
    keys = [(p << 2 * _BITS) | (q << _BITS) | r for p, q, r in ((a, b, c), (b, c, a), (c, a, b))]
    return np.asarray(np.minimum(np.minimum(keys[0], keys[1]), keys[2]))


def _among(keys: IntArray, others: IntArray) -> npt.NDArray[np.bool_]:
    known = np.sort(others)
    return np.asarray(known[np.searchsorted(known, keys).clip(0, len(known) - 1)] == keys)


def _rim(patch: IntArray, points: int) -> IntArray:
    """Half-edges (k, 2) of the patch without another facet of it across."""
    start, end = patch.ravel(), patch[:, [1, 2, 0]].ravel()
    bare = ~_among(start * points + end, end * points + start)
    return np.column_stack([start[bare], end[bare]])


def _lid(points: FloatArray, patch: IntArray, rim: IntArray) -> tuple[IntArray, FloatArray]:
    """(walls from the rim up and facets over them, their new vertices)."""
    raised = points[rim[:, 0]].copy()
    low, high = points.min(axis=0), points.max(axis=0)
    raised[:, 2] = high[2] + _OVER_SHARE * float((high - low).max())
    over = np.zeros(len(points), np.int64)
    over[rim[:, 0]] = len(points) + np.arange(len(rim))
    a, b = rim.T
    walls = [np.column_stack([a, b, over[b]]), np.column_stack([a, over[b], over[a]])]
    _, piece = components(
        len(points), patch.ravel(), np.ascontiguousarray(patch[:, [1, 2, 0]]).ravel()
    )
    rings: dict[int, list[IntArray]] = {}
    for ring in _rings(rim):
        rings.setdefault(int(piece[ring[0]]), []).append(over[ring])
    tops = []
    for own in rings.values():
        flat = [raised[ring - len(points), :2] for ring in own]
        tops.append(np.concatenate(own)[triangulate_rings(flat)])
    return np.concatenate([*walls, *tops]), raised


def _rings(rim: IntArray) -> list[IntArray]:
    """Vertices of the closed rings that half-edges make; each vertex starts one of them."""
    then = dict(rim.tolist())
    rings = []
    for first in rim[:, 0].tolist():
        ring = []
        while first in then:
            ring.append(first)
            first = then.pop(first)
        if ring:
            rings.append(np.array(ring, dtype=np.int64))
    return rings
