"""What a part is before anything is decided: size, soundness, faces, holes, partings."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from patternprep.kit.core_rules import CoreRules
from patternprep.kit.cores import holes_to_core
from patternprep.kit.figures import candidate_figures, part_figures, plain
from patternprep.kit.job import CoresChoice, MouldChoice
from patternprep.kit.plan import partings_for
from patternprep.mesh.faces import Face, find_faces
from patternprep.mesh.mesh import Mesh
from patternprep.mesh.read.part import read_part
from patternprep.mesh.read.stl import DEFAULT_FACET_LIMIT
from patternprep.pattern.cores.choose import choose_holes
from patternprep.pattern.cores.voids import find_voids
from patternprep.pattern.frame import mould_frame
from patternprep.pattern.parting import PartingCandidate
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

    Keys: ``part``, ``reading``, ``faces`` (largest first), ``holes`` (as the best parting would
    have them made), ``partings`` (best first).
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
    cores = holes_to_core(mesh, CoreRules(CoresChoice(), MouldChoice(), None))
    candidates = partings_for(mesh, pull, plane, cores=cores, progress=progress)
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
            "holes": holes_at_parting(mesh, candidates[0]),
            "partings": [candidate_figures(candidate) for candidate in candidates],
        }
    )


def holes_at_parting(mesh: Mesh, candidate: PartingCandidate) -> list[dict[str, Any]]:
    """Every hole that opens through flat faces: made by sand, by a core, or left for the drill.

    Judged at the part's own size in green sand, for any metal.
    """
    frame = mould_frame(mesh, candidate.pull, candidate.offset_mm)
    rules = CoreRules(CoresChoice(), MouldChoice(), None)
    rows = []
    for choice in choose_holes(
        find_voids(frame.mesh_to_mould(mesh)), rules, frozenset(), auto=True
    ):
        void = choice.void
        rows.append(
            {
                "name": void.name,
                "place_in_part_mm": frame.to_part(void.point).tolist(),
                "diameter_mm": [o.diameter_mm for o in void.openings],
                "leads_into": sorted({o.beyond for o in void.openings} - {""}),
                "volume_mm3": void.volume_mm3,
                "made_by": choice.fate,
                "reason": choice.reason,
            }
        )
    return rows


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
