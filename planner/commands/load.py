"""The commands around the store: load, status, export, backup, templates."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from planner.commands.common import console, db_option, progress_bar, show_table
from planner.store.loading import LoadReport, load_sources


@click.command()
@click.argument("sources", nargs=-1, required=True, type=click.Path(path_type=Path))
@db_option
@click.option(
    "--mapping",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="A mapping.toml that says which of their columns, values and units are which of ours.",
)
@click.option("--strict", is_flag=True, help="Store nothing at all if any row has a blocking finding.")
@click.option("--table", help="Every file fills this table, whatever its name.")
@click.option(
    "--findings",
    "findings_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write every finding of this load to this file (.csv, .parquet, .json or .xlsx).",
)
@click.option("--circuit", help="The circuit that reflectometer traces (.sor) measured.")
@click.option("--direction", type=click.Choice(["a_to_z", "z_to_a"]), help="The direction that traces were taken in.")
def load(
    sources: tuple[Path, ...],
    db: Path,
    mapping: Path | None,
    strict: bool,
    table: str | None,
    findings_file: Path | None,
    circuit: str | None,
    direction: str | None,
) -> int:
    """Check SOURCES and store them in one transaction.

    SOURCES are folders with one file per table (sites.csv, ports.parquet, ...; a datapackage.json decides
    if there is one), single table files, zips of a folder, workbooks with a sheet per table, .gz files, or
    reflectometer traces (.sor, with --circuit and --direction). Rows that break a declared rule are kept
    out and reported with file, line and column; everything else is stored. Loading a file again changes
    nothing; a row with a known key replaces the stored one, which goes to the history.

    Exit code 0: all rows stored; 1: some rows were kept out, or --strict refused the load; 2: nothing was
    stored because a file could not be used.
    """
    from planner.store.database import open_database

    con = open_database(db)
    try:
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
            )
    finally:
        con.close()
    _show_load(report, findings_file)
    return 1 if report.blocking else 0


def _show_load(report: LoadReport, findings_file: Path | None) -> None:
    """Print what became of a load, file by file, then the findings by code."""
    import pandas as pd

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
        shown = report.by_code.assign(
            example=[
                f"{row.example_file}"
                + (f" line {row.example_line}" if pd.notna(row.example_line) else "")
                + (f": {row.example_value!r}" if pd.notna(row.example_value) else "")
                for row in report.by_code.itertuples()
            ]
        )
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
