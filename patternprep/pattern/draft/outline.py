"""Outlines of halves on z = 0, as plan areas and as segments."""

from __future__ import annotations

import numpy as np
import shapely

from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import FloatArray, IntArray

__all__ = ["Segments", "area_of_rings", "base_rings", "boundary_segments", "ends_of_lines"]


def base_rings(solid: Solid) -> list[FloatArray]:
    """Rings (k, 2) round the solid's faces on z = 0; metal on the left, seen from above."""
    mesh = solid.to_mesh()
    base = mesh.faces[(mesh.vertices[mesh.faces, 2] == 0.0).all(axis=1)]
    start, end = base.reshape(-1), np.roll(base, -1, axis=1).reshape(-1)
    n = len(mesh.vertices)
    rim = ~np.isin(start * n + end, end * n + start)
    # the base looks down: seen from above its rim runs the other way
    return _rings(mesh.vertices[:, :2], end[rim], start[rim])


def _rings(plan: FloatArray, start: IntArray, end: IntArray) -> list[FloatArray]:
    """Rings of directed edges; where rings touch, either way round is taken."""
    leaving: dict[int, list[int]] = {}
    for s, e in zip(start.tolist(), end.tolist(), strict=True):
        leaving.setdefault(s, []).append(e)
    rings = []
    for first in start.tolist():
        if not leaving.get(first):
            continue
        ring = [first]
        while leaving.get(ring[-1]):
            ring.append(leaving[ring[-1]].pop())
            if ring[-1] == first:
                break
        if len(ring) > 3:
            rings.append(plan[np.array(ring[:-1])])
    return rings


def area_of_rings(rings: list[FloatArray]) -> shapely.Geometry:
    """Plan area enclosed by rings (holes and islands by parity)."""
    if not rings:
        return shapely.Polygon()
    closed = [np.vstack([r, r[:1]]) for r in rings]
    parts = shapely.get_parts(shapely.polygonize([shapely.LineString(r) for r in closed]))
    if len(parts) == len(rings):
        area = shapely.build_area(shapely.MultiLineString(closed))
    else:
        area = shapely.make_valid(
            shapely.build_area(shapely.union_all([shapely.LineString(r) for r in closed]))
        )
    return area


class Segments:
    """Segments (k, 2, 2) in plan with questions of nearness."""

    def __init__(self, ends: FloatArray) -> None:
        self.ends = ends
        self._tree = shapely.STRtree(shapely.linestrings(ends))

    def __len__(self) -> int:
        return len(self.ends)

    def distance(self, points: FloatArray) -> FloatArray:
        """Distance of plan points (n, 2) from the nearest segment."""
        if not len(self.ends):
            return np.full(len(points), np.inf)
        where, apart = self._tree.query_nearest(
            shapely.points(points), return_distance=True, all_matches=False
        )
        found = np.full(len(points), np.inf)
        found[where[0]] = apart
        return found

    def reach(self, points: FloatArray, along: FloatArray, most: float) -> FloatArray:
        """How far from points (n, 2) along unit directions the first segment lies, at most most."""
        rays = shapely.linestrings(np.stack([points, points + most * along], axis=1))
        ray, segment = self._tree.query(rays)
        p, d = points[ray], along[ray]
        a = self.ends[segment, 0]
        run = self.ends[segment, 1] - a
        across = d[:, 0] * run[:, 1] - d[:, 1] * run[:, 0]
        safe = np.where(np.abs(across) > 1e-15, across, 1.0)
        off = a - p
        far = (off[:, 0] * run[:, 1] - off[:, 1] * run[:, 0]) / safe
        share = (off[:, 0] * d[:, 1] - off[:, 1] * d[:, 0]) / safe
        hit = (np.abs(across) > 1e-15) & (share >= -1e-9) & (share <= 1.0 + 1e-9) & (far > 0.0)
        first = np.full(len(points), most)
        np.minimum.at(first, ray[hit], far[hit])
        return first


def boundary_segments(area: shapely.Geometry) -> Segments:
    """The segments of an area's boundary."""
    return Segments(ends_of_lines(shapely.boundary(area)))


def ends_of_lines(lines: shapely.Geometry) -> FloatArray:
    """The ends (k, 2, 2) of every straight piece of lines."""
    runs = [shapely.get_coordinates(line) for line in shapely.get_parts(lines)]
    ends = [np.stack([c[:-1], c[1:]], axis=1) for c in runs if len(c) > 1]
    return np.concatenate(ends) if ends else np.empty((0, 2, 2))
