"""What the store holds and how fresh its results are, as named queries."""

from __future__ import annotations

import duckdb
import pandas as pd

from planner.intake.sql_text import literal, quoted
from planner.store.database import fetch
from planner.tables.catalogue import INTAKE_TABLES
from planner.tables.schema import Table


def fleet_counts(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Rows per intake table and the time its history spans. Columns table_name, rows, first_at, last_at."""
    selects = []
    for position, table in enumerate(INTAKE_TABLES):
        at = quoted(table.time_column) if table.time_column else "CAST(NULL AS TIMESTAMP)"
        selects.append(
            f"SELECT {position} AS n, {literal(table.name)} AS table_name, count(*) AS rows, min({at}) AS first_at, "
            f"max({at}) AS last_at FROM {quoted(table.name)}"
        )
    return fetch(
        con,
        f"SELECT table_name, rows, first_at, last_at FROM ({' UNION ALL '.join(selects)}) ORDER BY n",
    )


def recent_loads(con: duckdb.DuckDBPyConnection, limit: int = 10) -> pd.DataFrame:
    """The newest loads, newest first; columns of the ledger."""
    return fetch(con, "SELECT * FROM loads ORDER BY load_id DESC LIMIT ?", [limit])


def findings_by_code(con: duckdb.DuckDBPyConnection, load_id: int) -> pd.DataFrame:
    """Findings of one load counted by code, table and column. Columns code, severity, table_name, column_name,
    findings.
    """
    return fetch(
        con,
        "SELECT code, severity, table_name, column_name, count(*) AS findings FROM findings WHERE load_id = ? "
        "GROUP BY ALL ORDER BY severity, findings DESC, code, table_name, column_name",
        [load_id],
    )


def stage_freshness(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Every stage of the analysis that ran, and whether it has seen the newest load.

    Columns stage, load_id, as_of_at, seconds, note, fresh.
    """
    return fetch(
        con,
        "SELECT stage, load_id, as_of_at, round(seconds, 2) AS seconds, note, "
        "load_id = (SELECT coalesce(max(load_id), 0) FROM loads) AS fresh FROM stage_runs ORDER BY rowid",
    )


def ordered_rows(table: Table) -> str:
    """SELECT of a table's declared columns, by key (by every column where there is none)."""
    names = ", ".join(quoted(name) for name in table.column_names)
    order = ", ".join(quoted(name) for name in table.key or table.column_names)
    return f"SELECT {names} FROM {quoted(table.name)} ORDER BY {order}"
