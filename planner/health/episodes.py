"""From the stream of events to operations on end faces and mated pairs, in the order of the work.

A pair is formed at the first mating of two end faces and parted only when one of them mates with a third;
all that happens between is one chain of the pair. In come integer-coded events with the partner of every
mating (planner.plant.patching), out come operations for `planner.health.sweeps`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from numba import njit

Int8 = npt.NDArray[np.int8]
Int32 = npt.NDArray[np.int32]
Int64 = npt.NDArray[np.int64]
Float64 = npt.NDArray[np.float64]
Whole = int | np.int64  # inside compiled code

# Kinds of events, in the order of the work inside one moment.
REPORT, DEMATE, LOOK, CLEAN, LOOK_AFTER, MATE, REPLACED = range(7)
CLEANED_FIRST = 2

# Operations: on a single end face, on one side of a pair, on both sides; forming and parting a pair.
SINGLE, SIDE_A, SIDE_B, BOTH, MERGE, SPLIT = range(6)

DAY = 86400
WAITS = 13  # classes of waiting time: below 1, 2, 4 ... 2048 days, longer
OUTCOMES = 4

STEPS_AT_ONCE = 1 << 18
MOST_PER_STEP = 16  # operations that one event can mean; the longest case above has 14


@dataclass(frozen=True)
class Stream:
    """The events of a fleet in the order of the work, shape (m,) each, and what its end faces start with.

    Attributes
    ----------
    at, kind, face, partner, detail, port, technician, test_set
        Seconds; kind of event; end face; its partner at a mating or demating; detail of the kind; port,
        technician and test set by number. -1 where there is none.
    home
        Port where events of an end face happen that name none; -1 unknown. Shape (n,).
    face_kind
        0 plug, 1 built in, 2 launch cord or test set. Shape (n,).
    port_site, port_air
        Site number (-1 none) and kind of air of each port. Shape (p,).
    sites, technicians, test_sets
        How many there are.
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
    port: Int32
    technician: Int32
    test_set: Int32
    home: Int32
    face_kind: Int8
    port_site: Int32
    port_air: Int8
    sites: int
    technicians: int
    test_sets: int
    start_partner: Int32
    start_at: int
    end_at: int


@dataclass(frozen=True)
class Operations:
    """What the sweeps run over: runs of operations, shape (r,), and the operations in them, shape (k,).

    A run is what happens to a pair from its forming to its parting, or to an end face between two pairs. Runs
    are numbered by when they begin, so that what a run starts from is found in runs before it, and its
    operations lie side by side in the order of time.

    Attributes
    ----------
    first
        Where the operations of each run begin; one more entry for the end of the last. Shape (r + 1,).
    face_a, face_b
        End faces of the run; `face_b` is -1 for an end face alone. Shape (r,).
    code, cls, event
        Kind of operation, index to the tables of operations, and the event it comes from (-1 for the start, m
        for the end of the history). Shape (k,).
    waited
        Mean days waited per waiting class, shape (2 * WAITS,).
    """

    first: Int64
    face_a: Int32
    face_b: Int32
    code: Int8
    cls: Int32
    event: Int32
    waited: Float64

    def run(self) -> Int32:
        """The run of every operation, shape (k,)."""
        return np.repeat(np.arange(len(self.face_a), dtype=np.int32), np.diff(self.first))


@dataclass(frozen=True)
class OperationClasses:
    """Which openings occur, as numbers of air and kind of end face, site and technician, shape (o,) each.

    `base` is air x kind of end face, + 12 where no demating was recorded. The classes of operations are these
    openings; then cleanings by method and technician, + one for what happens unrecorded to an end face that
    was found not clean and left the job, twice: first of a job, repeated; looks by outcome and test set; waits
    mated and open; three reports; renewal.
    """

    base: Int32
    site: Int32
    technician: Int32


# State of an end face while compiling, shape (n, 4): time of its last event; of its last cleaning; flags 1 open,
# 2 opened unrecorded, 4 touched, 8 found not clean, 16 side a of its pair; partner + 1 and run + 1 packed (0 none).


@njit(cache=True)
def _on_face(  # pragma: no cover - compiled
    x: Whole,
    cls: Whole,
    event: Whole,
    state: Int64,
    run_a: Int32,
    run_b: Int32,
    size: Int32,
    done: Int64,
    packed: Int64,
    runs: Int32,
) -> None:
    """One operation on an end face, alone or in its pair; begins a run if it is in none."""
    link = state[x, 3]
    r = (link & 0xFFFFFFFF) - 1
    if r < 0:
        r = done[1]
        done[1] += 1
        run_a[r], run_b[r], size[r] = x, -1, 0
        state[x, 3] = r + 1
    op = 0 if link >> 32 == 0 else (1 if state[x, 2] & 16 else 2)
    _on_run(r, op, cls, event, size, done, packed, runs)


@njit(cache=True, forceinline=True)
def _on_run(  # pragma: no cover - compiled
    r: Whole, op: Whole, cls: Whole, event: Whole, size: Int32, done: Int64, packed: Int64, runs: Int32
) -> None:
    k = done[0]
    packed[k] = ((event + 1) << 32) | (cls << 3) | op
    runs[k] = r
    size[r] += 1
    done[0] = k + 1


@njit(cache=True)
def _form(  # pragma: no cover - compiled
    a: Whole,
    b: Whole,
    event: Whole,
    state: Int64,
    run_a: Int32,
    run_b: Int32,
    size: Int32,
    done: Int64,
    packed: Int64,
    runs: Int32,
) -> Whole:
    r = done[1]
    done[1] += 1
    run_a[r], run_b[r], size[r] = a, b, 0
    state[a, 3] = ((b + 1) << 32) | (r + 1)
    state[b, 3] = ((a + 1) << 32) | (r + 1)
    state[a, 2] |= 16
    state[b, 2] &= ~16
    _on_run(r, np.int64(4), np.int64(0), event, size, done, packed, runs)
    return r  # type: ignore[no-any-return]


@njit(cache=True)
def _compile(  # pragma: no cover - compiled
    low: Whole,
    high: Whole,
    at: Int64,
    kind: Int8,
    face: Int32,
    partner: Int32,
    detail: Int8,
    port: Int32,
    technician: Int32,
    test_set: Int32,
    home: Int32,
    face_kind: Int8,
    port_site: Int32,
    port_air: Int8,
    numbers: Int64,  # end_at, sites, technicians, test_sets
    state: Int64,
    run_a: Int32,
    run_b: Int32,
    size: Int32,
    waited: Float64,
    done: Int64,  # operations in the buffer, runs, openings in the buffer
    packed: Int64,
    runs: Int32,
    openings: Int64,
) -> None:
    """The operations of the steps `low` to `high`: events, then one step per end face for the end of the history.

    Into the buffers go, per operation, event + 1, class and kind packed, and its run. Classes are counted from
    the first cleaning; that of an opening is its place in `openings`, marked by bit 31.
    """
    end_at, sites, technicians, test_sets = numbers[0], numbers[1], numbers[2], numbers[3]
    not_recorded = 7 * (technicians + 1)
    repeated = not_recorded + 1
    looks = 2 * repeated
    waiting = looks + 4 * (test_sets + 1)
    reports = waiting + 26
    renewed = reports + 3
    m = len(at)
    zero = np.int64(0)  # of one type with what is computed, so that each function is compiled once
    for e in range(low, high):
        ending = e >= m
        now, a, b, what, number = end_at, zero + e - m, zero - 1, zero - 1, m
        if not ending:
            now, a, b, what, number = at[e], np.int64(face[e]), np.int64(partner[e]), np.int64(kind[e]), e
        # waiting of the end face, and of the one it meets, parts from or is paired with
        second = b
        if (what == 2 or what == 3 or what == 4) and not state[a, 2] & 1 and state[a, 3] >> 32 > 0:
            second = (state[a, 3] >> 32) - 1
        for k in range(2):
            x = a if k == 0 else second
            if x < 0:
                continue
            gap = now - state[x, 0]
            if gap >= 43200:
                if state[x, 2] & 8:
                    _on_face(x, not_recorded, number, state, run_a, run_b, size, done, packed, runs)
                    state[x, 2] &= ~8
                y = (state[x, 3] >> 32) - 1
                if y >= 0 and (state[x, 2] & 2 or (what == 1 and state[x, 2] & 1 and state[x, 2] & 4)):
                    _on_run((state[x, 3] & 0xFFFFFFFF) - 1, zero + 3, zero + 1, number, size, done, packed, runs)
                    state[x, 2] &= ~3
                    state[y, 2] &= ~3
                days = gap / 86400.0
                level = 0
                while days >= 1.0 and level < 12:
                    days /= 2.0
                    level += 1
                if state[x, 2] & 1:
                    level += 13
                waited[level, 0] += gap / 86400.0
                waited[level, 1] += 1.0
                _on_face(x, waiting + level, number, state, run_a, run_b, size, done, packed, runs)
            state[x, 0] = now
            if not ending:
                state[x, 2] |= 4
        if ending:
            continue
        if what == 0 or what == 6:  # report of a closed order, replaced end face
            cls = reports + np.int64(detail[e]) if what == 0 else renewed
            _on_face(a, cls, number, state, run_a, run_b, size, done, packed, runs)
            continue
        # opening: recorded for a demating, implied for the rest where the end face is not open
        if not state[a, 2] & 1 or (what == 5 and b >= 0 and not state[b, 2] & 1):
            other = (state[a, 3] >> 32) - 1
            if what == 1 and b >= 0:
                other = b
            where = port[e] if port[e] >= 0 else home[a]
            site, air = np.int64(-1), np.int64(3)
            if where >= 0:
                site, air = np.int64(port_site[where]), np.int64(port_air[where])
            for k in range(3):
                x = a if k == 0 else (other if k == 1 else b)
                if x < 0 or state[x, 2] & 1 or (k == 1 and state[a, 2] & 1 and what == 5):
                    continue
                if k == 2 and what != 5:
                    continue
                # a look or cleaning names no partner: the other end face is taken to be of the same kind
                like = b if k > 0 and b >= 0 else a
                base = air * 3 + face_kind[like] + (0 if what == 1 or what == 5 else 12)
                if what != 1 and what != 5:
                    state[x, 2] |= 2
                openings[done[2]] = (base * (sites + 1) + site + 1) * (technicians + 1) + technician[e] + 1
                _on_face(x, (1 << 28) | done[2], number, state, run_a, run_b, size, done, packed, runs)
                done[2] += 1
                state[x, 2] |= 1
        if what == 1:
            continue
        recent = now - state[a, 1] <= 43200
        again = repeated if state[a, 2] & 8 and recent else 0
        who = np.int64(technician[e]) + 1
        unrecorded = 6 * (technicians + 1) + who
        if what == 2 or what == 4:
            if what == 4 and (state[a, 2] & 8 or not recent):
                _on_face(a, unrecorded + again, number, state, run_a, run_b, size, done, packed, runs)
                state[a, 1] = now
            cls = looks + np.int64(detail[e]) * (test_sets + 1) + test_set[e] + 1
            _on_face(a, cls, number, state, run_a, run_b, size, done, packed, runs)
            state[a, 2] = (state[a, 2] & ~8) | (8 if detail[e] != 0 else 0)
        elif what == 3:
            cls = np.int64(detail[e]) * (technicians + 1) + who + again
            _on_face(a, cls, number, state, run_a, run_b, size, done, packed, runs)
            state[a, 1] = now
            state[a, 2] &= ~8
        else:
            if detail[e] & 2 and not recent:
                _on_face(a, unrecorded, number, state, run_a, run_b, size, done, packed, runs)
                state[a, 1] = now
            elif state[a, 2] & 8:
                _on_face(a, not_recorded, number, state, run_a, run_b, size, done, packed, runs)
            state[a, 2] &= ~8
            if b >= 0:
                if (state[a, 3] >> 32) - 1 != b:
                    for k in range(2):
                        x = a if k == 0 else b
                        y = (state[x, 3] >> 32) - 1
                        if y >= 0:
                            _on_run((state[x, 3] & 0xFFFFFFFF) - 1, zero + 5, zero, number, size, done, packed, runs)
                            state[x, 3] = state[y, 3] = 0
                            state[y, 2] = (state[y, 2] | 1) & ~2
                    r = _form(a, b, number, state, run_a, run_b, size, done, packed, runs)
                else:
                    r = (state[a, 3] & 0xFFFFFFFF) - 1
                _on_run(r, zero + 3, zero, number, size, done, packed, runs)
                state[b, 2] &= ~3
            state[a, 2] &= ~3


@njit(cache=True)
def _arrange(  # pragma: no cover - compiled
    packed: Int64, runs: Int32, opening: Int32, openings: Whole, cursor: Int64, code: Int8, cls: Int32, event: Int32
) -> None:
    """Put the operations of a buffer where their runs lie; `cursor` is where each run goes on."""
    for k in range(len(packed)):
        value = packed[k]
        place = cursor[runs[k]]
        cursor[runs[k]] = place + 1
        op = value & 7
        c = (value >> 3) & 0xFFFFFFF
        code[place] = op
        event[place] = (value >> 32) - 1
        if (value >> 31) & 1:
            cls[place] = opening[c]
        else:
            cls[place] = c + openings if op <= 2 else c


@njit(cache=True)
def _pair_up(  # pragma: no cover - compiled
    start_partner: Int32,
    state: Int64,
    run_a: Int32,
    run_b: Int32,
    size: Int32,
    done: Int64,
    packed: Int64,
    runs: Int32,
) -> None:
    """Form the pairs of the start; end faces without a partner are open."""
    start = np.int64(-1)
    for a in range(len(start_partner)):
        b = np.int64(start_partner[a])
        if b > a:
            _form(a, b, start, state, run_a, run_b, size, done, packed, runs)
        elif b < 0:
            state[a, 2] = 1


def _set_aside(
    packed: Int64, runs: Int32, openings: Int64, done: Int64, parts: list[tuple[Int64, Int32]], keys: list[Int64]
) -> None:
    """Copy what is in the buffers and begin them anew; places of openings count from the first of all."""
    part = packed[: done[0]].copy()
    part[(part >> 31) & 1 == 1] += sum(len(key) for key in keys) << 3
    parts.append((part, runs[: done[0]].copy()))
    keys.append(openings[: done[2]].copy())
    done[0] = done[2] = 0


def compile_operations(stream: Stream) -> tuple[Operations, OperationClasses]:
    """The operations of a stream and what their classes are about.

    What an incomplete record is taken to mean: a look or cleaning of an end face that the records hold as mated
    implies that it was opened, and closed again before the next job; a demating of one that was already open
    implies an unrecorded mating; a mating of one that the records hold as mated elsewhere implies that it was
    opened there.
    """
    n, m = len(stream.start_partner), len(stream.at)
    numbers = np.array([stream.end_at, stream.sites, stream.technicians, stream.test_sets], np.int64)
    formed = int(np.count_nonzero((stream.kind == MATE) & (stream.partner >= 0)))
    most_runs = n + n // 2 + 3 * formed + 1
    run_a, run_b, size = (np.empty(most_runs, np.int32) for _ in range(3))
    state = np.zeros((n, 4), np.int64)
    state[:, 0] = stream.start_at
    state[:, 1] = stream.start_at - 10 * DAY
    waited = np.zeros((2 * WAITS, 2))
    done = np.zeros(3, np.int64)
    room = max(MOST_PER_STEP * min(STEPS_AT_ONCE, m + n), n)
    packed, runs, openings = np.empty(room, np.int64), np.empty(room, np.int32), np.empty(room, np.int64)
    parts: list[tuple[Int64, Int32]] = []
    keys: list[Int64] = []

    _pair_up(stream.start_partner, state, run_a, run_b, size, done, packed, runs)
    _set_aside(packed, runs, openings, done, parts, keys)
    for low in range(0, m + n, STEPS_AT_ONCE):
        _compile(
            low,
            min(low + STEPS_AT_ONCE, m + n),
            stream.at,
            stream.kind,
            stream.face,
            stream.partner,
            stream.detail,
            stream.port,
            stream.technician,
            stream.test_set,
            stream.home,
            stream.face_kind,
            stream.port_site,
            stream.port_air,
            numbers,
            state,
            run_a,
            run_b,
            size,
            waited,
            done,
            packed,
            runs,
            openings,
        )
        _set_aside(packed, runs, openings, done, parts, keys)
    del packed, runs, openings, state
    number = int(done[1])
    codes, found = pd.factorize(np.concatenate(keys))
    opening = codes.astype(np.int32)
    del keys
    first = np.zeros(number + 1, np.int64)
    np.cumsum(size[:number], out=first[1:])
    k = int(first[-1])
    code, cls, event = np.empty(k, np.int8), np.empty(k, np.int32), np.empty(k, np.int32)
    cursor = first[:-1].copy()
    for part, of_run in parts:
        _arrange(part, of_run, opening, len(found), cursor, code, cls, event)
    key = np.asarray(found, np.int64)
    key, technician = key // (stream.technicians + 1), key % (stream.technicians + 1) - 1
    base, site = key // (stream.sites + 1), key % (stream.sites + 1) - 1
    days = waited[:, 0] / np.maximum(waited[:, 1], 1.0)
    operations = Operations(first, run_a[:number].copy(), run_b[:number].copy(), code, cls, event, days)
    return operations, OperationClasses(base.astype(np.int32), site.astype(np.int32), technician.astype(np.int32))
