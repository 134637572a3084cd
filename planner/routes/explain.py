"""Why a job was left out, in words and figures."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.routes.calendar import clock_of_minutes, weekday_of
from planner.routes.planning import PlanResult, Week
from planner.routes.schedule import time_leg


def left_out_frame(result: PlanResult, plan_id: str) -> pd.DataFrame:
    """Rows of `plan_left_out`: every job that is not in the plan, with what it would have taken."""
    week, plan = result.week, result.plan
    done = {week.offers[job][0] for leg in plan.legs for job in leg.jobs}
    offered: dict[int, int] = {}
    for offer, (block, _) in enumerate(week.offers):
        offered.setdefault(block, offer)
    missing = [(block, offer) for block, offer in offered.items() if block not in done]
    reasons = _reasons(week, result, np.array([offer for _, offer in missing], np.int64))
    rows = [week.left_out]
    for (block, _), reason in zip(missing, reasons, strict=True):
        jobs = week.jobs.iloc[list(week.blocks[block].jobs)]
        rows.append(
            jobs[["connector_id", "site_id", "worth"]].rename(columns={"worth": "benefit"}).assign(reason=reason)
        )
    frame = pd.concat(rows, ignore_index=True) if rows else week.left_out
    frame.insert(0, "plan_id", plan_id)
    frame["benefit"] = frame["benefit"].astype(float).round(2)
    return frame.sort_values(["benefit", "connector_id"], ascending=[False, True], ignore_index=True)


def _reasons(week: Week, result: PlanResult, offers: NDArray[np.int64]) -> list[str]:
    if not len(offers):
        return []
    problem, plan = week.problem, result.plan
    detour = _cheapest_detour(week, result, offers)
    own_day = _own_day_cost(week, offers)
    least_cost = _least_cost(week, offers)
    spare = [
        (problem.crews[leg.crew].latest_return - leg.returns + _slack_before(week, leg.crew, leg.departs), leg.crew)
        for leg in plan.legs
    ]
    used = {leg.crew for leg in plan.legs}
    spare += [(crew.length + crew.overtime, number) for number, crew in enumerate(problem.crews) if number not in used]
    best_spare, best_crew = max(spare, default=(0, -1))
    best_words = ""
    if best_crew >= 0:
        shift = week.shifts[best_crew]
        best_words = f"{shift.crew_id} on {weekday_of(week.days[shift.day])} {week.days[shift.day]:%d %b}"
    reasons = []
    for position, offer in enumerate(offers):
        need = int(detour[position])
        prize, cost = int(problem.prize[offer]) * week.unit, float(least_cost[position]) * week.unit
        way = need - int(problem.service[offer])
        if not _doable_alone(week, int(offer)):
            window = week.blocks[week.offers[int(offer)][0]].window
            when = "on a day with access"
            if window is not None:
                when = f"within the change window {clock_of_minutes(window[0])}-{clock_of_minutes(window[1])}"
            reasons.append(f"no crew can get there, do the work and be back within a shift {when}")
        elif prize <= cost:
            reasons.append(f"travel and work cost {cost:.0f}, more than it is worth ({prize:.0f})")
        elif week.blocks[week.offers[int(offer)][0]].pair_id:
            reasons.append(
                f"needs its far end too ({week.blocks[week.offers[int(offer)][0]].pair_id}); both together did not fit"
            )
        elif need > best_spare:
            pays = "; would pay with one more crew-day" if prize > float(own_day[position]) * week.unit else ""
            reasons.append(
                f"needs {need} min ({way} of them on the way); most time left is {best_spare} min ({best_words}){pays}"
            )
        else:
            trip = float(own_day[position]) * week.unit
            alone = f"a trip of its own costs {trip:.0f} (worth {prize:.0f}), and " if trip >= prize else ""
            reasons.append(
                f"needs {need} min ({way} of them on the way) within its hours: {alone}it fits no planned day without "
                "giving up more than it is worth"
            )
    return reasons


def _slack_before(week: Week, crew: int, departs: int) -> int:
    return departs - week.problem.crews[crew].opens


def _cheapest_detour(week: Week, result: PlanResult, offers: NDArray[np.int64]) -> NDArray[np.int64]:
    """Extra minutes of each offer at its best place in any planned day, or in a day of its own, shape (offers,)."""
    problem = week.problem
    place = problem.place[offers]
    best = np.min(
        [problem.travel[crew.start, place] + problem.travel[place, crew.end] for crew in problem.crews], axis=0
    )
    for leg in result.plan.legs:
        crew = problem.crews[leg.crew]
        way = np.array([crew.start, *(problem.place[job] for job in leg.jobs), crew.end])
        extra = (
            problem.travel[way[:-1][:, None], place[None, :]]
            + problem.travel[place[None, :], way[1:][:, None]]
            - problem.travel[way[:-1], way[1:]][:, None]
        )
        best = np.minimum(best, extra.min(axis=0))
    return np.asarray(best + problem.service[offers])


def _own_day_cost(week: Week, offers: NDArray[np.int64]) -> NDArray[np.float64]:
    """Least a day that does nothing but this offer costs, shape (offers,)."""
    problem = week.problem
    place = problem.place[offers]
    return np.asarray(
        np.min(
            [
                crew.cost_per_time
                * (problem.travel[crew.start, place] + problem.service[offers] + problem.travel[place, crew.end])
                + crew.cost_per_distance * (problem.distance[crew.start, place] + problem.distance[place, crew.end])
                for crew in problem.crews
            ],
            axis=0,
        ),
        float,
    )


def _least_cost(week: Week, offers: NDArray[np.int64]) -> NDArray[np.float64]:
    """Least an offer can cost: its own work, plus half its shortest ways in and out among all places."""
    problem = week.problem
    place = problem.place[offers]
    crew_rate = min(crew.cost_per_time for crew in problem.crews)
    road_rate = min(crew.cost_per_distance for crew in problem.crews)
    used = np.unique(np.concatenate([problem.place, [crew.start for crew in problem.crews]]))
    travel = problem.travel[np.ix_(place, used)].astype(float)
    road = problem.distance[np.ix_(place, used)].astype(float)
    travel[place[:, None] == used[None, :]] = np.inf
    road[place[:, None] == used[None, :]] = np.inf
    shares = np.array([(problem.place == where).sum() for where in place])
    way = np.where(shares > 1, 0.0, crew_rate * travel.min(axis=1) + road_rate * road.min(axis=1))
    return np.asarray(crew_rate * problem.service[offers] + way)


def _doable_alone(week: Week, offer: int) -> bool:
    return any(time_leg(week.problem, crew, [offer]) is not None for crew in range(len(week.problem.crews)))
