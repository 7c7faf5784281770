"""Shapes that a patternmaker would name, made with the solid kernel: rounded sections, plates
and bosses with rounds and fillets, swept bars, and the writing of a part as binary STL."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import shapely
from trimesh.creation import triangulate_polygon

from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import Mesh

FloatArray = npt.NDArray[np.float64]
STEP_DEG = 18.0
"""Largest turn between two facets of a round or fillet."""

STL_FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])


def rounded(
    corners: Sequence[tuple[float, float, float]], step_deg: float = STEP_DEG
) -> FloatArray:
    """Closed ring from corners (x, y, radius), each replaced by its tangent arc."""
    count = len(corners)
    ring: list[FloatArray] = []
    taken = np.zeros(count)
    for i, (x, y, radius) in enumerate(corners):
        here = np.array([x, y])
        back = np.array(corners[i - 1][:2]) - here
        ahead = np.array(corners[(i + 1) % count][:2]) - here
        if radius == 0.0:
            ring.append(here[None])
            continue
        back, ahead = back / np.linalg.norm(back), ahead / np.linalg.norm(ahead)
        half = 0.5 * math.acos(float(np.clip(back @ ahead, -1.0, 1.0)))
        middle = (back + ahead) / np.linalg.norm(back + ahead)
        centre = here + middle * radius / math.sin(half)
        first = here + back * radius / math.tan(half) - centre
        taken[i] = radius / math.tan(half)
        turn = math.pi - 2.0 * half
        if back[0] * ahead[1] - back[1] * ahead[0] > 0.0:
            turn = -turn
        steps = max(2, math.ceil(abs(math.degrees(turn)) / step_deg))
        angles = np.linspace(0.0, turn, steps + 1)
        cos, sin = np.cos(angles), np.sin(angles)
        ring.append(
            centre
            + np.column_stack([first[0] * cos - first[1] * sin, first[0] * sin + first[1] * cos])
        )
    points = np.array([corner[:2] for corner in corners])
    room = np.linalg.norm(points - np.roll(points, -1, axis=0), axis=1)
    if np.any(taken + np.roll(taken, -1) > room + 1e-9):
        raise ValueError("two rounds of the section take the same stretch of a side")
    return np.concatenate(ring)


def circle(radius: float, segments: int) -> FloatArray:
    """Ring of a circle about the origin, anticlockwise, vertices on the circle."""
    angle = 2.0 * math.pi * np.arange(segments) / segments
    return radius * np.column_stack([np.cos(angle), np.sin(angle)])


def obround(radius: float, travel: float, segments: int) -> FloatArray:
    """Ring of a slot with round ends, its ends' centres at x = +-travel / 2."""
    half = np.linspace(-0.5 * math.pi, 0.5 * math.pi, segments // 2 + 1)
    end = radius * np.column_stack([np.cos(half), np.sin(half)])
    shift = np.array([0.5 * travel, 0.0])
    return np.concatenate([end + shift, -end - shift])


def outline(shape: shapely.Polygon, convex: float, concave: float) -> FloatArray:
    """Outer ring of a plan whose corners are rounded, in facets of a few degrees."""
    quarter = 48
    shape = shape.buffer(concave, quarter).buffer(-concave - convex, quarter)
    shape = shape.buffer(convex, quarter).simplify(0.03)
    ring = np.asarray(shapely.geometry.polygon.orient(shape).exterior.coords)[:-1]
    return np.ascontiguousarray(ring, dtype=np.float64)


def offset_ring(ring: FloatArray, distance: float) -> FloatArray:
    """Anticlockwise ring with every side moved outward by the distance (mitred)."""
    side = np.roll(ring, -1, axis=0) - ring
    side = side / np.linalg.norm(side, axis=1, keepdims=True)
    normal = np.column_stack([side[:, 1], -side[:, 0]])
    before = np.roll(normal, 1, axis=0)
    scale = 1.0 + np.einsum("ij,ij->i", before, normal)
    return ring + distance * (before + normal) / scale[:, None]


def loft(rings: Sequence[FloatArray], caps: Sequence[FloatArray] | None = None) -> Solid:
    """Solid through rings (k, 3) of equal length, anticlockwise seen from the last ring.

    The ends are closed by ``caps``, facets (m, 3) of one ring seen from the last, or by fans.
    """
    size = len(rings[0])
    fan = np.column_stack(
        [np.zeros(size - 2, dtype=np.int64), np.arange(1, size - 1), np.arange(2, size)]
    )
    cap = fan if caps is None else np.asarray(caps, dtype=np.int64)
    low = np.arange(size)
    high = np.roll(low, -1)
    faces = [cap[:, ::-1], cap + size * (len(rings) - 1)]
    for level in range(len(rings) - 1):
        a, b = low + size * level, high + size * level
        faces += [np.column_stack([a, b, b + size]), np.column_stack([a, b + size, a + size])]
    return Solid.from_mesh(Mesh(np.concatenate(rings), np.concatenate(faces)))


def drum(ring: FloatArray, profile: FloatArray) -> Solid:
    """Plan ring stacked along z under a profile of (outward offset, z), z never falling."""
    _, caps = triangulate_polygon(shapely.Polygon(ring), engine="manifold")
    levels = [
        np.column_stack([offset_ring(ring, offset), np.full(len(ring), z)]) for offset, z in profile
    ]
    return loft(levels, np.asarray(caps, dtype=np.int64))


def boss_profile(
    foot: float, top: float, fillet: float, edge: float, draft_deg: float = 0.0
) -> FloatArray:
    """Profile for ``drum``: a fillet that dips just under the plate at ``foot``, a wall, a
    rounded edge at ``top``. The wall leans inward by ``draft_deg``."""
    dip = 0.02 * fillet
    inward = math.tan(math.radians(draft_deg))
    corners = [
        (fillet + 1.0, foot - 4.0, 0.0),
        (fillet + 1.0, foot - dip, 0.0),
        (0.0, foot - dip, fillet),
        (-inward * (top - foot), top, edge),
        (-inward * (top - foot) - edge - 1.0, top, 0.0),
    ]
    return rounded(corners)[:-1]


def drum_of(radius: float, profile: FloatArray, segments: int) -> Solid:
    """Round boss of a radius about the z axis under a profile for ``drum``."""
    ring = [(radius + offset, z) for offset, z in profile]
    return Solid.revolve(np.array([*ring, (0.0, profile[-1, 1]), (0.0, profile[0, 1])]), segments)


def sweep(
    path: Callable[[FloatArray], FloatArray],
    section: Callable[[float], FloatArray],
    stations: FloatArray,
) -> Solid:
    """Bar along a plan path (s -> (n, 2)); its section ring (across, up) may change with s."""
    here = path(stations)
    step = 1e-4
    along = path(stations + step) - path(stations - step)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    rings = []
    for point, way, s in zip(here, along, stations, strict=True):
        across, up = section(float(s)).T
        left = np.array([-way[1], way[0]])
        rings.append(np.column_stack([point - across[:, None] * left, up]))
    return loft([r[::-1] for r in rings])


def rotation(axis: str, degrees: float) -> FloatArray:
    """4 x 4 turn about x, y or z, exact for whole quarter turns."""
    cos, sin = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    if degrees % 90.0 == 0.0:
        cos, sin = round(cos), round(sin)
    i, j = {"x": (1, 2), "y": (2, 0), "z": (0, 1)}[axis]
    matrix = np.eye(4)
    matrix[i, i] = matrix[j, j] = cos
    matrix[i, j], matrix[j, i] = -sin, sin
    return matrix


def around(solid: Solid, count: int, first_deg: float = 0.0) -> Solid:
    """Copies of a solid at equal angles about z, united."""
    total = Solid.empty()
    for k in range(count):
        total = total + solid.transform(rotation("z", first_deg + 360.0 * k / count))
    return total


def stl_bytes(solid: Solid, header: str) -> bytes:
    """Binary STL with facets in a fixed order, so that the same solid gives the same bytes."""
    mesh = solid.to_mesh()
    corners = (mesh.triangles + 0.0).astype("<f4")
    flat = corners[np.any(corners != corners[:, :1], axis=(1, 2))]
    keys = flat.reshape(-1, 3, 3)
    first = np.lexsort(tuple(keys[..., k] for k in (2, 1, 0)), axis=1)[:, 0]
    turned = np.take_along_axis(keys, ((first[:, None] + np.arange(3)) % 3)[..., None], axis=1)
    turned = turned[np.lexsort(turned.reshape(-1, 9).T[::-1])]
    facets = np.zeros(len(turned), dtype=STL_FACET)
    facets["corners"] = turned
    a, b, c = (turned[:, i].astype(np.float64) for i in range(3))
    cross = np.cross(b - a, c - a)
    length = np.linalg.norm(cross, axis=1, keepdims=True)
    facets["normal"] = np.divide(cross, length, out=np.zeros_like(cross), where=length > 0.0)
    return header.encode("ascii").ljust(80) + np.uint32(len(facets)).tobytes() + facets.tobytes()


def write_stl(path: Path, solid: Solid) -> None:
    """Write a part as binary STL, mm."""
    path.write_bytes(stl_bytes(solid, f"Quarrenby Mill workshop: {path.stem}, mm"))
