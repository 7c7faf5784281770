"""Faces of parts whose CAD files give their cylinders (folder: PATTERNPREP_MESHES)."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from patternprep.mesh.faces import find_faces
from patternprep.mesh.read.part import read_part

FOLDER = Path(os.environ.get("PATTERNPREP_MESHES", ""))
pytestmark = pytest.mark.skipif(
    not os.environ.get("PATTERNPREP_MESHES") or not FOLDER.is_dir(),
    reason="PATTERNPREP_MESHES names no folder of meshes",
)


def diameters(name: str, kind: str) -> list[float]:
    path = FOLDER / name
    if not path.is_file():
        pytest.skip(f"{name} is not in the folder")
    faces = find_faces(read_part(path).mesh)
    return sorted(round(2.0 * (f.radius_mm or 0.0), 3) for f in faces.of_kind(kind))


def test_flange_of_the_step_standard() -> None:
    """CYLINDRICAL_SURFACE entities of the AP214 example io1-cm-214: radii 3.5, 18, 29, 31, 44."""
    name = "stepcode__data__ap214e3__io1-cm-214.stp.stl"
    assert diameters(name, "bore") == [7.0] * 6 + [36.0]
    assert diameters(name, "boss") == [58.0, 62.0, 62.0, 88.0]


def test_feature_plate() -> None:
    """STEP file featuretype: half cylinders of radius 0.133 (16), 0.21875 (16), 0.19472 (2), in."""
    found = diameters("trimesh__models__featuretype.STL", "bore")
    assert len(found) == 17
    assert found.count(0.266) == 8
    assert sum(abs(d - 0.4375) < 0.001 for d in found) == 8
    assert 0.389 in found
