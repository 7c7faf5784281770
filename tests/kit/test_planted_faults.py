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
from patternprep.proof import prove_kit, seal_of


def soup(mesh: Mesh) -> Mesh:
    """On 32-bit coordinates, as a file holds them."""
    return Mesh(mesh.vertices.astype(np.float32).astype(np.float64), mesh.faces)


@pytest.fixture(scope="module")
def kit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A block 80 x 50 x 60 that parts 20 mm below its top, in a kit that is proved.

    A pocket in its top opens upward and draws; a slot in its side, in the drag, is an undercut.
    """
    folder = tmp_path_factory.mktemp("planted")
    block = Solid.box((0, 0, 0), (80, 50, 60)) - Solid.box((60, 20, 40), (70, 30, 60))
    block -= Solid.box((-5, 10, 12), (6, 40, 20))
    write_stl(folder / "block.stl", soup(block.to_mesh()))
    job = build_job(
        {
            "part": {"file": str(folder / "block.stl")},
            "alloy": {"name": "LM25"},
            "parting": {"pull": "+z", "plane": "40 mm"},
            "stock": [{"face": "+z", "amount": "2 mm"}],
            "cores": {"holes": ["none"]},
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
    piece["size_mm"] = mesh.size.tolist()
    figures["told_sha256"] = seal_of(figures)
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


def edited(kit: Path, tmp_path: Path, edit: Callable[[dict[str, Any]], Any], seal: bool) -> Path:
    """A copy of the kit with edited figures, their seal put right when asked."""
    copy = tmp_path / "kit"
    shutil.copytree(kit, copy)
    figures = json.loads((copy / "figures.json").read_text(encoding="utf-8"))
    edit(figures)
    if seal:
        figures["told_sha256"] = seal_of(figures)
    (copy / "figures.json").write_text(json.dumps(figures), encoding="utf-8")
    return copy


def step_of(figures: dict[str, Any], label: str) -> dict[str, Any]:
    return next(row for row in figures["estimate_steps"] if row["label"].startswith(label))


def undercut_told_smaller(figures: dict[str, Any]) -> None:
    """A forger's edit: the undercut's volume, and the warning that tells of it."""
    undercut = figures["parting"]["undercuts"][0]
    before = undercut["volume_mm3"]
    undercut["volume_mm3"] = 0.5 * before
    words = (f"{before / 1000.0:.3f} cm3", f"{before / 2000.0:.3f} cm3")
    figures["warnings"] = [text.replace(*words) for text in figures["warnings"]]


EDITS: dict[str, tuple[Callable[[dict[str, Any]], Any], str]] = {
    "charge": (lambda f: f["charge"].update(mass_kg=5.0), "charge from metal poured"),
    "charge below its range": (lambda f: f["charge"].update(low_kg=5.0), "within its range"),
    "poured": (lambda f: f["pour"].update(poured_kg=5.0), "metal poured"),
    "part size": (lambda f: f["part"].update(size_mm=[1.0, 2.0, 3.0]), "part size"),
    "part corner": (lambda f: f["part"].update(low_corner_mm=[1.0, 0.0, 0.0]), "low corner"),
    "part area": (lambda f: f["part"].update(area_mm2=1.0), "part area"),
    "part facets": (lambda f: f["part"].update(facets=3), "facets of the part"),
    "piece size": (lambda f: f["pieces"][0].update(size_mm=[1.0, 2.0, 3.0]), "size of the cope"),
    "pattern volume": (lambda f: f["pattern"].update(volume_mm3=1.0), "pattern volume"),
    "undercut": (lambda f: f["parting"]["undercuts"][0].update(volume_mm3=1.0), "undercuts add"),
    "undercut and warning": (undercut_told_smaller, "undercuts add up"),
    "undercut left out": (lambda f: f["parting"]["undercuts"].pop(), "undercuts add up"),
    "warning left out": (lambda f: f.update(warnings=[]), "undercuts are warned of"),
    "warning of less metal": (
        lambda f: f.update(warnings=[w.replace("cm3", "mm3") for w in f["warnings"]]),
        "undercuts are warned of",
    ),
    "step's value": (lambda f: step_of(f, "one casting").update(value=1.0), "steps give"),
    "step's sum": (
        lambda f: step_of(f, "metal poured").update(expression="1 x 2 kg / 0.5"),
        "steps add up",
    ),
    "step's words": (
        lambda f: step_of(f, "metal poured").update(text="metal poured: 1 kg"),
        "steps in words",
    ),
    "best charge": (
        lambda f: step_of(f, "charge at the best").update(expression="yield 90 %, loss 1 %"),
        "steps add up",
    ),
    "yield as a step": (lambda f: step_of(f, "casting yield").update(value=90.0), "steps give"),
    "plastic": (lambda f: f["pattern"].update(plastic_kg=9.0), "steps give"),
}


@pytest.mark.parametrize("case", EDITS)
def test_a_figure_that_was_edited(kit: Path, tmp_path: Path, case: str) -> None:
    """Found by what the figure is, even when the seal over the figures is put right."""
    edit, words = EDITS[case]
    names = failed(edited(kit, tmp_path, edit, seal=True))
    assert any(words in name for name in names), names
    assert "figures.json unchanged" not in names


def shifted(one: str, other: str, share: float) -> Callable[[dict[str, Any]], Any]:
    """Volume told under another cause than its own: a share of the casting."""

    def edit(figures: dict[str, Any]) -> None:
        volumes = figures["volumes_mm3"]
        volumes[one] -= share * volumes["casting"]
        volumes[other] += share * volumes["casting"]

    return edit


@pytest.mark.parametrize(
    ("one", "other", "share", "words"),
    [
        ("stock", "draft", 2e-5, "stock as the part gives it"),
        ("draft", "stock", 2e-5, "stock as the part gives it"),
        ("draft", "undercut_filled", 6e-3, "undercuts as the part gives them"),
        ("stock", "undercut_filled", 2e-5, "undercuts add up"),
    ],
)
def test_a_cause_told_under_another_name(
    kit: Path, tmp_path: Path, one: str, other: str, share: float, words: str
) -> None:
    names = failed(edited(kit, tmp_path, shifted(one, other, share), seal=True))
    assert any(words in name for name in names), names


OTHERS: dict[str, Callable[[dict[str, Any]], Any]] = {
    "warning": lambda f: f["warnings"].append("All is well."),
    "caution": lambda f: f["cautions"].pop(),
    "candidate": lambda f: f["parting"]["candidates"][0].update(score=0.0),
    "alloy": lambda f: f["alloy"].update(plain_name="gold"),
    "source": lambda f: f["contraction"].update(sources=[]),
    "stock": lambda f: f["stock"]["faces"][0].update(asked="given as 3 mm"),
    "advice": lambda f: f["parting"]["undercuts"][0].update(advice="leave it"),
    "made with": lambda f: f.update(made_with="something else"),
}


@pytest.mark.parametrize("case", OTHERS)
def test_words_that_were_edited_break_the_seal(kit: Path, tmp_path: Path, case: str) -> None:
    assert failed(edited(kit, tmp_path, OTHERS[case], seal=False)) == ["figures.json unchanged"]


def test_figures_laid_out_otherwise_are_the_same_figures(kit: Path, tmp_path: Path) -> None:
    def turned(figures: dict[str, Any]) -> None:
        for key in sorted(figures, reverse=True):
            figures[key] = figures.pop(key)

    assert failed(edited(kit, tmp_path, turned, seal=False)) == []


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
