"""Proven upper bounds on what any plan of given crew-days can be worth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.progress import Progress
from planner.routes.problem import IntArray, Leg, Problem


@dataclass(frozen=True)
class BoundEffort:
    """How much work the column generation may take."""

    rounds: int = 60
    seconds: float | None = None
    largest: int = 220


@dataclass(frozen=True)
class Bound:
    """A proven bound on the value, and how it was found."""

    value: float
    kind: str


def upper_bound_of(
    problem: Problem, reachable: IntArray, kept: IntArray, legs: Sequence[Leg], effort: BoundEffort, progress: Progress
) -> Bound:
    """An upper bound on the value of any plan for `problem`."""
    progress(0.0, "bounding")
    return Bound(knapsack_bound(problem, reachable), "knapsack (loose: physical limit)")


def knapsack_bound(problem: Problem, jobs: IntArray) -> float:
    """Fractional knapsack over all crew time: each job takes its work plus half its cheapest way in and out."""
    if not len(jobs) or not problem.crews:
        return 0.0
    ends = sorted({place for crew in problem.crews for place in (crew.start, crew.end)})
    places = np.concatenate([problem.place[jobs], np.array(ends, np.int64)])
    between = problem.travel[np.ix_(problem.place[jobs], places)].astype(float)
    back = problem.travel[np.ix_(places, problem.place[jobs])].T.astype(float)
    own = np.arange(len(jobs))
    between[own, own] = np.inf
    back[own, own] = np.inf
    way = between.min(axis=1) / 2 + back.min(axis=1) / 2
    rate = min(crew.cost_per_time for crew in problem.crews)
    minutes = problem.service[jobs] + way
    worth = problem.prize[jobs] - rate * minutes
    budget = float(sum(crew.length + crew.overtime for crew in problem.crews))
    order = np.argsort(-worth / np.maximum(minutes, 1e-9), kind="stable")
    worth, minutes = worth[order], minutes[order]
    good = worth > 0
    worth, minutes = worth[good], minutes[good]
    before = np.concatenate([[0.0], np.cumsum(minutes)])[:-1]
    share = np.clip((budget - before) / np.maximum(minutes, 1e-9), 0.0, 1.0)
    return float((worth * share).sum())
