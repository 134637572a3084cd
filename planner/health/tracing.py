"""Where dirt came from, and what moved a belief: each end face's chain of operations walked through.

In come the operations and what the last sweeps kept of them; out come, per end face, the probable arrivals
of its dirt (from the air, from a partner, there from the start) and the change of its log-odds by event.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from planner.health.contamination import Inferred
from planner.health.episodes import BOTH

Bool = npt.NDArray[np.bool_]
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


def arrivals(inferred: Inferred, chain: Chain) -> Arrivals:
    """Walk every chain backwards: arrival = survived so far x P(not dirty before | dirty after)."""
    operations, classes = inferred.coded.operations, inferred.coded.classes
    kept = np.clip(inferred.kept[chain.operation, chain.side].astype(np.float64), 1e-12, 1.0)
    # survival to the operation: product of `kept` over the later operations of the same end face
    logs = np.log(kept)
    total = np.cumsum(logs)
    last = np.append(chain.face[1:] != chain.face[:-1], True) if len(chain.face) else np.empty(0, np.bool_)
    ends = total[np.flatnonzero(last)]
    group = np.cumsum(np.concatenate([[0], last[:-1].astype(np.int64)])) if len(last) else np.empty(0, np.int64)
    survived = np.exp(ends[group] - total)
    share = survived * (1.0 - kept)
    code, cls = operations.code[chain.operation], operations.cls[chain.operation]
    how = np.where(
        code == BOTH,
        PARTNER,
        np.where(cls < classes.first_cleaning, AIR, np.where(cls < classes.first_look, CLEANING, REST)),
    ).astype(np.int8)
    first = np.concatenate([[True], last[:-1]]) if len(last) else last
    from_start = survived[first] * kept[first]
    begin = chain.face[first]
    return Arrivals(
        np.concatenate([chain.face, begin]),
        np.concatenate([operations.event[chain.operation].astype(np.int64), np.full(len(begin), -1)]),
        np.concatenate([how, np.full(len(begin), START, np.int8)]),
        np.concatenate([np.where(how == PARTNER, chain.partner, -1), np.full(len(begin), -1)]).astype(np.int32),
        np.concatenate([share, from_start]),
    )


def likeliest(found: Arrivals, n: int) -> Int64:
    """For each end face the entry of its likeliest arrival; -1 if it has none."""
    order = np.lexsort((-found.share, found.face))
    face = found.face[order]
    first = np.append(True, face[1:] != face[:-1]) if len(face) else np.empty(0, np.bool_)
    out = np.full(n, -1, np.int64)
    out[face[first]] = order[first]
    return out


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
