"""Meshes and files that the tests of reading and mending are made from."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np

from patternprep.mesh.mesh import Mesh

_CUBE_FACES = [
    [0, 2, 1], [1, 2, 3], [4, 5, 6], [5, 7, 6], [0, 1, 4], [1, 5, 4],
    [2, 6, 3], [3, 6, 7], [0, 4, 2], [2, 4, 6], [1, 3, 5], [3, 7, 5],
]  # fmt: skip


def box(low=(0.0, 0.0, 0.0), high=(10.0, 20.0, 30.0)) -> Mesh:
    """A box with twelve facets, wound outward."""
    low, high = np.array(low, dtype=float), np.array(high, dtype=float)
    corners = np.array([[x, y, z] for z in (0, 1) for y in (0, 1) for x in (0, 1)], dtype=float)
    return Mesh(low + corners * (high - low), np.array(_CUBE_FACES))


def joined(*meshes: Mesh) -> Mesh:
    """Meshes side by side, vertices kept apart."""
    points, faces, at = [], [], 0
    for m in meshes:
        points.append(m.vertices)
        faces.append(m.faces + at)
        at += len(m.vertices)
    return Mesh(np.concatenate(points), np.concatenate(faces))


def turned(mesh: Mesh) -> Mesh:
    """Inside out."""
    return Mesh(mesh.vertices, mesh.faces[:, ::-1])


def soup(mesh: Mesh) -> np.ndarray:
    """Corners (m, 3, 3), float32."""
    return mesh.vertices[mesh.faces].astype(np.float32)


def binary_stl(corners: np.ndarray, header: bytes = b"test", count: int | None = None) -> bytes:
    """A binary STL file written field by field after the format's description."""
    out = [
        header[:80].ljust(80, b"\0"),
        struct.pack("<I", len(corners) if count is None else count),
    ]
    rows = np.asarray(corners, dtype=np.float32).reshape(-1, 9).tolist()
    out += [struct.pack("<12fH", 0.0, 0.0, 0.0, *row, 0) for row in rows]
    return b"".join(out)


def ascii_stl(corners: np.ndarray, name: str = "part", newline: str = "\n") -> bytes:
    """An ASCII STL file."""
    rows = [f"solid {name}"]
    for facet in np.asarray(corners, dtype=np.float32):
        rows.append("  facet normal 0 0 0")
        rows.append("    outer loop")
        rows += [f"      vertex {x!r} {y!r} {z!r}" for x, y, z in facet.astype(float).tolist()]
        rows += ["    endloop", "  endfacet"]
    rows += [f"endsolid {name}", ""]
    return newline.join(rows).encode("utf-8")


def saved(path: Path, data: bytes) -> Path:
    """The path, with the bytes in it."""
    path.write_bytes(data)
    return path
