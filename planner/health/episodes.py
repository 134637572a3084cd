"""From the stream of events to operations on end faces and mated pairs, in the order of the work.

A pair is formed at the first mating of two end faces and parted only when one of them mates with a third;
all that happens between is one chain of the pair. In come integer-coded events with the partner of every
mating (planner.plant.patching), out come operations for `planner.health.sweeps`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

Int8 = npt.NDArray[np.int8]
Int32 = npt.NDArray[np.int32]
Int64 = npt.NDArray[np.int64]

# Kinds of events, in the order of the work inside one moment.
REPORT, DEMATE, LOOK, CLEAN, LOOK_AFTER, MATE, REPLACED = range(7)
CLEANED_FIRST = 2

# Operations: on a single end face, on one side of a pair, on both sides; forming and parting a pair.
SINGLE, SIDE_A, SIDE_B, BOTH, MERGE, SPLIT = range(6)

DAY = 86400
JOB_GAP = DAY // 2  # events of one end face closer than this belong to one job
WAITS = 13  # classes of waiting time: below 1, 2, 4 ... 2048 days, longer


@dataclass(frozen=True)
class Stream:
    """The events of a fleet in the order of the work, shape (m,) each, and what its end faces start with.

    Attributes
    ----------
    at, kind, face, partner, detail
        Seconds; kind of event; end face; its partner at a mating or demating (-1 none); detail of the kind.
    opening, implied_opening
        Class of operation that opening means for the end face of the event, shape (m, 2): itself, its
        partner. `implied_opening` counts where the record holds no demating.
    act
        Class of the event's own operation on its end face (look, cleaning, report). Shape (m,).
    unrecorded_cleaning
        Class of a cleaning by unknown method: of a mating with `cleaned_first`, and of a look after
        cleaning, where the records hold no cleaning. Shape (m,).
    first_look, repeated
        Added to the class of a look that starts a job; to that of a cleaning that follows one of the same
        job after which the end face was still found dirty. [-]
    waiting
        Class of the first waiting operation; + WAITS for open end faces. [-]
    renewed, not_recorded
        Class of the operation that a replaced end face means; of what happens unrecorded to an end face that
        was found not clean and left the job without a recorded cleaning.
    start_partner
        Partner of each end face before the first event; -1 none. Shape (n,).
    start_at, end_at
        Start and end of the history. [s]
    """

    at: Int64
    kind: Int8
    face: Int32
    partner: Int32
    detail: Int8
    opening: Int32
    implied_opening: Int32
    act: Int32
    unrecorded_cleaning: Int32
    first_look: int
    repeated: int
    waiting: int
    renewed: int
    not_recorded: int
    start_partner: Int32
    start_at: int
    end_at: int


@dataclass(frozen=True)
class Operations:
    """What the sweeps run over, shape (k,) each; pairs shape (p,).

    `unit` is an end face for SINGLE, else a pair; `cls` indexes the tables of operations; `event` is the
    event it comes from, -1 for the start, m for the end of the history.
    """

    code: Int8
    unit: Int32
    cls: Int32
    event: Int32
    pair_a: Int32
    pair_b: Int32
    pair_now: Int32  # pair of each end face at the end, -1 none; shape (n,)
    waited: npt.NDArray[np.float64]  # mean days waited per waiting class, shape (2 * WAITS,)


@njit(cache=True)
def _wait_class(seconds: int) -> int:  # pragma: no cover - compiled
    days = seconds / 86400.0
    level = 0
    while days >= 1.0 and level < 12:
        days /= 2.0
        level += 1
    return level


@njit(cache=True)
def _emit(  # pragma: no cover - compiled
    write: bool,
    done: Int64,
    code: Int8,
    unit: Int32,
    cls: Int32,
    event: Int32,
    op: int,
    who: int,
    kind: int,
    number: int,
) -> None:
    if write:
        code[done[0]] = op
        unit[done[0]] = who
        cls[done[0]] = kind
        event[done[0]] = number
    done[0] += 1


@njit(cache=True)
def _compile(  # pragma: no cover - compiled
    write: bool,
    at: Int64,
    kind: Int8,
    face: Int32,
    partner: Int32,
    detail: Int8,
    opening: Int32,
    implied_opening: Int32,
    act: Int32,
    unrecorded_cleaning: Int32,
    numbers: Int64,  # first_look, waiting, renewed, start_at, end_at, not_recorded, repeated
    start_partner: Int32,
    code: Int8,
    unit: Int32,
    cls: Int32,
    event: Int32,
    pair_a: Int32,
    pair_b: Int32,
    pair_of: Int32,
    waited: npt.NDArray[np.float64],
    done: Int64,  # operations, pairs
) -> None:
    first_look, waiting, renewed = numbers[0], numbers[1], numbers[2]
    start_at, end_at, not_recorded = numbers[3], numbers[4], numbers[5]
    repeated = numbers[6]
    n = len(start_partner)
    m = len(at)
    is_open = np.zeros(n, np.bool_)
    borrowed = np.zeros(n, np.bool_)  # opened without a demating in the records: closed again unrecorded
    last_at = np.full(n, start_at, np.int64)
    last_clean = np.full(n, start_at - 10 * 86400, np.int64)
    touched = np.zeros(n, np.bool_)
    seen_dirty = np.zeros(n, np.bool_)  # looked at and found not clean since the last cleaning
    two = np.empty(2, np.int64)
    for a in range(n):
        b = start_partner[a]
        if b > a:
            pair_of[a] = pair_of[b] = done[1]
            pair_a[done[1]] = a
            pair_b[done[1]] = b
            _emit(write, done, code, unit, cls, event, 4, done[1], 0, -1)
            done[1] += 1
        elif b < 0:
            is_open[a] = True
    for e in range(m + n):
        ending = e >= m
        if ending:
            now, a, b, what, number = end_at, e - m, -1, -1, m
        else:
            now, a, b, what, number = at[e], face[e], partner[e], kind[e], e
        # waiting of the end face, and of the one it meets, parts from or is paired with
        starts_job = now - last_at[a] >= 43200 or not touched[a]
        two[0], two[1] = a, b
        if (what == 2 or what == 3 or what == 4) and not is_open[a] and pair_of[a] >= 0:
            p = pair_of[a]
            two[1] = pair_b[p] if pair_a[p] == a else pair_a[p]
        for k in range(2):
            x = two[k]
            if x < 0:
                continue
            p = pair_of[x]
            gap = now - last_at[x]
            if gap >= 43200:
                if seen_dirty[x]:
                    op = 0 if p < 0 else (1 if pair_a[p] == x else 2)
                    _emit(write, done, code, unit, cls, event, op, x if p < 0 else p, not_recorded, number)
                    seen_dirty[x] = False
                if p >= 0 and (borrowed[x] or (what == 1 and is_open[x] and touched[x])):
                    y = pair_b[p] if pair_a[p] == x else pair_a[p]
                    if pair_of[y] == p:
                        _emit(write, done, code, unit, cls, event, 3, p, 1, number)
                        is_open[x] = is_open[y] = False
                        borrowed[x] = borrowed[y] = False
                level = _wait_class(gap) + (13 if is_open[x] else 0)
                waited[level, 0] += gap / 86400.0
                waited[level, 1] += 1.0
                op = 0 if p < 0 else (1 if pair_a[p] == x else 2)
                _emit(write, done, code, unit, cls, event, op, x if p < 0 else p, waiting + level, number)
            last_at[x] = now
            if not ending:
                touched[x] = True
        if ending:
            continue
        if what == 0 or what == 6:  # report of a closed order, replaced end face
            p = pair_of[a]
            op = 0 if p < 0 else (1 if pair_a[p] == a else 2)
            _emit(write, done, code, unit, cls, event, op, a if p < 0 else p, act[e] if what == 0 else renewed, number)
            continue
        # opening: recorded for a demating, implied for the rest where the end face is not open
        if not is_open[a] or (what == 5 and b >= 0 and not is_open[b]):
            other = -1
            if pair_of[a] >= 0:
                p = pair_of[a]
                other = pair_b[p] if pair_a[p] == a else pair_a[p]
            if what == 1 and b >= 0:
                other = b
            for k in range(3):
                x = a if k == 0 else (other if k == 1 else b)
                if x < 0 or is_open[x] or (k == 1 and is_open[a] and what == 5):
                    continue
                if k == 2 and what != 5:
                    continue
                own = 0 if k == 0 else 1
                if what == 1 or what == 5:
                    c = opening[e, own]
                else:
                    c = implied_opening[e, own]
                    borrowed[x] = True
                p = pair_of[x]
                op = 0 if p < 0 else (1 if pair_a[p] == x else 2)
                _emit(write, done, code, unit, cls, event, op, x if p < 0 else p, c, number)
                is_open[x] = True
        if what == 1:
            continue
        p = pair_of[a]
        op = 0 if p < 0 else (1 if pair_a[p] == a else 2)
        who = a if p < 0 else p
        if what == 2 or what == 4:
            if what == 4 and (seen_dirty[a] or now - last_clean[a] > 43200):
                again = repeated if seen_dirty[a] and now - last_clean[a] <= 43200 else 0
                _emit(write, done, code, unit, cls, event, op, who, unrecorded_cleaning[e] + again, number)
                last_clean[a] = now
            extra = first_look if (starts_job and what == 2) else 0
            _emit(write, done, code, unit, cls, event, op, who, act[e] + extra, number)
            seen_dirty[a] = detail[e] != 0
        elif what == 3:
            again = repeated if seen_dirty[a] and now - last_clean[a] <= 43200 else 0
            _emit(write, done, code, unit, cls, event, op, who, act[e] + again, number)
            last_clean[a] = now
            seen_dirty[a] = False
        else:
            if (detail[e] & 2) and now - last_clean[a] > 43200:
                _emit(write, done, code, unit, cls, event, op, who, unrecorded_cleaning[e], number)
                last_clean[a] = now
            elif seen_dirty[a]:
                _emit(write, done, code, unit, cls, event, op, who, not_recorded, number)
            seen_dirty[a] = False
            if b >= 0:
                if p < 0 or pair_of[b] != p:
                    for k in range(2):
                        x = a if k == 0 else b
                        q = pair_of[x]
                        if q >= 0:
                            y = pair_b[q] if pair_a[q] == x else pair_a[q]
                            _emit(write, done, code, unit, cls, event, 5, q, 0, number)
                            pair_of[x] = pair_of[y] = -1
                            is_open[y] = True
                            borrowed[y] = False
                    pair_of[a] = pair_of[b] = done[1]
                    pair_a[done[1]] = a
                    pair_b[done[1]] = b
                    _emit(write, done, code, unit, cls, event, 4, done[1], 0, number)
                    done[1] += 1
                _emit(write, done, code, unit, cls, event, 3, pair_of[a], 0, number)
                is_open[b] = borrowed[b] = False
            is_open[a] = borrowed[a] = False


def compile_operations(stream: Stream) -> Operations:
    """The operations of a stream; see `Stream` for what an incomplete record is taken to mean.

    A look or cleaning of an end face that the records hold as mated implies that it was opened, and closed
    again before the next job; a demating of one that was already open implies an unrecorded mating; a mating
    of one that the records hold as mated elsewhere implies that it was opened there.
    """
    n = len(stream.start_partner)
    numbers = np.array(
        [
            stream.first_look,
            stream.waiting,
            stream.renewed,
            stream.start_at,
            stream.end_at,
            stream.not_recorded,
            stream.repeated,
        ],
        np.int64,
    )
    most_pairs = n // 2 + int(np.count_nonzero((stream.kind == MATE) & (stream.partner >= 0))) + 1
    pair_a, pair_b = np.empty(most_pairs, np.int32), np.empty(most_pairs, np.int32)
    empty8, empty32 = np.empty(0, np.int8), np.empty(0, np.int32)
    code, unit, cls, event = empty8, empty32, empty32, empty32
    for write in (False, True):
        pair_of = np.full(n, -1, np.int32)
        waited = np.zeros((2 * WAITS, 2))
        done = np.zeros(2, np.int64)
        _compile(
            write,
            stream.at,
            stream.kind,
            stream.face,
            stream.partner,
            stream.detail,
            stream.opening,
            stream.implied_opening,
            stream.act,
            stream.unrecorded_cleaning,
            numbers,
            stream.start_partner,
            code,
            unit,
            cls,
            event,
            pair_a,
            pair_b,
            pair_of,
            waited,
            done,
        )
        if not write:
            k = int(done[0])
            code, unit = np.empty(k, np.int8), np.empty(k, np.int32)
            cls, event = np.empty(k, np.int32), np.empty(k, np.int32)
    pairs = int(done[1])
    days = waited[:, 0] / np.maximum(waited[:, 1], 1.0)
    return Operations(code, unit, cls, event, pair_a[:pairs].copy(), pair_b[:pairs].copy(), pair_of, days)
