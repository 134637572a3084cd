"""The commands around the store: load, status, export, backup, templates."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click
import pandas as pd

from planner.commands.common import (
    WAIT_S,
    NamedPath,
    console,
    db_option,
    folder_to_write,
    open_results,
    progress_bar,
    show_table,
)
from planner.errors import ParameterError
from planner.store.loading import LoadReport, load_sources


@click.command()
@click.argument("sources", nargs=-1, required=True, type=NamedPath(path_type=Path))
@db_option
@click.option(
    "--mapping",
    type=NamedPath(path_type=Path, exists=True, dir_okay=False),
    help="A mapping.toml that says which of their columns, values and units are which of ours.",
)
@click.option("--strict", is_flag=True, help="Store nothing at all if any row has a blocking finding.")
@click.option("--table", help="Every file fills this table, whatever its name.")
@click.option(
    "--findings",
    "findings_file",
    type=NamedPath(path_type=Path, dir_okay=False),
    help="Write every finding of this load to this file (.csv, .parquet, .json or .xlsx).",
)
@click.option("--circuit", help="The circuit that reflectometer traces (.sor) measured, if they do not say.")
@click.option("--direction", type=click.Choice(["a_to_z", "z_to_a"]), help="The direction that traces were taken in.")
@click.option(
    "--trace-index",
    type=NamedPath(path_type=Path, exists=True, dir_okay=False),
    help="A CSV with the columns file, circuit_id, direction: what each trace measured.",
)
@click.option("--wait", "wait_s", default=10.0, show_default=True, help="Seconds to wait for another process.")
def load(
    sources: tuple[Path, ...],
    db: Path,
    mapping: Path | None,
    strict: bool,
    table: str | None,
    findings_file: Path | None,
    circuit: str | None,
    direction: str | None,
    trace_index: Path | None,
    wait_s: float,
) -> int:
    """Check SOURCES and store them in one transaction.

    SOURCES are folders with one file per table (sites.csv, ports.parquet, ...; a datapackage.json decides
    if there is one), single table files, zips of a folder, workbooks with a sheet per table, .gz files, or
    reflectometer traces (.sor). Rows that break a declared rule are kept
    out and reported with file, line and column; everything else is stored. Loading a file again changes
    nothing; a row with a known key replaces the stored one, which goes to the history.

    Exit code 0: all rows stored; 1: some rows were kept out, or --strict refused the load; 2: nothing was
    stored because a file could not be used.
    """
    from planner.store.database import open_database
    from planner.store.known_ids import is_known, unknown_id

    is_new = not db.exists()
    con = open_database(db, wait_s=wait_s)
    try:
        only_traces = all(source.suffix.lower() == ".sor" for source in sources)
        if circuit is not None and only_traces and not is_known(con, "circuit", circuit):
            raise ParameterError(unknown_id(con, "--circuit", "circuit", circuit))
        with progress_bar("loading") as progress:
            report = load_sources(
                con,
                sources,
                mapping=mapping,
                strict=strict,
                loaded_at=datetime.now(UTC).replace(tzinfo=None, microsecond=0),
                progress=progress,
                table=table,
                findings_file=findings_file,
                circuit=circuit,
                direction=direction,
                trace_index=trace_index,
            )
    except BaseException:
        con.close()
        if is_new:  # nothing was stored, so nothing is left behind
            db.unlink(missing_ok=True)
            db.with_name(f"{db.name}.wal").unlink(missing_ok=True)
        raise
    con.close()
    _show_load(report, findings_file)
    return 1 if report.blocking else 0


def _example(row: Mapping[Any, Any]) -> str:
    """Where the first finding of a kind is and what it found, e.g. sites.csv line 5: 'palace'."""
    line = f" line {row['example_line']}" if pd.notna(row["example_line"]) else ""
    value = f": {row['example_value']!r}" if pd.notna(row["example_value"]) else ""
    return f"{row['example_file']}{line}{value}"


def _show_load(report: LoadReport, findings_file: Path | None) -> None:
    """Print what became of a load, file by file, then the findings by code."""
    show_table(
        pd.DataFrame(
            [
                {
                    "file": file.file_name,
                    "table": file.table_name,
                    "read": file.rows_read,
                    "new": file.rows_new,
                    "replaced": file.rows_replaced,
                    "same": file.rows_same,
                    "kept out": file.rows_kept_out,
                    "read as": file.skipped or file.read_as,
                }
                for file in report.files
            ]
        )
    )
    if len(report.by_code):
        shown = report.by_code.assign(example=[_example(row) for row in report.by_code.to_dict("records")])
        show_table(
            shown[["code", "severity", "table_name", "column_name", "findings", "example", "must_be"]],
            title="findings",
        )
    if report.refused:
        console.print(f"refused: {report.blocking} blocking findings; nothing was stored (--strict)")
    elif report.load_id is None:
        console.print("every file was loaded before; nothing changed")
    else:
        console.print(
            f"load {report.load_id}: {report.total('rows_new')} new, {report.total('rows_replaced')} replaced, "
            f"{report.total('rows_same')} already known, {report.total('rows_kept_out')} kept out"
        )
    if findings_file is not None:
        console.print(f"findings written to {findings_file}")


@click.command()
@db_option
@click.option("--wait", "wait_s", default=10.0, show_default=True, help="Seconds to wait for another process.")
def status(db: Path, wait_s: float) -> int:
    """Show what the store holds: rows per table, the last loads, their findings, freshness of the results.

    A database written by an older planner is brought up to date.
    """
    from planner.store.database import newest_load, open_readable
    from planner.store.status_queries import findings_by_code, fleet_counts, recent_loads, stage_freshness

    con = open_readable(db, wait_s=wait_s)
    try:
        counts = fleet_counts(con)
        loads = recent_loads(con)
        findings = findings_by_code(con, newest_load(con))
        stages = stage_freshness(con)
    finally:
        con.close()
    show_table(counts[counts["rows"] > 0], title="tables")
    absent = counts.loc[counts["rows"] == 0, "table_name"]
    if len(absent):
        console.print(f"no rows: {', '.join(absent)}")
    show_table(loads, title="loads, newest first")
    if len(findings):
        show_table(findings, title=f"findings of load {_newest_load_of(loads)}")
    if len(stages):
        show_table(stages, title="results")
    else:
        console.print("results: not made yet; planner analyse makes them")
    return 0


def _newest_load_of(loads: pd.DataFrame) -> int:
    """Number of the newest load in the ledger's rows."""
    return int(loads["load_id"].max())


@click.command()
@click.argument("table")
@db_option
@click.option(
    "--out",
    required=True,
    type=NamedPath(path_type=Path, dir_okay=False),
    help="The file to write; its suffix (.csv, .parquet, .json, .xlsx) decides the format.",
)
def export(table: str, db: Path, out: Path) -> int:
    """Write TABLE to a file: an intake table, a result table or a ledger table.

    Results are brought up to date first where newer data came. In CSV files and workbooks, text that a
    spreadsheet would take for a formula gets a leading quote; numbers stay as they are.
    """
    from planner.store.database import open_readable
    from planner.store.exporting import write_query
    from planner.store.status_queries import ordered_rows
    from planner.tables.catalogue import TABLES

    if table not in TABLES:
        raise ParameterError(f"there is no table '{table}'; tables are {', '.join(TABLES)}")
    declared = TABLES[table]
    con = open_results(db) if declared.kind == "result" else open_readable(db, wait_s=WAIT_S)
    try:
        rows = write_query(con, ordered_rows(declared), out, title=table)
    finally:
        con.close()
    console.print(f"{rows} rows of {table} written to {out}")
    return 0


@click.command()
@click.argument("file", type=NamedPath(path_type=Path, dir_okay=False))
@db_option
@click.option("--wait", "wait_s", default=10.0, show_default=True, help="Seconds to wait for a writing process to end.")
def backup(file: Path, db: Path, wait_s: float) -> int:
    """Copy the database to FILE, complete and consistent, while others may be reading it.

    The copy is taken under the engine's read lock: other readers go on, a load that wants to start waits.
    If a load is under way, this waits up to --wait seconds for it to end and then gives up with exit code 2.
    FILE appears only when the copy is complete; an older FILE is replaced.
    """
    from planner.store.snapshots import copy_database

    copy_database(db, file, wait_s=wait_s)
    console.print(f"{db} copied to {file} ({file.stat().st_size / 1e6:.1f} MB)")
    return 0


@click.command()
@click.argument("outdir", type=NamedPath(path_type=Path, file_okay=False))
def templates(outdir: Path) -> int:
    """Write empty files to fill in to OUTDIR.

    A CSV per table, a workbook with a sheet per table (drop-down lists, a sheet that explains the columns),
    a datapackage.json, and an example of a mapping.toml.
    """
    from planner.intake.templates import write_templates

    written = write_templates(folder_to_write(outdir))
    console.print(f"{len(written)} files written to {outdir}")
    return 0
