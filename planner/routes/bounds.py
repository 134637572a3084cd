"""Proven upper bounds on what any plan of given crew-days can be worth.

Column generation: a linear programme picks routes so that each job is done at most once and no more routes of a
kind are driven than there are crew-days of that kind; its prices of jobs go into a search for better routes
(`planner.routes.labelling`). For ANY prices u >= 0 of the jobs,

    sum(u) + sum over kinds of crew-day (number x best value of one route under the prices)

bounds the value of every plan (Lagrangian duality): it may be stopped at any moment and stays valid, as long as
the search for the best route itself was finished. Both-ends pairs and required jobs only take plans away, so the
bound holds with them; travel is replaced by its shortest-path closure, which only helps a route.
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, cast

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import coo_array, csr_array

from planner.progress import Progress, silent
from planner.routes.labelling import (
    MOST_NEIGHBOURS,
    FloatArray,
    Workspace,
    best_routes,
    neighbour_arrays,
    neighbour_sets,
)
from planner.routes.problem import CrewDay, IntArray, Leg, Problem
from planner.routes.schedule import leg_cost, time_leg

TOLERANCE = 1e-6
FEWEST_LABELS = 400_000
QUICK_WIDTHS: tuple[int, ...] = (1,)  # searches that are quick but no bound, tried in this order
MORE_WIDTHS: tuple[int, ...] = (1, 8, 40)  # where the full search runs out of memory
EXACT = 2**31 - 1


@dataclass(frozen=True)
class BoundEffort:
    """How much work the column generation may take.

    Parameters
    ----------
    rounds
        Most rounds of pricing. Rounds, not seconds, keep a plan repeatable.
    seconds, cpu
        Stop after so many seconds (of the wall, or of this process), if given.
    largest
        Most jobs it is tried for; above that only the loose bound is given.
    neighbours
        Size of the neighbour sets to begin with, and the largest they may grow to where routes return.
    labels
        Most labels of one search; more memory, tighter and slower.
    good_enough
        Stop when the gap is below this share.
    check_every
        Rounds of quick pricing between two looks at where the bound stands.
    """

    rounds: int = 80
    seconds: float | None = None
    cpu: bool = False
    largest: int = 450
    neighbours: int = 8
    most_neighbours: int = 20
    labels: int = 1_500_000
    good_enough: float = 0.001
    check_every: int = 8


@dataclass(frozen=True)
class Bound:
    """A proven bound on the value, and how it was found."""

    value: float
    kind: str


@dataclass
class _Kind:
    """Identical crew-days, and the arrays of one route of them; `jobs` are problem jobs in local order."""

    days: list[int]
    crew: CrewDay
    jobs: IntArray
    travel: IntArray
    arc_cost: FloatArray
    out_time: IntArray
    out_cost: FloatArray
    back_time: IntArray
    back_cost: FloatArray
    work_cost: FloatArray
    sets: list[list[int]]
    near: FloatArray


@dataclass
class _Columns:
    """Routes known to the linear programme."""

    kinds: list[int] = field(default_factory=list)
    routes: list[tuple[int, ...]] = field(default_factory=list)
    values: list[float] = field(default_factory=list)
    known: set[tuple[int, tuple[int, ...]]] = field(default_factory=set)

    def add(self, kind: int, route: tuple[int, ...], value: float) -> bool:
        """Take a route in, unless it is known."""
        if (kind, route) in self.known:
            return False
        self.known.add((kind, route))
        self.kinds.append(kind)
        self.routes.append(route)
        self.values.append(value)
        return True


def knapsack_bound(problem: Problem, jobs: IntArray) -> float:
    """Fractional knapsack over all crew time: each job takes its work plus half its cheapest way in and out."""
    if not len(jobs) or not problem.crews:
        return 0.0
    ends = np.array(sorted({place for crew in problem.crews for place in (crew.start, crew.end)}), np.int64)
    places, members = np.unique(problem.place[jobs], return_inverse=True)
    shared = np.bincount(members)[members] > 1
    others = np.concatenate([places, ends])
    into = problem.travel[np.ix_(others, places)].T.astype(float)
    out = problem.travel[np.ix_(places, others)].astype(float)
    own = np.arange(len(places))
    into[own, own] = np.inf
    out[own, own] = np.inf
    way = np.where(shared, 0.0, (into.min(axis=1) / 2 + out.min(axis=1) / 2)[members])
    rate = min(crew.cost_per_time for crew in problem.crews)
    minutes = problem.service[jobs] + way
    worth = problem.prize[jobs] - rate * minutes
    budget = float(sum(max(0, crew.length + crew.overtime) for crew in problem.crews))
    order = np.argsort(-worth / np.maximum(minutes, 1e-9), kind="stable")
    worth, minutes = worth[order], minutes[order]
    good = worth > 0
    worth, minutes = worth[good], minutes[good]
    before = np.concatenate([[0.0], np.cumsum(minutes)])[:-1]
    share = np.clip((budget - before) / np.maximum(minutes, 1e-9), 0.0, 1.0)
    return float((worth * share).sum())


def shortest_closure(matrix: IntArray) -> IntArray:
    """Shortest ways through other places (Floyd and Warshall), shape as given; never above the matrix."""
    closed = matrix.copy()
    for via in range(len(closed)):
        np.minimum(closed, closed[:, via, None] + closed[None, via, :], out=closed)
    return closed


class ColumnGeneration:
    """Bound and route pool for one problem; see the module text."""

    def __init__(self, problem: Problem, jobs: IntArray, effort: BoundEffort) -> None:
        self.problem = problem
        self.jobs = jobs
        self.effort = effort
        self.clock = time.process_time if effort.cpu else time.perf_counter
        self.began = self.clock()
        self.columns = _Columns()
        self.found: list[tuple[int, tuple[int, ...], float]] = []
        self.lower = 0.0
        self.bound = np.inf
        self.rounds = 0
        self.row_of = self._rows()
        self.rows = int(self.row_of.max()) + 1
        self.kinds = self._kinds()
        self.prices = np.zeros(self.rows)
        self.best_prices = np.zeros(self.rows)
        self.steady = self._first_prices()
        self.counts = [len(kind.days) for kind in self.kinds]
        self.taken = np.zeros(self.rows, bool)
        self.workspace = Workspace(effort.labels)
        self.labels_now = min(effort.labels, FEWEST_LABELS)

    def _rows(self) -> IntArray:
        """Row of each job of the problem in the linear programme: alternatives share one; -1 if not bounded."""
        row = np.full(self.problem.jobs, -1, np.int64)
        groups: dict[int, int] = {}
        count = 0
        for job in self.jobs:
            group = int(self.problem.group[job])
            if group >= 0 and group in groups:
                row[job] = groups[group]
                continue
            row[job] = count
            if group >= 0:
                groups[group] = count
            count += 1
        return row

    def _first_prices(self) -> FloatArray:
        """Prices to begin with: what the time of each job is not worth, time priced as the fractional knapsack does."""
        problem, jobs = self.problem, self.jobs
        minutes = problem.service[jobs] + np.min([kind.near for kind in self.kinds], axis=0)
        rate = min((kind.crew.cost_per_time for kind in self.kinds), default=0)
        worth = problem.prize[jobs] - rate * minutes
        order = np.argsort(-worth / np.maximum(minutes, 1e-9), kind="stable")
        used = np.cumsum(minutes[order])
        budget = float(sum(len(kind.days) * (kind.crew.latest_return - kind.crew.opens) for kind in self.kinds))
        last = order[min(int(np.searchsorted(used, budget)), len(order) - 1)]
        price = max(0.0, float(worth[last] / max(minutes[last], 1e-9))) if used[-1] > budget else 0.0
        prices = np.zeros(self.rows)
        np.maximum.at(prices, self.row_of[jobs], np.maximum(0.0, worth - price * minutes))
        return prices

    def _kinds(self) -> list[_Kind]:
        problem = self.problem
        travel, distance = shortest_closure(problem.travel), shortest_closure(problem.distance)
        everywhere = travel[np.ix_(problem.place[self.jobs], problem.place[self.jobs])].astype(float)
        few = min(4, len(self.jobs))
        near = np.sort(everywhere, axis=1)[:, 1:few].mean(axis=1) if few > 1 else np.zeros(len(self.jobs))
        pools: dict[object, list[int]] = {}
        for day, crew in enumerate(problem.crews):
            if crew.latest_return > crew.opens:
                pools.setdefault((crew, problem.allowed[:, day].tobytes()), []).append(day)
        kinds = []
        for days in pools.values():
            crew = problem.crews[days[0]]
            jobs = self.jobs[problem.allowed[self.jobs, days[0]]]
            place = problem.place[jobs]
            between, road = travel[np.ix_(place, place)], distance[np.ix_(place, place)]
            rate, road_rate = float(crew.cost_per_time), float(crew.cost_per_distance)
            closeness = np.minimum(between, between.T) + problem.service[jobs][None, :]
            kinds.append(
                _Kind(
                    days=days,
                    crew=crew,
                    jobs=jobs,
                    travel=np.ascontiguousarray(between),
                    arc_cost=rate * between + road_rate * road,
                    out_time=travel[crew.start, place],
                    out_cost=rate * travel[crew.start, place]
                    + road_rate * distance[crew.start, place]
                    + crew.fixed_cost,
                    back_time=travel[place, crew.end],
                    back_cost=rate * travel[place, crew.end] + road_rate * distance[place, crew.end],
                    work_cost=rate * problem.service[jobs],
                    sets=neighbour_sets(closeness.astype(float), self.effort.neighbours),
                    near=near,
                )
            )
        return kinds

    def add_legs(self, legs: Sequence[Leg]) -> None:
        """Take note of a plan found: its value, and its routes for `recombine`.

        They stay out of the linear programme of the bound: a whole plan as a corner makes its prices useless.
        """
        kind_of = {day: number for number, kind in enumerate(self.kinds) for day in kind.days}
        total = 0.0
        for leg in legs:
            value = float(sum(int(self.problem.prize[job]) for job in leg.jobs) - leg_cost(self.problem, leg))
            total += value
            if leg.crew in kind_of and all(self.row_of[job] >= 0 for job in leg.jobs):
                self.found.append((kind_of[leg.crew], leg.jobs, value))
        self.lower = max(self.lower, total)

    def out_of_time(self) -> bool:
        """Whether the seconds allowed are spent."""
        return self.effort.seconds is not None and self.clock() - self.began > self.effort.seconds

    def extend(self, seconds: float | None) -> None:
        """Allow so many more seconds from now (None: no limit)."""
        self.effort = replace(self.effort, seconds=seconds)
        self.began = self.clock()

    @property
    def proven(self) -> bool:
        """Whether the bound is good enough, or cannot be beaten because values are whole numbers."""
        if not np.isfinite(self.bound):
            return False
        return self.bound < self.lower + 1 - TOLERANCE or self.bound - self.lower <= self.effort.good_enough * abs(
            self.bound
        )

    def run(self, progress: Progress = silent) -> float:
        """The best bound within the effort."""
        if not self.kinds or all(not len(kind.jobs) for kind in self.kinds):
            self.bound = 0.0
            return 0.0
        self._seed_columns()
        size = self.effort.neighbours
        while not self.out_of_time() and self.rounds < self.effort.rounds:
            solved, finished = self._converge(progress)
            if self.proven or not finished or solved is None:
                break
            size = min(size + 4, self.effort.most_neighbours)
            if not self._grow_sets(solved, size):
                break
        if not np.isfinite(self.bound):
            self._last_resort()
        return self.bound

    def _last_resort(self) -> None:
        """A bound at the prices reached, with full memory and ever smaller neighbour sets until a search finishes."""
        self.labels_now = self.effort.labels
        whole = [kind.sets for kind in self.kinds]
        for size in (5, 3, 2, 1):
            for kind, sets in zip(self.kinds, whole, strict=True):
                kind.sets = [row[:size] for row in sets]
            _, bound, finished = self._price(self.steady, np.zeros(len(self.kinds)), EXACT)
            if finished:
                self.bound, self.best_prices = min(self.bound, bound), self.steady
                break
        for kind, sets in zip(self.kinds, whole, strict=True):
            kind.sets = sets

    def _seed_columns(self) -> None:
        """Each job alone, so that the linear programme has prices for all of them from the start."""
        for number, kind in enumerate(self.kinds):
            for job in kind.jobs:
                leg = time_leg(self.problem, kind.days[0], [int(job)])
                if leg is not None:
                    value = float(int(self.problem.prize[job]) - leg_cost(self.problem, leg))
                    self.columns.add(number, (int(job),), value)

    def _converge(self, progress: Progress) -> tuple[FloatArray | None, bool]:
        """Rounds until the linear programme's optimum is bounded; its solution, and whether that was reached."""
        solution: FloatArray | None = None
        pull = 0.8  # how far prices are pulled back to the best known ones: steadier, fewer rounds
        widths = QUICK_WIDTHS
        step = 0
        looked = -self.effort.check_every
        while self.rounds < self.effort.rounds and not self.out_of_time():
            self.rounds += 1
            progress(min(1.0, self.rounds / self.effort.rounds), "bounding what any plan can reach")
            value, solution, prices, day_prices = self._master()
            centre = self.best_prices if np.isfinite(self.bound) else self.steady
            trial = pull * centre + (1 - pull) * prices
            self.steady = 0.5 * self.steady + 0.5 * prices
            look = widths is QUICK_WIDTHS and self.rounds - looked >= self.effort.check_every
            whole = look or step >= len(widths)
            added, bound, finished = self._price(
                trial, day_prices, EXACT if whole else widths[step], true_prices=prices
            )
            if whole:
                looked = self.rounds
                if not finished:
                    if self.labels_now < self.effort.labels:
                        self.labels_now = min(self.effort.labels, 4 * self.labels_now)
                    elif widths is MORE_WIDTHS and step >= len(widths) and not added:
                        return solution, False
                    widths = MORE_WIDTHS
                elif bound < self.bound:
                    self.bound, self.best_prices = bound, trial
                    pull = min(0.9, pull + 0.05)
                else:
                    pull = max(0.0, pull - 0.2)
                if self.proven or self.bound <= value + max(1e-4, 1e-5 * abs(value)):
                    return solution, True
            if added:
                step = 0 if step < len(widths) else step
                continue
            if pull > 0:
                pull = 0.0 if pull < 0.3 else pull - 0.3
            elif step < len(widths):
                step += 1
            elif finished:
                return solution, True
        return solution, False

    def _master(self) -> tuple[float, FloatArray, FloatArray, FloatArray]:
        """Optimum of the linear programme over known routes: value, solution, prices of jobs and of crew-days."""
        right = np.concatenate([np.where(self.taken, 0.0, 1.0), np.array(self.counts, float)])
        found = linprog(
            -np.array(self.columns.values),
            A_ub=cast("Any", self._matrix()),  # sparse matrices are taken, the declared types do not say so
            b_ub=right,
            bounds=(0, None),
            method="highs",
        )
        duals = np.maximum(-found.ineqlin.marginals, 0.0)
        solution = np.asarray(found.x, float)
        value = float(np.array(self.columns.values) @ solution)
        return value, solution, duals[: self.rows], duals[self.rows :]

    def _matrix(self) -> csr_array:
        routes = self.columns.routes
        lengths = np.array([len(route) for route in routes])
        members = np.array([job for route in routes for job in route], np.int64)
        column = np.repeat(np.arange(len(routes)), lengths)
        rows = np.concatenate([self.row_of[members], self.rows + np.array(self.columns.kinds)])
        columns = np.concatenate([column, np.arange(len(routes))])
        shape = (self.rows + len(self.kinds), len(routes))
        return coo_array((np.ones(len(rows)), (rows, columns)), shape=shape).tocsr()

    def _price(
        self, prices: FloatArray, day_prices: FloatArray, width: int, *, true_prices: FloatArray | None = None
    ) -> tuple[int, float, bool]:
        """Search the best routes under prices: routes added, the bound they prove, whether every search finished."""
        bound = float(prices[~self.taken].sum())
        added, whole = 0, True
        real = prices if true_prices is None else true_prices
        for number, kind in enumerate(self.kinds):
            if not len(kind.jobs) or not self.counts[number]:
                continue
            best, routes, finished = self._best_of_kind(kind, prices, width)
            if not finished:
                bound, whole = np.inf, False
            bound += self.counts[number] * max(0.0, best)
            for route in routes:
                value = self._route_value(kind, route)
                reduced = value - sum(float(real[self.row_of[job]]) for job in route) - float(day_prices[number])
                if reduced > TOLERANCE * max(1.0, abs(value)):
                    added += self.columns.add(number, route, value)
        return added, bound, whole

    def _route_value(self, kind: _Kind, route: tuple[int, ...]) -> float:
        """Value of a route as the labelling reckons it (closure travel, no price on waiting)."""
        local = {int(job): position for position, job in enumerate(kind.jobs)}
        at = [local[job] for job in route]
        value = float(self.problem.prize[list(route)].sum()) - float(kind.work_cost[at].sum())
        value -= float(kind.out_cost[at[0]] + kind.back_cost[at[-1]])
        value -= sum(float(kind.arc_cost[a, b]) for a, b in itertools.pairwise(at))
        busy = int(kind.out_time[at[0]] + kind.back_time[at[-1]] + self.problem.service[list(route)].sum())
        busy += sum(int(kind.travel[a, b]) for a, b in itertools.pairwise(at))
        return value - kind.crew.cost_per_overtime * max(0, busy - kind.crew.length)

    def _best_of_kind(self, kind: _Kind, prices: FloatArray, width: int) -> tuple[float, list[tuple[int, ...]], bool]:
        problem = self.problem
        gain = problem.prize[kind.jobs] - prices[self.row_of[kind.jobs]] - kind.work_cost
        # travel obeys the triangle inequality (closure): a job without gain never improves a route
        use = np.flatnonzero((gain > 0) & ~self.taken[self.row_of[kind.jobs]])
        if not len(use):
            return 0.0, [], True
        members, place = neighbour_arrays(_restricted(kind.sets, use))
        space = self.workspace
        most = self.labels_now if width == EXACT else space.most
        label, worth = np.empty(len(use), np.int64), np.empty(len(use))
        jobs = kind.jobs[use]
        best, made = best_routes(
            np.ascontiguousarray(kind.travel[np.ix_(use, use)]),
            np.ascontiguousarray(kind.arc_cost[np.ix_(use, use)]),
            gain[use],
            kind.out_time[use],
            kind.out_cost[use],
            kind.back_time[use],
            kind.back_cost[use],
            problem.service[jobs],
            problem.opens[jobs],
            problem.closes[jobs],
            kind.crew.opens,
            kind.crew.latest_return,
            kind.crew.length,
            float(kind.crew.cost_per_overtime),
            members,
            place,
            width,
            space.node[:most],
            space.value[:most],
            space.busy[:most],
            space.mask[:most],
            space.pred[:most],
            space.link[:most],
            label,
            worth,
        )
        ends = np.argsort(-worth, kind="stable")[: max(12, 60 // len(self.kinds))]
        routes = [
            tuple(int(jobs[job]) for job in _path(int(label[end]), space)) for end in ends if worth[end] > TOLERANCE
        ]
        return float(best), routes, made < most

    def _grow_sets(self, solution: FloatArray, size: int) -> bool:
        """Let neighbour sets remember the jobs that routes of the solution return to; whether any grew."""
        grown = False
        for column in np.flatnonzero(solution > 1e-6):
            route = self.columns.routes[column]
            if len(set(route)) == len(route):
                continue
            kind = self.kinds[self.columns.kinds[column]]
            local = {int(job): position for position, job in enumerate(kind.jobs)}
            at = [local[job] for job in route]
            for first, job in enumerate(at):
                if job in at[first + 1 :]:
                    again = at.index(job, first + 1)
                    for between in at[first + 1 : again]:
                        if job not in kind.sets[between] and len(kind.sets[between]) < min(size, MOST_NEIGHBOURS):
                            kind.sets[between].append(job)
                            grown = True
        if grown:
            self._drop_returning()
        return grown

    def _drop_returning(self) -> None:
        """Forget routes that the grown neighbour sets no longer allow."""
        old = self.columns
        self.columns = _Columns()
        for number, route, value in zip(old.kinds, old.routes, old.values, strict=True):
            if len(set(route)) == len(route) or self._allowed(self.kinds[number], route):
                self.columns.add(number, route, value)
            else:
                once = tuple(dict.fromkeys(route))
                self.columns.add(number, once, self._route_value(self.kinds[number], once))

    def _allowed(self, kind: _Kind, route: tuple[int, ...]) -> bool:
        local = {int(job): position for position, job in enumerate(kind.jobs)}
        memory: set[int] = set()
        for job in route:
            at = local[job]
            if at in memory:
                return False
            memory = {seen for seen in memory if seen in kind.sets[at]} | {at}
        return True

    def dive(self, first: int = 0, rounds: int = 12) -> list[tuple[int, tuple[int, ...]]]:
        """A plan by fixing one route after the other, each the one the linear programme wants most.

        After each choice the programme is solved again without the jobs and the crew-day used up, with up to
        `rounds` rounds of quick pricing. `first` picks the first route: 0 the most wanted, 1 the next ...
        """
        chosen: list[tuple[int, tuple[int, ...]]] = []
        left = [list(kind.days) for kind in self.kinds]
        try:
            while any(self.counts):
                solution = self._quick_rounds(rounds if chosen else 0)
                routes = self._wanted(solution)
                if not routes:
                    break
                kind, route = routes[min(first, len(routes) - 1) if not chosen else 0]
                chosen.append((left[kind].pop(0), route))
                self.counts[kind] -= 1
                self.taken[self.row_of[list(route)]] = True
        finally:
            self.counts = [len(kind.days) for kind in self.kinds]
            self.taken = np.zeros(self.rows, bool)
        return chosen

    def _quick_rounds(self, rounds: int) -> FloatArray:
        """Rounds of quick pricing on what is left; the linear programme's solution."""
        _, solution, prices, day_prices = self._master()
        for _ in range(rounds):
            if self.out_of_time():
                break
            added = 0
            for width in MORE_WIDTHS[:2]:
                added, _, _ = self._price(prices, day_prices, width)
                if added:
                    break
            if not added:
                break
            _, solution, prices, day_prices = self._master()
        return solution

    def _wanted(self, solution: FloatArray) -> list[tuple[int, tuple[int, ...]]]:
        """Routes of the solution (each job once), most wanted first; ties by value."""
        order = sorted(
            np.flatnonzero(solution > 1e-6), key=lambda k: (-round(float(solution[k]), 6), -self.columns.values[k], k)
        )
        return [(self.columns.kinds[k], tuple(dict.fromkeys(self.columns.routes[k]))) for k in order]

    def recombine(self, seconds: float | None = None) -> list[tuple[int, tuple[int, ...]]]:
        """The best plan made of known routes without returns, by mixed-integer programming: (crew-day, jobs).

        Both-ends pairs are kept whole. Without `seconds` the search is cut by its size, so that it is repeatable.
        Empty if none was found.
        """
        for kind, route, value in self.found:
            self.columns.add(kind, route, value)
        use = [k for k, route in enumerate(self.columns.routes) if len(set(route)) == len(route)]
        if not use:
            return []
        matrix = self._matrix()[:, use]
        values = np.array(self.columns.values)[use]
        right = np.concatenate([np.ones(self.rows), [float(len(kind.days)) for kind in self.kinds]])
        constraints = [LinearConstraint(matrix, -np.inf, right)]
        pairs = self._pair_rows(use)
        if pairs is not None:
            constraints.append(LinearConstraint(pairs, 0, 0))
        found = milp(
            -values,
            integrality=np.ones(len(use), np.int64),
            bounds=Bounds(0, 1),
            constraints=constraints,
            options={"mip_rel_gap": 1e-6, **({"node_limit": 500} if seconds is None else {"time_limit": seconds})},
        )
        if found.x is None:
            return []
        left = [list(kind.days) for kind in self.kinds]
        chosen = []
        for k in np.flatnonzero(found.x > 0.5):
            kind = self.columns.kinds[use[k]]
            chosen.append((left[kind].pop(0), self.columns.routes[use[k]]))
        return chosen

    def _pair_rows(self, use: list[int]) -> csr_array | None:
        pair = self.problem.pair
        if not (pair >= 0).any():
            return None
        sign: dict[int, int] = {}
        for number in np.unique(pair[pair >= 0]):
            first, second = np.flatnonzero(pair == number)
            sign[int(first)], sign[int(second)] = 1, -1
        entries = [
            (int(pair[job]), k, sign[job])
            for k, column in enumerate(use)
            for job in self.columns.routes[column]
            if job in sign
        ]
        if not entries:
            return None
        rows, columns, values = (np.array(part) for part in zip(*entries, strict=True))
        return coo_array((values.astype(float), (rows, columns)), shape=(int(pair.max()) + 1, len(use))).tocsr()


def _restricted(sets: list[list[int]], use: IntArray) -> list[list[int]]:
    """Neighbour sets of the jobs `use`, in their own numbering, each job itself first."""
    new = {int(job): position for position, job in enumerate(use)}
    return [
        [new[int(job)], *(new[other] for other in sets[int(job)] if other in new and other != job)][:MOST_NEIGHBOURS]
        for job in use
    ]


def _path(label: int, space: Workspace) -> list[int]:
    """Jobs of a label from first to last."""
    jobs = []
    while label >= 0:
        jobs.append(int(space.node[label]))
        label = int(space.pred[label])
    return jobs[::-1]
