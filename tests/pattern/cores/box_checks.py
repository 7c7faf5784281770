"""Checks of core boxes that share nothing with the making of them: numpy on plain facets."""

from __future__ import annotations

import numpy as np

from patternprep.mesh.check import check_mesh
from patternprep.mesh.kernel import Solid, union_all
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.mesh.settle import settle
from patternprep.pattern.cores.box import BoxPiece, BoxVent, CoreBox
from patternprep.pattern.frame import rotation_to_z

BACK_MM = 5.0
"""How far back into the core a vent's channel is taken off before the room is compared."""


def crossings(mesh: Mesh, points: FloatArray) -> list[FloatArray]:
    """Heights at which the vertical line through each plan point (n, 2) meets the mesh."""
    a, b, c = (mesh.triangles[None, :, i, :2] for i in range(3))
    p = points[:, None]

    def side(u: FloatArray, v: FloatArray) -> FloatArray:
        return (v[..., 0] - u[..., 0]) * (p[..., 1] - u[..., 1]) - (v[..., 1] - u[..., 1]) * (
            p[..., 0] - u[..., 0]
        )

    wc, wa, wb = side(a, b), side(b, c), side(c, a)
    hit = ((wa > 0) & (wb > 0) & (wc > 0)) | ((wa < 0) & (wb < 0) & (wc < 0))
    total = np.where(hit, wa + wb + wc, 1.0)
    z = mesh.triangles[:, :, 2]
    height = (wa * z[:, 0] + wb * z[:, 1] + wc * z[:, 2]) / total
    return [np.sort(h[on]) for h, on in zip(height, hit, strict=True)]


def inside(mesh: Mesh, points: FloatArray) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Which points (n, 3) lie in the solid, by counting what lies over them."""
    above = [
        int((h > z).sum())
        for h, z in zip(crossings(mesh, points[:, :2]), points[:, 2], strict=True)
    ]
    return np.array(above) % 2 == 1


def assert_sound(solid: Solid) -> None:
    """One closed body, also once its coordinates are rounded for the file."""
    report = check_mesh(settle(solid.to_mesh()))
    assert report.fault is None, report
    assert len(solid.bodies()) == 1


def assert_open_upward(piece: BoxPiece) -> None:
    """Every vertical line meets the piece in one run, from its flat up: nothing overhangs."""
    mesh = piece.solid.to_mesh()
    assert mesh.vertices[:, 2].min() == 0.0
    low, high = mesh.bounds[:, :2]
    points = np.random.default_rng(1).uniform(low, high, (400, 2))
    for heights in crossings(mesh, points):
        real = _without_films(heights)
        assert len(real) in (0, 2), real
        if real:
            assert abs(real[0]) < 1e-9


def _without_films(heights: FloatArray) -> list[float]:
    """Heights without pairs of walls that lie within 0.1 micrometres of each other."""
    kept: list[float] = []
    for h in heights.tolist():
        if kept and h - kept[-1] < 1e-4:
            kept.pop()
        else:
            kept.append(h)
    return kept


def assert_core_draws(box: CoreBox, draft_deg: float) -> None:
    """In each piece the core's walls lean away from the box, but for where the box is open."""
    for piece in box.pieces:
        core = box.bare.transform(piece.matrix)
        top = _parting_height(box, piece)
        half = core.trim_by_plane((0.0, 0.0, -1.0), -top)
        mesh = half.to_mesh()
        skip = (np.abs(mesh.triangles[:, :, 2] - top) < 1e-6).all(axis=1)
        for opening in box.openings:
            normal = piece.matrix[:3, :3] @ opening.normal
            point = piece.matrix[:3, :3] @ opening.point + piece.matrix[:3, 3]
            skip |= (np.abs((mesh.triangles - point) @ normal) < 1e-6).all(axis=1)
        lean = np.degrees(np.arcsin(np.clip(-mesh.normals[:, 2], -1.0, 1.0)))
        area = np.where(skip, 0.0, mesh.areas)
        under = area[lean < draft_deg - 0.05].sum()
        assert under <= 5e-4 * area.sum(), (piece.name, under, area.sum())
        assert area[lean < draft_deg - 0.2].sum() <= 0.05


def _parting_height(box: CoreBox, piece: BoxPiece) -> float:
    on_parting = box.pull * box.offset_mm
    return float((piece.matrix[:3, :3] @ on_parting + piece.matrix[:3, 3])[2])


def in_mould(piece: BoxPiece) -> Solid:
    return piece.solid.transform(np.linalg.inv(piece.matrix))


def assert_cavity_is_core(box: CoreBox) -> None:
    """The room in each piece is the core's: no overlap, and no gap of a hundredth or more."""
    for piece in box.pieces:
        core = box.bare.transform(piece.matrix)
        # told by what is cut off: an intersection of walls that all but coincide may show a wedge
        overlap = piece.solid.volume - (piece.solid - core).volume
        assert overlap < 1e-3 + 2e-7 * core.area, overlap
        top = _parting_height(box, piece) - 1e-6
        low, high = piece.solid.bounds
        high[2] = top
        room = Solid.box(low.tolist(), high.tolist()) - piece.solid
        half = core.trim_by_plane((0.0, 0.0, -1.0), -top)
        for vent in box.vents:
            room = room - _channel(vent, piece.matrix)
        cavity = max(room.bodies(), key=lambda b: (b & half).volume)
        left = cavity - half
        assert left.volume < 1e-5 * core.area, left.volume
        assert (half - cavity).volume < sum(_vent_room(v) for v in box.vents) + 1e-5 * core.area


def _vent_room(vent: BoxVent) -> float:
    """What a vent's grown channel takes off the core in the checks, at most."""
    return float(np.pi * (0.5 * vent.diameter_mm + 0.02) ** 2 * BACK_MM)


def _channel(vent: BoxVent, matrix: FloatArray) -> Solid:
    turn = np.eye(4)
    turn[:3, :3] = rotation_to_z(vent.direction).T
    turn[:3, 3] = vent.place - BACK_MM * vent.direction
    length = vent.length_mm + BACK_MM + 1.0
    channel = Solid.cylinder(length, 0.5 * vent.diameter_mm + 0.02)
    return channel.transform(turn).transform(matrix)


def assert_one_way(box: CoreBox, gap_mm: float) -> None:
    """Closed as meant the pegs go in; under every other turn of the block they hit."""
    first, second = box.dowels
    assert abs(first.diameter_mm - second.diameter_mm) > gap_mm
    a, b = (p for p in box.pieces)
    upper = in_mould(a).transform(b.matrix)
    lower = b.solid
    if not first.peg_on:
        lower = union_all([lower, *_loose_pegs(box, b)])
    top = _parting_height(box, b)
    pegs = lower.trim_by_plane((0.0, 0.0, 1.0), top + 1e-6)
    assert (upper & pegs).volume < 1e-9
    assert pegs.volume > 0.0
    middle = 0.5 * (upper.bounds[0] + upper.bounds[1])
    length, width = np.ptp(upper.bounds, axis=0)[:2]
    square = abs(length - width) < 0.1 * width  # else the outlines tell a quarter turn
    for degrees in (90.0, 180.0, 270.0) if square else (180.0,):
        turn = np.eye(4)
        c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
        turn[:2, :2] = [[c, -s], [s, c]]
        turn[:2, 3] = middle[:2] - turn[:2, :2] @ middle[:2]
        for flip in (False, True):
            over = np.eye(4)
            if flip:  # the other face down, on the same seat
                over[:3, :3] = np.diag([1.0, -1.0, -1.0])
                over[:3, 3] = (0.0, 2.0 * middle[1], 2.0 * middle[2])
            assert (upper.transform(turn @ over) & pegs).volume > 1.0
    flipped = np.diag([1.0, -1.0, -1.0, 1.0])
    flipped[:3, 3] = (0.0, 2.0 * middle[1], 2.0 * middle[2])
    assert (upper.transform(flipped) & pegs).volume > 1.0


def _loose_pegs(box: CoreBox, piece: BoxPiece) -> list[Solid]:
    pegs = []
    for one in box.dowels:
        x, y, z = piece.matrix[:3, :3] @ one.place_in_mould + piece.matrix[:3, 3]
        peg = Solid.cylinder(2.0 * one.out_mm, 0.5 * one.diameter_mm, segments=48)
        pegs.append(peg.translate((x, y, z - one.out_mm)))
    return pegs
