"""Files of a kit read with care: meshes, and the hashes that they are told by."""

from __future__ import annotations

import hashlib
from pathlib import Path

from patternprep.errors import FileFault, reason_of
from patternprep.mesh.mesh import Mesh
from patternprep.mesh.read.stl import read_stl

__all__ = ["hash_of", "read_hashed"]

_FACET_LIMIT = 50_000_000


def hash_of(path: Path) -> str:
    """SHA-256 of a file's bytes, in hexadecimal; FileFault where it cannot be read."""
    try:
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise FileFault(
            f"{path} cannot be read ({reason_of(error)}); check its permissions."
        ) from None


def read_hashed(path: Path) -> tuple[Mesh, str]:
    """The mesh of an STL file, and the file's hash."""
    return read_stl(path, facet_limit=_FACET_LIMIT), hash_of(path)
