"""PLY, ASCII and binary: the vertices and the faces, whatever else is stored beside them."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from patternprep.errors import FileFault
from patternprep.mesh.mesh import IntArray, Mesh
from patternprep.mesh.read.stl import check_facet_count
from patternprep.mesh.read.text import finish

__all__ = ["read_ply"]

_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1",
    "short": "i2", "int16": "i2", "ushort": "u2", "uint16": "u2",
    "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4",
    "float": "f4", "float32": "f4", "double": "f8", "float64": "f8",
}  # fmt: skip
_CORNER_NAMES = ("vertex_indices", "vertex_index")

_ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}


@dataclass
class _Element:
    name: str
    count: int
    properties: list[tuple[str, str, str | None]] = field(default_factory=list)
    """(name, type, type of the list's length or None)."""


def read_ply(path: Path, *, facet_limit: int) -> Mesh:
    """Vertices and faces of a PLY file; colours, normals and other elements are passed over."""
    data = path.read_bytes()
    order, elements, body = _header(path, data)
    names = [e.name for e in elements]
    if "vertex" not in names or "face" not in names:
        raise FileFault(
            f"{path} holds no {'face' if 'vertex' in names else 'vertex'} element (a point cloud "
            f"or wires only); export the part as triangles."
        )
    vertices: npt.NDArray[np.float64] | None = None
    counts = corners = np.empty(0, np.int64)
    cursor: _Cursor = _Text(path, data[body:]) if order == "" else _Binary(path, data, body, order)
    for element in elements:
        if element.name == "face":
            check_facet_count(path, element.count, facet_limit)
        columns, lists = cursor.read(element)
        if element.name == "vertex":
            try:
                vertices = np.column_stack([columns[k] for k in "xyz"]).astype(np.float64)
            except KeyError:
                raise FileFault(f"{path} has vertices without x, y and z.") from None
        elif element.name == "face":
            found = [lists[k] for k in _CORNER_NAMES if k in lists]
            if not found:
                raise FileFault(f"{path} has faces without 'vertex_indices'; export it again.")
            counts, corners = found[0]
        if vertices is not None and len(counts):
            break
    assert vertices is not None
    return finish(path, vertices, counts, corners, None, facet_limit)


def _header(path: Path, data: bytes) -> tuple[str, list[_Element], int]:
    """(numpy byte order or '' for text, elements, offset of the data)."""
    end = data.find(b"end_header")
    newline = data.find(b"\n", end)
    if end < 0 or newline < 0:
        raise FileFault(f"{path} is truncated: its PLY header has no end; export it again.")
    order: str | None = None
    elements: list[_Element] = []
    for row in data[:end].decode("latin-1").splitlines():
        words = row.split()
        try:
            if words[:1] == ["format"]:
                order = _ORDERS[words[1]]
            elif words[:1] == ["element"]:
                elements.append(_Element(words[1], int(words[2])))
                if elements[-1].count < 0:
                    raise ValueError
            elif words[:2] == ["property", "list"]:
                elements[-1].properties.append((words[4], _TYPES[words[3]], _TYPES[words[2]]))
            elif words[:1] == ["property"]:
                elements[-1].properties.append((words[2], _TYPES[words[1]], None))
        except (KeyError, IndexError, ValueError):
            raise FileFault(
                f"{path} has the unreadable PLY header line '{row[:60]}'; export it again."
            ) from None
    if order is None:
        raise FileFault(f"{path} does not say its PLY format; export it again.")
    return order, elements, newline + 1


_Columns = dict[str, npt.NDArray[np.generic]]
_Lists = dict[str, tuple[IntArray, IntArray]]


class _Cursor:
    """Reads one element after the other."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def read(self, element: _Element) -> tuple[_Columns, _Lists]:
        raise NotImplementedError

    def short(self, element: _Element) -> FileFault:
        return FileFault(
            f"{self.path} is truncated: it announces {element.count} of '{element.name}' and ends "
            f"before the last; copy or export it again."
        )


class _Binary(_Cursor):
    def __init__(self, path: Path, data: bytes, at: int, order: str) -> None:
        super().__init__(path)
        self.data, self.at, self.order = data, at, order

    def read(self, element: _Element) -> tuple[_Columns, _Lists]:
        if element.count == 0:
            return {}, {}
        sizes = self._list_sizes(element, self.at)
        table = self._table(element, sizes)
        names = [p[0] for p in element.properties if p[2] is not None]
        if table is None or any((table[f"{n} n"] != sizes[n]).any() for n in names):
            return self._row_by_row(element)
        self.at += table.nbytes
        columns = {p[0]: table[p[0]] for p in element.properties if p[2] is None}
        lists: _Lists = {}
        for name in names:
            lists[name] = (
                np.full(element.count, sizes[name], np.int64),
                table[name].astype(np.int64).reshape(-1),
            )
        return columns, lists

    def _list_sizes(self, element: _Element, at: int) -> dict[str, int]:
        """Lengths of the lists in the row that starts at a byte."""
        sizes = {}
        for name, kind, length in element.properties:
            if length is not None:
                sizes[name] = int(self._one(length, at, element))
                at += np.dtype(length).itemsize + sizes[name] * np.dtype(kind).itemsize
            else:
                at += np.dtype(kind).itemsize
        return sizes

    def _one(self, kind: str, at: int, element: _Element) -> int:
        if at + np.dtype(kind).itemsize > len(self.data):
            raise self.short(element)
        return int(np.frombuffer(self.data, self.order + kind, 1, at)[0])

    def _table(self, element: _Element, sizes: dict[str, int]) -> npt.NDArray[np.void] | None:
        fields: list[tuple[str, str] | tuple[str, str, tuple[int]]] = []
        for name, kind, length in element.properties:
            if length is None:
                fields.append((name, self.order + kind))
            else:
                if not 0 <= sizes[name] <= 1_000_000:
                    raise self.short(element)
                fields.append((f"{name} n", self.order + length))
                fields.append((name, self.order + kind, (sizes[name],)))
        row = np.dtype(fields)
        if self.at + row.itemsize * element.count > len(self.data):
            if any(p[2] for p in element.properties):
                return None
            raise self.short(element)
        return np.frombuffer(self.data, row, element.count, self.at)

    def _row_by_row(self, element: _Element) -> tuple[_Columns, _Lists]:
        """Rows of unequal length; only the lists are kept."""
        counts: dict[str, list[int]] = {p[0]: [] for p in element.properties if p[2]}
        values: dict[str, list[npt.NDArray[np.generic]]] = {k: [] for k in counts}
        for _ in range(element.count):
            for name, kind, length in element.properties:
                width = np.dtype(kind).itemsize
                if length is None:
                    self.at += width
                    continue
                n = self._one(length, self.at, element)
                self.at += np.dtype(length).itemsize
                if n < 0 or self.at + n * width > len(self.data):
                    raise self.short(element)
                counts[name].append(n)
                values[name].append(np.frombuffer(self.data, self.order + kind, n, self.at))
                self.at += n * width
        if self.at > len(self.data):
            raise self.short(element)
        return {}, {
            k: (np.array(counts[k], np.int64), np.concatenate(values[k]).astype(np.int64))
            for k in counts
        }


class _Text(_Cursor):
    def __init__(self, path: Path, data: bytes) -> None:
        super().__init__(path)
        self.words = data.decode("latin-1").split()
        self.at = 0

    def read(self, element: _Element) -> tuple[_Columns, _Lists]:
        if element.count == 0:
            return {}, {}
        if all(p[2] is None for p in element.properties):
            width = len(element.properties)
            end = self.at + width * element.count
            if end > len(self.words):
                raise self.short(element)
            table = self._floats(self.at, end).reshape(-1, width)
            self.at = end
            return {p[0]: table[:, i] for i, p in enumerate(element.properties)}, {}
        counts: dict[str, list[int]] = {p[0]: [] for p in element.properties if p[2]}
        values: dict[str, list[str]] = {k: [] for k in counts}
        try:
            for _ in range(element.count):
                for name, _kind, length in element.properties:
                    if length is None:
                        self.at += 1
                        continue
                    n = int(self.words[self.at])
                    if n < 0 or self.at + 1 + n > len(self.words):
                        raise IndexError
                    counts[name].append(n)
                    values[name] += self.words[self.at + 1 : self.at + 1 + n]
                    self.at += 1 + n
        except IndexError:
            raise self.short(element) from None
        except ValueError:
            raise self._garbled() from None
        if self.at > len(self.words):
            raise self.short(element)
        try:
            return {}, {
                k: (np.array(counts[k], np.int64), np.array(values[k], dtype=np.int64))
                for k in counts
            }
        except (ValueError, OverflowError):
            raise self._garbled() from None

    def _floats(self, start: int, end: int) -> npt.NDArray[np.float64]:
        try:
            return np.array(self.words[start:end], dtype=np.float64)
        except ValueError:
            raise self._garbled() from None

    def _garbled(self) -> FileFault:
        return FileFault(f"{self.path} holds text where PLY asks for numbers; export it again.")
