"""The worked examples in the docstrings run, and the layer imports nothing heavy."""

from __future__ import annotations

import doctest
import importlib
import pkgutil
import subprocess
import sys

import pytest

import patternprep.formulas

MODULES = [
    f"patternprep.formulas.{m.name}" for m in pkgutil.iter_modules(patternprep.formulas.__path__)
]


@pytest.mark.parametrize("name", MODULES)
def test_examples_run(name: str) -> None:
    result = doctest.testmod(importlib.import_module(name))
    assert result.failed == 0


def test_formulas_have_examples() -> None:
    attempted = sum(doctest.testmod(importlib.import_module(name)).attempted for name in MODULES)
    assert attempted >= 30


def test_nothing_heavy_is_imported() -> None:
    code = (
        "import sys, importlib\n"
        f"for name in {MODULES!r} + ['patternprep.report.alloys']: importlib.import_module(name)\n"
        "heavy = {'numpy', 'scipy', 'shapely', 'trimesh', 'manifold3d', 'networkx', 'pydantic'}\n"
        "print(sorted(heavy & set(sys.modules)))\n"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == "[]"
