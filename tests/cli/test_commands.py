"""The commands from the outside: what they print, where, and with which exit code."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
CAP = ROOT / "demo_models" / "bearing_cap.stl"
BUSH = ROOT / "demo_models" / "flanged_bush.stl"


def run(*arguments: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "patternprep", *map(str, arguments)],
        capture_output=True,
        text=True,
        cwd=cwd or ROOT,
        env={**os.environ, "COLUMNS": "80"},
        check=False,
    )


@pytest.fixture(scope="module")
def cap_kit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("cli") / "a kit with spaces and é"
    done = run("make", CAP, "--alloy", "LM6", "--stock", "-z=2 mm", "--out", out)
    assert done.returncode == 0, done.stderr
    assert "finished part" in done.stdout
    assert "drafting" in done.stderr
    assert "drafting" not in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80
    return out


def test_json_is_json_alone_on_stdout(cap_kit: Path, tmp_path: Path) -> None:
    done = run("make", cap_kit / "job.toml", "--out", tmp_path / "kit", "--json")
    assert done.returncode == 0, done.stderr
    figures = json.loads(done.stdout)
    assert figures == json.loads((tmp_path / "kit" / "figures.json").read_text(encoding="utf-8"))


def test_check_says_all_lines_and_exits_with_0_or_7(cap_kit: Path, tmp_path: Path) -> None:
    good = run("check", cap_kit)
    assert good.returncode == 0
    assert "lines hold" in good.stdout
    assert max(map(len, good.stdout.splitlines())) <= 80
    import shutil

    bad = tmp_path / "bad"
    shutil.copytree(cap_kit, bad)
    piece = bad / "assembly" / "drag.stl"
    data = bytearray(piece.read_bytes())
    data[84 + 12 + 8 : 84 + 12 + 12] = b"\x00\x00\x20\xc1"  # a corner at z = -10 mm
    piece.write_bytes(bytes(data))
    done = run("check", bad, "--json")
    assert done.returncode == 7
    assert not all(row["passed"] for row in json.loads(done.stdout)["proof"])
    assert "the proof fails at" in done.stderr


def test_estimate_writes_nothing(tmp_path: Path) -> None:
    done = run("estimate", CAP, "--alloy", "LM6", "--castings", "3", "--json", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    figures = json.loads(done.stdout)
    assert list(tmp_path.iterdir()) == []
    casting, pour = figures["casting"], figures["pour"]
    assert pour["poured_kg"] == pytest.approx(
        3 * casting["mass_kg"] / (pour["yield_percent"] / 100.0)
    )
    words = run("estimate", CAP, "--alloy", "LM6", cwd=tmp_path).stdout
    assert "Every step" in words
    assert max(map(len, words.splitlines())) <= 80


def test_estimate_and_make_agree(cap_kit: Path) -> None:
    done = run("estimate", CAP, "--alloy", "LM6", "--stock", "-z=2 mm", "--json")
    made = json.loads((cap_kit / "figures.json").read_text(encoding="utf-8"))
    told = json.loads(done.stdout)
    for key in ("volumes_mm3", "casting", "pour", "charge"):
        assert told[key] == made[key]


def test_inspect_names_faces_and_partings() -> None:
    done = run("inspect", BUSH)
    assert done.returncode == 0, done.stderr
    for words in ("bore 1", "boss 1", "plane 1", "1. up", "sound as it came"):
        assert words in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80
    found = json.loads(run("inspect", BUSH, "--json").stdout)
    assert found["part"]["size_mm"] == pytest.approx([120.0, 120.0, 80.0], abs=0.2)
    assert {"faces", "partings", "reading"} <= set(found)


def test_rescale_compares_and_remakes(cap_kit: Path, tmp_path: Path) -> None:
    done = run("rescale", cap_kit, "--to", "C95400", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert list(tmp_path.iterdir()) == []
    assert "new over old size" in done.stdout
    done = run("rescale", cap_kit, "--to", "C95400", "--out", tmp_path / "new", "--json")
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    old = json.loads((cap_kit / "figures.json").read_text(encoding="utf-8"))
    new = json.loads((tmp_path / "new" / "figures.json").read_text(encoding="utf-8"))
    ratio = (1 + new["contraction"]["percent"] / 100) / (1 + old["contraction"]["percent"] / 100)
    assert told["scale_factors"] == pytest.approx([ratio] * 3, rel=1e-12)
    assert told["figures"] == new
    assert new["stock"]["faces"][0]["amount_mm"] == old["stock"]["faces"][0]["amount_mm"]


def test_alloys_lists_shows_and_compares() -> None:
    assert "C95400" in run("alloys").stdout
    shown = run("alloys", "C95400").stdout
    assert "contraction" in shown
    assert "not known" in shown
    table = run("alloys", "--for", CAP)
    assert table.returncode == 0, table.stderr
    assert max(map(len, table.stdout.splitlines())) <= 80
    rows = json.loads(run("alloys", "--for", CAP, "--json").stdout)["alloys"]
    assert len(rows) >= 30
    for row in rows:
        if row["contraction_percent"] is not None:
            grown = 128.0 * (1 + row["contraction_percent"] / 100)
            assert max(row["pattern_size_mm"]) == pytest.approx(grown, abs=0.1)


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["make", CAP], 2, "--alloy"),
        (["make", CAP, "--alloy", "unobtainium"], 6, "unobtainium"),
        (["make", "absent.stl", "--alloy", "LM6"], 3, "absent.stl"),
        (["make", CAP, "--alloy", "LM6", "--draft", "60 deg"], 2, "--draft"),
        (["make", CAP, "--alloy", "LM6", "--corner", "square"], 2, "corner"),
        (["make", CAP, "--alloy", "LM6", "--stock", "bore 99=1 mm"], 2, "bore 99"),
        (["make", CAP, "--alloy", "LM6", "--stock", "2 mm"], 2, "2 mm"),
        (["make", CAP, "--alloy", "LM6", "--contraction", "1.9"], 2, "1.9"),
        (["make", CAP, "--alloy", "LM6", "--draft-table", "wood"], 2, "--draft table"),
        (["make", CAP, "--alloy", "LM6", "--print-length", "9mm", "--core", "none"], 2, "--core"),
        (["alloys", "--units", "in"], 2, "--for"),
        (["rescale", "demo_models", "--to", "LM6", "--overwrite"], 2, "--out"),
        (["check", "demo_models"], 3, "figures.json"),
        (["inspect", "README.md"], 3, "README.md"),
        (["rescale", "demo_models", "--to", "LM6"], 3, "figures.json"),
    ],
)
def test_a_slip_is_one_sentence_and_an_exit_code(
    arguments: list[str], code: int, words: str, tmp_path: Path
) -> None:
    target = ["--out", str(tmp_path / "kit")] if arguments[0] == "make" else []
    done = run(*arguments, *target)
    assert done.returncode == code, done.stderr
    complaint = done.stderr.strip().splitlines()[-1]
    assert complaint.startswith("patternprep: ")
    assert words in complaint
    assert "Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("option", "value", "words"),
    [
        ("--stock", "+z=2 kg", "2 kg"),
        ("--infill", "20", "'20 %'"),
        ("--yield", "60", "'60 %'"),
        ("--contraction", "90 %", "-1 to 5 %"),
        ("--contraction-x", "90 %", "-1 to 5 %"),
        ("--castings", "two", "'two' but must be a whole number, 1 or more"),
        ("--facet-limit", "0", "whole number, 1 or more"),
        ("--print-length", "-3 mm", "above 0 mm"),
        ("--coating", "-3 mm", "0 mm or more"),
    ],
)
def test_a_bad_value_names_its_option_and_what_is_allowed(
    option: str, value: str, words: str, tmp_path: Path
) -> None:
    done = run("make", CAP, "--alloy", "LM6", f"{option}={value}", "--out", tmp_path / "kit")
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert option in done.stderr
    assert words in done.stderr
    assert "in/ft" not in done.stderr


def test_rescale_names_its_option_for_a_bad_contraction(cap_kit: Path) -> None:
    done = run("rescale", cap_kit, "--to", "C95400", "--contraction", "90 %")
    assert done.returncode == 2
    assert "'--contraction': '90 %' is outside what a contraction (-1 to 5 %)" in done.stderr


def test_what_is_neither_part_nor_job_is_told_before_an_alloy_is_asked(
    cap_kit: Path, tmp_path: Path
) -> None:
    text = tmp_path / "job.txt"
    text.write_text("[part]", encoding="utf-8")
    for given, words in (
        (cap_kit, "job.toml"),
        (tmp_path, "is a folder"),
        (cap_kit / "figures.json", "neither as a part"),
        (text, "nor as a job file (.toml)"),
        (tmp_path / "absent.stl", "does not exist"),
    ):
        done = run("make", given, "--out", tmp_path / "kit")
        assert done.returncode == 3, done.stderr
        assert words in done.stderr
        assert "--alloy" not in done.stderr


@pytest.mark.parametrize(
    "wrong",
    [
        ["--alloy", "unobtainium"],
        ["--alloy", "LM6", "--plastic", "butter"],
        ["--alloy", "LM6", "--pull", "sideways"],
        ["--alloy", "LM6", "--infill", "20"],
    ],
)
def test_a_bad_value_is_told_before_a_kit_that_is_there(cap_kit: Path, wrong: list[str]) -> None:
    done = run("make", CAP, *wrong, "--out", cap_kit)
    assert done.returncode in (2, 6)
    assert wrong[-1] in done.stderr
    assert "a kit is there already" not in done.stderr
    right = run("make", CAP, "--alloy", "LM6", "--out", cap_kit)
    assert right.returncode == 3
    assert "a kit is there already" in right.stderr


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may read every file")
def test_files_that_may_not_be_read_give_one_code_and_name_permissions(
    cap_kit: Path, tmp_path: Path
) -> None:
    import shutil

    kit = tmp_path / "kit"
    shutil.copytree(cap_kit, kit)
    part = tmp_path / "cap.stl"
    shutil.copyfile(CAP, part)
    for path in (part, kit / "figures.json"):
        path.chmod(0)
    for arguments in (["make", part, "--alloy", "LM6"], ["inspect", part], ["check", kit]):
        done = run(*arguments, cwd=tmp_path)
        assert done.returncode == 3, done.stderr
        assert "permission" in done.stderr
