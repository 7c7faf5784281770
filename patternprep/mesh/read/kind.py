"""What a file is, by its first bytes; its name must agree."""

from __future__ import annotations

import re
from pathlib import Path

from patternprep.errors import FileFault
from patternprep.mesh.read.stl import file_size, is_ascii_stl

__all__ = ["file_kind"]

READABLE = {".stl": "STL", ".3mf": "3MF", ".obj": "OBJ", ".ply": "PLY", ".off": "OFF"}

_SIGNS = (
    (b"ISO-10303-21", "a STEP file"),
    (b"glTF", "a binary glTF file"),
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "a PNG image"),
    (b"\xff\xd8\xff", "a JPEG image"),
    (b"GIF8", "a GIF image"),
    (b"Rar!", "a RAR archive"),
    (b"7z\xbc\xaf", "a 7-Zip archive"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"\xd0\xcf\x11\xe0", "a compound document of a CAD or office program"),
    (b"DBRep_DrawableShape", "a BREP file"),
    (b"CASCADE Topology", "a BREP file"),
    (b"MZ", "a program"),
    (b"\x7fELF", "a program"),
)
_IGES = re.compile(rb"^.{72}S\s*1\s*$", re.MULTILINE)
_OBJ = re.compile(rb"^\s*(v|vn|vt|f|o|g|mtllib|usemtl)\s+\S", re.MULTILINE)
_OFF = re.compile(rb"^\s*(ST)?C?N?4?n?OFF\b")


def file_kind(path: Path) -> str:
    """'STL', '3MF', 'OBJ', 'PLY' or 'OFF'.

    Raises FileFault when the file cannot be read, is something else, or is named as something
    else than it is.
    """
    file_size(path)
    named = READABLE.get(path.suffix.lower())
    kind, told = _content(path)
    if kind is None:
        if named in ("STL", "OBJ", "OFF", "PLY") and told is None:
            if named == "STL":
                return "STL"  # the reader says what is wrong with it
            told = "something else"
        what = f"seems to be {told}" if told else "is of no known kind"
        raise FileFault(
            f"{path} {what}; give the part as one of {', '.join(READABLE.values())}, exported "
            f"from where it was drawn."
        )
    if named is None:
        raise FileFault(
            f"{path} seems to be {kind} but is not named so; rename it to end in "
            f"{next(k for k, v in READABLE.items() if v == kind)}."
        )
    if named != kind:
        raise FileFault(
            f"{path} is named as {named} but seems to be {kind}; rename it to end in "
            f"{next(k for k, v in READABLE.items() if v == kind)} or export it again."
        )
    return kind


def _content(path: Path) -> tuple[str | None, str | None]:
    """(readable kind or None, what else the file seems to be or None)."""
    with path.open("rb") as stream:
        head = stream.read(8192)
    body = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    if head.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        return _zipped(path)
    if re.match(rb"ply\s", body):
        return "PLY", None
    if _OFF.match(body):
        return "OFF", None
    if is_ascii_stl(path) or _fits_binary_stl(path, head):
        return "STL", None
    for sign, told in _SIGNS:
        if body.startswith(sign):
            return None, told
    if _IGES.search(head):
        return None, "an IGES file"
    lowered = body[:512].lower()
    if lowered.startswith((b"<!doctype html", b"<html")):
        return None, "a web page"
    if lowered.startswith(b"<?xml") or lowered.startswith(b"<"):
        return None, "an XML file"
    if b"\0" not in head and _OBJ.search(head):
        return "OBJ", None
    return None, None


def _fits_binary_stl(path: Path, head: bytes) -> bool:
    if len(head) < 84:
        return False
    size, need = path.stat().st_size, 84 + 50 * int.from_bytes(head[80:84], "little")
    return need > 84 and need <= size < need + 50


def _zipped(path: Path) -> tuple[str | None, str | None]:
    import zipfile

    try:
        with zipfile.ZipFile(path) as archive:
            names = {n.lower() for n in archive.namelist()}
    except (zipfile.BadZipFile, NotImplementedError, OSError):
        return ("3MF", None) if path.suffix.lower() == ".3mf" else (None, "a damaged zip archive")
    if "_rels/.rels" in names and any(n.endswith(".model") for n in names):
        return "3MF", None
    if "document.xml" in names:
        return None, "a CAD program's own document"
    return None, "a zip archive"
