"""An independent library, given the same declarations, rejects the same rows.

frictionless reads the descriptor that `planner.intake.templates` writes and checks every row by itself.
Where the two are known to differ (frictionless takes some texts for numbers and times), the difference is
listed and checked too.
"""

from __future__ import annotations

import sys
import warnings
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import duckdb
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "unit"))

from broken_rows import Broken, broken_rows
from tiny_fleet import full_fleet, write_csv

from planner.intake.templates import data_package
from planner.store.database import open_database
from planner.store.loading import load_sources
from planner.tables.catalogue import INTAKE_TABLES
from planner.tables.schema import Table

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from frictionless import Package

# what a table schema of the standard cannot say, so frictionless cannot check it
BEYOND_THE_STANDARD = {
    "control-character",
    *(rule.code for table in INTAKE_TABLES for rule in table.rules),
}

# what frictionless takes, unless a range or key catches the row: (type, text)
KINDER = {
    ("integer", " 7 "),
    ("integer", "1_000"),
    ("number", " 7 "),
    ("number", "1_000"),
    ("number", "NaN"),
    ("number", "inf"),
    ("number", "-Infinity"),
    ("boolean", "1"),
    ("date", "2031-2-3"),
    ("timestamp", "2031-4-5T06:07:08Z"),
}


def checked_by_both(broken: Broken) -> bool:
    """Whether the standard's schema can say what is wrong with the row."""
    if broken.code in BEYOND_THE_STANDARD:
        return False
    kind = broken.table.column(broken.column).type if broken.table.has(broken.column) else ""
    return not (kind == "list" and broken.code == "not-allowed")


def is_kinder(broken: Broken) -> bool:
    """Whether frictionless is known to let the cell pass."""
    if not broken.table.has(broken.column):
        return False
    kind = broken.table.column(broken.column).type
    return (kind, broken.row.get(broken.column, "")) in KINDER


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The full fleet with every broken row that both can judge behind its good rows."""
    folder = tmp_path_factory.mktemp("planted")
    fleet = full_fleet()
    for broken in broken_rows():
        if checked_by_both(broken):
            fleet[broken.table.name].append(broken.row)
    for table in INTAKE_TABLES:
        header = dict.fromkeys(table.column_names, "")
        write_csv(folder / f"{table.name}.csv", [{**header, **row} for row in fleet[table.name]])
    return folder


@pytest.fixture(scope="module")
def ours(folder: Path) -> Iterator[dict[str, set[int]]]:
    """Lines our intake keeps out, by table."""
    con = open_database(folder / "fleet.duckdb")
    load_sources(con, [folder], mapping=None, strict=False, loaded_at=datetime(2031, 1, 1))
    yield _by_table(con)
    con.close()


def _by_table(con: duckdb.DuckDBPyConnection) -> dict[str, set[int]]:
    lines: dict[str, set[int]] = {table.name: set() for table in INTAKE_TABLES}
    for name, line in con.execute("SELECT table_name, line FROM findings WHERE severity = 'blocking'").fetchall():
        lines[name].add(line)
    return lines


@pytest.fixture(scope="module")
def theirs(folder: Path) -> dict[str, set[int]]:
    """Lines frictionless finds faults in, by table."""
    package = Package(data_package(), basepath=str(folder))
    report = package.validate(limit_errors=1_000_000)
    lines: dict[str, set[int]] = {}
    for task in report.tasks:
        assert task.name is not None
        lines[task.name] = {row for (row,) in task.flatten(["rowNumber"]) if row is not None}
    return lines


def planted_lines(table: Table) -> dict[int, Broken]:
    """Line -> planted row of that table."""
    planted = [broken for broken in broken_rows() if broken.table is table and checked_by_both(broken)]
    return {len(full_fleet()[table.name]) + position + 2: broken for position, broken in enumerate(planted)}


@pytest.mark.parametrize("table", INTAKE_TABLES, ids=lambda table: table.name)
def test_the_same_rows_are_rejected(ours: dict[str, set[int]], theirs: dict[str, set[int]], table: Table) -> None:
    """On planted faults both reject the same rows, but for texts that frictionless is known to take."""
    lines = planted_lines(table)
    assert ours[table.name] == set(lines)
    assert theirs[table.name] <= ours[table.name]
    let_through = {line: lines[line] for line in ours[table.name] - theirs[table.name]}
    assert all(is_kinder(broken) for broken in let_through.values()), let_through


def test_the_known_differences_are_real(theirs: dict[str, set[int]]) -> None:
    """Every text listed as taken by frictionless is taken somewhere."""
    taken = {
        (table.column(broken.column).type, broken.row.get(broken.column, ""))
        for table in INTAKE_TABLES
        for line, broken in planted_lines(table).items()
        if line not in theirs[table.name] and table.has(broken.column)
    }
    assert taken == KINDER
