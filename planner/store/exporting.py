"""A query's rows -> a file: CSV, Parquet, JSON or a workbook, by the file's suffix.

Text cells of CSV files and workbooks that a spreadsheet would take for a formula get a leading quote;
numbers stay as they are.
"""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import duckdb

from planner.errors import InputError, ParameterError
from planner.intake.sql_text import literal, quoted

FORMULA_SIGNS = "=+-@\t\r"
EXPORT_SUFFIXES = (".csv", ".parquet", ".json", ".xlsx")
SHEET_ROWS = 1_048_576  # rows of a worksheet, header included


def write_query(con: duckdb.DuckDBPyConnection, query: str, path: Path, title: str = "export") -> int:
    """Write the rows of a query to the file and return how many; the file appears whole or not at all.

    Times are written as ISO 8601 with Z; `title` names the sheet of a workbook.

    Raises
    ------
    ParameterError
        The suffix is none of .csv, .parquet, .json, .xlsx.
    InputError
        The file cannot be written, or the rows do not fit a worksheet.
    """
    suffix = path.suffix.lower()
    if suffix not in EXPORT_SUFFIXES:
        raise ParameterError(f"{path}: got suffix '{suffix}', must be one of {', '.join(EXPORT_SUFFIXES)}")
    columns = [(str(row[0]), str(row[1])) for row in con.execute(f"DESCRIBE {query}").fetchall()]
    counted = con.execute(f"SELECT count(*) FROM ({query})").fetchone()
    assert counted is not None
    rows = int(counted[0])
    partial = path.with_name(f".{path.name}.partial")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if suffix == ".xlsx":
            _write_workbook(con, query, columns, rows, partial, title)
        else:
            _copy(con, query, columns, suffix, partial)
        partial.replace(path)
    except (OSError, duckdb.IOException) as error:
        raise InputError(f"{path}: cannot be written: {error}") from error
    finally:
        with suppress(OSError):
            partial.unlink(missing_ok=True)
    return rows


def _copy(con: duckdb.DuckDBPyConnection, query: str, columns: list[tuple[str, str]], suffix: str, path: Path) -> None:
    if suffix == ".parquet":
        con.execute(f"COPY ({query}) TO {literal(str(path))} (FORMAT parquet)")
        return
    safe = suffix == ".csv"
    selected = ", ".join(f"{_as_text(name, kind, safe)} AS {quoted(name)}" for name, kind in columns)
    form = "(FORMAT csv, HEADER)" if safe else "(FORMAT json, ARRAY true)"
    con.execute(f"COPY (SELECT {selected} FROM ({query})) TO {literal(str(path))} {form}")


def _as_text(name: str, kind: str, safe: bool) -> str:
    column = quoted(name)
    if kind.startswith("TIMESTAMP"):
        return (
            f"CASE WHEN microsecond({column}) % 1000000 = 0 THEN strftime({column}, '%Y-%m-%dT%H:%M:%SZ') "
            f"ELSE strftime({column}, '%Y-%m-%dT%H:%M:%S.%fZ') END"
        )
    if safe and kind == "VARCHAR":
        signs = "|".join({"\t": r"\t", "\r": r"\r"}.get(sign, "\\" + sign) for sign in FORMULA_SIGNS)
        return f"CASE WHEN regexp_matches({column}, '^({signs})') THEN '''' || {column} ELSE {column} END"
    return column


def _write_workbook(
    con: duckdb.DuckDBPyConnection, query: str, columns: list[tuple[str, str]], rows: int, path: Path, title: str
) -> None:
    from openpyxl import Workbook  # a slow import, needed for workbooks only
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Font

    if rows >= SHEET_ROWS:
        raise InputError(f"{rows} rows do not fit a worksheet of {SHEET_ROWS}; export to .csv or .parquet")
    book = Workbook(write_only=True)
    sheet = book.create_sheet(title)
    sheet.freeze_panes = "A2"
    header = []
    for name, _ in columns:
        cell = WriteOnlyCell(sheet, value=name)
        cell.font = Font(bold=True)
        header.append(cell)
    sheet.append(header)
    selected = ", ".join(f"{_as_text(name, kind, True)} AS {quoted(name)}" for name, kind in columns)
    result = con.execute(f"SELECT {selected} FROM ({query})")
    while block := result.fetchmany(10_000):
        for row in block:
            sheet.append(row)
    book.save(path)
