"""STL, binary and ASCII, exactly as written: no unit, no mending.

Binary records go through numpy-stl; ASCII is checked against the whole grammar first, so that a
damaged file is refused with the line instead of being read in part. Equal corners are made one
vertex, equal meaning the same three 32-bit numbers.
"""

from __future__ import annotations

import re
import struct
from pathlib import Path

import numpy as np
import numpy.typing as npt

from patternprep.errors import FileFault
from patternprep.mesh.mesh import Mesh
from patternprep.mesh.topology import unique_rows

__all__ = [
    "DEFAULT_FACET_LIMIT",
    "check_facet_count",
    "check_text_size",
    "file_size",
    "is_ascii_stl",
    "read_stl",
    "weld",
]

DEFAULT_FACET_LIMIT = 2_000_000
"""Most facets taken unless told otherwise."""

_HEADER, _RECORD = 84, 50
_TEXT_BYTES_PER_FACET, _TEXT_ALLOWANCE = 600, 1 << 20
_NUMBER = rb"[-+]?(?:\d++\.?\d*+|\.\d++)(?:[eE][-+]?\d++)?"
_ANY_NUMBER = rb"(?:" + _NUMBER + rb"|[-+]?(?:nan|inf(?:inity)?)\b)"
_VERTEX = rb"\s++vertex(?:\s++" + _ANY_NUMBER + rb"){3}"
_OPENING = rb"facet\s++normal(?:\s++\S++){3}\s++outer\s++loop"
_FACET = re.compile(
    rb"(?:\s*+" + _OPENING + rb"(?:" + _VERTEX + rb"){3}\s++endloop\s++endfacet(?=\s|$))*+",
    re.IGNORECASE,
)
_SOLID_LINE = re.compile(rb"^[^\S\n]*(?:end[^\S\n]*)?solid\b[^\n]*$", re.IGNORECASE | re.MULTILINE)
_WORDS = re.compile(_OPENING + rb"|vertex|endloop|endfacet", re.IGNORECASE)


def read_stl(path: str | Path, *, facet_limit: int = DEFAULT_FACET_LIMIT) -> Mesh:
    """The facets of an STL file, coordinates as in the file (float32 values in float64).

    Equal corners become one vertex; facets keep their order and winding, whatever they are.
    Raises FileFault for a file that is absent, empty, truncated, not STL, holds no facet, a
    coordinate that is no number, or more than ``facet_limit`` facets.
    """
    path = Path(path)
    size = file_size(path)
    if is_ascii_stl(path):
        check_text_size(path, facet_limit)
        corners = _read_ascii(path)
    else:
        corners = _read_binary(path, size, facet_limit)
    check_facet_count(path, len(corners), facet_limit)
    flat = corners.reshape(-1, 3)
    bad = np.flatnonzero(~np.isfinite(flat).all(axis=1))
    if len(bad):
        raise FileFault(
            f"{path}: facet {bad[0] // 3 + 1} has a corner that is not a finite number "
            f"({len(bad)} such corners); every coordinate must be one, so export the part again."
        )
    return weld(corners)


def weld(corners: npt.NDArray[np.floating]) -> Mesh:
    """Facets given by their corners (m, 3, 3) as a mesh: corners equal as 32-bit numbers are one.

    This is how an STL file is read, so a mesh that went through it is the same as one read back.
    """
    flat = np.asarray(corners, dtype=np.float32).reshape(-1, 3)
    first, index = unique_rows(flat)
    return Mesh(flat[first].astype(np.float64) + 0.0, index.reshape(-1, 3))


def file_size(path: Path) -> int:
    """Bytes in a file that can be read and is not empty; FileFault otherwise."""
    try:
        if path.is_dir():
            raise FileFault(f"{path} is a folder; name the part file in it.")
        size = path.stat().st_size
        if not path.is_file():
            raise FileFault(f"{path} is no regular file; name the part file itself.")
        with path.open("rb") as stream:
            stream.read(1)
    except FileNotFoundError:
        raise FileFault(f"{path} does not exist; check the name and the folder.") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise FileFault(f"{path} cannot be read ({reason}); check its permissions.") from None
    if size == 0:
        raise FileFault(f"{path} is empty (0 bytes); export the part again.")
    return size


def check_text_size(path: Path, limit: int) -> None:
    """Raise FileFault for a text file too large to hold no more facets than the limit."""
    size = path.stat().st_size
    if size > _TEXT_BYTES_PER_FACET * limit + _TEXT_ALLOWANCE:
        raise FileFault(
            f"{path} is too large ({size >> 20} MB) for the limit of {limit} facets; export it as "
            f"binary STL or coarser, or raise the facet limit."
        )


def check_facet_count(path: Path, facets: int, limit: int) -> None:
    """Raise FileFault for no facet at all, or more than the limit."""
    if facets == 0:
        raise FileFault(f"{path} holds no facet; export the part as a solid body.")
    if facets > limit:
        raise FileFault(
            f"{path} holds {facets} facets, over the limit of {limit}; export it coarser "
            f"or raise the facet limit."
        )


def is_ascii_stl(path: Path) -> bool:
    """True when the file reads as ASCII STL; a binary file may start with 'solid' as well."""
    size = path.stat().st_size
    with path.open("rb") as stream:
        head = stream.read(4096)
    if not head.lstrip().lower().startswith(b"solid"):
        return False
    if len(head) >= _HEADER:
        (count,) = struct.unpack_from("<I", head, 80)
        if _HEADER + _RECORD * count == size:
            return False
    body = head.lower()
    return b"facet" in body or b"endsolid" in body or b"\0" not in head


def _read_binary(path: Path, size: int, facet_limit: int) -> npt.NDArray[np.float32]:
    """Corners (m, 3, 3) of a binary file whose length agrees with its facet count."""
    from stl import Mesh as StlMesh
    from stl import Mode

    if size < _HEADER:
        raise FileFault(
            f"{path} is too short to be STL ({size} bytes, a binary header takes {_HEADER}); "
            f"export the part again."
        )
    with path.open("rb") as stream:
        (count,) = struct.unpack_from("<I", stream.read(_HEADER), 80)
        need = _HEADER + _RECORD * count
        spare = size - need
        if spare < 0:
            held = (size - _HEADER) // _RECORD
            raise FileFault(
                f"{path} is truncated or not STL: its header says {count} facets but the file "
                f"holds {held}; copy or export it again."
            )
        check_facet_count(path, count, facet_limit)
        if spare and spare % _RECORD == 0:
            raise FileFault(
                f"{path} contradicts itself: its header says {count} facets but the file holds "
                f"{count + spare // _RECORD}; export it again."
            )
        stream.seek(0)
        mesh = StlMesh.from_file(str(path), calculate_normals=False, fh=stream, mode=Mode.BINARY)
    return np.ascontiguousarray(mesh.vectors, dtype=np.float32)


def _read_ascii(path: Path) -> npt.NDArray[np.float32]:
    """Corners (m, 3, 3) of an ASCII file that follows the grammar from end to end."""
    text = path.read_bytes().replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if b"endsolid" not in text[-4096:].lower():
        raise FileFault(
            f"{path} is truncated: an ASCII STL ends with 'endsolid' and this one does not; "
            f"copy or export it again."
        )
    body = _SOLID_LINE.sub(b"", text).rstrip(b" \t\n\v\f\0\x1a")
    match = _FACET.match(body)
    end = match.end() if match else 0
    if end != len(body):
        line = body.count(b"\n", 0, end + len(body[end:]) - len(body[end:].lstrip())) + 1
        facet = len(re.findall(rb"endfacet", body[:end], re.IGNORECASE)) + 1
        raise FileFault(
            f"{path} is damaged at facet {facet} (line {line}): it must read 'facet normal', "
            f"'outer loop', three times 'vertex' with three numbers, 'endloop', 'endfacet'; "
            f"export it again."
        )
    numbers = np.fromstring(_WORDS.sub(b" ", body).decode("ascii"), dtype=np.float64, sep=" ")
    with np.errstate(over="ignore"):
        return numbers.astype(np.float32).reshape(-1, 3, 3)
