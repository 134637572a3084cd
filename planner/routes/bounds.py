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
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import coo_array, csc_array, csr_array

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
EXACT = 2**31 - 1
# (labels kept, ways out of a job) of searches that are quick but no bound, tried in this order
Effort = tuple[int, int]
QUICK_SEARCHES: tuple[Effort, ...] = ((4, 25), (8, 60))
FULL_SEARCH = (EXACT, EXACT)
MASTER_WORK = 250  # ways tried by a search that take about as long as one column of the linear programme
MOST_RECOMBINED = 4000
FIRST_WORK = 5_000_000
FEWEST_COLUMNS = 400
MOST_PULL, LEAST_PULL = 0.85, 0.3
COLUMNS_PER_ROW = 3


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
    """

    rounds: int = 80
    seconds: float | None = None
    cpu: bool = False
    largest: int = 450
    neighbours: int = 8
    most_neighbours: int = 20
    labels: int = 1_500_000
    good_enough: float = 0.001


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
    order: NDArray[np.int32]
    members: NDArray[np.int32] | None = None
    position: NDArray[np.int8] | None = None


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
        self.best_routes = np.zeros(0)
        self.last_routes = np.zeros(0)
        self.workspace = Workspace(effort.labels)
        self.labels_now = min(effort.labels, FEWEST_LABELS)
        self.work = self.quick_work = self.full_work = 0
        self.remembered = effort.neighbours
        self.row_prices = np.zeros(self.rows + len(self.kinds))

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
                    order=_nearest_first(between, problem.service[jobs], problem.opens[jobs], problem.closes[jobs]),
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

    def add_routes(self, routes: Sequence[tuple[int, tuple[int, ...]]]) -> None:
        """Take routes (crew-day, jobs in order) of a search into the linear programme, if they are feasible."""
        kind_of = {day: number for number, kind in enumerate(self.kinds) for day in kind.days}
        for day, jobs in routes:
            leg = time_leg(self.problem, day, jobs) if day in kind_of else None
            if leg is not None and all(self.row_of[job] >= 0 for job in jobs):
                value = float(int(self.problem.prize[list(jobs)].sum()) - leg_cost(self.problem, leg))
                self.columns.add(kind_of[day], tuple(jobs), value)

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
                kind.sets, kind.members = [row[:size] for row in sets], None
            _, bound, finished = self._price(self.steady, np.zeros(len(self.kinds)), FULL_SEARCH)
            if finished:
                self._better(bound, self.steady)
                break
        for kind, sets in zip(self.kinds, whole, strict=True):
            kind.sets, kind.members = sets, None

    def _seed_columns(self) -> None:
        """Each job alone, so that the linear programme has prices for all of them from the start."""
        for number, kind in enumerate(self.kinds):
            for job in kind.jobs:
                leg = time_leg(self.problem, kind.days[0], [int(job)])
                if leg is not None:
                    value = float(int(self.problem.prize[job]) - leg_cost(self.problem, leg))
                    self.columns.add(number, (int(job),), value)

    def _converge(self, progress: Progress) -> tuple[FloatArray | None, bool]:
        """Rounds until the linear programme's optimum is bounded; its solution, and whether that was reached.

        Quick searches find routes; the full search, which alone proves a bound, gets about as much work as they do.
        Prices are pulled towards the mean of the last ones: steadier, fewer rounds.
        """
        solution: FloatArray | None = None
        centre, lowest = self.steady, np.inf  # prices with the lowest bound so far, be it of a quick search
        pull, step = MOST_PULL, 0
        while self.rounds < self.effort.rounds and not self.out_of_time():
            self.rounds += 1
            progress(min(1.0, self.rounds / self.effort.rounds), "bounding what any plan can reach")
            value, solution, prices, day_prices = self._master()
            if step < len(QUICK_SEARCHES) and self.quick_work <= 1.5 * self.full_work + FIRST_WORK:
                trial = pull * centre + (1 - pull) * prices
                before = self.work
                added, guess, _ = self._price(trial, day_prices, QUICK_SEARCHES[step], true_prices=prices)
                self.quick_work += self.work - before
                better = guess < lowest
                if better:
                    centre, lowest = trial, guess
                if added:
                    step = 0
                    pull = min(MOST_PULL, pull + 0.05) if better else max(LEAST_PULL, pull - 0.1)
                elif lowest <= value + max(1e-4, 1e-5 * abs(value)):
                    step = len(QUICK_SEARCHES)
                elif pull > 0:
                    pull = pull - 0.4 if pull > 0.4 else 0.0
                else:
                    step += 1
                continue
            trial = centre if step < len(QUICK_SEARCHES) else 0.5 * centre + 0.5 * prices
            before = self.work
            added, bound = self._full_search(trial, day_prices, prices)
            self.full_work += self.work - before
            self.steady, lowest = centre, max(lowest, bound) if trial is centre else lowest
            self._better(bound, trial)
            if bound < lowest:
                centre, lowest = trial, bound
            if self.proven or self.bound <= value + max(1e-4, 1e-5 * abs(value)):
                return solution, True
            if added or step < len(QUICK_SEARCHES):
                step, pull = 0, 0.5
                continue
            added, bound = self._full_search(prices, day_prices, prices)
            if self._better(bound, prices):
                centre, lowest = prices, bound
            if not added:
                return solution, bool(np.isfinite(bound))
            step, pull = 0, 0.5
        if not self.out_of_time() and centre is not self.best_prices:
            self._better(self._full_search(centre, np.zeros(len(self.kinds)), centre)[1], centre)
        return solution, False

    def _better(self, bound: float, prices: FloatArray) -> bool:
        """Take note of a bound proven under prices; whether it is the best so far."""
        if bound >= self.bound:
            return False
        self.bound, self.best_prices, self.best_routes = bound, prices, self.last_routes
        return True

    def _full_search(self, trial: FloatArray, day_prices: FloatArray, prices: FloatArray) -> tuple[int, float]:
        """Routes added and the bound proven under the prices `trial`; neighbour sets shrink if memory runs out."""
        total = 0
        while True:
            added, bound, finished = self._price(trial, day_prices, FULL_SEARCH, true_prices=prices)
            total += added
            if finished:
                return total, bound
            if self.labels_now < self.effort.labels:
                self.labels_now = min(self.effort.labels, 4 * self.labels_now)
            elif self.remembered > 1:
                self.remembered = max(1, 2 * self.remembered // 3)
                for kind in self.kinds:
                    kind.sets, kind.members = [row[: self.remembered] for row in kind.sets], None
            else:
                return total, np.inf

    def _master(self) -> tuple[float, FloatArray, FloatArray, FloatArray]:
        """Optimum of the linear programme over known routes: value, solution, prices of jobs and of crew-days.

        Only the routes most worth under the last prices take part; those that turn out worth more join at once.
        """
        values = np.array(self.columns.values)
        matrix = self._matrix()
        right = np.concatenate([np.where(self.taken, 0.0, 1.0), np.array(self.counts, float)])
        reduced = values - matrix.T @ self.row_prices
        most = max(FEWEST_COLUMNS, COLUMNS_PER_ROW * (self.rows + len(self.kinds)))
        use = np.arange(len(values))
        if len(values) > most:
            use = np.sort(np.argpartition(-reduced, most)[:most])
        while True:
            part = matrix[:, use]
            self.quick_work += MASTER_WORK * len(use)
            found = linprog(
                -values[use],
                A_ub=cast("Any", part),  # sparse matrices are taken, the declared types do not say so
                b_ub=right,
                bounds=(0, None),
                method="highs",
            )
            duals = np.maximum(-found.ineqlin.marginals, 0.0)
            reduced = values - matrix.T @ duals
            reduced[use] = 0.0
            missed = np.flatnonzero(reduced > TOLERANCE * np.maximum(1.0, np.abs(values)))
            if not len(missed):
                break
            use = np.sort(np.concatenate([use, missed]))
        self.row_prices = duals
        solution = np.zeros(len(values))
        solution[use] = found.x
        return float(values @ solution), solution, duals[: self.rows], duals[self.rows :]

    def _matrix(self) -> csc_array:
        lengths = np.array([len(route) for route in self.columns.routes])
        members = np.fromiter(itertools.chain.from_iterable(self.columns.routes), np.int64, int(lengths.sum()))
        starts = np.concatenate([[0], np.cumsum(lengths)])[:-1] + np.arange(len(lengths))
        rows = np.empty(int(lengths.sum()) + len(lengths), np.int64)
        ends = starts + lengths
        inner = np.ones(len(rows), bool)
        inner[ends] = False
        rows[inner] = self.row_of[members]
        rows[ends] = self.rows + np.array(self.columns.kinds)
        shape = (self.rows + len(self.kinds), len(lengths))
        matrix = csc_array((np.ones(len(rows)), rows, np.concatenate([starts, [len(rows)]])), shape=shape)
        matrix.sum_duplicates()
        return matrix

    def _price(
        self,
        prices: FloatArray,
        day_prices: FloatArray,
        width: Effort,
        *,
        true_prices: FloatArray | None = None,
    ) -> tuple[int, float, bool]:
        """Search the best routes under prices: routes added, the bound they prove, whether every search finished."""
        bound = float(prices[~self.taken].sum())
        added, whole = 0, True
        self.last_routes = np.zeros(len(self.kinds))
        real = prices if true_prices is None else true_prices
        for number, kind in enumerate(self.kinds):
            if not len(kind.jobs) or not self.counts[number]:
                continue
            best, routes, finished = self._best_of_kind(kind, prices, width)
            if not finished:
                bound, whole = np.inf, False
            bound += self.counts[number] * max(0.0, best)
            self.last_routes[number] = max(0.0, best)
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

    def _best_of_kind(
        self, kind: _Kind, prices: FloatArray, width: Effort
    ) -> tuple[float, list[tuple[int, ...]], bool]:
        problem = self.problem
        gain = problem.prize[kind.jobs] - prices[self.row_of[kind.jobs]] - kind.work_cost
        gain[self.taken[self.row_of[kind.jobs]]] = -1.0
        if not (gain > 0).any():
            return 0.0, [], True
        if kind.members is None or kind.position is None:
            kind.members, kind.position = neighbour_arrays(kind.sets)
        space = self.workspace
        most = self.labels_now if width == FULL_SEARCH else space.most
        label, worth = np.empty(len(gain), np.int64), np.empty(len(gain))
        best, made, tried = best_routes(
            kind.travel,
            kind.arc_cost,
            gain,
            kind.out_time,
            kind.out_cost,
            kind.back_time,
            kind.back_cost,
            problem.service[kind.jobs],
            problem.opens[kind.jobs],
            problem.closes[kind.jobs],
            kind.crew.opens,
            kind.crew.latest_return,
            kind.crew.length,
            float(kind.crew.cost_per_overtime),
            kind.members,
            kind.position,
            kind.order,
            width[1],
            width[0],
            space.node[:most],
            space.value[:most],
            space.busy[:most],
            space.mask[:most],
            space.pred[:most],
            space.link[:most],
            label,
            worth,
        )
        self.work += int(tried)
        ends = np.argsort(-worth, kind="stable")[: max(12, 60 // len(self.kinds))]
        routes = [
            tuple(int(kind.jobs[job]) for job in _path(int(label[end]), space))
            for end in ends
            if worth[end] > TOLERANCE
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
            for kind in self.kinds:
                kind.members = None
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
            for width in QUICK_SEARCHES:
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

        Routes that no plan better than the best found can hold, by their value under the prices of the bound, are
        left out. Both-ends pairs are kept whole. Without `seconds` the search is cut by its size, so that it is
        repeatable. Empty if none was found.
        """
        for kind, route, value in self.found:
            self.columns.add(kind, route, value)
        values = np.array(self.columns.values)
        matrix = self._matrix()
        use = np.array([k for k, route in enumerate(self.columns.routes) if len(set(route)) == len(route)], np.int64)
        if np.isfinite(self.bound) and len(self.best_routes) == len(self.kinds):
            worth = values - matrix[: self.rows].T @ self.best_prices
            lost = self.best_routes[np.array(self.columns.kinds)] - worth
            use = use[lost[use] <= self.bound - self.lower + TOLERANCE]
        if len(use) > MOST_RECOMBINED:
            reduced = values[use] - matrix[:, use].T @ self.row_prices
            use = np.sort(use[np.argsort(-reduced, kind="stable")[:MOST_RECOMBINED]])
        if not len(use):
            return []
        right = np.concatenate([np.ones(self.rows), [float(len(kind.days)) for kind in self.kinds]])
        constraints = [LinearConstraint(matrix[:, use], -np.inf, right)]
        pairs = self._pair_rows(use.tolist())
        if pairs is not None:
            constraints.append(LinearConstraint(pairs, 0, 0))
        found = milp(
            -values[use],
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


def _nearest_first(travel: IntArray, service: IntArray, opens: IntArray, closes: IntArray) -> NDArray[np.int32]:
    """For each job all jobs, the soonest to follow first: by travel and the waiting that cannot be avoided."""
    waiting = np.maximum(0, opens[None, :] - closes[:, None] - service[:, None] - travel)
    return np.argsort(travel + waiting, axis=1, kind="stable").astype(np.int32)


def _path(label: int, space: Workspace) -> list[int]:
    """Jobs of a label from first to last."""
    jobs = []
    while label >= 0:
        jobs.append(int(space.node[label]))
        label = int(space.pred[label])
    return jobs[::-1]
