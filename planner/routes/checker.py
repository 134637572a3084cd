"""Independent check of a plan against the rules; shares no code with the planning.

Every rule is written out again from its definition. A plan with any fault is never published.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from planner.routes.problem import Leg, Problem


def faults_of_plan(
    problem: Problem, legs: Sequence[Leg], *, claimed_benefit: int | None = None, claimed_cost: int | None = None
) -> list[str]:
    """Every rule the plan breaks, in words; an empty list means the plan is feasible and its figures are right.

    Rules: a job is done at most once and, of alternatives, only one; each crew-day goes out at most once;
    work starts inside the job's window, after arrival; travel takes at least the matrix time; the day starts
    and ends within the shift and its overtime; the crew may do the job (skills, kit, day); required jobs are
    done; of a both-ends pair both or none are done; benefit and cost are what the parts add up to.
    """
    faults = [*_counting_faults(problem, legs)]
    spent_total = benefit_total = 0
    for leg in legs:
        faults += _day_faults(problem, leg)
        crew = problem.crews[leg.crew]
        if leg.jobs:
            stops = [crew.start] + [problem.place[job] for job in leg.jobs] + [crew.end]
            road = sum(problem.distance[stops[k], stops[k + 1]] for k in range(len(stops) - 1))
            hours = leg.returns - leg.departs
            beyond = hours - (crew.closes - crew.opens)
            spent_total += crew.fixed_cost + int(road) * crew.cost_per_distance + hours * crew.cost_per_time
            spent_total += crew.cost_per_overtime * beyond if beyond > 0 else 0
        for job in leg.jobs:
            benefit_total += int(problem.prize[job])
    if claimed_benefit is not None and claimed_benefit != benefit_total:
        faults.append(f"benefit: claimed {claimed_benefit}, the jobs add up to {benefit_total}")
    if claimed_cost is not None and claimed_cost != spent_total:
        faults.append(f"cost: claimed {claimed_cost}, the days add up to {spent_total}")
    return faults


def _counting_faults(problem: Problem, legs: Sequence[Leg]) -> list[str]:
    faults = []
    done = Counter(job for leg in legs for job in leg.jobs)
    faults += [f"job {job}: planned {times} times" for job, times in done.items() if times > 1]
    out = Counter(leg.crew for leg in legs)
    faults += [f"crew-day {crew}: sent out {times} times" for crew, times in out.items() if times > 1]
    groups = Counter(int(problem.group[job]) for job in done if problem.group[job] >= 0)
    faults += [f"alternatives {group}: {times} of them planned" for group, times in groups.items() if times > 1]
    ends = Counter(int(problem.pair[job]) for job in done if problem.pair[job] >= 0)
    faults += [f"pair {pair}: only one end is planned" for pair, times in ends.items() if times != 2]
    done_groups = set(groups)
    for job in range(problem.jobs):
        if problem.required[job] and job not in done and int(problem.group[job]) not in done_groups:
            faults.append(f"job {job}: required but not planned")
    return faults


def _day_faults(problem: Problem, leg: Leg) -> list[str]:
    crew = problem.crews[leg.crew]
    name = f"crew-day {leg.crew}"
    faults = []
    if len(leg.starts) != len(leg.jobs):
        return [f"{name}: {len(leg.jobs)} jobs but {len(leg.starts)} times"]
    if leg.departs < crew.opens:
        faults.append(f"{name}: leaves at {leg.departs}, before the shift at {crew.opens}")
    if leg.returns > crew.closes + crew.overtime:
        faults.append(f"{name}: returns at {leg.returns}, after the latest at {crew.closes + crew.overtime}")
    if leg.returns - leg.departs > crew.closes - crew.opens + crew.overtime:
        faults.append(f"{name}: {leg.returns - leg.departs} long, allowed {crew.closes - crew.opens + crew.overtime}")
    free_at, at = leg.departs, crew.start
    for job, start in zip(leg.jobs, leg.starts, strict=True):
        arrives = free_at + problem.travel[at, problem.place[job]]
        if start < arrives:
            faults.append(f"{name}, job {job}: starts at {start}, arrives only at {arrives}")
        if not problem.opens[job] <= start <= problem.closes[job]:
            faults.append(f"{name}, job {job}: starts at {start}, outside {problem.opens[job]}..{problem.closes[job]}")
        if not problem.allowed[job, leg.crew]:
            faults.append(f"{name}, job {job}: not allowed for this crew on this day")
        free_at, at = start + problem.service[job], problem.place[job]
    if leg.returns < free_at + problem.travel[at, crew.end]:
        faults.append(
            f"{name}: returns at {leg.returns}, but can be back only at {free_at + problem.travel[at, crew.end]}"
        )
    return faults
