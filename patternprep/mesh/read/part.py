"""Reading the part: the file, its unit, mending, and what is to be told about it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from patternprep.errors import FileFault, MeshFault, UsageFault
from patternprep.mesh.check import check_mesh
from patternprep.mesh.mend.report import Mending
from patternprep.mesh.mesh import Mesh
from patternprep.mesh.read.kind import file_kind
from patternprep.mesh.read.stl import (
    DEFAULT_FACET_LIMIT,
    check_facet_count,
    check_text_size,
    read_stl,
)
from patternprep.mesh.topology import unique_rows
from patternprep.progress import Progress, silent
from patternprep.units import MM_PER_UNIT, format_point

__all__ = ["PartRead", "read_part"]

_SMALL_MM, _LARGE_MM = 1.0, 3000.0
_FARTHEST_MM = 1e6


@dataclass(frozen=True)
class PartRead:
    """A sound part in mm with what was mended and what the user should know.

    ``bodies`` counts the separate bodies (inner voids are not bodies); ``facets_read`` those of
    the file, ``size_mm`` the extent along x, y and z; ``unit`` the one the file was read in.
    """

    mesh: Mesh
    bodies: int
    mendings: tuple[Mending, ...]
    warnings: tuple[str, ...]
    facets_read: int
    size_mm: tuple[float, float, float]
    unit: str = "mm"


def read_part(
    path: str | Path,
    *,
    units: str | None = None,
    facet_limit: int = DEFAULT_FACET_LIMIT,
    progress: Progress = silent,
) -> PartRead:
    """Read a part file as one sound solid in mm; mends what it can and tells it.

    ``units`` is the unit of the file's numbers: mm where not given. A 3MF file states its own,
    which holds; a unit given that differs from it is refused.
    Raises FileFault for the file, MeshFault for a surface that cannot be mended, UsageFault for
    units that are unknown or contradict the file.
    """
    path = Path(path)
    if units is not None and units not in MM_PER_UNIT:
        raise UsageFault(f"'{units}' is not a unit of length; use one of {', '.join(MM_PER_UNIT)}.")
    kind = file_kind(path)
    progress(f"Reading {path.name}")
    bodies, unit, warnings = _bodies(path, kind, units, facet_limit)
    facets = sum(b.facets for b in bodies)
    check_facet_count(path, facets, facet_limit)
    mesh = _joined(bodies)
    warnings += _size_warnings(path, mesh, kind, unit)
    from patternprep.mesh.mend.mend import mend_part

    mended = mend_part(mesh, str(path), progress)
    x, y, z = (float(s) for s in mended.mesh.size)
    return PartRead(
        mended.mesh, mended.bodies, mended.mendings, (*warnings, *mended.warnings), facets,
        (x, y, z), unit,
    )  # fmt: skip


def _bodies(
    path: Path, kind: str, units: str | None, facet_limit: int
) -> tuple[list[Mesh], str, tuple[str, ...]]:
    """Meshes in mm, equal corners of each made one vertex; the unit; warnings."""
    if kind == "3MF":
        from patternprep.mesh.read.threemf import read_3mf

        found = read_3mf(path, facet_limit=facet_limit)
        if units is not None and MM_PER_UNIT[units] != MM_PER_UNIT[found.unit]:
            raise UsageFault(
                f"{path} states its own unit, {found.unit}, which '{units}' contradicts; leave "
                f"--units out, or export the part in {units}."
            )
        return [_welded(b) for b in found.bodies], found.unit, found.warnings
    unit = "mm" if units is None else units
    if kind == "STL":
        mesh = read_stl(path, facet_limit=facet_limit)
    else:
        mesh = _welded(_other(path, kind, facet_limit))
    scale = MM_PER_UNIT[unit]
    return [mesh if scale == 1.0 else Mesh(mesh.vertices * scale, mesh.faces)], unit, ()


def _other(path: Path, kind: str, facet_limit: int) -> Mesh:
    from patternprep.mesh.read.ply import read_ply
    from patternprep.mesh.read.text import read_obj, read_off

    check_text_size(path, facet_limit)
    reader = {"OBJ": read_obj, "PLY": read_ply, "OFF": read_off}[kind]
    return reader(path, facet_limit=facet_limit)


def _welded(mesh: Mesh) -> Mesh:
    """With equal corners made one, unless the file's own numbering is sound as it stands."""
    if check_mesh(mesh).sound:
        return mesh
    used = np.unique(mesh.faces)
    first, index = unique_rows(mesh.vertices[used])
    number = np.zeros(len(mesh.vertices), np.int64)
    number[used] = index
    return Mesh(mesh.vertices[used[first]], number[mesh.faces])


def _joined(bodies: list[Mesh]) -> Mesh:
    if len(bodies) == 1:
        return bodies[0]
    shift = np.concatenate([[0], np.cumsum([len(b.vertices) for b in bodies])[:-1]])
    return Mesh(
        np.concatenate([b.vertices for b in bodies]),
        np.concatenate([b.faces + s for b, s in zip(bodies, shift, strict=True)]),
    )


def _size_warnings(path: Path, mesh: Mesh, kind: str, unit: str) -> tuple[str, ...]:
    """Warnings on size; MeshFault for a part without thickness or out of all measure."""
    size = mesh.size
    told = " x ".join(f"{s:.0f}" if s >= 1000.0 else f"{s:.4g}" for s in size) + " mm"
    if float(size.max()) == 0.0 or float(size.min()) <= 1e-7 * float(size.max()):
        raise MeshFault(
            f"{path} is flat ({told}); a part needs thickness, so export the solid body.",
            where=[float(c) for c in mesh.bounds[0]],
        )
    far = mesh.vertices[np.argmax(np.abs(mesh.vertices).max(axis=1))]
    if float(np.abs(far).max()) > _FARTHEST_MM:
        raise FileFault(
            f"{path} reaches to {format_point([float(c) for c in far])}, beyond {_FARTHEST_MM:g} "
            f"mm; check the units or move the part to the origin."
        )
    hint = (
        f"the file says {unit}; check it where it was drawn"
        if kind == "3MF"
        else f"its numbers were taken as {unit}; give --units if they are something else"
    )
    if float(size.max()) < _SMALL_MM:
        return (f"The part is only {told} in size: {hint}.",)
    if float(size.max()) > _LARGE_MM:
        return (f"The part is {told} in size, over 3 m: {hint}.",)
    return ()
