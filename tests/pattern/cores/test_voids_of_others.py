"""Holes in meshes of other people's: how many there are, and that closing them leaves no tunnel."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from patternprep.mesh.check import check_mesh
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import Mesh
from patternprep.mesh.read.part import read_part
from patternprep.mesh.read.stl import weld
from patternprep.mesh.write import settle
from patternprep.pattern.cores.assemble import close_voids
from patternprep.pattern.cores.voids import fill_voids, find_voids

FOLDER = Path(os.environ.get("PATTERNPREP_MESHES", "/nowhere"))

pytestmark = pytest.mark.skipif(not FOLDER.is_dir(), reason="PATTERNPREP_MESHES is not set")

# ending of the file's name, units, tunnels, holes found, tunnels left when all are closed
CASES = [
    ("nist_ctc_01.brep.stl", "mm", 10, 14, 0),
    ("ACS19152W_spro_key.FCStd.stl", "mm", 1, 1, 0),
    ("JAC6205S_Y.FCStd.stl", "mm", 2, 2, 0),
    ("hypoCycloid.FCStd.stl", "mm", 11, 13, 0),
    ("glandPresser.FCStd.stl", "mm", 5, 5, 0),
    # two oil holes open through the groove's round floor
    ("lanternRing.FCStd.stl", "mm", 6, 4, 2),
    ("Shackle6.FCStd.stl", "mm", 2, 2, 0),
    ("sheave_plainBrgB.FCStd.stl", "mm", 6, 6, 0),
    ("chute3.FCStd.stl", "mm", 1, 1, 0),
    ("lidar_mount.stl", "m", 10, 10, 0),
    ("husky_description__meshes__wheel.stl", "m", 9, 18, 0),
    ("nut.ply", "mm", 1, 1, 0),
    ("io1-cm-214.stp.stl", "mm", 7, 7, 0),
    ("featuretype.STL", "in", 9, 20, 0),
    # two bolt holes run half out of the top of a plate, so that their rims are no rings
    ("idler_riser.STL", "in", 3, 1, 2),
    # a wheel whose bore is round over into its sides: no flat mouth
    ("LinkWheel2.FCStd.stl", "mm", 1, 0, 1),
    ("Handle.FCStd.stl", "mm", 0, 0, 0),
    ("busted.STL", "in", 0, 0, 0),
]


def tunnels(mesh: Mesh) -> int:
    """Genus of a surface of one shell by Euler's count."""
    count = len(np.unique(mesh.faces))
    return 1 - (count - 3 * mesh.facets // 2 + mesh.facets) // 2


@pytest.mark.parametrize(("ending", "units", "before", "holes", "after"), CASES)
def test_closing_all_holes_leaves_no_tunnel(ending, units, before, holes, after):
    (path,) = (p for p in FOLDER.iterdir() if p.name.endswith(ending))
    mesh = weld(settle(read_part(path, units=units).mesh).triangles)
    assert tunnels(mesh) == before
    voids = find_voids(mesh)
    assert len(voids) == holes
    assert all(check_mesh(v.mesh).fault is None for v in voids)
    filled = fill_voids(mesh, voids)
    assert tunnels(filled) == after
    assert check_mesh(filled).fault is None
    told = mesh.volume + sum(v.volume_mm3 for v in voids)
    assert filled.volume == pytest.approx(told, rel=1e-9)
    if voids:
        closed, _, bad = close_voids(Solid.from_mesh(mesh), voids, mesh)
        assert bad is None
        assert closed.volume == pytest.approx(told, rel=1e-7)


def test_a_hub_that_stands_out_of_its_recess_is_refused():
    (path,) = (p for p in FOLDER.iterdir() if p.name.endswith("HighNotch_hiwheel.FCStd.stl"))
    mesh = weld(settle(read_part(path).mesh).triangles)
    voids = find_voids(mesh)
    assert len(voids) == 3
    _, _, bad = close_voids(Solid.from_mesh(mesh), voids, mesh)
    assert bad is not None
    assert bad[0].name == "hole 1"
    bore = voids[2]
    _, _, bad = close_voids(Solid.from_mesh(mesh), [bore], mesh)
    assert bad is None
