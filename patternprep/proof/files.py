"""The kit as it lies in its folder: every file read and every figure looked up with care.

Whatever is absent, unreadable or of the wrong kind is a FileFault with one sentence.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from patternprep.errors import FileFault, reason_of
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.progress import Progress, silent
from patternprep.proof.core_files import BoxFile, CoreFile, read_boxes, read_cores
from patternprep.proof.figures import Figures, short_text
from patternprep.proof.reading import read_hashed

__all__ = ["FIGURES_VERSION", "JOB_VERSION", "Figures", "Kit", "PieceFiles", "read_kit"]

FIGURES_VERSION = 1
JOB_VERSION = 1
_LARGEST_TEXT = 64_000_000
_PIECES = ("cope", "drag")


@dataclass(frozen=True, eq=False)
class PieceFiles:
    """One piece: what figures.json states of it, and the meshes that were found."""

    name: str
    stated: Figures
    mesh: Mesh
    sha256: str
    printed: Mesh
    print_sha256: str
    print_matrix: FloatArray


@dataclass(frozen=True, eq=False)
class Kit:
    """All that the proof reads."""

    folder: Path
    figures: Figures
    job: Figures
    part: Mesh
    part_sha256: str
    pieces: tuple[PieceFiles, ...]
    frame: FloatArray
    """part_to_mould, 4 x 4."""
    cores: tuple[CoreFile, ...] = ()
    boxes: tuple[BoxFile, ...] = ()


def read_kit(folder: Path, progress: Progress = silent) -> Kit:
    """Read a kit's files; FileFault for what is absent, damaged or of an unknown version."""
    if not folder.is_dir():
        raise FileFault(f"{folder} is not a folder; name the folder of a kit.")
    figures = Figures(_read_json(folder / "figures.json"), folder / "figures.json")
    _check_version(figures, FIGURES_VERSION)
    job = Figures(_read_toml(folder / "job.toml"), folder / "job.toml")
    _check_version(job, JOB_VERSION)
    frame = figures.array("frame.part_to_mould", (4, 4))
    progress("reading the kit")
    part, part_hash = read_hashed(folder / "part.stl")
    rows = figures.tables("pieces")
    names = [row.text("name") for row in rows]
    if not rows or len(set(names)) != len(names) or not set(names) <= set(_PIECES):
        raise FileFault(
            f"{figures.file}: 'pieces' names {', '.join(names) or 'nothing'} but must name the "
            "cope, the drag or both, each once; make the kit again."
        )
    pieces = tuple(_read_piece(folder, row) for row in rows)
    _check_strays(folder, names)
    cores, boxes = read_cores(folder, figures), read_boxes(folder, figures)
    return Kit(folder, figures, job, part, part_hash, pieces, frame, cores, boxes)


def _read_piece(folder: Path, row: Figures) -> PieceFiles:
    name = row.text("name")
    for key, expected in (("file", f"assembly/{name}.stl"), ("print_file", f"print/{name}.stl")):
        if row.text(key) != expected:
            raise FileFault(
                f"{row.file}: '{key}' of the {name} is '{short_text(row.text(key))}' but must be "
                f"'{expected}'; make the kit again."
            )
    matrix = row.array("print_matrix", (4, 4))
    mesh, sha = read_hashed(folder / f"assembly/{name}.stl")
    printed, print_sha = read_hashed(folder / f"print/{name}.stl")
    return PieceFiles(name, row, mesh, sha, printed, print_sha, matrix)


def _check_strays(folder: Path, names: Sequence[str]) -> None:
    """A half that lies in the kit but is not told of is not proved, so the kit is refused."""
    for sub in ("assembly", "print"):
        for name in _PIECES:
            path = folder / sub / f"{name}.stl"
            if name not in names and path.exists():
                raise FileFault(
                    f"{path} lies in the kit but figures.json does not tell of it; "
                    "make the kit again."
                )


def _check_version(figures: Figures, known: int) -> None:
    version = figures.look("version")
    if isinstance(version, bool) or version != known:
        raise FileFault(
            f"{figures.file}: version is {short_text(version)} but this tool proves version "
            f"{known}; prove the kit with the version that made it, or make it again."
        )


def _read_text(path: Path) -> str:
    try:
        if path.stat().st_size > _LARGEST_TEXT:
            raise FileFault(f"{path} is larger than 64 MB; make the kit again.")
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise FileFault(f"{path} does not exist; name the folder of a whole kit.") from None
    except OSError as error:
        raise FileFault(
            f"{path} cannot be read ({reason_of(error)}); check its permissions."
        ) from None
    except UnicodeDecodeError:
        raise FileFault(f"{path} is not UTF-8 text; make the kit again.") from None


def _read_json(path: Path) -> Mapping[str, Any]:
    try:
        values = json.loads(_read_text(path))
    except (ValueError, RecursionError) as error:
        raise FileFault(
            f"{path} is not valid JSON ({short_text(error)}); make the kit again."
        ) from None
    if not isinstance(values, dict):
        raise FileFault(f"{path} does not hold a table of figures; make the kit again.")
    return values


def _read_toml(path: Path) -> Mapping[str, Any]:
    try:
        return tomllib.loads(_read_text(path))
    except (ValueError, RecursionError) as error:
        raise FileFault(
            f"{path} is not valid TOML ({short_text(error)}); make the kit again."
        ) from None
