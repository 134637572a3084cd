"""Exports: safe in a spreadsheet, exact where they can be, whole or not at all."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import duckdb
import pytest
from openpyxl import load_workbook
from tiny_fleet import full_fleet, write_fleet

from planner.errors import InputError, ParameterError
from planner.store.database import open_database
from planner.store.exporting import write_query
from planner.store.loading import load_sources
from planner.store.status_queries import ordered_rows
from planner.tables.catalogue import INTAKE_TABLES


@pytest.fixture
def con() -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection of its own."""
    connection = duckdb.connect()
    yield connection
    connection.close()


ROWS = (
    "SELECT * FROM (VALUES ('=1+1', -8.5, TIMESTAMP '2031-04-05 06:07:08'), ('+a', 1, NULL), ('-b', 2, NULL), "
    "('@c', 3, NULL), (chr(9) || 'd', 4, NULL), (chr(13) || 'e', 5, NULL), ('f=1', 6, NULL), (NULL, 7, "
    "TIMESTAMP '2031-04-05 06:07:08.25')) t(name, number, moment)"
)


def test_text_that_would_be_a_formula_gets_a_quote(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """Text starting with = + - @ tab or CR is quoted; negative numbers and other text are untouched."""
    path = tmp_path / "rows.csv"
    assert write_query(con, ROWS, path) == 8
    rows = con.execute("SELECT * FROM read_csv(?, all_varchar = true, header = true)", [str(path)]).fetchall()
    assert [row[0] for row in rows] == ["'=1+1", "'+a", "'-b", "'@c", "'\td", "'\re", "f=1", None]
    assert rows[0][1:] == ("-8.5", "2031-04-05T06:07:08Z")
    assert rows[7][2] == "2031-04-05T06:07:08.250000Z"


def test_a_workbook_is_safe_and_typed(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """Numbers stay numbers; nothing is stored as a formula."""
    path = tmp_path / "rows.xlsx"
    write_query(con, ROWS, path)
    sheet = load_workbook(path).active
    assert [cell.value for cell in sheet[1]] == ["name", "number", "moment"]
    assert sheet["A2"].value == "'=1+1"
    assert sheet["A2"].data_type == "s"
    assert sheet["B2"].value == -8.5
    assert sheet.max_row == 9


def test_json_and_parquet_are_exact(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """Formats that no spreadsheet runs carry the text as it is."""
    write_query(con, ROWS, tmp_path / "rows.json")
    assert json.loads((tmp_path / "rows.json").read_text())[0]["name"] == "=1+1"
    write_query(con, ROWS, tmp_path / "rows.parquet")
    stored = con.execute("SELECT name, moment FROM read_parquet(?)", [str(tmp_path / "rows.parquet")]).fetchall()
    assert stored[0] == ("=1+1", datetime(2031, 4, 5, 6, 7, 8))


def test_an_unknown_suffix_is_refused(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """The suffix decides the format."""
    with pytest.raises(ParameterError, match=r"must be one of \.csv"):
        write_query(con, ROWS, tmp_path / "rows.doc")


def test_a_file_that_cannot_be_written_leaves_nothing(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """No half file is left where the whole could not be written, and an older one stays."""
    (tmp_path / "taken").write_text("a file, not a folder")
    with pytest.raises(InputError, match="cannot be written"):
        write_query(con, ROWS, tmp_path / "taken" / "rows.csv")
    path = tmp_path / "rows.csv"
    path.write_text("older")
    with pytest.raises(duckdb.ConversionException):
        write_query(con, "SELECT CAST(s AS INTEGER) FROM (VALUES ('1'), ('x')) t(s)", path)
    assert path.read_text() == "older"
    assert sorted(file.name for file in tmp_path.iterdir()) == ["rows.csv", "taken"]


@pytest.mark.parametrize("suffix", [".csv", ".parquet", ".xlsx"])
def test_an_exported_fleet_loads_again_as_it_was(tmp_path: Path, suffix: str) -> None:
    """Export and load of every intake table is the identity."""
    moment = datetime(2031, 1, 1)
    one, other = open_database(tmp_path / "one.duckdb"), open_database(tmp_path / "other.duckdb")
    load_sources(one, [write_fleet(tmp_path / "fleet", full_fleet())], mapping=None, strict=True, loaded_at=moment)
    for table in INTAKE_TABLES:
        write_query(one, ordered_rows(table), tmp_path / "export" / f"{table.name}{suffix}", title=table.name)
    files = sorted((tmp_path / "export").iterdir())
    load_sources(other, files, mapping=None, strict=True, loaded_at=moment)
    for table in INTAKE_TABLES:
        assert one.execute(ordered_rows(table)).fetchall() == other.execute(ordered_rows(table)).fetchall(), table.name
    one.close()
    other.close()
