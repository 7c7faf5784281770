"""Shells: which is a body, which a hollow, which was wound inside out, and which overlap."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patternprep.errors import KernelFault, MeshFault
from patternprep.mesh.check import shell_volumes
from patternprep.mesh.kernel import Solid, union_all
from patternprep.mesh.mend.close import Work
from patternprep.mesh.mend.holes import STRAY_CAP
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.mesh.topology import components, edge_table, mesh_of_facets
from patternprep.units import format_point

__all__ = ["Shells", "drop_strays", "find_shells", "turn_outward", "unite_bodies"]

_STRAY_VOLUME = 1e-6
_SAME = 1e-9
_PROBES = 5
_MOST_SHELLS = 4000


@dataclass(frozen=True)
class Shells:
    """Closed shells of a surface: the shell of each facet, signed volumes mm3, bounds (s, 2, 3)."""

    of_facet: IntArray
    volume: FloatArray
    bounds: FloatArray

    def __len__(self) -> int:
        return len(self.volume)


def find_shells(work: Work) -> Shells:
    """Group facets across edges; on a sound surface each group is one closed shell."""
    table = edge_table(work.faces)
    at = np.flatnonzero(table.simple)
    a, b = table.half[table.start[at]] // 3, table.half[table.start[at] + 1] // 3
    number, label = components(len(work.faces), a, b)
    volume = shell_volumes(Mesh(work.points, work.faces), number, label)
    corner = np.repeat(label, 3)
    points = work.points[work.faces.reshape(-1)]
    bounds = np.empty((number, 2, 3))
    if number == 1:
        bounds[0] = points.min(axis=0), points.max(axis=0)
    else:
        bounds[:, 0], bounds[:, 1] = np.inf, -np.inf
        np.minimum.at(bounds[:, 0], corner, points)
        np.maximum.at(bounds[:, 1], corner, points)
    return Shells(label, volume, bounds)


def drop_strays(work: Work, what: str) -> None:
    """Remove closed shells of negligible size; refuse large ones without thickness."""
    shells = find_shells(work)
    if len(shells) == 1:
        return
    extent = np.linalg.norm(shells.bounds[:, 1] - shells.bounds[:, 0], axis=1)
    area = np.bincount(shells.of_facet, Mesh(work.points, work.faces).areas, len(shells))
    total = float(np.abs(shells.volume).sum())
    sheet = np.abs(shells.volume) <= 1e-7 * work.diagonal * area
    small = (np.abs(shells.volume) <= _STRAY_VOLUME * total) & (extent <= STRAY_CAP * work.diagonal)
    stray = small | (sheet & (extent <= STRAY_CAP * work.diagonal))
    large = np.flatnonzero(sheet & ~stray)
    if len(large):
        place = shells.bounds[large[0]].mean(axis=0)
        raise MeshFault(
            f"{what} holds {len(large)} closed surfaces without thickness, the first about "
            f"{format_point([float(c) for c in place])} and {extent[large[0]]:.3g} mm across; a "
            f"part needs solid walls, so thicken or remove them where it was drawn.",
            where=[float(c) for c in place],
        )
    if stray.any() and not stray.all():
        gone = stray[shells.of_facet]
        work.faces = work.faces[~gone]
        first = int(np.argmax(stray))
        work.tell(
            f"stray bodies removed, the largest {extent[stray].max():.3g} mm across",
            int(stray.sum()),
            volume=-float(shells.volume[stray].sum()),
            at=shells.bounds[first].mean(axis=0),
        )


def turn_outward(work: Work, what: str) -> tuple[Shells, IntArray]:
    """Turn shells so that bodies face outward and hollows inward: (shells, parent of each).

    The file's own windings are believed as far as they make sense: a shell that nothing
    contains is a body, so if it is inside out it is turned together with all that it contains;
    inside a body, an outward shell is a second body and an inward one a hollow; inside a hollow
    only a body makes sense, so an inward shell there is turned.
    """
    shells = find_shells(work)
    if len(shells) > _MOST_SHELLS:
        raise MeshFault(
            f"{what} falls into {len(shells)} separate shells, over the limit of {_MOST_SHELLS}; "
            f"export one solid part."
        )
    parent = _parents(work, shells)
    order = np.argsort(-np.abs(shells.volume), kind="stable")
    positive = shells.volume > 0.0
    turn = np.zeros(len(shells), bool)
    for s in order:  # parents come before what they contain
        if parent[s] < 0:
            turn[s] = not positive[s]
            continue
        turn[s] = turn[parent[s]]
        outward = positive[s] != turn[s]
        parent_outward = positive[parent[s]] != turn[parent[s]]
        if not outward and not parent_outward:
            turn[s] = ~turn[s]
    if turn.any():
        faces = work.faces.copy()
        mine = turn[shells.of_facet]
        faces[mine] = faces[mine][:, ::-1]
        work.faces = faces
        at = shells.bounds[int(np.argmax(turn))].mean(axis=0)
        work.tell("shells that were inside out turned", int(turn.sum()), at=at)
        shells = Shells(
            shells.of_facet, np.where(turn, -shells.volume, shells.volume), shells.bounds
        )
    _warn_of_inner_bodies(work, shells, parent)
    return shells, parent


def _warn_of_inner_bodies(work: Work, shells: Shells, parent: IntArray) -> None:
    outward = shells.volume > 0.0
    inner = np.flatnonzero(outward & (parent >= 0) & outward[parent])
    if len(inner):
        place = format_point([float(c) for c in shells.bounds[inner[0]].mean(axis=0)])
        told = (
            f"1 body lies wholly inside another and is taken as solid metal, at {place}"
            if len(inner) == 1
            else f"{len(inner)} bodies lie wholly inside others and are taken as solid metal, the "
            f"first at {place}"
        )
        work.warnings.append(f"{told}; a hollow must have its facets facing inwards.")


def _parents(work: Work, shells: Shells) -> IntArray:
    """The smallest shell that contains each shell, or -1."""
    n = len(shells)
    parent = np.full(n, -1, np.int64)
    if n == 1:
        return parent
    low, high = shells.bounds[:, 0], shells.bounds[:, 1]
    volume = np.abs(shells.volume)
    order = np.argsort(shells.of_facet, kind="stable")
    start = np.searchsorted(shells.of_facet[order], np.arange(n + 1))
    for s in range(n):
        holds = (low <= low[s]).all(axis=1) & (high >= high[s]).all(axis=1) & (volume > volume[s])
        for other in np.flatnonzero(holds)[np.argsort(volume[holds], kind="stable")]:
            corners = np.unique(work.faces[order[start[s] : start[s + 1]]])
            probes = work.points[corners[:: max(1, len(corners) // _PROBES)][:_PROBES]]
            triangles = work.points[work.faces[order[start[other] : start[other + 1]]]]
            if np.median(np.abs(_windings(probes, triangles))) > 0.75:
                parent[s] = other
                break
    return parent


def _windings(points: FloatArray, triangles: FloatArray) -> FloatArray:
    """Winding number of a closed surface about each point, from the solid angles.

    Source: A. Van Oosterom, J. Strackee, "The Solid Angle of a Plane Triangle", IEEE
    Transactions on Biomedical Engineering BME-30 (1983), equation 8.
    """
    out = np.empty(len(points))
    for i, p in enumerate(points):
        a, b, c = (triangles[:, k] - p for k in range(3))
        la, lb, lc = (np.linalg.norm(x, axis=1) for x in (a, b, c))
        above = np.einsum("ij,ij->i", a, np.cross(b, c))
        dot = np.einsum
        below = (
            la * lb * lc
            + dot("ij,ij->i", a, b) * lc
            + dot("ij,ij->i", b, c) * la
            + dot("ij,ij->i", c, a) * lb
        )
        out[i] = np.arctan2(above, below).sum() / (2.0 * np.pi)
    return out


def unite_bodies(work: Work, shells: Shells, parent: IntArray, what: str) -> int:
    """Unite bodies that overlap or touch; returns the number of bodies in the end.

    A body is an outward shell with the hollows directly inside it. Bodies whose bounds stay
    apart are left as they are, and so are those that the union would not change.
    """
    body = np.arange(len(shells))
    hollow = shells.volume < 0.0
    body[hollow] = np.where(parent[hollow] >= 0, parent[hollow], body[hollow])
    bodies = np.flatnonzero(~hollow)
    if len(bodies) < 2:
        return len(bodies)
    low, high = shells.bounds[bodies, 0], shells.bounds[bodies, 1]
    meet = ((low[:, None] <= high[None]) & (high[:, None] >= low[None])).all(axis=2)
    a, b = np.nonzero(np.triu(meet, 1))
    number, cluster = components(len(bodies), a, b)
    owner = np.full(len(shells), -1, np.int64)
    owner[bodies] = np.arange(len(bodies))
    facet_body = owner[body[shells.of_facet]]
    kept = np.ones(len(work.faces), bool)
    points, faces, total = [work.points], [], 0
    count, before, after = 0, 0.0, 0.0
    first: FloatArray | None = None
    for group in range(number):
        members = np.flatnonzero(cluster == group)
        if len(members) == 1:
            total += 1
            continue
        mine = np.isin(facet_body, members)
        solids = [_solid(work, facet_body == m, what) for m in members]
        try:
            united = union_all(solids)
        except KernelFault as error:
            raise MeshFault(f"{what} holds bodies that cannot be united ({error}).") from None
        separate = sum(s.volume for s in solids)
        apart = sum(1 for part in united.bodies() if part.volume > 0.0)
        if apart == len(members) and abs(united.volume - separate) <= _SAME * separate:
            total += len(members)
            continue
        mesh = united.to_mesh()
        kept &= ~mine
        faces.append(mesh.faces + sum(len(p) for p in points))
        points.append(mesh.vertices)
        total += apart
        count += len(members)
        before, after = before + separate, after + united.volume
        if first is None:
            first = shells.bounds[bodies[members[0]]].mean(axis=0)
    if faces:
        work.points = np.concatenate(points)
        work.faces = np.concatenate([work.faces[kept], *faces])
        work.tell("overlapping or touching bodies united", count, volume=after - before, at=first)
    return total


def _solid(work: Work, mine: np.ndarray[tuple[int], np.dtype[np.bool_]], what: str) -> Solid:
    try:
        return Solid.from_mesh(mesh_of_facets(work.points, work.faces[mine]), "taking in a body")
    except KernelFault as error:
        raise MeshFault(f"{what} holds a body that is no sound solid ({error}).") from None
