"""Whatever a table holds: written, loaded and read it is the same, in any dialect and column order."""

from __future__ import annotations

import csv
import functools
import io
import re
import tempfile
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from planner.intake.lines import expected_records, lines_of_records
from planner.intake.mapping import Mapping
from planner.intake.prepare import prepare
from planner.intake.records import read_batches
from planner.intake.sources import Candidate
from planner.store.database import create_statement, open_database
from planner.store.loading import load_sources
from planner.tables.catalogue import INTAKE_TABLES, TABLES
from planner.tables.schema import Column, Table

NOW = datetime(2031, 1, 1)
QUICK = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])

# text a cell may hold: no control characters (a fault), no surrogates (no text), no quote put before a formula
TEXT = st.text(
    st.characters(exclude_categories=("Cs", "Cc"), include_characters="\n\t"), min_size=1, max_size=12
).filter(lambda text: "\r" not in text and not re.match("'[=+@-]", text))
NAME = st.text(st.characters(exclude_categories=("Cs", "Cc", "Zs")), min_size=1, max_size=8)


def values_of(column: Column) -> st.SearchStrategy[Any]:
    """Legal values of a column, None for unknown where that is allowed; references are left unknown."""
    values: st.SearchStrategy[Any]
    if column.allowed and column.type == "list":
        values = st.lists(st.sampled_from(column.allowed), min_size=1, max_size=3).map(";".join)
    elif column.allowed:
        values = st.sampled_from(column.allowed)
    elif column.name == "timezone":
        values = st.sampled_from(["UTC", "Europe/Lisbon", "America/Argentina/Buenos_Aires"])
    elif column.type == "integer":
        values = st.integers(int(column.low or -1000), int(column.high or 10**9))
    elif column.type == "number":
        values = st.floats(
            column.low if column.low is not None else -1e9,
            column.high if column.high is not None else 1e9,
            allow_nan=False,
        )
    elif column.type == "boolean":
        values = st.booleans()
    elif column.type == "timestamp":
        values = st.datetimes(datetime(1990, 1, 1), datetime(2090, 1, 1))
    elif column.type == "date":
        values = st.dates(date(1990, 1, 1), date(2090, 1, 1))
    elif column.type == "time":
        values = st.times().map(lambda moment: moment.strftime("%H:%M"))
    else:
        values = TEXT
    return values if column.required else st.none() | values


def rows_of(table: Table) -> st.SearchStrategy[list[dict[str, Any]]]:
    """Rows with keys of their own."""
    parts = {column.name: values_of(column) for column in table.columns if column.name not in table.key}
    rows = st.lists(st.fixed_dictionaries(parts), min_size=1, max_size=6)
    keys = st.lists(NAME, min_size=6, max_size=6, unique=True)
    return st.tuples(rows, keys).map(
        lambda both: [{table.key[0]: key, **row} for row, key in zip(both[0], both[1], strict=False)]
    )


def written(value: Any, decimal: str = ".") -> str:
    """A value as text, as the contract writes it."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return value.isoformat() + "Z"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return repr(value).replace(".", decimal)
    return str(value)


def write_rows(
    path: Path, columns: list[str], rows: list[dict[str, Any]], encoding: str, decimal: str, **dialect: Any
) -> None:
    """Write rows as text in that dialect."""
    with path.open("w", encoding=encoding, newline="") as file:
        writer = csv.writer(file, **dialect)
        writer.writerow(columns)
        for row in rows:
            writer.writerow([written(row[name], decimal) for name in columns])


@functools.cache
def store() -> duckdb.DuckDBPyConnection:
    """One store for all examples: making its tables takes longer than an example."""
    return open_database(":memory:")


def load_rows(table: Table, path: Path, mapping: Path | None = None) -> list[dict[str, Any]]:
    """Load one file of a table into the emptied store and read the rows back, by key."""
    con = store()
    for name in (*(one.name for one in INTAKE_TABLES), "loads", "load_files", "findings"):
        con.execute(f'DELETE FROM "{name}"')
    # the other required tables are not what is tested: one row each satisfies the load
    for other in INTAKE_TABLES:
        if other.required and other.name != table.name:
            con.execute(f'INSERT INTO "{other.name}" (_load) VALUES (0)')
    load_sources(con, [path], mapping=mapping, strict=True, loaded_at=NOW, table=table.name)
    names = ", ".join(f'"{name}"' for name in table.column_names)
    found = con.execute(f'SELECT {names} FROM "{table.name}" ORDER BY 1').fetchall()
    return [dict(zip(table.column_names, row, strict=True)) for row in found]


def by_key(table: Table, rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows as the store gives them: every declared column, in the order of the first."""
    complete = [{name: row.get(name) for name in table.column_names} for row in rows]
    first = table.column_names[0]
    return sorted(complete, key=lambda row: str(row[first]).encode())


@QUICK
@given(st.data())
def test_written_loaded_and_read_is_the_identity(data: st.DataObject) -> None:
    """Every value of every type arrives as it was, whatever the text around it."""
    table = TABLES[data.draw(st.sampled_from(["sites", "cables"]))]
    rows = data.draw(rows_of(table))
    columns = data.draw(st.permutations(table.column_names))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "rows.csv"
        write_rows(path, columns, rows, "utf-8", ".", lineterminator="\n")
        assert load_rows(table, path) == by_key(table, rows)


@QUICK
@given(st.data())
def test_every_dialect_means_the_same(data: st.DataObject) -> None:
    """Byte order mark, line ends, delimiter, quoting, UTF-16 and a decimal comma change nothing."""
    table = TABLES["cables"]
    rows = data.draw(rows_of(table))
    for row in rows:  # a decimal comma can only be found out where a number has decimals
        row["length_m"] = float(int(row["length_m"])) + 0.5
    encoding = data.draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"]))
    delimiter = data.draw(st.sampled_from([",", ";", "\t", "|"]))
    decimal = data.draw(st.sampled_from([".", ","])) if delimiter != "," else "."
    quoting = data.draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]))
    line_end = data.draw(st.sampled_from(["\n", "\r\n"]))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "rows.csv"
        write_rows(
            path,
            list(table.column_names),
            rows,
            encoding,
            decimal,
            delimiter=delimiter,
            quoting=quoting,
            lineterminator=line_end,
        )
        mapping = None
        if encoding in ("utf-16-le", "utf-16-be"):  # without a mark, declared
            mapping = Path(folder) / "mapping.toml"
            mapping.write_text(f'[defaults]\nencoding = "{encoding}"')
        assert load_rows(table, path, mapping) == by_key(table, rows)


@QUICK
@given(st.lists(st.tuples(st.datetimes(datetime(1990, 1, 1), datetime(2090, 1, 1)), st.integers(-23 * 60, 23 * 60))))
def test_any_offset_means_the_same_moment(moments: list[tuple[datetime, int]]) -> None:
    """A local time with its offset is stored as the moment it means."""
    table = TABLES["work_orders"]
    rows = [{"work_order_id": f"O{n}", "opened_at": moment} for n, (moment, _) in enumerate(moments)]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "rows.csv"
        with path.open("w") as file:
            file.write("work_order_id,opened_at\nfirst,2031-01-01T00:00:00Z\n")
            for number, (moment, offset) in enumerate(moments):
                hours, minutes = divmod(abs(offset), 60)
                sign = "-" if offset < 0 else "+"
                local = (moment + timedelta(minutes=offset)).isoformat()
                file.write(f"O{number},{local}{sign}{hours:02d}:{minutes:02d}\n")
        found = load_rows(table, path)
    stored = {row["work_order_id"]: row["opened_at"] for row in found}
    assert stored == {"first": NOW} | {row["work_order_id"]: row["opened_at"] for row in rows}


CELL = st.text(st.sampled_from('ab ",\n;x'), max_size=6)


@QUICK
@given(
    st.lists(st.lists(CELL, min_size=2, max_size=2), min_size=1, max_size=20),
    st.sampled_from(["\n", "\r\n"]),
    st.booleans(),
)
def test_records_stand_on_the_lines_an_editor_shows(records: list[list[str]], line_end: str, quote_all: bool) -> None:
    """The cut into records agrees with the csv module of Python, and each record's line with the text before it."""
    table = TABLES["technicians"]
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator=line_end, quoting=csv.QUOTE_ALL if quote_all else csv.QUOTE_MINIMAL)
    writer.writerow(["technician_id", "crew_id"])
    expected = []
    for record in records:
        expected.append(buffer.getvalue().count("\n") + 1)
        writer.writerow(record)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "technicians.csv"
        path.write_bytes(buffer.getvalue().encode())
        source = prepare(Candidate(table, "technicians.csv", path, "csv"), Mapping(), Path(folder))
        found = [
            (int(line), bytes(data[start:end]).decode())
            for data, batch in read_batches(source, batch=3)
            for start, end, line in zip(batch.starts, batch.ends, batch.lines, strict=True)
        ]
        assert [line for line, _ in found[1:]] == expected
        assert [next(csv.reader(io.StringIO(text, newline=""))) for _, text in found[1:]] == records
        known = expected_records(source)
        assert known is None or known == len(records)
        rows = list(range(len(records)))
        assert lines_of_records(source, np.array(rows)).tolist() == expected


@pytest.mark.parametrize("table", INTAKE_TABLES, ids=lambda table: table.name)
def test_every_table_can_be_made(table: Table) -> None:
    """The statement that makes a table is one the engine takes, whatever the column is called."""
    con = duckdb.connect()
    con.execute(create_statement(table))
    described = [row[0] for row in con.execute(f'DESCRIBE "{table.name}"').fetchall()]
    con.close()
    assert described == [*table.column_names, "_load"]
