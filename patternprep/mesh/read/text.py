"""OBJ and OFF: vertices and polygons as text, and nothing else of these formats."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from patternprep.errors import FileFault
from patternprep.mesh.mesh import FloatArray, IntArray, Mesh
from patternprep.mesh.read.polygons import triangulate
from patternprep.mesh.read.stl import check_facet_count

__all__ = ["finish", "read_obj", "read_off"]

_FREE_FORM = ("curv", "curv2", "surf", "vp", "cstype")
_TAIL = re.compile(r"/\S*")


def read_obj(path: Path, *, facet_limit: int) -> Mesh:
    """Vertices and faces of a Wavefront OBJ file; materials and other files are not opened.

    Raises FileFault with the line for a face that names no vertex, a corner that is no number,
    or free-form surfaces.
    """
    text = path.read_bytes().decode("utf-8", "replace").replace("\\\r\n", " ").replace("\\\n", " ")
    points: list[str] = []
    point_line: list[int] = []
    faces: list[str] = []
    face_line: list[int] = []
    seen: list[int] = []
    for number, raw in enumerate(text.splitlines(), start=1):
        word, _, rest = raw.lstrip().replace("\t", " ").partition(" ")
        if word == "v":
            points.append(rest)
            point_line.append(number)
        elif word == "f":
            faces.append(rest.partition("#")[0])
            face_line.append(number)
            seen.append(len(points))
        elif word in _FREE_FORM:
            raise FileFault(
                f"{path} line {number} holds a free-form curve or surface ('{word}'); export the "
                f"part as triangles."
            )
    check_facet_count(path, len(faces), facet_limit)
    vertices = _numbers(path, points, point_line, 3)
    stripped = [_TAIL.sub("", f) for f in faces]
    counts = np.array([len(f.split()) for f in stripped], dtype=np.int64)
    corners = _integers(path, " ".join(stripped), int(counts.sum()))
    line = np.repeat(np.array(face_line), counts)
    relative = corners < 0
    corners = np.where(relative, corners + np.repeat(np.array(seen), counts), corners - 1)
    return finish(path, vertices, counts, corners, line, facet_limit)


def read_off(path: Path, *, facet_limit: int) -> Mesh:
    """Vertices and faces of an ASCII OFF file (also COFF, NOFF, CNOFF, STOFF)."""
    text = path.read_bytes().decode("utf-8", "replace")
    rows: list[str] = []
    lines: list[int] = []
    for number, raw in enumerate(text.splitlines(), start=1):
        row = raw.partition("#")[0].strip()
        if row:
            rows.append(row)
            lines.append(number)
    magic, _, rest = rows[0].partition(" ")
    if "4" in magic or "n" in magic or "BINARY" in rows[0].upper():
        raise FileFault(f"{path} is a '{rows[0]}' file; only ASCII OFF in three axes is read.")
    if rest.strip():
        rows[0] = rest
    else:
        rows, lines = rows[1:], lines[1:]
    sizes = rows[0].split() if rows else []
    if len(sizes) < 2 or not all(s.isdecimal() for s in sizes[:2]):
        raise FileFault(
            f"{path} does not give its counts of vertices and faces after '{magic}'; "
            f"export it again."
        )
    vertex_count, face_count = int(sizes[0]), int(sizes[1])
    check_facet_count(path, face_count, facet_limit)
    if len(rows) < 1 + vertex_count + face_count:
        raise FileFault(
            f"{path} is truncated: it announces {vertex_count} vertices and {face_count} faces but "
            f"holds {len(rows) - 1} lines; copy or export it again."
        )
    vertices = _numbers(path, rows[1 : 1 + vertex_count], lines[1:], 3)
    face_rows = [r.split() for r in rows[1 + vertex_count : 1 + vertex_count + face_count]]
    face_lines = np.array(lines[1 + vertex_count : 1 + vertex_count + face_count])
    for words, number in zip(face_rows, face_lines, strict=True):
        if not words[0].isdecimal() or len(words) < 1 + int(words[0]):
            raise FileFault(
                f"{path} line {number} is not a face (a count, then as many vertex numbers); "
                f"export it again."
            )
    counts = np.array([int(r[0]) for r in face_rows], dtype=np.int64)
    flat = " ".join(" ".join(r[1 : 1 + int(r[0])]) for r in face_rows)
    corners = _integers(path, flat, int(counts.sum()))
    return finish(path, vertices, counts, corners, np.repeat(face_lines, counts), facet_limit)


def finish(
    path: Path,
    vertices: FloatArray,
    counts: IntArray,
    corners: IntArray,
    line: IntArray | None,
    facet_limit: int,
) -> Mesh:
    """Triangles from checked polygons; FileFault for numbers that name nothing or are none."""
    check_facet_count(path, int(np.maximum(counts - 2, 0).sum()), facet_limit)

    def at(index: int) -> str:
        if line is not None:
            return f"line {line[index]}"
        return f"face {int(np.searchsorted(np.cumsum(counts), index, side='right')) + 1}"

    wrong = np.flatnonzero((corners < 0) | (corners >= len(vertices)))
    if len(wrong):
        raise FileFault(
            f"{path} {at(int(wrong[0]))} names a vertex that is not there (the file holds "
            f"{len(vertices)}); export it again."
        )
    bad = np.flatnonzero(~np.isfinite(vertices[corners]).all(axis=1))
    if len(bad):
        raise FileFault(
            f"{path} {at(int(bad[0]))} uses vertex {int(corners[bad[0]]) + 1}, whose coordinates "
            f"are not finite numbers; export the part again."
        )
    return Mesh(vertices, triangulate(vertices, counts, corners))


def _numbers(path: Path, rows: list[str], lines: list[int], columns: int) -> FloatArray:
    """The first three numbers of every row, (n, 3)."""
    table = [r.split()[:columns] for r in rows]
    try:
        return np.array(table, dtype=np.float64).reshape(-1, columns)
    except ValueError:
        for row, number in zip(table, lines, strict=False):
            try:
                if len([float(c) for c in row]) == columns:
                    continue
            except ValueError:
                pass
            raise FileFault(
                f"{path} line {number} is not a vertex (three numbers): '{' '.join(row)[:60]}'; "
                f"export it again."
            ) from None
        raise


def _integers(path: Path, text: str, count: int) -> IntArray:
    try:
        values = np.array(text.split(), dtype=np.int64)
    except (ValueError, OverflowError):
        raise FileFault(
            f"{path} has a face whose vertex number is not a whole number; export it again."
        ) from None
    assert len(values) == count
    return values
