"""The neighbourhood search by itself: feasible plans, repeatable, never worse than what it began with."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from planner.routes.checker import faults_of_plan
from planner.routes.neighbourhoods import NeighbourhoodSearch
from planner.routes.problem import CrewDay, Problem, Routes, Stop, make_problem
from planner.routes.schedule import legs_value, time_leg


def region(seed: int, *, costs: bool = True, pairs: int = 0, groups: int = 0) -> Problem:
    """Forty jobs on a plane, three crew-days, windows, a kit that one crew-day lacks."""
    random = np.random.default_rng(seed)
    xy = random.uniform(0, 60, (41, 2))
    travel = np.ceil(np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))).astype(np.int64)
    opens = random.integers(0, 200, 40)
    rate = {"cost_per_time": 2, "cost_per_distance": 1, "cost_per_overtime": 3, "fixed_cost": 40} if costs else {}
    pair, group = np.full(40, -1), np.full(40, -1)
    order = random.permutation(40)
    for number in range(pairs):
        pair[order[2 * number : 2 * number + 2]] = number
    for number in range(groups):
        group[order[-2 * number - 2 :][:2]] = number
    return make_problem(
        travel,
        random.integers(5, 25, 40),
        np.stack([opens, opens + random.integers(60, 250, 40)], axis=1),
        random.integers(20, 300, 40),
        [CrewDay(0, 0, 0, 300, overtime=40 if costs else 0, **rate) for _ in range(3)],
        place=np.arange(1, 41),
        allowed=np.stack([np.ones(40, bool), np.ones(40, bool), random.random(40) < 0.6], axis=1),
        pair=pair,
        group=group,
    )


def value_of(problem: Problem, routes: Routes) -> int:
    """Value of a plan after the independent checker has found no fault in it."""
    legs = [time_leg(problem, crew, jobs) for crew, jobs in routes]
    assert all(leg is not None for leg in legs)
    timed = [leg for leg in legs if leg is not None]
    benefit, cost = legs_value(problem, timed)
    assert faults_of_plan(problem, timed, claimed_benefit=benefit, claimed_cost=cost) == []
    return benefit - cost


@pytest.mark.parametrize("costs", [True, False])
def test_plans_are_feasible_and_worth_more_with_more_steps(costs: bool) -> None:
    """With pairs and alternatives each plan passes the checker, and searching on never loses value."""
    problem = region(1, costs=costs, pairs=6, groups=4)
    search = NeighbourhoodSearch(problem, 3)
    search.run(Stop(iterations=50))
    few = value_of(problem, search.best)
    search.run(Stop(iterations=1500))
    assert value_of(problem, search.best) >= few > 0


def test_the_value_it_reckons_is_the_value_of_the_plan() -> None:
    """The best value the search holds equals prizes less distance, paid time, overtime and fixed cost."""
    problem = region(2)
    search = NeighbourhoodSearch(problem, 1)
    search.run(Stop(iterations=800))
    assert value_of(problem, search.best) == round(search.best_value[0])


def test_the_same_seed_gives_the_same_plan() -> None:
    """Two searches of equal seed and steps agree job by job; another seed draws other numbers."""
    problem = region(4)
    searches = [NeighbourhoodSearch(problem, seed) for seed in (5, 5, 6)]
    for search in searches:
        search.run(Stop(iterations=700))
    assert searches[0].best == searches[1].best
    assert searches[0].state[0] != searches[2].state[0]


def test_it_goes_on_from_a_plan_and_keeps_it_if_nothing_is_better() -> None:
    """Begun from a good plan with hardly any steps, the best plan is worth at least as much."""
    problem = region(5)
    first = NeighbourhoodSearch(problem, 1)
    first.run(Stop(iterations=2000))
    second = NeighbourhoodSearch(problem, 2)
    second.begin(first.best)
    second.run(Stop(iterations=1))
    assert value_of(problem, second.best) >= value_of(problem, first.best)


def test_crew_days_met_can_be_driven() -> None:
    """Every crew-day of the pool keeps windows, shift and kit, each job once."""
    problem = region(6)
    search = NeighbourhoodSearch(problem, 1)
    search.run(Stop(iterations=500))
    met = search.routes_met(200)
    assert met
    assert all(time_leg(problem, crew, jobs) is not None and len(set(jobs)) == len(jobs) for crew, jobs in met)


def test_a_pair_may_go_to_two_crews() -> None:
    """Where one crew cannot do both ends in time, two crews do one each."""
    far = np.array([[0, 40, 40], [40, 0, 80], [40, 80, 0]])
    problem = make_problem(
        far,
        np.array([10, 10]),
        np.array([[0, 60], [0, 60]]),
        np.array([100, 0]),
        [CrewDay(0, 0, 0, 120)] * 2,
        place=np.array([1, 2]),
        pair=np.array([0, 0]),
    )
    search = NeighbourhoodSearch(problem, 1)
    search.run(Stop(iterations=200))
    assert sorted(jobs for _, jobs in search.best) == [[0], [1]]
    alone = NeighbourhoodSearch(replace(problem, crews=problem.crews[:1], allowed=problem.allowed[:, :1]), 1)
    alone.run(Stop(iterations=200))
    assert alone.best == []


def test_nothing_to_do_is_an_empty_plan() -> None:
    """Jobs that nobody can reach in time leave every crew at home."""
    problem = make_problem(
        np.array([[0, 90], [90, 0]]),
        np.array([10]),
        np.array([[0, 50]]),
        np.array([5]),
        [CrewDay(0, 0, 0, 100)],
        place=np.array([1]),
    )
    search = NeighbourhoodSearch(problem, 1)
    search.run(Stop(iterations=20))
    assert search.best == []
