"""Public orienteering instances: proven optima are reached or never exceeded, and every bound is above them."""

from __future__ import annotations

import numpy as np
import pytest
from orienteering_cases import FOLDER, best_known, read_case

from planner.routes.bounds import BoundEffort, ColumnGeneration
from planner.routes.checker import faults_of_plan
from planner.routes.problem import Stop
from planner.routes.solving import solve

pytestmark = pytest.mark.skipif(not FOLDER.exists(), reason=f"no public instances at {FOLDER}")

# Optimal scores for one crew, from the logs of the exact algorithm by Righini and Salani.
OPTIMA = {"c101": 320, "r101": 198, "rc101": 219, "pr01": 308}


@pytest.mark.parametrize("name", ["c101", "rc101", "pr01"])
def test_the_proven_optimum_is_reached_and_bounded(name: str) -> None:
    """One crew: the plan has the optimal score of the exact algorithm, and the bound is not below it."""
    problem = read_case(name, 1)
    plan = solve(problem, Stop(iterations=1500), 1, effort=BoundEffort(rounds=40, labels=400_000))
    assert plan.benefit == OPTIMA[name] == best_known(name, 1)
    assert plan.upper_bound >= OPTIMA[name]
    assert faults_of_plan(problem, plan.legs, claimed_benefit=plan.benefit, claimed_cost=0) == []


@pytest.mark.parametrize(("name", "crews"), [("r101", 4), ("rc101", 2), ("c101", 4)])
def test_column_generation_proves_known_best_scores(name: str, crews: int) -> None:
    """The bound closes on the best known score from above: it is within 1 % of it, never below."""
    problem = read_case(name, crews)
    generation = ColumnGeneration(problem, np.arange(problem.jobs), BoundEffort(rounds=150, labels=800_000))
    bound = generation.run()
    known = best_known(name, crews)
    assert known <= bound + 1e-6
    assert bound <= 1.01 * known
