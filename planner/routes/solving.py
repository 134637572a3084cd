"""From a problem in arrays to a checked plan with a proven bound: the one way in which routes are made.

preselect    the jobs worth offering to the search
neighbourhoods  routes by search, both-ends pairs kept whole
schedule     times and money, recomputed here
checker      refuses anything that breaks a rule
bounds       what no plan can beat
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations, pairwise

import numpy as np
from numpy.typing import NDArray

from planner.errors import PlanningError
from planner.progress import Progress, part_of, silent
from planner.routes.bounds import Bound, BoundEffort, ColumnGeneration, knapsack_bound
from planner.routes.checker import faults_of_plan
from planner.routes.neighbourhoods import NeighbourhoodSearch
from planner.routes.problem import BoolArray, CrewDay, IntArray, Leg, Problem, RoutePlan, Routes, Stop, make_problem
from planner.routes.schedule import leg_cost, legs_value, time_leg

# Measured on synthetic regions: offering three times the visits one can expect to make gave +6 to +12 % value
# at equal time against offering everything; twice is enough from 100 crew-days on.
CANDIDATES_PER_VISIT = 3.0
CANDIDATES_PER_VISIT_LARGE = 2.0
LARGE_CREW_DAYS = 100
ALWAYS_OFFERED = 150
NEIGHBOURS = 5
# Shares of a stop in seconds: search first, then bound, plans from its routes, and search again with the rest.
SEARCH_SHARE = 0.45
BOUND_SHARE = 0.32
DIVE_SHARE = 0.03
RECOMBINE_SHARE = 0.05
DIVES = 1
MOST_POOLED = 1200  # crew-days met by the search that the bound begins with
STEPS_PER_ITERATION = 20  # a step of the search is short: an iteration of a stop is so many
RELAXED_SHARE = 0.3  # of the search, spent on what both-ends pairs cost
# Added to the prize of a required job: above any useful detour, small enough to add up exactly.
LARGEST_BONUS = 2 * 10**7


def plan_routes(
    travel: NDArray[np.integer],
    service: NDArray[np.integer],
    windows: NDArray[np.integer],
    prizes: NDArray[np.integer],
    crews: Sequence[CrewDay],
    stop: Stop,
    seed: int = 0,
    *,
    distance: NDArray[np.integer] | None = None,
    place: NDArray[np.integer] | None = None,
    allowed: NDArray[np.bool_] | None = None,
    required: NDArray[np.bool_] | None = None,
    group: NDArray[np.integer] | None = None,
    pair: NDArray[np.integer] | None = None,
    start: Routes | None = None,
    effort: BoundEffort | None = None,
    progress: Progress = silent,
) -> RoutePlan:
    """Plan crew-days of the highest value (prizes less cost), with a proven upper bound.

    Parameters
    ----------
    travel
        Time from location to location, shape (locations, locations), whole numbers.
    service, prizes
        Time at each job and its worth, shape (jobs,).
    windows
        Earliest and latest START of each job, shape (jobs, 2).
    crews
        The crew-days. If none costs anything, only prizes count (team orienteering).
    stop, seed
        End of the search and its random stream. A stop by iterations makes the plan repeatable; a stop by
        seconds covers search and bound together.
    distance, place, allowed, required, group, pair
        See `planner.routes.problem.Problem`; by default distance is travel and job k is at location k.
    start
        Routes to begin from.
    effort
        How much work the bound may take; by default moderate.

    Raises
    ------
    ParameterError
        The arrays do not fit together.
    PlanningError
        No plan passes the independent checker (never expected: an empty plan is feasible).

    Examples
    --------
    >>> plan = plan_routes(np.array([[0, 5], [5, 0]]), np.array([10]), np.array([[0, 50]]), np.array([100]),
    ...                    [CrewDay(start=0, end=0, opens=0, closes=60)], Stop(iterations=50), place=np.array([1]))
    >>> plan.benefit, plan.legs[0].starts, plan.legs[0].returns, plan.gap
    (100, (5,), 20, 0.0)
    """
    problem = make_problem(
        travel,
        service,
        windows,
        prizes,
        crews,
        distance=distance,
        place=place,
        allowed=allowed,
        required=required,
        group=group,
        pair=pair,
    )
    return solve(problem, stop, seed, start=start, effort=effort, progress=progress)


def solve(
    problem: Problem,
    stop: Stop,
    seed: int = 0,
    *,
    start: Routes | None = None,
    effort: BoundEffort | None = None,
    progress: Progress = silent,
) -> RoutePlan:
    """`plan_routes` for a problem that is already built."""
    effort = effort or BoundEffort()
    reachable = reachable_jobs(problem)
    kept = np.flatnonzero(preselect(problem, reachable))
    small = problem.subset(kept)
    inverse = {int(job): position for position, job in enumerate(kept)}
    clock = Clock(stop)
    tight = int(reachable.sum()) <= effort.largest and effort.rounds > 0
    search = _Search(
        small,
        stop.share(SEARCH_SHARE if tight and stop.seconds is not None else 1.0),
        seed,
        part_of(progress, 0.0, 0.6),
    )
    legs = _in_full(search.run(None if start is None else _renumbered(start, inverse)), kept)
    legs = with_insertions(problem, with_required_jobs(problem, legs), reachable)
    bound = Bound(0.0, "nothing can be done")
    if reachable.any():
        loose = knapsack_bound(problem, np.flatnonzero(reachable))
        bound = Bound(loose, f"knapsack over all {int(reachable.sum())} blocks (loose: a physical limit)")
    if tight and reachable.any():
        legs, found = _improved(
            problem, legs, reachable, small, kept, search, clock, effort, part_of(progress, 0.6, 1.0)
        )
        bound = found if found.value < bound.value else bound
    benefit, cost = legs_value(problem, legs)
    unserved = _unserved(problem, legs)
    relaxed = problem.with_required(problem.required & ~np.isin(np.arange(problem.jobs), unserved))
    faults = faults_of_plan(relaxed, legs, claimed_benefit=benefit, claimed_cost=cost)
    if faults:
        raise PlanningError(f"the plan breaks {len(faults)} rules and is refused: {'; '.join(faults[:5])}")
    return _finished(problem, tuple(legs), benefit, cost, bound, search, seed, len(kept), unserved)


class Clock:
    """Seconds of a stop that are left, on the wall or of this process; None if the stop counts iterations."""

    def __init__(self, stop: Stop) -> None:
        self.stop = stop
        self.read = time.process_time if stop.cpu else time.perf_counter
        self.began = self.read()

    def left(self) -> float | None:
        """Seconds left, at least 0."""
        return None if self.stop.seconds is None else max(0.0, self.stop.seconds - (self.read() - self.began))

    def part(self, share: float) -> float | None:
        """That share of the seconds of the whole stop, but no more than are left."""
        left = self.left()
        return None if left is None or self.stop.seconds is None else min(left, share * self.stop.seconds)


def _improved(
    problem: Problem,
    legs: list[Leg],
    reachable: BoolArray,
    small: Problem,
    kept: IntArray,
    search: _Search,
    clock: Clock,
    effort: BoundEffort,
    progress: Progress,
) -> tuple[list[Leg], Bound]:
    """Column generation: the bound, and better plans from its routes, polished by the search."""
    limited = replace(
        effort, seconds=clock.part(BOUND_SHARE) if effort.seconds is None else effort.seconds, cpu=clock.stop.cpu
    )
    generation = ColumnGeneration(problem, np.flatnonzero(reachable), limited)
    generation.add_legs(legs)
    generation.add_routes([(crew, tuple(int(kept[job]) for job in jobs)) for crew, jobs in search.met(MOST_POOLED)])
    generation.run(part_of(progress, 0.0, 0.6))
    bound = Bound(generation.bound, "column generation with ng-routes")
    if generation.proven:
        return legs, bound
    best = _recombined(problem, legs, reachable, search, generation, clock, progress)
    left = clock.left()
    generation.add_legs(best)
    if generation.proven or (best is legs and left is None):
        return best, bound
    polished = _in_full(search.polish(_routes_within(best, kept), left, part_of(progress, 0.7, 1.0)), kept)
    polished = with_insertions(problem, with_required_jobs(problem, polished), reachable)
    secured = search.secured(problem)
    return (polished if _value(secured, polished) > _value(secured, best) else best), bound


def _recombined(
    problem: Problem,
    legs: list[Leg],
    reachable: BoolArray,
    search: _Search,
    generation: ColumnGeneration,
    clock: Clock,
    progress: Progress,
) -> list[Leg]:
    """The best of a plan and those made of the routes of the column generation."""
    progress(0.6, "planning routes")
    secured = search.secured(problem)
    best = legs
    proposals: list[Routes] = []
    generation.extend(clock.part(DIVE_SHARE))
    for first in range(DIVES):
        if first and generation.out_of_time():
            break
        proposals.append([(crew, list(jobs)) for crew, jobs in generation.dive(first)])
    proposals.append([(crew, list(jobs)) for crew, jobs in generation.recombine(clock.part(RECOMBINE_SHARE))])
    for routes in proposals:
        whole = without_orphans(problem, repaired(problem, routes))
        fresh = with_insertions(problem, with_required_jobs(problem, whole), reachable)
        if _value(secured, fresh) > _value(secured, best):
            best = fresh
    return best


def _in_full(legs: Sequence[Leg], kept: IntArray) -> list[Leg]:
    """Legs of the preselected problem in the numbering of the whole one."""
    return [
        Leg(leg.crew, tuple(int(kept[job]) for job in leg.jobs), leg.departs, leg.starts, leg.returns) for leg in legs
    ]


def _renumbered(routes: Routes, inverse: dict[int, int]) -> Routes:
    return [(crew, [inverse[job] for job in jobs if job in inverse]) for crew, jobs in routes]


def _routes_within(legs: Sequence[Leg], kept: IntArray) -> Routes:
    inverse = {int(job): position for position, job in enumerate(kept)}
    return _renumbered([(leg.crew, list(leg.jobs)) for leg in legs], inverse)


def _unserved(problem: Problem, legs: Sequence[Leg]) -> tuple[int, ...]:
    """Required jobs that the plan does not serve, by themselves or by an alternative."""
    served = {job for leg in legs for job in leg.jobs}
    groups = {int(problem.group[job]) for job in served} - {-1}
    return tuple(
        int(job)
        for job in np.flatnonzero(problem.required)
        if job not in served and int(problem.group[job]) not in groups
    )


def _finished(
    problem: Problem,
    legs: tuple[Leg, ...],
    benefit: int,
    cost: int,
    bound: Bound,
    search: _Search,
    seed: int,
    kept: int,
    unserved: tuple[int, ...],
) -> RoutePlan:
    value = benefit - cost
    upper = max(bound.value, float(value))
    gap = (upper - value) / value if value > 0 else (0.0 if upper <= value else float("inf"))
    return RoutePlan(
        legs=tuple(sorted(legs, key=lambda leg: leg.crew)),
        value=value,
        benefit=benefit,
        cost=cost,
        upper_bound=upper,
        gap=gap,
        bound_kind=bound.kind,
        seed=seed,
        iterations=search.iterations,
        kept=kept,
        unserved_required=unserved,
        broken_pairs_repaired=search.broken_pairs,
        pair_cost=search.pair_cost,
        notes=tuple(search.notes),
    )


def with_required_jobs(problem: Problem, legs: Sequence[Leg]) -> list[Leg]:
    """The plan with required jobs put in that the search left out, up to two others taken out for each."""
    plan = list(legs)
    for job in _unserved(problem, plan):
        if int(problem.group[job]) in {int(problem.group[done]) for leg in plan for done in leg.jobs} - {-1}:
            continue
        best: tuple[float, int, Leg] | None = None
        by_crew = {leg.crew: leg for leg in plan}
        for crew in (int(number) for number in np.flatnonzero(problem.allowed[job])):
            leg = by_crew.get(crew)
            own: tuple[int, ...] = () if leg is None else leg.jobs
            loose = [other for other in own if not problem.required[other] and problem.pair[other] < 0]
            for out in (out for count in range(3) for out in combinations(loose, count)):
                timed = cheapest_place(problem, crew, [other for other in own if other not in out], job)
                if timed is not None:
                    cost = leg_cost(problem, timed) - (0 if leg is None else leg_cost(problem, leg))
                    loss = float(problem.prize[list(out)].sum()) + cost
                    if best is None or loss < best[0]:
                        best = (loss, crew, timed)
        if best is not None:
            plan = [*(leg for leg in plan if leg.crew != best[1]), best[2]]
    return plan


def cheapest_place(problem: Problem, crew: int, jobs: Sequence[int], job: int, held: int = 0) -> Leg | None:
    """A crew-day with a job put at its cheapest place after the first `held` jobs; None if it fits nowhere."""
    options = [
        time_leg(problem, crew, (*jobs[:position], job, *jobs[position:])) for position in range(held, len(jobs) + 1)
    ]
    timed = [leg for leg in options if leg is not None]
    return min(timed, key=lambda leg: leg_cost(problem, leg), default=None)


def with_insertions(problem: Problem, legs: Sequence[Leg], reachable: BoolArray) -> list[Leg]:
    """The plan with every single job put in that still fits and pays, best gain first."""
    plan = list(legs)
    while True:
        done = {job for leg in plan for job in leg.jobs}
        groups = {int(problem.group[job]) for job in done} - {-1}
        free = reachable & (problem.pair < 0) & ~np.isin(problem.group, list(groups))
        free[list(done)] = False
        best = _best_insertion(problem, plan, np.flatnonzero(free))
        if best is None:
            return plan
        number, leg = best
        plan[number] = leg


def _best_insertion(problem: Problem, plan: Sequence[Leg], free: IntArray) -> tuple[int, Leg] | None:
    """The crew-day to change and its new leg, for the insertion of highest gain; None if none gains."""
    best: tuple[int, int, Leg] | None = None
    for number, leg in enumerate(plan):
        crew = problem.crews[leg.crew]
        spare = min(crew.latest_return - leg.returns + leg.departs - crew.opens, crew.length + crew.overtime)
        jobs = free[problem.allowed[free, leg.crew]]
        way = np.array([crew.start, *(problem.place[job] for job in leg.jobs), crew.end])
        place = problem.place[jobs]
        extra = (
            problem.travel[way[:-1][:, None], place[None, :]]
            + problem.travel[place[None, :], way[1:][:, None]]
            - problem.travel[way[:-1], way[1:]][:, None]
            + problem.service[jobs][None, :]
        )
        road = (
            problem.distance[way[:-1][:, None], place[None, :]]
            + problem.distance[place[None, :], way[1:][:, None]]
            - problem.distance[way[:-1], way[1:]][:, None]
        )
        gain = problem.prize[jobs][None, :] - crew.cost_per_distance * road
        # waiting may absorb added time, so time is priced only after the leg is timed again
        hopeful = (gain > 0) & (extra <= spare + _waiting(problem, leg))
        before = leg_cost(problem, leg)
        for position, column in zip(*np.nonzero(hopeful), strict=True):
            if best is not None and gain[position, column] <= best[0]:
                continue
            job = int(jobs[column])
            timed = time_leg(problem, leg.crew, (*leg.jobs[:position], job, *leg.jobs[position:]))
            if timed is not None:
                won = int(problem.prize[job]) - leg_cost(problem, timed) + before
                if won > 0 and (best is None or won > best[0]):
                    best = (won, number, timed)
    return None if best is None else (best[1], best[2])


def _waiting(problem: Problem, leg: Leg) -> int:
    """Time a leg spends waiting."""
    crew = problem.crews[leg.crew]
    way = [crew.start, *(int(problem.place[job]) for job in leg.jobs), crew.end]
    moving = sum(int(problem.travel[a, b]) for a, b in pairwise(way))
    return leg.returns - leg.departs - moving - sum(int(problem.service[job]) for job in leg.jobs)


def reachable_jobs(problem: Problem) -> BoolArray:
    """Jobs that at least one crew-day could do if it did nothing else."""
    reachable = np.zeros(problem.jobs, bool)
    for number, crew in enumerate(problem.crews):
        arrive = crew.opens + problem.travel[crew.start, problem.place]
        begin = np.maximum(arrive, problem.opens)
        back = begin + problem.service + problem.travel[problem.place, crew.end]
        out = problem.travel[crew.start, problem.place] + problem.service + problem.travel[problem.place, crew.end]
        fits = (begin <= problem.closes) & (back <= crew.latest_return) & (out <= crew.length + crew.overtime)
        reachable |= fits & problem.allowed[:, number]
    return reachable


def expected_visits(problem: Problem) -> float:
    """Visits one crew-day can be expected to make: shift over work plus travel to near jobs."""
    if not problem.jobs or not problem.crews:
        return 0.0
    shift = float(np.mean([crew.length for crew in problem.crews]))
    drive = float(np.median(_near_travel(problem, np.arange(problem.jobs))))
    return shift / max(1.0, float(np.median(problem.service)) + drive)


def _near_travel(problem: Problem, among: IntArray) -> NDArray[np.float64]:
    """Mean travel from each job to its nearest jobs among `among`, shape (jobs,)."""
    if len(among) < 2:
        return np.zeros(problem.jobs)
    near = np.empty(problem.jobs)
    take = min(NEIGHBOURS + 1, len(among))
    for first in range(0, problem.jobs, 512):
        rows = problem.travel[np.ix_(problem.place[first : first + 512], problem.place[among])]
        near[first : first + 512] = np.partition(rows, take - 1, axis=1)[:, :take].sum(axis=1) / max(1, take - 1)
    return near


def preselect(problem: Problem, reachable: BoolArray) -> BoolArray:
    """The jobs worth offering to the search: the best per minute, about three times what can be done.

    Score: (prize - own labour) / (work + travel to near good jobs + a share of the way from the depot).
    Required jobs, alternatives of kept jobs and partners of kept jobs always stay.
    """
    count = int(reachable.sum())
    days = len(problem.crews)
    if count <= ALWAYS_OFFERED or not days:
        return reachable.copy()
    visits = expected_visits(problem)
    factor = CANDIDATES_PER_VISIT_LARGE if days >= LARGE_CREW_DAYS else CANDIDATES_PER_VISIT
    limit = max(ALWAYS_OFFERED, int(np.ceil(factor * visits * days)))
    if count <= limit:
        return reachable.copy()
    rate = float(np.mean([crew.cost_per_time for crew in problem.crews]))
    depot = np.min(
        [problem.travel[crew.start, problem.place] + problem.travel[problem.place, crew.end] for crew in problem.crews],
        axis=0,
    )
    net = problem.prize - rate * problem.service
    simple = np.where(reachable, net / np.maximum(problem.service, 1), -np.inf)
    good = np.argsort(-simple, kind="stable")[: 2 * limit]
    minutes = problem.service + _near_travel(problem, good) + depot / max(visits, 1.0)
    score = np.where(reachable, net / np.maximum(minutes, 1.0), -np.inf)
    keep = np.zeros(problem.jobs, bool)
    keep[np.argsort(-score, kind="stable")[:limit]] = True
    keep |= problem.required & reachable
    for links in (problem.group, problem.pair):
        kept_links = np.unique(links[keep & (links >= 0)])
        keep |= np.isin(links, kept_links) & (links >= 0) & reachable
    alone = _lonely_ends(problem, keep)
    return keep & ~alone


def _lonely_ends(problem: Problem, keep: BoolArray) -> BoolArray:
    """Kept ends of pairs whose other end cannot be done by anyone."""
    numbers, counts = np.unique(problem.pair[keep & (problem.pair >= 0)], return_counts=True)
    return np.isin(problem.pair, numbers[counts < 2]) & (problem.pair >= 0)


class _Search:
    """The search on the preselected jobs, with required jobs secured and pairs kept whole.

    What both-ends pairs cost is found by searching first as if their ends were free, which also gives the plan to
    begin from.
    """

    def __init__(self, problem: Problem, stop: Stop, seed: int, progress: Progress) -> None:
        self.problem = problem
        self.stop = stop
        self.seed = seed
        self.progress = progress
        self.iterations = 0
        self.broken_pairs = 0
        self.pair_cost = 0
        self.notes: list[str] = []
        self.neighbourhoods: NeighbourhoodSearch | None = None
        self.numbers: IntArray = np.arange(problem.jobs)

    def met(self, most: int) -> Routes:
        """Crew-days met in good plans of the search, the last `most` of them."""
        if self.neighbourhoods is None:
            return []
        met = self.neighbourhoods.routes_met(most)
        return [(crew, [int(self.numbers[job]) for job in jobs]) for crew, jobs in met]

    def run(self, begin: Routes | None) -> list[Leg]:
        """The best feasible plan found."""
        problem = self.problem
        if not problem.jobs or not problem.crews:
            return []
        lonely = _lonely_ends(problem, np.ones(problem.jobs, bool))
        if lonely.any():
            keep = np.flatnonzero(~lonely)
            inner = _Search(problem.subset(keep), self.stop, self.seed, self.progress)
            legs = inner.run(None)
            self.iterations, self.notes = inner.iterations, inner.notes
            self.broken_pairs, self.pair_cost = inner.broken_pairs, inner.pair_cost
            self.neighbourhoods, self.numbers = inner.neighbourhoods, keep
            return [
                Leg(leg.crew, tuple(int(keep[job]) for job in leg.jobs), leg.departs, leg.starts, leg.returns)
                for leg in legs
            ]
        if (problem.pair < 0).all():
            return self._neighbourhoods(begin, self.stop, self.progress)
        free = _Search(
            replace(problem, pair=np.full(problem.jobs, -1, np.int64)),
            self.stop.share(RELAXED_SHARE),
            self.seed,
            part_of(self.progress, 0.0, RELAXED_SHARE),
        )
        relaxed = free.run(begin)
        self.iterations += free.iterations
        pruned = without_orphans(problem, relaxed)
        self.broken_pairs = sum(len(leg.jobs) for leg in relaxed) - sum(len(leg.jobs) for leg in pruned)
        best = self._neighbourhoods(
            _as_routes(pruned), self.stop.share(1 - RELAXED_SHARE), part_of(self.progress, RELAXED_SHARE, 1.0)
        )
        self.pair_cost = max(0, _value(problem, relaxed) - _value(problem, best))
        return best

    def _neighbourhoods(self, begin: Routes | None, stop: Stop, progress: Progress) -> list[Leg]:
        """Search on with the neighbourhood search; the better of its plan and the one begun with."""
        problem, secured = self.problem, self.secured(self.problem)
        kept = [] if begin is None else without_orphans(problem, repaired(problem, begin))
        if self.neighbourhoods is None:
            top = np.sort(problem.prize)[-max(1, problem.jobs // 2) :]
            self.neighbourhoods = NeighbourhoodSearch(secured, self.seed, scale=float(top.mean()))
        if kept:
            self.neighbourhoods.begin(_as_routes(kept))
        steps = None if stop.iterations is None else STEPS_PER_ITERATION * stop.iterations
        before = self.neighbourhoods.steps
        self.neighbourhoods.run(Stop(steps, stop.seconds, stop.cpu), progress)
        self.iterations += (self.neighbourhoods.steps - before) // STEPS_PER_ITERATION
        found = without_orphans(problem, repaired(problem, self.neighbourhoods.best))
        return max((kept, found), key=lambda legs: _value(secured, legs))

    def polish(self, begin: Routes, seconds: float | None, progress: Progress) -> list[Leg]:
        """Search on from a plan, for the seconds left or, without a clock, half the iterations; pairs stay whole."""
        stop = (
            self.stop.share(0.5) if seconds is None else Stop(self.stop.iterations, max(seconds, 0.01), self.stop.cpu)
        )
        if not begin or not self.problem.jobs or len(self.numbers) != self.problem.jobs:
            return repaired(self.problem, begin)
        return self._neighbourhoods(begin, stop, progress)

    def secured(self, problem: Problem) -> Problem:
        """Required jobs turned into optional ones of a prize above everything else together.

        So they are planned first, and what is left is still planned when one of them cannot be done.
        """
        if not problem.required.any():
            return problem
        largest_cost = sum(
            crew.fixed_cost
            + crew.cost_per_time * (crew.length + crew.overtime)
            + crew.cost_per_overtime * crew.overtime
            + crew.cost_per_distance * int(problem.distance.max(initial=0)) * 20
            for crew in problem.crews
        )
        bonus = int(problem.prize[~problem.required].sum()) + largest_cost + 1
        prize = np.where(problem.required, problem.prize + min(bonus, LARGEST_BONUS), problem.prize)
        return Problem(**{**problem.__dict__, "prize": prize, "required": np.zeros(problem.jobs, bool)})


def _value(problem: Problem, legs: Sequence[Leg]) -> int:
    benefit, cost = legs_value(problem, legs)
    return benefit - cost


def _as_routes(legs: Sequence[Leg]) -> Routes:
    return [(leg.crew, list(leg.jobs)) for leg in legs]


def without_orphans(problem: Problem, legs: Sequence[Leg]) -> list[Leg]:
    """The plan without ends of pairs whose other end is not in it."""
    done = [int(problem.pair[job]) for leg in legs for job in leg.jobs if problem.pair[job] >= 0]
    broken = {number for number in done if done.count(number) != 2}
    kept = []
    for leg in legs:
        jobs = [job for job in leg.jobs if int(problem.pair[job]) not in broken]
        timed = time_leg(problem, leg.crew, jobs) if jobs else None
        if timed is not None:
            kept.append(timed)
    return kept


def repaired(problem: Problem, routes: Routes) -> list[Leg]:
    """Timed, feasible crew-days from proposed routes: jobs that do not fit are taken out, least worth first."""
    legs = []
    seen_groups: set[int] = set()
    for crew, proposed in routes:
        jobs = []
        for job in proposed:
            group = int(problem.group[job])
            if group < 0 or group not in seen_groups:
                jobs.append(job)
                seen_groups.add(group)
        leg = time_leg(problem, crew, jobs)
        while leg is None and jobs:
            jobs.remove(min(jobs, key=lambda job: (bool(problem.required[job]), int(problem.prize[job]), job)))
            leg = time_leg(problem, crew, jobs)
        if leg is not None and leg.jobs:
            legs.append(leg)
    return legs
