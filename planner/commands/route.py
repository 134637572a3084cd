"""`planner route` and `planner plan`: crews' days from the ranking, and the life of a plan."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import click
import pandas as pd

from planner.commands.common import (
    NamedPath,
    console,
    db_option,
    folder_to_write,
    open_existing,
    progress_bar,
    show_table,
)
from planner.reports.fleet_summary import proof_words

# Rounds of the tight bound for a plan asked for by hand: some seconds at a few hundred blocks.
COMMAND_ROUNDS, COMMAND_GAP = 60, 0.02


def _day(context: click.Context, parameter: click.Parameter, value: datetime | None) -> date | None:
    return None if value is None else value.date()


@click.command()
@db_option
@click.option(
    "--from",
    "first",
    type=click.DateTime(["%Y-%m-%d"]),
    callback=_day,
    help="First day of the plan.",
)
@click.option("--days", default=5, show_default=True, type=click.IntRange(1, 31), help="Number of days.")
@click.option(
    "--out",
    "folder",
    type=NamedPath(path_type=Path, file_okay=False),
    required=True,
    help="Folder for plan.json, routes, work lists, pick list and result sheets.",
)
@click.option("--seed", default=1, show_default=True, help="Random stream; the same seed gives the same plan.")
@click.option(
    "--iterations", type=click.IntRange(1), help="Stop after so many iterations (default: by size; repeatable)."
)
@click.option("--seconds", type=click.FloatRange(0, min_open=True), help="Stop after so many seconds instead.")
@click.option("--customer-minute", type=float, help="Worth of one customer-minute in money.")
@click.option("--no-overtime", is_flag=True, help="Plan no overtime.")
@click.option(
    "--no-change-windows", is_flag=True, help="Open live circuits without protection at any hour (outages agreed)."
)
@click.option("--audit-share", default=0.03, show_default=True, help="Share of looks drawn at random.")
@click.option("--holiday", "holidays", type=click.DateTime(["%Y-%m-%d"]), multiple=True, help="A day nobody works.")
@click.option("--skip-region", "skip_regions", multiple=True, help="Leave out a region.")
@click.option(
    "--mandatory", multiple=True, metavar="CONNECTOR[=DATE]", help="End face that must be visited, by a date if given."
)
@click.option(
    "--what-if",
    "scenarios",
    multiple=True,
    metavar="SCENARIO",
    help="Plan also under other circumstances, side by side: extra_crew, no_overtime, overtime, any_hour, no_wet_kits, "
    "move_depot=CREW:SITE, skip_region=NAME. May be given several times.",
)
@click.option("--replan", "plan_id", help="Change this committed plan as little as possible instead of planning anew.")
@click.option(
    "--at",
    type=click.DateTime(["%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M"]),
    help="With --replan: the moment; stops begun before it stay.",
)
@click.option("--quick", is_flag=True, help="Give only the loose bound, at once.")
@click.option("--by", default="", help="Who plans; kept with the plan.")
def route(
    db: Path,
    first: date | None,
    days: int,
    folder: Path,
    seed: int,
    iterations: int | None,
    seconds: float | None,
    customer_minute: float | None,
    no_overtime: bool,
    no_change_windows: bool,
    audit_share: float,
    holidays: tuple[datetime, ...],
    skip_regions: tuple[str, ...],
    mandatory: tuple[str, ...],
    scenarios: tuple[str, ...],
    plan_id: str | None,
    at: datetime | None,
    quick: bool,
    by: str,
) -> None:
    """Plan the crews' days: which end faces, by which crew, on which day, in which order.

    Writes plan.json (benefit, cost, upper bound, gap, every stop with times), routes as CSV, GeoJSON, GPX and
    calendar, a work list per crew-day (PDF, HTML), a pick list, and sheets for the results that
    `planner load` reads back. The plan is stored as a draft; see `planner plan`.
    """
    from planner.pipeline import bring_up_to_date, moment_of
    from planner.routes.bounds import BoundEffort
    from planner.routes.problem import Stop
    from planner.routes.settings import Settings
    from planner.routes.whatif import scenario_settings
    from planner.stages.route import plan_input, plan_routes, plan_what_if

    if plan_id is not None:
        _replan(db, plan_id, at, mandatory, folder, by)
        return
    if first is None:
        raise click.UsageError("--from is missing: the first day of the plan, YYYY-MM-DD")
    stop = None if iterations is None and seconds is None else Stop(iterations, seconds)
    settings = Settings(
        customer_minute=customer_minute,
        overtime=not no_overtime,
        change_windows=not no_change_windows,
        audit_share=audit_share,
        holidays=tuple(day.date() for day in holidays),
        skip_regions=skip_regions,
        mandatory=_mandatory(mandatory, first, days),
    )
    others = [scenario_settings(name, settings) for name in scenarios]  # refuses an unknown one before any work
    effort = None if quick else BoundEffort(rounds=COMMAND_ROUNDS, good_enough=COMMAND_GAP)
    compared = None
    con = open_existing(db)
    try:
        moment_of(con, None)  # refuses an empty database as such
        folder_to_write(folder)
        with progress_bar("route") as progress:
            bring_up_to_date(con, None, progress)
            for other in others:  # refuses an unknown crew, site or region before the plan is stored
                plan_input(con, first, days, other)
            stored = plan_routes(
                con,
                first,
                days,
                folder,
                seed=seed,
                stop=stop,
                settings=settings,
                effort=effort,
                made_at=_now(),
                made_by=by,
                progress=progress,
            )
            if scenarios:
                compared = plan_what_if(
                    con, stored, scenarios, folder, stop=stop, settings=settings, effort=effort, progress=progress
                )
    finally:
        con.close()
    _print_plan(stored.document, stored.result.week.notes, folder)
    if compared is not None:
        show_table(compared.drop(columns=["plan_id", "meaning"]), "What if")
        lacking = float(compared["upper_bound"].iloc[0]) - float(compared["net"].iloc[0])
        console.print(
            f"The plan may lack up to {lacking:,.2f} against its bound: a smaller difference can come from the search "
            "as well as from the circumstances."
        )


def _now() -> datetime:
    return datetime.now(UTC).replace(tzinfo=None, microsecond=0)


def _replan(db: Path, plan_id: str, at: datetime | None, mandatory: tuple[str, ...], folder: Path, by: str) -> None:
    from planner.pipeline import bring_up_to_date
    from planner.stages.route import replan_routes

    if at is None or not mandatory:
        raise click.UsageError("--replan needs --at MOMENT and at least one --mandatory CONNECTOR")
    con = open_existing(db)
    try:
        with progress_bar("replan") as progress:
            bring_up_to_date(con, None, progress)
            alarms = _mandatory(mandatory, at.date(), 1)
            stored, changes = replan_routes(con, plan_id, at, alarms, folder, made_at=_now(), made_by=by)
    finally:
        con.close()
    _print_plan(stored.document, stored.result.week.notes, folder)
    for change in changes:
        console.print(f"  {change}")


def _mandatory(texts: tuple[str, ...], first: date, days: int) -> tuple[tuple[str, date], ...]:
    from datetime import timedelta

    last = first + timedelta(days=days - 1)
    found = []
    for text in texts:
        name, _, day = text.partition("=")
        try:
            found.append((name, date.fromisoformat(day) if day else last))
        except ValueError as error:
            raise click.BadParameter(f"{text}: the date must read YYYY-MM-DD", param_hint="--mandatory") from error
    return tuple(found)


def _print_plan(document: dict[str, object], notes: tuple[str, ...], folder: Path) -> None:
    """The plan in a few lines, a table of crew-days, and what a dispatcher must not miss."""
    gap = document["gap"]
    proof = "no gap known" if gap is None else proof_words(float(str(gap)))
    console.print(
        f"Plan {document['plan_id']}: benefit {document['benefit']:,}, cost {document['cost']:,}, "
        f"net {document['net']:,}; no plan of these crews nets more than {document['upper_bound']:,} ({proof})"
    )
    days = document["crew_days"]
    assert isinstance(days, list)
    rows = [
        {
            "day": day["day_on"],
            "crew": day["crew_id"],
            "leaves": day["departs_at"],
            "back": day["returns_at"],
            "stops": len(day["stops"]),
            "jobs": sum(len(stop["jobs"]) for stop in day["stops"]),
            "km": round(sum(stop["travel_km"] for stop in day["stops"]) + day["km_back"], 1),
            "cost": day["cost"],
        }
        for day in days
    ]
    if rows:
        show_table(pd.DataFrame(rows), "Crew-days")
    else:
        console.print("No crew goes out: see left_out.csv for the reason of each job.")
    missed = document["mandatory_not_served"]
    assert isinstance(missed, list)
    if missed:
        console.print(f"Must be visited but could not be: {', '.join(missed)}; see left_out.csv")
    for note in notes:
        console.print(f"Note: {note}")
    console.print(f"Files: {folder}")


@click.group()
def plan() -> None:
    """Versions of plans: list them, commit one, mark it done."""


@plan.command("list")
@db_option
def plan_list(db: Path) -> None:
    """List every plan version, newest first."""
    from planner.store import route_queries as queries
    from planner.store.database import open_database

    con = open_database(db, read_only=True)
    frame = queries.plans(con)
    con.close()
    if frame.empty:
        console.print("No plan yet: planner route --from DATE --days N --out DIR")
    else:
        show_table(frame)


def _move_on(db: Path, plan_id: str, status: str, by: str, replace: tuple[str, ...] = ()) -> None:
    from planner.stages.route import change_status

    con = open_existing(db)
    try:
        replaced = change_status(con, plan_id, status, by, _now(), replace)
    finally:
        con.close()
    console.print(f"Plan {plan_id} is {status}, by {by}.")
    for other in replaced:
        console.print(f"Plan {other} is replaced by it.")


@plan.command("commit")
@click.argument("plan_id")
@click.option("--by", required=True, help="Who commits it.")
@click.option("--replace", multiple=True, metavar="PLAN", help="Committed plan that this one takes the place of.")
@db_option
def plan_commit(db: Path, plan_id: str, by: str, replace: tuple[str, ...]) -> None:
    """Commit a draft: its stops are promised.

    The plan it was replanned from is replaced. No other committed plan may send the same crew out on the same day,
    unless it is named with --replace.
    """
    _move_on(db, plan_id, "committed", by, replace)


@plan.command("done")
@click.argument("plan_id")
@click.option("--by", required=True, help="Who closes it.")
@db_option
def plan_done(db: Path, plan_id: str, by: str) -> None:
    """Close a committed plan: its work is done."""
    _move_on(db, plan_id, "done", by)
