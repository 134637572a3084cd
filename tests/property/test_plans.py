"""What holds for every plan: the checker finds nothing, pairs are whole, more crews never hurt, seeds repeat."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from planner.routes.bounds import BoundEffort
from planner.routes.checker import faults_of_plan
from planner.routes.problem import CrewDay, Problem, Stop, make_problem
from planner.routes.schedule import time_leg
from planner.routes.solving import solve

FEW = settings(max_examples=15, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
STOP = Stop(iterations=60)
EFFORT = BoundEffort(rounds=25, labels=100_000)


def random_problem(seed: int, jobs: int, crews: int, *, pairs: int = 0, groups: int = 0, required: int = 0) -> Problem:
    """Jobs on a 40 x 40 plane, half with narrow windows, a third closed to some crews; shifts of 240, some overtime."""
    random = np.random.default_rng(seed)
    xy = random.uniform(0, 40, (jobs + 2, 2))
    travel = np.ceil(np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))).astype(np.int64)
    np.fill_diagonal(travel, 0)
    opens = np.where(random.random(jobs) < 0.5, random.integers(0, 150, jobs), 0)
    closes = np.where(opens > 0, opens + random.integers(10, 80, jobs), 240)
    allowed = random.random((jobs, crews)) < 0.85
    pair, group, must = np.full(jobs, -1), np.full(jobs, -1), np.zeros(jobs, bool)
    order = random.permutation(jobs)
    for number in range(pairs):
        pair[order[2 * number : 2 * number + 2]] = number
    for number in range(groups):
        group[order[2 * (pairs + number) : 2 * (pairs + number) + 2]] = number
    must[order[-required:]] = required > 0
    days = [
        CrewDay(
            start=jobs + number % 2,
            end=jobs + (number // 2) % 2,
            opens=10 * (number % 3),
            closes=240,
            overtime=30 * (number % 2),
            cost_per_time=10,
            cost_per_distance=4,
            cost_per_overtime=5,
        )
        for number in range(crews)
    ]
    return make_problem(
        travel,
        random.integers(5, 30, jobs),
        np.stack([opens, closes], axis=1),
        random.integers(100, 1500, jobs),
        days,
        allowed=allowed,
        pair=pair,
        group=group,
        required=must,
    )


@FEW
@given(
    st.integers(0, 10_000),
    st.integers(4, 25),
    st.integers(1, 4),
    st.integers(0, 2),
    st.integers(0, 1),
    st.integers(0, 2),
)
def test_every_plan_passes_the_independent_checker(
    seed: int, jobs: int, crews: int, pairs: int, groups: int, required: int
) -> None:
    """Windows, shifts, skills, alternatives, both ends, money: the checker finds no fault; the bound is not below."""
    pairs, groups = min(pairs, jobs // 4), min(groups, jobs // 8)
    problem = random_problem(seed, jobs, crews, pairs=pairs, groups=groups, required=required)
    plan = solve(problem, STOP, seed, effort=EFFORT)
    reached = problem.required & ~np.isin(np.arange(jobs), plan.unserved_required)
    faults = faults_of_plan(
        problem.with_required(reached), plan.legs, claimed_benefit=plan.benefit, claimed_cost=plan.cost
    )
    assert faults == []
    assert plan.upper_bound >= plan.value


@FEW
@given(st.integers(0, 10_000), st.integers(6, 20))
def test_both_ends_are_done_or_neither(seed: int, jobs: int) -> None:
    """No plan holds one end of a pair without the other."""
    problem = random_problem(seed, jobs, 2, pairs=jobs // 3)
    plan = solve(problem, STOP, seed, effort=BoundEffort(rounds=0))
    done = [int(problem.pair[job]) for leg in plan.legs for job in leg.jobs if problem.pair[job] >= 0]
    assert all(done.count(number) == 2 for number in done)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_one_more_crew_never_lowers_the_value(seed: int) -> None:
    """A plan begun from that of the smaller crew list is worth at least as much."""
    problem = random_problem(seed, 18, 3)
    fewer = Problem(**{**problem.__dict__, "crews": problem.crews[:2], "allowed": problem.allowed[:, :2]})
    small = solve(fewer, STOP, seed, effort=BoundEffort(rounds=0))
    start = [(leg.crew, list(leg.jobs)) for leg in small.legs]
    assert solve(problem, STOP, seed, start=start, effort=BoundEffort(rounds=0)).value >= small.value


def test_the_same_seed_gives_the_same_plan() -> None:
    """Stopped by iterations, plan, bound and times repeat exactly."""
    problem = random_problem(5, 20, 3, pairs=2)
    first, second = (solve(problem, STOP, 7, effort=EFFORT) for _ in range(2))
    assert first == second


@FEW
@given(st.integers(0, 10_000), st.integers(3, 12))
def test_the_checker_finds_what_is_broken_on_purpose(seed: int, jobs: int) -> None:
    """Starting a job early, doing one twice or claiming more money is found, one fault at a time."""
    problem = random_problem(seed, jobs, 1)
    leg = next((time_leg(problem, 0, [job]) for job in range(jobs) if time_leg(problem, 0, [job]) is not None), None)
    if leg is None:
        return
    early = type(leg)(leg.crew, leg.jobs, leg.departs, (leg.departs - 1,), leg.returns)
    assert any("starts at" in fault for fault in faults_of_plan(problem, [early]))
    assert any("sent out 2 times" in fault for fault in faults_of_plan(problem, [leg, leg]))
    assert any("claimed" in fault for fault in faults_of_plan(problem, [leg], claimed_benefit=-1))
    late = type(leg)(leg.crew, leg.jobs, leg.departs, leg.starts, leg.returns + 10_000)
    assert any("returns at" in fault for fault in faults_of_plan(problem, [late]))
