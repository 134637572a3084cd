"""Workbooks with a sheet per table are read like carefully written text files."""

from __future__ import annotations

from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import pytest
from openpyxl import Workbook, load_workbook
from tiny_fleet import full_fleet, tiny_fleet, write_fleet

from planner.errors import InputError
from planner.intake.mapping import TableMapping
from planner.intake.templates import WORKBOOK, write_templates
from planner.intake.workbooks import cell_text
from planner.store.database import open_database
from planner.store.loading import load_sources
from planner.tables.catalogue import INTAKE_TABLES, TABLES

NOW = datetime(2031, 1, 1)


def spreadsheet_value(name: str, table: str, text: str) -> Any:
    """The value a spreadsheet would hold for that text: numbers, dates and booleans of its own."""
    kind = TABLES[table].column(name).type
    if text == "":
        return None
    if kind in ("integer", "number"):
        return float(text)
    if kind == "boolean":
        return text == "true"
    if kind == "date":
        return datetime.fromisoformat(text)
    if kind == "time":
        return time.fromisoformat(text)
    return text


def test_a_workbook_gives_the_same_store_as_text_files(tmp_path: Path) -> None:
    """Numbers, dates, booleans and times of day of a spreadsheet mean what their text means."""
    fleet = full_fleet()
    book = Workbook()
    book.remove(book.active)
    for name, rows in fleet.items():
        sheet = book.create_sheet(name)
        header = list(dict.fromkeys(column for row in rows for column in row))
        sheet.append([])
        sheet.append(header)
        for row in rows:
            sheet.append([])
            sheet.append([spreadsheet_value(column, name, row.get(column, "")) for column in header])
    book.save(tmp_path / "fleet.xlsx")
    one, other = open_database(tmp_path / "one.duckdb"), open_database(tmp_path / "other.duckdb")
    load_sources(one, [write_fleet(tmp_path / "fleet", fleet)], mapping=None, strict=True, loaded_at=NOW)
    report = load_sources(other, [tmp_path / "fleet.xlsx"], mapping=None, strict=True, loaded_at=NOW)
    assert report.findings == 0
    for table in INTAKE_TABLES:
        query = f'SELECT * FROM "{table.name}" ORDER BY ALL'
        assert one.execute(query).fetchall() == other.execute(query).fetchall(), table.name
    one.close()
    other.close()


def test_findings_name_the_sheet_and_its_row(tmp_path: Path) -> None:
    """A fault in a workbook is found again at the row the spreadsheet shows."""
    book = Workbook()
    sheet = book.active
    sheet.title = "sites"
    for row in (["site_id", "kind", "latitude", "longitude"], ["S1", "hut", 1, 1], [], ["S2", "hut", "95", 1]):
        sheet.append(row)
    sheet.append(["S3", "hut", 1, 1, None, "beyond the header"])
    book.save(tmp_path / "more.xlsx")
    con = open_database(tmp_path / "fleet.duckdb")
    load_sources(con, [write_fleet(tmp_path / "fleet")], mapping=None, strict=True, loaded_at=NOW)
    load_sources(con, [tmp_path / "more.xlsx"], mapping=None, strict=False, loaded_at=NOW)
    found = con.execute("SELECT file_name, line, code FROM findings ORDER BY line").fetchall()
    con.close()
    assert found == [("more.xlsx: sites", 4, "out-of-range"), ("more.xlsx: sites", 5, "column-count")]


def test_the_template_filled_in_can_be_loaded(tmp_path: Path) -> None:
    """What a person types into the template's sheets arrives; untouched sheets are no fault."""
    write_templates(tmp_path)
    book = load_workbook(tmp_path / WORKBOOK)
    for name, rows in tiny_fleet().items():
        header = [cell.value for cell in book[name][1]]
        assert header == list(TABLES[name].column_names)
        for number, row in enumerate(rows, start=2):
            for position, column in enumerate(header, start=1):
                book[name].cell(number, position).value = spreadsheet_value(column, name, row.get(column, ""))
    book.save(tmp_path / "filled.xlsx")
    con = open_database(tmp_path / "fleet.duckdb")
    report = load_sources(con, [tmp_path / "filled.xlsx"], mapping=None, strict=True, loaded_at=NOW)
    con.close()
    assert set(report.by_code["code"]) == {"header-only"}
    assert report.total("rows_new") == sum(len(rows) for rows in tiny_fleet().values())


def test_a_file_that_is_no_workbook_is_refused(tmp_path: Path) -> None:
    """Text renamed to .xlsx is refused in one line."""
    path = tmp_path / "fleet.xlsx"
    path.write_text("site_id\n")
    con = open_database(tmp_path / "fleet.duckdb")
    with pytest.raises(InputError, match="cannot be read as a workbook"):
        load_sources(con, [path], mapping=None, strict=False, loaded_at=NOW)
    con.close()


@pytest.mark.parametrize(
    ("value", "column", "expected"),
    [
        (None, "name", ""),
        (101.0, "site_id", "101"),
        (0.1, "latitude", "0.1"),
        (True, "name", "true"),
        (datetime(2031, 4, 5, 6, 7), "name", "2031-04-05T06:07:00"),
        (date(2031, 4, 5), "name", "2031-04-05"),
        (datetime(1899, 12, 30, 7, 30), "access_open", "07:30"),
        (time(7, 30, 15), "access_open", "07:30:15"),
        ("1,5", "latitude", "1.5"),
        ("1,5", "name", "1,5"),
    ],
)
def test_cells_become_text(value: Any, column: str, expected: str) -> None:
    """Every kind of cell has one text."""
    assert cell_text(value, TABLES["sites"].column(column), TableMapping(decimal=",")) == expected
