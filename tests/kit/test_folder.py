"""A kit folder appears whole or not at all."""

from __future__ import annotations

from pathlib import Path

import pytest

from patternprep.errors import FileFault
from patternprep.kit.folder import staged_folder


def fill(folder: Path, text: str) -> None:
    (folder / "figures.json").write_text(text, encoding="utf-8")


def fail_half_way(out: Path, *, overwrite: bool) -> None:
    with staged_folder(out, overwrite=overwrite) as stage:
        fill(stage, "half")
        raise RuntimeError


def test_it_appears_at_the_end(tmp_path: Path) -> None:
    out = tmp_path / "kit"
    with staged_folder(out, overwrite=False) as stage:
        fill(stage, "one")
        assert not out.exists()
    assert (out / "figures.json").read_text(encoding="utf-8") == "one"
    assert [p.name for p in tmp_path.iterdir()] == ["kit"]


def test_a_failure_leaves_nothing(tmp_path: Path) -> None:
    out = tmp_path / "kit"
    with pytest.raises(RuntimeError):
        fail_half_way(out, overwrite=False)
    assert list(tmp_path.iterdir()) == []


def test_a_failure_leaves_the_old_kit(tmp_path: Path) -> None:
    out = tmp_path / "kit"
    with staged_folder(out, overwrite=False) as stage:
        fill(stage, "old")
    with pytest.raises(RuntimeError):
        fail_half_way(out, overwrite=True)
    assert (out / "figures.json").read_text(encoding="utf-8") == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["kit"]


def test_a_kit_is_replaced_only_when_asked(tmp_path: Path) -> None:
    out = tmp_path / "kit"
    for text in ("old", "new"):
        with staged_folder(out, overwrite=text == "new") as stage:
            fill(stage, text)
    assert (out / "figures.json").read_text(encoding="utf-8") == "new"
    with pytest.raises(FileFault, match="--overwrite"), staged_folder(out, overwrite=False):
        pass


def test_what_is_no_kit_is_never_replaced(tmp_path: Path) -> None:
    out = tmp_path / "photos"
    out.mkdir()
    (out / "a.jpg").write_bytes(b"x")
    with pytest.raises(FileFault, match="not a kit"), staged_folder(out, overwrite=True):
        pass
    plain = tmp_path / "file"
    plain.write_bytes(b"x")
    with pytest.raises(FileFault), staged_folder(plain, overwrite=True):
        pass
    with pytest.raises(FileFault), staged_folder(tmp_path / "no" / "kit", overwrite=True):
        pass


def test_a_users_own_file_inside_a_kit_is_never_lost(tmp_path: Path) -> None:
    out = tmp_path / "kit"
    with staged_folder(out, overwrite=False) as stage:
        fill(stage, "old")
    (out / "photo.jpg").write_bytes(b"x")
    with pytest.raises(FileFault, match=r"photo\.jpg"), staged_folder(out, overwrite=True):
        pass
    assert (out / "photo.jpg").exists()
    (out / "photo.jpg").unlink()
    (out / "notes").mkdir()
    (out / "notes" / "a.txt").write_bytes(b"x")
    with pytest.raises(FileFault, match="notes"), staged_folder(out, overwrite=True):
        pass
