"""A prepared file -> staged rows and the faults among them, inside the engine.

Two passes: every cell of every row is checked while the file is read into `_stage`; then keys, references
and rules are checked as sets. What is wrong is written to `_faults`, one row per fault, by record number.
Parents are expected to be in the store already (tables are loaded parents first, in one transaction), so a
reference is looked up in the store alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import duckdb
import numpy as np
import pandas as pd

from planner.errors import InputError
from planner.intake.check import (
    WARNING_BIT,
    Cell,
    cell_faults_statement,
    cells_of,
    file_relation,
    stage_query,
)
from planner.intake.prepare import Source
from planner.intake.sql_text import literal, quoted
from planner.tables.schema import Column, Rule, Table

STAGE = "_stage"
ROWS = "_rows"  # the stage with the record number, `_row`, from 0
FAULTS = "_faults"
SUSPECTS = "_suspects"  # the rows with a fault, as the file has them
KEPT_OUT_KEYS = "_kept_out_keys"
SORTED_IN_MEMORY = 1 << 25  # hashes; above it the engine counts, which is slower but may spill to disk

_CELL_BITS = (1 << WARNING_BIT) - 1
_FAULT_COLUMNS = '"row", code, column_name, "value", "rule", severity'


class MalformedRecords(Exception):
    """The engine cannot cut the file into records of equal width; it must be sieved first."""

    def __init__(self, source: Source, message: str) -> None:
        super().__init__(message)
        self.source = source


@dataclass(frozen=True)
class Oddity:
    """Cells of one column that were read with a warning: how many, and the first with its record number."""

    code: str
    column_name: str
    count: int
    first_row: int
    first_text: str


@dataclass(frozen=True)
class Staged:
    """What staging one file gave.

    `bad` counts rows with a bad cell, `odd` tells what was read with a warning, by column. `first_rowid` is
    the engine's number of record 0 in `relation`, the table that holds the staged rows: the stage, or the
    table itself if `in_place`.
    """

    rows: int
    bad: int
    cells: list[Cell]
    odd: list[Oddity]
    relation: str
    first_rowid: int
    in_place: bool


def stage(
    con: duckdb.DuckDBPyConnection, source: Source, expected: int | None, load_id: int, *, table_is_empty: bool
) -> Staged:
    """Read the file, checking every cell, and make its rows visible as `_rows`.

    `expected` is the number of records the file is known to hold, if it is known. Rows of an empty table
    that no rule compares with its own rows are staged in place, which saves writing them twice: `_load` is
    then the mask with a minus until `planner.store.loading` has taken the bad rows out.

    Raises
    ------
    MalformedRecords
        The engine cannot read the file, or reads another number of records than expected.
    """
    cells = cells_of(source)
    table = source.table
    drop_stage(con)
    con.execute(
        f'CREATE TEMP TABLE {FAULTS} ("row" BIGINT, code VARCHAR, column_name VARCHAR, "value" VARCHAR, '
        '"rule" VARCHAR, severity VARCHAR)'
    )
    in_place = table_is_empty and not _looks_at_itself(table)
    relation = f"main.{quoted(table.name)}" if in_place else STAGE
    query = stage_query(source, cells)
    try:
        if in_place:
            names = ", ".join(quoted(name) for name in table.column_names)
            con.execute(
                f"INSERT INTO {relation} ({names}, _load) SELECT {names}, "
                f"CASE WHEN _mask = 0 THEN {load_id} ELSE -_mask END FROM ({query})"
            )
        else:
            con.execute(f"CREATE TEMP TABLE {STAGE} AS {query}")
    except (duckdb.InvalidInputException, duckdb.ConversionException) as error:
        raise MalformedRecords(source, str(error).splitlines()[0]) from error
    # the engine keeps the order of the file; inside a transaction it numbers new rows from a large offset
    first = _one(con, f"SELECT coalesce(min(rowid), 0) FROM {relation}")[0]
    masked = "*, CASE WHEN _load < 0 THEN -_load ELSE 0 END AS _mask" if in_place else "*"
    con.execute(f"CREATE OR REPLACE TEMP VIEW {ROWS} AS SELECT rowid - {first} AS _row, {masked} FROM {relation}")
    watched = [position for position, cell in enumerate(cells) if cell.odd]
    counts = [f"count(*) FILTER (_mask & {_CELL_BITS} <> 0)"]
    counts += [f"count(*) FILTER (_mask & {1 << (WARNING_BIT + position)} <> 0)" for position in watched]
    rows, bad, *odd = _one(con, f"SELECT count(*), {', '.join(counts)} FROM {ROWS}")
    if expected is not None and rows != expected:
        raise MalformedRecords(source, f"read {rows} records of {expected}")
    oddities = [_oddity(con, source, cells, position, n) for position, n in zip(watched, odd, strict=True) if n]
    return Staged(rows, bad, cells, oddities, relation, first, in_place)


def _oddity(con: duckdb.DuckDBPyConnection, source: Source, cells: list[Cell], position: int, count: int) -> Oddity:
    cell = cells[position]
    first = _one(con, f"SELECT min(_row) FROM {ROWS} WHERE _mask & {1 << (WARNING_BIT + position)} <> 0")[0]
    text = con.execute(
        f"SELECT CAST({cell.raw} AS VARCHAR) FROM {file_relation(source)} LIMIT 1 OFFSET {first}"
    ).fetchone()
    assert text is not None
    return Oddity(cell.odd_code, cell.column.name, count, first, str(text[0]))


def _looks_at_itself(table: Table) -> bool:
    """Whether checking a row means looking at other rows of its table."""
    return any(rule.unique or table.name in rule.needs for rule in table.rules) or any(
        _refers_to_itself(table, column) for column in table.columns
    )


def _one(con: duckdb.DuckDBPyConnection, sql: str) -> tuple[int, ...]:
    row: tuple[int, ...] | None = con.execute(sql).fetchone()
    assert row is not None
    return row


def drop_stage(con: duckdb.DuckDBPyConnection) -> None:
    """Drop what staging a file left behind."""
    con.execute(f"DROP VIEW IF EXISTS temp.{ROWS}")
    for name in (STAGE, FAULTS, SUSPECTS):
        con.execute(f"DROP TABLE IF EXISTS temp.{name}")


def explain_faults(con: duckdb.DuckDBPyConnection, source: Source, staged: Staged) -> None:
    """Read the rows with a fault again, as the file has them, into `_suspects`; say what is wrong with their cells.

    Call after `find_set_faults`, so that the file is read again once for all of them, or not at all.
    """
    blocked = f"SELECT \"row\" FROM {FAULTS} WHERE severity = 'blocking'"
    rows = f"SELECT _row FROM {ROWS} WHERE _mask & {_CELL_BITS} <> 0 UNION {blocked}"
    if not staged.bad and con.execute(f"{blocked} LIMIT 1").fetchone() is None:
        return
    con.execute(
        f'CREATE OR REPLACE TEMP TABLE {SUSPECTS} AS SELECT * FROM (SELECT row_number() OVER () - 1 AS "row", * '
        f'FROM {file_relation(source)}) WHERE "row" IN ({rows})'
    )
    if not staged.bad:
        return
    before = _fault_count(con)
    con.execute(cell_faults_statement(staged.cells, SUSPECTS, FAULTS, _FAULT_COLUMNS))
    explained = _one(
        con, f'SELECT count(DISTINCT "row") FROM (SELECT "row" FROM {FAULTS} ORDER BY rowid OFFSET {before})'
    )[0]
    if explained != staged.bad:
        raise InputError(
            f"{source.label}: {staged.bad} rows fail the check of the whole file and {explained} the check of "
            "their cells; this is a defect of the planner, nothing was stored"
        )


def find_set_faults(con: duckdb.DuckDBPyConnection, table: Table) -> None:
    """Check keys, references and rules of the staged rows and write what breaks them to `_faults`."""
    _find_repeats(con, table)
    for column in table.columns:
        if column.references and not _refers_to_itself(table, column):
            _find_unknown_references(con, table, column)
    for rule in table.rules:
        if rule.condition:
            _find_broken_condition(con, table, rule)
    looping = [column for column in table.columns if _refers_to_itself(table, column)]
    uniques = [rule for rule in table.rules if rule.unique and rule.severity == "blocking"]
    while looping or uniques:  # a row kept out may be what another one refers to, or free its place
        before = _fault_count(con)
        for column in looping:
            _find_unknown_references(con, table, column)
        for rule in uniques:
            _find_not_unique(con, table, rule)
        if _fault_count(con) == before:
            break
    for rule in table.rules:
        if rule.unique and rule.severity == "warning":
            _find_not_unique(con, table, rule)


def _refers_to_itself(table: Table, column: Column) -> bool:
    return column.references.partition(".")[0] == table.name


def _fault_count(con: duckdb.DuckDBPyConnection) -> int:
    return _one(con, f"SELECT count(*) FROM {FAULTS}")[0]


def good_rows(alias: str) -> str:
    """SQL condition over `_rows`: the staged row has no blocking fault and is no repeat."""
    return (
        f"{alias}._mask & {_CELL_BITS} = 0 AND "
        f'{alias}._row NOT IN (SELECT "row" FROM {FAULTS} '
        "WHERE severity = 'blocking' OR code = 'repeated-row')"
    )


def _find_repeats(con: duckdb.DuckDBPyConnection, table: Table) -> None:
    """Rows after the first that bear the same key: repeats if equal in every column, else duplicates."""
    key = table.key or table.column_names
    keyed = " AND ".join(f"{quoted(name)} IS NOT NULL" for name in table.key) or "true"
    names = ", ".join(quoted(name) for name in key)
    hashed = f"hash({names})"
    if not _find_repeated_hashes(con, f"SELECT {hashed} AS h FROM {ROWS} WHERE {keyed}"):
        return
    con.execute(
        f"CREATE OR REPLACE TEMP TABLE _alike AS SELECT *, min(_row) OVER (PARTITION BY {names}) AS _first "
        f"FROM {ROWS} WHERE {keyed} AND {hashed} IN (SELECT h FROM _repeated_hashes)"
    )
    same_row = " AND ".join(f"s.{quoted(name)} IS NOT DISTINCT FROM f.{quoted(name)}" for name in table.column_names)
    # a row with a bad cell may equal another in its typed values and still differ in its text
    equal = f"{same_row} AND s._mask & {_CELL_BITS} = 0 AND f._mask & {_CELL_BITS} = 0"
    value = _joined_key("s", key) if table.key else "NULL"
    rule = f"key {', '.join(table.key)} may stand once" if table.key else "a row may stand once"
    con.execute(
        f"INSERT INTO {FAULTS} ({_FAULT_COLUMNS}) "
        f"SELECT s._row, CASE WHEN {equal} THEN 'repeated-row' ELSE 'duplicate-key' END, "
        f"{literal(', '.join(table.key))}, {value}, {literal(rule)}, "
        f"CASE WHEN {equal} THEN 'warning' ELSE 'blocking' END "
        f"FROM _alike s JOIN _alike f ON f._row = s._first "
        "WHERE s._row <> s._first" + ("" if table.key else f" AND s._mask & {_CELL_BITS} = 0")
    )
    con.execute("DROP TABLE _alike")
    con.execute("DROP TABLE _repeated_hashes")


def _find_repeated_hashes(con: duckdb.DuckDBPyConnection, hashes_query: str) -> bool:
    """Write hashes of keys that occur more than once to `_repeated_hashes`; False if no two keys can be equal."""
    rows = _one(con, f"SELECT count(*) FROM ({hashes_query})")[0]
    if rows > SORTED_IN_MEMORY:
        con.execute(
            "CREATE OR REPLACE TEMP TABLE _repeated_hashes AS "
            f"SELECT h FROM ({hashes_query}) GROUP BY h HAVING count(*) > 1"
        )
        return _one(con, "SELECT count(*) FROM _repeated_hashes")[0] > 0
    hashes = np.sort(con.execute(hashes_query).fetchnumpy()["h"])
    repeated = np.unique(hashes[1:][hashes[1:] == hashes[:-1]])
    if not len(repeated):
        return False
    con.register("_hash_frame", pd.DataFrame({"h": repeated}))
    con.execute("CREATE OR REPLACE TEMP TABLE _repeated_hashes AS SELECT h FROM _hash_frame")
    con.unregister("_hash_frame")
    return True


def _joined_key(alias: str, key: tuple[str, ...]) -> str:
    return "concat_ws('|', " + ", ".join(f"CAST({alias}.{quoted(name)} AS VARCHAR)" for name in key) + ")"


def _find_unknown_references(con: duckdb.DuckDBPyConnection, table: Table, column: Column) -> None:
    parent, _, parent_column = column.references.partition(".")
    name, other = quoted(column.name), quoted(parent_column)
    known = f"SELECT {other} FROM main.{quoted(parent)}"
    itself = _refers_to_itself(table, column)
    also = ""
    if itself:
        known += f" UNION ALL SELECT g.{other} FROM {ROWS} g WHERE {good_rows('g')}"
        also = f" AND {good_rows('s')}"
    orphans = (
        f"FROM {ROWS} s WHERE s.{name} IS NOT NULL{also} "
        f"AND NOT EXISTS (SELECT 1 FROM ({known}) p WHERE p.{other} = s.{name})"
    )
    if con.execute(f"SELECT 1 {orphans} LIMIT 1").fetchone() is None:
        return
    kept_out = (
        f"EXISTS (SELECT 1 FROM {KEPT_OUT_KEYS} k WHERE k.table_name = {literal(parent)} AND k.key_value = s.{name})"
    )
    if itself:
        kept_out = f"EXISTS (SELECT 1 FROM {STAGE} k WHERE k.{other} = s.{name})"
    con.execute(
        f"INSERT INTO {FAULTS} ({_FAULT_COLUMNS}) "
        f"SELECT s._row, CASE WHEN {kept_out} THEN 'parent-kept-out' ELSE 'unknown-reference' END, "
        f"{literal(column.name)}, s.{name}, CASE WHEN {kept_out} "
        f"THEN {literal(f'the row of {parent} it refers to was kept out of this load')} "
        f"ELSE {literal(f'must be a {parent_column} of {parent}')} END, 'blocking' {orphans}"
    )


def _find_broken_condition(con: duckdb.DuckDBPyConnection, table: Table, rule: Rule) -> None:
    """A condition is judged on rows whose cells are good: a bad cell reads as unknown and has its own fault."""
    value = _joined_key("r", table.key) if table.key else "NULL"
    con.execute(
        f"INSERT INTO {FAULTS} ({_FAULT_COLUMNS}) SELECT r._row, {literal(rule.code)}, '', {value}, "
        f"{literal(rule.text)}, {literal(rule.severity)} FROM {ROWS} r "
        f"WHERE r._mask & {_CELL_BITS} = 0 AND NOT coalesce(({rule.condition}), true)"
    )


def _find_not_unique(con: duckdb.DuckDBPyConnection, table: Table, rule: Rule) -> None:
    """Rows whose columns repeat those of an earlier good row of the file, or of a row that stays in the store."""
    names = ", ".join(quoted(name) for name in rule.unique)
    given = " AND ".join(f"{quoted(name)} IS NOT NULL" for name in rule.unique)
    good = f"SELECT s.* FROM {ROWS} s WHERE {good_rows('s')}"
    same = " AND ".join(f"u.{quoted(name)} = g.{quoted(name)}" for name in rule.unique)
    same_key = " AND ".join(f"o.{quoted(name)} = u.{quoted(name)}" for name in table.key)
    value = "concat_ws('|', " + ", ".join(f"CAST({quoted(name)} AS VARCHAR)" for name in rule.unique) + ")"
    con.execute(
        f"INSERT INTO {FAULTS} ({_FAULT_COLUMNS}) WITH good AS ({good}) "
        f"SELECT _row, {literal(rule.code)}, {literal(', '.join(rule.unique))}, {value}, {literal(rule.text)}, "
        f"{literal(rule.severity)} FROM (SELECT *, row_number() OVER (PARTITION BY {names} ORDER BY _row) AS _n "
        f"FROM good WHERE {given}) g WHERE _n > 1 OR EXISTS (SELECT 1 FROM main.{quoted(table.name)} u WHERE {same} "
        f"AND NOT EXISTS (SELECT 1 FROM good o WHERE {same_key}))"
    )
