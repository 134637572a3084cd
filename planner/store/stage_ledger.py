"""Which state of the data each step of the analysis rests on: the `stage_runs` ledger."""

from __future__ import annotations

from datetime import datetime

import duckdb

from planner.store.database import newest_load


def seen_load(con: duckdb.DuckDBPyConnection, stage: str) -> tuple[int, datetime | None]:
    """Newest load that a stage has worked in and the moment it worked for; (0, None) before its first run."""
    return seen_loads(con).get(stage, (0, None))


def seen_loads(con: duckdb.DuckDBPyConnection) -> dict[str, tuple[int, datetime]]:
    """Newest load and moment of every stage that has run, by its name."""
    rows = con.execute("SELECT stage, load_id, as_of_at FROM stage_runs").fetchall()
    return {stage: (int(load_id), as_of) for stage, load_id, as_of in rows}


def seen_settings(con: duckdb.DuckDBPyConnection) -> dict[str, str]:
    """Fingerprint of the settings that every stage last ran with, by its name; empty if it had none."""
    return dict(con.execute("SELECT stage, coalesce(settings, '') FROM stage_runs").fetchall())


def forget_run(con: duckdb.DuckDBPyConnection, stage: str) -> None:
    """Make a stage begin as if it had never run; call inside the stage's transaction."""
    con.execute("DELETE FROM stage_runs WHERE stage = ?", [stage])


def record_run(
    con: duckdb.DuckDBPyConnection, stage: str, now: datetime, seconds: float, note: str, settings: str = ""
) -> None:
    """Note that a stage has worked in the newest load for a moment; call inside the stage's transaction."""
    forget_run(con, stage)
    con.execute(
        "INSERT INTO stage_runs (stage, load_id, as_of_at, seconds, note, settings) VALUES (?, ?, ?, ?, ?, ?)",
        [stage, newest_load(con), now, seconds, note, settings],
    )
