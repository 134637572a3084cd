"""Planning at size: thousands of jobs and many crew-days, against the engine's plain use and a longer run.

Run by hand: python -m tests.speed.routing [--jobs 2000 --crew-days 50 --seconds 60] [--longer 1] [--plain]
`--longer 10` also plans with ten times the seconds and prints what share of that value the plan reaches.
The region is made up: 120 x 120 km, clustered sites, 5 depots, a quarter of the jobs need a skill that half of the
crews have, 40 % half-day windows, log-normal prizes, shifts of 8 hours. Seconds are those of this process.
"""

from __future__ import annotations

import argparse
import resource
import time

import numpy as np

from planner.routes.bounds import BoundEffort, knapsack_bound
from planner.routes.problem import CrewDay, Problem, Stop, make_problem
from planner.routes.schedule import legs_value
from planner.routes.solving import repaired, solve
from tests.speed.routing_engine import propose_routes


def region(jobs: int, crew_days: int, seed: int) -> Problem:
    """A made-up region; times in minutes, distances in 100 m, money in cents."""
    random = np.random.default_rng(seed)
    centres = random.uniform(0, 120, (30, 2))
    depots = random.uniform(20, 100, (5, 2))
    xy = np.concatenate([depots, centres[random.integers(0, 30, jobs)] + random.normal(0, 6, (jobs, 2))])
    km = 1.3 * np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))
    minutes = np.ceil(km / 50 * 60 + 12).astype(np.int64)
    np.fill_diagonal(minutes, 0)
    half = random.random(jobs) < 0.4
    late = random.random(jobs) < 0.5
    service = random.integers(15, 60, jobs)
    opens = np.where(half & late, 720, 480)
    closes = np.where(half & ~late, 720, 960) - service
    skilled = random.random(jobs) < 0.25
    able = np.arange(crew_days) % 2 == 0
    days = [
        CrewDay(number % 5, number % 5, 480, 960, cost_per_time=100, cost_per_distance=6) for number in range(crew_days)
    ]
    return make_problem(
        minutes,
        service,
        np.stack([opens, closes], axis=1),
        np.round(random.lognormal(9.6, 1.0, jobs)).astype(np.int64).clip(0, 10**6),
        days,
        distance=np.round(km * 10).astype(np.int64),
        place=np.arange(5, jobs + 5),
        allowed=~skilled[:, None] | able[None, :],
    )


def main() -> None:
    """Plan once; print value, share of the bound and of a longer run, seconds and memory."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--jobs", type=int, default=2000)
    parser.add_argument("--crew-days", type=int, default=50)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--longer", type=float, default=0.0)
    parser.add_argument("--plain", action="store_true", help="also the engine on all jobs, equal time")
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    problem = region(options.jobs, options.crew_days, options.seed)
    began = time.process_time()
    plan = solve(problem, Stop(seconds=options.seconds, cpu=True), 1, effort=BoundEffort(rounds=0))
    print(
        f"{options.jobs} jobs x {options.crew_days} crew-days: net {plan.value / 100:,.0f}, {plan.kept} jobs offered, "
        f"{plan.iterations} iterations, {time.process_time() - began:.1f} s, loose bound "
        f"{knapsack_bound(problem, np.arange(problem.jobs)) / 100:,.0f}",
        flush=True,
    )
    if options.plain:
        proposal = propose_routes(problem, Stop(seconds=options.seconds, cpu=True), 1)
        benefit, cost = legs_value(problem, repaired(problem, proposal.routes))
        plain = benefit - cost
        print(f"engine on all jobs, equal time: net {plain / 100:,.0f}; ratio {plan.value / plain:.3f}")
    if options.longer:
        longer = solve(
            problem, Stop(seconds=options.longer * options.seconds, cpu=True), 1, effort=BoundEffort(rounds=0)
        )
        print(
            f"{options.longer:g} times longer: net {longer.value / 100:,.0f}; reached {plan.value / longer.value:.2%}"
        )
    print(f"largest memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} GB")


if __name__ == "__main__":
    main()
