"""Small plans against the exact optimum, found by trying every set and order of jobs."""

from __future__ import annotations

from itertools import combinations, permutations

import numpy as np
import pytest

from planner.routes.bounds import BoundEffort, ColumnGeneration, knapsack_bound, shortest_closure
from planner.routes.problem import CrewDay, Problem, Stop, make_problem
from planner.routes.schedule import leg_cost, time_leg
from planner.routes.solving import solve


def small_problem(seed: int, jobs: int, crews: int, *, pure: bool = False, pair: bool = False) -> Problem:
    """A few jobs with windows around one depot."""
    random = np.random.default_rng(seed)
    xy = random.uniform(0, 30, (jobs + 1, 2))
    travel = np.ceil(np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))).astype(np.int64)
    np.fill_diagonal(travel, 0)
    opens = random.integers(0, 60, jobs)
    day = CrewDay(jobs, jobs, 0, 120, *((0, 0, 0) if pure else (0, 6, 4)))
    return make_problem(
        travel,
        random.integers(5, 25, jobs),
        np.stack([opens, opens + random.integers(10, 90, jobs)], axis=1),
        random.integers(10, 60, jobs) * (1 if pure else 20),
        [day] * crews,
        pair=np.where(np.arange(jobs) < 2, 0, -1) if pair else None,
    )


def best_by_enumeration(problem: Problem) -> int:
    """The highest value over every assignment of job sets to one or two equal crew-days, and every order."""
    jobs = range(problem.jobs)
    best_of_set: dict[frozenset[int], int] = {frozenset(): 0}
    for count in range(1, problem.jobs + 1):
        for chosen in combinations(jobs, count):
            values = []
            for order in permutations(chosen):
                leg = time_leg(problem, 0, order)
                if leg is not None:
                    values.append(int(problem.prize[list(order)].sum()) - leg_cost(problem, leg))
            if values:
                best_of_set[frozenset(chosen)] = max(values)
    best = 0
    one = list(best_of_set.items())
    paired = {job for job in jobs if problem.pair[job] >= 0}
    pool = one if len(problem.crews) == 1 else [(a | b, x + y) for a, x in one for b, y in one if not a & b]
    for done, value in pool:
        if not paired or paired <= done or not paired & done:
            best = max(best, value)
    return best


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("crews", [1, 2])
@pytest.mark.parametrize("pure", [False, True])
def test_small_plans_are_optimal_and_their_bound_is_valid(seed: int, crews: int, pure: bool) -> None:
    """With six jobs the plan reaches the enumerated optimum, and no bound is below it."""
    problem = small_problem(seed, 6, crews, pure=pure)
    optimum = best_by_enumeration(problem)
    plan = solve(problem, Stop(iterations=300), seed, effort=BoundEffort(labels=100_000, good_enough=0))
    assert plan.value == optimum
    assert plan.upper_bound >= optimum
    assert knapsack_bound(problem, np.arange(problem.jobs)) >= optimum


@pytest.mark.parametrize("seed", range(4))
def test_plans_with_a_both_ends_pair_are_optimal(seed: int) -> None:
    """Two of six jobs count only together: the plan still reaches the enumerated optimum, 0 pairs broken."""
    problem = small_problem(seed, 6, 2, pair=True)
    plan = solve(problem, Stop(iterations=300), seed, effort=BoundEffort(labels=100_000, good_enough=0))
    assert plan.value == best_by_enumeration(problem)


@pytest.mark.parametrize("seed", range(5))
def test_a_bound_stopped_early_is_still_valid(seed: int) -> None:
    """After any number of rounds the bound lies at or above the enumerated optimum."""
    problem = small_problem(seed, 6, 2)
    optimum = best_by_enumeration(problem)
    for rounds in (1, 2, 3, 5, 9):
        generation = ColumnGeneration(problem, np.arange(problem.jobs), BoundEffort(rounds=rounds, labels=50_000))
        assert generation.run() >= optimum - 1e-6


def test_the_closure_is_the_shortest_way() -> None:
    """Shortest ways over all places agree with scipy's Floyd and Warshall."""
    from scipy.sparse.csgraph import floyd_warshall

    random = np.random.default_rng(3)
    matrix = random.integers(1, 50, (12, 12))
    np.fill_diagonal(matrix, 0)
    assert np.array_equal(shortest_closure(matrix), floyd_warshall(matrix).astype(np.int64))
