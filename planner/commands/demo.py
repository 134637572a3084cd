"""`planner demo`: the whole job on the invented demo fleet, from tables to a dashboard."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import click
import duckdb

from planner.commands.common import console, progress_bar, show_table
from planner.progress import Progress, part_of

DEMO_SEED = 7


@click.command()
@click.option(
    "--dir",
    "folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("planner-demo"),
    show_default=True,
    help="Folder that holds everything the demo makes: tables, database, plan, work lists.",
)
@click.option("--no-serve", is_flag=True, help="Do all but serve the dashboard.")
@click.option("--port", default=8050, show_default=True, help="Port of the dashboard on 127.0.0.1.")
@click.option("--seed", default=DEMO_SEED, show_default=True, help="Seed of the demo fleet and of the planner.")
def demo(folder: Path, no_serve: bool, port: int, seed: int) -> None:
    """Make the demo fleet, load it, analyse it, plan next week, print a summary, serve the dashboard.

    The fleet, its operator and its places are invented.
    """
    from planner.store.database import open_database

    folder.mkdir(parents=True, exist_ok=True)
    db = folder / "planner.duckdb"
    con = open_database(db)
    with progress_bar("demo") as progress:
        monday = _run(con, folder, seed, progress)
    print_summary(con)
    con.close()
    console.print()
    console.print(f"Database    {db}")
    console.print(f"Work lists  {folder / 'plan'}  (week from {monday:%Y-%m-%d})")
    if not no_serve:
        from planner.commands.serve import serve_database

        serve_database(db, "127.0.0.1", port)


def _run(con: duckdb.DuckDBPyConnection, folder: Path, seed: int, progress: Progress) -> datetime:
    from planner.pipeline import bring_up_to_date, moment_of
    from planner.stages.route import plan_routes
    from planner.store.loading import load_sources
    from planner.synthetic.scenario import write_demo

    progress(0.0, "making the demo fleet")
    write_demo(folder / "tables", seed=seed)
    loaded_at = datetime.now(UTC).replace(tzinfo=None, microsecond=0)
    load_sources(
        con,
        [folder / "tables"],
        mapping=None,
        strict=False,
        loaded_at=loaded_at,
        progress=part_of(progress, 0.1, 0.35),
    )
    bring_up_to_date(con, None, part_of(progress, 0.35, 0.75))
    now = moment_of(con, None)
    monday = datetime(now.year, now.month, now.day) + timedelta(days=7 - now.weekday())
    plan_routes(con, monday.date(), 5, folder / "plan", seed=seed, progress=part_of(progress, 0.75, 1.0))
    return monday


def print_summary(con: duckdb.DuckDBPyConnection) -> None:
    """Fleet, worst ten end faces with the reason, routes per crew-day, findings."""
    from planner.reports.fleet_summary import crew_day_table, fleet_lines, plan_lines, worst_table
    from planner.store import summary_queries as queries

    console.rule("The fleet (invented)")
    for line in fleet_lines(queries.table_counts(con), queries.fleet_figures(con)):
        console.print(line)
    console.print()
    show_table(worst_table(queries.worst_end_faces(con, 10)), "Ten end faces to visit first")
    console.print()
    plan = queries.newest_plan(con)
    for line in plan_lines(plan):
        console.print(line)
    if not plan.empty:
        show_table(crew_day_table(queries.crew_days(con, str(plan["plan_id"].iloc[0]))), "Routes per crew-day")
    console.print()
    show_table(queries.finding_counts(con), "Findings in the intake and in the records")
