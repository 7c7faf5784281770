"""The section of rules and figures in docs/cores.md: not stale, every figure with a source."""

from __future__ import annotations

import re
from pathlib import Path

from patternprep.data.core_sands import binders
from patternprep.report.core_rules import BEGIN, END, core_rules_section, with_section

PAGE = Path(__file__).parents[2] / "docs" / "cores.md"


def test_the_section_is_not_stale() -> None:
    """Write it anew with: python -m patternprep.report.core_rules docs/cores.md."""
    page = PAGE.read_text(encoding="utf-8")
    assert page.count(BEGIN) == page.count(END) == 1
    assert with_section(page) == page


def test_what_others_wrote_around_the_section_stays() -> None:
    page = f"# Head\n\ntext\n\n{BEGIN}\nSTALE\n{END}\n\n## After\n"
    written = with_section(page)
    assert written.startswith("# Head\n\ntext\n")
    assert written.endswith("## After\n")
    assert "STALE" not in written
    assert with_section(written) == written


def test_every_reference_has_a_source_and_every_source_is_referred_to() -> None:
    text, sources = core_rules_section().split("### Sources of the figures")
    named = {int(n) for group in re.findall(r"\[([\d, ]+)\]", text) for n in group.split(", ")}
    listed = [int(n) for n in re.findall(r"^(\d+)\. .+\]$", sources, re.M)]
    assert listed == list(range(1, len(listed) + 1))
    assert named == set(listed)


def test_every_row_of_figures_has_a_reference() -> None:
    for line in core_rules_section().splitlines():
        if line.startswith("- ") and re.search(r"\d", line):
            assert re.search(r"\[[\d, ]+\]", line) or "not known" in line, line


def test_every_binder_is_on_the_page() -> None:
    text = core_rules_section()
    for binder in binders().values():
        assert f"`{binder.id}`" in text
