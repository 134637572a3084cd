"""The DuckDB file: opening, schema from the catalogue, safe transactions, writing result tables.

One process at a time may open the file for writing (the engine's rule). All writing goes through
`transaction`, because the engine's COMMIT after an error raises nothing and keeps nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import duckdb
import pandas as pd

from planner.errors import StoreError
from planner.intake.sql_text import quoted as quoted
from planner.tables.catalogue import TABLES
from planner.tables.schema import Table

SCHEMA_VERSION = 1

# Bookkeeping column of every intake table: the load that brought the row.
LOAD_COLUMN = "_load"


def create_statement(table: Table) -> str:
    """The CREATE TABLE statement of one declared table."""
    columns = [f"{quoted(column.name)} {column.sql_type}" for column in table.columns]
    if table.kind == "intake":
        columns.append(f"{quoted(LOAD_COLUMN)} BIGINT")
    return f"CREATE TABLE IF NOT EXISTS {quoted(table.name)} ({', '.join(columns)})"


def open_database(path: Path | str, *, read_only: bool = False) -> duckdb.DuckDBPyConnection:
    """Open the planner's database, creating it and its tables if it is new.

    Raises
    ------
    StoreError
        The file is in use by another process, is not a planner database, or is of a newer version.
    """
    target = Path(path)
    if read_only and not target.exists():
        raise StoreError(f"{target}: there is no such database; load a folder first: planner load FOLDER --db {target}")
    try:
        con = duckdb.connect(str(target), read_only=read_only)
    except duckdb.IOException as error:
        if "lock" in str(error).lower():
            raise StoreError(
                f"{target}: another process has this database open; close it or wait, then try again"
            ) from error
        raise StoreError(f"{target}: cannot be opened as a DuckDB database: {error}") from error
    con.execute("SET TimeZone = 'UTC'")
    if not read_only:
        _bring_schema_up_to_date(con, target)
    return con


def _bring_schema_up_to_date(con: duckdb.DuckDBPyConnection, path: Path) -> None:
    with transaction(con):
        con.execute("CREATE TABLE IF NOT EXISTS schema_version (version INTEGER)")
        row = con.execute("SELECT max(version) FROM schema_version").fetchone()
        version = row[0] if row else None
        if version is not None and version > SCHEMA_VERSION:
            raise StoreError(
                f"{path}: written by a newer planner (schema {version}, this one knows {SCHEMA_VERSION}); "
                "update the planner"
            )
        for table in TABLES.values():
            con.execute(create_statement(table))
        if version is None:
            con.execute("INSERT INTO schema_version VALUES (?)", [SCHEMA_VERSION])


_in_transaction: set[int] = set()


@contextmanager
def transaction(con: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """All or nothing: commit at the end, roll back and re-raise on any error.

    Inside an open transaction of the same connection it joins that one, so that a step can be called
    alone or as part of a larger whole.
    """
    if id(con) in _in_transaction:
        yield
        return
    con.execute("BEGIN TRANSACTION")
    _in_transaction.add(id(con))
    try:
        yield
    except BaseException:
        # the engine may have rolled back already (full disk, fatal error)
        with suppress(duckdb.Error):
            con.execute("ROLLBACK")
        raise
    finally:
        _in_transaction.discard(id(con))
    con.execute("COMMIT")


def fetch(con: duckdb.DuckDBPyConnection, sql: str, parameters: object = None) -> pd.DataFrame:
    """The rows of a query as a frame."""
    return con.execute(sql, parameters).df() if parameters is not None else con.execute(sql).df()


def has_rows(con: duckdb.DuckDBPyConnection, table_name: str) -> bool:
    """Whether the table holds at least one row: an absent table is one without rows."""
    return con.execute(f"SELECT 1 FROM {quoted(table_name)} LIMIT 1").fetchone() is not None


def replace_result(con: duckdb.DuckDBPyConnection, table_name: str, frame: pd.DataFrame) -> int:
    """Replace a result table whole by the frame's rows; call inside `transaction`.

    The frame must hold exactly the declared columns (any order); returns the number of rows written.
    """
    table = TABLES[table_name]
    missing = set(table.column_names) - set(frame.columns)
    extra = set(frame.columns) - set(table.column_names)
    if missing or extra:
        raise StoreError(
            f"result table {table_name}: columns missing {sorted(missing)}, not declared {sorted(extra)}; "
            "declare them in planner/tables/result_tables.py"
        )
    con.execute(f"DELETE FROM {quoted(table_name)}")
    if len(frame):
        columns = ", ".join(quoted(name) for name in table.column_names)
        con.register("_incoming", frame)
        try:
            con.execute(f"INSERT INTO {quoted(table_name)} ({columns}) SELECT {columns} FROM _incoming")
        finally:
            con.unregister("_incoming")
    return len(frame)


def newest_load(con: duckdb.DuckDBPyConnection) -> int:
    """Number of the newest load, 0 if nothing was loaded yet."""
    row = con.execute("SELECT coalesce(max(load_id), 0) FROM loads").fetchone()
    return int(row[0]) if row else 0
