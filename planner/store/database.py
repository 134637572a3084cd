"""The DuckDB file: opening, schema from the catalogue, safe transactions, writing result tables.

One process at a time may open the file for writing (the engine's rule). All writing goes through
`transaction`, because the engine's COMMIT after an error raises nothing and keeps nothing.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import duckdb
import pandas as pd

from planner.errors import StoreError
from planner.intake.sql_text import quoted as quoted
from planner.tables.catalogue import INTAKE_TABLES, TABLES
from planner.tables.schema import Table

SCHEMA_VERSION = 1

# Bookkeeping column of every intake table: the load that brought the row.
LOAD_COLUMN = "_load"

_LOCK_PAUSE_S = 0.1


@dataclass(frozen=True)
class Migration:
    """One step from the version before to `version`; columns that are merely new need none."""

    version: int
    does: str
    run: Callable[[duckdb.DuckDBPyConnection], None]


def _add_load_column(con: duckdb.DuckDBPyConnection) -> None:
    """Version 0 has intake tables without bookkeeping: their rows count as brought by load 0."""
    existing = _existing_columns(con)
    for table in INTAKE_TABLES:
        if table.name in existing and LOAD_COLUMN not in existing[table.name]:
            con.execute(f"ALTER TABLE {quoted(table.name)} ADD COLUMN {quoted(LOAD_COLUMN)} BIGINT DEFAULT 0")
            con.execute(f"ALTER TABLE {quoted(table.name)} ALTER COLUMN {quoted(LOAD_COLUMN)} DROP DEFAULT")


MIGRATIONS: tuple[Migration, ...] = (Migration(1, "bookkeeping column of the intake tables", _add_load_column),)


def create_statement(table: Table) -> str:
    """The CREATE TABLE statement of one declared table."""
    columns = [f"{quoted(column.name)} {column.sql_type}" for column in table.columns]
    if table.kind == "intake":
        columns.append(f"{quoted(LOAD_COLUMN)} BIGINT")
    return f"CREATE TABLE IF NOT EXISTS {quoted(table.name)} ({', '.join(columns)})"


def open_database(
    path: Path | str, *, read_only: bool = False, must_exist: bool = False, wait_s: float = 0.0
) -> duckdb.DuckDBPyConnection:
    """Open the planner's database, creating it and its tables if it is new.

    A file of an older version is brought up to date, in one transaction; columns declared since are added.

    Parameters
    ----------
    read_only
        Open for reading; the file must exist and be of this version.
    must_exist
        Refuse a file that is not there instead of making it.
    wait_s
        How long to wait for another process to let go of the file. [s]

    Raises
    ------
    StoreError
        The file is in use by another process, is not a planner database, or is of a newer version.
    """
    target = Path(path)
    if (read_only or must_exist) and not target.exists():
        raise StoreError(f"{target}: there is no such database; load a folder first: planner load FOLDER --db {target}")
    if not target.parent.exists():
        raise StoreError(f"{target}: there is no folder {target.parent}; make it first")
    con = connect(target, read_only=read_only, wait_s=wait_s)
    try:
        con.execute("SET TimeZone = 'UTC'")
        version = _version_of(con, target)
        if read_only:
            if not _is_current(con, version):
                raise StoreError(
                    f"{target}: written by an older planner; bring it up to date first: planner status --db {target}"
                )
        else:
            _bring_schema_up_to_date(con, version)
    except BaseException:
        con.close()
        raise
    return con


def open_readable(path: Path, *, wait_s: float = 0.0) -> duckdb.DuckDBPyConnection:
    """Open an existing database for reading, beside other readers; one of an older version is mended first.

    Raises
    ------
    StoreError
        There is no such database, another process writes to it for longer than `wait_s`, or it is of a newer
        version.
    """
    if path.exists():
        con = connect(path, read_only=True, wait_s=wait_s)
        try:
            con.execute("SET TimeZone = 'UTC'")
            if _is_current(con, _version_of(con, path)):
                return con
        except BaseException:
            con.close()
            raise
        con.close()
    open_database(path, must_exist=True, wait_s=wait_s).close()
    return open_database(path, read_only=True, wait_s=wait_s)


def connect(target: Path, *, read_only: bool, wait_s: float = 0.0) -> duckdb.DuckDBPyConnection:
    """A bare connection to the file; waits for another process to let go of it.

    Raises
    ------
    StoreError
        The file is still in use after `wait_s` seconds, or the engine cannot read it.
    """
    give_up_at = time.monotonic() + wait_s
    while True:
        try:
            con = duckdb.connect(str(target), read_only=read_only)
            con.execute("SET enable_progress_bar = false")  # we have our own, on standard error
            return con
        except duckdb.IOException as error:
            if "lock" not in str(error).lower():
                first_line = str(error).splitlines()[0]
                raise StoreError(f"{target}: cannot be opened as a DuckDB database: {first_line}") from error
            if time.monotonic() >= give_up_at:
                waited = f" after {wait_s:g} s" if wait_s else ""
                raise StoreError(
                    f"{target}: another process still has this database open{waited}; close it or wait, then try again"
                ) from error
        except duckdb.ConnectionException as error:
            raise StoreError(f"{target}: is open in this process in another way: {error}") from error
        except duckdb.CatalogException as error:  # the engine takes some files for data to look at, e.g. a CSV
            first_line = str(error).splitlines()[0]
            raise StoreError(
                f"{target}: is not a planner database: {first_line}; give the file that planner load made"
            ) from error
        time.sleep(_LOCK_PAUSE_S)


def _existing_columns(con: duckdb.DuckDBPyConnection) -> dict[str, set[str]]:
    rows = con.execute(
        "SELECT table_name, list(column_name) FROM duckdb_columns() "
        "WHERE database_name = current_database() AND schema_name = 'main' AND NOT internal GROUP BY table_name"
    ).fetchall()
    return {str(name): set(columns) for name, columns in rows}


def _version_of(con: duckdb.DuckDBPyConnection, path: Path) -> int | None:
    """The schema version of the file; None for a new file, 0 for tables from before versions were kept."""
    existing = _existing_columns(con)
    if not existing:
        return None
    if "schema_version" not in existing:
        if existing.keys() & TABLES.keys():
            return 0
        raise StoreError(f"{path}: is a DuckDB database of something else; choose another file")
    row = con.execute("SELECT max(version) FROM schema_version").fetchone()
    version = int(row[0]) if row and row[0] is not None else 0
    if version > SCHEMA_VERSION:
        raise StoreError(
            f"{path}: written by a newer planner (schema {version}, this one knows {SCHEMA_VERSION}); "
            "update the planner"
        )
    return version


def _missing_parts(con: duckdb.DuckDBPyConnection) -> tuple[list[Table], list[tuple[Table, str, str]]]:
    """Declared tables that are not there, and (table, column, type) of columns that are not."""
    existing = _existing_columns(con)
    tables = [table for table in TABLES.values() if table.name not in existing]
    columns = [
        (table, column.name, column.sql_type)
        for table in TABLES.values()
        if table.name in existing
        for column in table.columns
        if column.name not in existing[table.name]
    ]
    return tables, columns


def _is_current(con: duckdb.DuckDBPyConnection, version: int | None) -> bool:
    return version == SCHEMA_VERSION and not any(_missing_parts(con))


def _bring_schema_up_to_date(con: duckdb.DuckDBPyConnection, version: int | None) -> None:
    if _is_current(con, version):
        return
    with transaction(con):
        for migration in MIGRATIONS:
            if version is not None and version < migration.version:
                migration.run(con)
        tables, columns = _missing_parts(con)
        for table in tables:
            con.execute(create_statement(table))
        for table, name, sql_type in columns:
            con.execute(f"ALTER TABLE {quoted(table.name)} ADD COLUMN {quoted(name)} {sql_type}")
        con.execute("CREATE TABLE IF NOT EXISTS schema_version (version INTEGER)")
        if version != SCHEMA_VERSION:
            con.execute("INSERT INTO schema_version VALUES (?)", [SCHEMA_VERSION])


@contextmanager
def transaction(con: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """All or nothing: commit at the end, roll back and re-raise on any error.

    Raises
    ------
    StoreError
        An error inside was swallowed, so that the engine would throw the work away at the commit.
    """
    con.execute("BEGIN TRANSACTION")
    try:
        yield
        try:
            con.execute("SELECT 1")
        except duckdb.TransactionException as error:
            raise StoreError(f"nothing was stored: the transaction had failed before its end: {error}") from error
    except BaseException:
        # the engine may have rolled back already (full disk, fatal error)
        with suppress(duckdb.Error):
            con.execute("ROLLBACK")
        raise
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
