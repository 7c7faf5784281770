"""Damaged, absent and tampered files: a sentence or a failed line, never a traceback."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import kits
import pytest

from patternprep.errors import FileFault
from patternprep.proof import prove_kit
from patternprep.proof.line import at_most


@pytest.fixture
def kit(tmp_path: Path) -> Path:
    return kits.block_with_stock().write(tmp_path / "kit")


def failed(folder: Path) -> set[str]:
    return {line.name for line in prove_kit(folder) if not line.passed}


def change(folder: Path, edit: Callable[[dict[str, Any]], Any]) -> None:
    path = folder / "figures.json"
    figures = json.loads(path.read_text())
    edit(figures)
    path.write_text(json.dumps(figures))


FILES = [
    "part.stl",
    "job.toml",
    "figures.json",
    "assembly/cope.stl",
    "assembly/drag.stl",
    "print/cope.stl",
]


@pytest.mark.parametrize("name", FILES)
def test_an_absent_file_is_told(kit: Path, name: str) -> None:
    (kit / name).unlink()
    with pytest.raises(FileFault, match=Path(name).name):
        prove_kit(kit)


@pytest.mark.parametrize("name", FILES)
@pytest.mark.parametrize("content", [b"", b"\xff\xfe\x00nonsense", b"solid\nfacet", b"[" * 5000])
def test_a_damaged_file_is_told(kit: Path, name: str, content: bytes) -> None:
    (kit / name).write_bytes(content)
    with pytest.raises(FileFault):
        prove_kit(kit)


@pytest.mark.parametrize("name", ["assembly/cope.stl", "part.stl"])
def test_a_truncated_mesh_is_told(kit: Path, name: str) -> None:
    data = (kit / name).read_bytes()
    (kit / name).write_bytes(data[:-30])
    with pytest.raises(FileFault, match="truncated"):
        prove_kit(kit)


def test_no_folder(tmp_path: Path) -> None:
    with pytest.raises(FileFault, match="not a folder"):
        prove_kit(tmp_path / "nothing")


@pytest.mark.parametrize("version", [2, 0, "1", True, None, 1.5])
def test_an_unknown_version_is_refused(kit: Path, version: Any) -> None:
    change(kit, lambda f: f.update(version=version))
    with pytest.raises(FileFault, match="version"):
        prove_kit(kit)


def test_an_unknown_job_version_is_refused(kit: Path) -> None:
    (kit / "job.toml").write_text("version = 7\n")
    with pytest.raises(FileFault, match="version"):
        prove_kit(kit)


def test_a_half_that_is_not_told_of_is_refused(kit: Path) -> None:
    change(kit, lambda f: f["pieces"].pop(0))
    with pytest.raises(FileFault, match="does not tell of it"):
        prove_kit(kit)


@pytest.mark.parametrize("path", ["../../etc/passwd", "/etc/passwd", "assembly/drag.stl"])
def test_a_piece_cannot_point_elsewhere(kit: Path, path: str) -> None:
    change(kit, lambda f: f["pieces"][0].update(file=path))
    with pytest.raises(FileFault, match="must be"):
        prove_kit(kit)


def _leaves(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    if isinstance(value, dict):
        return [p for k, v in value.items() for p in [(*path, k), *_leaves(v, (*path, k))]]
    if isinstance(value, list):
        return [p for i, v in enumerate(value) for p in [(*path, i), *_leaves(v, (*path, i))]]
    return [path]


@pytest.mark.parametrize("junk", [None, "text", [], {}, True, 1e308, -1, [[1, 2]]])
def test_junk_in_any_figure_never_ends_in_a_traceback(kit: Path, junk: Any) -> None:
    original = (kit / "figures.json").read_text()
    figures = json.loads(original)
    told: list[str] = []
    paths = sorted({p for p in _leaves(figures) if len(p) <= 4}, key=str)
    for path in paths[:: 3 if junk is None else 9]:
        changed = json.loads(original)
        at = changed
        for step in path[:-1]:
            at = at[step]
        if at[path[-1]] == junk:
            continue
        at[path[-1]] = junk
        (kit / "figures.json").write_text(json.dumps(changed))
        try:
            lines = prove_kit(kit)
        except FileFault as fault:
            told.append(fault.message)
        else:
            assert len(lines) > 20
    assert told
    assert not any("\n" in message for message in told)


@pytest.mark.parametrize(
    ("edit", "line"),
    [
        (lambda f: f["volumes_mm3"].update(draft=f["volumes_mm3"]["draft"] * 1.01), "causes"),
        (lambda f: f["volumes_mm3"].update(stock=-5.0), "no cause takes metal away"),
        (lambda f: f["casting"].update(volume_mm3=1.0), "casting volume from the halves"),
        (lambda f: f["casting"].update(mass_kg=f["casting"]["mass_kg"] * 1.001), "casting mass"),
        (lambda f: f["part"].update(volume_mm3=1.0), "part volume as told"),
        (lambda f: f["pieces"][0].update(volume_mm3=1.0), "volume of the cope as told"),
        (lambda f: f["pieces"][0].update(facets=3), "facets of the cope as told"),
        (lambda f: f["pieces"][0].update(sha256="00"), "cope file unchanged"),
        (lambda f: f["part"].update(sha256="00"), "part file unchanged"),
        (lambda f: f["contraction"].update(percent=1.8), "contraction as the job asks"),
        (lambda f: f["contraction"].update(per_axis_percent=[2, 2, 1.8]), "frame grows"),
        (lambda f: f["draft"].update(angle_deg=3.0), "walls of the cope under their angle"),
        (lambda f: f["draft"].update(angle_deg=1.0), "cope beyond its draft hull"),
        (lambda f: f["draft"].update(corner="round"), "cope beyond its draft hull"),
        (
            lambda f: f["frame"]["part_to_mould"][0].__setitem__(3, 0.3),
            "part within pattern, depth",
        ),
        (lambda f: f["frame"]["part_to_mould"][0].__setitem__(1, 1e-4), "frame turns square"),
        (lambda f: f["pieces"][0]["print_matrix"][0].__setitem__(0, 0.9), "right size"),
    ],
)
def test_tampered_figures_fail_a_line_that_fits(
    kit: Path, edit: Callable[[dict[str, Any]], Any], line: str
) -> None:
    change(kit, edit)
    assert any(line in name for name in failed(kit)), failed(kit)


def test_rounding_cannot_hide_a_cause(kit: Path) -> None:
    def edit(figures: dict[str, Any]) -> None:
        figures["volumes_mm3"]["rounding"] = figures["volumes_mm3"].pop("draft")
        figures["volumes_mm3"]["draft"] = 0.0

    change(kit, edit)
    assert "nothing left over beside rounding" in failed(kit)


def test_draft_as_the_job_asks(kit: Path) -> None:
    (kit / "job.toml").write_text('version = 1\n[draft]\nangle = "3 deg"\n')
    assert failed(kit) == {"draft angle as the job asks"}


def test_a_figure_that_is_no_number_never_passes() -> None:
    assert not at_most("x", float("nan"), 1.0, "mm").passed


def test_the_proof_is_the_same_each_time(kit: Path) -> None:
    assert prove_kit(kit) == prove_kit(kit)


def test_stages_are_told(kit: Path) -> None:
    told: list[str] = []
    prove_kit(kit, progress=told.append)
    assert len(told) > 5


def test_names_fit_the_table(kit: Path) -> None:
    lines = prove_kit(kit)
    names = [line.name for line in lines]
    assert len(set(names)) == len(names)
    assert max(map(len, names)) <= 44
