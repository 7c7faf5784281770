"""A tree of boxes over facets: exact distance of points, and what a cone over a point reaches.

The facets are put in order along a space-filling curve and boxed in groups of eight, the groups in
groups of eight and so on; queries walk down all points together, level by level.
"""

from __future__ import annotations

import numpy as np

from patternprep.mesh.mesh import FloatArray, IntArray
from patternprep.proof.plan import expand, extent

__all__ = ["FacetTree", "distance_to_facets", "far_distance"]

_GROUP = 8
_POINTS_AT_ONCE = 4096
_PAIRS_AT_ONCE = 400_000
_FAR_MM = 5.0
_MOST_FAR = 500


class FacetTree:
    """Facets (k, 3, 3) in mm, k > 0."""

    def __init__(self, triangles: FloatArray) -> None:
        middle = _middle(triangles)
        self._frame = (middle.min(axis=0), middle.max(axis=0))
        self._keys = _curve(middle, *self._frame)
        order = np.argsort(self._keys, kind="stable")
        self._keys = self._keys[order]
        self.triangles = triangles[order]
        self.order = order
        low, high = extent(self.triangles)
        self._levels = [(low, high)]
        while len(low) > _GROUP:
            first = np.arange(0, len(low), _GROUP)
            low, high = np.minimum.reduceat(low, first), np.maximum.reduceat(high, first)
            self._levels.append((low, high))

    def _walk(
        self, points: FloatArray, reach: FloatArray, slope: float | None
    ) -> tuple[IntArray, IntArray]:
        """Pairs (point, facet in tree order) whose boxes are within reach of the points.

        With a slope, within reach means: the box rises into the upward cone over the point, whose
        radius at height h is h times the slope (the reach then is how far out it may stay).
        """
        low, high = self._levels[-1]
        who = np.repeat(np.arange(len(points)), len(low))
        node = np.tile(np.arange(len(low)), len(points))
        for level in range(len(self._levels) - 1, -1, -1):
            low, high = self._levels[level]
            p = points[who]
            under, over = low[node] - p, p - high[node]
            gap = np.maximum(np.maximum(under, over), 0.0)
            if slope is None:
                near = _dot(gap, gap)
                far = np.maximum(np.abs(under), np.abs(over))
                reach = reach.copy()
                lead = np.flatnonzero(np.append(True, who[1:] != who[:-1])) if len(who) else who
                most = np.minimum.reduceat(_dot(far, far), lead) if len(who) else reach[:0]
                bound = np.sqrt(most) * (1.0 + 1e-9)
                reach[who[lead]] = np.minimum(reach[who[lead]], bound)
                keep = near <= reach[who] ** 2
            else:
                rise = -over[:, 2]
                keep = np.hypot(gap[:, 0], gap[:, 1]) - rise * slope <= reach[who]
                keep &= rise >= -reach[who]
            who, node = who[keep], node[keep]
            if level:
                below = len(self._levels[level - 1][0])
                count = np.minimum(node * _GROUP + _GROUP, below) - node * _GROUP
                owner, step = expand(count)
                who, node = who[owner], node[owner] * _GROUP + step
        return who, node

    def distance(self, points: FloatArray, cap: float = np.inf) -> tuple[FloatArray, IntArray]:
        """Distance of each point (n, 3) to the nearest facet, mm, and that facet.

        Distances beyond the cap come back as the cap, with facet -1.
        """
        best = np.full(len(points), cap)
        facet = np.full(len(points), -1, dtype=np.int64)
        if not len(points):
            return best, facet
        start = self._start(points)
        order = np.argsort(_curve(points), kind="stable")
        for part in np.array_split(order, -(-len(order) // _POINTS_AT_ONCE)):
            reach = np.minimum(start[part] * (1.0 + 1e-9) + 1e-9, cap)
            stack = [(part, reach)]
            while stack:
                some, near = stack.pop()
                who, node = self._walk(points[some], near, None)
                if len(who) > _PAIRS_AT_ONCE and len(some) > 1:
                    half = len(some) // 2
                    stack += [(some[:half], near[:half]), (some[half:], near[half:])]
                    continue
                d = distance_to_facets(points[some][who], self.triangles[node])
                if not len(who):
                    continue
                first = np.lexsort((d, who))
                lead = first[np.append(True, who[first][1:] != who[first][:-1])]
                lead = lead[d[lead] < best[some[who[lead]]]]
                best[some[who[lead]]] = d[lead]
                facet[some[who[lead]]] = self.order[node[lead]]
        return best, facet

    def _start(self, points: FloatArray) -> FloatArray:
        """An upper bound of the distance: to corners of facets near by on the curve."""
        spot = np.searchsorted(self._keys, _curve(points, *self._frame))
        best = np.full(len(points), np.inf)
        for shift in (-2, -1, 0, 1):
            at = np.clip(spot + shift, 0, len(self._keys) - 1)
            for corner in range(3):
                d = np.linalg.norm(self.triangles[at, corner] - points, axis=1)
                best = np.minimum(best, d)
        return best

    def in_cone(
        self, points: FloatArray, slope: float, outward: FloatArray | None, mitre: float
    ) -> FloatArray:
        """Least gap of each point (n, 3) under the upward cones of the facets, mm.

        A point lies under the draft of a facet when some point s of it stands inside the cone that
        opens upward from the point, radius = height x slope: the gap |s - p| in plan less
        (s.z - p.z) x slope is then at most zero. With ``outward`` (n, 2), the plan direction in
        which the wall at each point faces, corners may be mitred: s may stand aside along the wall
        by up to ``mitre`` times the cone's radius as long as the wall's plane reaches it.
        Gaps above zero are not exact, only positive.
        """
        least = np.full(len(points), np.inf)
        if not len(points):
            return least
        wide = slope if outward is None else slope * mitre
        order = np.argsort(_curve(points), kind="stable")
        parts = np.array_split(order, -(-len(order) // _POINTS_AT_ONCE))
        stack = list(parts)
        while stack:
            some = stack.pop()
            who, node = self._walk(points[some], np.full(len(some), 1e-6), wide)
            if len(who) > _PAIRS_AT_ONCE and len(some) > 1:
                stack += [some[: len(some) // 2], some[len(some) // 2 :]]
                continue
            p = points[some][who]
            turn = None if outward is None else outward[some][who]
            gap = _cone_gap(p, self.triangles[node], slope, turn, mitre)
            np.minimum.at(least, some[who], gap)
        return least

    def gap_under(self, points: FloatArray, slope: float, below: float) -> FloatArray:
        """How far each point (n, 3) stands sideways out of the upward cones' solid, mm, exactly.

        Only what rises to no less than ``below`` mm under the point counts; infinite where
        nothing does.
        """
        least = np.full(len(points), np.inf)
        if not len(points):
            return least
        order = np.argsort(_curve(points), kind="stable")
        stack = list(np.array_split(order, -(-len(order) // 512)))
        while stack:
            some = stack.pop()
            who, node = self._walk_gap(points[some], slope, below)
            if len(who) > _PAIRS_AT_ONCE and len(some) > 1:
                stack += [some[: len(some) // 2], some[len(some) // 2 :]]
                continue
            gap = _cone_gap(points[some][who], self.triangles[node], slope, None, 1.0)
            np.minimum.at(least, some[who], gap)
        return least

    def _walk_gap(
        self, points: FloatArray, slope: float, below: float
    ) -> tuple[IntArray, IntArray]:
        low, high = self._levels[-1]
        who = np.repeat(np.arange(len(points)), len(low))
        node = np.tile(np.arange(len(low)), len(points))
        for level in range(len(self._levels) - 1, -1, -1):
            low, high = self._levels[level]
            p = points[who]
            lo, hi = low[node], high[node]
            tall = hi[:, 2] >= p[:, 2] - below
            gap = np.maximum(np.maximum(lo - p, p - hi), 0.0)[:, :2]
            least = np.hypot(gap[:, 0], gap[:, 1]) - (hi[:, 2] - p[:, 2]) * slope
            far = np.maximum(np.abs(lo - p), np.abs(hi - p))[:, :2]
            most = np.hypot(far[:, 0], far[:, 1]) - (lo[:, 2] - p[:, 2]) * slope
            most = np.where(lo[:, 2] >= p[:, 2] - below, most, np.inf)
            bound = np.full(len(points), np.inf)
            np.minimum.at(bound, who, most)
            keep = tall & (least <= bound[who] + 1e-9)
            who, node = who[keep], node[keep]
            if level:
                count = len(self._levels[level - 1][0]) - node * _GROUP
                owner, step = expand(np.minimum(count, _GROUP))
                who, node = who[owner], node[owner] * _GROUP + step
        return who, node


def far_distance(tree: FacetTree, points: FloatArray) -> FloatArray:
    """Distance of each point (n, 3) to the nearest facet, mm.

    Quick where most are near: beyond 5 mm it is found for some hundreds of the points, spread
    evenly, and the others come back as 5.
    """
    distance, _ = tree.distance(points, _FAR_MM)
    far = np.flatnonzero(distance >= _FAR_MM)
    far = far[:: max(1, -(-len(far) // _MOST_FAR))]
    distance[far], _ = tree.distance(points[far])
    return distance


def _middle(triangles: FloatArray) -> FloatArray:
    return np.asarray((triangles[:, 0] + triangles[:, 1] + triangles[:, 2]) / 3.0)


def _curve(
    points: FloatArray, low: FloatArray | None = None, high: FloatArray | None = None
) -> IntArray:
    """Place of points (n, 3) along a Morton curve."""
    low = points.min(axis=0) if low is None else low
    high = points.max(axis=0) if high is None else high
    span = np.maximum(high - low, 1e-12)
    grid = np.clip((points - low) / span.max() * 1023.0, 0.0, 1023.0).astype(np.int64)
    key = np.zeros(len(points), dtype=np.int64)
    for axis in range(3):
        bits = grid[:, axis]
        bits = (bits | (bits << 16)) & 0x030000FF
        bits = (bits | (bits << 8)) & 0x0300F00F
        bits = (bits | (bits << 4)) & 0x030C30C3
        bits = (bits | (bits << 2)) & 0x09249249
        key |= bits << axis
    return key


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.einsum("ij,ij->i", a, b)


def distance_to_facets(points: FloatArray, triangles: FloatArray) -> FloatArray:
    """Distance of each point (n, 3) to its own facet (n, 3, 3), mm."""
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    square = np.full(len(points), np.inf)
    for p, q in ((a, b), (b, c), (c, a)):
        run = q - p
        length = _dot(run, run)
        along = np.divide(
            _dot(points - p, run), length, out=np.zeros(len(points)), where=length > 0
        )
        foot = p + np.clip(along, 0.0, 1.0)[:, None] * run
        square = np.minimum(square, _dot(points - foot, points - foot))
    normal = np.cross(b - a, c - a)
    area = _dot(normal, normal)
    inside = area > 0.0
    for p, q in ((a, b), (b, c), (c, a)):
        inside &= _dot(np.cross(q - p, points - p), normal) >= 0.0
    height = _dot(points - a, normal)
    flat = np.divide(height * height, area, out=np.full(len(points), np.inf), where=inside)
    return np.sqrt(np.minimum(square, flat))


def _cone_gap(
    p: FloatArray, tri: FloatArray, slope: float, outward: FloatArray | None, mitre: float
) -> FloatArray:
    """Gap of points under the cones of facets (see in_cone), one facet to each point."""
    gap = np.full(len(p), np.inf)
    for i in range(3):
        start, end = tri[:, i] - p, tri[:, (i + 1) % 3] - p
        run = end - start
        length = np.hypot(run[:, 0], run[:, 1])
        unit = np.divide(
            run[:, :2], length[:, None], out=np.zeros((len(p), 2)), where=length[:, None] > 0.0
        )
        # along the edge the gap is sqrt(w^2 + l^2) - k l - const, least at l = k w / sqrt(1-k^2)
        k = np.divide(run[:, 2] * slope, length, out=np.full(len(p), 2.0), where=length > 0.0)
        aside = np.abs(start[:, 0] * unit[:, 1] - start[:, 1] * unit[:, 0])
        begin = _dot(start[:, :2], unit)
        steep = np.abs(k) >= 1.0
        best = np.where(
            steep, np.copysign(np.inf, k), k * aside / np.sqrt(np.where(steep, 1.0, 1.0 - k * k))
        )
        share = np.divide(
            best - begin, length, out=np.where(run[:, 2] > 0, 1.0, 0.0), where=length > 0.0
        )
        share = np.clip(np.nan_to_num(share, posinf=1.0, neginf=0.0), 0.0, 1.0)
        for s in (start, start + share[:, None] * run):
            plan = np.hypot(s[:, 0], s[:, 1])
            if outward is None:
                value = plan - s[:, 2] * slope
            else:
                value = np.maximum(
                    -_dot(s[:, :2], outward) - s[:, 2] * slope,
                    plan - s[:, 2] * slope * mitre,
                )
            gap = np.minimum(gap, value)
    return gap
