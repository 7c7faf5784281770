"""The command page cannot drift, and every command teaches by example."""

from __future__ import annotations

import typing
from pathlib import Path

import pytest
from typer.testing import CliRunner

from patternprep.cli.main import app
from patternprep.cli.options import KEYS
from patternprep.cli.reference import command_names, reference_text
from patternprep.data.tables import plastics
from patternprep.kit.job import Job

DOCS = Path(__file__).parents[2] / "docs"


def test_the_command_page_is_not_stale() -> None:
    """Mend with: python -m patternprep.cli.reference > docs/commands.md."""
    assert (DOCS / "commands.md").read_text(encoding="utf-8") == reference_text()


@pytest.mark.parametrize("name", command_names())
def test_each_help_shows_an_example(name: str) -> None:
    result = CliRunner().invoke(app, [name, "--help"], env={"COLUMNS": "100"})
    assert result.exit_code == 0
    assert f"patternprep {name}" in result.output.split("Options")[0].split("\n", 1)[1]


def test_every_option_of_a_job_leads_to_a_key_that_exists() -> None:
    for key in KEYS.values():
        section, name = key.split(".")
        model = Job.model_fields[section].annotation
        assert name in model.model_fields  # type: ignore[union-attr]


def test_every_key_of_the_job_can_be_said_as_an_option() -> None:
    said = set(KEYS.values())
    for section, field in Job.model_fields.items():
        fields = getattr(field.annotation, "model_fields", None)
        if fields is None or section == "part":
            continue
        for name in fields:
            assert f"{section}.{name}" in said, f"{section}.{name} has no option"


@pytest.mark.parametrize("name", command_names())
def test_each_help_fits_80_columns(name: str) -> None:
    result = CliRunner().invoke(app, [name, "--help"], env={"COLUMNS": "80"})
    assert max(map(len, result.output.splitlines())) <= 80


def test_help_says_every_word_that_rapping_and_plastic_take() -> None:
    text = " ".join(CliRunner().invoke(app, ["make", "--help"]).output.split())
    assert "or rule" in text
    for name in plastics():
        assert name in text


def test_what_may_not_be_read_is_told_by_the_readers_not_as_a_wrong_option() -> None:
    """Else an unreadable file would end with the exit code of a slip in the options."""
    for command in app.registered_commands:
        assert command.callback is not None
        for name, hint in typing.get_type_hints(command.callback, include_extras=True).items():
            kind, *infos = typing.get_args(hint) or (hint,)
            if kind in (Path, Path | None):
                assert not infos[0].readable, (command.name, name)
