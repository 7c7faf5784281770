"""What a part is before anything is decided: size, soundness, faces, holes, partings."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from patternprep.kit.figures import candidate_figures, part_figures, plain
from patternprep.kit.plan import partings_for
from patternprep.mesh.faces import Face, find_faces
from patternprep.mesh.read.part import read_part
from patternprep.mesh.read.stl import DEFAULT_FACET_LIMIT
from patternprep.progress import Progress, silent

__all__ = ["inspect_part"]


def inspect_part(
    part: Path,
    *,
    units: str | None = None,
    facet_limit: int | None = None,
    pull: str = "auto",
    plane: str = "auto",
    progress: Progress = silent,
) -> dict[str, Any]:
    """Everything that is found on a part, as plain values.

    Keys: ``part``, ``reading``, ``faces`` (largest first), ``partings`` (best first).
    """
    read = read_part(
        part, units=units, facet_limit=facet_limit or DEFAULT_FACET_LIMIT, progress=progress
    )
    mesh = read.mesh
    size = " x ".join(f"{s:.2f}" for s in mesh.size)
    progress(f"part: {size} mm, {mesh.facets} facets")
    progress("finding faces")
    faces = find_faces(mesh)
    progress("ranking partings")
    candidates = partings_for(mesh, pull, plane, progress=progress)
    return plain(
        {
            "part": part_figures(mesh),
            "reading": {
                "file": part.name,
                "units": read.unit,
                "facets_read": read.facets_read,
                "bodies": read.bodies,
                "mended": [str(mending) for mending in read.mendings],
                "warnings": list(read.warnings),
            },
            "faces": [face_figures(face) for face in faces.faces],
            "partings": [candidate_figures(candidate) for candidate in candidates],
        }
    )


def face_figures(face: Face) -> dict[str, Any]:
    """One face as plain values, mm and mm2, part axes."""
    return {
        "name": face.name,
        "kind": face.kind,
        "area_mm2": face.area_mm2,
        "point": face.point,
        "normal": face.normal,
        "axis_point": face.axis_point,
        "axis": face.axis,
        "radius_mm": face.radius_mm,
        "length_mm": face.length_mm,
        "second_radius_mm": face.second_radius_mm,
        "through": face.through,
        "outward": face.outward,
        "text": face.describe(),
        "facets": len(face.facets),
    }
