"""What the figures tell beside geometry: other files, sizes, and the arithmetic of the metal."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import PurePosixPath

import numpy as np

from patternprep.errors import FileFault
from patternprep.proof.files import Figures, Kit
from patternprep.proof.line import ProofLine, at_most
from patternprep.proof.model import Scene

__all__ = ["told_lines"]

_SIZE_MM = 1e-4
_SHARE = 1e-9


def told_lines(scene: Scene) -> list[ProofLine]:
    """Files without geometry unchanged; the part's size; metal poured and charged as added up."""
    kit = scene.kit
    lines = [_file_line(kit, row.text("file"), row.text("sha256")) for row in _files(kit)]
    if kit.figures.look("part.size_mm", None) is not None:
        told = kit.figures.array("part.size_mm", (3,))
        off = float(np.abs(told - kit.part.size).max())
        lines.append(at_most("part size as told", off, _SIZE_MM, "mm"))
    return lines + _metal_lines(kit)


def _files(kit: Kit) -> Sequence[Figures]:
    if kit.figures.look("files", None) is None:
        return []
    return kit.figures.tables("files")


def _file_line(kit: Kit, name: str, told: str) -> ProofLine:
    if PurePosixPath(name).name != name:
        raise FileFault(f"{kit.figures.file}: 'files' names '{name[:60]}', which is no plain name.")
    path = kit.folder / name
    try:
        with path.open("rb") as stream:
            found = hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise FileFault(f"{path} cannot be read ({error.strerror}); make the kit again.") from None
    return at_most(f"{name} unchanged", float(found != told.lower()), 0, "changed")


def _metal_lines(kit: Kit) -> list[ProofLine]:
    """Poured = n x casting / yield; charge = (poured + pour-off + heel) / (1 - loss)."""
    figures = kit.figures
    keys = (
        "casting.mass_kg",
        "pour.poured_kg",
        "pour.yield_percent",
        "pour.castings_per_mould",
        "charge.mass_kg",
        "charge.loss_percent",
    )
    if any(figures.look(key, None) is None for key in keys):
        return []
    casting, poured, yielded, count, charge, loss = (figures.number(key) for key in keys)
    spare = sum(figures.number(f"charge.{key}", 0.0) for key in ("pour_off_kg", "heel_kg"))
    pour = count * casting / max(yielded / 100.0, 1e-9)
    charged = (poured + spare) / max(1.0 - loss / 100.0, 1e-9)
    return [
        at_most("metal poured from castings and yield", _off(pour, poured), _SHARE, "of mass"),
        at_most("charge from metal poured and loss", _off(charged, charge), _SHARE, "of mass"),
    ]


def _off(found: float, told: float) -> float:
    return abs(found - told) / max(abs(told), 1e-300)
