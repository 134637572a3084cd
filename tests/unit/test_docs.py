"""README and DEVELOPERS.md say what is true: every command, the tables, the examples."""

from __future__ import annotations

import doctest
import importlib
import re
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from planner.cli import COMMANDS, planner
from planner.tables.catalogue import INTAKE_TABLES, RESULT_TABLES
from planner.tables.reference import table_reference

ROOT = Path(__file__).resolve().parents[2]


def block(text: str, name: str) -> str:
    """What stands between the markers of that name."""
    return text.split(f"<!-- {name} -->\n")[1].split(f"<!-- /{name} -->")[0].strip()


@pytest.mark.parametrize("name", list(COMMANDS))
def test_every_command_has_help_and_is_in_the_readme(name: str) -> None:
    """`planner NAME --help` explains the command and its options, and README mentions it."""
    command = planner.get_command(click.Context(planner), name)
    assert command is not None
    assert command.help
    for option in command.params:
        if isinstance(option, click.Option):
            assert option.help, f"{name}: {option.name} has no help"
    result = CliRunner().invoke(command, ["--help"])
    assert result.exit_code == 0
    assert f"planner {name}" in (ROOT / "README.md").read_text()


@pytest.mark.parametrize(("name", "tables"), [("intake-tables", INTAKE_TABLES), ("result-tables", RESULT_TABLES)])
def test_table_reference_is_current(name: str, tables: tuple[object, ...]) -> None:
    """The table reference in DEVELOPERS.md is what the declarations give."""
    text = (ROOT / "DEVELOPERS.md").read_text()
    assert block(text, name) == table_reference(tables).strip()  # type: ignore[arg-type]


def doctest_modules() -> list[str]:
    """Modules whose docstrings hold examples."""
    found = []
    for path in sorted(ROOT.glob("planner/**/*.py")):
        if ">>> " in path.read_text():
            found.append(".".join(path.relative_to(ROOT).with_suffix("").parts))
    return found


@pytest.mark.parametrize("name", doctest_modules())
def test_examples_in_docstrings_run(name: str) -> None:
    """The examples in a module's docstrings give what they show."""
    outcome = doctest.testmod(importlib.import_module(name))
    assert outcome.attempted > 0
    assert outcome.failed == 0


def test_files_named_in_the_developers_guide_exist() -> None:
    """Every path in the map of DEVELOPERS.md is there."""
    text = block((ROOT / "DEVELOPERS.md").read_text(), "map")
    named = re.findall(r"`((?:planner|dashboards|tests|sample_data)/[\w./-]+)`", text)
    assert len(named) > 20
    missing = [name for name in named if not (ROOT / name).exists()]
    assert not missing


def test_ci_runs_the_command_of_the_readme() -> None:
    """The script that CI starts takes its command from README's test block."""
    assert ".venv/bin/pytest" in block((ROOT / "README.md").read_text(), "test-command")
    assert "test-command" in (ROOT / ".ci" / "run").read_text()
