"""Writing meshes: binary STL and 3MF, the same bytes for the same mesh."""

from __future__ import annotations

import zipfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from xml.sax.saxutils import quoteattr

import numpy as np
import numpy.typing as npt

from patternprep.mesh.mesh import Mesh
from patternprep.mesh.settle import Settled, settle, settle_report

__all__ = ["Settled", "settle", "settle_report", "write_3mf", "write_stl"]

_HEADER = b"patternprep binary STL, coordinates in millimetres".ljust(80, b" ")
_RECORD = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
_CHUNK = 100_000
_ZIP_DATE = (1980, 1, 1, 0, 0, 0)

_CONTENT_TYPES = b"""<?xml version="1.0" encoding="UTF-8"?>
<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">\
<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>\
<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>\
</Types>
"""
_RELATIONSHIPS = b"""<?xml version="1.0" encoding="UTF-8"?>
<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">\
<Relationship Target="/3D/3dmodel.model" Id="rel0" \
Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>
"""


def write_stl(path: str | Path, mesh: Mesh) -> None:
    """Write binary STL; the mesh must stand on 32-bit coordinates (see ``settle``).

    Raises ValueError where a coordinate would be rounded, for then the file could be unsound.
    """
    corners = mesh.triangles.astype(np.float32)
    if not np.array_equal(mesh.vertices.astype(np.float32).astype(np.float64), mesh.vertices):
        raise ValueError("settle a mesh before writing it: its coordinates do not fit 32 bits")
    records = np.zeros(mesh.facets, _RECORD)
    records["normal"] = mesh.normals + 0.0
    records["corners"] = corners
    with Path(path).open("wb") as stream:
        stream.write(_HEADER + np.uint32(mesh.facets).astype("<u4").tobytes())
        records.tofile(stream)


def write_3mf(path: str | Path, pieces: Sequence[tuple[str, Mesh]]) -> None:
    """Write named objects in millimetres, each one build item, after the 3MF core specification.

    Source: 3MF Consortium, 3D Manufacturing Format Core Specification 1.3, chapters 3 and 4.
    Coordinates are written with nine digits, which keeps 32-bit values exactly.
    """
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in (
            ("[Content_Types].xml", [_CONTENT_TYPES]),
            ("_rels/.rels", [_RELATIONSHIPS]),
            ("3D/3dmodel.model", _model(pieces)),
        ):
            info = zipfile.ZipInfo(name, _ZIP_DATE)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.create_system = 3
            info.external_attr = 0o644 << 16
            archive.writestr(info, b"".join(data), compresslevel=4)


def _model(pieces: Sequence[tuple[str, Mesh]]) -> Iterable[bytes]:
    yield (
        b'<?xml version="1.0" encoding="UTF-8"?>\n<model unit="millimeter" xml:lang="en-US" '
        b'xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02">\n<resources>\n'
    )
    for number, (name, mesh) in enumerate(pieces, start=1):
        yield f'<object id="{number}" name={quoteattr(name)} type="model"><mesh>\n'.encode()
        yield b"<vertices>\n"
        yield from _rows('<vertex x="%.9g" y="%.9g" z="%.9g"/>\n', mesh.vertices + 0.0)
        yield b"</vertices>\n<triangles>\n"
        yield from _rows('<triangle v1="%d" v2="%d" v3="%d"/>\n', mesh.faces)
        yield b"</triangles>\n</mesh></object>\n"
    yield b"</resources>\n<build>\n"
    for number in range(1, len(pieces) + 1):
        yield f'<item objectid="{number}"/>\n'.encode()
    yield b"</build>\n</model>\n"


def _rows(template: str, table: npt.NDArray[np.generic]) -> Iterable[bytes]:
    for at in range(0, len(table), _CHUNK):
        block = table[at : at + _CHUNK]
        yield ((template * len(block)) % tuple(block.reshape(-1).tolist())).encode("ascii")
