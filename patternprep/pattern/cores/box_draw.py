"""The largest part of a core that a box can let go: box draft is taken out of the core.

In the box frame (parting z = 0) a half core leaves its half of the box when it is a height field
over the parting whose walls lean inward. The largest such body inside the half is what its own
complement leaves free once that is drafted: complement turned upside down, draft hull, turned back.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from patternprep.errors import GeometryFault
from patternprep.mesh.kernel import Solid, hull_of_points, union_all
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.mesh.topology import edge_table, mesh_of_facets, twins
from patternprep.pattern.draft import Corner, draft_half
from patternprep.progress import Progress, silent
from patternprep.units import format_point

__all__ = [
    "MIRROR",
    "Halves",
    "carried_on",
    "drawable_half",
    "in_one_body",
    "settled_on_grid",
    "split_core",
]

MIRROR = np.diag([1.0, 1.0, -1.0, 1.0])
"""Turns a half under the parting into one over it."""

GRID_MM = 2.0**-30
"""Coordinates are put on this grid, so that turning upside down and back is exact."""

ON_PARTING_MM = 1e-6
"""Corners nearer to the parting than this are put onto it."""

_ROOM_MM = 4.0
_SIDE_LEAN_DEG = 15.0
_BEYOND_MM = 16.0
_CRUMB_MM3 = 1e-3
_BASE_MM = 3e-3


@dataclass(frozen=True, eq=False)
class Halves:
    """A core in the box frame and its two halves, each turned to stand on z = 0."""

    whole: Solid = field(repr=False)
    upper: Solid = field(repr=False)
    lower: Solid = field(repr=False)
    """Mirrored through the parting; empty where the core lies on one side of it."""


def settled_on_grid(core: Solid, matrix: FloatArray) -> Solid:
    """The core under a 4 x 4 matrix, corners on a fine grid and, if all but there, on z = 0."""
    moved = core.to_mesh().transformed(matrix)
    points = np.round(moved.vertices / GRID_MM) * GRID_MM
    points[np.abs(points[:, 2]) < ON_PARTING_MM, 2] = 0.0
    return Solid.from_mesh(Mesh(points, moved.faces), "laying a core into its box")


def in_one_body(core: Solid) -> Solid:
    """The core with bodies that touch face to face within rounding joined into one.

    Raises GeometryFault where they stay apart.
    """
    bodies = core.bodies()
    if len(bodies) == 1:
        return core
    joined = union_all([settled_on_grid(b, np.eye(4)) for b in bodies])
    apart = joined.bodies()
    if len(apart) > 1:
        place = min(apart, key=lambda b: b.volume).bounds.mean(axis=0).tolist()
        raise GeometryFault(
            f"The core is in {len(apart)} bodies that do not hang together, one of them at "
            f"{format_point(place)} in the mould; make separate cores of them.",
            where=place,
        )
    return joined


def carried_on(core: Solid) -> Solid:
    """A core in the box frame whose flat end at +x is carried on straight, by new walls.

    No union is made: walls that lie in one plane stay exactly so.
    """
    mesh = core.to_mesh()
    points = np.array(mesh.vertices)
    far = float(points[:, 0].max())
    at_end = points[:, 0] > far - ON_PARTING_MM
    points[at_end, 0] = far
    cap = np.asarray(at_end[mesh.faces].all(axis=1))
    moved = np.cumsum(at_end) - 1 + len(points)
    tail, head = mesh.faces.reshape(-1), mesh.faces[:, [1, 2, 0]].reshape(-1)
    across = twins(edge_table(mesh.faces))
    rim = np.flatnonzero(np.repeat(cap, 3) & ~cap[across // 3])
    a, b = tail[rim], head[rim]
    new = points[at_end] + (_BEYOND_MM, 0.0, 0.0)
    faces = np.concatenate(
        [
            mesh.faces[~cap],
            moved[mesh.faces[cap]],
            np.column_stack([a, b, moved[b]]),
            np.column_stack([a, moved[b], moved[a]]),
        ]
    )
    return Solid.from_mesh(
        mesh_of_facets(np.concatenate([points, new]), faces), "carrying a core on beyond its end"
    )


def split_core(core: Solid) -> Halves:
    """A core in the box frame cut along the parting."""
    low, high = core.bounds[:, 2]
    if low >= 0.0:
        return Halves(core, core, Solid.empty())
    if high <= 0.0:
        return Halves(core, Solid.empty(), core.transform(MIRROR))
    upper, lower = core.split_by_plane()
    return Halves(core, upper, lower.transform(MIRROR))


def drawable_half(
    half: Solid,
    draft_deg: float,
    *,
    open_half: Solid | None = None,
    corner: Corner = "round",
    progress: Progress = silent,
) -> Solid:
    """The largest body inside a half core (z >= 0) that leaves its box along -z.

    ``open_half`` is the half carried on through the wall of the box, where it needs no draft; what
    of it lies beyond the half is cut off again. Raises GeometryFault where no way of drafting
    succeeds.
    """
    if half.is_empty:
        return half
    height = math.ceil(float(half.bounds[1, 2]) + _ROOM_MM)
    bounds = half.bounds
    low, high = bounds[0, :2] - _ROOM_MM, bounds[1, :2] + _ROOM_MM
    whole = half if open_half is None else open_half
    foot = height * math.tan(math.radians(_SIDE_LEAN_DEG))
    block = hull_of_points(
        np.array(
            [
                (x, y, z)
                for z, out in ((0.0, 0.0), (float(height), foot))
                for x in (low[0] - out, high[0] + out)
                for y in (low[1] - out, high[1] + out)
            ]
        )
    )
    turn = np.array(MIRROR)
    turn[2, 3] = float(height)
    rest = (block - whole).transform(turn)
    drafted = _top_on_plane(
        draft_half(rest, draft_deg, corner=corner, progress=progress).solid, float(height)
    )
    made = whole - drafted.transform(turn)
    if open_half is not None:
        made = made.trim_by_plane((-1.0, 0.0, 0.0), -float(bounds[1, 0]))
    bodies = made.bodies()
    if len(bodies) > 1:
        made = union_all([b for b in bodies if b.volume > _CRUMB_MM3])
    return made


def _top_on_plane(solid: Solid, height: float) -> Solid:
    """With corners that all but lie at the height set onto it."""
    mesh = solid.to_mesh()
    near = np.abs(mesh.vertices[:, 2] - height) < _BASE_MM
    if (mesh.vertices[near, 2] == height).all():
        return solid
    points = np.array(mesh.vertices)
    points[near, 2] = height
    return Solid.from_mesh(Mesh(points, mesh.faces), "setting the drafted box on its parting")
