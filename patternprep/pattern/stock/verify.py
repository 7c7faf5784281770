"""Checking the moved part: by how much faces moved, and that nothing else did."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from patternprep.mesh.faces import Face, FaceSet
from patternprep.mesh.faces.depth import facet_boxes, ray_hits
from patternprep.mesh.faces.topology import position_noise
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.pattern.stock.corners import Corners, surface_shift

__all__ = ["Measured", "flipped_facets", "measure_along", "neighbour_error"]

BoolArray = npt.NDArray[np.bool_]
Measured = tuple[int, float]
SAMPLES = 7
"""Points of a face from which its movement is measured."""


def flipped_facets(faces: FaceSet, moved: Mesh, touched: IntArray) -> IntArray:
    """Touched facets that turned over or tipped out of their face, by number in the part."""
    mesh = faces.mesh
    noise = position_noise(mesh)
    before, after = mesh.normals[touched], moved.normals[touched]
    cosine = np.einsum("ij,ij->i", before, after)
    corners = moved.triangles[touched]
    longest = np.linalg.norm(corners - corners[:, [1, 2, 0]], axis=2).max(axis=1)
    height = 2.0 * moved.areas[touched] / np.maximum(longest, 1e-300)
    flat = np.array([f.kind == "plane" for f in faces])[faces.face_of_facet[touched]]
    limit = np.where(flat, 1.0 - 1e-4, 0.5)
    old = mesh.triangles[touched]
    old_longest = np.linalg.norm(old - old[:, [1, 2, 0]], axis=2).max(axis=1)
    old_height = 2.0 * mesh.areas[touched] / np.maximum(old_longest, 1e-300)
    sound = (height > 50.0 * noise) & (old_height > 50.0 * noise)
    sure = np.where(sound, limit, -0.5)
    return touched[(cosine < sure) & (height > 4.0 * noise) & (old_height > 4.0 * noise)]


def neighbour_error(
    faces: FaceSet, corners: Corners, amounts: dict[int, float]
) -> dict[int, tuple[float, float]]:
    """For each chosen face: (largest miss of its own offset, of its neighbours' surfaces), mm."""
    mesh = faces.mesh
    result: dict[int, tuple[float, float]] = {}
    miss = np.zeros(len(corners.vertex))
    start = mesh.vertices[corners.vertex]
    for index in np.unique(corners.face):
        face = faces.faces[index]
        if face.surface is None:
            continue
        here = corners.face == index
        before = face.surface.distance(start[here])
        step = surface_shift(face, amounts.get(int(index), 0.0))
        if face.surface.kind in ("cylinder", "sphere", "torus"):
            step = step * (1.0 + before / face.surface.curvature_radius)
        after = face.surface.distance(corners.position[here])
        miss[here] = np.abs(after - before - step)
    for index in amounts:
        own = corners.face == index
        near = np.isin(corners.vertex, corners.vertex[own]) & ~np.isin(corners.face, list(amounts))
        result[index] = (
            float(miss[own].max()) if own.any() else 0.0,
            float(miss[near].max()) if near.any() else 0.0,
        )
    return result


def measure_along(face: Face, part: Mesh, result: Mesh, amount: float) -> Measured:
    """(points measured, largest deviation in mm of the new surface along the old normal).

    From the middles of the face's largest facets and its own point a ray goes out along the
    normal to facets that face alike; where the face was trimmed by its neighbours there are none
    and the point is left out. On a round
    face chords replace the curve: the deviation is counted beyond the chord's depth.
    """
    order = np.argsort(-part.areas[face.facets], kind="stable")
    some = face.facets[order[:: max(len(order) // SAMPLES, 1)][:SAMPLES]]
    points = np.concatenate([[face.point], part.triangles[some].mean(axis=1)])
    normals = np.concatenate([[face.normal], part.normals[some]])
    allowed = np.zeros(len(points))
    if face.surface is not None and face.kind != "plane":
        outward = 1.0 if face.outward else -1.0
        depth = np.abs(face.surface.distance(points))
        normals = outward * face.surface.normal(points)
        if face.kind in ("torus", "sphere"):
            depth = np.full(len(points), depth.max())
        allowed = depth * (1.0 + amount / face.surface.curvature_radius) + depth
    low = points.min(axis=0) - 2.5 * amount
    high = points.max(axis=0) + 2.5 * amount
    lowest, highest = facet_boxes(result)
    near = np.flatnonzero(((lowest <= high) & (highest >= low)).all(axis=1))
    corners, facing = result.triangles[near], result.normals[near]
    like = 1.0 - 1e-6 if face.kind == "plane" else 0.8
    measured, worst = 0, 0.0
    for point, normal, slack in zip(points, normals, allowed, strict=True):
        hits = ray_hits(corners[facing @ normal > like], point, normal)
        hits = hits[(hits > 1e-6) & (hits <= 2.0 * amount)]
        if not len(hits):
            continue
        error = float(np.abs(hits - amount).min()) - slack
        measured += 1
        worst = max(worst, error)
    if measured == 0 and face.kind == "plane" and len(corners):
        return _found_level(corners[facing @ np.array(face.normal) > like], face, amount)
    return measured, worst


def _found_level(corners: FloatArray, face: Face, amount: float) -> Measured:
    """The same where neighbours trimmed all points: facets nearest the moved plane, if any."""
    if not len(corners):
        return 0, 0.0
    heights = (corners - np.array(face.point)) @ np.array(face.normal)
    error = np.abs(heights - amount).max(axis=1)
    close = error < 0.5 * amount
    return int(close.sum()), float(error[close].min()) if close.any() else 0.0
