"""A mesh seen from one direction as a shaded drawing with its edges inked, in a small PNG.

Parallel projection and a depth buffer in numpy. An edge is inked where the surface ends, where
it turns by more than ``CREASE_DEG`` and where something nearer stands before it.
"""

from __future__ import annotations

import math
import struct
import zlib
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from patternprep.mesh.mesh import FloatArray, IntArray, Mesh

__all__ = ["CREASE_DEG", "Colour", "Shaded", "View", "axonometric", "shade"]

Colour = tuple[int, int, int]
BoolArray = npt.NDArray[np.bool_]

CREASE_DEG = 22.0
"""Facets that meet at less than this are one curved surface and are shaded smoothly."""

SAMPLES = 3
"""Samples along each side of a pixel."""

JUMP_MM = 0.4
"""A step in depth larger than this is inked."""

CHUNK = 1_000_000
"""Most samples that are handled at once."""

TONES, VEILS = 48, 15
"""Shades from the ink to the lightest tone, and degrees of cover along the outer outline."""

LIGHT = np.array([-0.45, 0.62, 0.64])
"""Where the light comes from: right, up and towards the viewer."""


@dataclass(frozen=True)
class View:
    """Parallel projection: screen right, screen up and towards the viewer, as rows (3, 3)."""

    axes: FloatArray

    def project(self, points: FloatArray) -> FloatArray:
        """Points (n, 3) mm to (right, up, towards the viewer), (n, 3) mm."""
        return np.asarray(points, dtype=np.float64) @ self.axes.T


def axonometric(azimuth_deg: float, elevation_deg: float) -> View:
    """The view from a direction: turned from +x about z, and raised over the horizon."""
    a, e = math.radians(azimuth_deg), math.radians(elevation_deg)
    ahead = np.array([math.cos(e) * math.cos(a), math.cos(e) * math.sin(a), math.sin(e)])
    right = np.array([-math.sin(a), math.cos(a), 0.0])
    return View(np.array([right, np.cross(ahead, right), ahead]))


@dataclass(frozen=True)
class Shaded:
    """A picture of a mesh and where it lies on the screen, mm (left, top, width, height)."""

    png: bytes
    left: float
    top: float
    width: float
    height: float


def shade(mesh: Mesh, view: View, pixels_per_mm: float, colour: Colour, ink: Colour) -> Shaded:
    """Draw a mesh in tones of one colour. The top is the highest screen coordinate, up is plus."""
    seen = view.project(mesh.vertices)
    low, high = seen[:, :2].min(axis=0), seen[:, :2].max(axis=0)
    across, down = (int(c) for c in np.ceil((high - low) * pixels_per_mm).astype(int) + 2)
    fine = pixels_per_mm * SAMPLES
    left, top = low[0] - 1.0 / pixels_per_mm, high[1] + 1.0 / pixels_per_mm
    on_screen = np.column_stack(
        [(seen[:, 0] - left) * fine, (top - seen[:, 1]) * fine, seen[:, 2] * fine]
    )
    shape = (down * SAMPLES, across * SAMPLES)
    normals = mesh.normals @ view.axes.T
    facet = _nearest(on_screen, mesh.faces, normals, shape)
    tone = _tones(mesh, on_screen, normals, view, facet)
    inked = _edges(facet, normals, _planes(on_screen, mesh.faces, normals), JUMP_MM * fine)
    tone[inked] = 0.0
    png = _png_of(tone, facet >= 0, colour, ink)
    return Shaded(png, float(left), float(top), across / pixels_per_mm, down / pixels_per_mm)


def _planes(points: FloatArray, faces: IntArray, normals: FloatArray) -> FloatArray:
    """Depth of each facet over the screen as a x + b y + c, (m, 3); the screen's y runs down."""
    toward = np.where(normals[:, 2] > 1e-9, normals[:, 2], 1.0)
    a, b = -normals[:, 0] / toward, normals[:, 1] / toward
    first = points[faces[:, 0]]
    return np.column_stack([a, b, first[:, 2] - a * first[:, 0] - b * first[:, 1]])


def _nearest(
    points: FloatArray, faces: IntArray, normals: FloatArray, shape: tuple[int, int]
) -> IntArray:
    """The facet that is seen at each sample, or -1, (rows, columns)."""
    height, width = shape
    depth = np.full(height * width, -np.inf)
    facet = np.full(height * width, -1, dtype=np.int64)
    planes = _planes(points, faces, normals)
    for owner, row, begin, count in _spans(points, faces, normals, width):
        which = np.repeat(np.arange(len(owner)), count)
        step = np.arange(int(count.sum())) - np.repeat(np.cumsum(count) - count, count)
        column = begin[which] + step
        at, of = row[which] * width + column, owner[which]
        z = planes[of, 0] * (column + 0.5) + planes[of, 1] * (row[which] + 0.5) + planes[of, 2]
        keep = np.flatnonzero(z > depth[at])
        keep = keep[np.argsort(z[keep], kind="stable")]
        depth[at[keep]] = z[keep]
        facet[at[keep]] = of[keep]
    return facet.reshape(shape)


def _spans(
    points: FloatArray, faces: IntArray, normals: FloatArray, width: int
) -> list[tuple[IntArray, IntArray, IntArray, IntArray]]:
    """Facets that face the viewer as rows of samples: facet, row, first column, count; chunked."""
    facing = np.flatnonzero(normals[:, 2] > 1e-9)
    corners = points[faces[facing]][:, :, :2]
    first = np.ceil(corners[:, :, 1].min(axis=1) - 0.5).astype(np.int64)
    last = np.floor(corners[:, :, 1].max(axis=1) - 0.5).astype(np.int64)
    rows = np.maximum(last - first + 1, 0)
    which = np.repeat(np.arange(len(facing)), rows)
    row = first[which] + np.arange(len(which)) - np.repeat(np.cumsum(rows) - rows, rows)
    begin = np.full(len(which), np.inf)
    end = np.full(len(which), -np.inf)
    y = row + 0.5
    for i in range(3):
        p, q = corners[which, i], corners[which, (i + 1) % 3]
        crosses = (np.minimum(p[:, 1], q[:, 1]) <= y) & (y <= np.maximum(p[:, 1], q[:, 1]))
        rise = q[:, 1] - p[:, 1]
        crosses &= rise != 0.0
        share = np.divide(y - p[:, 1], rise, out=np.zeros_like(rise), where=crosses)
        x = p[:, 0] + share * (q[:, 0] - p[:, 0])
        begin = np.where(crosses, np.minimum(begin, x), begin)
        end = np.where(crosses, np.maximum(end, x), end)
    start = np.ceil(np.where(np.isfinite(begin), begin, 0.0) - 0.5 - 1e-6).astype(np.int64)
    stop = np.floor(np.where(np.isfinite(end), end, -2.0) - 0.5 + 1e-6).astype(np.int64)
    start, stop = np.maximum(start, 0), np.minimum(stop, width - 1)
    count = np.maximum(stop - start + 1, 0)
    some = count > 0
    owner, row, start, count = facing[which[some]], row[some], start[some], count[some]
    if not len(count):
        return []
    cuts = np.flatnonzero(np.diff(np.cumsum(count) // CHUNK)) + 1
    parts = (np.split(values, cuts) for values in (owner, row, start, count))
    return list(zip(*parts, strict=True))


def _corner_normals(mesh: Mesh) -> FloatArray:
    """For each corner the mean normal of the facets about it that turn little, (m, 3, 3)."""
    corner = np.argsort(mesh.faces.ravel(), kind="stable")
    around = np.bincount(mesh.faces.ravel(), minlength=len(mesh.vertices))
    begin = np.cumsum(around) - around
    weighted = mesh.cross
    mean = np.zeros((3 * mesh.facets, 3))
    for block in np.array_split(corner, max(1, int((around**2).sum()) // CHUNK)):
        vertex = mesh.faces.ravel()[block]
        count = around[vertex]
        mine = np.repeat(block, count)
        step = np.arange(len(mine)) - np.repeat(np.cumsum(count) - count, count)
        other = corner[np.repeat(begin[vertex], count) + step] // 3
        turn = np.einsum("ij,ij->i", mesh.normals[mine // 3], mesh.normals[other])
        near = turn > math.cos(math.radians(CREASE_DEG))
        for axis in range(3):
            mean[:, axis] += np.bincount(
                mine[near], weighted[other[near], axis], minlength=len(mean)
            )
    length = np.linalg.norm(mean, axis=1, keepdims=True)
    mean = np.divide(mean, length, out=np.zeros_like(mean), where=length > 0.0)
    return mean.reshape(-1, 3, 3)


def _tones(
    mesh: Mesh, points: FloatArray, normals: FloatArray, view: View, facet: IntArray
) -> FloatArray:
    """How light each sample is, 0 to 1."""
    tone = np.zeros(facet.shape)
    rows, columns = np.nonzero(facet >= 0)
    of = facet[rows, columns]
    triangle = points[mesh.faces[of]][:, :, :2]
    at = np.column_stack([columns + 0.5, rows + 0.5])
    u, v, w = triangle[:, 1] - triangle[:, 0], triangle[:, 2] - triangle[:, 0], at - triangle[:, 0]
    area = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    area = np.where(np.abs(area) > 1e-12, area, 1.0)
    second = np.clip((w[:, 0] * v[:, 1] - w[:, 1] * v[:, 0]) / area, 0.0, 1.0)
    third = np.clip((u[:, 0] * w[:, 1] - u[:, 1] * w[:, 0]) / area, 0.0, 1.0)
    share = np.column_stack([np.clip(1.0 - second - third, 0.0, 1.0), second, third])
    smooth = np.einsum("ij,ijk->ik", share, _corner_normals(mesh)[of]) @ view.axes.T
    length = np.linalg.norm(smooth, axis=1, keepdims=True)
    smooth = np.where(length > 1e-9, smooth / np.maximum(length, 1e-9), normals[of])
    lit = np.clip(smooth @ (LIGHT / np.linalg.norm(LIGHT)), 0.0, 1.0)
    tone[rows, columns] = 0.42 + 0.58 * lit
    return tone


def _edges(facet: IntArray, normals: FloatArray, planes: FloatArray, jump: float) -> BoolArray:
    """Samples under an inked line, (rows, columns)."""
    inked = np.zeros(facet.shape, dtype=np.bool_)
    for axis in (0, 1):
        here = facet[:-1] if axis == 0 else facet[:, :-1]
        there = facet[1:] if axis == 0 else facet[:, 1:]
        rows, columns = np.nonzero(here != there)
        p, q = here[rows, columns], there[rows, columns]
        at = np.column_stack([columns + 0.5, rows + 0.5, np.ones(len(rows))])
        next_at = at + (np.array([0.0, 1.0, 0.0]) if axis == 0 else np.array([1.0, 0.0, 0.0]))
        turn = np.einsum("ij,ij->i", normals[p], normals[q])
        at_here = np.abs(np.einsum("ij,ij->i", planes[p] - planes[q], at))
        at_next = np.abs(np.einsum("ij,ij->i", planes[p] - planes[q], next_at))
        line = (p < 0) | (q < 0) | (turn < math.cos(math.radians(CREASE_DEG)))
        line |= np.minimum(at_here, at_next) > jump
        rows, columns = rows[line], columns[line]
        inked[rows, columns] = True
        inked[rows + (axis == 0), columns + (axis == 1)] = True
    wide = inked.copy()
    for one, other in ((slice(1, None), slice(None, -1)), (slice(None, -1), slice(1, None))):
        wide[one] |= inked[other]
        wide[:, one] |= inked[:, other]
    return wide & (facet >= 0)


def _png_of(tone: FloatArray, covered: BoolArray, colour: Colour, ink: Colour) -> bytes:
    """Samples to a PNG with a palette: tones from ink to the lightest, then veils of ink."""
    down, across = tone.shape[0] // SAMPLES, tone.shape[1] // SAMPLES
    blocks = (down, SAMPLES, across, SAMPLES)
    cover = covered.reshape(blocks).mean(axis=(1, 3))
    mean = np.where(covered, tone, 0.0).reshape(blocks).mean(axis=(1, 3))
    mean = np.divide(mean, cover, out=np.zeros_like(mean), where=cover > 0.0)
    index = np.clip(np.rint(mean * (TONES - 1)), 0, TONES - 1).astype(np.uint8)
    veil = TONES + np.rint(cover * VEILS).astype(np.uint8)
    index = np.where(cover < 1.0, veil, index).astype(np.uint8)
    ramp = np.linspace(0.0, 1.0, TONES)[:, None]
    light = np.minimum(np.asarray(colour) * 1.08 + 10.0, 255.0)
    tones = np.rint(np.asarray(ink) + (light - np.asarray(ink)) * ramp).astype(np.uint8)
    palette = np.vstack([tones, np.tile(np.array(ink, dtype=np.uint8), (VEILS + 1, 1))])
    alpha = np.concatenate(
        [np.full(TONES, 255), np.rint(np.linspace(0.0, 255.0, VEILS + 1))]
    ).astype(np.uint8)
    raw = np.zeros((down, across + 1), dtype=np.uint8)
    raw[:, 1:] = index
    return b"".join(
        [
            b"\x89PNG\r\n\x1a\n",
            _chunk(b"IHDR", struct.pack(">IIBBBBB", across, down, 8, 3, 0, 0, 0)),
            _chunk(b"PLTE", palette.tobytes()),
            _chunk(b"tRNS", alpha.tobytes()),
            _chunk(b"IDAT", zlib.compress(raw.tobytes(), 9)),
            _chunk(b"IEND", b""),
        ]
    )


def _chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
