"""A real kit, spoilt by hand as a careful forger would (hashes and counts put right): found out."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from patternprep.errors import FileFault
from patternprep.kit.job import build_job
from patternprep.kit.pipeline import make_kit
from patternprep.mesh.kernel import Solid
from patternprep.mesh.mesh import Mesh
from patternprep.mesh.read.stl import read_stl
from patternprep.mesh.write import write_stl
from patternprep.proof import prove_kit


def soup(mesh: Mesh) -> Mesh:
    """On 32-bit coordinates, as a file holds them."""
    return Mesh(mesh.vertices.astype(np.float32).astype(np.float64), mesh.faces)


@pytest.fixture(scope="module")
def kit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A block 80 x 50 x 60 that parts 20 mm below its top, in a kit that is proved."""
    folder = tmp_path_factory.mktemp("planted")
    block = Solid.box((0, 0, 0), (80, 50, 60)) - Solid.box((60, 20, 40), (70, 30, 60))
    write_stl(folder / "block.stl", soup(block.to_mesh()))
    job = build_job(
        {
            "part": {"file": str(folder / "block.stl")},
            "alloy": {"name": "LM25"},
            "parting": {"pull": "+z", "plane": "40 mm"},
            "stock": [{"face": "+z", "amount": "2 mm"}],
        },
        "the test",
    )
    make_kit(job, folder / "kit")
    return folder / "kit"


def spoilt(kit: Path, tmp_path: Path, name: str, change: Callable[[Mesh], Mesh]) -> Path:
    """A copy of the kit in which one piece is another mesh, and the figures say so."""
    copy = tmp_path / "kit"
    shutil.copytree(kit, copy)
    figures: dict[str, Any] = json.loads((copy / "figures.json").read_text(encoding="utf-8"))
    piece = next(p for p in figures["pieces"] if p["name"] == name)
    mesh = soup(change(read_stl(copy / piece["file"])))
    printed = soup(mesh.transformed(np.array(piece["print_matrix"])))
    for key, hashed, body in (
        ("file", "sha256", mesh),
        ("print_file", "print_sha256", printed),
    ):
        write_stl(copy / piece[key], body)
        piece[hashed] = sha256((copy / piece[key]).read_bytes()).hexdigest()
    piece["facets"], piece["volume_mm3"] = mesh.facets, mesh.volume
    (copy / "figures.json").write_text(json.dumps(figures), encoding="utf-8")
    return copy


def failed(folder: Path) -> list[str]:
    return [line.name for line in prove_kit(folder) if not line.passed]


def moved(x: float, y: float, z: float = 0.0) -> Callable[[Mesh], Mesh]:
    return lambda mesh: Mesh(mesh.vertices + np.array([x, y, z]), mesh.faces)


def test_the_kit_itself_holds(kit: Path) -> None:
    assert failed(kit) == []


def test_an_unchanged_piece_written_again_still_holds(kit: Path, tmp_path: Path) -> None:
    assert failed(spoilt(kit, tmp_path, "drag", lambda mesh: mesh)) == []


@pytest.mark.parametrize("name", ["cope", "drag"])
def test_a_half_shifted_by_a_fifth_of_a_millimetre(kit: Path, tmp_path: Path, name: str) -> None:
    names = failed(spoilt(kit, tmp_path, name, moved(0.2, 0.0)))
    assert any("within pattern" in n for n in names)
    assert any("meet" in n for n in names)


def test_a_facet_removed(kit: Path, tmp_path: Path) -> None:
    names = failed(spoilt(kit, tmp_path, "drag", lambda m: Mesh(m.vertices, m.faces[1:])))
    assert any("closed" in n for n in names)


def test_one_wall_at_one_degree_instead_of_two(kit: Path, tmp_path: Path) -> None:
    def upright(mesh: Mesh) -> Mesh:
        """The wall toward -x of the drag, its foot on the parting drawn in to 1 degree."""
        v = mesh.vertices.copy()
        low = v[:, 2].min()
        foot = (v[:, 2] == 0.0) & (v[:, 0] < v[:, 0].min() + 0.01)
        v[foot, 0] = v[v[:, 2] == low, 0].min() + low * np.tan(np.radians(1.0))
        return Mesh(v, mesh.faces)

    names = failed(spoilt(kit, tmp_path, "drag", upright))
    assert any("wall" in n for n in names)


def test_the_halves_swapped(kit: Path, tmp_path: Path) -> None:
    copy = tmp_path / "kit"
    shutil.copytree(kit, copy)
    for folder in ("assembly", "print"):
        a, b = copy / folder / "cope.stl", copy / folder / "drag.stl"
        a.rename(copy / "x.stl")
        b.rename(a)
        (copy / "x.stl").rename(b)
    names = failed(copy)
    assert any("below the parting" in n or "above the parting" in n for n in names)


@pytest.mark.parametrize("share", [0.998, 1.002])
def test_a_scale_a_fifth_of_a_percent_off(kit: Path, tmp_path: Path, share: float) -> None:
    names = failed(spoilt(kit, tmp_path, "cope", lambda m: Mesh(m.vertices * share, m.faces)))
    wanted = "short by" if share < 1.0 else "beyond its draft hull"
    assert any(wanted in n for n in names)
    assert any("casting volume" in n for n in names)


def test_another_part_in_the_kit(kit: Path, tmp_path: Path) -> None:
    copy = tmp_path / "kit"
    shutil.copytree(kit, copy)
    write_stl(copy / "part.stl", soup(Solid.box((0, 0, 0), (80, 50, 61)).to_mesh()))
    names = failed(copy)
    assert any("part file" in n for n in names)
    assert any("within pattern" in n for n in names)


def test_stock_that_was_planed_off(kit: Path, tmp_path: Path) -> None:
    def planed(mesh: Mesh) -> Mesh:
        v = mesh.vertices.copy()
        top = v[:, 2].max()
        v[v[:, 2] == top, 2] = top - 0.5
        return Mesh(v, mesh.faces)

    names = failed(spoilt(kit, tmp_path, "cope", planed))
    assert any("stock" in n for n in names)


def test_a_half_that_is_gone(kit: Path, tmp_path: Path) -> None:
    copy = tmp_path / "kit"
    shutil.copytree(kit, copy)
    (copy / "assembly" / "cope.stl").unlink()
    with pytest.raises(FileFault, match="cope"):
        prove_kit(copy)


@pytest.mark.parametrize(
    ("section", "key", "value", "words"),
    [
        ("charge", "mass_kg", 5.0, "charge"),
        ("pour", "poured_kg", 5.0, "poured"),
        ("part", "size_mm", [1.0, 2.0, 3.0], "part size"),
    ],
)
def test_a_figure_that_was_edited(
    kit: Path, tmp_path: Path, section: str, key: str, value: Any, words: str
) -> None:
    copy = tmp_path / "kit"
    shutil.copytree(kit, copy)
    figures = json.loads((copy / "figures.json").read_text(encoding="utf-8"))
    figures[section][key] = value
    (copy / "figures.json").write_text(json.dumps(figures), encoding="utf-8")
    assert any(words in name for name in failed(copy))


@pytest.mark.parametrize("name", ["pattern.3mf", "job.toml"])
def test_a_file_without_geometry_that_was_changed_or_lost(
    kit: Path, tmp_path: Path, name: str
) -> None:
    copy = tmp_path / "kit"
    shutil.copytree(kit, copy)
    with (copy / name).open("ab") as stream:
        stream.write(b"\n")
    assert f"{name} unchanged" in failed(copy)
    (copy / name).unlink()
    with pytest.raises(FileFault, match=name):
        prove_kit(copy)
