"""Large-neighbourhood search over the arrays of a routing problem: take some jobs out, put the best ones in, repeat.

Strings of neighbouring jobs are taken out of neighbouring crew-days (after Christiaens and Vanden Berghe 2020,
Transportation Science 54, doi 10.1287/trsc.2019.0914, from memory), jobs are put in where they gain most per unit of
time, with noise, and worse plans are accepted with falling probability. Inserting is checked in constant time with the
earliest and latest start of each stop. Every crew-day met in a good plan goes into a pool, from which
`planner.routes.bounds` recombines plans.
"""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from planner.progress import Progress, silent
from planner.routes.problem import Problem, Routes, Stop

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MOST_CANDIDATES = 160
FEWEST_CANDIDATES = 20  # jobs considered for insertion in one step
MOST_ROUTES = 12  # crew-days considered for insertion in one step
NEIGHBOURS = 60
POOL_ROWS = 4096
FAR = 1 << 60
TILT = 0.02
HEAT = 1.0
COOL = 0.03
MOST_OUT = 20


@njit(cache=True)
def _draw(state):  # type: ignore[no-untyped-def]
    """Next number of a 64-bit xorshift stream, 0 <= x < 1."""
    x = state[0]
    x ^= x >> np.uint64(12)
    x ^= x << np.uint64(25)
    x ^= x >> np.uint64(27)
    state[0] = x
    return ((x * np.uint64(2685821657736338717)) >> np.uint64(11)) * (1.0 / 9007199254740992.0)


@njit(cache=True)
def _refresh(c, travel, distance, service, opens, closes, prize, crew, rates, seq, size, early, late, worth):  # type: ignore[no-untyped-def]
    """Earliest and latest starts of a crew-day, its prizes, cost and least length."""
    last = size[c] + 1
    start = crew[c, 2]
    early[c, 0] = start
    clock = start
    waited = np.int64(0)
    slack = crew[c, 3] - start
    got = 0.0
    road = np.int64(0)
    for p in range(1, last):
        before, job = seq[c, p - 1], seq[c, p]
        clock += travel[before, job]
        road += distance[before, job]
        if clock < opens[job]:
            waited += opens[job] - clock
            clock = opens[job]
        slack = min(slack, waited + closes[job] - clock)
        early[c, p] = clock
        clock += service[job]
        got += prize[job]
    if last > 1:
        before = seq[c, last - 1]
        clock += travel[before, seq[c, last]]
        road += distance[before, seq[c, last]]
    early[c, last] = clock
    late[c, last] = crew[c, 3]
    for p in range(last - 1, 0, -1):
        job = seq[c, p]
        limit = late[c, p + 1] - travel[job, seq[c, p + 1]] - service[job]
        late[c, p] = min(limit, closes[job])
    late[c, 0] = FAR
    worth[c, 0] = got
    worth[c, 1] = 0.0
    if last > 1:
        spent = clock - start - min(waited, slack)
        over = max(0, spent - crew[c, 4])
        worth[c, 1] = rates[c, 3] + rates[c, 0] * spent + rates[c, 1] * road + rates[c, 2] * over
        worth[c, 2] = spent
    else:
        worth[c, 2] = 0.0


@njit(cache=True)
def _best_place(  # type: ignore[no-untyped-def]
    j, c, travel, distance, service, opens, closes, crew, rates, seq, size, early, late, worth, gain, power
):
    """Best position of a job in a crew-day: score, position, 0 if none. Score: gain over time to a power."""
    best = 0.0
    at = 0
    last = size[c] + 1
    rate = rates[c, 0]
    road_rate = rates[c, 1]
    for p in range(1, last + 1):
        before, after = seq[c, p - 1], seq[c, p]
        clock = early[c, p - 1]
        if p > 1:
            clock += service[before]
        if clock > closes[j]:
            break
        start = clock + travel[before, j]
        if start > closes[j]:
            continue
        if start < opens[j]:
            start = opens[j]
        leaves = start + service[j]
        reach = leaves + travel[j, after]
        if reach > late[c, p]:
            continue
        if last == 1:
            direct = np.int64(0)
            road = distance[before, j] + distance[j, after]
        else:
            direct = travel[before, after]
            road = distance[before, j] + distance[j, after] - distance[before, after]
        push = reach - clock - direct
        won = gain - road_rate * road
        if rate > 0.0 or rates[c, 2] > 0.0:
            # time is paid unless waiting further on absorbs it
            paid = push
            room = early[c, p] - clock - direct
            if p < last and room > 0:
                paid = max(np.int64(0), push - room)
            if last == 1:
                paid = travel[before, j] + service[j] + travel[j, after]
            won -= rate * paid
            if last == 1:
                won -= rates[c, 3]
            if rates[c, 2] > 0.0:
                over = worth[c, 2] + paid - crew[c, 4]
                if over > 0.0:
                    won -= rates[c, 2] * min(over, float(paid))
        if won <= 0.0:
            continue
        score = won / (push + 1.0) ** power
        if score > best:
            best = score
            at = p
    return best, at


@njit(cache=True)
def _take_out(c, p, seq, size, where, group, group_used):  # type: ignore[no-untyped-def]
    job = seq[c, p]
    for k in range(p, size[c] + 1):
        seq[c, k] = seq[c, k + 1]
    size[c] -= 1
    where[job] = -1
    if group[job] >= 0:
        group_used[group[job]] = 0
    return job


@njit(cache=True)
def _put_in(job, c, p, seq, size, where, group, group_used):  # type: ignore[no-untyped-def]
    for k in range(size[c] + 1, p - 1, -1):
        seq[c, k + 1] = seq[c, k]
    seq[c, p] = job
    size[c] += 1
    where[job] = c
    if group[job] >= 0:
        group_used[group[job]] = 1


@njit(cache=True)
def search(  # type: ignore[no-untyped-def]
    travel,
    distance,
    service,
    opens,
    closes,
    prize,
    group,
    partner,
    crew,
    rates,
    allowed,
    near,
    weight,
    steps,
    warm,
    cold,
    share_from,
    share_to,
    most_out,
    state,
    seq,
    size,
    where,
    group_used,
    best_seq,
    best_size,
    best_value,
    pool_seq,
    pool_size,
    pool_crew,
):
    """`steps` steps of the search; the plan (`seq`, `size`, `where`) and the best one change in place.

    `weight` prices the cost in the value that steers the search (1 where costs are real); `best_value` holds the true
    and the steering value of the best plan. The temperature falls from `warm` to `cold` as the share of the whole
    search done goes from 0 to 1; this call covers `share_from` to `share_to`. Returns rows used in the pool.
    """
    n, m = len(service), len(size)
    width = seq.shape[1]
    early = np.zeros((m, width), np.int64)
    late = np.zeros((m, width), np.int64)
    worth = np.zeros((m, 3))
    for c in range(m):
        _refresh(c, travel, distance, service, opens, closes, prize, crew, rates, seq, size, early, late, worth)
    tiny = 1e-9
    true_weight = 1.0 if weight >= 1.0 else tiny
    now = 0.0
    now_true = 0.0
    for c in range(m):
        now += worth[c, 0] - weight * worth[c, 1]
        now_true += worth[c, 0] - true_weight * worth[c, 1]
    if now_true > best_value[0]:
        best_value[0] = now_true
        best_seq[:] = seq
        best_size[:] = size
    old_seq = np.empty_like(seq)
    old_size = np.empty_like(size)
    touched = np.zeros(m, np.bool_)
    touched_list = np.empty(m, np.int64)
    out = np.empty(n, np.int64)
    cand = np.empty(n, np.int64)
    marked = np.zeros(n, np.int64)
    stamp = 0
    routes = np.empty(m, np.int64)
    in_routes = np.zeros(m, np.bool_)
    scores = np.empty((MOST_CANDIDATES, MOST_ROUTES))
    places = np.empty((MOST_CANDIDATES, MOST_ROUTES), np.int64)
    used = 0
    routed = 0
    for j in range(n):
        if where[j] >= 0:
            routed += 1
    steering = rates * weight
    for step in range(steps):
        share = share_from + (share_to - share_from) * step / steps
        heat = warm * (cold / warm) ** share
        stamp += 1
        touches = 0
        outs = 0
        # ---- take out
        kind = _draw(state)
        seed = int(_draw(state) * n)
        wanted = 1 + int(_draw(state) * min(most_out, max(1, routed // 2)))
        if routed > 0 and kind < 0.75:
            # strings of neighbouring jobs in the crew-days around the seed
            average = routed / max(1, m)
            longest = max(1.0, min(10.0, average))
            strings = 1 + int(_draw(state) * max(1.0, 2.0 * wanted / (1.0 + longest)))
            done = 0
            for k in range(-1, near.shape[1]):
                if done >= strings:
                    break
                j = seed if k < 0 else near[seed, k]
                c = where[j]
                if c < 0 or touched[c]:
                    continue
                touched[c] = True
                touched_list[touches] = c
                touches += 1
                old_seq[c] = seq[c]
                old_size[c] = size[c]
                done += 1
                many = 1 + int(_draw(state) * min(longest, float(size[c])))
                at = 1
                while seq[c, at] != j:
                    at += 1
                low = max(1, at - many + 1)
                high = min(at, size[c] - many + 1)
                if high < low:
                    high = low
                first = low + int(_draw(state) * (high - low + 1))
                skip = -1
                if many > 1 and size[c] > many and _draw(state) < 0.3:
                    skip = int(_draw(state) * many)  # a job inside the string that stays
                    many += 1
                p = first
                for k2 in range(many):
                    if p > size[c]:
                        break
                    if k2 == skip:
                        p += 1
                        continue
                    out[outs] = _take_out(c, p, seq, size, where, group, group_used)
                    outs += 1
        elif routed > 0 and kind < 0.95:
            # jobs at random anywhere; few
            few = max(1, wanted // 2)
            for _ in range(few):
                c = int(_draw(state) * m)
                if size[c] == 0:
                    continue
                if not touched[c]:
                    touched[c] = True
                    touched_list[touches] = c
                    touches += 1
                    old_seq[c] = seq[c]
                    old_size[c] = size[c]
                out[outs] = _take_out(c, 1 + int(_draw(state) * size[c]), seq, size, where, group, group_used)
                outs += 1
        elif routed > 0:
            c = int(_draw(state) * m)
            if size[c] > 0:
                touched[c] = True
                touched_list[touches] = c
                touches += 1
                old_seq[c] = seq[c]
                old_size[c] = size[c]
                while size[c] > 0:
                    out[outs] = _take_out(c, size[c], seq, size, where, group, group_used)
                    outs += 1
        # the other ends of pairs go along
        k = 0
        while k < outs:
            other = partner[out[k]]
            if other >= 0 and where[other] >= 0:
                c = where[other]
                if not touched[c]:
                    touched[c] = True
                    touched_list[touches] = c
                    touches += 1
                    old_seq[c] = seq[c]
                    old_size[c] = size[c]
                p = 1
                while seq[c, p] != other:
                    p += 1
                out[outs] = _take_out(c, p, seq, size, where, group, group_used)
                outs += 1
            k += 1
        for k in range(touches):
            _refresh(
                touched_list[k],
                travel,
                distance,
                service,
                opens,
                closes,
                prize,
                crew,
                rates,
                seq,
                size,
                early,
                late,
                worth,
            )
        # ---- who may come in
        count = 0
        limit = min(MOST_CANDIDATES, FEWEST_CANDIDATES + int(_draw(state) ** 2 * MOST_CANDIDATES) + outs)
        for k in range(min(outs, limit)):
            if marked[out[k]] != stamp:
                marked[out[k]] = stamp
                cand[count] = out[k]
                count += 1
        if n - routed + outs <= limit:
            for j in range(n):
                if where[j] < 0 and marked[j] != stamp:
                    marked[j] = stamp
                    cand[count] = j
                    count += 1
        else:
            if marked[seed] != stamp and where[seed] < 0 and count < limit:
                marked[seed] = stamp
                cand[count] = seed
                count += 1
            base = count
            for rank in range(near.shape[1]):
                for k in range(base):
                    j = near[cand[k], rank]
                    if where[j] < 0 and marked[j] != stamp and count < limit:
                        marked[j] = stamp
                        cand[count] = j
                        count += 1
                if count >= limit:
                    break
        for k in range(count):
            other = partner[cand[k]]
            if other >= 0 and where[other] < 0 and marked[other] != stamp and count < MOST_CANDIDATES:
                marked[other] = stamp
                cand[count] = other
                count += 1
        # ---- which crew-days may take them
        many_routes = 0
        if m <= MOST_ROUTES:
            for c in range(m):
                routes[many_routes] = c
                many_routes += 1
        else:
            for k in range(min(touches, MOST_ROUTES)):
                routes[many_routes] = touched_list[k]
                in_routes[touched_list[k]] = True
                many_routes += 1
            for rank in range(near.shape[1]):
                c = where[near[seed, rank]]
                if c >= 0 and not in_routes[c] and many_routes < MOST_ROUTES:
                    in_routes[c] = True
                    routes[many_routes] = c
                    many_routes += 1
            for _ in range(2):  # and some others, maybe idle ones
                c = int(_draw(state) * m)
                if not in_routes[c] and many_routes < MOST_ROUTES:
                    in_routes[c] = True
                    routes[many_routes] = c
                    many_routes += 1
            for k in range(many_routes):
                in_routes[routes[k]] = False
        # ---- put in
        power = 0.2 + 1.2 * _draw(state)
        noise = 0.0
        if _draw(state) < 0.8:
            noise = 0.6 * _draw(state)
        bonus = 0.0
        if _draw(state) < 0.3:
            bonus = 0.5 * _draw(state)  # prefer dear jobs beyond their share
        waiting_for = -1  # the other end of a pair whose first end has just been put in
        first_end = -1
        changed_route = -1  # the crew-day to score anew; at first all of them
        while True:
            for k in range(count):
                j = cand[k]
                if where[j] >= 0 or marked[j] != stamp:
                    continue
                for r in range(many_routes):
                    c = routes[r]
                    if changed_route >= 0 and c != changed_route:
                        continue
                    scores[k, r] = 0.0
                    if allowed[j, c] and not (group[j] >= 0 and group_used[group[j]] == 1):
                        scores[k, r], places[k, r] = _best_place(
                            j,
                            c,
                            travel,
                            distance,
                            service,
                            opens,
                            closes,
                            crew,
                            steering,
                            seq,
                            size,
                            early,
                            late,
                            worth,
                            prize[j] ** (1.0 + bonus),
                            power,
                        )
                        scores[k, r] *= 1.0 - noise * _draw(state)
            top = 0.0
            top_k = -1
            top_r = -1
            for k in range(count):
                j = cand[k]
                if where[j] >= 0 or (waiting_for >= 0 and j != waiting_for):
                    continue
                if waiting_for < 0 and partner[j] >= 0 and marked[partner[j]] != stamp:
                    continue
                for r in range(many_routes):
                    if scores[k, r] > top:
                        top = scores[k, r]
                        top_k = k
                        top_r = r
            if top_k < 0:
                if waiting_for < 0:
                    break
                # the other end does not fit: take the first out again, and neither is tried again
                c = where[first_end]
                p = 1
                while seq[c, p] != first_end:
                    p += 1
                _take_out(c, p, seq, size, where, group, group_used)
                _refresh(c, travel, distance, service, opens, closes, prize, crew, rates, seq, size, early, late, worth)
                marked[first_end] = -1
                marked[waiting_for] = -1
                for k in range(count):
                    if cand[k] == first_end or cand[k] == waiting_for:
                        for r in range(many_routes):
                            scores[k, r] = 0.0
                waiting_for = -1
                changed_route = c
            else:
                j = cand[top_k]
                c = routes[top_r]
                if not touched[c]:
                    touched[c] = True
                    touched_list[touches] = c
                    touches += 1
                    old_seq[c] = seq[c]
                    old_size[c] = size[c]
                _put_in(j, c, places[top_k, top_r], seq, size, where, group, group_used)
                _refresh(c, travel, distance, service, opens, closes, prize, crew, rates, seq, size, early, late, worth)
                changed_route = c
                if waiting_for >= 0:
                    waiting_for = -1
                elif partner[j] >= 0:
                    waiting_for = partner[j]
                    first_end = j
            if top_k >= 0 and group[cand[top_k]] >= 0:
                for k in range(count):
                    if group[cand[k]] == group[cand[top_k]]:
                        for r in range(many_routes):
                            scores[k, r] = 0.0
        # ---- keep or undo
        fresh = 0.0
        fresh_true = 0.0
        for c in range(m):
            fresh += worth[c, 0] - weight * worth[c, 1]
            fresh_true += worth[c, 0] - true_weight * worth[c, 1]
        if fresh_true > best_value[0] + tiny * 1e-3:
            best_value[0] = fresh_true
            best_value[1] += 1.0
            best_seq[:] = seq
            best_size[:] = size
        if fresh >= now + heat * np.log(max(1e-300, _draw(state))):
            changed = fresh != now
            now = fresh
            routed = 0
            for c in range(m):
                routed += size[c]
            if changed and fresh_true > best_value[0] * (1.0 - 0.03):
                for k in range(touches):
                    c = touched_list[k]
                    if size[c] > 0 and used < len(pool_size):
                        pool_seq[used] = seq[c]
                        pool_size[used] = size[c]
                        pool_crew[used] = c
                        used += 1
        else:
            for k in range(touches):
                c = touched_list[k]
                for p in range(1, size[c] + 1):
                    job = seq[c, p]
                    if where[job] == c:
                        where[job] = -1
                        if group[job] >= 0:
                            group_used[group[job]] = 0
            for k in range(touches):
                c = touched_list[k]
                seq[c] = old_seq[c]
                size[c] = old_size[c]
                for p in range(1, size[c] + 1):
                    job = seq[c, p]
                    where[job] = c
                    if group[job] >= 0:
                        group_used[group[job]] = 1
                _refresh(c, travel, distance, service, opens, closes, prize, crew, rates, seq, size, early, late, worth)
        for k in range(touches):
            touched[touched_list[k]] = False
    return used


@dataclass(frozen=True)
class Found:
    """Jobs in order of one crew-day met in a good plan."""

    crew: int
    jobs: tuple[int, ...]


class NeighbourhoodSearch:
    """The search with its plan, its best plan and its pool; goes on where it stopped when run again."""

    def __init__(self, problem: Problem, seed: int, *, tilt: float = TILT, scale: float | None = None) -> None:
        self.problem = problem
        n, m = problem.jobs, len(problem.crews)
        ends = sorted({place for crew in problem.crews for place in (crew.start, crew.end)})
        place = np.concatenate([problem.place, np.array(ends, np.int64)])
        node = {where: n + number for number, where in enumerate(ends)}
        self.travel = np.ascontiguousarray(problem.travel[np.ix_(place, place)], np.int32)
        self.distance = np.ascontiguousarray(problem.distance[np.ix_(place, place)], np.int32)
        self.prize = problem.prize.astype(float)
        self.partner = np.full(n, -1, np.int64)
        for number in np.unique(problem.pair[problem.pair >= 0]):
            first, second = np.flatnonzero(problem.pair == number)
            self.partner[first], self.partner[second] = second, first
            self.prize[[first, second]] = self.prize[[first, second]].mean()
        self.crew = np.array(
            [(node[c.start], node[c.end], c.opens, c.latest_return, c.length) for c in problem.crews], np.int64
        ).reshape(m, 5)
        self.rates = np.array(
            [(c.cost_per_time, c.cost_per_distance, c.cost_per_overtime, c.fixed_cost) for c in problem.crews], float
        ).reshape(m, 4)
        self.weight = 1.0
        top = np.sort(self.prize)[-max(1, n // 2) :]
        self.scale = max(1.0, scale if scale is not None else float(top.mean()) if n else 1.0)
        between = self.travel[:n, :n].astype(np.float32)
        if problem.costs_nothing:
            self.rates[:, 1] = 1.0
            few = np.partition(between, min(10, n - 1), axis=1)[:, 1 : min(10, n)] if n > 1 else between
            # below 1, which is what tells the search that costs are real
            self.weight = min(0.5, tilt * float(problem.prize.mean()) / max(1.0, float(few.mean()))) if n else 0.5
        self.near = _near_jobs(problem, between)
        self.state = np.array([((2 * seed + 1) * 0x9E3779B97F4A7C15) % 2**64], np.uint64)
        longest = _most_stops(problem)
        self.seq = np.zeros((m, longest + 2), np.int32)
        self.seq[:, 0], self.seq[:, 1] = self.crew[:, 0], self.crew[:, 1]
        self.size = np.zeros(m, np.int64)
        self.where = np.full(n, -1, np.int64)
        self.group_used = np.zeros(int(problem.group.max(initial=-1)) + 2, np.int64)
        self.best_seq, self.best_size = self.seq.copy(), self.size.copy()
        self.best_value = np.array([-1e300, 0.0])
        self.pool: dict[tuple[int, frozenset[int]], Found] = {}
        self._pool_seq = np.zeros((POOL_ROWS, longest + 2), np.int32)
        self._pool_size = np.zeros(POOL_ROWS, np.int64)
        self._pool_crew = np.zeros(POOL_ROWS, np.int64)
        self.steps = 0
        self.speed = 1000.0

    def run(self, stop: Stop, progress: Progress = silent, *, heat: float = HEAT) -> None:
        """Search on until the stop; steps count as iterations."""
        clock = time.process_time if stop.cpu else time.perf_counter
        began = clock()
        done, share = 0, 0.0
        while share < 1.0:
            chunk = 200 if done == 0 else int(np.clip(self.speed * 0.1, 50, 20000))
            if stop.iterations is not None:
                chunk = min(500, stop.iterations - done)
                ahead = (done + chunk) / stop.iterations
            else:
                ahead = min(1.0, share + chunk / max(1.0, self.speed * (stop.seconds or 1.0)))
            used = search(
                self.travel,
                self.distance,
                self.problem.service,
                self.problem.opens,
                self.problem.closes,
                self.prize,
                self.problem.group,
                self.partner,
                self.crew,
                self.rates,
                self.problem.allowed,
                self.near,
                self.weight,
                chunk,
                heat * self.scale,
                heat * self.scale * COOL,
                share,
                ahead,
                MOST_OUT,
                self.state,
                self.seq,
                self.size,
                self.where,
                self.group_used,
                self.best_seq,
                self.best_size,
                self.best_value,
                self._pool_seq,
                self._pool_size,
                self._pool_crew,
            )
            self._note(used)
            done += chunk
            self.steps += chunk
            share = ahead if stop.iterations is not None else 0.0
            if stop.seconds is not None:
                spent = clock() - began
                self.speed = done / max(spent, 1e-6)
                share = max(share, spent / stop.seconds)
            progress(min(1.0, share), "planning routes")

    def _note(self, used: int) -> None:
        for row in range(used):
            jobs = tuple(self._pool_seq[row, 1 : self._pool_size[row] + 1].tolist())
            crew = int(self._pool_crew[row])
            self.pool.setdefault((crew, frozenset(jobs)), Found(crew, jobs))

    @property
    def best(self) -> Routes:
        """The best plan found."""
        return [
            (crew, [int(job) for job in self.best_seq[crew, 1 : size + 1]])
            for crew, size in enumerate(self.best_size.tolist())
            if size
        ]

    def begin(self, routes: Routes) -> None:
        """Go on from this plan (jobs in order per crew-day, feasible)."""
        self.size[:] = 0
        self.where[:] = -1
        self.group_used[:] = 0
        self.seq[:, 1] = self.crew[:, 1]
        for crew, jobs in routes:
            count = len(jobs)
            self.seq[crew, 1 : count + 1] = jobs
            self.seq[crew, count + 1] = self.crew[crew, 1]
            self.size[crew] = count
            self.where[jobs] = crew
            groups = self.problem.group[jobs]
            self.group_used[groups[groups >= 0]] = 1

    def routes_met(self, most: int) -> Routes:
        """The crew-days met in good plans, the last `most` of them."""
        return [(found.crew, list(found.jobs)) for found in list(self.pool.values())[-most:]]


def _near_jobs(problem: Problem, between: NDArray[np.float32]) -> IntArray:
    """The nearest jobs of each: by travel plus part of the waiting or lateness that cannot be avoided."""
    n = problem.jobs
    take = min(NEIGHBOURS, n - 1)
    near = np.empty((n, max(take, 0)), np.int64)
    for first in range(0, n, 512):
        rows = slice(first, min(first + 512, n))
        wait = problem.opens[None, :] - problem.closes[rows, None] - problem.service[rows, None] - between[rows]
        back = problem.opens[rows, None] - problem.closes[None, :] - problem.service[None, :] - between[:, rows].T
        cost = np.minimum(between[rows] + 0.2 * np.maximum(wait, 0), between[:, rows].T + 0.2 * np.maximum(back, 0))
        cost[np.arange(rows.stop - first), np.arange(first, rows.stop)] = np.inf
        some = np.argpartition(cost, max(take - 1, 0), axis=1)[:, :take]
        order = np.argsort(np.take_along_axis(cost, some, axis=1), axis=1, kind="stable")
        near[rows] = np.take_along_axis(some, order, axis=1)
    return near


def _most_stops(problem: Problem) -> int:
    """No crew-day can hold more jobs than this."""
    if not problem.jobs or not problem.crews:
        return 1
    longest = max(crew.latest_return - crew.opens for crew in problem.crews)
    return max(1, min(problem.jobs, int(np.searchsorted(np.cumsum(np.sort(problem.service)), longest, "right"))))
