"""What the draft engine filled, named exactly: the difference of two solids, taken apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from patternprep.mesh.faces.depth import ray_hits
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.mesh.topology import components
from patternprep.pattern.parting.candidate import Undercut, UndercutKind
from patternprep.pattern.parting.rooms import advice_for
from patternprep.pattern.parting.shared import difference

__all__ = ["undercuts_of", "undercuts_of_pairs"]

THINNEST_MM = 0.02
"""A region thinner than that on average (twice volume over area) is a film left by re-meshing."""
_OPEN_MM = 0.01
"""A region that comes this close to z = 0 is open on the parting; the half is cut there."""
_MOUTH_POINTS = 48
_SKEW = np.array([0.3590713, 0.2411137, 0.9016239])
"""A direction along no edge or face of a part."""


@dataclass(frozen=True)
class _Region:
    """A filled region in the halves' own frame: mm3, centre (3,), mouth triangles (k, 3, 2)."""

    kind: UndercutKind
    touches: bool
    volume: float
    centre: FloatArray
    within: bool
    """The centre lies in the region itself; otherwise it stands for a point in it."""
    mouth: FloatArray


def undercuts_of(
    filled: Solid, half: Solid, frame_inverse: FloatArray, min_volume_mm3: float
) -> tuple[Undercut, ...]:
    """Separate regions that ``filled`` has and ``half`` has not, the largest first.

    Both solids lie on the same side of their parting z = 0, above or below, and ``half`` within
    ``filled`` (the draft hull at 0 degrees). ``frame_inverse`` (4, 4) leads from there to part
    axes; place and volume are given in part axes, mm, mm3. Regions below ``min_volume_mm3`` (at
    part size) and films thinner than THINNEST_MM are left out.
    """
    return undercuts_of_pairs([(filled, half)], frame_inverse, min_volume_mm3)


def undercuts_of_pairs(
    pairs: Sequence[tuple[Solid, Solid]], frame_inverse: FloatArray, min_volume_mm3: float
) -> tuple[Undercut, ...]:
    """The same for both halves (filled, half) in one frame, one above and one below z = 0.

    Regions of the two whose mouths on the parting lie on each other are one room: a bore that
    the parting cuts is named once.
    """
    inverse = np.asarray(frame_inverse, dtype=np.float64)
    shrink = abs(float(np.linalg.det(inverse[:3, :3])))
    sides = [_regions(filled, half, min_volume_mm3 / shrink) for filled, half in pairs]
    found: list[Undercut] = []
    for r in sorted(_joined(sides), key=lambda r: -r.volume):
        x, y, z = inverse[:3, :3] @ r.centre + inverse[:3, 3]
        advice = advice_for(r.kind, r.touches)
        place = (float(x), float(y), float(z))
        found.append(Undercut(r.kind, place, r.volume * shrink, advice))
    return tuple(found)


def _regions(filled: Solid, half: Solid, least: float) -> list[_Region]:
    """Regions of at least that volume between a half and its filled form."""
    if filled.is_empty or filled.volume - half.volume < least:
        return []
    mirror = np.diag([1.0, 1.0, -1.0, 1.0])
    below = bool(filled.bounds[:, 2].sum() < 0.0)
    if below:
        filled, half = filled.transform(mirror), half.transform(mirror)
    mesh = difference(filled, half)
    if mesh.facets == 0:
        return []
    label = _shells(mesh)
    volume, moment, area = _measures(mesh, label)
    owner = _hosts(mesh, label, volume)
    total = np.bincount(owner, weights=volume, minlength=len(volume))
    centre = np.column_stack(
        [np.bincount(owner, weights=m, minlength=len(volume)) for m in moment.T]
    )
    skin = np.bincount(owner, weights=area, minlength=len(volume))
    real = np.flatnonzero((total >= least) & (2.0 * total > THINNEST_MM * skin))
    walls = _walls(half) if len(real) else np.empty((0, 2, 2))
    found = []
    for k in real:
        mouth = _mouth(mesh, np.flatnonzero(owner[label] == k))
        kind: UndercutKind = "undercut"
        if len(mouth) and _between(_spread(mouth), walls).mean() > 0.5:
            kind = "hollow"
        middle, within = _point_in(mesh.triangles[owner[label] == k], centre[k] / total[k])
        middle = middle * [1.0, 1.0, -1.0 if below else 1.0]
        found.append(_Region(kind, len(mouth) > 0, float(total[k]), middle, within, mouth))
    return found


def _point_in(corners: FloatArray, centre: FloatArray) -> tuple[FloatArray, bool]:
    """The centre of a region whose facets are given, or a point in it where that lies outside.

    That of a ring lies in the air: then the middle of the chord that begins square to the largest
    facet and ends where the region does.
    """
    hits = ray_hits(corners, centre, _SKEW)
    if (hits > 0.0).sum() % 2 == 1:
        return centre, True
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    largest = int(np.argmax(np.round(np.linalg.norm(cross, axis=1), 9)))
    inward = -cross[largest] / np.linalg.norm(cross[largest])
    foot = corners[largest].mean(axis=0)
    hits = ray_hits(np.delete(corners, largest, axis=0), foot, inward)
    hits = hits[hits > 0.0]
    return (foot + 0.5 * float(hits.min()) * inward if len(hits) else foot), False


def _joined(sides: list[list[_Region]]) -> list[_Region]:
    """Regions of different sides whose mouths cover each other made one."""
    joined: list[_Region] = []
    for regions in sides:
        fresh = []
        for r in regions:
            partner = next((j for j in joined if _same_mouth(j.mouth, r.mouth)), None)
            if partner is None:
                fresh.append(r)
                continue
            joined.remove(partner)
            volume = partner.volume + r.volume
            within = partner.within and r.within
            centre = (partner.volume * partner.centre + r.volume * r.centre) / volume
            if not within:
                centre = max(partner, r, key=lambda region: region.volume).centre
            kind: UndercutKind = "hollow" if "hollow" in (partner.kind, r.kind) else "undercut"
            fresh.append(_Region(kind, True, volume, centre, within, partner.mouth))
        joined += fresh
    return joined


def _same_mouth(one: FloatArray, two: FloatArray) -> bool:
    """More than half of the smaller mouth lies within the other."""
    if len(one) == 0 or len(two) == 0:
        return False
    small, large = (one, two) if _plan_area(one).sum() <= _plan_area(two).sum() else (two, one)
    points = _spread(small)[:, None, :]
    inside = np.ones((len(points), len(large)), dtype=bool)
    for k in range(3):
        a, b = large[:, k], large[:, (k + 1) % 3]
        edge, arm = b - a, points - a
        inside &= edge[:, 0] * arm[..., 1] - edge[:, 1] * arm[..., 0] >= -1e-9
    return bool(inside.any(axis=1).mean() > 0.5)


def _shells(mesh: Mesh) -> IntArray:
    """Number of the connected shell of each facet."""
    i = mesh.faces[:, [0, 1]].ravel()
    j = mesh.faces[:, [1, 2]].ravel()
    _, label = components(len(mesh.vertices), i, j)
    _, facet = np.unique(label[mesh.faces[:, 0]], return_inverse=True)
    return np.asarray(facet, dtype=np.int64).ravel()


def _measures(mesh: Mesh, label: IntArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Signed volume mm3, first moment (k, 3) mm4 and area mm2 of each shell."""
    middle = mesh.bounds.mean(axis=0)
    a, b, c = (mesh.vertices[mesh.faces[:, k]] - middle for k in range(3))
    tet = np.einsum("ij,ij->i", a, np.cross(b, c)) / 6.0
    count = int(label.max()) + 1
    volume = np.bincount(label, weights=tet, minlength=count)
    arm = tet[:, None] * (a + b + c) / 4.0
    moment = np.column_stack([np.bincount(label, weights=m, minlength=count) for m in arm.T])
    area = np.bincount(label, weights=mesh.areas, minlength=count)
    place = moment + volume[:, None] * middle
    return np.asarray(volume, dtype=np.float64), place, np.asarray(area, dtype=np.float64)


def _hosts(mesh: Mesh, label: IntArray, volume: FloatArray) -> IntArray:
    """The shell that each shell counts to: an island of metal to the region around it."""
    owner: IntArray = np.arange(len(volume))
    inner = np.flatnonzero(volume < 0.0)
    if len(inner) == 0:
        return owner
    low = np.full((len(volume), 3), np.inf)
    high = np.full((len(volume), 3), -np.inf)
    for k in range(3):
        np.minimum.at(low, label, mesh.vertices[mesh.faces[:, k]])
        np.maximum.at(high, label, mesh.vertices[mesh.faces[:, k]])
    for k in inner.tolist():
        around = (volume > 0.0) & (low <= low[k]).all(axis=1) & (high >= high[k]).all(axis=1)
        hosts = np.flatnonzero(around)
        if len(hosts):
            owner[k] = hosts[np.argmin(volume[hosts])]
    return owner


def _walls(half: Solid) -> FloatArray:
    """Outline segments (k, 2, 2) of the half just above its parting."""
    rings = half.section(_OPEN_MM)
    parts = [np.stack([ring, np.roll(ring, -1, axis=0)], axis=1) for ring in rings]
    return np.concatenate(parts) if parts else np.empty((0, 2, 2))


def _mouth(mesh: Mesh, own: IntArray) -> FloatArray:
    """Plan triangles (k, 3, 2), anticlockwise, where the region's facets lie on z = 0."""
    corners = mesh.vertices[mesh.faces[own]]
    flat = (corners[:, :, 2] < _OPEN_MM).all(axis=1) & (mesh.cross[own, 2] < 0.0)
    return np.asarray(corners[flat][:, ::-1, :2], dtype=np.float64)


def _plan_area(triangles: FloatArray) -> FloatArray:
    """Areas of plan triangles (k, 3, 2)."""
    a, b = triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]
    return np.asarray(0.5 * np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]), dtype=np.float64)


def _spread(triangles: FloatArray) -> FloatArray:
    """Points (_MOUTH_POINTS, 2) spread evenly over plan triangles."""
    heap = np.cumsum(_plan_area(triangles))
    order = np.arange(_MOUTH_POINTS) + 0.5
    pick = np.searchsorted(heap, order * (heap[-1] / _MOUTH_POINTS))
    pick = np.minimum(pick, len(triangles) - 1)
    s, t = (order * 0.7548776662466927) % 1.0, (order * 0.5698402909980532) % 1.0
    over = s + t > 1.0
    s[over], t[over] = 1.0 - s[over], 1.0 - t[over]
    a, b, c = (triangles[pick, k] for k in range(3))
    return np.asarray(a + s[:, None] * (b - a) + t[:, None] * (c - a), dtype=np.float64)


def _between(points: FloatArray, walls: FloatArray) -> FloatArray:
    """1.0 for points with a wall ahead and a wall behind along some of eight directions."""
    found = np.zeros(len(points))
    for angle in (np.arange(8) + 0.05) * (np.pi / 8.0):
        d = np.array([np.cos(angle), np.sin(angle)])
        n = np.array([-d[1], d[0]])
        side = walls @ n  # (k, 2)
        run = walls @ d
        level = (points @ n)[:, None]
        cross = (side[:, 0] > level) != (side[:, 1] > level)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = (level - side[:, 0]) / (side[:, 1] - side[:, 0])
            at = run[:, 0] + share * (run[:, 1] - run[:, 0]) - (points @ d)[:, None]
        ahead = (cross & (at > 0.0)).any(axis=1)
        behind = (cross & (at < 0.0)).any(axis=1)
        found[ahead & behind] = 1.0
    return found
