"""Routes read back as what people see: stops with clock times, jobs in order, breaks, pick lists.

In: `PlanResult`. Out: frames for the result tables `plan_stops`, `plan_jobs`, `plan_left_out`, and the days.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import pandas as pd

from planner.routes.calendar import clock_of_minutes, zone_of, zone_shift
from planner.routes.jobs import method_options
from planner.routes.planning import PlanResult, Week
from planner.routes.problem import Leg
from planner.routes.visits import parts_of


@dataclass(frozen=True)
class DayPlan:
    """One crew's day on the clock. Times are minutes after midnight of the day, in the plan's time zone."""

    crew_id: str
    day_on: date
    depot: str
    departs: int
    returns: int
    drive_back_min: int
    drive_back_km: float
    breaks: tuple[tuple[int, int, str], ...]
    stops: tuple[StopPlan, ...]
    overtime_min: int
    cost: float


@dataclass(frozen=True)
class StopPlan:
    """One visit: drive, arrival, start and end of work, the rows of its jobs and the order of their blocks."""

    number: int
    site_id: str
    arrives: int
    starts: int
    leaves: int
    drive_min: int
    drive_km: float
    clock_shift: int
    jobs: tuple[int, ...]
    order: tuple[int, ...]
    audits: tuple[int, ...]


@dataclass(frozen=True)
class PlanTables:
    """A plan read back: its days and its tables, made once and handed to everything that is written."""

    plan_id: str
    days: tuple[DayPlan, ...]
    stops: pd.DataFrame
    jobs: pd.DataFrame


def read_back(result: PlanResult, plan_id: str) -> PlanTables:
    """Days, stops and jobs of a plan."""
    days = day_plans(result)
    return PlanTables(plan_id, days, stops_frame(result, plan_id, days), jobs_frame(result, plan_id, days))


def day_plans(result: PlanResult) -> tuple[DayPlan, ...]:
    """Every crew-day that goes out, in order of day and crew."""
    plans = [_day_plan(result, number, leg) for number, leg in enumerate(result.plan.legs)]
    return tuple(sorted(plans, key=lambda plan: (plan.day_on, plan.crew_id)))


def _day_plan(result: PlanResult, number: int, leg: Leg) -> DayPlan:
    week = result.week
    shift = week.shifts[leg.crew]
    depot = week.problem.crews[leg.crew].start
    stops: list[StopPlan] = []
    place, free = depot, leg.departs
    breaks = _Breaks(week, leg)
    for job, start in zip(leg.jobs, leg.starts, strict=True):
        here = int(week.problem.place[job])
        block = week.blocks[week.offers[job][0]]
        drive = _drive(week, place, here)
        arrives = breaks.drive(free, drive, block.site_id)
        breaks.rest_until(start, block.site_id)
        free = start + int(week.problem.service[job])
        breaks.rest_until(free, block.site_id)
        looks = _looks_at(result, number, job)
        if stops and here == place:
            last = stops.pop()
            stops.append(
                StopPlan(
                    **{
                        **last.__dict__,
                        "leaves": week.axis.wall(free, ending=True),
                        "jobs": (*last.jobs, *block.jobs),
                        "order": (*last.order, *[last.order[-1] + 1] * len(block.jobs)),
                        "audits": (*last.audits, *looks),
                    }
                )
            )
        else:
            move = zone_shift(zone_of(week.sites["timezone"].get(block.site_id)), week.zone, week.days[shift.day])
            stops.append(
                StopPlan(
                    number=len(stops) + 1,
                    site_id=block.site_id,
                    arrives=arrives,
                    starts=week.axis.wall(start),
                    leaves=week.axis.wall(free, ending=True),
                    drive_min=drive,
                    drive_km=int(week.problem.distance[place, here]) / 10,
                    clock_shift=move,
                    jobs=block.jobs,
                    order=(0,) * len(block.jobs),
                    audits=looks,
                )
            )
        place = here
    drive = _drive(week, place, depot)
    breaks.drive(free, drive, week.places[depot])
    crew = week.problem.crews[leg.crew]
    spent = leg.returns - leg.departs
    return DayPlan(
        crew_id=shift.crew_id,
        day_on=week.days[shift.day],
        depot=week.places[depot],
        departs=week.axis.wall(leg.departs),
        returns=week.axis.wall(leg.returns, ending=True),
        drive_back_min=drive,
        drive_back_km=int(week.problem.distance[place, depot]) / 10,
        breaks=tuple(breaks.found),
        stops=tuple(stops),
        overtime_min=max(0, spent - crew.length),
        cost=_leg_money(week, leg),
    )


def _leg_money(week: Week, leg: Leg) -> float:
    from planner.routes.schedule import leg_cost

    return leg_cost(week.problem, leg) * week.unit


def _drive(week: Week, origin: int, target: int) -> int:
    """Minutes at the wheel between two rows of the travel matrix, entry not counted."""
    if origin == target:
        return 0
    count = len(week.places)
    a, b = (row if row < count else row - count for row in (origin, target))
    return int(-(-week.travel.minutes[a, b] // 1))


def _looks_at(result: PlanResult, number: int, job: int) -> tuple[int, ...]:
    audits = result.audits
    if audits.empty:
        return ()
    return tuple(int(row) for row in audits.index[(audits["leg"] == number) & (audits["offer"] == job)])


class _Breaks:
    """Where and when a crew's breaks fall: at the fixed hour, but never on the road for less than an hour."""

    LONGEST_DELAY = 60

    def __init__(self, week: Week, leg: Leg) -> None:
        self.axis = week.axis
        begins, ends = week.axis.wall(leg.departs), week.axis.wall(leg.returns, ending=True)
        self.due = [window for window in week.axis.breaks if begins <= window[0] and window[1] <= ends]
        self.found: list[tuple[int, int, str]] = []

    def drive(self, leaves: int, minutes: int, target: str) -> int:
        """Clock time of arrival after a drive that starts at axis minute `leaves`; takes breaks due on the way."""
        clock = self.axis.wall(leaves)
        arrives = clock + minutes
        if self.due and clock < self.due[0][0] < arrives:
            start, end = self.due.pop(0)
            if arrives - start > self.LONGEST_DELAY:
                self.found.append((start, end, "on the way"))
                return arrives + end - start
            self.found.append((arrives, arrives + end - start, target))
        return arrives

    def rest_until(self, minute: int, place: str) -> None:
        """Take breaks due before axis minute `minute` at `place`."""
        while self.due and self.axis.axis(self.due[0][0]) < minute:
            start, end = self.due.pop(0)
            self.found.append((start, end, place))


def stops_frame(result: PlanResult, plan_id: str, days: tuple[DayPlan, ...]) -> pd.DataFrame:
    """Rows of `plan_stops`."""
    week = result.week
    rows = []
    for day in days:
        for stop in day.stops:
            jobs = week.jobs.iloc[list(stop.jobs)]
            local = {
                name: clock_of_minutes(getattr(stop, name) - stop.clock_shift)
                for name in ("arrives", "starts", "leaves")
            }
            rows.append(
                {
                    "plan_id": plan_id,
                    "crew_id": day.crew_id,
                    "day_on": day.day_on.isoformat(),
                    "stop_no": stop.number,
                    "site_id": stop.site_id,
                    "arrive_at": local["arrives"],
                    "start_at": local["starts"],
                    "leave_at": local["leaves"],
                    "travel_min": float(stop.drive_min),
                    "travel_km": stop.drive_km,
                    "work_min": float(stop.leaves - stop.arrives),
                    "benefit": round(float(jobs["worth"].sum()), 2),
                    "note": _stop_note(week, day, stop, jobs),
                }
            )
    return pd.DataFrame(rows, columns=STOP_COLUMNS)


STOP_COLUMNS = [
    "plan_id",
    "crew_id",
    "day_on",
    "stop_no",
    "site_id",
    "arrive_at",
    "start_at",
    "leave_at",
    "travel_min",
    "travel_km",
    "work_min",
    "benefit",
    "note",
]
JOB_COLUMNS = [
    "plan_id",
    "crew_id",
    "day_on",
    "stop_no",
    "job_no",
    "connector_id",
    "port_id",
    "circuits",
    "action",
    "method",
    "tip",
    "kit",
    "minutes",
    "benefit",
    "pair_id",
    "reasons",
]


def _stop_note(week: Week, day: DayPlan, stop: StopPlan, jobs: pd.DataFrame) -> str:
    notes = [str(week.sites["access_note"].get(stop.site_id) or "")]
    notes += [
        f"{count} of {len(jobs)} end faces: {note}"
        for note, count in jobs.loc[jobs["change_note"] != "", "change_class"].value_counts(sort=False).items()
    ]
    notes += [
        f"break {clock_of_minutes(start - stop.clock_shift)}-{clock_of_minutes(end - stop.clock_shift)}"
        for start, end, place in day.breaks
        if place == stop.site_id and start < stop.leaves and end > stop.arrives
    ]
    return "; ".join(note for note in notes if note and note != "nan")


def method_for(row: Mapping[Any, Any], kit: tuple[str, ...], wet: bool) -> tuple[str, str, tuple[str, ...]]:
    """Dry method, wet method (empty if none) and the kit a job takes, given the crew's kit (empty: undeclared)."""
    options = method_options(str(row["geometry"]), str(row["ferrule"]))
    usable = [option for option in options if not kit or option["kit"] in kit] or options
    if not usable:
        return "", "", (str(row["tip"]),)
    option = usable[0]
    wet_kit = parts_of(option["wet_kit"])
    wet_ok = wet and bool(option["wet_method"]) and (not kit or all(part in kit for part in wet_kit))
    taken = (str(row["tip"]), option["kit"], *(part for part in wet_kit if wet_ok and part != option["kit"]))
    return option["dry_method"], option["wet_method"] if wet_ok else "", taken


MUST = "must be visited by"  # how the reasons of a job begin that had to be planned, whatever its window


def jobs_frame(result: PlanResult, plan_id: str, days: tuple[DayPlan, ...]) -> pd.DataFrame:
    """Rows of `plan_jobs`, with `site_id` and the columns of the job sheet behind the declared ones."""
    week = result.week
    kits = {crew: parts_of(text) for crew, text in zip(week.crews["crew_id"], week.crews["kit"], strict=True)}
    must_be_done = {name: due.isoformat() for name, due in week.settings.mandatory}
    rows = []
    for day in days:
        for stop in day.stops:
            work = week.jobs.iloc[list(stop.jobs)].assign(order=list(stop.order))
            work = work.sort_values(["order", "connection", "money"], ascending=[True, True, False], kind="stable")
            looks = result.audits.iloc[list(stop.audits)] if stop.audits else work.iloc[:0]
            for number, row in enumerate([*work.to_dict("records"), *looks.to_dict("records")], start=1):
                due = must_be_done.get(row["connector_id"])
                dry, wet, kit = method_for(row, kits[day.crew_id], week.settings.wet)
                only_look = row["action"] == "inspect"
                rows.append(
                    {
                        "plan_id": plan_id,
                        "crew_id": day.crew_id,
                        "day_on": day.day_on.isoformat(),
                        "stop_no": stop.number,
                        "job_no": number,
                        "connector_id": row["connector_id"],
                        "port_id": row["port_id"],
                        "circuits": row["circuits"],
                        "action": row["action"],
                        "method": dry if not wet else f"{dry}, then {wet}",
                        "tip": row["tip"],
                        "kit": ";".join((kit[0],) if only_look else kit),
                        "minutes": round(float(row["minutes"]), 1),
                        "benefit": round(float(row["worth"]), 2),
                        "pair_id": row["pair_id"],
                        "reasons": row["reasons"] if due is None else f"{MUST} {due}; {row['reasons']}",
                        **{name: row.get(name) for name in SHEET_COLUMNS},
                    }
                )
    return pd.DataFrame(rows, columns=[*JOB_COLUMNS, *SHEET_COLUMNS])


SHEET_COLUMNS = [
    "site_id",
    "label",
    "housing_name",
    "face",
    "family",
    "polish",
    "geometry",
    "partner_id",
    "change_note",
    "p_contaminated",
    "p_damaged",
    "cable_id",
]


def crew_days_frame(days: tuple[DayPlan, ...]) -> pd.DataFrame:
    """One row per crew-day: times, stops, jobs, kilometres, cost, overtime."""
    rows = []
    for day in days:
        jobs = sum(len(stop.jobs) + len(stop.audits) for stop in day.stops)
        rows.append(
            {
                "crew_id": day.crew_id,
                "day_on": day.day_on.isoformat(),
                "departs_at": clock_of_minutes(day.departs),
                "returns_at": clock_of_minutes(day.returns),
                "stops": len(day.stops),
                "jobs": jobs,
                "drive_min": sum(stop.drive_min for stop in day.stops) + day.drive_back_min,
                "km": round(sum(stop.drive_km for stop in day.stops) + day.drive_back_km, 1),
                "overtime_min": day.overtime_min,
                "cost": round(day.cost, 2),
                "break_at": ", ".join(f"{clock_of_minutes(a)}-{clock_of_minutes(b)}" for a, b, _ in day.breaks),
            }
        )
    return pd.DataFrame(rows)


def pick_list(jobs: pd.DataFrame) -> pd.DataFrame:
    """What each crew loads: `crew_id, day_on, thing, quantity`, one use per job, spares per replacement."""
    long = jobs[["crew_id", "day_on", "kit", "action", "family", "polish"]].copy()
    long["thing"] = long["kit"].fillna("").str.split(";")
    long = long.explode("thing")
    long = long[long["thing"].fillna("") != ""]
    uses = long.groupby(["crew_id", "day_on", "thing"]).size().rename("quantity").reset_index()
    uses.loc[uses["thing"].str.startswith("tip_"), "quantity"] = 1
    uses.loc[uses["thing"].eq("solvent"), "quantity"] = 1
    spares = jobs[jobs["action"] == "replace"]
    if len(spares):
        parts = spares.assign(
            thing="spare cord or connector " + spares["family"].astype(str) + "/" + spares["polish"].astype(str)
        )
        uses = pd.concat(
            [uses, parts.groupby(["crew_id", "day_on", "thing"]).size().rename("quantity").reset_index()],
            ignore_index=True,
        )
    return uses.sort_values(["day_on", "crew_id", "thing"], ignore_index=True)
