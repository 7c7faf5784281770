"""When a command ends badly it says truly what was written and why."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import patternprep.kit.pipeline
import patternprep.report.kit
from patternprep.cli import outcome
from patternprep.cli.main import run

ROOT = Path(__file__).parents[2]
CAP = ROOT / "demo_models" / "bearing_cap.stl"
COMMAND = [sys.executable, "-m", "patternprep"]


@pytest.fixture(autouse=True)
def nothing_written(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outcome, "_written", [])


def code_of(monkeypatch: pytest.MonkeyPatch, *arguments: str | Path) -> Any:
    monkeypatch.setattr(sys, "argv", ["patternprep", *map(str, arguments)])
    with pytest.raises(SystemExit) as ended:
        run()
    return ended.value.code


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no /dev/full")
@pytest.mark.parametrize("more", [[], ["--json"]])
def test_a_full_stdout_is_told_with_the_kit_that_was_written(
    tmp_path: Path, more: list[str]
) -> None:
    out = tmp_path / "kit"
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [*COMMAND, "make", CAP, "--alloy", "LM6", "--out", out, "-q", *more],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            check=False,
        )
    assert done.returncode == 3
    assert f"the kit {out} was written and proved" in done.stderr
    assert "could not be printed (No space left on device)" in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert (out / "figures.json").is_file()


def test_a_stop_by_the_user_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def stopped(*_: Any, **__: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(patternprep.kit.pipeline, "make_halves", stopped)
    out = tmp_path / "kit"
    assert code_of(monkeypatch, "make", CAP, "--alloy", "LM6", "--out", out, "-q") == 130
    assert capsys.readouterr().err == "patternprep: stopped; nothing was written.\n"
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("fault", "code", "words"),
    [(KeyboardInterrupt(), 130, "stopped; the kit"), (TypeError("no"), 70, "internal fault")],
)
def test_what_fails_after_the_kit_was_written_says_that_it_was(
    fault: BaseException,
    code: int,
    words: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def broken(*_: Any) -> str:
        raise fault

    monkeypatch.delenv("PATTERNPREP_DEBUG", raising=False)
    monkeypatch.setattr(patternprep.report.kit, "kit_text", broken)
    out = tmp_path / "kit"
    assert code_of(monkeypatch, "make", CAP, "--alloy", "LM6", "--out", out, "-q") == code
    told = capsys.readouterr().err
    assert words in told
    assert f"the kit {out} was written and proved" in told
    assert "nothing was written" not in told
    assert (out / "figures.json").is_file()


def test_a_disk_that_takes_no_more_is_told_with_the_reason(tmp_path: Path) -> None:
    resource = pytest.importorskip("resource")
    done = subprocess.run(
        [*COMMAND, "make", CAP, "--alloy", "LM6", "--out", tmp_path / "kit", "-q"],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=False,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000)),
    )
    assert done.returncode == 3
    assert "writing the kit failed (" in done.stderr
    assert "None" not in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_figures_that_may_not_be_read_are_no_reason_to_make_the_kit_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "figures.json").write_text("{}", encoding="utf-8")

    def refused(*_: Any, **__: Any) -> str:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_text", refused)
    assert code_of(monkeypatch, "check", tmp_path, "-q") == 3
    told = capsys.readouterr().err
    assert "figures.json cannot be read (Permission denied); check its permissions." in told
    assert "make the kit again" not in told
