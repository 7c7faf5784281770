"""The house in order: what stands at the top, how long a file may be, what the README holds."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import tomllib
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
TOP = {
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "pyproject.toml",
    "patternprep",
    "tests",
    "demo_models",
    "docs",
}
MOST_LINES = 500
TEXT = {".py", ".md", ".toml", ".csv", ".txt", ".cfg", ".yaml", ".yml", ""}


@cache
def tracked() -> tuple[Path, ...]:
    """Files under version control, or everything but caches where git cannot tell."""
    done = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if done.returncode == 0 and done.stdout:
        return tuple(Path(line) for line in done.stdout.splitlines() if (ROOT / line).is_file())
    return tuple(
        p.relative_to(ROOT)
        for p in sorted(ROOT.rglob("*"))
        if p.is_file() and not any(part.startswith((".", "__pycache__")) for part in p.parts)
    )


def text_files() -> list[Path]:
    return [p for p in tracked() if p.suffix in TEXT]


def readme() -> str:
    return (ROOT / "README.md").read_text(encoding="utf-8")


def marked_command(marker: str) -> str:
    """The one line of the code block that follows '<!-- marker -->' in the README."""
    found = re.search(rf"<!-- {marker} -->\n+```(?:bash|sh)\n(.+)\n```", readme())
    assert found, f"README has no block marked {marker} with exactly one line"
    return found.group(1)


def test_only_agreed_names_at_the_top() -> None:
    names = {p.parts[0] for p in tracked()}
    assert {n for n in names if not n.startswith(".")} <= TOP
    assert {"README.md", "LICENSE", "pyproject.toml", "patternprep", "tests"} <= names


@pytest.mark.parametrize("path", [p for p in tracked() if p.suffix == ".py"], ids=str)
def test_module_is_of_a_length_to_read(path: Path) -> None:
    assert len((ROOT / path).read_text(encoding="utf-8").splitlines()) <= MOST_LINES


def test_readme_begins_with_the_job_in_one_paragraph() -> None:
    blocks = readme().split("\n\n")
    assert blocks[0].startswith("# patternprep")
    assert len(blocks[1].split()) > 40
    assert not blocks[1].startswith(("#", "-", "|", "`"))


def test_readme_has_the_two_commands_in_one_line_each() -> None:
    first = marked_command("main job")
    assert first.startswith("python3 -m venv .venv && ")
    part = re.search(r"demo_models/\w+\.stl", first)
    assert part
    assert (ROOT / part.group()).is_file()
    assert "--alloy" in first
    assert "--out" in first
    tests = marked_command("tests")
    assert "pytest" in tests
    assert ".[dev]" in tests


def test_readme_shows_what_its_first_command_prints() -> None:
    """Up to the proof, whose smallest figures may differ between platforms."""
    spec = importlib.util.spec_from_file_location(
        "readme_sample", ROOT / "tests" / "tools" / "readme_sample.py"
    )
    assert spec is not None
    assert spec.loader is not None
    tool = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(tool)
    fresh = tool.fresh_sample().partition("\nProof")[0]
    shown = tool.written_sample().partition("\nProof")[0]
    assert shown == fresh, "run python tests/tools/readme_sample.py"


def test_readme_warns_of_metal_fume_and_dust_and_says_what_cannot_be_done() -> None:
    text = readme().lower()
    for word in ("molten", "water", "fume", "silica", "dust", "local", "flat parting", "mm"):
        assert word in text, word


def test_links_between_pages_lead_somewhere() -> None:
    for page in (p for p in tracked() if p.suffix == ".md"):
        for target in re.findall(r"\]\(([^)#:\s]+)(?:#[^)]*)?\)", (ROOT / page).read_text()):
            assert (ROOT / page.parent / target).exists(), f"{page} links to {target}"


HOME = "/" + "work"
FORBIDDEN = (HOME + "/", "/tmp/" + "plan", "con" + "tract.md", "fac" + "ts.md", "sty" + "le.md")


@pytest.mark.parametrize("path", text_files(), ids=str)
def test_no_private_path_or_paper_is_named(path: Path) -> None:
    text = (ROOT / path).read_text(encoding="utf-8")
    for word in FORBIDDEN:
        assert word not in text, f"{path} names {word}"


def test_ci_runs_the_readme_s_test_command() -> None:
    script = (ROOT / ".ci" / "run").read_text()
    assert "<!-- tests -->" in script
    assert "set -euo pipefail" in script


def test_python_versions_and_licence_are_as_promised() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    assert project["requires-python"] == ">=3.11"
    assert project["license"] == "MIT"
    assert (ROOT / "LICENSE").read_text().startswith("MIT License")
