"""Sixteen public orienteering cases: gap to the best known, certified gap, beside the engine's default use.

Run by hand: python -m tests.speed.toptw [--seconds 10] [--seeds 1] [--cases r104:1,...] [--wall]
Seconds are those of this process by default, because machines are shared; --wall counts the clock on the wall.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace

import numpy as np

from planner.routes.bounds import BoundEffort
from planner.routes.problem import Problem, Stop
from planner.routes.solving import repaired, solve
from tests.reference.orienteering_cases import CASES, FOLDER, best_known, read_case
from tests.speed.routing_engine import propose_routes

EFFORT = BoundEffort(rounds=100_000, labels=6_000_000, good_enough=0.0)


def default_score(problem: Problem, stop: Stop, seed: int) -> int:
    """Score of the engine fed with the prizes as they stand and distance at its default price of 1."""
    priced = replace(problem, crews=tuple(replace(crew, cost_per_distance=1) for crew in problem.crews))
    proposal = propose_routes(priced, stop, seed, default_use=True)
    return sum(int(problem.prize[job]) for leg in repaired(problem, proposal.routes) for job in leg.jobs)


def main() -> None:
    """Print one line per case and seed, then the means."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--cases", default="")
    parser.add_argument("--wall", action="store_true")
    parser.add_argument("--no-default", action="store_true", help="skip the engine's default use")
    options = parser.parse_args()
    if not FOLDER.exists():
        print(f"skipped: no public instances at {FOLDER}")
        return
    wanted = [(name, int(m)) for name, m in (case.split(":") for case in options.cases.split(",") if case)] or CASES
    stop = Stop(seconds=options.seconds, cpu=not options.wall)
    gaps, certified, plain = [], [], []
    for name, crews in wanted:
        problem, known = read_case(name, crews), best_known(name, crews)
        for seed in range(1, options.seeds + 1):
            began = time.process_time()
            plan = solve(problem, stop, seed, effort=EFFORT)
            spent = time.process_time() - began
            gaps.append(100 * (1 - plan.benefit / known))
            certified.append(100 * plan.gap)
            text = f"{name:6} m={crews} seed {seed}: {plan.benefit:5} of {known:5}, gap {gaps[-1]:5.2f} %, "
            text += f"certified {certified[-1]:6.2f} % ({plan.upper_bound:.1f}), {spent:.1f} s"
            if not options.no_default:
                plain.append(100 * (1 - default_score(problem, stop, seed) / known))
                text += f"; engine's default use {plain[-1]:6.2f} %"
            print(text, flush=True)
    print(f"mean gap {np.mean(gaps):.3f} %, worst {max(gaps):.2f} %, mean certified gap {np.mean(certified):.2f} %")
    if plain:
        print(f"engine's default use: mean gap {np.mean(plain):.2f} %")


if __name__ == "__main__":
    main()
