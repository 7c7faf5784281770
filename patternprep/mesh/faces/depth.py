"""Is a bore through or blind?"""

from __future__ import annotations

import numpy as np

from patternprep.mesh.faces.model import Face
from patternprep.mesh.faces.topology import Edges
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh

__all__ = ["facet_boxes", "first_hit", "open_at_both_ends", "ray_hits"]


def first_hit(mesh: Mesh, origin: FloatArray, way: FloatArray, reach: float) -> float:
    """Distance along a ray of limited reach to the nearest facet, inf where there is none."""
    ends = np.stack([origin, origin + way * reach])
    low, high = ends.min(axis=0) - 1e-9, ends.max(axis=0) + 1e-9
    lowest, highest = facet_boxes(mesh)
    near = np.flatnonzero(((lowest <= high) & (highest >= low)).all(axis=1))
    if not len(near):
        return float(np.inf)
    hits = ray_hits(mesh.triangles[near], origin, way)
    hits = hits[(hits > 0.0) & (hits <= reach)]
    return float(hits.min()) if len(hits) else float(np.inf)


def ray_hits(corners: FloatArray, origin: FloatArray, way: FloatArray) -> FloatArray:
    """Signed distances (k,) along a line at which it crosses triangles (m, 3, 3)."""
    a = corners[:, 0]
    ab, ac = corners[:, 1] - a, corners[:, 2] - a
    cross = np.cross(way, ac)
    volume = np.einsum("ij,ij->i", ab, cross)
    sizes = np.einsum("ij,ij->i", ab, ab) * np.einsum("ij,ij->i", ac, ac)
    able = np.abs(volume) > 1e-12 * np.sqrt(sizes)
    ab, ac, cross, volume = ab[able], ac[able], cross[able], volume[able]
    start = origin - a[able]
    side = np.cross(start, ab)
    u = np.einsum("ij,ij->i", start, cross) / volume
    v = side @ way / volume
    slack = 1e-9
    hit = (u >= -slack) & (v >= -slack) & (u + v <= 1.0 + slack)
    return np.asarray((np.einsum("ij,ij->i", ac, side) / volume)[hit])


def facet_boxes(mesh: Mesh) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest corner of each facet, (m, 3) each; kept with the mesh."""
    kept = mesh.__dict__.get("_facet_boxes")
    if kept is None:
        a, b, c = (mesh.triangles[:, corner] for corner in range(3))
        kept = np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)
        mesh.__dict__["_facet_boxes"] = kept
    return kept


def open_at_both_ends(mesh: Mesh, edges: Edges, face: Face, rim: IntArray, noise: float) -> bool:
    """Through (True) or blind.

    At each end the facets across the rim turn either away from the axis (an open mouth) or
    towards it (a bottom, or a step to a narrower hole); there a ray along the axis decides,
    limited to one radius beyond the end so that it does not meet some other wall.
    """
    surface = face.surface
    if surface is None or face.axis_point is None or face.axis is None:
        return False
    length = face.length_mm or 0.0
    centre, axis = np.array(face.axis_point), np.array(face.axis)
    mine = np.zeros(mesh.facets, dtype=bool)
    mine[face.facets] = True
    pair = edges.facets[rim]
    outer_column = np.where(mine[pair[:, 0]], 1, 0)
    across = pair[np.arange(len(rim)), outer_column]
    middle = mesh.vertices[edges.ends[rim]].mean(axis=1)
    height = (middle - centre) @ axis
    _, _, radial = surface.split(middle)
    aside = mesh.triangles[across].mean(axis=1) - middle
    inward = np.einsum("ij,ij->i", aside, radial) < -2.0 * noise
    for sign in (1.0, -1.0):
        here = sign * height > 0.25 * length
        weight = edges.length[rim][here]
        if weight.sum() > 0.0 and (weight * inward[here]).sum() < 0.5 * weight.sum():
            continue
        reach = length / 2.0 + 1.05 * surface.radius
        nudge = 1e-4 * surface.radius * np.cross(axis, [0.36, 0.48, 0.8])
        if np.isfinite(first_hit(mesh, centre + nudge, sign * axis, reach)):
            return False
    return True
