"""Dimensions of the demo parts in their kits: plane faces and bores, from the written files.

For every plane square to the pull and every bore and boss along it, where the part's own metal is
not covered by draft: how far the written half is from the part's face, brought to pattern size by
the kit's own matrix. ``python tests/benchmark/dimensions.py [--smoke]`` prints JSON rows.
"""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from hull_reference import area_of

from patternprep.errors import PatternprepError
from patternprep.mesh.faces import Face, find_faces
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.mesh.read.stl import read_stl

DEMO = Path(__file__).parents[2] / "demo_models"
BELOW_RIM_MM = 0.001
"""A wall is measured this far below its outer end, where draft has moved it by nothing yet."""
FLAT = 1.0 - 1e-9
SEEN_MM = 0.1
"""A rim farther than this from any wall is covered by metal, and a plane is another plane."""
METALS = {"ribbed_bracket": "LM25", "bearing_cap": "LM25", "flanged_bush": "C90500"}


def make_kit(name: str, folder: Path) -> dict[str, Any]:
    from patternprep.kit.job import build_job
    from patternprep.kit.pipeline import make_kit as make

    values = {
        "part": {"file": str(DEMO / f"{name}.stl")},
        "alloy": {"name": METALS.get(name, "EN-GJL-250")},
        "draft": {"angle": "2 deg", "corner": "mitred"},
        "cores": {"holes": ["none"]},
    }
    return make(build_job(values, "the benchmark"), folder)


def plane_errors(face: Face, matrix: FloatArray, half: Mesh, sign: float) -> list[float]:
    """Distances in mm of the half's level facets from the plane of a face that looks outward."""
    level = (matrix[:3, :3] @ face.point + matrix[:3, 3])[2]
    if sign * level <= SEEN_MM:
        return []
    triangles = half.triangles
    heights = triangles[..., 2]
    looks_out = sign * half.normals[:, 2] > FLAT
    near = looks_out & (np.abs(heights - level).max(axis=1) < SEEN_MM)
    return np.abs(heights[near] - level).ravel().tolist()


def rim_errors(face: Face, part: Mesh, matrix: FloatArray, half: Solid, sign: float) -> list[float]:
    """Distances in mm of the part's rim points from the half's wall at the face's outer end."""
    corners = part.vertices[np.unique(part.faces[face.facets])]
    points = corners @ matrix[:3, :3].T + matrix[:3, 3]
    end = float((sign * points[:, 2]).max())
    if end <= SEEN_MM:
        return []
    rim = points[sign * points[:, 2] > end - 1e-4]
    section = area_of(half.section(sign * (end - BELOW_RIM_MM)))
    distance = shapely.distance(shapely.boundary(section), shapely.points(rim[:, :2]))
    return distance[distance < SEEN_MM].tolist()


def part_row(name: str) -> dict[str, Any]:
    """The worst error on planes and on rims of one demo part, and how many were measured."""
    with tempfile.TemporaryDirectory(prefix="patternprep-dimensions-") as folder:
        kit = Path(folder) / "kit"
        figures = make_kit(name, kit)
        part = read_stl(kit / "part.stl")
        halves = {piece["name"]: read_stl(kit / piece["file"]) for piece in figures["pieces"]}
    matrix = np.array(figures["frame"]["part_to_mould"])
    pull = np.array(figures["parting"]["pull_in_part"])
    planes: list[list[float]] = []
    rims: list[list[float]] = []
    for half_name, half in halves.items():
        sign = 1.0 if half_name == "cope" else -1.0
        solid = Solid.from_mesh(half)
        for face in find_faces(part):
            if face.kind == "plane" and sign * float(np.dot(face.normal, pull)) > FLAT:
                planes.append(plane_errors(face, matrix, half, sign))
            if face.kind in ("bore", "boss") and abs(float(np.dot(face.axis, pull))) > FLAT:
                rims.append(rim_errors(face, part, matrix, solid, sign))
    return {
        "part": name,
        "planes": sum(bool(errors) for errors in planes),
        "plane_error_mm": max((max(errors) for errors in planes if errors), default=None),
        "rims": sum(bool(errors) for errors in rims),
        "rim_error_mm": max((max(errors) for errors in rims if errors), default=None),
        "facets_in": figures["part"]["facets"],
        "facets_out": sum(piece["facets"] for piece in figures["pieces"]),
    }


def row_or_refusal(name: str) -> dict[str, Any]:
    """The row of a part, or the sentence with which its kit was refused."""
    try:
        return part_row(name)
    except PatternprepError as fault:
        return {"part": name, "refused": fault.message}


if __name__ == "__main__":
    names = sorted(path.stem for path in DEMO.glob("*.stl"))
    chosen = ["flanged_bush"] if "--smoke" in sys.argv else names
    print(json.dumps([row_or_refusal(name) for name in chosen]))
