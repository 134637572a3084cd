"""The column mapping: how somebody's export becomes our tables without renaming anything by hand.

A mapping is a TOML file. Everything in it is optional; what it does not say is taken as the tables are
declared. An example with every feature (it is also written by `planner templates`):

    [defaults]                          # for every table; a table may say otherwise
    timezone = "Europe/Lisbon"          # zone of times written without one
    timestamp_format = "%d.%m.%Y %H:%M" # strptime codes; without it ISO 8601 is expected
    date_format = "%d.%m.%Y"
    decimal = ","                       # decimal sign
    delimiter = ";"
    encoding = "cp1252"
    trim = true                         # drop blanks around every cell

    [tables.cables]
    source = "Kabelliste.csv"           # their file, or their sheet in a workbook

    [tables.cables.columns]             # their header = our column, or a table with a unit
    "Kabel-Nr" = "cable_id"
    "Länge (ft)" = { to = "length_m", unit = "ft" }

    [tables.cables.values.kind]         # our column: their value = our value
    "Rangierkabel" = "patch_cord"

    [tables.cables.constants]           # for columns their file does not have
    fibre_type = "G.652.D"

Units that can be turned into ours: ft, in, yd, mi, km, m, cm, mm, um (lengths); s, min, h (times);
mW, uW (into dBm).
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from planner.errors import InputError
from planner.tables.catalogue import INTAKE_TABLES
from planner.tables.schema import Column, Table

_TABLES = {table.name: table for table in INTAKE_TABLES}

_METRES = {
    "um": 1e-6,
    "mm": 1e-3,
    "cm": 1e-2,
    "in": 0.0254,
    "ft": 0.3048,
    "yd": 0.9144,
    "m": 1.0,
    "km": 1000.0,
    "mi": 1609.344,
}
_MINUTES = {"s": 1.0 / 60.0, "min": 1.0, "minutes": 1.0, "h": 60.0}
_MILLIWATTS = {"mW": 1.0, "uW": 1e-3}


@dataclass(frozen=True)
class TableMapping:
    """How one table of theirs is read; the default value of every field means "as declared"."""

    source: str = ""
    columns: dict[str, str] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    values: dict[str, dict[str, str]] = field(default_factory=dict)
    constants: dict[str, str] = field(default_factory=dict)
    timezone: str = ""
    timestamp_format: str = ""
    date_format: str = ""
    decimal: str = ""
    delimiter: str = ""
    encoding: str = ""
    trim: bool = False

    @property
    def fingerprint(self) -> str:
        """A hash of everything the mapping says; empty for a mapping that says nothing."""
        if self == TableMapping():
            return ""
        text = json.dumps(self.__dict__, sort_keys=True, ensure_ascii=False)
        return hashlib.sha256(text.encode()).hexdigest()


@dataclass(frozen=True)
class Mapping:
    """The mapping of every table; `of` gives one that says nothing where the file is silent."""

    tables: dict[str, TableMapping] = field(default_factory=dict)
    defaults: TableMapping = field(default_factory=TableMapping)

    def of(self, table_name: str) -> TableMapping:
        """How that table is read."""
        return self.tables.get(table_name, self.defaults)

    def table_of_source(self, name: str) -> str | None:
        """The table whose `source` is this file or sheet name (letter case ignored), or None."""
        wanted = name.casefold()
        for table_name, mapping in self.tables.items():
            if mapping.source and mapping.source.casefold() == wanted:
                return table_name
        return None


def unit_formula(column: Column, unit: str) -> str | None:
    """SQL with `{}` for the value that turns `unit` into the column's unit; None if there is no way.

    Examples
    --------
    >>> unit_formula(Column("length_m", "number", "length", unit="m"), "ft")
    '({} * 0.3048)'
    """
    ours = column.unit
    if unit == ours or (unit == "min" and ours == "minutes"):
        return "{}"
    for family in (_METRES, _MINUTES):
        if unit in family and ours in family:
            factor = family[unit] / family[ours]
            if factor < 1 and abs(1 / factor - round(1 / factor)) < 1e-9:
                return f"({{}} / {round(1 / factor)})"
            return f"({{}} * {float(f'{factor:.12g}')!r})"
    if unit in _MILLIWATTS and ours == "dBm":
        return f"(10 * log10(nullif(greatest({{}}, 0), 0) * {_MILLIWATTS[unit]!r}))"
    return None


def read_mapping(path: Path) -> Mapping:
    """Read mapping.toml.

    Raises
    ------
    InputError
        The file is not TOML, names a table, column, unit or setting that does not exist, or gives a column
        a value that is not allowed there.
    """
    try:
        document = tomllib.loads(path.read_text("utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError(f"{path}: cannot be read as TOML: {error}") from error
    _only(path, "", document, {"defaults", "tables"})
    defaults = _settings(path, "defaults", _table_of(path, "defaults", document.get("defaults", {})))
    tables: dict[str, TableMapping] = {}
    for name, body in _table_of(path, "tables", document.get("tables", {})).items():
        where = f"tables.{name}"
        if name not in _TABLES:
            raise InputError(f"{path}, {where}: there is no table '{name}'; tables are {', '.join(_TABLES)}")
        tables[name] = _table_mapping(path, where, _TABLES[name], _table_of(path, where, body), defaults)
    return Mapping(tables, TableMapping(**defaults))


_SETTINGS: dict[str, type] = {
    "timezone": str,
    "timestamp_format": str,
    "date_format": str,
    "decimal": str,
    "delimiter": str,
    "encoding": str,
    "trim": bool,
}


def _table_of(path: Path, where: str, value: object) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise InputError(f"{path}, {where}: got {value!r}, must be a table of settings")
    return value


def _only(path: Path, where: str, body: dict[str, Any], known: set[str]) -> None:
    for name in body:
        if name not in known:
            place = f"{where}.{name}" if where else name
            raise InputError(f"{path}, {place}: unknown setting; known are {', '.join(sorted(known))}")


def _settings(path: Path, where: str, body: dict[str, Any]) -> dict[str, Any]:
    _only(path, where, body, set(_SETTINGS))
    for name, value in body.items():
        if not isinstance(value, _SETTINGS[name]):
            raise InputError(
                f"{path}, {where}.{name}: got {value!r}, must be "
                f"{'true or false' if _SETTINGS[name] is bool else 'text'}"
            )
    if body.get("decimal", ".") not in (".", ","):
        raise InputError(f"{path}, {where}.decimal: got {body['decimal']!r}, must be '.' or ','")
    if len(body.get("delimiter", ",")) != 1:
        raise InputError(f"{path}, {where}.delimiter: got {body['delimiter']!r}, must be one character")
    return dict(body)


def _table_mapping(
    path: Path, where: str, table: Table, body: dict[str, Any], defaults: dict[str, Any]
) -> TableMapping:
    parts = {"source", "columns", "values", "constants"}
    _only(path, where, body, parts | set(_SETTINGS))
    settings = _settings(path, where, {name: body[name] for name in body if name in _SETTINGS})
    columns: dict[str, str] = {}
    units: dict[str, str] = {}
    for header, target in _table_of(path, f"{where}.columns", body.get("columns", {})).items():
        place = f"{where}.columns.{header}"
        ours, unit = _target(path, place, target)
        _known_column(path, place, table, ours)
        if ours in columns.values():
            raise InputError(f"{path}, {place}: column {ours} is already filled by another header")
        columns[header] = ours
        if unit:
            if unit_formula(table.column(ours), unit) is None:
                raise InputError(
                    f"{path}, {place}: got unit '{unit}', cannot be turned into "
                    f"'{table.column(ours).unit or 'no unit'}' of {ours}"
                )
            units[ours] = unit
    values: dict[str, dict[str, str]] = {}
    for ours, pairs in _table_of(path, f"{where}.values", body.get("values", {})).items():
        _known_column(path, f"{where}.values.{ours}", table, ours)
        values[ours] = {
            theirs: _value(path, f"{where}.values.{ours}.{theirs}", table.column(ours), value)
            for theirs, value in _table_of(path, f"{where}.values.{ours}", pairs).items()
        }
    constants: dict[str, str] = {}
    for ours, value in _table_of(path, f"{where}.constants", body.get("constants", {})).items():
        _known_column(path, f"{where}.constants.{ours}", table, ours)
        constants[ours] = _value(path, f"{where}.constants.{ours}", table.column(ours), value)
    source = body.get("source", "")
    if not isinstance(source, str):
        raise InputError(f"{path}, {where}.source: got {source!r}, must be the name of a file or sheet")
    return TableMapping(
        source=source,
        columns=columns,
        units=units,
        values=values,
        constants=constants,
        **{**defaults, **settings},
    )


def _target(path: Path, place: str, target: object) -> tuple[str, str]:
    if isinstance(target, str):
        return target, ""
    if isinstance(target, dict) and isinstance(target.get("to"), str) and set(target) <= {"to", "unit"}:
        return target["to"], str(target.get("unit", ""))
    raise InputError(f'{path}, {place}: got {target!r}, must be "column" or {{ to = "column", unit = "ft" }}')


def _known_column(path: Path, place: str, table: Table, name: str) -> None:
    if not table.has(name):
        raise InputError(
            f"{path}, {place}: table {table.name} has no column '{name}'; it has {', '.join(table.column_names)}"
        )


def _value(path: Path, place: str, column: Column, value: object) -> str:
    """A value of ours as text; "" stands for unknown, where that may be."""
    if isinstance(value, dict | list):
        raise InputError(f"{path}, {place}: got {value!r}, must be one value of {column.name}")
    text = ("true" if value else "false") if isinstance(value, bool) else str(value)
    allowed = ("true", "false") if column.type == "boolean" else column.allowed
    parts = text.split(";") if column.type == "list" else [text]
    unknown = not text and not column.required
    if allowed and not unknown and any(part not in allowed for part in parts):
        several = ", several separated by ;" if column.type == "list" else ""
        raise InputError(f"{path}, {place}: got '{text}', must be one of {', '.join(allowed)}{several}")
    return text
