"""`planner analyse`: bring every result up to date with the data."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from planner.commands.common import console, db_option, now_option, open_existing, progress_bar


@click.command()
@db_option
@now_option
@click.option("--force", is_flag=True, help="Run every step even where its results are current.")
def analyse(db: Path, now: datetime | None, force: bool) -> None:
    """Trace, budget, infer, diagnose and rank whatever is older than the data."""
    from planner.pipeline import bring_up_to_date, moment_of

    con = open_existing(db)
    moment_of(con, now)  # refuses an empty database as such
    with progress_bar("analysing") as progress:
        reports = bring_up_to_date(con, now, progress, force=force)
    con.close()
    if not reports:
        console.print("All results are up to date with the data.")
    for report in reports:
        note = f"  ({report.note})" if report.note else ""
        console.print(f"{report.stage:9s} {report.seconds:6.2f} s{note}")
