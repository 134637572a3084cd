"""The checks of one file, written as SQL from the declaration of its table.

The engine's casts are too kind ('12.5' becomes the integer 13, '0x1F' 31, an offset of a time is dropped),
so every cast stands beside a regular expression of what may be written. All cells of a row are checked in
one pass; the result is one number per row with one bit per column, 0 for a good row. Only the few rows with
a bit set are looked at again, to say what is wrong with them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from planner.errors import InputError
from planner.intake.codes import TYPE_CODES
from planner.intake.mapping import unit_formula
from planner.intake.prepare import Source
from planner.intake.sql_text import literal, quoted
from planner.tables.schema import Column

INTEGER = r"[-+]?[0-9]{1,18}"
NUMBER = r"[-+]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][-+]?[0-9]+)?"
TIME_OF_DAY = r"([01][0-9]|2[0-3]):[0-5][0-9]"
DATE = r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
ZONE = r"(Z|[+-]([01][0-9]|2[0-3])(:?[0-5][0-9])?)"
TIMESTAMP = rf"{DATE}[T ]{TIME_OF_DAY}(:[0-5][0-9](\.[0-9]{{1,9}})?)?{ZONE}?"
CONTROL = r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]"
CONTROL_IN_KEY = r"[\x00-\x1f\x7f]"

# bits from here on count rows with something to warn of, a time without zone or a padded id: not a fault
WARNING_BIT = 32
# what an export puts a quote before, lest a spreadsheet takes the text for a formula
FORMULA = r"'[=+@-]"

_INTEGER_TYPES = ("TINYINT", "SMALLINT", "INTEGER", "BIGINT", "UTINYINT", "USMALLINT", "UINTEGER", "UBIGINT")


@dataclass(frozen=True)
class Cell:
    """How one column of one file is read and judged, as SQL.

    `raw` is the cell as the file has it and `text` the same after trimming and value maps, both over the
    columns c0, c1, ... of the file; `typed` is the value in the declared type, over `x_<name>`; `type_holds`
    says whether it could be read, `good` whether everything declared holds, both over `x_` and `t_<name>`;
    `odd` says whether there is something to warn of under `odd_code`, a time without zone or blanks around an
    id; it is empty where that cannot be. NULL counts as false.
    """

    column: Column
    raw: str
    text: str
    typed: str
    type_holds: str
    good: str
    odd: str = ""

    @property
    def odd_code(self) -> str:
        """The code of the warning that `odd` is about."""
        return "no-time-zone" if self.column.type == "timestamp" else "blanks-trimmed"


def cells_of(source: Source) -> list[Cell]:
    """One cell reading per declared column that the file or its mapping fills, in declared order."""
    cells = []
    for column in source.table.columns:
        if column.name in source.columns:
            cells.append(_cell(source, column, source.columns[column.name]))
        elif column.name in source.mapping.constants:
            cells.append(_constant_cell(source, column))
    return cells


def file_relation(source: Source) -> str:
    """A FROM item that gives the file's cells as c0, c1, ...: text for CSV, the engine's types for Parquet."""
    if source.kind == "parquet":
        names = ", ".join(f"{quoted(name)} AS c{position}" for position, name in enumerate(source.header))
        return f"(SELECT {names} FROM read_parquet({literal(str(source.path))}))"
    dialect = source.dialect
    assert dialect is not None
    columns = ", ".join(f"'c{position}': 'VARCHAR'" for position in range(len(source.header)))
    return (
        f"read_csv({literal(str(source.path))}, auto_detect=false, header=true, "
        f"delim={literal(dialect.delimiter)}, quote='\"', escape='\"', columns={{{columns}}})"
    )


def stage_query(source: Source, cells: list[Cell]) -> str:
    """SELECT of the typed rows in file order, with `_mask`: 0 for a row whose every cell is good."""
    columns = []
    by_name = {cell.column.name: cell for cell in cells}
    for column in source.table.columns:
        typed = quoted(f"t_{column.name}") if column.name in by_name else f"CAST(NULL AS {column.sql_type})"
        columns.append(f"{typed} AS {quoted(column.name)}")
    bits = []
    for position, cell in enumerate(cells):
        if cell.good != "true":
            bits.append(f"CASE WHEN {cell.good} THEN 0 ELSE {1 << position} END")
        if cell.odd:
            bits.append(f"CASE WHEN {cell.odd} THEN {1 << (WARNING_BIT + position)} ELSE 0 END")
    mask = " + ".join(bits) if bits else "0"
    return (
        f"SELECT {', '.join(columns)}, CAST({mask} AS BIGINT) AS _mask "
        f"FROM {_typed_relation(cells, file_relation(source), '')}"
    )


def cell_faults_statement(cells: list[Cell], raw_rows: str, target: str, fault_columns: str) -> str:
    """INSERT of one fault per bad cell, from a table of the suspect rows as the file has them (row, c0, ...)."""
    relation = _typed_relation(cells, raw_rows, '"row", ' + ", ".join(_raw_names(cells)))
    selects = []
    for cell in cells:
        if cell.good == "true":
            continue
        name = cell.column.name
        selects.append(
            f'SELECT "row", {_code_of_fault(cell)}, {literal(name)}, CAST({cell.raw} AS VARCHAR), '
            f"{_rule_of_fault(cell)}, 'blocking' FROM typed WHERE ({cell.good}) IS NOT TRUE"
        )
    union = " UNION ALL ".join(selects)
    return f"INSERT INTO {target} ({fault_columns}) WITH typed AS (SELECT * FROM {relation}) {union}"


def _raw_names(cells: list[Cell]) -> list[str]:
    return sorted({cell.raw for cell in cells if re.fullmatch(r"c\d+", cell.raw)})


def _typed_relation(cells: list[Cell], relation: str, also: str) -> str:
    also = f"{also}, " if also else ""
    texts = ", ".join(f"{cell.text} AS {quoted('x_' + cell.column.name)}" for cell in cells)
    typed = ", ".join(f"{cell.typed} AS {quoted('t_' + cell.column.name)}" for cell in cells)
    return f"(SELECT *, {typed} FROM (SELECT {also}{texts} FROM {relation}))"


def _cell(source: Source, column: Column, position: int) -> Cell:
    raw = f"c{position}"
    engine_type = source.types[position] if source.types else "VARCHAR"
    if engine_type != "VARCHAR" and column.name not in source.mapping.values:
        ready = _typed_cell(source, column, raw, engine_type)
        if ready is not None:
            return ready
    text = raw
    if engine_type.endswith("[]"):
        text = f"array_to_string({raw}, ';')"
    elif column.type == "time" and engine_type == "TIME":
        text = f"regexp_replace(CAST({raw} AS VARCHAR), '^(.....):00$', '\\1')"
    elif engine_type != "VARCHAR":
        text = f"CAST({raw} AS VARCHAR)"
    if source.mapping.trim:
        text = f"trim({text})"
    text = f"nullif({text}, '')"
    if _may_be_protected(source, column):
        text = f"CASE WHEN regexp_matches({text}, {literal('^' + FORMULA)}) THEN substr({text}, 2) ELSE {text} END"
    pairs = source.mapping.values.get(column.name, {})
    if pairs:
        arms = " ".join(f"WHEN {literal(theirs)} THEN {literal(ours)}" for theirs, ours in pairs.items())
        text = f"nullif(CASE {text} {arms} ELSE {text} END, '')"
    return _text_cell(source, column, raw, text)


def _constant_cell(source: Source, column: Column) -> Cell:
    value = literal(source.mapping.constants[column.name])
    return _text_cell(source, column, value, f"nullif({value}, '')")


def _text_cell(source: Source, column: Column, raw: str, text: str) -> Cell:
    """The reading of a cell that comes as text."""
    x, t = quoted(f"x_{column.name}"), quoted(f"t_{column.name}")
    typed, written, odd = _reader_of_text(source, column, x)
    formula = unit_formula(column, source.mapping.units.get(column.name, column.unit))
    if formula and column.name in source.mapping.units:
        typed = formula.format(typed)
    conditions = [written] if written else []
    if column.type in ("integer", "timestamp", "date", "boolean"):
        conditions.append(f"{t} IS NOT NULL")
    elif column.type == "number":
        conditions.append(f"isfinite({t})")
    type_holds = " AND ".join(conditions)
    conditions += _conditions_on_value(source, column, x, t)
    return Cell(column, raw, text, typed, type_holds or "true", _or_empty(column, x, conditions), odd)


def _may_be_protected(source: Source, column: Column) -> bool:
    """Whether a text cell may carry the quote that an export puts before a formula."""
    if source.kind != "csv" or column.type not in ("text", "list") or column.allowed:
        return False
    return source.survey is None or source.survey.apostrophes


def _may_be_padded(source: Source, column: Column) -> bool:
    """Whether the cell is an id, by which rows find each other, and may have blanks around it."""
    is_id = column.name in source.table.key or bool(column.references) or column.name.endswith("_id")
    if column.type != "text" or column.allowed or not is_id or source.mapping.trim:
        return False
    survey = source.survey  # letters beyond ASCII may be blanks too
    return survey is None or survey.blanks or survey.utf8_letters


def _or_empty(column: Column, x: str, conditions: list[str]) -> str:
    held = " AND ".join(conditions)
    if column.required:
        return held or f"{x} IS NOT NULL"
    return f"{x} IS NULL OR ({held})" if held else "true"


def _conditions_on_value(source: Source, column: Column, x: str, t: str) -> list[str]:
    conditions = []
    if column.low is not None:
        conditions.append(f"{t} >= {column.low!r}")
    if column.high is not None:
        conditions.append(f"{t} <= {column.high!r}")
    if column.allowed:
        if column.type == "list":
            parts = "|".join(re.escape(part) for part in column.allowed)
            conditions.append(f"regexp_full_match({x}, {literal(f'({parts})(;({parts}))*')})")
        else:
            conditions.append(f"{x} IN ({', '.join(literal(value) for value in column.allowed)})")
    elif column.type in ("text", "list"):
        pattern = _control_pattern(source, column)
        if pattern:
            conditions.append(f"NOT regexp_matches({x}, {literal(pattern)})")
        if column.required and (not pattern or _may_be_padded(source, column)):
            conditions.append(f"{t} IS NOT NULL")
    return conditions


def _control_pattern(source: Source, column: Column) -> str:
    """What a text cell may not hold; empty where the bytes of the file show that it cannot.

    A reference needs no look: what it refers to was looked at.
    """
    survey = source.survey
    if column.references:
        return ""
    if column.name in source.table.key:
        clean = survey is not None and not (survey.controls or survey.quotes or survey.tabs)
        return "" if clean else CONTROL_IN_KEY
    return "" if survey is not None and not survey.controls else CONTROL


def _reader_of_text(source: Source, column: Column, x: str) -> tuple[str, str, str]:
    """SQL of the typed value, of what must hold for the way it is written, and of what to warn of."""
    if column.type == "integer":
        return f"TRY_CAST({x} AS BIGINT)", _written(x, INTEGER), ""
    if column.type == "number":
        if source.dialect is not None and source.dialect.decimal == ",":
            pattern = NUMBER.replace(r"\.", ",")
            return f"TRY_CAST(replace({x}, ',', '.') AS DOUBLE)", _written(x, pattern), ""
        return f"TRY_CAST({x} AS DOUBLE)", _number_written(source, x), ""
    if column.type == "boolean":
        lowered = f"lower({x})"
        return f"CASE {lowered} WHEN 'true' THEN true WHEN 'false' THEN false END", "", ""
    if column.type == "time":
        return x, _written(x, TIME_OF_DAY), ""
    if column.type == "date":
        given = source.mapping.date_format
        if given:
            return f"CAST(TRY_STRPTIME({x}, {literal(given)}) AS DATE)", "", ""
        return f"TRY_CAST({x} AS DATE)", _written(x, DATE), ""
    if column.type == "timestamp":
        return _reader_of_time(source, x)
    if _may_be_padded(source, column):
        trimmed = f"trim({x})"
        return f"nullif({trimmed}, '')", "", f"{trimmed} <> {x}"
    return x, "", ""


def _written(x: str, pattern: str) -> str:
    return f"regexp_full_match({x}, {literal(pattern)})"


def _number_written(source: Source, x: str) -> str:
    """That a finite number is written as NUMBER says; in cells without white space a cheaper test tells.

    Apart from signs for "not finite", the engine's cast to DOUBLE takes only these beyond the pattern:
    underscores between digits, blanks around, and a minus behind a plus. Tested against the pattern.
    """
    if not _cells_are_plain(source):
        return _written(x, NUMBER)
    return f"NOT contains({x}, '_') AND NOT contains({x}, ' ') AND NOT contains({x}, '+-')"


def _cells_are_plain(source: Source) -> bool:
    """No cell can hold a quote, tab, line end or control character."""
    survey = source.survey
    return survey is not None and not (survey.quotes or survey.tabs or survey.controls)


def _reader_of_time(source: Source, x: str) -> tuple[str, str, str]:
    zone, given = source.mapping.timezone, source.mapping.timestamp_format
    if given:
        parsed = f"TRY_STRPTIME({x}, {literal(given)})"
        if "%z" in given or "%Z" in given:
            return f"({parsed} AT TIME ZONE 'UTC')", "", ""
        if zone:
            return _in_zone(parsed, zone), "", ""
        return parsed, "", f"{x} IS NOT NULL"
    has_zone = f"regexp_matches({x}, {literal(TIME_OF_DAY + '.*' + ZONE + '$')})"
    plain, zoned = f"TRY_CAST({x} AS TIMESTAMP)", f"(TRY_CAST({x} AS TIMESTAMPTZ) AT TIME ZONE 'UTC')"
    written = _written(x, TIMESTAMP)
    if zone:
        typed = f"CASE WHEN suffix({x}, 'Z') THEN {plain} WHEN {has_zone} THEN {zoned} ELSE {_in_zone(plain, zone)} END"
        return typed, written, ""
    # the form nearly all times have; of texts of this length the parser takes no other
    usual = f"(strlen({x}) = 20 AND suffix({x}, 'Z') AND NOT contains({x}, ' '))"
    typed = (
        f"CASE WHEN {usual} THEN TRY_STRPTIME({x}, '%Y-%m-%dT%H:%M:%SZ') "
        f"WHEN suffix({x}, 'Z') THEN {plain} ELSE {zoned} END"
    )
    written = f"({usual} OR {written})"
    naive = f"NOT suffix({x}, 'Z') AND NOT {has_zone}"
    return typed, written, naive


def _in_zone(local: str, zone: str) -> str:
    """UTC of a local time; NULL for a time the clocks of that zone jump over."""
    there = f"({local} AT TIME ZONE {literal(zone)})"
    return f"CASE WHEN ({there} AT TIME ZONE {literal(zone)}) = {local} THEN {there} AT TIME ZONE 'UTC' END"


def _typed_cell(source: Source, column: Column, raw: str, engine_type: str) -> Cell | None:
    """The reading of a Parquet cell that already has a type; None if it must be read as text."""
    x, t = quoted(f"x_{column.name}"), quoted(f"t_{column.name}")
    is_float = engine_type in ("DOUBLE", "FLOAT")
    is_number = is_float or engine_type in _INTEGER_TYPES or engine_type.startswith("DECIMAL")
    if column.type == "number" and is_number:
        formula = unit_formula(column, source.mapping.units.get(column.name, column.unit)) or "{}"
        typed, holds = formula.format(f"CAST({x} AS DOUBLE)"), f"isfinite({t})"
    elif column.type == "integer" and is_number:
        typed, holds = f"TRY_CAST({x} AS BIGINT)", f"{t} = {x}"
    elif column.type == "boolean" and engine_type == "BOOLEAN":
        typed, holds = x, f"{t} IS NOT NULL"
    elif column.type == "timestamp" and engine_type == "TIMESTAMP WITH TIME ZONE":
        typed, holds = f"({x} AT TIME ZONE 'UTC')", f"isfinite({t})"
    elif column.type == "timestamp" and engine_type.startswith("TIMESTAMP"):
        zone = source.mapping.timezone
        local = f"CAST({x} AS TIMESTAMP)"  # a typed time without zone is what the tables say: UTC
        typed, holds = (_in_zone(local, zone) if zone else local), f"isfinite({t})"
    elif column.type == "date" and (engine_type == "DATE" or engine_type.startswith("TIMESTAMP")):
        typed, holds = f"CAST({x} AS DATE)", f"isfinite({t}) AND CAST({t} AS TIMESTAMP) = CAST({x} AS TIMESTAMP)"
    else:
        return None
    conditions = [holds, *_conditions_on_value(source, column, x, t)]
    return Cell(column, raw, raw, typed, holds, _or_empty(column, x, conditions))


def _code_of_fault(cell: Cell) -> str:
    """SQL of the code of a bad cell."""
    x = _given(cell)
    arms = []
    if cell.column.required:
        arms.append(f"WHEN {x} IS NULL THEN 'missing-value'")
    if cell.column.type in TYPE_CODES:
        arms.append(f"WHEN ({cell.type_holds}) IS NOT TRUE THEN {literal(TYPE_CODES[cell.column.type])}")
    return (
        f"CASE {' '.join(arms)} ELSE {literal(_last_code(cell.column))} END"
        if arms
        else literal(_last_code(cell.column))
    )


def _given(cell: Cell) -> str:
    """The name of the value that is NULL when nothing is given; an id of blanks alone is nothing."""
    return quoted(f"{'t' if cell.column.type == 'text' else 'x'}_{cell.column.name}")


def _last_code(column: Column) -> str:
    if column.allowed:
        return "not-allowed"
    return "control-character" if column.type in ("text", "list") else "out-of-range"


def _rule_of_fault(cell: Cell) -> str:
    """SQL of what the cell must be."""
    x = _given(cell)
    rule = literal(rule_text(cell.column))
    return f"CASE WHEN {x} IS NULL THEN 'is required' ELSE {rule} END" if cell.column.required else rule


_TYPE_WORDS = {
    "integer": "a whole number",
    "number": "a decimal number",
    "boolean": "true or false",
    "timestamp": "an existing ISO 8601 time such as 2031-04-05T06:07:08Z",
    "date": "an existing day written YYYY-MM-DD",
    "time": "a time of day written HH:MM, 00:00 to 23:59",
    "text": "text without control characters",
    "list": "parts separated by ;",
}


def rule_text(column: Column) -> str:
    """What a cell of the column must be, in words.

    Examples
    --------
    >>> rule_text(Column("leg", "integer", "leg number", low=0))
    'must be a whole number, at least 0'
    """
    if column.allowed:
        words = "parts separated by ; out of " if column.type == "list" else ""
        return f"must be {words}{', '.join(column.allowed)}"
    text = f"must be {_TYPE_WORDS[column.type]}"
    if column.low is not None and column.high is not None:
        text += f", {column.low:g} to {column.high:g}"
    elif column.low is not None:
        text += f", at least {column.low:g}"
    elif column.high is not None:
        text += f", at most {column.high:g}"
    if column.unit and column.type == "number" and column.unit != "-":
        text += f" {column.unit}"
    return text


def check_zone(zone: str, zones: frozenset[str], place: str) -> None:
    """Refuse a time zone nobody knows; `place` is where it is written.

    Raises
    ------
    InputError
        The zone is not in the list.
    """
    if zone and zone not in zones:
        raise InputError(f"{place}: timezone '{zone}' is unknown; use an IANA name such as Europe/Lisbon")
