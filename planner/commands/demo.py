"""`planner demo`: the whole job on the invented demo fleet, from tables to a dashboard."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click
import duckdb

from planner.commands.common import NamedPath, console, folder_to_write, progress_bar, show_table
from planner.errors import ParameterError
from planner.progress import part_of

if TYPE_CHECKING:
    from planner.commands.past_ranking import PastRanking

DEMO_SEED = 7
JUDGED_DAYS = 90  # the back-test of the demo looks back by that


@click.command()
@click.option(
    "--dir",
    "folder",
    type=NamedPath(path_type=Path, file_okay=False),
    default=Path("planner-demo"),
    show_default=True,
    help="Folder that holds everything the demo makes: tables, database, plan, work lists.",
)
@click.option("--no-serve", is_flag=True, help="Do all but serve the dashboard.")
@click.option("--port", default=8050, show_default=True, help="Port of the dashboard on 127.0.0.1.")
@click.option("--seed", default=DEMO_SEED, show_default=True, help="Seed of the demo fleet and of the planner.")
def demo(folder: Path, no_serve: bool, port: int, seed: int) -> None:
    """Make the demo fleet, load it, analyse it, plan next week, judge a past ranking, print a summary, serve.

    The fleet, its operator and its places are invented.
    """
    from planner.commands.past_ranking import rank_the_past
    from planner.commands.whole_job import load_analyse_plan
    from planner.store.database import open_database
    from planner.synthetic.scenario import write_demo

    db = folder_to_write(folder) / "planner.duckdb"
    con = open_database(db)
    loaded_at = datetime.now(UTC).replace(tzinfo=None, microsecond=0)
    with progress_bar("demo") as progress:
        progress(0.0, "making the demo fleet")
        write_demo(folder / "tables", seed=seed)
        monday = load_analyse_plan(con, folder, loaded_at, seed=seed, progress=part_of(progress, 0.1, 0.85))
        at = datetime.combine(monday, time()) - timedelta(days=JUDGED_DAYS)
        try:
            past = rank_the_past(con, at, JUDGED_DAYS, seed, part_of(progress, 0.85, 1.0))
            judged = judged_line(at, past)
        except ParameterError as error:  # the fleet is good all the same
            judged = f"No past ranking was judged: {error}"
    print_summary(con)
    console.print()
    console.print(judged)
    con.close()
    console.print()
    console.print(f"Database    {db}")
    console.print(f"Work lists  {folder / 'plan'}  (week from {monday:%Y-%m-%d})")
    if not no_serve:
        from planner.commands.serve import serve_database

        serve_database(db, "127.0.0.1", port)


def judged_line(at: datetime, past: PastRanking) -> str:
    """How the ranking of a past day fared, in one sentence."""
    found = past.scores.set_index("method")["precision_at_5"]
    return (
        f"Ranked on {at:%Y-%m-%d} with what was known then and judged by {past.seen} end faces looked at after it: of "
        f"the first 5 % by probability {100 * found['probability']:.0f} % were not clean, of the first 5 % by the "
        f"classic ranking {100 * found['classic']:.0f} %."
    )


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
