"""Read every mesh of a folder and print what became of it, one Markdown table.

    PATTERNPREP_MESHES=folder python tests/tools/mesh_folder_table.py [words in the file name...]

The folder may hold a LICENSES.md that names a mesh in backquotes and, on the same line, its exact
volume and area as "V=..., A=..." and the chord error of its triangles as "lin=...".
"""

from __future__ import annotations

import os
import re
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from patternprep.errors import PatternprepError
from patternprep.mesh.read.part import PartRead, read_part

READABLE = (".stl", ".3mf", ".obj", ".ply", ".off")


@dataclass(frozen=True)
class Known:
    """Exact volume mm3, area mm2 and the chord error mm of the mesh made from it."""

    volume: float
    area: float
    chord: float

    @property
    def slack(self) -> float:
        """A mesh within the chord error of the surface differs by at most this much volume."""
        return self.area * self.chord


def folder() -> Path | None:
    """The folder named by PATTERNPREP_MESHES, if it is there."""
    named = os.environ.get("PATTERNPREP_MESHES")
    return Path(named) if named and Path(named).is_dir() else None


def meshes(where: Path) -> list[Path]:
    """Its mesh files, by name."""
    return sorted(p for p in where.iterdir() if p.suffix.lower() in READABLE)


def known_volumes(where: Path) -> dict[str, Known]:
    """Exact figures by file name, as far as the folder gives them."""
    notes = where / "LICENSES.md"
    found: dict[str, Known] = {}
    if notes.is_file():
        for row in notes.read_text(encoding="utf-8").splitlines():
            name = re.match(r"- `([^`]+)`", row)
            figures = re.search(r"lin=([\d.]+).*?V=([\d.]+), A=([\d.]+)", row)
            if name and figures:
                chord, volume, area = (float(g) for g in figures.groups())
                found[name[1]] = Known(volume, area, chord)
    return found


def verdict(part: PartRead) -> str:
    """'sound' or 'mended'."""
    return "mended" if part.mendings else "sound"


def main(words: list[str]) -> int:
    """Print the table; 1 when no folder is named."""
    where = folder()
    if where is None:
        print("Set PATTERNPREP_MESHES to a folder of meshes.", file=sys.stderr)
        return 1
    known = known_volumes(where)
    print("| file | facets | verdict | mm3 | exact mm3 (share of chord bound) | s | told |")
    print("|---|---|---|---|---|---|---|")
    for path in meshes(where):
        if words and not any(w in path.name for w in words):
            continue
        start = time.perf_counter()
        try:
            part = read_part(path)
        except PatternprepError as error:
            took = time.perf_counter() - start
            told = error.message.replace(f"{where}/", "")
            print(f"| {path.name} | | refused ({type(error).__name__}) | | | {took:.2f} | {told} |")
            continue
        took = time.perf_counter() - start
        exact = known.get(path.name)
        beside = ""
        if exact is not None:
            off = part.mesh.volume - exact.volume
            beside = f"{exact.volume:.8g} ({off / exact.slack:+.2f})"
        told = "; ".join([*map(str, part.mendings), *part.warnings])
        print(
            f"| {path.name} | {part.facets_read} | {verdict(part)} | {part.mesh.volume:.8g} | "
            f"{beside} | {took:.2f} | {told} |"
        )
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
