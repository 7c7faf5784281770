"""Machining stock: every stocked face is covered by its amount, and flat ones by just that."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from patternprep.mesh.mesh import FloatArray
from patternprep.proof.contain import DEPTH_LIMIT_MM, depths_outside
from patternprep.proof.faces import StockedFace
from patternprep.proof.line import ProofLine, at_most
from patternprep.proof.model import Scene
from patternprep.proof.trimmed import trimmed

__all__ = ["stock_lines", "stock_samples"]

OVER_LIMIT_MM = 0.005
FREE_LIMIT_MM = 0.02
"""On cones, spheres and free-form faces, where facets are chords of a surface not known here."""
_MOST_SAMPLES = 4000
_BASE = 0.05
"""Points nearer than this to a seat's own base stand under its print, mm."""
_INWARD = 0.999
_LEVEL_COSINE = float(np.cos(np.radians(0.5)))


def stock_lines(scene: Scene) -> list[ProofLine]:
    """Lines for all stocked faces together: short of the amount, and over it on flat tops."""
    if not scene.faces:
        return []
    short: dict[bool, tuple[float, FloatArray | None]] = {}
    over, over_at = 0.0, None
    lost = []
    for face in scene.faces:
        if face.known and not len(face.facets):
            lost.append(scene.to_mould(face.point[None])[0])
            continue
        points, ends = stock_samples(scene, face)
        moved = scene.to_mould(ends)
        depths = depths_outside(scene, moved)
        bare = np.flatnonzero(depths > DEPTH_LIMIT_MM)
        depths[bare[trimmed(scene.kit.part, scene.faces, face, points[bare], ends[bare])]] = 0.0
        deepest = int(np.argmax(depths))
        depth, where = float(depths[deepest]), moved[deepest]
        if depth >= short.get(face.known, (0.0, None))[0]:
            short[face.known] = (depth, where)
        much, where = _over(scene, *_in_the_open(scene, face))
        if much > over:
            over, over_at = much, where
    lines = [
        at_most(
            "stocked faces found on the part", len(lost), 0, "faces lost", lost[0] if lost else None
        )
    ]
    names = {True: "stock is there, short by", False: "stock on other faces, short by"}
    limits = {True: DEPTH_LIMIT_MM, False: FREE_LIMIT_MM}
    for known, (depth, where) in sorted(short.items(), reverse=True):
        limit = limits[known] + scene.slack
        lines.append(at_most(names[known], depth, limit, "mm", where))
    lines.append(at_most("stock on flat tops, over by", over, OVER_LIMIT_MM, "mm", over_at))
    return lines


def _in_the_open(scene: Scene, face: StockedFace) -> tuple[FloatArray, FloatArray]:
    """Points like those of ``stock_samples``, in the mould frame, (n, 3): not in closed holes nor
    under core prints, where the pattern rightly stands higher."""
    closed = [hole.facets for hole in scene.closed[0]]
    if not closed:
        points, ends = stock_samples(scene, face)
        return scene.to_mould(points), scene.to_mould(ends)
    kept = np.setdiff1d(face.facets, np.concatenate(closed))
    if not len(kept):
        return np.zeros((0, 3)), np.zeros((0, 3))
    points, ends = stock_samples(scene, replace(face, facets=kept))
    on, moved = scene.to_mould(points), scene.to_mould(ends)
    free = np.ones(len(moved), dtype=bool)
    for core in scene.kit.cores:
        for one in core.prints:
            free &= (moved @ one.seat_planes[:, :3].T + one.seat_planes[:, 3]).max(axis=1) > _BASE
    return on[free], moved[free]


def stock_samples(scene: Scene, face: StockedFace) -> tuple[FloatArray, FloatArray]:
    """Points on a face, and where they end up with its stock, both in part axes, (n, 3)."""
    part = scene.kit.part
    facets = face.facets
    if not len(facets):
        points, normals = face.point[None], face.normal[None]
    else:
        facets = facets[np.argsort(-part.areas[facets], kind="stable")]
        facets = np.concatenate([facets[: _MOST_SAMPLES // 2], facets[:: -(-len(facets) // 2000)]])
        corners = part.triangles[facets]
        middle = corners.mean(axis=1)
        spread = middle[:, None] + _INWARD * (corners - middle[:, None])
        points = np.concatenate([middle, spread.reshape(-1, 3), _more(corners)])
        count = len(points) // len(facets)
        order = [np.arange(len(facets)), np.repeat(np.arange(len(facets)), 3)]
        order += [np.tile(np.arange(len(facets)), count - 4)]
        normals = part.normals[facets][np.concatenate(order)]
    return points, points + face.moves(points, normals)


def _more(corners: FloatArray) -> FloatArray:
    """More points of large facets, set after set, each (facets,)."""
    weights = np.array(
        [
            [0.6, 0.2, 0.2],
            [0.2, 0.6, 0.2],
            [0.2, 0.2, 0.6],
            [0.45, 0.45, 0.1],
            [0.1, 0.45, 0.45],
            [0.45, 0.1, 0.45],
        ]
    )
    return (np.einsum("wc,fcd->wfd", weights, corners)).reshape(-1, 3)


def _over(scene: Scene, on: FloatArray, moved: FloatArray) -> tuple[float, FloatArray | None]:
    """How far the pattern stands over the stock of faces that look straight along the pull."""
    worst, where = 0.0, None
    for half in scene.halves:
        flip = np.array([1.0, 1.0, half.sign])
        rise = (moved - on) * flip
        length = np.linalg.norm(rise, axis=1)
        up = (rise[:, 2] >= _LEVEL_COSINE * length) & (length > 0.0)
        up &= (moved * flip)[:, 2] > scene.rounding
        if not up.any():
            continue
        bare, end = (on * flip)[up], (moved * flip)[up]
        # only where the face sees the sky: nothing of the part above it
        top, _ = scene.part_grid.tops(bare[:, :2], scene.rounding, half.sign)
        crest, facet = half.grid.tops(end[:, :2], scene.rounding)
        level = (facet >= 0) & (top <= bare[:, 2] + 10.0 * scene.rounding)
        level[level] &= half.mesh.normals[facet[level], 2] >= _LEVEL_COSINE
        much = np.where(level, crest - end[:, 2], 0.0)
        most = int(np.argmax(much))
        if much[most] > worst:
            worst, where = float(much[most]), half.place(end[most])
    return worst, where
