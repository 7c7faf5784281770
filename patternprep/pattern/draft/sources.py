"""Where draft starts from: the edges and tops from which a leaning wall must fall to z = 0.

An edge is a source where a plane that leans by the draft angle touches the solid along it. With
every convex edge goes an arc on the sphere of normals, from one facet's normal to the other's;
each crossing of that arc with the circle of normals that lean by the angle is a source. Between
a facet that leans enough (good) and one that does not there is one crossing; a ridge, between two
facets that both lean too little, has two or none. A peak is a local top whose facets all lean too
little.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patternprep.mesh.mesh import FloatArray, IntArray
from patternprep.pattern.draft.topology import BoolArray, HalfEdges, following

__all__ = ["GOOD_MARGIN_DEG", "LOW_MM", "Sources", "find_sources", "good_facets"]

GOOD_MARGIN_DEG = 0.03
"""A wall that leans this little less than asked stays as it is."""
LOW_MM = 1e-6
"""A vertex at most this high over the parting needs no draft."""
_CONCAVE_SHARE = 0.01


@dataclass(frozen=True, eq=False)
class Sources:
    """Source edges (k), directed with the air on their right, and peaks (p)."""

    edge: IntArray
    """Half-edge of each source; its facet is the left one."""
    start: IntArray
    end: IntArray
    """Vertices, (k,)."""
    lean_deg: FloatArray
    """Draft angle asked of each source, (k,)."""
    heading: FloatArray
    """Direction in plan in which the wedge falls, radians, (k,)."""
    width: FloatArray
    """Sine of the plan angle between edge and heading; 0 where the edge falls as the wedge does."""
    follow: IntArray
    """Next source of the chain, -1 where it ends, (k,)."""
    turn: FloatArray
    """Turn of the heading to the next source, radians, anticlockwise (convex) positive, (k,)."""
    peaks: IntArray
    peak_lean_deg: FloatArray


def good_facets(mesh: HalfEdges, lean_deg: FloatArray) -> BoolArray:
    """Facets that look up and lean at least their asked angle (less a small margin)."""
    return mesh.normals[:, 2] >= np.sin(np.radians(lean_deg - GOOD_MARGIN_DEG))


def find_sources(mesh: HalfEdges, lean_deg: FloatArray, hidden: BoolArray) -> Sources:
    """Sources of draft of a half pattern standing on z = 0.

    ``lean_deg`` (m,) is the angle asked of each facet, were it a wall; ``hidden`` (m,) are facets
    wholly under other material, which need no draft of their own.
    """
    good = good_facets(mesh, lean_deg)
    rim, ridge = _rim_edges(mesh, good), _ridge_edges(mesh, good, lean_deg)
    rim = rim[~hidden[rim // 3]]
    ridge = ridge[~(hidden[ridge // 3] & hidden[mesh.twin[ridge] // 3])]
    edge = np.concatenate([rim, ridge])
    start, end = mesh.origin[edge], mesh.target(edge)
    lean = np.where(
        np.arange(len(edge)) < len(rim), lean_deg[mesh.twin[edge] // 3], lean_deg[edge // 3]
    )
    lean = np.maximum(lean, lean_deg[mesh.twin[edge] // 3])
    step = mesh.points[end] - mesh.points[start]
    along = np.hypot(step[:, 0], step[:, 1])
    slope = np.divide(step[:, 2], along, out=np.zeros(len(edge)), where=along > 0.0)
    tilt = np.arcsin(np.clip(slope * np.tan(np.radians(lean)), -1.0, 1.0))
    course = np.arctan2(step[:, 1], step[:, 0])
    follow, turn = _chains(mesh, good, edge, len(rim), course)
    turn = np.where(follow >= 0, turn - (tilt[follow] - tilt), 0.0)
    peaks = _peaks(mesh, good, np.concatenate([start, end]))
    return Sources(
        edge=edge,
        start=start,
        end=end,
        lean_deg=lean,
        heading=course - np.pi / 2.0 - tilt,
        width=np.cos(tilt),
        follow=follow,
        turn=turn,
        peaks=peaks,
        peak_lean_deg=_highest_lean(mesh, peaks, lean_deg),
    )


def _convex(mesh: HalfEdges, edge: IntArray) -> BoolArray:
    """Edges not (clearly) in a valley."""
    apart = mesh.points[mesh.apex(mesh.twin[edge])] - mesh.points[mesh.origin[edge]]
    beyond = np.einsum("ij,ij->i", apart, mesh.normals[edge // 3])
    return beyond < _CONCAVE_SHARE * np.linalg.norm(apart, axis=1)


def _above_parting(mesh: HalfEdges, edge: IntArray) -> BoolArray:
    z = mesh.points[:, 2]
    return np.maximum(z[mesh.origin[edge]], z[mesh.target(edge)]) > LOW_MM


def _rim_edges(mesh: HalfEdges, good: BoolArray) -> IntArray:
    """Half-edges of good facets beside facets that are not, where they make a convex edge.

    Under a facet that looks down every edge is taken: where a mesh folds over itself by a little,
    which way such an edge bends says nothing, and a source too many does no harm.
    """
    side = np.repeat(good, 3)
    edge = np.flatnonzero(side & ~side[mesh.twin])
    edge = edge[_above_parting(mesh, edge)]
    return edge[_convex(mesh, edge) | (mesh.normals[mesh.twin[edge] // 3, 2] < 0.0)]


def _ridge_edges(mesh: HalfEdges, good: BoolArray, lean_deg: FloatArray) -> IntArray:
    """Both half-edges of convex edges between facets that both lean too little, as sources.

    The highest normal square to the edge must stand higher than the circle of the angle and lie
    between the two facets' normals.
    """
    side = np.repeat(good, 3)
    edge = np.flatnonzero(~side & ~side[mesh.twin] & (mesh.twin > np.arange(len(side))))
    edge = edge[_above_parting(mesh, edge)]
    step = mesh.points[mesh.target(edge)] - mesh.points[mesh.origin[edge]]
    length = np.linalg.norm(step, axis=1)
    step /= np.where(length > 0.0, length, 1.0)[:, None]
    rise = step[:, 2]
    crest = np.sqrt(np.maximum(0.0, 1.0 - rise**2))
    lean = np.maximum(lean_deg[edge // 3], lean_deg[mesh.twin[edge] // 3])
    keep = (crest > np.sin(np.radians(lean)) + 1e-9) & (length > 0.0)
    edge, step, rise = edge[keep], step[keep], rise[keep]
    top = np.array([0.0, 0.0, 1.0]) - rise[:, None] * step
    left, right = mesh.normals[edge // 3], mesh.normals[mesh.twin[edge] // 3]

    def turned(a: FloatArray, b: FloatArray) -> FloatArray:
        return np.einsum("ij,ij->i", np.cross(a, b), step)

    # about a convex edge the normals turn positively from the left facet to the right one
    between = (turned(left, top) > 0.0) & (turned(top, right) > 0.0)
    edge = edge[between]
    edge = edge[_convex(mesh, edge)]
    return np.concatenate([edge, mesh.twin[edge]])


def _chains(
    mesh: HalfEdges, good: BoolArray, edge: IntArray, rims: int, course: FloatArray
) -> tuple[IntArray, FloatArray]:
    """Next source of each source (-1 at a free end) and the turn of the course in plan to it."""
    place = np.full(3 * len(mesh.faces), -1, dtype=np.int64)
    place[edge[:rims]] = np.arange(rims)
    follow = np.full(len(edge), -1, dtype=np.int64)
    turn = np.zeros(len(edge))
    # Round the end vertex through the good facets to the patch's next rim edge.
    here = following(edge[:rims])
    inner = _corner_in_plan(mesh, here)
    active = np.arange(rims)
    while len(active):
        across = mesh.twin[here[active]]
        active = active[good[across // 3]]
        if not len(active):
            break
        here[active] = following(mesh.twin[here[active]])
        inner[active] += _corner_in_plan(mesh, here[active])
    follow[:rims] = place[here]
    turn[:rims] = np.pi - inner
    _chain_ridges(mesh, edge, rims, course, follow, turn)
    return follow, turn


def _corner_in_plan(mesh: HalfEdges, half_edge: IntArray) -> FloatArray:
    """Angle in plan of the facet's corner where the half-edge begins."""
    here = mesh.points[mesh.origin[half_edge], :2]
    a = mesh.points[mesh.target(half_edge), :2] - here
    b = mesh.points[mesh.apex(half_edge), :2] - here
    return np.arctan2(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], np.einsum("ij,ij->i", a, b))


def _chain_ridges(
    mesh: HalfEdges,
    edge: IntArray,
    rims: int,
    course: FloatArray,
    follow: IntArray,
    turn: FloatArray,
) -> None:
    """Join ridge sources where exactly two ridges and no rim meet at a vertex."""
    if rims == len(edge):
        return
    n = len(mesh.points)
    start, end = mesh.origin[edge], mesh.target(edge)
    ridge = np.arange(rims, len(edge))
    leaving = np.bincount(start[ridge], minlength=n)
    rim_here = np.bincount(start[:rims], minlength=n) + np.bincount(end[:rims], minlength=n)
    plain = (leaving == 2) & (rim_here == 0)
    # at such a vertex two sources leave; the one that is not the twin of the arriving one follows
    total = np.zeros(n, dtype=np.int64)
    np.add.at(total, start[ridge], ridge)
    partner = np.empty(len(edge), dtype=np.int64)
    half = (len(edge) - rims) // 2
    partner[rims : rims + half] = ridge[half:]
    partner[rims + half :] = ridge[:half]
    arriving = ridge[plain[end[ridge]]]
    nxt = total[end[arriving]] - partner[arriving]
    follow[arriving] = nxt
    angle = course[nxt] - course[arriving]
    turn[arriving] = (angle + np.pi) % (2.0 * np.pi) - np.pi


def _peaks(mesh: HalfEdges, good: BoolArray, on_source: IntArray) -> IntArray:
    """Vertices higher than all their neighbours without a good facet or a source."""
    z = mesh.points[:, 2]
    peak = z > LOW_MM
    a, b = mesh.origin, np.roll(mesh.faces, -1, axis=1).reshape(-1)
    peak[a[z[b] >= z[a]]] = False
    peak[mesh.faces[good].reshape(-1)] = False
    peak[on_source] = False
    return np.flatnonzero(peak)


def _highest_lean(mesh: HalfEdges, peaks: IntArray, lean_deg: FloatArray) -> FloatArray:
    """Largest angle asked of the facets at each peak."""
    most = np.zeros(len(mesh.points))
    if len(peaks):
        np.maximum.at(most, mesh.faces.reshape(-1), np.repeat(lean_deg, 3))
    return most[peaks]
