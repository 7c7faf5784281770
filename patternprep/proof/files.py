"""The kit as it lies in its folder: every file read and every figure looked up with care.

Whatever is absent, unreadable or of the wrong kind is a FileFault with one sentence.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from patternprep.errors import FileFault
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.mesh.read.stl import read_stl
from patternprep.progress import Progress, silent

__all__ = ["FIGURES_VERSION", "JOB_VERSION", "Figures", "Kit", "PieceFiles", "read_kit"]

FIGURES_VERSION = 1
JOB_VERSION = 1
_LARGEST_TEXT = 64_000_000
_LARGEST, _FARTHEST = 1e12, 1e6
_PIECES = ("cope", "drag")
_MISSING = object()


class Figures:
    """A nested table of figures that answers a dotted key or names what is wrong with it."""

    def __init__(self, values: Mapping[str, Any], file: Path) -> None:
        self.values = values
        self.file = file

    def look(self, key: str, default: Any = _MISSING) -> Any:
        """The value at a dotted key, or the default."""
        value: Any = self.values
        for step in key.split("."):
            if not isinstance(value, Mapping) or step not in value:
                if default is _MISSING:
                    raise FileFault(f"{self.file}: the key '{key}' is missing; make the kit again.")
                return default
            value = value[step]
        return value

    def number(self, key: str, default: float | None = None) -> float:
        """A number of a size that a kit can hold."""
        value = self.look(key) if default is None else self.look(key, default)
        plain = isinstance(value, (int, float)) and not isinstance(value, bool)
        if not plain or not abs(value) <= _LARGEST:
            raise FileFault(
                f"{self.file}: '{key}' is {_short(value)} but must be a number within 1e12; "
                "make the kit again."
            )
        return float(value)

    def text(self, key: str, default: str | None = None) -> str:
        """A text."""
        value = self.look(key) if default is None else self.look(key, default)
        if not isinstance(value, str):
            raise FileFault(
                f"{self.file}: '{key}' is {_short(value)} but must be text; make the kit again."
            )
        return value

    def array(self, key: str, shape: tuple[int, ...]) -> FloatArray:
        """Numbers of the given shape."""
        value = self.look(key)
        try:
            array = np.array(value, dtype=np.float64)
        except (TypeError, ValueError, OverflowError):
            array = np.zeros(0)
        if array.shape != shape or not (np.abs(array) <= _FARTHEST).all():
            size = " x ".join(str(n) for n in shape)
            raise FileFault(
                f"{self.file}: '{key}' must hold {size} numbers within 1e6; make the kit again."
            )
        return array

    def tables(self, key: str) -> list[Figures]:
        """A list of tables; empty when the key is absent."""
        value = self.look(key, [])
        if not isinstance(value, list) or not all(isinstance(row, Mapping) for row in value):
            raise FileFault(f"{self.file}: '{key}' must be a list of tables; make the kit again.")
        return [Figures(row, self.file) for row in value]


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
    part, part_hash = _read_mesh(folder, "part.stl")
    rows = figures.tables("pieces")
    names = [row.text("name") for row in rows]
    if not rows or len(set(names)) != len(names) or not set(names) <= set(_PIECES):
        raise FileFault(
            f"{figures.file}: 'pieces' names {', '.join(names) or 'nothing'} but must name the "
            "cope, the drag or both, each once; make the kit again."
        )
    pieces = tuple(_read_piece(folder, row) for row in rows)
    _check_strays(folder, names)
    return Kit(folder, figures, job, part, part_hash, pieces, frame)


def _read_piece(folder: Path, row: Figures) -> PieceFiles:
    name = row.text("name")
    for key, expected in (("file", f"assembly/{name}.stl"), ("print_file", f"print/{name}.stl")):
        if row.text(key) != expected:
            raise FileFault(
                f"{row.file}: '{key}' of the {name} is '{_short(row.text(key))}' but must be "
                f"'{expected}'; make the kit again."
            )
    matrix = row.array("print_matrix", (4, 4))
    mesh, sha = _read_mesh(folder, f"assembly/{name}.stl")
    printed, print_sha = _read_mesh(folder, f"print/{name}.stl")
    return PieceFiles(name, row, mesh, sha, printed, print_sha, matrix)


def _read_mesh(folder: Path, relative: str) -> tuple[Mesh, str]:
    path = folder / relative
    mesh = read_stl(path, facet_limit=50_000_000)
    try:
        with path.open("rb") as stream:
            return mesh, hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise FileFault(f"{path} cannot be read ({error.strerror}); make the kit again.") from None


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
            f"{figures.file}: version is {_short(version)} but this tool proves version {known}; "
            "prove the kit with the version that made it, or make it again."
        )


def _read_text(path: Path) -> str:
    try:
        if path.stat().st_size > _LARGEST_TEXT:
            raise FileFault(f"{path} is larger than 64 MB; make the kit again.")
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise FileFault(f"{path} does not exist; name the folder of a whole kit.") from None
    except OSError as error:
        raise FileFault(f"{path} cannot be read ({error.strerror}); make the kit again.") from None
    except UnicodeDecodeError:
        raise FileFault(f"{path} is not UTF-8 text; make the kit again.") from None


def _read_json(path: Path) -> Mapping[str, Any]:
    try:
        values = json.loads(_read_text(path))
    except (ValueError, RecursionError) as error:
        raise FileFault(
            f"{path} is not valid JSON ({_short(error)}); make the kit again."
        ) from None
    if not isinstance(values, dict):
        raise FileFault(f"{path} does not hold a table of figures; make the kit again.")
    return values


def _read_toml(path: Path) -> Mapping[str, Any]:
    try:
        return tomllib.loads(_read_text(path))
    except (ValueError, RecursionError) as error:
        raise FileFault(
            f"{path} is not valid TOML ({_short(error)}); make the kit again."
        ) from None


def _short(value: object) -> str:
    text = str(value).replace("\n", " ")
    return text if len(text) <= 60 else text[:57] + "..."
