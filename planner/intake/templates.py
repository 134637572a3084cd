"""Empty files to fill in, written from the declarations: CSV, a workbook, a descriptor, a mapping."""

from __future__ import annotations

import csv
import json
import re
import zipfile
from datetime import datetime
from pathlib import Path
from typing import Any

from openpyxl import Workbook
from openpyxl.comments import Comment
from openpyxl.styles import Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet

from planner.intake.check import TIME_OF_DAY, rule_text
from planner.intake.workbooks import EXPLANATION_SHEET
from planner.tables.catalogue import INTAKE_TABLES
from planner.tables.schema import Column, Table

WORKBOOK = "fleet_template.xlsx"
# a fixed moment in the files, so that the same declarations give the same bytes
_WRITTEN_AT = datetime(2031, 1, 1)
_LAST_ROW = 5000
_LONGEST_LIST = 255  # characters of a list the spreadsheet format takes

_FIELD_TYPES = {
    "text": "string",
    "list": "string",
    "time": "string",
    "integer": "integer",
    "number": "number",
    "boolean": "boolean",
    "timestamp": "datetime",
    "date": "date",
}

MAPPING_EXAMPLE = """\
# How somebody's export becomes our tables without renaming anything by hand:
#   planner load EXPORT_FOLDER --mapping mapping.toml
# Everything here is optional; what is not said is taken as the tables are declared.

[defaults]                              # for every table; a table may say otherwise
timezone = "Europe/Lisbon"              # zone of times that are written without one
timestamp_format = "%d.%m.%Y %H:%M"     # strptime codes; without it ISO 8601 is expected
date_format = "%d.%m.%Y"
decimal = ","                           # decimal sign; "." or ","
delimiter = ";"
encoding = "cp1252"
trim = true                             # drop blanks around every cell

[tables.cables]
source = "cable_list.csv"               # their file, or their sheet in a workbook

[tables.cables.columns]                 # their header = our column, or a table with a unit
"Cable no" = "cable_id"
"Sort" = "kind"
"Glass" = "fibre_type"
"Fibres" = "fibre_count"
"Length ft" = { to = "length_m", unit = "ft" }

[tables.cables.values.kind]             # our column: their value = our value
"jumper" = "patch_cord"
"backbone" = "feeder"

[tables.housings.constants]             # for columns that their file does not have
kind = "panel"

[tables.power_readings.columns]
"Time" = "at"
"Interface" = "port_id"
"Rx mW" = { to = "rx_dbm", unit = "mW" }
"""


def write_templates(folder: Path) -> list[Path]:
    """Write every template into the folder and return the files, in the order written.

    The same declarations give the same bytes.
    """
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for table in INTAKE_TABLES:
        path = folder / f"{table.name}.csv"
        with path.open("w", encoding="utf-8", newline="") as file:
            csv.writer(file, lineterminator="\n").writerow(table.column_names)
        written.append(path)
    descriptor = folder / "datapackage.json"
    descriptor.write_text(json.dumps(data_package(), indent=2, ensure_ascii=False) + "\n", "utf-8")
    mapping = folder / "mapping.toml"
    mapping.write_text(MAPPING_EXAMPLE, "utf-8")
    workbook = folder / WORKBOOK
    _write_workbook(workbook)
    return [*written, descriptor, mapping, workbook]


def data_package(tables: tuple[Table, ...] = INTAKE_TABLES) -> dict[str, Any]:
    """The Data Package descriptor of a fleet folder: every table with its fields and constraints."""
    names = {table.name for table in tables}
    return {
        "profile": "tabular-data-package",
        "name": "fibre-connector-fleet",
        "title": "Plant and history of a fleet of fibre connectors",
        "resources": [_resource(table, names) for table in tables],
    }


def _resource(table: Table, names: set[str]) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "fields": [_field(table, column) for column in table.columns],
        "missingValues": [""],
    }
    if table.key:
        schema["primaryKey"] = list(table.key)
    foreign = []
    for column in table.columns:
        parent, _, parent_column = column.references.partition(".")
        if parent in names:
            resource = "" if parent == table.name else parent
            foreign.append({"fields": [column.name], "reference": {"resource": resource, "fields": [parent_column]}})
    if foreign:
        schema["foreignKeys"] = foreign
    return {
        "name": table.name,
        "path": f"{table.name}.csv",
        "description": table.meaning,
        "profile": "tabular-data-resource",
        "encoding": "utf-8",
        "dialect": {"delimiter": ",", "quoteChar": '"', "doubleQuote": True, "header": True},
        "schema": schema,
    }


def _field(table: Table, column: Column) -> dict[str, Any]:
    constraints: dict[str, Any] = {}
    if column.required or column.name in table.key:
        constraints["required"] = True
    if column.low is not None:
        constraints["minimum"] = int(column.low) if column.type == "integer" else column.low
    if column.high is not None:
        constraints["maximum"] = int(column.high) if column.type == "integer" else column.high
    if column.allowed and column.type != "list":
        constraints["enum"] = list(column.allowed)
    if column.type == "time":
        constraints["pattern"] = TIME_OF_DAY
    field: dict[str, Any] = {
        "name": column.name,
        "type": _FIELD_TYPES[column.type],
        "description": column.meaning + (f" [{column.unit}]" if column.unit else ""),
    }
    if column.type == "timestamp":
        field["format"] = "%Y-%m-%dT%H:%M:%SZ"
    if constraints:
        field["constraints"] = constraints
    return field


def _write_workbook(path: Path) -> None:
    book = Workbook()
    first = book.active
    assert isinstance(first, Worksheet)
    first.title = EXPLANATION_SHEET
    _fill_explanation(first)
    for table in INTAKE_TABLES:
        _fill_sheet(book.create_sheet(table.name), table)
    book.properties.creator = "planner"
    book.properties.created = book.properties.modified = _WRITTEN_AT
    book.save(path)
    _settle_times(path)


def _fill_explanation(sheet: Worksheet) -> None:
    sheet.append(["table", "column", "required", "what it is", "unit", "must be"])
    for table in INTAKE_TABLES:
        sheet.append([table.name, "", "yes" if table.required else "", table.meaning, "", ""])
        for column in table.columns:
            rule = rule_text(column)
            if column.references:
                rule += f"; a {column.references.replace('.', ' row, by ')}"
            required = "yes" if column.required or column.name in table.key else ""
            sheet.append([table.name, column.name, required, column.meaning, column.unit, rule])
        for rule_of_table in table.rules:
            sheet.append([table.name, "", "", rule_of_table.text, "", ""])
    for cell in sheet[1]:
        cell.font = Font(bold=True)
    for letter, width in zip("ABCDEF", (18, 20, 10, 60, 14, 80), strict=True):
        sheet.column_dimensions[letter].width = width
    sheet.freeze_panes = "A2"


def _fill_sheet(sheet: Worksheet, table: Table) -> None:
    needed = PatternFill("solid", start_color="FFF2CC", end_color="FFF2CC")
    for position, column in enumerate(table.columns, start=1):
        cell = sheet.cell(row=1, column=position, value=column.name)
        cell.font = Font(bold=True)
        if column.required or column.name in table.key:
            cell.fill = needed
        unit = f" [{column.unit}]" if column.unit else ""
        cell.comment = Comment(f"{column.meaning}{unit}: {rule_text(column)}", "planner", height=120, width=300)
        letter = get_column_letter(position)
        sheet.column_dimensions[letter].width = max(12, len(column.name) + 4)
        if column.type in ("text", "list", "time", "timestamp"):
            sheet.column_dimensions[letter].number_format = "@"  # ids and times stay as they are typed
        choices = _choices(column)
        if choices:
            validation = DataValidation(type="list", formula1=f'"{",".join(choices)}"', allow_blank=True)
            validation.error = rule_text(column)[:_LONGEST_LIST]
            validation.add(f"{letter}2:{letter}{_LAST_ROW}")
            sheet.add_data_validation(validation)
    sheet.freeze_panes = "A2"


def _choices(column: Column) -> tuple[str, ...]:
    choices = ("true", "false") if column.type == "boolean" else column.allowed
    if column.type == "list" or len(",".join(choices)) > _LONGEST_LIST:
        return ()
    return choices


def _settle_times(path: Path) -> None:
    """Write the archive again with one fixed time in it and in its properties."""
    with zipfile.ZipFile(path) as archive:
        members = [(info.filename, archive.read(info)) for info in archive.infolist()]
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members:
            if name == "docProps/core.xml":
                content = _with_fixed_time(content)
            info = zipfile.ZipInfo(name, (2031, 1, 1, 0, 0, 0))
            info.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(info, content)


def _with_fixed_time(properties: bytes) -> bytes:
    moment = _WRITTEN_AT.strftime("%Y-%m-%dT%H:%M:%SZ").encode()
    return re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>" + moment, properties)
