"""A routing engine of others (PyVRP) to compare with: arrays in, ordered jobs per crew-day out.

The engine's data model changed between versions, hence this one adapter. What it gives back is only a
proposal: times, rules and money are recomputed by `planner.routes.schedule` and `planner.routes.checker`.
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, cast

import pyvrp
from pyvrp.exceptions import PenaltyBoundWarning

from planner.progress import Progress, silent
from planner.routes.problem import Problem, Routes, Stop

# Published measurements with this engine: prizes must exceed any useful detour, and stay below 10^7 for the
# default penalties; distance must never be free, or routes do not get shorter and nothing new fits in.
PRIZE_SCALE_WITHOUT_COSTS = 1_000
LARGEST_SCALED_PRIZE = 10**7


@dataclass(frozen=True)
class Proposal:
    """Routes proposed by the engine, whether it holds them feasible, iterations done."""

    routes: Routes
    feasible: bool
    iterations: int


class _UntilSpent:
    """Stops after iterations or seconds (of the wall or of this process); tells progress now and then."""

    def __init__(self, stop: Stop, progress: Progress) -> None:
        self._stop = stop
        self._clock = time.process_time if stop.cpu else time.perf_counter
        self._began = self._clock()
        self._progress = progress
        self.iterations = -1

    def __call__(self, best_cost: float) -> bool:
        self.iterations += 1
        share = 0.0
        if self._stop.iterations is not None:
            share = self.iterations / self._stop.iterations
        if self._stop.seconds is not None:
            share = max(share, (self._clock() - self._began) / self._stop.seconds)
        if self.iterations % 256 == 0:
            self._progress(min(share, 1.0), "planning routes")
        return share >= 1.0


def propose_routes(
    problem: Problem,
    stop: Stop,
    seed: int,
    *,
    start: Routes | None = None,
    pairs_together: Sequence[tuple[int, int]] = (),
    progress: Progress = silent,
    default_use: bool = False,
) -> Proposal:
    """Search for routes of high value with the engine.

    Parameters
    ----------
    problem
        The problem; groups are honoured, pairs only as far as `pairs_together` says.
    stop, seed
        End of the search and its random stream; the same seed and iterations give the same routes.
    start
        Routes to begin from; jobs of `pairs_together` in it are ignored.
    pairs_together
        Job pairs (first end, second end) offered as one shipment: both on one crew-day in that order, or none.
    default_use
        Take costs and prizes as they stand even if nothing costs anything (for comparison only).
    """
    model = _Model(problem, pairs_together, default_use)
    until = _UntilSpent(stop, progress)
    initial = model.solution_of(start) if start is not None else None
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PenaltyBoundWarning)
        result = pyvrp.solve(model.data, until, seed=seed, collect_stats=False, display=False, initial_solution=initial)
    return Proposal(model.routes_of(result.best), bool(result.is_feasible()), max(until.iterations, 0))


class _Model:
    """A problem in the engine's terms, and the way back."""

    def __init__(self, problem: Problem, pairs_together: Sequence[tuple[int, int]], default_use: bool) -> None:
        self.problem = problem
        self.pairs = list(pairs_together)
        together = {job for pair in self.pairs for job in pair}
        self.single = [job for job in range(problem.jobs) if job not in together]
        self.position = {job: position for position, job in enumerate(self.single)}
        pure = problem.costs_nothing and not default_use
        largest = int(problem.prize.max()) if problem.jobs else 0
        self.scale = max(1, min(PRIZE_SCALE_WITHOUT_COSTS, LARGEST_SCALED_PRIZE // max(largest, 1))) if pure else 1
        self.slope = 1 if pure else 0  # price of distance where the problem has none
        self.classes, self.class_of = _crew_classes(problem)
        self.types = _vehicle_types(problem)
        self.data = self._build()

    def _build(self) -> pyvrp.ProblemData:
        problem = self.problem
        locations = [pyvrp.Location(0, 0) for _ in range(len(problem.travel))]
        depots, depot_of = self._depots()
        plenty = problem.jobs + 1
        kinds = []
        for days in self.types:
            crew = problem.crews[days[0]]
            kinds.append(
                pyvrp.VehicleType(
                    num_available=len(days),
                    capacity=[plenty if allowed[days[0]] else 0 for allowed in self.classes],
                    start_depot=depot_of[crew.start],
                    end_depot=depot_of[crew.end],
                    fixed_cost=crew.fixed_cost,
                    tw_early=crew.opens,
                    tw_late=crew.latest_return,
                    shift_duration=crew.length,
                    max_overtime=crew.overtime,
                    unit_distance_cost=crew.cost_per_distance + self.slope,
                    unit_duration_cost=crew.cost_per_time,
                    unit_overtime_cost=crew.cost_per_overtime,
                )
            )
        groups = self._groups()
        group_at = {number: position for position, number in enumerate(groups)}
        clients = [self._client(job, group_at) for job in self.single]
        return pyvrp.ProblemData(
            locations=locations,
            clients=clients,
            depots=depots,
            vehicle_types=kinds,
            distance_matrices=[cast("Any", problem.distance)],
            duration_matrices=[cast("Any", problem.travel)],
            groups=[
                pyvrp.ClientGroup([self.position[job] for job in members], required=required)
                for members, required in groups.values()
            ],
            shipments=[self._shipment(first, second) for first, second in self.pairs],
        )

    def _depots(self) -> tuple[list[pyvrp.Depot], dict[int, int]]:
        places = sorted({place for crew in self.problem.crews for place in (crew.start, crew.end)})
        return [pyvrp.Depot(place) for place in places], {place: number for number, place in enumerate(places)}

    def _groups(self) -> dict[int, tuple[list[int], bool]]:
        groups: dict[int, tuple[list[int], bool]] = {}
        for job in self.single:
            number = int(self.problem.group[job])
            if number >= 0:
                members, required = groups.get(number, ([], False))
                groups[number] = ([*members, job], required or bool(self.problem.required[job]))
        return groups

    def _load(self, *jobs: int) -> list[int]:
        return [int(any(self.class_of[job] == number for job in jobs)) for number in range(len(self.classes))]

    def _client(self, job: int, group_at: dict[int, int]) -> pyvrp.Client:
        problem = self.problem
        number = int(problem.group[job])
        return pyvrp.Client(
            location=int(problem.place[job]),
            delivery=self._load(job),
            service_duration=int(problem.service[job]),
            tw_early=int(problem.opens[job]),
            tw_late=int(max(problem.closes[job], problem.opens[job])),
            prize=int(problem.prize[job]) * self.scale,
            required=bool(problem.required[job]) and number < 0,
            group=group_at.get(number),
        )

    def _shipment(self, first: int, second: int) -> pyvrp.Shipment:
        problem = self.problem
        return pyvrp.Shipment(
            pickup_location=int(problem.place[first]),
            delivery_location=int(problem.place[second]),
            pickup_tw_early=int(problem.opens[first]),
            pickup_tw_late=int(problem.closes[first]),
            pickup_service_duration=int(problem.service[first]),
            delivery_tw_early=int(problem.opens[second]),
            delivery_tw_late=int(problem.closes[second]),
            delivery_service_duration=int(problem.service[second]),
            amount=self._load(first, second),
            prize=int(problem.prize[first] + problem.prize[second]) * self.scale,
            required=bool(problem.required[first] or problem.required[second]),
        )

    def solution_of(self, routes: Routes) -> pyvrp.Solution:
        """The engine's solution that drives these routes; jobs of pairs offered together are left out."""
        free = {kind: len(days) for kind, days in enumerate(self.types)}
        kind_of = {day: kind for kind, days in enumerate(self.types) for day in days}
        made = []
        for crew, jobs in routes:
            visits = [self.position[job] for job in jobs if job in self.position]
            kind = kind_of[crew]
            if visits and free[kind] > 0:
                free[kind] -= 1
                made.append(pyvrp.Route(self.data, visits, kind))
        return pyvrp.Solution(self.data, made)

    def routes_of(self, solution: pyvrp.Solution) -> Routes:
        """Jobs in order per crew-day; routes of pooled identical crew-days go to their days in turn."""
        left = {kind: list(days) for kind, days in enumerate(self.types)}
        routes: Routes = []
        for route in solution.routes():
            jobs: list[int] = []
            for activity in route:
                if activity.is_client():
                    jobs.append(self.single[activity.idx])
                elif activity.is_pickup():
                    jobs.append(self.pairs[activity.idx][0])
                elif activity.is_delivery():
                    jobs.append(self.pairs[activity.idx][1])
            if jobs:
                routes.append((left[route.vehicle_type()].pop(0), jobs))
        return routes


def _crew_classes(problem: Problem) -> tuple[list[tuple[bool, ...]], list[int]]:
    """Distinct rows of `allowed` that forbid something, and each job's number among them (-1: none).

    Each becomes a load dimension of which a crew-day has nothing (forbidden) or plenty (allowed): exact, and
    far lighter than a matrix per crew.
    """
    numbers: dict[tuple[bool, ...], int] = {}
    class_of = []
    for row in problem.allowed:
        pattern = tuple(bool(value) for value in row)
        class_of.append(-1 if all(pattern) else numbers.setdefault(pattern, len(numbers)))
    return list(numbers), class_of


def _vehicle_types(problem: Problem) -> list[list[int]]:
    """Crew-days that are the same in every respect, pooled: the engine then need not tell them apart."""
    pools: dict[object, list[int]] = {}
    for day, crew in enumerate(problem.crews):
        pools.setdefault((crew, problem.allowed[:, day].tobytes()), []).append(day)
    return list(pools.values())
