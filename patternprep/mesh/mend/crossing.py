"""Walls of one shell that run through each other: cut apart and united.

A single shell can enclose the same space twice, as a bar bent through itself does. The place is
boxed, the material inside the box falls into separate bodies, and those are united with the rest.
Where walls that lie on each other leave slits too narrow for a file's coordinates, these are
filled. The result is believed only if lines through it meet the same material as through the
original, and if it stays sound in 32-bit coordinates.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from patternprep.errors import KernelFault, MeshFault
from patternprep.mesh.kept import lost_edge
from patternprep.mesh.kernel import Solid, union_all
from patternprep.mesh.mend.close import Work
from patternprep.mesh.mend.lines import LineCount, count_all_ways, count_along_lines
from patternprep.mesh.mend.shells import find_shells
from patternprep.mesh.mend.slits import slit_fillers
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.mesh.settle import settle_report
from patternprep.mesh.topology import mesh_of_facets

__all__ = ["United", "unite_crossing_walls"]

_DEEPEST = 24
_MOST_PIECES = 400
_PAD = 0.02
_AGREE = 1e-5
_REACH_SHARE, _REACH_ROUNDINGS, _REACH_MOST = 3e-6, 64, 1e-5
"""Slits up to this share of the diagonal, or so many 32-bit roundings, are filled; none where that
would be more than the last share."""
_PLAINER_SHARE, _PLAINER_MOVES = 0.001, 3.0
"""Of what is filled: up to where facets are spared, and how far edges may move by it."""
_SAME_VOLUME = 1e-9


@dataclass(frozen=True)
class United:
    """A mesh whose walls cross no longer, sound in 32-bit coordinates or fit to be made so.

    ``moved_mm`` bounds how far the surface moved beside what was enclosed twice; ``slits`` counts
    the bodies that closed slits, the largest at ``slits_at``, and ``filled_mm3`` what they added.
    """

    mesh: Mesh
    moved_mm: float = 0.0
    slits: int = 0
    filled_mm3: float = 0.0
    slits_at: tuple[float, float, float] | None = None


def unite_crossing_walls(mesh: Mesh, before: list[LineCount], allowed_mm3: float) -> United | None:
    """The same material enclosed once; None where no such solid is found.

    ``before`` are the line counts of the mesh; up to ``allowed_mm3`` may stay enclosed twice.
    """
    try:
        pieces = _pieces(Solid.from_mesh(mesh), allowed_mm3)
        if pieces is None:
            return None
        for united in _ways(mesh, pieces, before):
            if _believed(mesh, united, before, allowed_mm3):
                return united
    except KernelFault:
        return None
    return None


def _ways(mesh: Mesh, pieces: list[Solid], before: list[LineCount]) -> Iterator[United]:
    """The plain union; then, where that holds slits, the union with these filled."""
    reach = _reach(mesh)
    plain = _without_crumbs(union_all(pieces).to_mesh(), reach)
    yield United(plain)
    region = _bounds_of(before)
    if region is None or reach > _REACH_MOST * float(np.linalg.norm(mesh.size)):
        return
    fillers = slit_fillers(mesh, region, reach)
    whole = _without_crumbs(union_all([*pieces, *fillers]).to_mesh(), reach)
    plainer = Solid.from_mesh(whole).simplify(_PLAINER_SHARE * reach).to_mesh()
    moves = _PLAINER_MOVES * reach
    if lost_edge(whole, plainer, moves) is not None:
        plainer, moves = whole, 0.0
    try:
        settled = settle_report(plainer)
    except MeshFault:
        return
    slits = [body for filler in fillers for body in filler.bodies()]
    result = _without_crumbs(settled.mesh, reach)
    moved = (reach if slits else 0.0) + moves + settled.moved_mm
    at = None
    if slits:
        x, y, z = max(slits, key=lambda s: s.volume).bounds.mean(axis=0)
        at = (float(x), float(y), float(z))
    yield United(result, moved, len(slits), result.volume - plain.volume, at)


def _reach(mesh: Mesh) -> float:
    """Width of the slits that are filled, and of the crumbs that are left out, mm."""
    rounding = float(np.spacing(np.float32(np.abs(mesh.bounds).max())))
    return max(_REACH_SHARE * float(np.linalg.norm(mesh.size)), _REACH_ROUNDINGS * rounding)


def _crumbs(mesh: Mesh, thick_mm: float) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Facets of bodies and hollows that are thinner than that, (m,)."""
    shells = find_shells(Work(mesh.vertices, mesh.faces, float(np.linalg.norm(mesh.size))))
    area = np.bincount(shells.of_facet, mesh.areas, len(shells))
    return np.asarray((np.abs(shells.volume) <= thick_mm * area)[shells.of_facet])


def _without_crumbs(mesh: Mesh, thick_mm: float) -> Mesh:
    gone = _crumbs(mesh, thick_mm)
    return mesh_of_facets(mesh.vertices, mesh.faces[~gone]) if gone.any() else mesh


def _bounds_of(counts: list[LineCount]) -> FloatArray | None:
    regions = [c.region for c in counts if c.region is not None]
    if not regions:
        return None
    return np.array(
        [np.min([r[0] for r in regions], axis=0), np.max([r[1] for r in regions], axis=0)]
    )


def _believed(mesh: Mesh, united: United, before: list[LineCount], allowed_mm3: float) -> bool:
    """Whether it is the same material, enclosed once, and stays so in a file."""
    result = united.mesh
    room = 1e-9 + united.moved_mm
    if result.facets == 0 or not np.allclose(result.bounds, mesh.bounds, rtol=0.0, atol=room):
        return False
    for axis, count in enumerate(before):
        after = count_along_lines(result, axis)
        if after.faulty_mm3 > allowed_mm3:
            return False
        if abs(after.volume_mm3 - count.volume_mm3) > _AGREE * count.volume_mm3:
            return False
    try:
        written = settle_report(result).mesh
    except MeshFault:
        return False
    if _crumbs(written, _reach(mesh)).any():
        return False
    return abs(Solid.from_mesh(written).volume - written.volume) <= _SAME_VOLUME * written.volume


def _pieces(solid: Solid, allowed_mm3: float) -> list[Solid] | None:
    """Bodies without crossing walls whose union is the material of the solid."""
    clean: list[Solid] = []
    waiting = [(solid, 0)]
    while waiting:
        whole, depth = waiting.pop()
        for body in whole.bodies():
            if body.volume <= 0.0 or len(clean) + len(waiting) > _MOST_PIECES:
                return None  # a hollow, or no end in sight
            mesh = body.to_mesh()
            counts = count_all_ways(mesh)
            if max(c.faulty_mm3 for c in counts) <= 0.1 * allowed_mm3:
                clean.append(body)
                continue
            if depth == _DEEPEST:
                return None
            box = _bounds_of(counts)
            if box is None:
                return None
            waiting += [(part, depth + 1) for part in _cut(body, mesh, box, depth % 2 == 1)]
    return clean


def _cut(body: Solid, mesh: Mesh, region: FloatArray, halve: bool) -> tuple[Solid, Solid]:
    """Two parts side by side: in and about the region, or at its middle where it is everything.

    They meet exactly. Parts that overlap would share walls, crossing by rounding all over them.
    Where crossing walls hang together at their end, only halving parts them bit by bit.
    """
    low, high = mesh.bounds
    size = high - low
    pad = _PAD * size + 0.05 * (region[1] - region[0])
    inner = np.array([region[0] - pad, region[1] + pad])
    if halve or ((inner[0] <= low + 0.05 * size) & (inner[1] >= high - 0.05 * size)).all():
        axis = int(np.argmax(region[1] - region[0]))
        middle = 0.5 * float(region[0, axis] + region[1, axis])
        return body.split_by_plane([float(c) for c in np.eye(3)[axis]], middle)
    return body.split(Solid.box(inner[0].tolist(), inner[1].tolist()))
