"""A workbook with a sheet per table -> one text file per sheet, as if it had been exported with care.

Dates and times of day become ISO text, whole numbers lose the ".0" that a spreadsheet gives them, rows
without any value are passed over; the sheet row of every record is kept for the findings.
"""

from __future__ import annotations

import csv
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from openpyxl import load_workbook
from openpyxl.utils.exceptions import InvalidFileException

from planner.errors import InputError
from planner.intake.dialects import match_columns
from planner.intake.mapping import Mapping, TableMapping
from planner.tables.schema import Column, Table

# the sheet of our own template that explains the columns; it holds no rows of a fleet
EXPLANATION_SHEET = "columns"


@dataclass(frozen=True)
class Sheet:
    """One sheet: its name, the table it fills (None if none), its text file and the sheet row of each record."""

    name: str
    table: Table | None
    path: Path
    rows: tuple[int, ...]


def sheets_as_csv(
    path: Path,
    label: str,
    table_of_sheet: Callable[[str], Table | None],
    place: Callable[[str], Path],
    mapping: Mapping,
) -> Iterator[Sheet]:
    """Every sheet that holds anything; `place` gives a new file of a name, `table_of_sheet` names its table.

    Raises
    ------
    InputError
        The file is no workbook.
    """
    try:
        book = load_workbook(path, read_only=True, data_only=True)
    except (InvalidFileException, zipfile.BadZipFile, KeyError, ValueError, OSError) as error:
        raise InputError(f"{label}: cannot be read as a workbook: {error}; save it as .xlsx again") from error
    try:
        for worksheet in book.worksheets:
            table = table_of_sheet(worksheet.title)
            if table is None:
                if worksheet.title != EXPLANATION_SHEET:
                    yield Sheet(worksheet.title, None, path, ())
                continue
            target = place(f"{table.name}.csv")
            rows = _write_sheet(worksheet.iter_rows(values_only=True), table, mapping.of(table.name), target)
            if rows is not None:
                yield Sheet(worksheet.title, table, target, rows)
    finally:
        book.close()


def _write_sheet(
    records: Iterator[tuple[Any, ...]], table: Table, mapping: TableMapping, target: Path
) -> tuple[int, ...] | None:
    """Write the sheet's records as CSV; returns their sheet rows, None for a sheet without any value."""
    rows: list[int] = []
    columns: list[Column | None] | None = None
    with target.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        for number, record in enumerate(records, start=1):
            if all(value is None or value == "" for value in record):
                continue
            if columns is None:
                columns = _write_header(writer, record, table, mapping)
                continue
            cells = [
                cell_text(value, column, mapping)
                for value, column in zip(_padded(record, len(columns)), columns, strict=True)
            ]
            # a value beyond the header makes the record too wide, which the intake reports
            cells += [cell_text(value, None, mapping) for value in _extra(record, len(columns))]
            writer.writerow(cells)
            rows.append(number)
    return None if columns is None else tuple(rows)


def _write_header(writer: Any, record: tuple[Any, ...], table: Table, mapping: TableMapping) -> list[Column | None]:
    last = max(position for position, value in enumerate(record) if value is not None and value != "")
    header = tuple("" if value is None else str(value).strip() for value in record[: last + 1])
    writer.writerow(header)
    found = match_columns(table, header, mapping)
    return [table.column(found[position]) if position in found else None for position in range(len(header))]


def _padded(record: tuple[Any, ...], width: int) -> tuple[Any, ...]:
    return record[:width] + (None,) * (width - len(record))


def _extra(record: tuple[Any, ...], width: int) -> list[Any]:
    extra = list(record[width:])
    while extra and (extra[-1] is None or extra[-1] == ""):
        extra.pop()
    return extra


def cell_text(value: Any, column: Column | None, mapping: TableMapping) -> str:
    """The text a cell would have in a carefully written CSV file.

    Examples
    --------
    >>> cell_text(12.0, None, TableMapping())
    '12'
    >>> cell_text(datetime(2031, 4, 5), Column("installed_on", "date", "day"), TableMapping())
    '2031-04-05'
    """
    kind = column.type if column is not None else "text"
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, datetime):
        if kind == "date" and value.time() == time():
            return value.strftime(mapping.date_format) if mapping.date_format else value.date().isoformat()
        if kind == "time":
            return value.strftime("%H:%M")
        return value.strftime(mapping.timestamp_format) if mapping.timestamp_format else value.isoformat()
    if isinstance(value, date):
        return value.strftime(mapping.date_format) if mapping.date_format else value.isoformat()
    if isinstance(value, time):
        return value.strftime("%H:%M") if value.second == 0 else value.isoformat()
    text = str(value)
    return text.replace(",", ".") if kind == "number" and mapping.decimal == "," else text
