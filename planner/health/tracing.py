"""Where dirt came from, and what moved a belief: each end face's chain of operations walked through.

In come the operations and what the last sweeps kept of them; out come, per end face, the probable arrivals
of its dirt (from the air, from a partner, there from the start) and the change of its log-odds by event.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from planner.health.contamination import Inferred
from planner.health.episodes import BOTH, Operations

Bool = npt.NDArray[np.bool_]
Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int32 = npt.NDArray[np.int32]
Int64 = npt.NDArray[np.int64]

DECIBANS = 10.0 / np.log(10.0)
AIR, PARTNER, CLEANING, REST, START = range(5)


@dataclass(frozen=True)
class Chain:
    """The operations of chosen end faces, ordered by end face and time, shape (k,) each.

    `partner` is the other end face of the pair, -1 for an end face alone.
    """

    face: Int32
    operation: Int64
    side: npt.NDArray[np.int8]
    partner: Int32


def chains(inferred: Inferred, chosen: Bool) -> Chain:
    """All operations that touch the chosen end faces (mask of shape (n,))."""
    operations = inferred.coded.operations
    # operations of an end face stand in the order of time: runs are numbered by when they begin
    runs = np.diff(operations.first)
    of_a = np.repeat(chosen[operations.face_a], runs)
    of_b = np.repeat((operations.face_b >= 0) & chosen[operations.face_b], runs)
    run = operations.run()
    first, second = np.flatnonzero(of_a), np.flatnonzero(of_b)
    face = np.concatenate([operations.face_a[run[first]], operations.face_b[run[second]]])
    partner = np.concatenate([operations.face_b[run[first]], operations.face_a[run[second]]])
    operation = np.concatenate([first, second])
    side = np.repeat(np.array([0, 1], np.int8), [len(first), len(second)])
    order = np.lexsort((operation, face))
    return Chain(face[order], operation[order], side[order], partner[order])


@dataclass(frozen=True)
class Arrivals:
    """Probable arrivals of the dirt that is on an end face now, shape (k,) each.

    `share`: probability that this is how it came, given that the end face is dirty; `how` one of AIR,
    PARTNER, CLEANING, REST, START; `event` the event (-1 for the start); `partner` who, -1 nobody.
    """

    face: Int32
    event: Int64
    how: npt.NDArray[np.int8]
    partner: Int32
    share: Float64


@njit(cache=True)
def _walk_back(  # pragma: no cover - compiled
    first: Int64,
    face_a: Int32,
    face_b: Int32,
    kept: Float32,
    chosen: Bool,
    least: Float64,
    survived: Float64,
    best: Float64,
    best_at: Int64,
    face: Int32,
    at: Int64,
    share: Float64,
) -> int:
    """Arrivals of a share of at least `least` (n,), and the largest of each end face; `at` is 2 x operation + side,
    -1 for the start. Without room the arrivals are only counted."""
    found = 0
    write = len(face) > 0
    for r in range(len(face_a) - 1, -1, -1):
        for side in range(2):
            x = face_a[r] if side == 0 else face_b[r]
            if x < 0 or not chosen[x]:
                continue
            for k in range(first[r + 1] - 1, first[r] - 1, -1):
                stays = min(max(np.float64(kept[k, side]), 1e-12), 1.0)
                came = survived[x] * (1.0 - stays)
                survived[x] *= stays
                if came >= best[x]:  # of equal ones the first
                    best[x], best_at[x] = came, 2 * k + side
                if came >= least[x] and came > 0.0:
                    if write:
                        face[found], at[found], share[found] = x, 2 * k + side, came
                    found += 1
    for x in range(len(chosen)):
        if chosen[x] and best_at[x] >= -1:
            if survived[x] > best[x]:
                best[x], best_at[x] = survived[x], -1
            if survived[x] >= least[x]:
                if write:
                    face[found], at[found], share[found] = x, -1, survived[x]
                found += 1
    return found


def arrivals(inferred: Inferred, chosen: Bool, least: Float64) -> tuple[Arrivals, Arrivals]:
    """Walk the chosen end faces' operations backwards: arrival = survived so far x P(not dirty before | dirty after).

    Parameters
    ----------
    chosen
        Mask of shape (n,); an end face without operations has no arrivals.
    least
        The smallest share that is listed, shape (n,).

    Returns
    -------
    The arrivals of at least that share, and the likeliest one of every chosen end face whatever its share.
    """
    operations = inferred.coded.operations
    n = len(chosen)
    face, at, share = np.empty(0, np.int32), np.empty(0, np.int64), np.empty(0)
    for _ in range(2):  # count, then fill
        survived, best, best_at = np.ones(n), np.zeros(n), np.full(n, -2, np.int64)
        best_at[operations.face_a] = -1
        best_at[operations.face_b[operations.face_b >= 0]] = -1
        found = _walk_back(
            operations.first,
            operations.face_a,
            operations.face_b,
            inferred.kept,
            chosen,
            least,
            survived,
            best,
            best_at,
            face,
            at,
            share,
        )
        if found == 0:
            break
        if len(face) == 0:
            face, at, share = np.empty(found, np.int32), np.empty(found, np.int64), np.empty(found)
    one = np.flatnonzero(chosen & (best_at >= -1)).astype(np.int32)
    return _described(inferred, face, at, share), _described(inferred, one, best_at[one], best[one])


def _described(inferred: Inferred, face: Int32, at: Int64, share: Float64) -> Arrivals:
    """Arrivals by place (2 x operation + side, -1 the start) with what happened there."""
    operations, classes = inferred.coded.operations, inferred.coded.classes
    if len(operations.code) == 0:
        start = np.full(len(face), -1)
        return Arrivals(face, start, np.full(len(face), START, np.int8), start.astype(np.int32), share)
    operation, side, begins = np.maximum(at, 0) >> 1, at & 1, at < 0
    code, cls = operations.code[operation], operations.cls[operation]
    how = np.where(
        code == BOTH,
        PARTNER,
        np.where(cls < classes.first_cleaning, AIR, np.where(cls < classes.first_look, CLEANING, REST)),
    )
    how = np.where(begins, START, how).astype(np.int8)
    run = np.searchsorted(operations.first, operation, side="right") - 1
    other = np.where(side == 0, operations.face_b[run], operations.face_a[run])
    return Arrivals(
        face,
        np.where(begins, -1, operations.event[operation]).astype(np.int64),
        how,
        np.where(how == PARTNER, other, -1).astype(np.int32),
        share,
    )


@njit(cache=True)
def _count_events(  # pragma: no cover - compiled
    first: Int64, face_a: Int32, face_b: Int32, event: Int32, last: Int32, count: Int32
) -> None:
    for r in range(len(face_a)):
        for side in range(2):
            x = face_a[r] if side == 0 else face_b[r]
            if x < 0:
                continue
            for k in range(first[r], first[r + 1]):
                if event[k] > last[x]:
                    last[x] = event[k]
                    count[x] += 1


def events_of(operations: Operations, n: int) -> Int32:
    """How many events (waiting until now is one) each end face's belief rests on, shape (n,)."""
    count = np.zeros(n, np.int32)
    last = np.full(n, -1, np.int32)
    _count_events(operations.first, operations.face_a, operations.face_b, operations.event, last, count)
    return count


@dataclass(frozen=True)
class Moves:
    """How events moved the log-odds of end faces being not clean, shape (k,) each.

    `event` -1 is the prior, m (the number of events) what waiting until now adds; decibans of one end face
    add up to its log-odds from the history.
    """

    face: Int32
    event: Int64
    partner: Int32
    decibans: Float64


def log_odds(probability: Float64) -> Float64:
    """Natural log-odds, kept finite."""
    clipped = np.clip(probability, 1e-6, 1.0 - 1e-6)
    return np.log(clipped / (1.0 - clipped))


def moves(inferred: Inferred, chain: Chain, start_not_clean: Float64, chosen: Bool) -> Moves:
    """The change of each end face's log-odds by event, from the start to now.

    Parameters
    ----------
    start_not_clean
        P(not clean) that each end face starts with, shape (n,).
    chosen
        The end faces that `chain` was made for; those without operations get their prior alone.
    """
    operations = inferred.coded.operations
    happened = operations.event[chain.operation] >= 0  # forming the pairs of the start tells nothing
    chain = Chain(chain.face[happened], chain.operation[happened], chain.side[happened], chain.partner[happened])
    event = operations.event[chain.operation].astype(np.int64)
    after = log_odds(inferred.odds[chain.operation, chain.side].astype(np.float64))
    new_face = np.append(True, chain.face[1:] != chain.face[:-1]) if len(chain.face) else np.empty(0, np.bool_)
    before = np.empty(len(after))
    before[1:] = after[:-1]
    before[new_face] = log_odds(start_not_clean[chain.face[new_face]])
    change = (after - before) * DECIBANS
    # operations of one event make one line
    new_line = new_face.copy()
    new_line[1:] |= event[1:] != event[:-1]
    starts = np.flatnonzero(new_line)
    summed = np.add.reduceat(change, starts) if len(starts) else np.empty(0)
    partner = chain.partner[starts]
    faces = np.flatnonzero(chosen).astype(np.int32)
    prior = log_odds(start_not_clean[faces]) * DECIBANS
    return Moves(
        np.concatenate([faces, chain.face[starts]]),
        np.concatenate([np.full(len(faces), -1, np.int64), event[starts]]),
        np.concatenate([np.full(len(faces), -1, np.int32), partner]),
        np.concatenate([prior, summed]),
    )
