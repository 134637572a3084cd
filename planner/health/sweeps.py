"""Belief propagation over operations: forward, backward, forward, in the order of the work.

State of an end face: dirt + 2 x damage (0 clean, 1 contaminated, 2 damaged, 3 both); of a pair 4 a + b. Every
operation is a small matrix chosen by its class: rows before, columns after; what was seen is a diagonal.
One forward sweep with backward messages of one is the filter with independent margins; the second forward
sweep, with the messages of the backward one, is what the beliefs are read from (Murphy and Weiss, The
factored frontier algorithm for approximate inference in DBNs, UAI 2001).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numba import njit

from planner.health.episodes import BOTH, Operations

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int8 = npt.NDArray[np.int8]
Int32 = npt.NDArray[np.int32]
Int64 = npt.NDArray[np.int64]


# Dirt and damage only come in a mating: of the 256 steps of a pair's states (two bits of dirt, two of damage)
# those 81 remain in which no bit is lost.
LEAST = np.float32(1e-25)  # kept in every message: numbers too small for the format slow the processor a lot
_STATES = [(r, s) for r in range(16) for s in range(16) if r & ~s == 0]
SUB = np.array([r for r, _ in _STATES], np.int64)
SUPER = np.array([s for _, s in _STATES], np.int64)


def _spans(single: Float32) -> tuple[Int8, Int8, Int8]:
    """Per class 0 for a diagonal matrix, 1 for steps of dirt alone, 2 for any; per class and
    state the range of states that may be linked.

    The range is the same for rows and columns: the state itself, the two of one damage, or all four.
    """
    off = single * (1.0 - np.eye(4, dtype=np.float32))
    diagonal = np.asarray(~off.any(axis=(1, 2)))
    across = np.asarray(single[:, :2, 2:].any(axis=(1, 2)) | single[:, 2:, :2].any(axis=(1, 2)))
    state = np.arange(4, dtype=np.int8)
    low = np.where(across[:, None], 0, np.where(diagonal[:, None], state, state // 2 * 2)).astype(np.int8)
    high = np.where(across[:, None], 4, np.where(diagonal[:, None], state + 1, state // 2 * 2 + 2)).astype(np.int8)
    return np.where(diagonal, 0, np.where(across, 2, 1)).astype(np.int8), low, high


@dataclass(frozen=True)
class Tables:
    """Matrices by class: `single` (c, 4, 4) for one end face, `both` (2, 16, 16) for a mating (recorded,
    implied), `start` (n, 4) what each end face starts with."""

    single: Float32
    both: Float32
    start: Float32


@dataclass
class Messages:
    """Running and stored messages of the sweeps; float32, every message scaled to sum 1.

    `faces` (n, 4) and `pairs` (p, 16) run; at the end of a forward sweep they are the beliefs.
    `formed` (p, 2, 4): what each side brought when the pair was formed. `parted` (p, 2, 4): what was learned
    of each side after the pair parted (ones if it never did).
    """

    faces: Float32
    pairs: Float32
    formed: Float32
    parted: Float32


@njit(cache=True)
def _forward(  # pragma: no cover - compiled
    code: Int8,
    unit: Int32,
    cls: Int32,
    pair_a: Int32,
    pair_b: Int32,
    single: Float32,
    both: Float32,
    shape: Int8,
    faces: Float32,
    pairs: Float32,
    formed: Float32,
    parted: Float32,
    place: Int64,
    stored: Float32,
    odds: Float32,
) -> None:
    """One forward sweep; stores messages before each operation and P(not clean) after it where asked for."""
    new = np.empty(16, np.float32)
    keep = len(place) > 0
    note = len(odds) > 0
    for k in range(len(code)):
        op, u, c = code[k], unit[k], cls[k]
        if op == 0:
            total = np.float32(0.0)
            for i in range(4):
                if keep:
                    stored[place[k] + i] = faces[u, i]
                value = np.float32(0.0)
                for h in range(4):
                    value += faces[u, h] * single[c, h, i]
                new[i] = value
                total += value
            scale = np.float32(1.0) / total
            for i in range(4):
                faces[u, i] = new[i] * scale + LEAST
            if note:
                odds[k, 0] = np.float32(1.0) - faces[u, 0]
        elif op <= 3:
            if keep:
                for s in range(16):
                    stored[place[k] + s] = pairs[u, s]
            total = np.float32(0.0)
            if op == 3:
                for s in range(16):
                    new[s] = np.float32(0.0)
                for z in range(81):
                    new[SUPER[z]] += pairs[u, SUB[z]] * both[c, SUB[z], SUPER[z]]
            elif shape[c] == 0:
                for i in range(4):
                    for j in range(4):
                        new[4 * i + j] = pairs[u, 4 * i + j] * (single[c, i, i] if op == 1 else single[c, j, j])
            else:
                # side a strides 4, side b strides 1
                step = 4 if op == 1 else 1
                other = 1 if op == 1 else 4
                if shape[c] == 1:
                    for base in range(0, 4, 2):
                        stay, come = single[c, base, base], single[c, base, base + 1]
                        go, hold = single[c, base + 1, base], single[c, base + 1, base + 1]
                        for j in range(4):
                            first, second = base * step + j * other, (base + 1) * step + j * other
                            new[first] = pairs[u, first] * stay + pairs[u, second] * go
                            new[second] = pairs[u, first] * come + pairs[u, second] * hold
                else:
                    for j in range(4):
                        for i in range(4):
                            value = np.float32(0.0)
                            for h in range(4):
                                value += pairs[u, h * step + j * other] * single[c, h, i]
                            new[i * step + j * other] = value
            for s in range(16):
                total += new[s]
            scale = np.float32(1.0) / total
            for s in range(16):
                pairs[u, s] = new[s] * scale + LEAST
            if note:
                odds[k, 0] = np.float32(1.0) - (pairs[u, 0] + pairs[u, 1] + pairs[u, 2] + pairs[u, 3])
                odds[k, 1] = np.float32(1.0) - (pairs[u, 0] + pairs[u, 4] + pairs[u, 8] + pairs[u, 12])
        else:
            a, b = pair_a[u], pair_b[u]
            if op == 4:
                for i in range(4):
                    formed[u, 0, i] = faces[a, i]
                    formed[u, 1, i] = faces[b, i]
                    for j in range(4):
                        pairs[u, 4 * i + j] = faces[a, i] * faces[b, j] + LEAST
            else:
                for side in range(2):
                    x = a if side == 0 else b
                    step = 4 if side == 0 else 1
                    other = 1 if side == 0 else 4
                    total = np.float32(0.0)
                    for i in range(4):
                        value = np.float32(0.0)
                        for j in range(4):
                            value += pairs[u, i * step + j * other] * parted[u, 1 - side, j]
                        new[i] = value
                        total += value
                    for i in range(4):
                        faces[x, i] = new[i] / total
            if note:
                odds[k, 0] = np.float32(1.0) - faces[a, 0]
                odds[k, 1] = np.float32(1.0) - faces[b, 0]


@njit(cache=True)
def _backward(  # pragma: no cover - compiled
    code: Int8,
    unit: Int32,
    cls: Int32,
    pair_a: Int32,
    pair_b: Int32,
    single: Float32,
    both: Float32,
    shape: Int8,
    low: Int8,
    high: Int8,
    faces: Float32,
    pairs: Float32,
    formed: Float32,
    parted: Float32,
    place: Int64,
    stored: Float32,
    single_counts: Float64,
    both_counts: Float64,
    kept: Float32,
) -> None:
    """One backward sweep; with stored forward messages also the expected counts of every class and, per
    operation and side, P(dirty before | dirty after)."""
    new = np.empty(16, np.float32)
    joint = np.empty((4, 4), np.float64)
    flow = np.empty(81, np.float64)
    dirty = np.empty(2)
    was = np.empty(2)
    count = len(place) > 0
    for k in range(len(code) - 1, -1, -1):
        op, u, c = code[k], unit[k], cls[k]
        if op <= 2:
            step = 1 if op == 0 or op == 2 else 4
            other = 4 if op == 2 else 1
            width = 1 if op == 0 else 4
            before = 0.0
            dirty_after = 0.0
            total = 0.0
            if count:
                for h in range(4):
                    for i in range(low[c, h], high[c, h]):
                        value = 0.0
                        for j in range(width):
                            after = faces[u, i] if op == 0 else pairs[u, i * step + j * other]
                            value += stored[place[k] + h * step + j * other] * after
                        value *= single[c, h, i]
                        joint[h, i] = value
                        total += value
                        if i & 1:
                            dirty_after += value
                            if h & 1:
                                before += value
                if total > 0.0:
                    for h in range(4):
                        for i in range(low[c, h], high[c, h]):
                            single_counts[c, h, i] += joint[h, i] / total
                side = 1 if op == 2 else 0
                kept[k, side] = before / dirty_after if dirty_after > 0.0 else 1.0
                kept[k, 1 - side] = 1.0
            total = 0.0
            if op > 0 and shape[c] == 0:
                for i in range(4):
                    for j in range(4):
                        new[4 * i + j] = pairs[u, 4 * i + j] * (single[c, i, i] if op == 1 else single[c, j, j])
                        total += new[4 * i + j]
            elif op > 0 and shape[c] == 1:
                for base in range(0, 4, 2):
                    stay, come = single[c, base, base], single[c, base, base + 1]
                    go, hold = single[c, base + 1, base], single[c, base + 1, base + 1]
                    for j in range(4):
                        first, second = base * step + j * other, (base + 1) * step + j * other
                        new[first] = pairs[u, first] * stay + pairs[u, second] * come
                        new[second] = pairs[u, first] * go + pairs[u, second] * hold
                        total += new[first] + new[second]
            else:
                for j in range(width):
                    for h in range(4):
                        value = 0.0
                        for i in range(4):
                            after = faces[u, i] if op == 0 else pairs[u, i * step + j * other]
                            value += single[c, h, i] * after
                        new[h * step + j * other] = value
                        total += value
            scale = np.float32(1.0 / total)
            for s in range(4 * width):
                if op == 0:
                    faces[u, s] = new[s] * scale + LEAST
                else:
                    pairs[u, s] = new[s] * scale + LEAST
        elif op == 3:
            if count:
                total = 0.0
                dirty[:] = 0.0
                was[:] = 0.0
                for z in range(81):
                    r, s = SUB[z], SUPER[z]
                    value = stored[place[k] + r] * both[c, r, s] * pairs[u, s]
                    flow[z] = value
                    total += value
                    if (s >> 2) & 1:
                        dirty[0] += value
                        if (r >> 2) & 1:
                            was[0] += value
                    if s & 1:
                        dirty[1] += value
                        if r & 1:
                            was[1] += value
                if total > 0.0:
                    for z in range(81):
                        both_counts[c, SUB[z], SUPER[z]] += flow[z] / total
                for side in range(2):
                    kept[k, side] = was[side] / dirty[side] if dirty[side] > 0.0 else 1.0
            total = 0.0
            for s in range(16):
                new[s] = np.float32(0.0)
            for z in range(81):
                new[SUB[z]] += both[c, SUB[z], SUPER[z]] * pairs[u, SUPER[z]]
            for s in range(16):
                total += new[s]
            scale = np.float32(1.0 / total)
            for r in range(16):
                pairs[u, r] = new[r] * scale + LEAST
        else:
            a, b = pair_a[u], pair_b[u]
            if count:
                kept[k, 0] = kept[k, 1] = 1.0
            if op == 5:
                for i in range(4):
                    parted[u, 0, i] = faces[a, i]
                    parted[u, 1, i] = faces[b, i]
                for i in range(4):
                    for j in range(4):
                        pairs[u, 4 * i + j] = parted[u, 0, i] * parted[u, 1, j] + LEAST
            else:
                for side in range(2):
                    x = a if side == 0 else b
                    step = 4 if side == 0 else 1
                    other = 1 if side == 0 else 4
                    total = 0.0
                    for i in range(4):
                        value = 0.0
                        for j in range(4):
                            value += pairs[u, i * step + j * other] * formed[u, 1 - side, j]
                        new[i] = value
                        total += value
                    for i in range(4):
                        faces[x, i] = new[i] / total


NOTHING = np.empty(0, np.int64)


@dataclass(frozen=True)
class Counts:
    """Expected counts of one backward sweep.

    `single` (c, 4, 4) and `both` (2, 16, 16): transitions by class; `start` (n, 4): beliefs of the start;
    `kept` (k, 2): P(dirty before | dirty after) per operation and side.
    """

    single: Float64
    both: Float64
    start: Float64
    kept: Float32


def no_messages(operations: Operations, n_faces: int) -> Messages:
    """Messages before the first sweep: nothing was learned from after a parting."""
    pairs = len(operations.pair_a)
    return Messages(
        np.empty((n_faces, 4), np.float32),
        np.empty((pairs, 16), np.float32),
        np.full((pairs, 2, 4), 0.25, np.float32),
        np.full((pairs, 2, 4), 0.25, np.float32),
    )


def message_places(operations: Operations) -> tuple[Int64, int]:
    """Where each operation's message before it is stored, and the room they need."""
    sizes = np.where(operations.code == 0, 4, np.where(operations.code <= BOTH, 16, 0)).astype(np.int64)
    ends = np.cumsum(sizes)
    return ends - sizes, int(ends[-1]) if len(ends) else 0


def forward(
    operations: Operations,
    tables: Tables,
    messages: Messages,
    stored: tuple[Int64, Float32] | None = None,
    odds: Float32 | None = None,
) -> None:
    """One forward sweep in place.

    With `stored` (places, room) the message before every operation is kept for `backward` to count with;
    `odds` (k, 2) receives P(not clean) of both sides after each operation.
    """
    place, room = stored if stored is not None else (NOTHING, np.empty(0, np.float32))
    messages.faces[:] = tables.start
    _forward(
        operations.code,
        operations.unit,
        operations.cls,
        operations.pair_a,
        operations.pair_b,
        tables.single,
        tables.both,
        _spans(tables.single)[0],
        messages.faces,
        messages.pairs,
        messages.formed,
        messages.parted,
        place,
        room,
        odds if odds is not None else np.empty((0, 2), np.float32),
    )


def backward(
    operations: Operations,
    tables: Tables,
    messages: Messages,
    stored: tuple[Int64, Float32] | None = None,
) -> Counts | None:
    """One backward sweep in place; with the stored forward messages, the expected counts.

    Uses and overwrites the running messages; `messages.parted` is renewed.
    """
    classes = len(tables.single)
    counting = stored is not None
    place, room = stored if stored is not None else (NOTHING, np.empty(0, np.float32))
    single_counts = np.zeros((classes if counting else 0, 4, 4))
    both_counts = np.zeros((len(tables.both) if counting else 0, 16, 16))
    kept = np.empty((len(operations.code) if counting else 0, 2), np.float32)
    faces = np.full_like(messages.faces, 0.25)
    pairs = np.full_like(messages.pairs, 1.0 / 16.0)
    _backward(
        operations.code,
        operations.unit,
        operations.cls,
        operations.pair_a,
        operations.pair_b,
        tables.single,
        tables.both,
        *_spans(tables.single),
        faces,
        pairs,
        messages.formed,
        messages.parted,
        place,
        room,
        single_counts,
        both_counts,
        kept,
    )
    if not counting:
        return None
    start = tables.start.astype(np.float64) * faces
    start /= start.sum(axis=1, keepdims=True)
    return Counts(single_counts, both_counts, start, kept)


def beliefs(operations: Operations, messages: Messages) -> Float64:
    """P(state) of every end face after a forward sweep, shape (n, 4)."""
    out = messages.faces.astype(np.float64)
    pair = operations.pair_now
    mated = np.flatnonzero(pair >= 0)
    joint = messages.pairs[pair[mated]].astype(np.float64).reshape(-1, 4, 4)
    is_a = operations.pair_a[pair[mated]] == mated
    out[mated] = np.where(is_a[:, None], joint.sum(axis=2), joint.sum(axis=1))
    return np.asarray(out / out.sum(axis=1, keepdims=True))
