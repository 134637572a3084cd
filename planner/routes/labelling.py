"""The best single crew-day under job prices: forward labelling over whole time, the kernel of the bound.

A label is a partial route: job just started, start time, value so far, and which recently visited neighbours it
may not return to (ng-routes: Baldacci, Mingozzi, Roberti 2011, Operations Research 59, doi 10.1287/opre.1110.0975,
from memory). Routes that come back to a far job are allowed: a relaxation, so the best value found is an upper
bound on that of any real route.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MOST_NEIGHBOURS = 63


class Workspace:
    """Memory for labels, used again by every call. `most` is the largest number of labels of one call."""

    def __init__(self, most: int) -> None:
        self.most = most
        self.node = np.empty(most, np.int32)
        self.value = np.empty(most, np.float64)
        self.busy = np.empty(most, np.int64)
        self.mask = np.empty(most, np.uint64)
        self.pred = np.empty(most, np.int32)
        self.link = np.empty(most, np.int32)


@njit(cache=True)
def best_routes(  # type: ignore[no-untyped-def]
    travel,
    arc_cost,
    gain,
    out_time,
    out_cost,
    back_time,
    back_cost,
    service,
    opens,
    closes,
    earliest,
    latest,
    length,
    overtime_rate,
    neighbour,
    position,
    order,
    arcs,
    width,
    node,
    value,
    busy,
    mask,
    pred,
    link,
    best_label,
    best_value,
):
    """Best value of a route (0 for staying at home), and the best label that ends at each job.

    All arrays are local to the jobs offered: shape (n, n) for travel, arc_cost and position, (n,) otherwise,
    `neighbour` (n, k). `gain` is prize less price less the cost of the work; jobs without gain are passed over, which
    never makes the best route worse as travel obeys the triangle inequality. `order` names the jobs from the nearest
    on, shape (n, n); only the first `arcs` ways out of a job that can be driven are tried, and at most `width` - 1
    labels are kept that are later and worth no more than another at the same job: few arcs or a small width are
    quick, but no bound. Returns (best value, labels made, ways
    tried); labels made equal to the memory means it was not finished.
    """
    n = len(gain)
    follow = np.empty((n, min(arcs, n)), np.int32)
    follows = np.zeros(n, np.int32)
    for i in range(n):
        if gain[i] <= 0.0:
            continue
        first = max(opens[i], earliest + out_time[i]) + service[i]
        for k in range(n):
            j = order[i, k]
            if j == i or gain[j] <= 0.0:
                continue
            start = max(first + travel[i, j], opens[j])
            if start > closes[j] or start + service[j] + back_time[j] > latest:
                continue
            if follows[i] >= arcs:
                break
            follow[i, follows[i]] = j
            follows[i] += 1
    horizon = latest - earliest + 1
    head = np.full(horizon, -1, np.int32)
    settled = np.full(n, -1, np.int32)
    track_busy = overtime_rate > 0
    most = len(node)
    made = 0
    tried = 0
    best = 0.0
    for j in range(n):
        best_label[j] = -1
        best_value[j] = -1e300
        if gain[j] <= 0.0:
            continue
        start = earliest + out_time[j]
        if start < opens[j]:
            start = opens[j]
        if start <= closes[j] and start + service[j] + back_time[j] <= latest:
            if made >= most:
                return best, most, tried
            node[made] = j
            value[made] = gain[j] - out_cost[j]
            busy[made] = out_time[j] + service[j] if track_busy else 0
            mask[made] = np.uint64(1)
            pred[made] = -1
            link[made] = head[start - earliest]
            head[start - earliest] = made
            made += 1
    one = np.uint64(1)
    zero = np.uint64(0)
    for tick in range(horizon):
        while head[tick] >= 0:
            label = head[tick]
            head[tick] = link[label]
            i = node[label]
            worth = value[label]
            spent = busy[label]
            seen = mask[label]
            # settled labels at i are sorted by falling value; all of them started no later
            before = -1
            other = settled[i]
            dominated = False
            looked = 0
            while other >= 0 and value[other] >= worth:
                looked += 1
                if looked >= width or (mask[other] & ~seen == zero and busy[other] <= spent):
                    dominated = True
                    break
                before = other
                other = link[other]
            if dominated:
                continue
            link[label] = other
            if before < 0:
                settled[i] = label
            else:
                link[before] = label
            ends = worth - back_cost[i]
            if track_busy and spent + back_time[i] > length:
                ends -= overtime_rate * (spent + back_time[i] - length)
            if ends > best_value[i]:
                best_value[i] = ends
                best_label[i] = label
                if ends > best:
                    best = ends
            free = earliest + tick + service[i]
            tried += follows[i]
            for k in range(follows[i]):
                j = follow[i, k]
                start = free + travel[i, j]
                if start > closes[j]:
                    continue
                place = position[i, j]
                if place >= 0 and (seen >> np.uint64(place)) & one:
                    continue
                if start < opens[j]:
                    start = opens[j]
                if start + service[j] + back_time[j] > latest:
                    continue
                got = worth + gain[j] - arc_cost[i, j]
                kept = one
                bits = seen
                b = 0
                while bits:
                    if bits & one:
                        p = position[j, neighbour[i, b]]
                        if p >= 0:
                            kept |= one << np.uint64(p)
                    bits >>= one
                    b += 1
                used = spent + travel[i, j] + service[j] if track_busy else spent
                other = settled[j]
                looked = 0
                dominated = False
                while other >= 0 and value[other] >= got and looked < 12:
                    looked += 1
                    if looked >= width or (mask[other] & ~kept == zero and busy[other] <= used):
                        dominated = True
                        break
                    other = link[other]
                if dominated:
                    continue
                if made >= most:
                    return best, most, tried
                node[made] = j
                value[made] = got
                busy[made] = used
                mask[made] = kept
                pred[made] = label
                link[made] = head[start - earliest]
                head[start - earliest] = made
                made += 1
    return best, made, tried


def neighbour_sets(closeness: FloatArray, size: int) -> list[list[int]]:
    """For each job itself and the `size` - 1 jobs it could most easily return to."""
    n = len(closeness)
    ranked = np.argsort(closeness + np.where(np.eye(n, dtype=bool), -np.inf, 0), axis=1, kind="stable")
    return [[int(job) for job in row[: min(size, n)]] for row in ranked]


def neighbour_arrays(sets: list[list[int]]) -> tuple[NDArray[np.int32], NDArray[np.int8]]:
    """Neighbour lists as arrays: members, shape (n, widest), and the place of every job in every list or -1."""
    n = len(sets)
    widest = max((len(row) for row in sets), default=1)
    members = np.zeros((n, widest), np.int32)
    place = np.full((n, n), -1, np.int8)
    for job, row in enumerate(sets):
        members[job, : len(row)] = row
        place[job, row] = np.arange(len(row))
    return members, place
