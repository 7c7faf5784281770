"""Imports run one way, and heavy libraries are loaded only when they are needed."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "patternprep"
MODULES = sorted(PACKAGE.rglob("*.py"))

BASE = {"errors", "units", "progress"}
MAY_IMPORT: dict[str, set[str]] = {
    "errors": set(),
    "progress": set(),
    "units": {"errors"},
    "data": {*BASE, "data"},
    "formulas": {*BASE, "data", "formulas"},
    "mesh": {*BASE, "mesh"},
    "pattern": {*BASE, "mesh", "pattern"},
    "proof": {*BASE, "proof"},
    "kit": {*BASE, "data", "formulas", "mesh", "pattern", "proof", "kit"},
    "report": {*BASE, "data", "formulas", "mesh", "pattern", "proof", "kit", "report"},
    "cli": {*BASE, "data", "formulas", "mesh", "pattern", "proof", "kit", "report", "cli"},
    "__main__": {"cli"},
    "__init__": set(),
}
"""Which parts of the package each part may name in an import, wherever in the file it stands."""

PROOF_ALSO = {"mesh.mesh", "mesh.read.stl"}
"""All that the proof shares with the code that makes patterns."""

ONLY_IN = {"manifold3d": {"mesh.kernel"}, "typer": {"cli"}, "click": {"cli"}}
HEAVY = ("manifold3d", "scipy", "shapely", "trimesh", "networkx", "pydantic")
LIGHT_PARTS = ("errors", "units", "progress", "data", "formulas")


def name_of(path: Path) -> str:
    """'mesh.kernel' for patternprep/mesh/kernel.py; a package's __init__ is the package."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(parts[:-1] if len(parts) > 1 and parts[-1] == "__init__" else parts)


def imports_of(tree: ast.AST, module: str, *, top_only: bool = False) -> Iterator[str]:
    """Every imported name in full; ``from a import b`` gives 'a' and 'a.b'."""
    nodes = tree.body if top_only and isinstance(tree, ast.Module) else ast.walk(tree)
    for node in nodes:
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module} imports relatively"
            assert node.module is not None
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def own(names: Iterator[str]) -> list[str]:
    """Names inside the package, without its own name in front."""
    return [n.removeprefix("patternprep.") for n in names if n.startswith("patternprep.")]


def modules_named(names: list[str]) -> set[str]:
    """The modules behind imported names: functions and classes fall back to their module."""
    known = {name_of(p) for p in MODULES}
    found = set()
    for name in names:
        while name and name not in known:
            name = name.rpartition(".")[0]
        if name:
            found.add(name)
    return found


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_imports_go_one_way(path: Path) -> None:
    module = name_of(path)
    part = module.partition(".")[0]
    tree = ast.parse(path.read_text(encoding="utf-8"))
    named = [n for n in own(imports_of(tree, module)) if not n.startswith("__version__")]
    for name in named:
        if part == "proof" and any(name == m or name.startswith(m + ".") for m in PROOF_ALSO):
            continue
        if part == "proof" and any(m.startswith(name + ".") for m in PROOF_ALSO):
            continue  # 'mesh' as the first half of 'from patternprep.mesh import mesh'
        assert name.partition(".")[0] in MAY_IMPORT[part], f"{module} must not import {name}"


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_library_is_imported_only_where_it_belongs(path: Path) -> None:
    module = name_of(path)
    names = set(imports_of(ast.parse(path.read_text(encoding="utf-8")), module))
    for library, homes in ONLY_IN.items():
        if any(name.partition(".")[0] == library for name in names):
            assert module in homes or module.partition(".")[0] in homes, (
                f"{module} imports {library}"
            )


def test_the_package_needs_what_it_imports_and_nothing_else() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    needed = {re.split(r"[<>=]", line)[0] for line in project["dependencies"]}
    imported = set()
    for path in MODULES:
        names = imports_of(ast.parse(path.read_text(encoding="utf-8")), name_of(path))
        imported |= {name.partition(".")[0] for name in names}
    theirs = imported - set(sys.stdlib_module_names) - {"patternprep"}
    assert {"numpy-stl" if name == "stl" else name for name in theirs} == needed


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_light_parts_import_nothing_heavy_at_their_top(path: Path) -> None:
    module = name_of(path)
    if module.partition(".")[0] in LIGHT_PARTS:
        top = imports_of(ast.parse(path.read_text(encoding="utf-8")), module, top_only=True)
        assert not {n.partition(".")[0] for n in top} & set(HEAVY)


def test_modules_do_not_import_each_other_in_a_ring() -> None:
    graph = {}
    for path in MODULES:
        module = name_of(path)
        tree = ast.parse(path.read_text(encoding="utf-8"))
        graph[module] = modules_named(own(imports_of(tree, module, top_only=True))) - {module}
    done: set[str] = set()
    while ready := [m for m in graph if m not in done and graph[m] <= done]:
        done.update(ready)
    assert done == set(graph), f"a ring among {sorted(set(graph) - done)}"


def test_every_part_of_the_package_is_in_the_table() -> None:
    assert {name_of(p).partition(".")[0] for p in MODULES} == set(MAY_IMPORT)


def loaded_after(code: str) -> set[str]:
    """Top-level modules that a fresh interpreter holds after running the code."""
    report = "\nimport sys; print('LOADED', *{m.partition('.')[0] for m in sys.modules})"
    done = subprocess.run(
        [sys.executable, "-c", code + report], capture_output=True, text=True, check=False, cwd=ROOT
    )
    assert done.returncode == 0, done.stderr
    return set(done.stdout.rsplit("LOADED", 1)[1].split())


def test_checker_of_loaded_modules_sees_a_heavy_one() -> None:
    assert "shapely" in loaded_after("import shapely")


def test_command_line_starts_without_heavy_libraries() -> None:
    assert not loaded_after("import patternprep.cli.main") & {*HEAVY, "numpy"}


COMMANDS = ("inspect", "make", "check", "alloys", "rescale", "estimate")


@pytest.mark.parametrize("arguments", [(), *((c,) for c in COMMANDS)], ids=" ".join)
def test_help_loads_neither_numpy_nor_the_kernel(arguments: tuple[str, ...]) -> None:
    code = f"""
import sys
sys.argv = ["patternprep", *{arguments!r}, "--help"]
from patternprep.cli.main import run
try:
    run()
except SystemExit as stop:
    assert not stop.code, stop.code
"""
    by_typer = {"pydantic"}  # newer versions of typer check their parameters with it
    assert not loaded_after(code) & ({*HEAVY, "numpy"} - by_typer)


def test_data_and_formulas_load_nothing_heavy() -> None:
    light = [name_of(p) for p in MODULES if name_of(p).partition(".")[0] in LIGHT_PARTS]
    assert not loaded_after("\n".join(f"import patternprep.{m}" for m in light)) & set(HEAVY)
