"""Holes, pockets and hollows of a part as closed bodies, found from the mouths in its flat faces.

Cutting the surface along the rims of all mouths leaves the outside and the walls of each hole as
pieces of their own. A piece closed by flat lids encloses metal when it is the outside and empty
space when it is a hole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from patternprep.mesh.kernel import triangulate_rings
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.mesh.topology import components, mesh_of_facets
from patternprep.pattern.cores.model import Opening, Void
from patternprep.pattern.cores.openings import Rim, find_rims
from patternprep.pattern.frame import rotation_to_z

__all__ = ["fill_voids", "find_voids", "join_voids", "linked", "plan_basis"]

SMALLEST_SHARE = 1e-9
"""Voids below this share of the volume of the part's box are rounding."""


def find_voids(mesh: Mesh) -> tuple[Void, ...]:
    """The holes of a part that open through flat faces, largest first.

    ``mesh`` is a closed, oriented surface, mm. Only the overhang figures depend on its frame: they
    are taken with the parting at z = 0 and sand drawn up from z >= 0 and down from z <= 0. A step
    inside a hole is a mouth between two holes; ``join_voids`` makes them one. What is found is kept
    with the mesh.
    """
    kept: tuple[Void, ...] | None = mesh.__dict__.get("_voids")
    if kept is None:
        kept = mesh.__dict__["_voids"] = _found(mesh)
    return kept


def _found(mesh: Mesh) -> tuple[Void, ...]:
    rims, piece, near, far, hollow = _cut(mesh)
    least = SMALLEST_SHARE * float(np.prod(np.maximum(mesh.size, 1e-9)))
    mouths: dict[int, list[int]] = {}
    for i, pair in enumerate(zip(near.tolist(), far.tolist(), strict=True)):
        for label in pair:
            mouths.setdefault(label, []).append(i)
    walls = np.argsort(piece, kind="stable")
    bodies: dict[int, tuple[IntArray, list[int], Mesh]] = {}
    for label in hollow.tolist():
        facets = walls[slice(*np.searchsorted(piece[walls], [label, label + 1]))]
        own = mouths[label]
        body = _closed(mesh, facets, [(rims[i], int(far[i]) == label) for i in own])
        if body.volume > least:
            bodies[label] = (facets, own, body)
    ranked = sorted(bodies, key=lambda label: -bodies[label][2].volume)
    names = {label: f"hole {n + 1}" for n, label in enumerate(ranked)}
    found = []
    for label in ranked:
        facets, own, body = bodies[label]
        openings = []
        for i in own:
            out = int(far[i]) == label
            other = int(near[i]) if out else int(far[i])
            openings.append(_opening(mesh, rims[i], i, out, names.get(other, "")))
        found.append(_void(mesh, names[label], facets, openings, body))
    return tuple(found)


def linked(voids: Sequence[Void]) -> list[list[int]]:
    """Numbers of the holes that lead into each other, group by group."""
    place = {void.name: i for i, void in enumerate(voids)}
    links = np.array(
        [(i, place[o.beyond]) for i, v in enumerate(voids) for o in v.openings
         if o.beyond in place],
        dtype=np.int64,
    ).reshape(-1, 2)  # fmt: skip
    if not voids:
        return []
    count, label = components(len(voids), links[:, 0], links[:, 1])
    return [np.flatnonzero(label == group).tolist() for group in range(count)]


def join_voids(mesh: Mesh, voids: Sequence[Void]) -> Void:
    """Holes of ``mesh`` that lead into each other as one, without the mouths between them."""
    if len(voids) == 1:
        return voids[0]
    openings = _outer(voids)
    facets = np.concatenate([v.facets for v in voids])
    faces = [mesh.faces[facets][:, ::-1]]
    faces += [_lid(o) for o in openings]
    body = mesh_of_facets(mesh.vertices, np.concatenate(faces))
    joined = _void(mesh, voids[0].name, facets, openings, body)
    return replace(joined, members=tuple(v.name for v in voids))


def fill_voids(mesh: Mesh, voids: Sequence[Void]) -> Mesh:
    """``mesh`` with those of its holes filled: their walls give way to the lids of their mouths."""
    bare = np.ones(mesh.facets, dtype=bool)
    for void in voids:
        bare[void.facets] = False
    faces = np.concatenate([mesh.faces[bare], *(_lid(o) for o in _outer(voids))])
    return mesh_of_facets(mesh.vertices, faces)


def _outer(voids: Sequence[Void]) -> list[Opening]:
    """The openings of holes that do not lead from one of them into another."""
    rims = [o.rim for v in voids for o in v.openings]
    inner = {rim for rim in rims if rims.count(rim) == 2}
    return [o for v in voids for o in v.openings if o.rim not in inner]


def _lid(opening: Opening) -> IntArray:
    """Facets (m, 3) that close a mouth, looking out of the hole, by the mesh's vertex numbers."""
    return _lid_over(opening.corners, opening.ring, opening.normal, opening.flat)


def _lid_over(corners: IntArray, ring: FloatArray, normal: FloatArray, flat: bool) -> IntArray:
    """Facets (m, 3) over a rim; over one in a curved face they fan out from its first corner.

    Two holes that share a rim begin it at the same corner, and so share the lid.
    """
    if flat:
        return np.asarray(corners[triangulate_rings([_flat(ring, normal)])])
    first = np.full(len(corners) - 2, corners[0])
    return np.column_stack([first, corners[1:-1], corners[2:]])


def plan_basis(normal: FloatArray) -> FloatArray:
    """Two unit vectors (2, 3) that span the plane across ``normal``, right-handed with it."""
    return np.asarray(rotation_to_z(normal)[:2])


def _cut(mesh: Mesh) -> tuple[list[Rim], IntArray, IntArray, IntArray, IntArray]:
    """The surface cut along the rims of holes: the rims, the piece of each facet, the pieces on
    the flat side of each rim and beyond it, and the pieces that are walls of holes.

    A rim that no single piece lies beyond, or beyond which no empty space is closed off (its other
    end has no rim of its own), is taken back, so that its two sides are one piece again.
    """
    rims, twin = find_rims(mesh)
    flat = [rim for rim in rims if rim.flat]
    found = _cut_along(mesh, rims, twin)
    if len(flat) == len(rims):
        return found
    # a bent rim that is none must not take the flat ones back with it
    plain = _cut_along(mesh, flat, twin)
    return found if len(found[4]) >= len(plain[4]) else plain


def _cut_along(
    mesh: Mesh, rims: list[Rim], twin: IntArray
) -> tuple[list[Rim], IntArray, IntArray, IntArray, IntArray]:
    """What ``_cut`` gives, for some rims."""
    nothing = np.zeros(0, dtype=np.int64)
    while rims:
        piece, count = _pieces(mesh, rims, twin)
        near, far = _sides(rims, piece, twin)
        good = (far >= 0) & (far != near)
        if good.all():
            volume = _closed_volumes(mesh, piece, count, rims, near, far)
            good = volume[far] < 0.0
            if good.all():
                ends = np.unique(np.concatenate([near, far]))
                return rims, piece, near, far, ends[volume[ends] < 0.0]
        rims = [rim for rim, kept in zip(rims, good, strict=True) if kept]
    return [], nothing, nothing, nothing, nothing


def _pieces(mesh: Mesh, rims: list[Rim], twin: IntArray) -> tuple[IntArray, int]:
    """Piece of each facet when the surface is cut along all rims, and how many pieces."""
    keep = twin >= 0
    for rim in rims:
        keep[rim.halves] = False
        keep[twin[rim.halves]] = False
    half = np.flatnonzero(keep)
    half = half[half < twin[half]]
    count, label = components(mesh.facets, half // 3, twin[half] // 3)
    return label, count


def _sides(rims: list[Rim], piece: IntArray, twin: IntArray) -> tuple[IntArray, IntArray]:
    """Piece of the flat face of each rim and piece beyond it (-1 for several)."""
    near = np.array([piece[rim.halves[0] // 3] for rim in rims])
    far = np.full(len(rims), -1)
    for i, rim in enumerate(rims):
        beyond = np.unique(piece[twin[rim.halves] // 3])
        if len(beyond) == 1:
            far[i] = beyond[0]
    return near, far


def _closed_volumes(
    mesh: Mesh, piece: IntArray, count: int, rims: list[Rim], near: IntArray, far: IntArray
) -> FloatArray:
    """Signed volume of each piece with its rims lidded, (count,) mm3."""
    centre = mesh.bounds.mean(axis=0)
    a, b, c = (mesh.triangles[:, i] - centre for i in range(3))
    volume = np.bincount(piece, np.einsum("ij,ij->i", a, np.cross(b, c)) / 6.0, count)
    for rim, one, other in zip(rims, near, far, strict=True):
        lid = float((mesh.vertices[rim.corners].mean(axis=0) - centre) @ rim.area) / 3.0
        volume[one] += lid
        volume[other] -= lid
    return np.asarray(volume)


def _closed(mesh: Mesh, facets: IntArray, mouths: list[tuple[Rim, bool]]) -> Mesh:
    """The walls turned round and a flat lid over each mouth (out of or into the hole), closed."""
    faces = [mesh.faces[facets][:, ::-1]]
    for rim, out in mouths:
        corners = _as_seen(rim, out)
        area = rim.area if out else -rim.area
        faces.append(_lid_over(corners, mesh.vertices[corners], area, rim.flat))
    return mesh_of_facets(mesh.vertices, np.concatenate(faces))


def _as_seen(rim: Rim, out: bool) -> IntArray:
    """A rim's corners anticlockwise as seen from outside the hole, from the lowest number on."""
    corners = rim.corners[::-1] if out else rim.corners
    return np.roll(corners, -int(np.argmin(corners)))


def _flat(ring: FloatArray, normal: FloatArray) -> FloatArray:
    """Points (k, 3) of a ring in the plane across its normal, (k, 2)."""
    return np.asarray(ring @ plan_basis(normal).T)


def _void(mesh: Mesh, name: str, facets: IntArray, mouths: list[Opening], body: Mesh) -> Void:
    openings = tuple(sorted(mouths, key=lambda o: -round(o.area_mm2, 6)))
    ceiling, plan = _overhang(mesh, facets, openings)
    return Void(name, body, facets, openings, body.volume, ceiling, plan)


def _opening(mesh: Mesh, rim: Rim, number: int, out: bool, beyond: str) -> Opening:
    corners = _as_seen(rim, out)
    ring = mesh.vertices[corners]
    area = float(np.linalg.norm(rim.area))
    normal = (rim.area if out else -rim.area) / area
    middle = ring.mean(axis=0)
    away = ring - middle
    swept = 0.5 * np.cross(away, np.roll(away, -1, axis=0)) @ normal
    weights = (away + np.roll(away, -1, axis=0)) / 3.0
    centre = middle + (weights * swept[:, None]).sum(axis=0) / area
    return Opening(ring, corners, centre, normal, area, number, beyond, not out, rim.flat)


def _overhang(mesh: Mesh, facets: IntArray, openings: tuple[Opening, ...]) -> tuple[float, float]:
    """Plan area of walls over the sand that has to draw, and of all that faces that way, mm2."""
    normal, area = mesh.normals[facets][:, 2], mesh.areas[facets]
    height = mesh.triangles[facets][:, :, 2].mean(axis=1)
    over = np.where(height >= 0.0, -normal, normal)
    ceiling = float((area * np.maximum(over, 0.0)).sum())
    half = 0.5 * float((area * np.abs(normal)).sum())
    half += 0.5 * sum(o.area_mm2 * abs(float(o.normal[2])) for o in openings)
    return ceiling, half
