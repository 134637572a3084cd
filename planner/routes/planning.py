"""A plan of crew-days from tables: jobs, blocks, crews and days -> arrays -> routes -> stops with times.

In: frames whose columns carry the intake names. Out: `PlanResult`: stops, jobs, what was left out and why.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import cast
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from planner.errors import PlanningError
from planner.progress import Progress, part_of, silent
from planner.routes.bounds import BoundEffort
from planner.routes.calendar import (
    DAY,
    Axis,
    Window,
    clock_of_minutes,
    daily_windows,
    days_from,
    intersect,
    pick_break,
    span,
    weekday_of,
    zone_of,
    zone_shift,
)
from planner.routes.jobs import JobTable, make_jobs
from planner.routes.problem import CrewDay, Problem, RoutePlan, Stop, make_problem
from planner.routes.settings import Settings, minutes_of
from planner.routes.solving import solve
from planner.routes.travel import Travel, travel_between
from planner.routes.visits import Block, allowed_crews, make_blocks, parts_of

CENTS = 100
LARGEST_PRIZE = 10**7


@dataclass(frozen=True)
class PlanInput:
    """The tables a plan is made from.

    `candidates` as `planner.routes.jobs.CANDIDATE_COLUMNS`; `sites`, `crews`, `travel_times` as the intake
    tables; `circuits` as `circuit_id, priority, protected_by`; `audit_pool` end faces a random look may be drawn
    from: the candidate columns of end faces that are no jobs.
    """

    candidates: pd.DataFrame
    sites: pd.DataFrame
    crews: pd.DataFrame
    travel_times: pd.DataFrame
    circuits: pd.DataFrame
    audit_pool: pd.DataFrame


@dataclass(frozen=True)
class CrewShift:
    """One crew on one day, with the clock it works by."""

    crew_id: str
    row: int
    day: int
    shift: Window


@dataclass(frozen=True)
class Week:
    """Everything between the tables and the arrays: kept so that a route can be read back as a plan."""

    days: tuple[date, ...]
    settings: Settings
    jobs: pd.DataFrame
    job_table: JobTable
    blocks: tuple[Block, ...]
    offers: tuple[tuple[int, Window], ...]
    shifts: tuple[CrewShift, ...]
    crews: pd.DataFrame
    sites: pd.DataFrame
    places: tuple[str, ...]
    travel: Travel
    axis: Axis
    zone: ZoneInfo | None
    unit: float
    problem: Problem
    left_out: pd.DataFrame
    notes: tuple[str, ...]


@dataclass(frozen=True)
class PlanResult:
    """A week and the routes planned for it."""

    week: Week
    plan: RoutePlan
    audits: pd.DataFrame = field(default_factory=pd.DataFrame)


def plan_week(
    tables: PlanInput,
    first: date,
    days: int,
    stop: Stop | None,
    settings: Settings,
    *,
    effort: BoundEffort | None = None,
    like: PlanResult | None = None,
    progress: Progress = silent,
) -> PlanResult:
    """Plan the crews' days.

    Parameters
    ----------
    tables
        Candidates, sites, crews, travel, circuits.
    first, days
        First day and number of days (1..31).
    stop
        End of the search; None picks a number of iterations by size, so that the plan is repeatable.
    settings
        Choices, costs and the seed.
    effort
        Work the tight bound may take; by default none, and the loose bound is given.
    like
        A plan of the same days to begin from, if it was made of the same blocks (as with one crew less).

    Raises
    ------
    PlanningError
        There is no crew at all, or no day on which one works.
    """
    from planner.routes.audit import add_audits

    week = make_week(tables, first, days, settings)
    progress(0.1, "planning routes")
    chosen = stop or default_stop(week.problem)
    effort = effort or BoundEffort(rounds=0)
    plan = solve(
        week.problem,
        chosen,
        settings.seed,
        start=_start_like(week, like),
        effort=effort,
        progress=part_of(progress, 0.1, 0.95),
    )
    return add_audits(week, plan, tables.audit_pool)


def _start_like(week: Week, like: PlanResult | None) -> list[tuple[int, list[int]]] | None:
    """The routes of another plan, if its blocks and crew-days are the first of this one's."""
    if like is None or [(b.site_id, b.jobs) for b in like.week.blocks] != [(b.site_id, b.jobs) for b in week.blocks]:
        return None
    if like.week.offers != week.offers or like.week.shifts != week.shifts[: len(like.week.shifts)]:
        return None
    return [(leg.crew, list(leg.jobs)) for leg in like.plan.legs]


def default_stop(problem: Problem) -> Stop:
    """A number of iterations that takes about two seconds for a few hundred blocks, more for more."""
    crew_days = max(1, len(problem.crews))
    return Stop(iterations=int(np.clip(120_000 / max(problem.jobs, 60), 300, 3000) * (1 + crew_days / 100)))


def make_week(tables: PlanInput, first: date, days: int, settings: Settings) -> Week:
    """The arrays of a planning run, and what leads back from them to the tables."""
    if not 1 <= days <= 31:
        raise PlanningError(f"days: got {days}, must be 1 to 31")
    calendar = days_from(first, days)
    notes: list[str] = []
    crews = _crews(tables.crews, settings, notes)
    sites = tables.sites.drop_duplicates("site_id").set_index("site_id", drop=False)
    zone = _plan_zone(crews, sites)
    shifts = _shifts(crews, sites, calendar, settings, zone, notes)
    rates = crews["cost_per_hour"].to_numpy(float) / 60
    table = make_jobs(tables.candidates, tables.circuits, float(rates.mean()), settings)
    jobs, left_out = _jobs_worth_planning(table.rows, sites, settings)
    able, lacking = allowed_crews(jobs, crews)
    none = np.flatnonzero(~able.any(axis=1))
    some = np.flatnonzero(able.any(axis=1))
    left_out.append(_left(jobs.iloc[none], [f"needs {lacking[row]}: no crew has it" for row in none]))
    jobs, able = jobs.iloc[some].reset_index(drop=True), able[some]
    due = _due_days(jobs, settings, calendar)
    blocks = make_blocks(jobs, able, due, settings)
    lengths = [pick_break(shift.shift, settings.break_min, settings.break_after_hours) for shift in shifts]
    axis = Axis.of_breaks([start for start in lengths if start is not None], settings.break_min)
    places, travel = _places(crews, blocks, sites, tables.travel_times)
    offers, impossible = _offers(blocks, shifts, sites, calendar, axis, zone, settings)
    left_out += [
        _left(jobs.iloc[list(blocks[number].jobs)], [reason] * len(blocks[number].jobs))
        for number, reason in impossible
    ]
    unit, problem = _problem(blocks, offers, shifts, crews, sites, calendar, places, travel, axis, settings)
    return Week(
        days=calendar,
        settings=settings,
        jobs=jobs,
        job_table=table,
        blocks=tuple(blocks),
        offers=tuple(offers),
        shifts=tuple(shifts),
        crews=crews,
        sites=sites,
        places=places,
        travel=travel,
        axis=axis,
        zone=zone,
        unit=unit,
        problem=problem,
        left_out=pd.concat(left_out, ignore_index=True) if left_out else _left(jobs.iloc[:0], []),
        notes=tuple(notes),
    )


def site_row(sites: pd.DataFrame, site_id: str) -> pd.Series:
    """The row of a site in a frame indexed by `site_id`."""
    return cast("pd.Series", sites.loc[site_id])


def _left(jobs: pd.DataFrame, reasons: Sequence[str]) -> pd.DataFrame:
    frame = jobs[["connector_id", "site_id", "worth"]].rename(columns={"worth": "benefit"}).copy()
    frame["reason"] = list(reasons)
    return frame


def _crews(crews: pd.DataFrame, settings: Settings, notes: list[str]) -> pd.DataFrame:
    """The crews of this run: defaults filled in, what-if changes applied."""
    if crews.empty:
        raise PlanningError("crews: the table is empty; load a crews table with at least one crew and its depot")
    frame = crews.sort_values("crew_id").reset_index(drop=True).copy()
    for name, value in (("cost_per_hour", settings.cost_per_hour), ("cost_per_km", settings.cost_per_km)):
        if frame[name].isna().any():
            notes.append(f"{int(frame[name].isna().sum())} crews have no {name}: {value:g} assumed")
        frame[name] = frame[name].astype(float).fillna(value)
    frame["max_overtime_min"] = frame["max_overtime_min"].astype(float).fillna(0.0) if settings.overtime else 0.0
    frame["kit"] = frame["kit"].fillna("")
    frame["skills"] = frame["skills"].fillna("")
    if (frame["kit"] == "").any():
        notes.append(f"{int((frame['kit'] == '').sum())} crews declare no kit: taken to carry everything")
    if not settings.wet:
        frame["kit"] = [";".join(part for part in parts_of(text) if part != "solvent") for text in frame["kit"]]
    for crew_id, depot in settings.moved_depots:
        if crew_id not in set(frame["crew_id"]):
            raise PlanningError(f"moved depot: got crew {crew_id!r}, must be one of {', '.join(frame['crew_id'])}")
        frame.loc[frame["crew_id"] == crew_id, "depot_site_id"] = depot
    extra = [
        frame.iloc[[number % len(frame)]].assign(crew_id=f"extra-{number + 1}")
        for number in range(settings.extra_crews)
    ]
    return pd.concat([frame, *extra], ignore_index=True)


def _plan_zone(crews: pd.DataFrame, sites: pd.DataFrame) -> ZoneInfo | None:
    zones = [sites["timezone"].get(depot) for depot in crews["depot_site_id"]]
    named = pd.Series([name for name in zones if isinstance(name, str) and name])
    return zone_of(named.mode().iloc[0]) if len(named) else None


def _shifts(
    crews: pd.DataFrame,
    sites: pd.DataFrame,
    days: Sequence[date],
    settings: Settings,
    zone: ZoneInfo | None,
    notes: list[str],
) -> list[CrewShift]:
    shifts = []
    for row, crew in enumerate(crews.to_dict("records")):
        shift = span(crew["shift_start"], crew["shift_end"])
        if shift is None:
            notes.append(
                f"crew {crew['crew_id']}: shift {crew['shift_start']}-{crew['shift_end']} has no length, "
                "so it is not planned"
            )
            continue
        if crew["depot_site_id"] not in sites.index:
            notes.append(f"crew {crew['crew_id']}: depot {crew['depot_site_id']} is not in sites, so it is not planned")
            continue
        works = parts_of(crew["work_days"]) or ("Mon", "Tue", "Wed", "Thu", "Fri")
        for number, day in enumerate(days):
            if weekday_of(day) in works and day not in settings.holidays:
                move = zone_shift(zone_of(sites["timezone"].get(crew["depot_site_id"])), zone, day)
                shifts.append(CrewShift(str(crew["crew_id"]), row, number, (shift[0] + move, shift[1] + move)))
    if not shifts:
        raise PlanningError(
            f"no crew works between {days[0]} and {days[-1]}: "
            + ("; ".join(notes) or "see work_days of the crews table and the holidays given")
        )
    return shifts


def _jobs_worth_planning(
    jobs: pd.DataFrame, sites: pd.DataFrame, settings: Settings
) -> tuple[pd.DataFrame, list[pd.DataFrame]]:
    """Jobs at known sites that are not skipped, and the others with the reason."""
    known = jobs["site_id"].isin(sites.index)
    region = jobs["site_id"].map(sites["region"])
    skipped = region.isin(settings.skip_regions) | jobs["site_id"].isin(settings.skip_sites)
    left = [
        _left(jobs[~known], ["its site is not in the sites table"] * int((~known).sum())),
        _left(jobs[known & skipped], ["region or site skipped, as asked"] * int((known & skipped).sum())),
    ]
    return jobs[known & ~skipped].reset_index(drop=True), left


def _due_days(jobs: pd.DataFrame, settings: Settings, days: Sequence[date]) -> np.ndarray:
    """Day number by which each job must be done, -1 for none; a date before the plan means its first day."""
    due = {connector: day for connector, day in settings.mandatory if day <= days[-1]}
    return np.array(
        [max(0, (due[name] - days[0]).days) if name in due else -1 for name in jobs["connector_id"]], np.int64
    )


def _places(
    crews: pd.DataFrame, blocks: Sequence[Block], sites: pd.DataFrame, travel_times: pd.DataFrame
) -> tuple[tuple[str, ...], Travel]:
    depots = [depot for depot in dict.fromkeys(crews["depot_site_id"]) if depot in sites.index]
    places = tuple(dict.fromkeys([*depots, *(block.site_id for block in blocks)]))
    return places, travel_between(sites.loc[list(places)], travel_times)


def _offers(
    blocks: Sequence[Block],
    shifts: Sequence[CrewShift],
    sites: pd.DataFrame,
    days: Sequence[date],
    axis: Axis,
    zone: ZoneInfo | None,
    settings: Settings,
) -> tuple[list[tuple[int, Window]], list[tuple[int, str]]]:
    """Each block with each window of start times it can have on the axis; blocks that have none, with the reason."""
    reach = sorted({(shift.shift[0], shift.shift[1] + 240) for shift in shifts})
    offers: list[tuple[int, Window]] = []
    impossible: list[tuple[int, str]] = []
    site_windows: dict[str, list[Window]] = {}
    for number, block in enumerate(blocks):
        site = site_row(sites, block.site_id)
        if block.site_id not in site_windows:
            move = zone_shift(zone_of(site["timezone"]), zone, days[0])
            site_windows[block.site_id] = daily_windows(span(site["access_open"], site["access_close"]), move)
        access = site_windows[block.site_id]
        both = intersect(access, daily_windows(block.window)) if block.window else access
        usable = [
            (axis.axis(first), axis.axis(last) - block.minutes)
            for first, last in both
            if any(first < end and last > start for start, end in reach)
        ]
        fitting = [window for window in usable if window[1] >= window[0]]
        if fitting:
            offers += [(number, window) for window in fitting]
        else:
            impossible.append((number, _why_no_window(block, site, both, usable)))
    return offers, impossible


def _why_no_window(block: Block, site: pd.Series, both: list[Window], usable: list[Window]) -> str:
    access = f"access {site['access_open']}-{site['access_close']}"
    if block.window:
        change = f"change window {clock_of_minutes(block.window[0])}-{clock_of_minutes(block.window[1])}"
        if not both:
            return f"{change} and {access} do not overlap: agree other hours"
        if not usable:
            return f"{change} (live circuit without protection): no crew works then"
        return f"needs {block.minutes} min within {change} and {access}: too short"
    if not usable:
        return f"{access}: no crew works then"
    return f"needs {block.minutes} min, {access} is too short"


def _problem(
    blocks: Sequence[Block],
    offers: Sequence[tuple[int, Window]],
    shifts: Sequence[CrewShift],
    crews: pd.DataFrame,
    sites: pd.DataFrame,
    days: Sequence[date],
    places: tuple[str, ...],
    travel: Travel,
    axis: Axis,
    settings: Settings,
) -> tuple[float, Problem]:
    """The arrays: money in a unit such that prizes stay small, time in minutes, distance in 100 m."""
    highest = max((block.money for block in blocks), default=1.0)
    unit = 1 / CENTS
    while highest / unit > LARGEST_PRIZE:
        unit *= 10
    depots = len({depot for depot in crews["depot_site_id"] if depot in places})
    index = {place: number for number, place in enumerate(places)}
    # a depot site is twice on the list: as depot without entry, and as a place of work with it
    order = [*range(len(places)), *range(depots)]
    entry = np.array([_entry_minutes(site_row(sites, place)) for place in places], np.int64)
    into = np.ceil(travel.minutes[np.ix_(order, order)]).astype(np.int64)
    into += np.concatenate([np.zeros(depots, np.int64), entry[depots:], entry[:depots]])[None, :]
    np.fill_diagonal(into, 0)
    km = np.round(travel.km[np.ix_(order, order)] * 10).astype(np.int64)
    work_place = {place: (number + len(places) if number < depots else number) for place, number in index.items()}
    site_open = _site_open_days(sites, {block.site_id for block in blocks}, days)
    crew_days = [_crew_day(shift, crews, index, axis, unit, settings) for shift in shifts]
    which = [number for number, _ in offers]
    counts = pd.Series(which, dtype="int64").value_counts()
    many = {number: position for position, number in enumerate(sorted(counts.index[counts > 1]))}
    pairs = _pair_numbers(blocks, which, counts)
    chosen = [blocks[number] for number in which]
    problem = make_problem(
        into,
        np.array([block.minutes for block in chosen], np.int64),
        np.array([window for _, window in offers], np.int64).reshape(-1, 2),
        np.array([round(block.money / unit) for block in chosen], np.int64),
        crew_days,
        distance=km,
        place=np.array([work_place[block.site_id] for block in chosen], np.int64),
        allowed=_allowed(chosen, shifts, site_open),
        required=np.array([block.due is not None for block in chosen], bool),
        group=np.array([many.get(number, -1) for number in which], np.int64),
        pair=np.array([pairs.get(block.pair_id, -1) for block in chosen], np.int64),
    )
    return unit, problem


def _pair_numbers(blocks: Sequence[Block], which: Sequence[int], counts: pd.Series) -> dict[str, int]:
    """Numbers of the both-ends pairs whose two ends are one block each, offered in one window each."""
    ends = [blocks[number].pair_id for number in which if blocks[number].pair_id and counts[number] == 1]
    whole = pd.Series(ends, dtype="object").value_counts()
    return {name: number for number, name in enumerate(sorted(whole.index[whole == 2]))}


def _entry_minutes(site: pd.Series) -> float:
    entry = site["entry_min"]
    return float(np.ceil((minutes_of("entry") if pd.isna(entry) else float(entry)) + minutes_of("park")))


def _crew_day(
    shift: CrewShift, crews: pd.DataFrame, index: dict[str, int], axis: Axis, unit: float, settings: Settings
) -> CrewDay:
    crew = crews.iloc[shift.row]
    depot = index[str(crew["depot_site_id"])]
    rate = float(crew["cost_per_hour"]) / 60
    return CrewDay(
        start=depot,
        end=depot,
        opens=axis.axis(shift.shift[0]),
        closes=axis.axis(shift.shift[1]),
        overtime=int(crew["max_overtime_min"]),
        cost_per_time=max(1, round(rate / unit)),
        cost_per_distance=max(1, round(float(crew["cost_per_km"]) / 10 / unit)),
        cost_per_overtime=round(rate * (settings.overtime_factor - 1) / unit),
    )


def _site_open_days(sites: pd.DataFrame, used: set[str], days: Sequence[date]) -> dict[str, list[bool]]:
    open_days = {}
    for site_id in used:
        allowed = parts_of(sites.loc[site_id, "access_days"])
        open_days[site_id] = [not allowed or weekday_of(day) in allowed for day in days]
    return open_days


def _allowed(blocks: Sequence[Block], shifts: Sequence[CrewShift], site_open: dict[str, list[bool]]) -> np.ndarray:
    crew = np.array([shift.row for shift in shifts])
    day = np.array([shift.day for shift in shifts])
    allowed = np.zeros((len(blocks), len(shifts)), bool)
    for number, block in enumerate(blocks):
        able = np.array(block.allowed)[crew] & np.array(site_open[block.site_id])[day]
        allowed[number] = able & (day <= block.due) if block.due is not None else able
    return allowed


__all__ = ["DAY", "CrewShift", "PlanInput", "PlanResult", "Week", "default_stop", "make_week", "plan_week"]
