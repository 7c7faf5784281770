"""Checks of core boxes that share nothing with the making of them: numpy on plain facets."""

from __future__ import annotations

import numpy as np

from patternprep.mesh.check import check_mesh
from patternprep.mesh.kernel import Solid, union_all
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.mesh.settle import settle
from patternprep.pattern.cores.box import BoxPiece, CoreBox

FIT_MM = 0.01


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
    """The room in the closed box is the core: no overlap, and no gap over a hundredth."""
    pieces = [in_mould(p) for p in box.pieces]
    for piece in pieces:
        assert (piece & box.bare).volume < 1e-3
    first = box.pieces[0]
    frame = [p.transform(first.matrix) for p in pieces]
    assert all((p & q).volume < 1e-6 for p in frame for q in frame if p is not q)
    bounds = np.array([p.bounds for p in frame])
    outer = [bounds[:, 0].min(axis=0), bounds[:, 1].max(axis=0)]
    outer[1][2] = max(outer[1][2], _parting_height(box, first))
    room = Solid.box(outer[0].tolist(), outer[1].tolist()) - union_all(frame)
    core = box.bare.transform(first.matrix)
    cavity = max(room.bodies(), key=lambda b: (b & core).volume)
    for vent in box.vents:
        cavity = cavity - _channel(vent, first.matrix)
    left = cavity - core
    ball = Solid.sphere(FIT_MM, 8)
    assert left.volume < 1e-3 + FIT_MM * 1e-3 * core.area, left.volume
    assert all((b & b.translate((0.0, 0.0, FIT_MM))).volume < 1e-3 for b in left.bodies()), ball


def _channel(vent: object, matrix: FloatArray) -> Solid:
    from patternprep.pattern.frame import rotation_to_z

    turn = np.eye(4)
    turn[:3, :3] = rotation_to_z(vent.direction).T  # type: ignore[attr-defined]
    turn[:3, 3] = vent.place - 5.0 * vent.direction  # type: ignore[attr-defined]
    grown = 0.5 * vent.diameter_mm + 0.02  # type: ignore[attr-defined]
    length = vent.length_mm + 6.0  # type: ignore[attr-defined]
    return Solid.cylinder(length, grown).transform(turn).transform(matrix)


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
    for degrees in (90.0, 180.0, 270.0):
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
