"""All faces of a mesh: planes, bores, bosses, arcs, cones, spheres, tori and free-form."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from patternprep.mesh.faces.blocks import curved_regions
from patternprep.mesh.faces.describe import described
from patternprep.mesh.faces.model import FaceSet
from patternprep.mesh.faces.regions import WIDTH_RATIO, Finder
from patternprep.mesh.faces.surface import Surface, cross_of
from patternprep.mesh.faces.topology import (
    COPLANAR_DEG,
    Edges,
    coplanar_patches,
    distinct,
    facet_middles,
    mesh_edges,
    planar_labels,
    position_noise,
    sum_by,
)
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.mesh.topology import components

__all__ = ["find_faces", "flatness_limit"]

BoolArray = npt.NDArray[np.bool_]


SOFT_DEG = 20.0
"""Flat patches that no curve holds and that meet at less may be facets of a free-form surface."""
FREE_PATCHES = 8
"""So many of them in a row are."""


def flatness_limit(mesh: Mesh) -> float:
    """How far the vertices of one plane face may leave its mean plane, mm."""
    return 0.002 + 5e-6 * float(np.linalg.norm(mesh.size))


@dataclass(frozen=True, eq=False)
class Draftsman:
    """A face before it has a name: facets, surface (None for free-form) and side."""

    facets: IntArray
    surface: Surface | None
    outward: bool
    residual: float


def find_faces(mesh: Mesh) -> FaceSet:
    """Recognise and name the faces of a closed, oriented mesh; kept with the mesh once found.

    Curved surfaces are recognised from 12 facets a turn on (fewer are taken as what they are:
    planes). Vertices must lie within 0.02 mm of a cylinder, cone, sphere or torus (less on small
    radii), and within 0.002 mm + 5e-6 of the part's diagonal of a plane. A cylinder of which
    less than 60 degrees are missing is a bore (material outside) or a boss (material inside),
    else an arc. The radius is that of the vertices: facets are chords inside of it.
    Names are given by kind, largest first, equal sizes by place; they do not depend on the order
    of facets or vertices in the file.
    """
    kept = mesh.__dict__.get("_face_set")
    if kept is None:
        kept = mesh.__dict__["_face_set"] = _found(mesh)
    return kept


def _found(mesh: Mesh) -> FaceSet:
    if mesh.facets == 0:
        return FaceSet(mesh, (), np.zeros(0, dtype=np.int64))
    noise = position_noise(mesh)
    edges = mesh_edges(mesh)
    patches = coplanar_patches(mesh, edges, noise)
    finder = curved_regions(mesh, edges, patches, noise)
    drafts = _joined(finder)
    owned = finder.owner >= 0
    drafts += _flat_and_free(mesh, edges, patches, finder, owned)
    return described(mesh, edges, drafts, noise)


def _same_cylinder(a: Surface, b: Surface, length: float, limit: float) -> bool:
    """Do two cylinders agree in axis and radius over the length?"""
    if abs(a.radius - b.radius) > limit:
        return False
    offset = b.point - a.point
    aside = offset - (offset @ a.axis) * a.axis
    if float(aside @ aside) > 4.0 * limit * limit:
        return False
    lean = cross_of(a.axis, b.axis)
    return float(np.sqrt(lean @ lean)) * max(length, a.radius) <= 4.0 * limit


def _joined(finder: Finder) -> list[Draftsman]:
    """Regions, with cylinders put together that an edge or slot has split lengthwise."""
    regions = finder.regions
    group = np.arange(len(regions))
    round_ones = [i for i, r in enumerate(regions) if r.surface.kind == "cylinder"]
    corners = finder.mesh.vertices[finder.mesh.faces]
    reach: dict[int, FloatArray] = {
        i: corners[regions[i].facets].reshape(-1, 3) for i in round_ones
    }
    radii = np.array([regions[i].surface.radius for i in round_ones])
    for place, i in enumerate(round_ones):
        a = regions[i].surface
        ends = (reach[i] - a.point) @ a.axis
        low, high = float(ends.min()), float(ends.max())
        limit = 2.0 * finder.limit(a)
        for other in np.flatnonzero(np.abs(radii - a.radius) <= limit):
            j = round_ones[int(other)]
            if other <= place or group[j] == group[i]:
                continue
            if regions[j].outward != regions[i].outward:
                continue
            if not _same_cylinder(a, regions[j].surface, high - low, limit):
                continue
            there = (reach[j] - a.point) @ a.axis
            overlap = min(high, float(there.max())) - max(low, float(there.min()))
            if overlap > 0.1 * min(high - low, float(np.ptp(there))):
                group[group == group[j]] = group[i]
    drafts = []
    for label in np.unique(group):
        members = [regions[i] for i in np.flatnonzero(group == label)]
        largest = max(members, key=lambda r: len(r.facets))
        drafts.append(
            Draftsman(
                np.sort(np.concatenate([m.facets for m in members])),
                largest.surface,
                largest.outward,
                max(m.residual for m in members),
            )
        )
    return drafts


def _flat_and_free(
    mesh: Mesh, edges: Edges, patches: IntArray, finder: Finder, owned: BoolArray
) -> list[Draftsman]:
    """Sort what no curved surface holds into planes and free-form faces."""
    free_edge = ~owned[edges.facets].any(axis=1)
    flat = free_edge & (
        (edges.angle < COPLANAR_DEG) | (patches[edges.facets[:, 0]] == patches[edges.facets[:, 1]])
    )
    labels = components(mesh.facets, *edges.facets[flat].T)[1]
    bad = ~planar_labels(mesh, labels, flatness_limit(mesh))
    if bad.any():
        wrong = bad[labels]
        labels = np.where(wrong, int(labels.max()) + 1 + patches, labels)
        labels = np.unique(labels, return_inverse=True)[1].reshape(-1)
    count = int(labels.max()) + 1
    plane = _plane_labels(edges, labels, count, finder, owned)
    is_plane = plane[labels] & ~owned
    drafts = []
    order = np.argsort(labels, kind="stable")
    starts = np.searchsorted(labels[order], np.arange(count + 1))
    labels, plane, count = _joined_planes(mesh, labels, plane & ~_held(labels, owned, count))
    is_plane = plane[labels] & ~owned
    order = np.argsort(labels, kind="stable")
    starts = np.searchsorted(labels[order], np.arange(count + 1))
    normal = sum_by(labels, mesh.cross, count)
    size = float(mesh.areas.sum())
    scratch = np.zeros(len(mesh.vertices), dtype=np.int64)
    for label in np.flatnonzero(plane):
        facets = order[starts[label] : starts[label + 1]]
        facets = facets[is_plane[facets]]
        if not len(facets):
            continue
        if np.linalg.norm(normal[label]) <= 1e-12 * size:
            is_plane[facets] = False
        else:
            drafts.append(_plane(mesh, np.sort(facets), normal[label], scratch))
    rest = ~owned & ~is_plane
    if rest.any():
        both = rest[edges.facets].all(axis=1) & (edges.angle < 60.0)
        joined = components(mesh.facets, *edges.facets[both].T)[1]
        order = np.argsort(joined, kind="stable")
        order = order[rest[order]]
        cuts = np.flatnonzero(np.diff(joined[order])) + 1
        drafts += [Draftsman(np.sort(f), None, True, 0.0) for f in np.split(order, cuts)]
    return drafts


def _plane_labels(
    edges: Edges, labels: IntArray, count: int, finder: Finder, owned: BoolArray
) -> BoolArray:
    """Which flat patches are faces of their own, and not facets of a free-form surface.

    Patches of like width that run softly into each other, FREE_PATCHES of them or more, are
    facets of a curve that no fit has taken; all others are planes.
    """
    first, second = labels[edges.facets[:, 0]], labels[edges.facets[:, 1]]
    border = first != second
    rim = np.zeros(count)
    for side in (first, second):
        rim += np.bincount(side[border], edges.length[border], count)
    area = sum_by(labels, finder.mesh.areas, count)
    width = 2.0 * area / np.maximum(rim, 1e-300)
    pair = np.sort(np.stack([width[first], width[second]], axis=1), axis=1)
    soft = border & (edges.angle < SOFT_DEG) & ~owned[edges.facets].any(axis=1)
    soft &= pair[:, 1] <= WIDTH_RATIO * pair[:, 0]
    _, group = components(count, first[soft], second[soft])
    held = _held(labels, owned, count)
    members = np.bincount(group[~held], minlength=count)
    return (members[group] < FREE_PATCHES) & (area > 0.0)


def _held(labels: IntArray, owned: BoolArray, count: int) -> BoolArray:
    """Labels whose facets belong to a curved surface."""
    held = np.zeros(count, dtype=bool)
    held[labels[owned]] = True
    return held


def _joined_planes(
    mesh: Mesh, labels: IntArray, plane: BoolArray
) -> tuple[IntArray, BoolArray, int]:
    """(labels, which are planes, their count) with planes joined that needles have split.

    Two patches in one plane that share two vertices or more are one face.
    """
    count = len(plane)
    corner = np.repeat(labels, 3)
    here = plane[corner]
    key = np.unique(mesh.faces.ravel()[here] * np.int64(count) + corner[here])
    vertex, label = key // count, key % count
    pairs = []
    for step in (1, 2):
        same = vertex[step:] == vertex[:-step]
        pairs.append(np.stack([label[:-step][same], label[step:][same]], axis=1))
    pair, times = np.unique(np.concatenate(pairs), axis=0, return_counts=True)
    pair = pair[times >= 2]
    normal = sum_by(labels, mesh.cross, count)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-300)
    weight = np.maximum(sum_by(labels, mesh.areas, count), 1e-300)
    middle = sum_by(labels, facet_middles(mesh) * mesh.areas[:, None], count)
    middle /= weight[:, None]
    a, b = pair[:, 0], pair[:, 1]
    apart = middle[b] - middle[a]
    limit = flatness_limit(mesh)
    alike = np.einsum("ij,ij->i", normal[a], normal[b]) > np.cos(np.radians(COPLANAR_DEG))
    alike &= np.abs(np.einsum("ij,ij->i", normal[a], apart)) < limit
    alike &= np.abs(np.einsum("ij,ij->i", normal[b], apart)) < limit
    if not alike.any():
        return labels, plane, count
    _, group = components(count, a[alike], b[alike])
    joined = np.zeros(int(group.max()) + 1, dtype=bool)
    joined[group[plane]] = True
    return group[labels], joined, len(joined)


def _plane(mesh: Mesh, facets: IntArray, normal: FloatArray, scratch: IntArray) -> Draftsman:
    """A plane through the facets, by their summed normal and mean height."""
    axis = normal / np.linalg.norm(normal)
    vertices = mesh.vertices[distinct(mesh.faces[facets], scratch)]
    weights = mesh.areas[facets]
    middle = (facet_middles(mesh)[facets] * weights[:, None]).sum(axis=0) / weights.sum()
    heights = (vertices - middle) @ axis
    point = middle + axis * float(np.median(heights))
    residual = float(np.sqrt(np.mean(((vertices - point) @ axis) ** 2)))
    return Draftsman(facets, Surface("plane", point, axis), True, residual)
