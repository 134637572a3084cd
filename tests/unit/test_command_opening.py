"""How commands open the database: for reading where results are current, never making one by mistake."""

from __future__ import annotations

import subprocess
import sys
from datetime import datetime
from pathlib import Path

import pytest
from click.testing import CliRunner
from unit import dashboard_fleet

from planner.cli import planner
from planner.commands.common import open_existing, open_results
from planner.errors import InputError, StoreError
from planner.pipeline import is_up_to_date, settings_of, stale_steps
from planner.store.database import open_database, open_readable, transaction
from planner.store.snapshots import copy_database
from planner.store.stage_ledger import record_run

HOLD = "import duckdb, sys; con = duckdb.connect(sys.argv[1], read_only=True); print('open', flush=True); input()"


@pytest.fixture
def current(tmp_path: Path) -> Path:
    """A small database whose results are marked as current."""
    path = dashboard_fleet.build(tmp_path / "fleet.duckdb")
    con = open_database(path)
    con.execute("DELETE FROM stage_runs")
    con.execute("INSERT INTO loads (load_id, loaded_at) SELECT 1, TIMESTAMP '2031-01-01' WHERE NOT EXISTS (FROM loads)")
    for stage in ("derive", "trace", "drift", "light", "health", "diagnose", "rank"):
        record_run(con, stage, datetime(2031, 1, 1), 0.0, "", settings_of(stage))
    con.close()
    return path


def test_current_results_are_read_beside_another_reader(current: Path) -> None:
    """While another process reads the file, a command that only reads opens it too."""
    reader = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(current)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    try:
        assert reader.stdout is not None
        assert reader.stdout.readline() == "open\n"
        con = open_results(current)
        assert is_up_to_date(con)
        con.close()
        open_readable(current).close()
    finally:
        reader.communicate("\n", timeout=20)


def test_results_of_another_version_are_old(current: Path) -> None:
    """A step that another version of the code ran last, or one that left no mark, is run again, and all after it."""
    con = open_database(current)
    now = datetime(2031, 1, 1)
    assert stale_steps(con, now) == ()
    con.execute("UPDATE stage_runs SET settings = 'of another version' WHERE stage = 'drift'")
    assert stale_steps(con, now) == ("drift", "light", "health", "diagnose", "rank")
    con.execute("UPDATE stage_runs SET settings = NULL WHERE stage = 'derive'")
    assert stale_steps(con, now)[0] == "derive"
    con.close()


def test_own_limits_make_results_stale(current: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Naming a limits file, or changing what stands in it, makes the budgets and all after them old; else nothing."""
    own = tmp_path / "own.csv"
    own.write_text("subject,value\nconnection,0.5\n", encoding="utf-8")
    con = open_database(current)
    now = datetime(2031, 1, 1)
    assert stale_steps(con, now) == ()
    monkeypatch.setenv("PLANNER_LIMITS", str(own))
    assert stale_steps(con, now) == ("light", "health", "diagnose", "rank")
    with transaction(con):
        record_run(con, "light", now, 0.0, "", settings_of("light"))
    assert stale_steps(con, now) == ()
    own.write_text("subject,value\nconnection,0.4\n", encoding="utf-8")
    assert stale_steps(con, now)[0] == "light"
    monkeypatch.delenv("PLANNER_LIMITS")
    assert stale_steps(con, now)[0] == "light"
    con.close()


@pytest.mark.parametrize("opening", [open_results, open_existing, open_readable])
def test_a_mistyped_name_makes_no_database(tmp_path: Path, opening: object) -> None:
    """Commands other than a load refuse a database that is not there and leave nothing behind."""
    path = tmp_path / "typo.duckdb"
    with pytest.raises(StoreError, match="there is no such database; load a folder first"):
        opening(path)  # type: ignore[operator]
    assert list(tmp_path.iterdir()) == []


def test_a_database_is_not_copied_onto_itself(current: Path) -> None:
    """A backup under the database's own name is refused."""
    with pytest.raises(StoreError, match="is the database itself"):
        copy_database(current, current)


@pytest.mark.parametrize(
    "words",
    [
        ["analyse"],
        ["rank"],
        ["backtest", "--at", "2030-01-01"],
        ["route", "--from", "2030-01-01", "--days", "1", "--out", "plan"],
    ],
)
def test_an_empty_database_is_said_to_be_empty(tmp_path: Path, words: list[str]) -> None:
    """Commands that need data tell an empty database from one that lacks a table, and make no folder for it."""
    path = dashboard_fleet.build_empty(tmp_path / "empty.duckdb")
    words = [str(tmp_path / word) if word == "plan" else word for word in words]
    done = CliRunner().invoke(planner, [*words, "--db", str(path)], standalone_mode=False)
    assert isinstance(done.exception, InputError) and "the database is empty" in str(done.exception)
    assert not (tmp_path / "plan").exists()
