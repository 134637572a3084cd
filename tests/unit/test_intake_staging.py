"""Staging one file: rows in file order, faults by record number, rules that only warn."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import duckdb
import pytest

from planner.intake.lines import expected_records
from planner.intake.mapping import Mapping
from planner.intake.prepare import Source, prepare
from planner.intake.sources import Candidate
from planner.intake.staging import (
    FAULTS,
    KEPT_OUT_KEYS,
    ROWS,
    MalformedRecords,
    Staged,
    explain_faults,
    find_set_faults,
    good_rows,
    stage,
)
from planner.store.database import open_database
from planner.tables.catalogue import TABLES
from planner.tables.schema import Rule, Table


@pytest.fixture
def con(tmp_path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """An empty store, in a transaction as a load is."""
    connection = open_database(tmp_path / "fleet.duckdb")
    connection.execute("BEGIN")
    connection.execute(f"CREATE TEMP TABLE {KEPT_OUT_KEYS} (table_name VARCHAR, key_value VARCHAR)")
    yield connection
    connection.close()


def staged(
    con: duckdb.DuckDBPyConnection, path: Path, table: Table, *, in_place: bool = False
) -> tuple[Source, Staged]:
    """Stage a file and find its faults."""
    source = prepare(Candidate(table, path.name, path, "csv"), Mapping(), path.parent)
    result = stage(con, source, expected_records(source), 1, table_is_empty=in_place)
    find_set_faults(con, table)
    explain_faults(con, source, result)
    return source, result


@pytest.mark.parametrize("in_place", [False, True])
def test_rows_are_numbered_in_file_order(con: duckdb.DuckDBPyConnection, tmp_path: Path, in_place: bool) -> None:
    """Record n of a large file is row n of the stage, however many threads read it."""
    path = tmp_path / "technicians.csv"
    rows = 300_000
    with path.open("w") as file:
        file.write("technician_id,crew_id\n")
        file.writelines(f"W{number},\n" for number in range(rows))
    _, result = staged(con, path, TABLES["technicians"], in_place=in_place)
    assert (result.rows, result.bad, result.in_place) == (rows, 0, in_place)
    wrong = con.execute(f"SELECT count(*) FROM {ROWS} WHERE technician_id <> 'W' || _row").fetchone()
    assert wrong == (0,)


@pytest.mark.parametrize("in_place", [False, True])
def test_faults_of_a_large_file_are_those_of_their_records(
    con: duckdb.DuckDBPyConnection, tmp_path: Path, in_place: bool
) -> None:
    """Bad cells far apart in a large file are each reported with their own record and text."""
    path = tmp_path / "travel_times.csv"
    bad = {7: "seven", 123_456: "1_0", 299_999: "-1"}
    with path.open("w") as file:
        file.write("minutes,from_site_id,to_site_id\n")
        file.writelines(f"{bad.get(number, number % 60)},S{number},S0\n" for number in range(300_000))
    table = replace(
        TABLES["travel_times"],
        columns=tuple(replace(column, references="") for column in TABLES["travel_times"].columns),
    )
    _, result = staged(con, path, table, in_place=in_place)
    assert result.bad == 3
    found = con.execute(f'SELECT "row", code, "value" FROM {FAULTS} ORDER BY "row"').fetchall()
    assert found == [
        (7, "not-a-number", "seven"),
        (123_456, "not-a-number", "1_0"),
        (299_999, "out-of-range", "-1"),
    ]


def test_a_rule_may_only_warn(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """A row that breaks a rule of severity warning has a finding and stays."""
    rules = (
        Rule("far-north", "latitude above 80 is unusual", condition="r.latitude < 80", severity="warning"),
        Rule("same-name", "two sites of one name", unique=("name",), severity="warning"),
        Rule("no-south", "no site in the south", condition="r.latitude >= 0"),
    )
    path = tmp_path / "sites.csv"
    path.write_text(
        "site_id,kind,latitude,longitude,name\nS1,hut,85,1,a\nS2,hut,1,1,a\nS3,hut,-1,1,b\nS4,hut,1,1,\nS5,hut,1,1,\n"
    )
    staged(con, path, replace(TABLES["sites"], rules=rules))
    found = con.execute(f'SELECT "row", code, severity FROM {FAULTS} ORDER BY "row", code').fetchall()
    assert found == [(0, "far-north", "warning"), (1, "same-name", "warning"), (2, "no-south", "blocking")]
    good = con.execute(f"SELECT _row FROM {ROWS} s WHERE {good_rows('s')} ORDER BY 1").fetchall()
    assert good == [(0,), (1,), (3,), (4,)]


def test_a_missing_record_is_noticed(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """A file of which the engine reads fewer records than it has lines is not taken as it is."""
    path = tmp_path / "technicians.csv"
    path.write_text("technician_id,crew_id\nW1,\n\nW2,\n")
    with pytest.raises(MalformedRecords, match="read 2 records of 3"):
        staged(con, path, TABLES["technicians"])
