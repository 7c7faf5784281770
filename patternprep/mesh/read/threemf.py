"""3MF: every build item with its components and transforms, in the file's own unit.

Source: 3MF Consortium, 3D Manufacturing Format Core Specification 1.3 (chapters 2 to 4) and
Production Extension 1.1 (the ``path`` of items and components). The archive is read in memory,
nothing is unpacked to disk; document types and entities are refused, sizes are counted while
unpacking and never believed.
"""

from __future__ import annotations

import lzma
import posixpath
import struct
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from xml.parsers import expat

import numpy as np

from patternprep.errors import FileFault
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.mesh.read.stl import check_facet_count
from patternprep.units import MM_PER_UNIT

__all__ = ["TRADE_UNIT", "ThreeMf", "read_3mf"]

TRADE_UNIT = {
    "micron": "um",
    "millimeter": "mm",
    "centimeter": "cm",
    "inch": "in",
    "foot": "ft",
    "meter": "m",
}
"""A file's units as the trade writes them and --units takes them.

Source: 3MF Core Specification 1.3, 3.4 (model unit).
"""


_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"
_HARMLESS = {
    _CORE,
    _PRODUCTION,
    "http://schemas.microsoft.com/3dmanufacturing/material/2015/02",
    "http://schemas.microsoft.com/3dmanufacturing/slice/2015/07",
}
"""Extensions that leave the shape of a core mesh as it is."""
_MODEL_TYPE = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
_MEMBERS, _DEPTH, _INSTANCES = 10_000, 32, 10_000
_SMALL_PART, _RATIO = 16 << 20, 200
_BYTES_PER_FACET = 600
_BLOCK = 1 << 20

_ARCHIVE_ERRORS = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    struct.error,
    EOFError,
    NotImplementedError,
    OSError,
    RuntimeError,
    ValueError,
)
"""What the archive reader raises on damaged or locked files."""


@dataclass(frozen=True)
class ThreeMf:
    """Bodies in mm, one Mesh for each object placed; the unit's name and what to tell."""

    bodies: tuple[Mesh, ...]
    unit: str
    warnings: tuple[str, ...]


def read_3mf(path: Path, *, facet_limit: int) -> ThreeMf:
    """All build items of a 3MF file, components and nested transforms applied, in mm.

    Raises FileFault for what is not a readable, harmless 3MF file, for an extension that
    changes shapes and for references that lead nowhere or in a circle.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            package = _Package(path, archive, facet_limit)
            root = package.model(package.start())
            return _build(package, root)
    except _ARCHIVE_ERRORS as error:
        raise FileFault(
            f"{path} is a damaged or locked 3MF archive ({error}); export it again."
        ) from None


@dataclass
class _Object:
    kind: str = "model"
    points: list[float] = field(default_factory=list)
    corners: list[int] = field(default_factory=list)
    components: list[tuple[str, str, FloatArray]] = field(default_factory=list)
    meshed: bool = False


@dataclass
class _Model:
    part: str
    unit: str = "millimeter"
    objects: dict[str, _Object] = field(default_factory=dict)
    items: list[tuple[str, str, FloatArray]] = field(default_factory=list)


class _Package:
    """The archive's parts by name, each unpacked under a count of its bytes."""

    def __init__(self, path: Path, archive: zipfile.ZipFile, facet_limit: int) -> None:
        self.path, self.archive, self.facet_limit = path, archive, facet_limit
        members = archive.infolist()
        if len(members) > _MEMBERS:
            raise self.fault(f"holds {len(members)} parts, over the limit of {_MEMBERS}")
        self.members: dict[str, zipfile.ZipInfo] = {}
        for info in members:
            name = info.filename
            steps = name.replace("\\", "/").split("/")
            if name.startswith(("/", "\\")) or ".." in steps or ":" in steps[0] or "\0" in name:
                raise self.fault(f"names a part outside itself ('{name[:80]}')")
            if info.flag_bits & 1:
                raise self.fault("is encrypted")
            self.members[name.lower()] = info
        self.models: dict[str, _Model] = {}
        self.allowance = max(_SMALL_PART * 4, _BYTES_PER_FACET * facet_limit)

    def fault(self, what: str) -> FileFault:
        return FileFault(f"{self.path} {what}; export the part again as plain 3MF or STL.")

    def blocks(self, name: str) -> Iterator[bytes]:
        info = self.members.get(name.lstrip("/").lower())
        if info is None:
            raise self.fault(f"lacks the part '{name[:80]}'")
        unpacked = 0
        with self.archive.open(info) as stream:
            while block := stream.read(_BLOCK):
                unpacked += len(block)
                self.allowance -= len(block)
                swollen = unpacked > _SMALL_PART and unpacked > _RATIO * max(info.compress_size, 1)
                if swollen or self.allowance < 0:
                    raise self.fault(
                        f"unpacks to far more than it should (part '{name[:80]}', over "
                        f"{unpacked >> 20} MB from {info.compress_size} bytes)"
                    )
                yield block

    def start(self) -> str:
        """Name of the root model part, from the package's relationships."""
        found: list[str] = []

        def begin(name: str, given: dict[str, str]) -> None:
            if name.endswith(" Relationship") and given.get("Type") == _MODEL_TYPE:
                found.append(given.get("Target", ""))

        _parse(self, "_rels/.rels", begin)
        if not found:
            raise self.fault("is a zip archive without a 3D model (not 3MF)")
        return posixpath.normpath(found[0].lstrip("/"))

    def model(self, part: str) -> _Model:
        key = part.lstrip("/").lower()
        if key not in self.models:
            self.models[key] = _Reader(self, key).read()
        return self.models[key]


def _parse(package: _Package, part: str, begin: Any, prefix: Any = None) -> None:
    """Run expat over a part with document types, entities and outside references refused."""
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True

    def refuse(*_: object) -> int:
        raise package.fault(f"declares a document type or an entity in '{part[:80]}'")

    parser.StartDoctypeDeclHandler = refuse
    parser.EntityDeclHandler = refuse
    parser.UnparsedEntityDeclHandler = refuse
    parser.ExternalEntityRefHandler = refuse
    parser.StartElementHandler = begin
    if prefix is not None:
        parser.StartNamespaceDeclHandler = prefix
    try:
        for block in package.blocks(part):
            parser.Parse(block, False)
        parser.Parse(b"", True)
    except expat.ExpatError as error:
        raise package.fault(f"holds broken XML in '{part[:80]}' ({error})") from None


class _Reader:
    """Collects one model part's objects and build items."""

    def __init__(self, package: _Package, part: str) -> None:
        self.package = package
        self.model = _Model(part)
        self.open: _Object | None = None
        self.prefixes: dict[str, str] = {}
        self.facets = 0
        self.handlers = {
            f"{_CORE} {k}": getattr(self, f"on_{k}")
            for k in ("model", "object", "mesh", "vertex", "triangle", "component", "item")
        }

    def read(self) -> _Model:
        handlers = self.handlers

        def begin(name: str, given: dict[str, str]) -> None:
            handler = handlers.get(name)
            if handler is not None:
                handler(given)

        try:
            self._run(begin)
        except (KeyError, ValueError, OverflowError) as error:
            raise self.package.fault(
                f"holds an element with a missing or unreadable value in '{self.model.part[:80]}' "
                f"({error})"
            ) from None
        return self.model

    def _run(self, begin: Any) -> None:
        first = True

        def opening(name: str, given: dict[str, str]) -> None:
            nonlocal first
            if first and name != f"{_CORE} model":
                raise self.package.fault(
                    f"holds no 3MF core model in '{self.model.part[:80]}' (its root is "
                    f"'{name.split(' ')[-1][:40]}')"
                )
            first = False
            begin(name, given)

        _parse(self.package, self.model.part, opening, self._note_prefix)

    def _note_prefix(self, prefix: str | None, space: str) -> None:
        self.prefixes[prefix or ""] = space

    def on_model(self, given: dict[str, str]) -> None:
        self.model.unit = given.get("unit", "millimeter")
        if self.model.unit not in TRADE_UNIT:
            raise self.package.fault(f"states the unknown unit '{self.model.unit[:40]}'")
        for prefix in given.get("requiredextensions", "").split():
            space = self.prefixes.get(prefix, prefix)
            if space not in _HARMLESS:
                raise self.package.fault(
                    f"needs a 3MF extension that is not read here ('{space[:80]}')"
                )

    def on_object(self, given: dict[str, str]) -> None:
        self.open = _Object(given.get("type", "model"))
        self.model.objects[given["id"]] = self.open

    def on_mesh(self, given: dict[str, str]) -> None:
        self._object().meshed = True

    def on_vertex(self, given: dict[str, str]) -> None:
        points = self.open.points  # type: ignore[union-attr]
        points.append(float(given["x"]))
        points.append(float(given["y"]))
        points.append(float(given["z"]))

    def on_triangle(self, given: dict[str, str]) -> None:
        corners = self.open.corners  # type: ignore[union-attr]
        corners.append(int(given["v1"]))
        corners.append(int(given["v2"]))
        corners.append(int(given["v3"]))
        self.facets += 1
        if self.facets > self.package.facet_limit:
            check_facet_count(self.package.path, self.facets, self.package.facet_limit)

    def on_component(self, given: dict[str, str]) -> None:
        self._object().components.append(self._reference(given))

    def on_item(self, given: dict[str, str]) -> None:
        self.model.items.append(self._reference(given))

    def _object(self) -> _Object:
        if self.open is None:
            raise self.package.fault("has a mesh or component outside any object")
        return self.open

    def _reference(self, given: dict[str, str]) -> tuple[str, str, FloatArray]:
        part = given.get(f"{_PRODUCTION} path", self.model.part).lstrip("/")
        return part.lower(), given["objectid"], _transform(given.get("transform"))


def _transform(text: str | None) -> FloatArray:
    """4 x 4 matrix on column vectors from twelve numbers on row vectors (core spec 3.3)."""
    matrix = np.eye(4)
    if text is not None:
        matrix[:3, :] = np.array([float(c) for c in text.split()]).reshape(4, 3).T
        if not np.isfinite(matrix).all():
            raise ValueError(f"transform '{text[:80]}'")
    return matrix


def _build(package: _Package, root: _Model) -> ThreeMf:
    """Place every build item's meshes."""
    scale = MM_PER_UNIT[TRADE_UNIT[root.unit]]
    placed: list[tuple[_Object, FloatArray, str]] = []
    skipped: set[str] = set()
    facets = visits = 0

    def place(part: str, key: str, matrix: FloatArray, depth: int) -> None:
        nonlocal facets, visits
        visits += 1
        if visits > 10 * _INSTANCES:
            raise package.fault(f"places more than {10 * _INSTANCES} components")
        if depth > _DEPTH:
            raise package.fault(f"nests components deeper than {_DEPTH} or in a circle")
        body = package.model(part).objects.get(key)
        if body is None:
            raise package.fault(f"places object {key[:20]}, which is not there")
        if body.kind in ("support", "solidsupport", "surface"):
            skipped.add(body.kind)
            return
        if body.corners:
            facets += len(body.corners) // 3
            check_facet_count(package.path, facets, package.facet_limit)
            placed.append((body, matrix, key))
            if len(placed) > _INSTANCES:
                raise package.fault(f"places more than {_INSTANCES} bodies")
        for child_part, child, more in body.components:
            place(child_part, child, matrix @ more, depth + 1)

    unit_scale = np.diag([scale, scale, scale, 1.0])
    for part, key, matrix in root.items:
        place(part, key, unit_scale @ matrix, 0)
    if not placed:
        raise package.fault("builds nothing (no build item with a mesh)")
    warnings = [f"Objects of type '{k}' in the file were left out." for k in sorted(skipped)]
    bodies = tuple(_body(package, *p) for p in placed)
    return ThreeMf(bodies, TRADE_UNIT[root.unit], tuple(warnings))


def _body(package: _Package, body: _Object, matrix: FloatArray, key: str) -> Mesh:
    points = np.array(body.points).reshape(-1, 3)
    corners = np.array(body.corners, dtype=np.int64).reshape(-1, 3)
    if corners.min() < 0 or corners.max() >= len(points):
        raise package.fault(f"object {key[:20]} names a vertex that is not there")
    if not np.isfinite(points).all():
        raise package.fault(f"object {key[:20]} has a coordinate that is not a finite number")
    turn = np.linalg.det(matrix[:3, :3])
    if turn == 0.0 or not np.isfinite(turn):
        raise package.fault(f"flattens object {key[:20]} by its transform")
    return Mesh(points, corners).transformed(matrix)
