"""A day already begun, planned again: done and begun stops stay, alarms go in, changes are few and listed.

No search: each alarm is put where it costs least; where nothing fits, the least worth is taken out to make room,
and put back elsewhere if it still fits. Everything else stays as promised.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from itertools import combinations

import numpy as np
import pandas as pd

from planner.errors import PlanningError
from planner.routes.bounds import knapsack_bound
from planner.routes.checker import faults_of_plan
from planner.routes.planning import PlanInput, PlanResult, Week, make_week
from planner.routes.problem import IntArray, Leg, Problem, RoutePlan
from planner.routes.schedule import leg_cost, legs_value, time_leg
from planner.routes.settings import Settings
from planner.routes.solving import cheapest_place, reachable_jobs
from planner.routes.stops import MUST

# Stops taken out of one day, at most, to make room for one alarm.
MOST_TAKEN_OUT = 2


@dataclass(frozen=True)
class Replanned:
    """The plan after the change, and every change in words."""

    result: PlanResult
    changes: tuple[str, ...]


def old_stop_keys(jobs: pd.DataFrame) -> tuple[tuple[str, str], ...]:
    """End faces of a stored plan and the stop each belongs to; `jobs` has the columns of `plan_jobs`."""
    keys = jobs["crew_id"] + "|" + jobs["day_on"] + "|" + jobs["stop_no"].astype(int).map("{:03d}".format)
    return tuple(sorted(zip(jobs["connector_id"], keys, strict=True)))


def replan(
    tables: PlanInput,
    old_stops: pd.DataFrame,
    old_jobs: pd.DataFrame,
    first: date,
    days: int,
    at: datetime,
    alarms: Sequence[tuple[str, date]],
    settings: Settings,
) -> Replanned:
    """The stored plan with `alarms` put in after the moment `at`.

    Parameters
    ----------
    tables
        Candidates must hold every end face of the old plan and of the alarms.
    old_stops, old_jobs
        Rows of `plan_stops` and `plan_jobs` of the plan in force.
    first, days
        Its days.
    at
        Now, on the plan's clock. Stops begun before it stay; nothing new starts before it.
    alarms
        End faces that must be visited and the day by which.

    Raises
    ------
    PlanningError
        The old plan cannot be read back: its sites, crews or hours changed.
    """
    fresh = tuple((name, day) for name, day in alarms if name not in set(old_jobs["connector_id"]))
    chosen = settings.changed(
        mandatory=fresh,
        keep=tuple(sorted(set(old_jobs["connector_id"]))),
        stop_keys=old_stop_keys(old_jobs),
        agreed=tuple(sorted(old_jobs.loc[old_jobs["reasons"].str.startswith(MUST), "connector_id"])),
        both_ends=False,
        audit_share=0.0,
    )
    wanted = set(chosen.keep) | {name for name, _ in fresh}
    small = replace(tables, candidates=tables.candidates[tables.candidates["connector_id"].isin(wanted)])
    week = make_week(small, first, days, chosen)
    legs, lost = _old_legs(week)
    today = (at.date() - first).days
    moment = week.axis.axis(at.hour * 60 + at.minute)
    frozen = {leg.crew: _begun(week, leg, today, moment) for leg in legs}
    problem = _alarms_to_come(week, today, moment)
    rest_of_today = _not_before(problem, legs, frozen, moment)
    on_the_day = [rest_of_today if shift.day == today else problem for shift in week.shifts]
    plan = list(legs)
    changes = [f"{key}: no longer possible, taken out" for key in lost]
    for job in np.flatnonzero(problem.required):
        plan, made = _put_in(problem, on_the_day, week, plan, int(job), frozen)
        changes += made
    offered = {name for job in range(problem.jobs) for name in _connectors(week, job)}
    reasons = dict(zip(week.left_out["connector_id"], week.left_out["reason"], strict=True))
    changes += [
        f"{name}: not planned: {reasons.get(name, 'it is not in a port of a known site')}"
        for name, _ in fresh
        if name not in offered
    ]
    changes += [f"{name}: already in the plan" for name, _ in alarms if name in set(old_jobs["connector_id"])]
    return Replanned(_result(week, problem, plan, old_stops), tuple(changes))


def _old_legs(week: Week) -> tuple[list[Leg], list[str]]:
    """The crew-days of the old plan on the new arrays; stops that can no longer be done."""
    crew_days = {(shift.crew_id, week.days[shift.day].isoformat()): n for n, shift in enumerate(week.shifts)}
    stops: dict[int, list[tuple[str, int, int]]] = {}
    lost = []
    for offer, (number, _) in enumerate(week.offers):
        key = week.blocks[number].stop_key
        if key:
            crew, day, stop = key.split("|")
            if (crew, day) in crew_days:
                crew_day = crew_days[crew, day]
                closes = int(week.problem.closes[offer])
                if closes >= week.problem.crews[crew_day].opens:
                    stops.setdefault(crew_day, []).append((stop, closes, offer))
            else:
                lost.append(f"{crew} {day} stop {int(stop)}")
    legs = []
    # at one stop, work with an earlier window comes first
    for crew_day, entries in sorted(stops.items()):
        jobs = _one_offer_each(week, [offer for _, _, offer in sorted(entries)])
        leg: Leg | None = None
        for job in jobs:
            before = () if leg is None else leg.jobs
            last = time_leg(week.problem, crew_day, (*before, job))
            timed = last or cheapest_place(week.problem, crew_day, before, job, 0)
            if timed is None:
                lost.append(_words(week, job))
            else:
                leg = timed
        if leg is not None and leg.jobs:
            legs.append(leg)
    return legs, lost


def _one_offer_each(week: Week, offers: Sequence[int]) -> list[int]:
    seen: set[int] = set()
    kept = []
    for offer in offers:
        if week.offers[offer][0] not in seen:
            seen.add(week.offers[offer][0])
            kept.append(offer)
    return kept


def _alarms_to_come(week: Week, today: int, moment: int) -> Problem:
    """The problem in which alarms go to crew-days from today on, today's only while their shift lasts."""
    problem = week.problem
    ahead = [
        shift.day > today or (shift.day == today and crew.latest_return > moment)
        for shift, crew in zip(week.shifts, problem.crews, strict=True)
    ]
    allowed = problem.allowed.copy()
    allowed[problem.required] &= np.array(ahead)
    return replace(problem, allowed=allowed)


def _not_before(problem: Problem, legs: Sequence[Leg], frozen: dict[int, int], moment: int) -> Problem:
    """The problem as today's crews find it: begun stops keep their start, all else begins after the moment.

    A crew that is still at its depot does not leave before the moment.
    """
    opens, closes = np.maximum(problem.opens, moment), problem.closes.copy()
    for leg in legs:
        begun = frozen[leg.crew]
        for job, start in zip(leg.jobs[:begun], leg.starts[:begun], strict=True):
            opens[job] = closes[job] = start
    out = {leg.crew for leg in legs if frozen[leg.crew]}
    crews = tuple(
        crew if number in out or moment <= crew.opens else replace(crew, opens=min(moment, crew.closes))
        for number, crew in enumerate(problem.crews)
    )
    return replace(problem, opens=opens, closes=closes, crews=crews)


def _begun(week: Week, leg: Leg, today: int, moment: int) -> int:
    """Number of stops of a crew-day that are done or begun; the first counts once the crew is on its way."""
    day = week.shifts[leg.crew].day
    if day != today:
        return len(leg.jobs) if day < today else 0
    return max(int(leg.departs < moment), sum(start < moment for start in leg.starts))


def _put_in(
    problem: Problem, on_the_day: Sequence[Problem], week: Week, plan: list[Leg], job: int, frozen: dict[int, int]
) -> tuple[list[Leg], list[str]]:
    """The plan with the job, by the cheapest change; and the changes in words.

    `on_the_day` holds the problem as each crew-day finds it, `problem` what the days cost.
    """
    name = _words(week, job)
    best: tuple[float, int, Leg, tuple[int, ...]] | None = None
    by_crew = {leg.crew: leg for leg in plan}
    for crew in np.flatnonzero(problem.allowed[job]).tolist():
        leg = by_crew.get(crew, Leg(crew, (), problem.crews[crew].opens, (), problem.crews[crew].opens))
        held = frozen.get(crew, 0)
        loose = [other for other in leg.jobs[held:] if not problem.required[other]]
        for count in range(min(MOST_TAKEN_OUT, len(loose)) + 1):
            for out in combinations(loose, count):
                rest = [other for other in leg.jobs if other not in out]
                timed = cheapest_place(on_the_day[crew], crew, rest, job, held)
                if timed is None:
                    continue
                loss = float(problem.prize[list(out)].sum()) + leg_cost(problem, timed) - leg_cost(problem, leg)
                if best is None or (len(out), loss) < (len(best[3]), best[0]):
                    best = (loss, crew, timed, out)
            if best is not None and len(best[3]) <= count:
                break
    if best is None:
        return plan, [f"{name}: no crew can do it in time; not planned"]
    _, crew, timed, out = best
    kept = [leg for leg in plan if leg.crew != crew] + [timed]
    changes = [f"{name}: added to {_day_words(week, crew)}"]
    for other in out:
        moved = _elsewhere(problem, on_the_day, kept, other, frozen)
        if moved is None:
            changes.append(f"{_words(week, other)}: dropped from {_day_words(week, crew)} to make room")
        else:
            kept = [leg for leg in kept if leg.crew != moved.crew] + [moved]
            changes.append(f"{_words(week, other)}: moved to {_day_words(week, moved.crew)} to make room")
    return kept, changes


def _elsewhere(
    problem: Problem, on_the_day: Sequence[Problem], plan: Sequence[Leg], job: int, frozen: dict[int, int]
) -> Leg | None:
    """A crew-day changed to hold a job that was taken out, if that still pays."""
    best: tuple[int, Leg] | None = None
    for leg in plan:
        if not problem.allowed[job, leg.crew]:
            continue
        timed = cheapest_place(on_the_day[leg.crew], leg.crew, list(leg.jobs), job, frozen.get(leg.crew, 0))
        if timed is not None:
            won = int(problem.prize[job]) - leg_cost(problem, timed) + leg_cost(problem, leg)
            if won > 0 and (best is None or won > best[0]):
                best = (won, timed)
    return None if best is None else best[1]


def _connectors(week: Week, job: int) -> list[str]:
    """End faces of an offer."""
    return [str(week.jobs["connector_id"].iloc[row]) for row in week.blocks[week.offers[job][0]].jobs]


def _words(week: Week, job: int) -> str:
    block = week.blocks[week.offers[job][0]]
    names = _connectors(week, job)
    more = f" and {len(names) - 1} more" if len(names) > 1 else ""
    return f"{names[0]}{more} at {block.site_id}"


def _day_words(week: Week, crew: int) -> str:
    shift = week.shifts[crew]
    return f"{shift.crew_id} on {week.days[shift.day].isoformat()}"


def _result(week: Week, problem: Problem, plan: Sequence[Leg], old_stops: pd.DataFrame) -> PlanResult:
    legs = tuple(sorted(plan, key=lambda leg: leg.crew))
    done = {job for leg in legs for job in leg.jobs}
    unserved = tuple(int(job) for job in np.flatnonzero(problem.required) if job not in done)
    relaxed = problem.with_required(problem.required & ~np.isin(np.arange(problem.jobs), unserved))
    benefit, cost = legs_value(problem, legs)
    faults = faults_of_plan(relaxed, legs, claimed_benefit=benefit, claimed_cost=cost)
    if faults:
        raise PlanningError(f"the changed plan breaks {len(faults)} rules and is refused: {'; '.join(faults[:5])}")
    bound = _physical_bound(problem)
    value = benefit - cost
    return PlanResult(
        replace(week, problem=problem),
        RoutePlan(
            legs=legs,
            value=value,
            benefit=benefit,
            cost=cost,
            upper_bound=max(bound, float(value)),
            gap=(max(bound, value) - value) / value if value > 0 else float("inf"),
            bound_kind="knapsack over the promised stops (loose: a physical limit)",
            seed=week.settings.seed,
            iterations=0,
            kept=problem.jobs,
            unserved_required=unserved,
            notes=(f"changed from a plan of {len(old_stops)} stops, with as few changes as possible",),
        ),
    )


def _physical_bound(problem: Problem) -> float:

    reachable: IntArray = np.flatnonzero(reachable_jobs(problem))
    return knapsack_bound(problem, reachable)
