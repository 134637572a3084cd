"""The last step: from the ranking to a stored plan with its files and work lists.

In: `ranking`, `connector_state`, plant, crews, travel. Out: `plans, plan_stops, plan_jobs, plan_left_out` and a
folder of files. Asked for by `planner route`; the analysis itself does not run it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from importlib.metadata import version
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from planner.errors import InputError, ParameterError, PlanningError
from planner.progress import Progress, part_of, silent
from planner.reports.job_sheet import write_job_sheets
from planner.routes.bounds import BoundEffort
from planner.routes.explain import left_out_frame
from planner.routes.outputs import plan_assumptions, safe_for_spreadsheet, write_plan
from planner.routes.planning import PlanInput, PlanResult, default_stop, plan_week
from planner.routes.problem import Stop
from planner.routes.replan import replan
from planner.routes.settings import Settings
from planner.routes.stops import JOB_COLUMNS, PlanTables, read_back
from planner.routes.whatif import compared, scenario_line, scenario_settings
from planner.stages.work_lists import sheet_days
from planner.store import route_queries as queries
from planner.store.database import has_rows, transaction
from planner.tables.catalogue import TABLES

# End faces taken from the ranking per crew-day: several times what a crew can do.
CANDIDATES_PER_CREW_DAY = 150
FEWEST_CANDIDATES = 600
MOST_CANDIDATES = 20_000
ALARM_DAYS = 2


@dataclass(frozen=True)
class StoredPlan:
    """A plan that was written: its id, the routes and the document of plan.json."""

    plan_id: str
    result: PlanResult
    document: dict[str, Any]


def plan_routes(
    con: duckdb.DuckDBPyConnection,
    first: date,
    days: int,
    folder: Path,
    *,
    seed: int = 1,
    stop: Stop | None = None,
    settings: Settings | None = None,
    effort: BoundEffort | None = None,
    made_at: datetime | None = None,
    made_by: str = "",
    progress: Progress = silent,
) -> StoredPlan:
    """Plan the crews' days, write the files into `folder` and store the plan as a new draft version.

    Parameters
    ----------
    con
        Open database whose results are up to date.
    first, days
        First day and number of days.
    folder
        Where the files go; made if absent.
    seed, stop, settings
        Random stream, end of the search (by default iterations chosen by size) and choices.
    effort
        Work the tight bound may take; by default none, and the loose bound is given.
    made_at
        Moment written into the plan; by default midnight of the first day, so that files repeat exactly.
    made_by
        Who asked for it.

    Raises
    ------
    InputError
        There is no crew, or no ranking.
    PlanningError
        No crew works on these days.
    """
    chosen = (settings or Settings()).changed(seed=seed)
    tables, chosen = plan_input(con, first, days, chosen)
    progress(0.05, "planning routes")
    result = plan_week(tables, first, days, stop, chosen, effort=effort, progress=part_of(progress, 0.05, 0.8))
    words = (stop or default_stop(result.week.problem)).words
    moment = made_at or datetime(first.year, first.month, first.day)
    with transaction(con):
        plan_id = queries.next_plan_id(con, first.isoformat(), days)
        progress(0.85, "writing the plan")
        made = read_back(result, plan_id)
        document = write_plan(result, made, folder, words, moment, _versions())
        _store(con, result, made, words, moment, made_by, document)
    progress(0.9, "writing the work lists")
    _write_sheets(con, result, made, folder)
    progress(1.0, "planned")
    return StoredPlan(plan_id, result, document)


def plan_what_if(
    con: duckdb.DuckDBPyConnection,
    base: StoredPlan,
    scenarios: Sequence[str],
    folder: Path,
    *,
    stop: Stop | None = None,
    settings: Settings | None = None,
    effort: BoundEffort | None = None,
    progress: Progress = silent,
) -> pd.DataFrame:
    """Plan the days of a stored plan under other circumstances; the lines side by side, the plan itself first.

    A scenario that only adds to what the crews may do never nets less than the plan: the plan stays possible.
    Writes `whatif.json` and `whatif.csv` into `folder` and the rows of `plan_scenarios`.
    """
    week = base.result.week
    chosen = (settings or Settings()).changed(seed=base.result.plan.seed)
    changed = [(name, scenario_settings(name, chosen)) for name in dict.fromkeys(scenarios)]
    lines = [scenario_line("base", base.result, read_back(base.result, base.plan_id))]
    for number, (name, other) in enumerate(changed):
        if other == chosen:  # as the plan is already
            lines.append(scenario_line(name, base.result, read_back(base.result, base.plan_id)))
            continue
        tables, other = plan_input(con, week.days[0], len(week.days), other)
        part = part_of(progress, number / len(changed), (number + 1) / len(changed))
        found = plan_week(
            tables, week.days[0], len(week.days), stop, other, effort=effort, like=base.result, progress=part
        )
        result = compared(name, found, base.result)
        lines.append(scenario_line(name, result, read_back(result, base.plan_id)))
    frame = pd.DataFrame(lines)
    frame.insert(0, "plan_id", base.plan_id)
    folder.mkdir(parents=True, exist_ok=True)
    content = json.dumps({"plan_id": base.plan_id, "scenarios": lines}, indent=1)
    (folder / "whatif.json").write_text(content, encoding="utf-8")
    safe_for_spreadsheet(frame).to_csv(folder / "whatif.csv", index=False)
    with transaction(con):
        queries.replace_scenarios(con, base.plan_id, frame)
    return frame


def replan_routes(
    con: duckdb.DuckDBPyConnection,
    plan_id: str,
    at: datetime,
    alarms: Sequence[tuple[str, date]],
    folder: Path,
    *,
    settings: Settings | None = None,
    made_at: datetime | None = None,
    made_by: str = "",
) -> tuple[StoredPlan, tuple[str, ...]]:
    """Change a committed plan as little as possible so that alarms are visited; stored as a new draft version.

    Returns the new plan and every change in words (also in the document, `changes`).

    Raises
    ------
    PlanningError
        There is no such plan, it is not committed, or another committed plan has replaced it.
    """
    row = queries.plan_row(con, plan_id)
    state = "unknown" if row.empty else str(row["status"].iloc[0])
    old = {} if row.empty else json.loads(str(row["document"].iloc[0]))
    if state == "replaced":
        raise PlanningError(
            f"plan {plan_id}: was replaced by {old['replaced_by']}; only the plan in force is replanned"
        )
    if state != "committed":
        told = "there is no such plan" if row.empty else f"is {state}"
        raise PlanningError(f"plan {plan_id}: {told}; only a committed plan is replanned (planner plan commit)")
    first, days = date.fromisoformat(old["from"]), int(old["days"])
    chosen = (settings or Settings()).changed(seed=int(old["seed"]))
    stops, jobs = queries.stops_and_jobs(con, plan_id)
    due = tuple((name, min(day, first + timedelta(days=days - 1))) for name, day in alarms)
    named = tuple((name, first) for name in sorted(set(jobs["connector_id"])))
    tables, _ = plan_input(con, first, days, chosen.changed(mandatory=(*named, *due)))
    done = replan(tables, stops, jobs, first, days, at, due, chosen)
    words = f"replanned from {plan_id} at {at:%Y-%m-%d %H:%M}"
    moment = made_at or at
    with transaction(con):
        new_id = queries.next_plan_id(con, old["from"], days)
        made = read_back(done.result, new_id)
        document = write_plan(done.result, made, folder, words, moment, _versions())
        document |= {"changes": list(done.changes), "replaces": plan_id}
        (folder / "plan.json").write_text(json.dumps(document, indent=1), encoding="utf-8")
        _store(con, done.result, made, words, moment, made_by, document)
    _write_sheets(con, done.result, made, folder)
    return StoredPlan(new_id, done.result, document), done.changes


def plan_input(
    con: duckdb.DuckDBPyConnection, first: date, days: int, settings: Settings
) -> tuple[PlanInput, Settings]:
    """The tables a plan is made from, and the settings with open alarms added as mandatory jobs."""
    if not has_rows(con, "crews"):
        raise InputError("crews: the table is empty; load crews.csv with at least one crew, its depot and shift")
    if not has_rows(con, "ranking"):
        raise InputError("ranking: there is nothing to plan; run planner analyse first")
    crews = queries.crews(con)
    limit = min(MOST_CANDIDATES, max(FEWEST_CANDIDATES, CANDIDATES_PER_CREW_DAY * days * len(crews)))
    candidates = queries.candidates(con, limit)
    alarms = queries.open_alarms(con)
    due = first + timedelta(days=min(days, ALARM_DAYS) - 1)
    named = dict(settings.mandatory)
    mandatory = {**dict.fromkeys(alarms["connector_id"], due), **named}
    _check_names(settings, crews)
    extra = sorted(set(mandatory) - set(candidates["connector_id"]))
    if extra:
        found = queries.candidates_named(con, extra)
        unknown = sorted(set(named) - set(candidates["connector_id"]) - set(found["connector_id"]))
        if unknown:
            raise ParameterError(
                f"mandatory: got {', '.join(unknown)}, must be end faces in a port of a known site; see planner rank"
            )
        candidates = pd.concat([candidates, found], ignore_index=True) if len(found) else candidates
    sites = sorted(set(candidates["site_id"]))
    places = queries.route_sites(con, [*sites, *(depot for _, depot in settings.moved_depots)])
    _check_places(settings, places)
    frame = PlanInput(
        candidates=candidates,
        sites=places,
        crews=crews,
        travel_times=queries.travel_times(
            con, sorted({*sites, *crews["depot_site_id"], *(d for _, d in settings.moved_depots)})
        ),
        circuits=queries.live_circuits(con, first.isoformat()),
        audit_pool=queries.audit_pool(con, sites, settings.seed) if settings.audit_share > 0 else pd.DataFrame(),
    )
    return frame, replace(settings, mandatory=tuple(sorted(mandatory.items())))


def _check_names(settings: Settings, crews: pd.DataFrame) -> None:
    """A moved depot names a crew that there is."""
    known = sorted(crews["crew_id"])
    for crew, _ in settings.moved_depots:
        if crew not in known:
            raise ParameterError(f"move_depot: got crew {crew!r}, must be one of {', '.join(known)}")


def _check_places(settings: Settings, sites: pd.DataFrame) -> None:
    """Skipped regions have sites with work, and moved depots are sites."""
    regions = sorted(sites["region"].dropna().unique())
    for region in settings.skip_regions:
        if region not in regions:
            raise ParameterError(
                f"skip_region: got {region!r}, must be a region with ranked end faces: "
                f"{', '.join(regions[:9]) or 'none'}"
            )
    for crew, depot in settings.moved_depots:
        if depot not in set(sites["site_id"]):
            raise ParameterError(
                f"move_depot: got site {depot!r} for crew {crew}, must be a site_id of the sites table"
            )


def _versions() -> dict[str, str]:
    return {name: version(name) for name in ("connector-planner", "numpy", "scipy", "numba")}


def _store(
    con: duckdb.DuckDBPyConnection,
    result: PlanResult,
    tables: PlanTables,
    stop_words: str,
    made_at: datetime,
    made_by: str,
    document: dict[str, Any],
) -> None:
    row = {
        "plan_id": tables.plan_id,
        "status": "draft",
        "made_at": made_at,
        "made_by": made_by,
        "from_on": document["from"],
        "days": document["days"],
        "benefit": document["benefit_customer_min"],
        "cost": document["cost"],
        "upper_bound": document["upper_bound"],
        "gap": document["gap"],
        "assumptions": plan_assumptions(result, stop_words),
        "document": json.dumps(document),
    }
    queries.append_rows(con, "plans", pd.DataFrame([row])[list(TABLES["plans"].column_names)])
    queries.append_rows(con, "plan_stops", tables.stops)
    queries.append_rows(con, "plan_jobs", tables.jobs[JOB_COLUMNS])
    queries.append_rows(con, "plan_left_out", left_out_frame(result, tables.plan_id))


def _write_sheets(con: duckdb.DuckDBPyConnection, result: PlanResult, tables: PlanTables, folder: Path) -> None:
    circuits = {
        name for text in result.week.jobs["circuits"] if isinstance(text, str) for name in text.split(";") if name
    }
    readings = queries.expected_readings(con, sorted(circuits))
    expected = dict(zip(readings["circuit_id"], readings["words"], strict=True))
    write_job_sheets(sheet_days(result, tables, expected), folder / "work_lists")


def change_status(
    con: duckdb.DuckDBPyConnection, plan_id: str, status: str, by: str, at: datetime, replace: tuple[str, ...] = ()
) -> tuple[str, ...]:
    """Move a plan on: draft -> committed -> done, with who and when kept in its document.

    No crew is promised twice for one day: a plan that is committed takes the place of the one it was replanned from,
    and of those named in `replace`; these are then "replaced".

    Parameters
    ----------
    replace
        Committed plans that this one may take the place of.

    Returns
    -------
    The plans that were replaced.

    Raises
    ------
    PlanningError
        There is no such plan, it is not in the state before, or another committed plan has promised one of its
        crews for the same day.
    """
    before = {"committed": "draft", "done": "committed"}[status]
    row = queries.plan_row(con, plan_id)
    if row.empty:
        known = ", ".join(queries.plans(con)["plan_id"].head(5)) or "none yet"
        raise PlanningError(f"plan {plan_id}: there is no such plan; newest are {known}")
    now_is = str(row["status"].iloc[0])
    if now_is != before:
        raise PlanningError(f"plan {plan_id}: is {now_is}, must be {before} to become {status}")
    document = json.loads(str(row["document"].iloc[0]))
    given_up = _to_replace(con, plan_id, document, replace) if status == "committed" else ()
    with transaction(con):
        for other in given_up:
            old = json.loads(str(queries.plan_row(con, other)["document"].iloc[0])) | {"replaced_by": plan_id}
            _move_on(con, other, old, "replaced", by, at)
        _move_on(con, plan_id, document, status, by, at)
    return given_up


def _to_replace(
    con: duckdb.DuckDBPyConnection, plan_id: str, document: dict[str, Any], replace: tuple[str, ...]
) -> tuple[str, ...]:
    """Committed plans that a plan takes the place of when it is committed."""
    plans = queries.plans(con).set_index("plan_id")["status"]
    for name in replace:
        if plans.get(name) != "committed":
            state = f"is {plans[name]}" if name in plans.index else "there is no such plan"
            raise PlanningError(f"plan {name}: {state}; only a committed plan is replaced")
    old = str(document.get("replaces", ""))
    allowed = {*replace, *([old] if plans.get(old) == "committed" else [])}
    promised = queries.promised_crew_days(con, plan_id)
    clash = promised[~promised["plan_id"].isin(allowed)]
    if len(clash):
        first = clash.iloc[0]
        more = f" and {len(clash) - 1} more crew-days" if len(clash) > 1 else ""
        raise PlanningError(
            f"plan {plan_id}: crew {first['crew_id']} is promised on {first['day_on']} by the committed plan "
            f"{first['plan_id']}{more}; a crew works by one plan a day: add --replace {first['plan_id']} to put this "
            "plan in its place, or leave it a draft"
        )
    return tuple(sorted(allowed))


def _move_on(
    con: duckdb.DuckDBPyConnection, plan_id: str, document: dict[str, Any], status: str, by: str, at: datetime
) -> None:
    document.setdefault("history", []).append({"status": status, "by": by, "at": at.isoformat()})
    queries.move_plan_on(con, plan_id, status, json.dumps(document))
