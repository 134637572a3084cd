"""The store's file: new, older, newer, foreign, locked; transactions that keep all or nothing."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import duckdb
import pandas as pd
import pytest

from planner.errors import StoreError
from planner.store.database import (
    MIGRATIONS,
    SCHEMA_VERSION,
    fetch,
    has_rows,
    newest_load,
    open_database,
    quoted,
    replace_result,
    transaction,
)
from planner.tables.catalogue import INTAKE_TABLES, TABLES


def columns_of(con: duckdb.DuckDBPyConnection, table: str) -> dict[str, str]:
    """Column -> type as the engine has it."""
    return {row[0]: row[1] for row in con.execute(f'DESCRIBE "{table}"').fetchall()}


def test_a_new_file_has_every_declared_table(tmp_path: Path) -> None:
    """Tables, columns and types come from the declarations."""
    con = open_database(tmp_path / "new.duckdb")
    for table in TABLES.values():
        expected = {column.name: column.sql_type for column in table.columns}
        if table.kind == "intake":
            expected["_load"] = "BIGINT"
        assert columns_of(con, table.name) == expected
        assert not has_rows(con, table.name)
    assert newest_load(con) == 0
    con.close()


def write_version_0(path: Path) -> None:
    """A file as it was before versions were kept: intake tables, no bookkeeping, a column fewer."""
    con = duckdb.connect(str(path))
    for table in INTAKE_TABLES:
        names = [column for column in table.columns if column.name != "access_note"]
        con.execute(f"CREATE TABLE {quoted(table.name)} ({', '.join(f'{quoted(c.name)} {c.sql_type}' for c in names)})")
    con.execute("INSERT INTO sites (site_id, kind, latitude, longitude) VALUES ('S1', 'hut', 1, 2)")
    con.close()


def test_a_file_of_version_0_is_brought_up_to_date(tmp_path: Path) -> None:
    """Every step up to this version is run; rows stay, new columns are unknown, rows count as load 0."""
    path = tmp_path / "old.duckdb"
    write_version_0(path)
    con = open_database(path)
    assert con.execute("SELECT max(version) FROM schema_version").fetchone() == (SCHEMA_VERSION,)
    assert con.execute("SELECT site_id, access_note, _load FROM sites").fetchall() == [("S1", None, 0)]
    con.execute("INSERT INTO sites (site_id) VALUES ('S2')")
    assert con.execute("SELECT _load FROM sites WHERE site_id = 'S2'").fetchone() == (None,)
    assert set(columns_of(con, "findings")) == set(TABLES["findings"].column_names)
    con.close()


def test_the_steps_lead_to_this_version_without_a_gap() -> None:
    """One migration per version, in order."""
    assert [migration.version for migration in MIGRATIONS] == list(range(1, SCHEMA_VERSION + 1))


def test_a_file_of_version_0_is_not_read_as_it_is(tmp_path: Path) -> None:
    """Reading an older file says what to do first."""
    path = tmp_path / "old.duckdb"
    write_version_0(path)
    with pytest.raises(StoreError, match="planner status"):
        open_database(path, read_only=True)


def test_a_column_declared_since_is_added(tmp_path: Path) -> None:
    """A file of this version that lacks a declared column or table gets it on opening."""
    path = tmp_path / "fleet.duckdb"
    con = open_database(path)
    con.execute("ALTER TABLE ranking DROP COLUMN reasons")
    con.execute("DROP TABLE plan_jobs")
    con.close()
    con = open_database(path)
    assert columns_of(con, "ranking")["reasons"] == "VARCHAR"
    assert columns_of(con, "plan_jobs")["minutes"] == "DOUBLE"
    con.close()


@pytest.mark.parametrize("read_only", [False, True])
def test_a_newer_file_is_refused(tmp_path: Path, read_only: bool) -> None:
    """A file of a newer planner is neither read nor written."""
    path = tmp_path / "fleet.duckdb"
    con = open_database(path)
    con.execute("INSERT INTO schema_version VALUES (?)", [SCHEMA_VERSION + 1])
    con.close()
    before = path.read_bytes()
    with pytest.raises(StoreError, match="newer planner"):
        open_database(path, read_only=read_only)
    assert path.read_bytes() == before


def test_what_is_not_ours_is_refused(tmp_path: Path) -> None:
    """Another database, a text file, a missing file or folder: one clear message each, nothing changed."""
    foreign = tmp_path / "foreign.duckdb"
    con = duckdb.connect(str(foreign))
    con.execute("CREATE TABLE songs (title VARCHAR)")
    con.close()
    with pytest.raises(StoreError, match="something else"):
        open_database(foreign)
    text = tmp_path / "text.duckdb"
    text.write_text("this is no database at all, but long enough to look at" * 100)
    with pytest.raises(StoreError, match="cannot be opened"):
        open_database(text)
    with pytest.raises(StoreError, match="no such database"):
        open_database(tmp_path / "none.duckdb", read_only=True)
    with pytest.raises(StoreError, match="there is no folder"):
        open_database(tmp_path / "nowhere" / "none.duckdb")


HOLD = """
import sys, time
from planner.store.database import open_database
con = open_database(sys.argv[1])
print("open", flush=True)
time.sleep(float(sys.argv[2]))
con.close()
"""


def test_a_file_another_process_writes_is_waited_for(tmp_path: Path) -> None:
    """In use: refused at once without waiting, opened as soon as the other lets go when waiting."""
    path = tmp_path / "fleet.duckdb"
    open_database(path).close()
    other = subprocess.Popen([sys.executable, "-c", HOLD, str(path), "1.5"], stdout=subprocess.PIPE, text=True)
    assert other.stdout is not None
    try:
        assert other.stdout.readline() == "open\n"
        with pytest.raises(StoreError, match="another process still has this database open"):
            open_database(path)
        started = time.monotonic()
        open_database(path, wait_s=30).close()
        assert time.monotonic() - started < 25
    finally:
        other.wait(30)
        other.stdout.close()


def test_an_error_inside_a_transaction_undoes_it_all(tmp_path: Path) -> None:
    """Rows and tables made before the error are gone after it."""
    con = open_database(tmp_path / "fleet.duckdb")
    with pytest.raises(duckdb.ConversionException), transaction(con):
        con.execute("INSERT INTO sites (site_id) VALUES ('S1')")
        con.execute("CREATE TABLE more AS SELECT 1")
        con.execute("SELECT CAST('x' AS INTEGER)")
    assert not has_rows(con, "sites")
    assert con.execute("SELECT count(*) FROM duckdb_tables() WHERE table_name = 'more'").fetchone() == (0,)
    con.close()


def test_a_swallowed_error_is_not_committed_in_silence(tmp_path: Path) -> None:
    """The engine's COMMIT would throw the work away without a word; the transaction says so instead."""
    con = open_database(tmp_path / "fleet.duckdb")
    with pytest.raises(StoreError, match="nothing was stored"), transaction(con):
        con.execute("INSERT INTO sites (site_id) VALUES ('S1')")
        with pytest.raises(duckdb.ConversionException):
            con.execute("SELECT CAST('x' AS INTEGER)")
    assert not has_rows(con, "sites")
    con.close()


def test_a_result_table_is_replaced_whole(tmp_path: Path) -> None:
    """The new rows are the only rows; a frame with other columns is refused."""
    con = open_database(tmp_path / "fleet.duckdb")
    first = pd.DataFrame({"source_id": ["a"], "connector_id": ["b"], "met_at": [None], "probability": [0.5]})
    for frame in (first, first.assign(probability=0.25)):
        with transaction(con):
            assert replace_result(con, "dirt_sources", frame) == 1
    assert fetch(con, "SELECT probability FROM dirt_sources")["probability"].tolist() == [0.25]
    with pytest.raises(StoreError, match="columns missing"):
        replace_result(con, "dirt_sources", first.drop(columns="met_at"))
    con.close()


def test_a_data_file_is_no_database(tmp_path: Path) -> None:
    """A CSV file given as the database is refused in one line, for reading and for writing."""
    path = tmp_path / "fleet.csv"
    path.write_text("site_id\nS1\n", encoding="utf-8")
    for read_only in (True, False):
        with pytest.raises(StoreError, match=r"fleet\.csv: is (not a planner database|a DuckDB database of something)"):
            open_database(path, read_only=read_only)
