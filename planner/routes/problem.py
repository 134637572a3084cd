"""The routing problem as plain whole-number arrays: jobs with prizes and windows, crew-days, travel.

Everything the planner plans passes through these arrays, and so do the published test instances. Times are
whole units of the caller's choice (the planner uses minutes), distances and money likewise (100 m, cents).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from planner.errors import ParameterError

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
Routes = list[tuple[int, list[int]]]  # (crew-day, jobs in order)

# Sums of prizes and costs stay far below this, so that 64-bit sums cannot overflow.
LARGEST_AMOUNT = 10**12


@dataclass(frozen=True)
class CrewDay:
    """One crew on one day: where it starts and ends, when, and what it costs.

    Parameters
    ----------
    start, end
        Locations (rows of the travel matrix) where the day starts and ends.
    opens, closes
        The shift: earliest departure and latest return without overtime. [time]
    overtime
        Time allowed beyond the regular length of the shift. [time]
    cost_per_time, cost_per_distance
        Price of one time unit of the whole day (travel, work and waiting) and of one distance unit. [money]
    cost_per_overtime
        Price of one overtime unit on top of `cost_per_time`. [money]
    fixed_cost
        Price of sending the crew out at all. [money]
    """

    start: int
    end: int
    opens: int
    closes: int
    overtime: int = 0
    cost_per_time: int = 0
    cost_per_distance: int = 0
    cost_per_overtime: int = 0
    fixed_cost: int = 0

    @property
    def length(self) -> int:
        """Regular length of the shift. [time]"""
        return self.closes - self.opens

    @property
    def latest_return(self) -> int:
        """Latest return, overtime used up. [time]"""
        return self.closes + self.overtime


@dataclass(frozen=True)
class Stop:
    """When the search ends: after so many iterations (repeatable) or so many seconds; the first reached.

    `cpu` counts the seconds of this process instead of those on the wall, for measurements on a shared machine.
    """

    iterations: int | None = None
    seconds: float | None = None
    cpu: bool = False

    def __post_init__(self) -> None:
        if self.iterations is None and self.seconds is None:
            raise ParameterError("stop: got neither iterations nor seconds; give at least one of them")
        if self.iterations is not None and self.iterations < 1:
            raise ParameterError(f"stop iterations: got {self.iterations}, must be 1 or more")
        if self.seconds is not None and not self.seconds > 0:
            raise ParameterError(f"stop seconds: got {self.seconds}, must be above 0")

    def share(self, part: float) -> Stop:
        """The same stop with that part of the iterations and seconds."""
        return Stop(
            None if self.iterations is None else max(1, int(self.iterations * part)),
            None if self.seconds is None else self.seconds * part,
            self.cpu,
        )

    @property
    def words(self) -> str:
        """The stop in words, as plans state it."""
        parts = [] if self.iterations is None else [f"{self.iterations} iterations"]
        parts += [] if self.seconds is None else [f"{self.seconds:g} s"]
        return " or ".join(parts)


@dataclass(frozen=True)
class Problem:
    """Jobs, travel and crew-days.

    Parameters
    ----------
    travel, distance
        Time and distance from every location to every other, shape (locations, locations), zero diagonal.
        Time lost getting into a site belongs into the arcs that lead to it: a second job there is free of it.
    place
        Location of each job, shape (jobs,).
    service
        Time at the job, shape (jobs,).
    opens, closes
        Window in which the job must START, shape (jobs,).
    prize
        Worth of the job, shape (jobs,). [money]
    crews
        The crew-days.
    allowed
        Which crew-day may do which job (skills, kit, day), shape (jobs, crew-days).
    required
        Jobs that must be in any plan, shape (jobs,).
    group
        Jobs with the same number 0, 1, ... are alternatives of which at most one is done; -1 none, shape (jobs,).
    pair
        Two jobs with the same number 0, 1, ... count only if both are done; -1 none, shape (jobs,).
    """

    travel: IntArray
    distance: IntArray
    place: IntArray
    service: IntArray
    opens: IntArray
    closes: IntArray
    prize: IntArray
    crews: tuple[CrewDay, ...]
    allowed: BoolArray
    required: BoolArray
    group: IntArray
    pair: IntArray

    @property
    def jobs(self) -> int:
        """Number of jobs."""
        return len(self.place)

    @property
    def costs_nothing(self) -> bool:
        """Whether only prizes count, as in the published team-orienteering instances."""
        return all(
            crew.cost_per_time == crew.cost_per_distance == crew.cost_per_overtime == crew.fixed_cost == 0
            for crew in self.crews
        )

    def subset(self, keep: IntArray) -> Problem:
        """The same crew-days with only the jobs `keep` (indices); groups and pairs keep their numbers."""
        return Problem(
            self.travel,
            self.distance,
            self.place[keep],
            self.service[keep],
            self.opens[keep],
            self.closes[keep],
            self.prize[keep],
            self.crews,
            self.allowed[keep],
            self.required[keep],
            self.group[keep],
            self.pair[keep],
        )

    def with_required(self, required: BoolArray) -> Problem:
        """The same problem with other required jobs."""
        return Problem(**{**self.__dict__, "required": required})


@dataclass(frozen=True)
class Leg:
    """One crew-day as planned: its jobs in order and when each starts.

    `departs` and `returns` bound the day, `starts[k]` is when the work of job `jobs[k]` starts. [time]
    """

    crew: int
    jobs: tuple[int, ...]
    departs: int
    starts: tuple[int, ...]
    returns: int


@dataclass(frozen=True)
class RoutePlan:
    """What `plan_routes` gives back.

    `value` is what was maximised: prizes less cost. `upper_bound` is proven: no plan of these crews and jobs
    has a higher value. `gap` is (upper_bound - value) / value, infinite if value is not positive.
    """

    legs: tuple[Leg, ...]
    value: int
    benefit: int
    cost: int
    upper_bound: float
    gap: float
    bound_kind: str
    seed: int
    iterations: int
    kept: int
    unserved_required: tuple[int, ...] = ()
    broken_pairs_repaired: int = 0
    pair_cost: int = 0
    notes: tuple[str, ...] = field(default=())


def make_problem(
    travel: NDArray[np.integer],
    service: NDArray[np.integer],
    windows: NDArray[np.integer],
    prizes: NDArray[np.integer],
    crews: Sequence[CrewDay],
    *,
    distance: NDArray[np.integer] | None = None,
    place: NDArray[np.integer] | None = None,
    allowed: NDArray[np.bool_] | None = None,
    required: NDArray[np.bool_] | None = None,
    group: NDArray[np.integer] | None = None,
    pair: NDArray[np.integer] | None = None,
) -> Problem:
    """Check the arrays of a routing problem and fill in the defaults.

    Raises
    ------
    ParameterError
        An array has the wrong shape, a negative time, an index outside the matrix, an amount that is too large.
    """
    jobs = len(service)
    where = np.arange(jobs) if place is None else np.asarray(place)
    problem = Problem(
        travel=_whole("travel", travel),
        distance=_whole("distance", travel if distance is None else distance),
        place=_whole("place", where),
        service=_whole("service", service),
        opens=_whole("windows", np.asarray(windows).reshape(jobs, 2)[:, 0]),
        closes=_whole("windows", np.asarray(windows).reshape(jobs, 2)[:, 1]),
        prize=_whole("prizes", prizes),
        crews=tuple(crews),
        allowed=np.ones((jobs, len(crews)), bool) if allowed is None else np.asarray(allowed, bool),
        required=np.zeros(jobs, bool) if required is None else np.asarray(required, bool),
        group=np.full(jobs, -1, np.int64) if group is None else _whole("group", group),
        pair=np.full(jobs, -1, np.int64) if pair is None else _whole("pair", pair),
    )
    _check(problem)
    return problem


def _whole(name: str, values: NDArray[np.generic]) -> IntArray:
    array = np.asarray(values)
    if array.size == 0:
        return np.zeros(array.shape, np.int64)
    if not np.issubdtype(array.dtype, np.integer):
        raise ParameterError(f"{name}: got numbers of type {array.dtype}, must be whole; scale and round them first")
    return np.ascontiguousarray(array, np.int64)


def _check(problem: Problem) -> None:
    jobs, locations = problem.jobs, len(problem.travel)
    for name, array in (("travel", problem.travel), ("distance", problem.distance)):
        if array.shape != (locations, locations):
            raise ParameterError(
                f"{name}: got shape {array.shape}, must be square and as large as travel ({locations})"
            )
        if array.size and (array.min() < 0 or array.diagonal().any()):
            raise ParameterError(f"{name}: must be 0 on the diagonal and nowhere negative; lowest is {array.min()}")
    for name in ("place", "opens", "closes", "prize", "required", "group", "pair"):
        if getattr(problem, name).shape != (jobs,):
            raise ParameterError(f"{name}: got shape {getattr(problem, name).shape}, must be ({jobs},): one per job")
    if problem.allowed.shape != (jobs, len(problem.crews)):
        raise ParameterError(
            f"allowed: got shape {problem.allowed.shape}, must be (jobs, crew-days) = ({jobs}, {len(problem.crews)})"
        )
    if jobs and (problem.place.min() < 0 or problem.place.max() >= locations):
        raise ParameterError(f"place: got {problem.place.max()}, must lie in 0..{locations - 1}")
    if jobs and problem.service.min() < 0:
        raise ParameterError(f"service: got {problem.service.min()}, must not be negative")
    if jobs and (problem.prize.min() < 0 or problem.prize.sum() > LARGEST_AMOUNT):
        raise ParameterError(
            f"prizes: got {problem.prize.min()} to {problem.prize.max()}, must not be negative nor sum above "
            f"{LARGEST_AMOUNT:,}; use a coarser unit of money"
        )
    for number, count in zip(*np.unique(problem.pair[problem.pair >= 0], return_counts=True), strict=True):
        if count != 2:
            raise ParameterError(f"pair {number}: got {count} jobs, must be exactly two")
    for position, crew in enumerate(problem.crews):
        if not (0 <= crew.start < locations and 0 <= crew.end < locations):
            raise ParameterError(
                f"crew-day {position}: starts at {crew.start}, ends at {crew.end}; must lie in the matrix"
            )
        if min(crew.opens, crew.overtime, crew.cost_per_time, crew.cost_per_distance, crew.cost_per_overtime) < 0:
            raise ParameterError(f"crew-day {position}: got a negative time or cost in {crew}")
