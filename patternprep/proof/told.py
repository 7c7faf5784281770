"""What the figures tell beside geometry: other files, sizes, undercuts, and the figures as such."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from pathlib import PurePosixPath
from typing import Any

import numpy as np

from patternprep.errors import FileFault
from patternprep.proof.files import Figures, Kit
from patternprep.proof.line import ProofLine, at_most
from patternprep.proof.metal import metal_lines
from patternprep.proof.model import Scene
from patternprep.proof.reading import hash_of

__all__ = ["SEAL_KEY", "seal_of", "told_lines"]

_SIZE_MM = 1e-4
_UNDERCUT_SHARE = 1e-5
SEAL_KEY = "told_sha256"
"""The key of figures.json under which the hash of the other figures stands."""


def told_lines(scene: Scene) -> list[ProofLine]:
    """Files and figures unchanged; sizes, undercuts and the metal as told."""
    kit = scene.kit
    lines = [_file_line(kit, row.text("file"), row.text("sha256")) for row in _files(kit)]
    seal = kit.figures.look(SEAL_KEY, None)
    if seal is not None:
        off = float(seal != seal_of(kit.figures.values))
        lines.append(at_most("figures.json unchanged", off, 0, "changed"))
    return [*lines, *_size_lines(kit), *_undercut_lines(kit), *metal_lines(kit)]


def seal_of(figures: Mapping[str, Any]) -> str:
    """SHA-256 of all figures but the seal itself and the proof, over JSON with sorted keys."""
    told = {key: figures[key] for key in figures if key not in (SEAL_KEY, "proof")}
    text = json.dumps(told, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def _size_lines(kit: Kit) -> list[ProofLine]:
    """Sizes, area and facets of the part, and the size of each piece."""
    figures, part = kit.figures, kit.part
    lines = []
    for key, found in (("size_mm", part.size), ("low_corner_mm", part.bounds[0])):
        if figures.look(f"part.{key}", None) is not None:
            off = float(np.abs(figures.array(f"part.{key}", (3,)) - found).max())
            name = "part size as told" if key == "size_mm" else "part's low corner as told"
            lines.append(at_most(name, off, _SIZE_MM, "mm"))
    if figures.look("part.area_mm2", None) is not None:
        off = abs(figures.number("part.area_mm2") / max(part.area, 1e-300) - 1.0)
        lines.append(at_most("part area as told", off, 1e-5, "of area"))
    if figures.look("part.facets", None) is not None:
        off = abs(figures.number("part.facets") - part.facets)
        lines.append(at_most("facets of the part as told", off, 0, "facets"))
    for piece in kit.pieces:
        if piece.stated.look("size_mm", None) is not None:
            off = float(np.abs(piece.stated.array("size_mm", (3,)) - piece.mesh.size).max())
            lines.append(at_most(f"size of the {piece.name} as told", off, _SIZE_MM, "mm"))
    return lines


def _undercut_lines(kit: Kit) -> list[ProofLine]:
    """The undercuts add up to the metal that fills them, and each is warned of."""
    figures = kit.figures
    if figures.look("parting.undercuts", None) is None or figures.look("cores", []):
        return []  # what cores make clear is not filled and is told with them
    rows = figures.tables("parting.undercuts")
    volumes = [row.number("volume_mm3") for row in rows]
    whole = max(abs(figures.number("casting.volume_mm3")), 1e-300)
    # films and pits too small to be named are told in one figure
    unnamed = figures.number("parting.undercuts_unnamed_mm3", 0.0)
    rest = figures.number("volumes_mm3.undercut_filled") - sum(volumes) - unnamed
    off = max(abs(rest), -unnamed) / whole
    if figures.look("parting.undercuts_unnamed_mm3", None) is None:
        off = max(-rest, 0.0) / whole
    warnings = figures.look("warnings", [])
    if not isinstance(warnings, list):
        raise FileFault(f"{figures.file}: 'warnings' must be a list of texts; make the kit again.")
    texts = [text for text in warnings if isinstance(text, str)]
    missing = 0
    for row, volume in zip(rows, volumes, strict=True):
        x, y, z = row.array("place_in_part_mm", (3,))
        place, metal = f"({x:.1f}, {y:.1f}, {z:.1f}) mm", f"{volume / 1000.0:.3f} cm3"
        missing += not any(place in text and metal in text for text in texts)
    return [
        at_most("undercuts add up to the metal in them", off, _UNDERCUT_SHARE, "of volume"),
        at_most("undercuts are warned of", missing, 0, "not told"),
    ]


def _files(kit: Kit) -> Sequence[Figures]:
    if kit.figures.look("files", None) is None:
        return []
    return kit.figures.tables("files")


def _file_line(kit: Kit, name: str, told: str) -> ProofLine:
    if PurePosixPath(name).name != name:
        raise FileFault(f"{kit.figures.file}: 'files' names '{name[:60]}', which is no plain name.")
    return at_most(
        f"{name} unchanged", float(hash_of(kit.folder / name) != told.lower()), 0, "changed"
    )
