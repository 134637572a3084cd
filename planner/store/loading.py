"""Checked files -> the store: one load is one transaction, and every row of it is accounted for.

Tables are loaded parents first. Each file is staged and checked by `planner.intake`, then its good rows are
merged by key: a row the store has already counts as same, a row that differs replaces the store's and sends
the old one to `row_history`, the rest are new. Rows kept out go to `findings` and `quarantine`. Nothing is
kept of a load that does not come to its end.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd

from planner.errors import InputError, StoreError
from planner.intake.check import check_zone
from planner.intake.codes import CODES, KEPT_OUT
from planner.intake.lines import Int64s, expected_records, lines_of_records, needs_sieve
from planner.intake.mapping import Mapping, read_mapping
from planner.intake.prepare import Source, prepare
from planner.intake.result_sheets import without_rows_not_filled_in
from planner.intake.sources import Candidate, Found, find_sources
from planner.intake.sql_text import literal
from planner.intake.staging import (
    FAULTS,
    KEPT_OUT_KEYS,
    ROWS,
    SUSPECTS,
    MalformedRecords,
    Staged,
    drop_stage,
    explain_faults,
    find_set_faults,
    good_rows,
    stage,
)
from planner.progress import Progress, part_of, silent
from planner.store.database import LOAD_COLUMN, has_rows, newest_load, quoted, transaction
from planner.tables.catalogue import INTAKE_TABLES, REQUIRED_TABLES
from planner.tables.result_tables import INTAKE_FINDINGS, LOAD_FILES, LOADS, QUARANTINE, ROW_HISTORY, TRACE_FILES
from planner.tables.schema import Table


def _names(table: Table) -> str:
    return ", ".join(quoted(name) for name in table.column_names)


_FINDING_COLUMNS = _names(INTAKE_FINDINGS)
_ODD_RULES = {
    "no-time-zone": "must be UTC, written with Z, or carry an offset",
    "blanks-trimmed": "must have no blanks around it; remove them in the source",
}


@dataclass(frozen=True)
class FileReport:
    """What became of one file. `read_as` says how it was read; `skipped` why it was not read, if so."""

    file_name: str
    table_name: str
    read_as: str
    rows_read: int = 0
    rows_new: int = 0
    rows_replaced: int = 0
    rows_same: int = 0
    rows_kept_out: int = 0
    skipped: str = ""


@dataclass(frozen=True)
class LoadReport:
    """What became of a load.

    `load_id` is None when nothing was stored, because every file was known already or because the load was
    refused. `by_code` counts the findings by code, severity, table and column, with one example each.
    """

    load_id: int | None
    files: tuple[FileReport, ...]
    findings: int
    blocking: int
    refused: bool
    by_code: pd.DataFrame = field(repr=False)

    def total(self, what: str) -> int:
        """Sum of a count over the files: rows_read, rows_new, rows_replaced, rows_same, rows_kept_out."""
        return sum(int(getattr(file, what)) for file in self.files)


class _Refused(Exception):
    def __init__(self, report: LoadReport) -> None:
        super().__init__("refused")
        self.report = report


def load_sources(
    con: duckdb.DuckDBPyConnection,
    sources: Sequence[Path],
    *,
    mapping: Path | None,
    strict: bool,
    loaded_at: datetime,
    progress: Progress = silent,
    table: str | None = None,
    findings_file: Path | None = None,
    circuit: str | None = None,
    direction: str | None = None,
    trace_index: Path | None = None,
) -> LoadReport:
    """Check and store everything the paths hold, in one transaction.

    Parameters
    ----------
    sources
        Folders, table files (CSV, Parquet, XLSX, also .gz), zips of a folder, reflectometer traces (.sor).
    mapping
        A mapping.toml (`planner.intake.mapping`), or None to read everything as declared.
    strict
        Store nothing at all if any row has a blocking finding.
    loaded_at
        The moment of the load, UTC, for the ledger.
    table
        Every file fills this table, whatever its name.
    findings_file
        Write the findings of this load there as CSV, also when it is refused.
    circuit, direction
        What reflectometer traces measured: the circuit, and a_to_z or z_to_a; by default what they say.
    trace_index
        The same per trace: a CSV with the columns file, circuit_id, direction.

    Raises
    ------
    InputError
        A path, archive, workbook or header cannot be used, or a required table would be without rows.
    StoreError
        The engine could not write (disk full), or the ledger is not there after the commit.
    """
    rules = read_mapping(mapping) if mapping else Mapping()
    _check_zones(con, rules, str(mapping))
    with tempfile.TemporaryDirectory(prefix="planner-load-") as folder:
        workspace = Path(folder)
        progress(0.0, "looking at the files")
        found = find_sources(sources, rules, workspace, table)
        hashes = pd.DataFrame(columns=["trace_id", "file_name", "sha256"])
        if found.traces:
            candidate, hashes = _traces_as_events(found.traces, workspace, circuit, direction, trace_index)
            found.candidates.append(candidate)
        prepared = _prepare_all(found, rules, workspace)
        said = ", ".join(str(path) for path in sources)
        load = _Load(con, said, prepared, found, strict, loaded_at, workspace, hashes)
        return load.run(part_of(progress, 0.05, 1.0), findings_file)


def _check_zones(con: duckdb.DuckDBPyConnection, mapping: Mapping, name: str) -> None:
    """Refuse time zones nobody knows; one that tables inherit from the defaults is said once."""
    zones = frozenset(row[0] for row in con.execute("SELECT name FROM pg_timezone_names()").fetchall())
    check_zone(mapping.defaults.timezone, zones, f"{name}, defaults")
    for table_name, of_table in mapping.tables.items():
        check_zone(of_table.timezone, zones, f"{name}, tables.{table_name}")


def _prepare_all(found: Found, mapping: Mapping, workspace: Path) -> list[Source]:
    """Every candidate prepared, parents first; all that cannot be used is said at once."""
    prepared, refused = [], []
    for candidate in found.candidates:
        try:
            source = prepare(candidate, mapping, workspace / "text")
            prepared.append(without_rows_not_filled_in(source, workspace / "text"))
        except InputError as error:
            refused.append(str(error))
    if refused:
        raise InputError("; ".join(refused))
    order = {name: position for position, name in enumerate(loading_order())}
    return sorted(prepared, key=lambda source: order[source.table.name])


def loading_order() -> tuple[str, ...]:
    """Names of the intake tables, every table after those it refers to."""
    waiting = {
        table.name: (
            {column.references.partition(".")[0] for column in table.columns if column.references}
            | {name for rule in table.rules for name in rule.needs}
        )
        - {table.name}
        for table in INTAKE_TABLES
    }
    order: list[str] = []
    while waiting:
        ready = [name for name, parents in waiting.items() if parents <= set(order)]
        if not ready:
            raise StoreError(f"tables refer to each other in a circle: {', '.join(waiting)}")
        order += ready
        for name in ready:
            del waiting[name]
    return tuple(order)


def _traces_as_events(
    paths: list[Path], workspace: Path, circuit: str | None, direction: str | None, index: Path | None
) -> tuple[Candidate, pd.DataFrame]:
    """Reflectometer traces read into rows of otdr_events, as a file of that table; and the hash of each raw file."""
    from planner.standards.otdr_files import read_traces  # needed for traces only

    if direction is not None and direction not in ("a_to_z", "z_to_a"):
        raise InputError(f"{paths[0].name}: got direction '{direction}', must be a_to_z or z_to_a")
    told = _trace_index(index) if index is not None else {}
    frames = []
    for path in paths:
        of_circuit, of_direction = told.get(path.name, (circuit, direction))
        frames.append(read_traces([path], circuit_id=of_circuit, direction=of_direction))  # type: ignore[arg-type]
    table = next(one for one in INTAKE_TABLES if one.name == "otdr_events")
    target = workspace / "otdr_events.parquet"
    rows = pd.concat(frames, ignore_index=True)
    rows[list(table.column_names)].to_parquet(target, index=False)
    hashes = rows[["trace_id", "file_name", "sha256"]].drop_duplicates("trace_id")
    return Candidate(table, ", ".join(path.name for path in paths), target, "parquet"), hashes


def _trace_index(path: Path) -> dict[str, tuple[str | None, str | None]]:
    """File name -> circuit and direction, from a CSV with the columns file, circuit_id, direction."""
    try:
        rows = pd.read_csv(path, dtype=str, keep_default_na=False)
    except (OSError, UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        raise InputError(f"{path}: cannot be read as CSV: {error}") from error
    if not {"file", "circuit_id", "direction"} <= set(rows.columns):
        raise InputError(f"{path}: got columns {', '.join(rows.columns)}, must be file, circuit_id, direction")
    wrong = rows.loc[~rows["direction"].isin(["a_to_z", "z_to_a", ""]), "direction"]
    if len(wrong):
        raise InputError(f"{path}: got direction '{wrong.iloc[0]}', must be a_to_z or z_to_a")
    return {row["file"]: (row["circuit_id"] or None, row["direction"] or None) for row in rows.to_dict("records")}


class _Load:
    """One load under way."""

    def __init__(
        self,
        con: duckdb.DuckDBPyConnection,
        said_source: str,
        sources: list[Source],
        found: Found,
        strict: bool,
        loaded_at: datetime,
        workspace: Path,
        trace_hashes: pd.DataFrame,
    ) -> None:
        self.con = con
        self.said_source = said_source
        self.sources = sources
        self.found = found
        self.strict = strict
        self.loaded_at = loaded_at
        self.workspace = workspace
        self.trace_hashes = trace_hashes
        self.load_id = 0
        self.files: list[FileReport] = []
        self.broken: dict[str, pd.DataFrame] = {}
        self.lines: dict[str, Int64s] = {}

    def run(self, progress: Progress, findings_file: Path | None) -> LoadReport:
        """Load all files; a file the engine cannot cut into records is sieved and the load starts again."""
        self.sources = [self._sieved(source) if needs_sieve(source) else source for source in self.sources]
        while True:
            try:
                with transaction(self.con):
                    report = self._load_all(progress, findings_file)
            except MalformedRecords as error:
                if error.source.label in self.lines:
                    raise InputError(f"{error.source.label}: cannot be read: {error}") from error
                self.sources = [self._sieved(source) if source is error.source else source for source in self.sources]
                continue
            except _Refused as error:
                return error.report
            except duckdb.Error as error:
                first_line = str(error).splitlines()[0]
                raise StoreError(f"the load was given up and nothing of it is stored: {first_line}") from error
            finally:
                self._drop_temporary_tables()
            self._verify(report)
            progress(1.0, "loaded")
            return report

    def _sieved(self, source: Source) -> Source:
        from planner.intake.records import sieve  # compiles its kernels, needed for such files only

        sieved = sieve(source, self.workspace)
        self.broken[source.label] = sieved.broken
        self.lines[source.label] = sieved.lines
        return replace(source, path=sieved.path, survey=sieved.survey)

    def _drop_temporary_tables(self) -> None:
        drop_stage(self.con)
        for name in (KEPT_OUT_KEYS, "_lines", "_match"):
            self.con.execute(f"DROP TABLE IF EXISTS temp.{name}")

    def _load_all(self, progress: Progress, findings_file: Path | None) -> LoadReport:
        con = self.con
        self.files = []
        self.load_id = newest_load(con) + 1
        con.execute(f"CREATE OR REPLACE TEMP TABLE {KEPT_OUT_KEYS} (table_name VARCHAR, key_value VARCHAR)")
        sizes = [max(source.size, 1) for source in self.sources]
        done = 0
        for source, size in zip(self.sources, sizes, strict=True):
            progress(done / sum(sizes), f"loading {source.label}")
            self.files.append(self._skip_or_load(source))
            done += size
        read = [file for file in self.files if not file.skipped]
        if read:
            self._note_strangers()
            self._write_ledger(read)
        report = self._report(read)
        if findings_file is not None:
            self._write_findings(findings_file)
        if self.strict and report.blocking:
            raise _Refused(replace(report, load_id=None, refused=True))
        self._require_tables(findings_file)
        return report

    def _skip_or_load(self, source: Source) -> FileReport:
        known = self._known_in(source)
        if known is not None:
            return FileReport(source.label, source.table.name, source.read_as, skipped=f"already loaded (load {known})")
        return self._load_file(source)

    def _known_in(self, source: Source) -> int | None:
        """The last load that took in all of this content, None if there is none or its rows may be corrected since."""
        name = source.table.name
        row = self.con.execute(
            "SELECT max(load_id) FROM load_files WHERE table_name = ? AND sha256 = ? AND rows_kept_out = 0",
            [name, source.sha256],
        ).fetchone()
        if row is None or row[0] is None:
            return None
        known = int(row[0])
        later = self.con.execute(
            "SELECT 1 FROM load_files WHERE table_name = ? AND load_id > ? AND rows_replaced > 0 LIMIT 1",
            [name, known],
        ).fetchone()
        if later or any(file.table_name == name and file.rows_replaced for file in self.files):
            return None
        return known

    def _load_file(self, source: Source) -> FileReport:
        con, table = self.con, source.table
        sieved = source.label in self.lines
        expected = len(self.lines[source.label]) if sieved else expected_records(source)
        staged = stage(con, source, expected, self.load_id, table_is_empty=not has_rows(con, table.name))
        find_set_faults(con, table)
        explain_faults(con, source, staged)
        self._note_file_findings(source, staged)
        kept_out, repeated = self._note_faults(source)
        broken = self._note_broken(source)
        new, replaced, same = _merge(con, table, source, staged, self.load_id)
        rows = staged.rows + broken
        return FileReport(
            source.label,
            table.name,
            source.read_as,
            rows,
            new,
            replaced,
            same + repeated,
            kept_out + broken,
        )

    def _note_faults(self, source: Source) -> tuple[int, int]:
        """Findings and quarantine of the staged rows; returns the rows kept out and the repeats."""
        con, table = self.con, source.table
        faulty = con.execute(f'SELECT DISTINCT "row" FROM {FAULTS} ORDER BY "row"').fetchnumpy()["row"]
        if not len(faulty):
            return 0, 0
        rows = np.asarray(faulty, dtype=np.int64)
        numbers = pd.DataFrame({"row": rows, "line": self._lines(source, rows)})
        con.register("_line_frame", numbers)
        con.execute('CREATE OR REPLACE TEMP TABLE _lines AS SELECT "row", line FROM _line_frame')
        con.unregister("_line_frame")
        repeated_code = CODES["repeated-row"]
        con.execute(
            f"INSERT INTO findings ({_FINDING_COLUMNS}) "
            "SELECT ?, f.code, f.severity, ?, ?, l.line, nullif(f.column_name, ''), "
            'f."value", f."rule", CASE WHEN f.code = ? THEN ? WHEN f.severity = \'blocking\' THEN ? '
            "ELSE 'row kept' END "
            f'FROM {FAULTS} f JOIN _lines l ON l."row" = f."row" ORDER BY f."row", f.column_name',
            [self.load_id, table.name, source.label, repeated_code.code, repeated_code.consequence, KEPT_OUT],
        )
        counted = con.execute(
            "SELECT count(DISTINCT \"row\") FILTER (severity = 'blocking'), "
            "count(DISTINCT \"row\") FILTER (code = 'repeated-row') "
            f"FROM {FAULTS}"
        ).fetchone()
        assert counted is not None
        kept_out, repeated = int(counted[0]), int(counted[1])
        both = con.execute(
            f"SELECT count(*) FROM (SELECT \"row\" FROM {FAULTS} WHERE code = 'repeated-row' INTERSECT "
            f"SELECT \"row\" FROM {FAULTS} WHERE severity = 'blocking')"
        ).fetchone()
        assert both is not None
        if kept_out:
            self._quarantine(source)
        return kept_out, repeated - int(both[0])

    def _quarantine(self, source: Source) -> None:
        con, table = self.con, source.table
        blocked = f"SELECT \"row\" FROM {FAULTS} WHERE severity = 'blocking'"
        cells = ", ".join(
            f"{literal(name or f'column {position + 1}')}: CAST(q.c{position} AS VARCHAR)"
            for position, name in enumerate(source.header)
        )
        con.execute(
            f"INSERT INTO quarantine ({_names(QUARANTINE)}) SELECT ?, ?, ?, l.line, to_json({{{cells}}}) "
            f'FROM {SUSPECTS} q JOIN _lines l ON l."row" = q."row" WHERE q."row" IN ({blocked}) ORDER BY q."row"',
            [self.load_id, table.name, source.label],
        )
        if len(table.key) == 1:
            key = quoted(table.key[0])
            con.execute(
                f"INSERT INTO {KEPT_OUT_KEYS} SELECT ?, CAST(s.{key} AS VARCHAR) FROM {ROWS} s "
                f"WHERE s._row IN ({blocked}) AND s.{key} IS NOT NULL",
                [table.name],
            )

    def _lines(self, source: Source, rows: Int64s) -> Int64s:
        if source.label in self.lines:
            return np.asarray(self.lines[source.label][rows], dtype=np.int64)
        return lines_of_records(source, rows)

    def _note_broken(self, source: Source) -> int:
        """Findings and quarantine of the records that are not even rows."""
        broken = self.broken.get(source.label)
        if broken is None or broken.empty:
            return 0
        con = self.con
        con.register("_broken_frame", broken)
        con.execute(
            f"INSERT INTO findings ({_FINDING_COLUMNS}) "
            'SELECT ?, code, \'blocking\', ?, ?, line, NULL, "value", "rule", ? FROM _broken_frame',
            [self.load_id, source.table.name, source.label, KEPT_OUT],
        )
        con.execute(
            f"INSERT INTO quarantine ({_names(QUARANTINE)}) SELECT ?, ?, ?, line, raw_row FROM _broken_frame",
            [self.load_id, source.table.name, source.label],
        )
        con.unregister("_broken_frame")
        return len(broken)

    def _note_file_findings(self, source: Source, staged: Staged) -> None:
        """Warnings about a whole file: columns of no use, times without zone, nothing but a header."""
        table = source.table
        for name in source.unknown:
            self._warn("unknown-column", source.label, table.name, 1, name, name, f"is no column of {table.name}")
        for odd in staged.odd:
            line = int(self._lines(source, np.array([odd.first_row], dtype=np.int64))[0])
            consequence = f"{CODES[odd.code].consequence} ({odd.count} {'row' if odd.count == 1 else 'rows'})"
            self._warn(
                odd.code,
                source.label,
                table.name,
                line,
                odd.column_name,
                odd.first_text,
                _ODD_RULES[odd.code],
                consequence,
            )
        if source.guessed_encoding:
            self._warn(
                "encoding-guessed", source.label, table.name, None, None, source.guessed_encoding, "must be UTF-8"
            )
        aside = len(source.not_filled_in)
        if aside:
            self._warn(
                "not-filled-in",
                source.label,
                table.name,
                source.not_filled_in[0],
                "at",
                f"{aside} {'row' if aside == 1 else 'rows'} without a time or a result",
                "must have a time and a result once the step is done",
                f"{CODES['not-filled-in'].consequence} ({aside} {'row' if aside == 1 else 'rows'})",
            )
        if staged.rows == 0 and not aside and self.broken.get(source.label) is None:
            self._warn("header-only", source.label, table.name, 1, None, None, "must hold at least one row")

    def _note_strangers(self) -> None:
        for table_name, theirs in self.found.missing:
            rule = "must be the name of a file or sheet that is handed in, or leave the mapping"
            self._warn("mapped-file-missing", theirs, table_name, None, None, None, rule)
        for label in self.found.strangers:
            self._warn("unknown-file", label, None, None, None, None, "must be named after a table, or in mapping.toml")

    def _warn(
        self,
        code: str,
        file_name: str,
        table_name: str | None,
        line: int | None,
        column_name: str | None,
        value: str | None,
        rule: str,
        consequence: str = "",
    ) -> None:
        about = CODES[code]
        self.con.execute(
            f"INSERT INTO findings ({_FINDING_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                self.load_id,
                code,
                about.severity,
                table_name,
                file_name,
                line,
                column_name,
                value,
                rule,
                consequence or about.consequence,
            ],
        )

    def _write_ledger(self, read: list[FileReport]) -> None:
        hashes = {(source.label, source.table.name): source.sha256 for source in self.sources}
        for file in read:
            self.con.execute(
                f"INSERT INTO load_files ({_names(LOAD_FILES)}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [
                    self.load_id,
                    file.file_name,
                    file.table_name,
                    hashes[file.file_name, file.table_name],
                    file.read_as,
                    file.rows_read,
                    file.rows_new,
                    file.rows_replaced,
                    file.rows_same,
                    file.rows_kept_out,
                ],
            )
        if len(self.trace_hashes) and any(file.table_name == "otdr_events" for file in read):
            self.con.register("_hashes", self.trace_hashes)
            self.con.execute("DELETE FROM trace_files WHERE trace_id IN (SELECT trace_id FROM _hashes)")
            self.con.execute(
                f"INSERT INTO trace_files ({_names(TRACE_FILES)}) "
                "SELECT trace_id, file_name, sha256, ? FROM _hashes SEMI JOIN otdr_events USING (trace_id)",
                [self.load_id],
            )
            self.con.unregister("_hashes")
        sums = [
            sum(getattr(file, name) for file in read)
            for name in ("rows_read", "rows_new", "rows_replaced", "rows_same", "rows_kept_out")
        ]
        self.con.execute(
            f"INSERT INTO loads ({_names(LOADS)}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            [self.load_id, self.loaded_at, self.said_source, *sums],
        )

    def _report(self, read: list[FileReport]) -> LoadReport:
        by_code = self.con.execute(
            "SELECT code, severity, table_name, column_name, count(*) AS findings, "
            "arg_min(file_name, coalesce(line, 0)) AS example_file, min(line) AS example_line, "
            'arg_min("value", coalesce(line, 0)) AS example_value, any_value("rule") AS must_be '
            "FROM findings WHERE load_id = ? GROUP BY ALL ORDER BY severity, findings DESC, code, table_name, "
            "column_name",
            [self.load_id],
        ).df()
        blocking = by_code.loc[by_code["severity"] == "blocking", "findings"].sum()
        return LoadReport(
            load_id=self.load_id if read else None,
            files=tuple(self.files),
            findings=int(by_code["findings"].sum()),
            blocking=int(blocking),
            refused=False,
            by_code=by_code,
        )

    def _write_findings(self, path: Path) -> None:
        from planner.store.exporting import write_query  # exporting opens no transaction of its own

        write_query(self.con, f"SELECT * FROM findings WHERE load_id = {self.load_id}", path)

    def _require_tables(self, findings_file: Path | None) -> None:
        missing = [name for name in REQUIRED_TABLES if not has_rows(self.con, name)]
        if not missing:
            return
        emptied = [file.table_name for file in self.files if file.rows_kept_out and file.table_name in missing]
        text = f"nothing was stored: no row of {', '.join(missing)}, which every fleet must have"
        if emptied:
            text += f"; all rows of {', '.join(emptied)} were kept out"
            text += f", see {findings_file}" if findings_file else ", say --findings FILE to see why"
        raise InputError(f"{text}; load these tables together with the others")

    def _verify(self, report: LoadReport) -> None:
        """The engine's COMMIT can keep nothing without a word: the ledger row must be there."""
        if report.load_id is None:
            return
        row = self.con.execute("SELECT rows_read FROM loads WHERE load_id = ?", [report.load_id]).fetchone()
        if row is None or row[0] != report.total("rows_read"):
            raise StoreError(f"load {report.load_id} was not stored although the database said so; load again")


def _merge(
    con: duckdb.DuckDBPyConnection, table: Table, source: Source, staged_as: Staged, load_id: int
) -> tuple[int, int, int]:
    """Good staged rows into the table; returns how many were new, replaced another, were there already."""
    if staged_as.in_place:
        return _settle_in_place(con, staged_as, load_id), 0, 0
    target = f"main.{quoted(table.name)}"
    names = ", ".join(quoted(name) for name in table.column_names)
    into = f"{target} ({names}, {quoted(LOAD_COLUMN)})"
    staged = f"SELECT {names}, {load_id} FROM {ROWS} s WHERE {{}}"
    any_fault = con.execute(f"SELECT 1 FROM {FAULTS} LIMIT 1").fetchone() is not None
    good = good_rows("s") if any_fault else "true"
    if not has_rows(con, table.name):
        return _counted(con.execute(f"INSERT INTO {into} {staged.format(good)}")), 0, 0
    _match(con, table, source, good)
    counted = con.execute("SELECT count(*) FILTER (same), count(*) FILTER (NOT same) FROM _match").fetchone()
    assert counted is not None
    same, replaced = int(counted[0]), int(counted[1])
    if replaced:
        _replace(con, table, source, load_id)
    unmatched = f"{good} AND s._row NOT IN (SELECT staged_row FROM _match)" if same or replaced else good
    new = _counted(con.execute(f"INSERT INTO {into} {staged.format(unmatched)}"))
    con.execute("DROP TABLE _match")
    return new, replaced, same


def _settle_in_place(con: duckdb.DuckDBPyConnection, staged: Staged, load_id: int) -> int:
    """Take the bad rows out of a table that was staged in place; returns the rows that stay."""
    target, load = staged.relation, quoted(LOAD_COLUMN)
    taken_out = 0
    if con.execute(f"SELECT 1 FROM {FAULTS} LIMIT 1").fetchone() is not None:
        deleted = con.execute(
            f"DELETE FROM {target} WHERE rowid IN (SELECT _row + {staged.first_rowid} FROM {ROWS} s "
            f"WHERE NOT ({good_rows('s')}))"
        )
        taken_out = _counted(deleted)
    if staged.odd:
        con.execute(f"UPDATE {target} SET {load} = {load_id} WHERE {load} < 0")
    return staged.rows - taken_out


def _counted(result: duckdb.DuckDBPyConnection) -> int:
    row = result.fetchone()
    assert row is not None
    return int(row[0])


def _match(con: duckdb.DuckDBPyConnection, table: Table, source: Source, good: str) -> None:
    """`_match`: staged rows whose key (or, without a key, whole row) is in the store, and whether equal.

    Columns that the file does not have are not compared. Where the time is part of the key, the store is
    looked through only in the time range of the file.
    """
    key = table.key or table.column_names
    operator = "=" if table.key else "IS NOT DISTINCT FROM"
    on = " AND ".join(f"s.{quoted(name)} {operator} t.{quoted(name)}" for name in key)
    filled = _filled(table, source)
    equal = " AND ".join(f"s.{quoted(name)} IS NOT DISTINCT FROM t.{quoted(name)}" for name in filled)
    window = "true"
    if table.time_column in table.key:
        at = quoted(table.time_column)
        window = f"t.{at} BETWEEN (SELECT min({at}) FROM {ROWS}) AND (SELECT max({at}) FROM {ROWS})"
    con.execute(
        f"CREATE OR REPLACE TEMP TABLE _match AS SELECT s._row AS staged_row, t.rowid AS stored_row, "
        f"({equal}) AS same FROM {ROWS} s JOIN main.{quoted(table.name)} t ON {on} WHERE {good} AND {window}"
    )


def _filled(table: Table, source: Source) -> list[str]:
    given = set(source.columns) | set(source.mapping.constants)
    return [name for name in table.column_names if name in given]


def _replace(con: duckdb.DuckDBPyConnection, table: Table, source: Source, load_id: int) -> None:
    """Send the stored version of corrected rows to the history and put the new one in its place."""
    target = f"main.{quoted(table.name)}"
    filled = _filled(table, source)
    key = "concat_ws('|', " + ", ".join(f"CAST(t.{quoted(name)} AS VARCHAR)" for name in table.key) + ")"
    old = ", ".join(f"{literal(name)}: t.{quoted(name)}" for name in table.column_names)
    con.execute(
        f"INSERT INTO row_history ({_names(ROW_HISTORY)}) "
        f"SELECT {load_id}, t.{quoted(LOAD_COLUMN)}, {literal(table.name)}, {key}, "
        f"to_json({{{old}}}) FROM {target} t JOIN _match m ON m.stored_row = t.rowid WHERE NOT m.same"
    )
    columns = ", ".join(
        f"{'s' if name in filled else 't'}.{quoted(name)} AS {quoted(name)}" for name in table.column_names
    )
    con.execute(
        f"CREATE OR REPLACE TEMP TABLE _corrected AS SELECT {columns}, {load_id} AS {quoted(LOAD_COLUMN)} "
        f"FROM _match m JOIN {ROWS} s ON s._row = m.staged_row JOIN {target} t ON t.rowid = m.stored_row "
        "WHERE NOT m.same"
    )
    con.execute(f"DELETE FROM {target} WHERE rowid IN (SELECT stored_row FROM _match WHERE NOT same)")
    names = ", ".join(quoted(name) for name in (*table.column_names, LOAD_COLUMN))
    con.execute(f"INSERT INTO {target} ({names}) SELECT {names} FROM _corrected")
    con.execute("DROP TABLE _corrected")
