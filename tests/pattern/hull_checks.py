"""Checks of drafted halves that share nothing with the draft engine: numpy on plain facets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from patternprep.mesh.mesh import FloatArray, IntArray, Mesh

UNDER_DEG = 0.05
FAR_UNDER_DEG = 0.2
FAR_UNDER_MM2 = 0.05


@dataclass(frozen=True)
class Lines:
    """What vertical lines at plan points met."""

    points: FloatArray
    tops: FloatArray
    """Highest crossing, -inf where the line meets nothing."""
    ups: IntArray
    """Facets that look up, met by the line, apart from coincident ones."""
    downs: IntArray
    lowest_down: FloatArray


def is_closed_manifold(mesh: Mesh) -> bool:
    """Every directed edge once, and once the other way."""
    start = mesh.faces.reshape(-1)
    end = np.roll(mesh.faces, -1, axis=1).reshape(-1)
    n = len(mesh.vertices)
    there, back = np.sort(start * n + end), np.sort(end * n + start)
    return bool((np.diff(there) > 0).all() and np.array_equal(there, back))


def crossings(mesh: Mesh, points: FloatArray) -> tuple[IntArray, IntArray, FloatArray]:
    """(point, facet, height) of every facet over or under plan points (n, 2)."""
    corners = mesh.triangles
    plan = corners[:, :, :2]
    low, high = plan.min(axis=1), plan.max(axis=1)
    origin = low.min(axis=0)
    cells = 96
    size = float((high.max(axis=0) - origin).max()) / cells + 1e-9
    lo = np.floor((low - origin) / size).astype(int)
    hi = np.floor((high - origin) / size).astype(int)
    wide = hi - lo + 1
    count = wide[:, 0] * wide[:, 1]
    facet = np.repeat(np.arange(len(corners)), count)
    k = np.arange(len(facet)) - np.repeat(np.cumsum(count) - count, count)
    cell_x = lo[facet, 0] + k % wide[facet, 0]
    cell_y = lo[facet, 1] + k // wide[facet, 0]
    cell = cell_x * (cells + 2) + cell_y
    order = np.argsort(cell, kind="stable")
    cell, facet = cell[order], facet[order]
    at = np.floor((points - origin) / size).astype(int)
    ok = ((at >= 0) & (at <= cells)).all(axis=1)
    key = np.where(ok, at[:, 0] * (cells + 2) + at[:, 1], -1)
    first, last = np.searchsorted(cell, key), np.searchsorted(cell, key, side="right")
    number = np.where(ok, last - first, 0)
    point = np.repeat(np.arange(len(points)), number)
    offset = np.arange(len(point)) - np.repeat(np.cumsum(number) - number, number)
    f = facet[np.repeat(first, number) + offset]
    p = points[point]
    a, b, c = (plan[f, i] for i in range(3))

    def side(u: FloatArray, v: FloatArray) -> FloatArray:
        return (v[:, 0] - u[:, 0]) * (p[:, 1] - u[:, 1]) - (v[:, 1] - u[:, 1]) * (p[:, 0] - u[:, 0])

    wc, wa, wb = side(a, b), side(b, c), side(c, a)
    total = wa + wb + wc
    hit = (((wa >= 0) & (wb >= 0) & (wc >= 0)) | ((wa <= 0) & (wb <= 0) & (wc <= 0))) & (
        np.abs(total) > 1e-14
    )
    safe = np.where(hit, total, 1.0)
    z = (wa * corners[f, 0, 2] + wb * corners[f, 1, 2] + wc * corners[f, 2, 2]) / safe
    return point[hit], f[hit], z[hit]


def vertical_lines(mesh: Mesh, points: FloatArray) -> Lines:
    """Meet the mesh with vertical lines through plan points (n, 2)."""
    point, facet, z = crossings(mesh, points)
    up = mesh.cross[facet, 2] > 0.0
    tops = np.full(len(points), -np.inf)
    np.maximum.at(tops, point, z)
    lowest = np.full(len(points), np.inf)
    np.minimum.at(lowest, point[~up], z[~up])
    seen = []
    for mask in (up, ~up):
        rounded = np.round(z[mask] / 1e-4).astype(np.int64)
        unique = np.unique(np.column_stack([point[mask], rounded]), axis=0)
        near = np.diff(unique, axis=0)
        twice = (near[:, 0] == 0) & (near[:, 1] <= 1)
        number = np.bincount(unique[:, 0], minlength=len(points))
        number -= np.bincount(unique[1:][twice, 0], minlength=len(points))
        seen.append(number)
    return Lines(points, tops, seen[0], seen[1], lowest)


def spread(mesh: Mesh, count: int, seed: int = 0) -> FloatArray:
    """Plan points over the mesh's box."""
    low, high = mesh.bounds[:, :2]
    return np.random.default_rng(seed).uniform(low, high, (count, 2))


def undercut_lines(mesh: Mesh, count: int = 4000) -> npt.NDArray[np.float64]:
    """Plan points whose vertical line does not meet the half in one run from z = 0."""
    lines = vertical_lines(mesh, spread(mesh, count))
    met = (lines.ups > 0) | (lines.downs > 0)
    one = (lines.ups == 1) & (lines.downs == 1) & (np.abs(lines.lowest_down) < 1e-9)
    # a sliver thinner than a hundredth of a millimetre seen edge-on is no undercut
    return lines.points[met & ~one]


def lean_report(mesh: Mesh, asked_deg: float) -> tuple[float, float]:
    """(share of wall area under the angle, largest connected area far under it in mm2)."""
    base = (mesh.vertices[mesh.faces, 2] == 0.0).all(axis=1)
    area = np.where(base, 0.0, mesh.areas)
    lean = np.degrees(np.arcsin(np.clip(mesh.normals[:, 2], -1.0, 1.0)))
    under = (lean < asked_deg - UNDER_DEG) & (area > 0.0)
    far = (lean < asked_deg - FAR_UNDER_DEG) & (area > 0.0)
    wall = float(area[lean < 60.0].sum())
    return float(area[under].sum()) / max(wall, 1e-9), _largest_place(mesh, far)


def _largest_place(mesh: Mesh, facets: npt.NDArray[np.bool_]) -> float:
    """Largest area of facets connected over vertices."""
    ids = np.flatnonzero(facets)
    if not len(ids):
        return 0.0
    label = {int(v): int(v) for v in np.unique(mesh.faces[ids])}

    def root(v: int) -> int:
        while label[v] != v:
            label[v] = label[label[v]]
            v = label[v]
        return v

    for a, b, c in mesh.faces[ids].tolist():
        ra = root(a)
        label[root(b)] = ra
        label[root(c)] = ra
    places: dict[int, float] = {}
    for i in ids.tolist():
        r = root(int(mesh.faces[i, 0]))
        places[r] = places.get(r, 0.0) + float(mesh.areas[i])
    return max(places.values())


def missing_depth(part: Mesh, hull: Mesh) -> float:
    """How far corners of the part's upper facets stand out of the hull, mm.

    The shortfall along the vertical, taken square to the hull's facet there; corners are taken a
    little inside their facet.
    """
    facets = part.triangles[(part.normals[:, 2] > 1e-3) & (part.areas > 1e-6)]
    middle = facets.mean(axis=1, keepdims=True)
    corners = (facets + 1e-3 * (middle - facets)).reshape(-1, 3)
    corners = corners[corners[:, 2] > 0.02]
    point, facet, z = crossings(hull, corners[:, :2])
    best = np.full(len(corners), np.inf)
    shortfall = (corners[point, 2] - z) * hull.normals[facet, 2]
    up = hull.normals[facet, 2] > 0.0
    np.minimum.at(best, point[up], shortfall[up])
    return float(np.max(best, initial=0.0))


def assert_draws(hull: Mesh, asked_deg: float, part: Mesh | None = None) -> None:
    """All that must hold of a drafted half."""
    assert is_closed_manifold(hull)
    assert hull.volume > 0.0
    assert float(hull.vertices[:, 2].min()) == 0.0
    share, far = lean_report(hull, asked_deg)
    assert far <= FAR_UNDER_MM2, f"{far} mm2 lean far too little"
    assert share <= 300e-6, f"{share * 1e6} ppm of the wall lean too little"
    wrong = undercut_lines(hull)
    assert len(wrong) == 0, f"undercut at {wrong[:3]}"
    if part is not None:
        assert missing_depth(part, hull) <= 0.002
