"""When a crew-day's jobs start, and what the day costs: the timing the plan is published with."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from planner.routes.problem import Leg, Problem


def time_leg(problem: Problem, crew: int, jobs: Sequence[int]) -> Leg | None:
    """Times of a crew-day that does `jobs` in that order; None if it cannot.

    The crew leaves as late as the earliest possible return allows, so that it waits at its depot rather than
    on the road (waiting is paid).
    """
    day = problem.crews[crew]
    travel = problem.travel
    clock, place, latest = day.opens, day.start, day.latest_return
    slack = latest - day.opens
    waited = 0
    starts: list[int] = []
    for job in jobs:
        if not problem.allowed[job, crew]:
            return None
        clock += int(travel[place, problem.place[job]])
        opens = int(problem.opens[job])
        if clock < opens:
            waited += opens - clock
            clock = opens
        if clock > problem.closes[job]:
            return None
        # the day's start may slip by this much: up to what the windows so far allow
        slack = min(slack, waited + int(problem.closes[job]) - clock)
        starts.append(clock)
        clock += int(problem.service[job])
        place = int(problem.place[job])
    clock += int(travel[place, day.end])
    if clock > latest:
        return None
    # leaving later than `opens` by the time waited shortens the day without a later return
    shift = min(waited, slack)
    departs = day.opens + shift
    if shift:
        moved = departs
        place = day.start
        for number, job in enumerate(jobs):
            moved = max(moved + int(travel[place, problem.place[job]]), int(problem.opens[job]))
            starts[number] = moved
            moved += int(problem.service[job])
            place = int(problem.place[job])
        clock = moved + int(travel[place, day.end])
    if clock - departs > day.length + day.overtime:
        return None
    return Leg(crew, tuple(int(job) for job in jobs), departs, tuple(starts), clock)


def leg_cost(problem: Problem, leg: Leg) -> int:
    """Money a crew-day costs: distance, paid time, overtime and the fixed part; 0 if it stays at home."""
    if not leg.jobs:
        return 0
    day = problem.crews[leg.crew]
    places = [day.start, *(int(problem.place[job]) for job in leg.jobs), day.end]
    metres = sum(int(problem.distance[a, b]) for a, b in itertools.pairwise(places))
    spent = leg.returns - leg.departs
    over = max(0, spent - day.length)
    return day.fixed_cost + metres * day.cost_per_distance + spent * day.cost_per_time + over * day.cost_per_overtime


def legs_value(problem: Problem, legs: Sequence[Leg]) -> tuple[int, int]:
    """Prizes collected and money spent by a plan."""
    benefit = sum(int(problem.prize[job]) for leg in legs for job in leg.jobs)
    return benefit, sum(leg_cost(problem, leg) for leg in legs)
