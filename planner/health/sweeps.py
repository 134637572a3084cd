"""Belief propagation over operations: forward, backward, forward, in the order of the work.

State of an end face: dirt + 2 x damage (0 clean, 1 contaminated, 2 damaged, 3 both); of a pair 4 a + b. Every
operation is a small matrix chosen by its class: rows before, columns after; what was seen is a diagonal.
One forward sweep with backward messages of one is the filter with independent margins; the second forward
sweep, with the messages of the backward one, is what the beliefs are read from (Murphy and Weiss, The
factored frontier algorithm for approximate inference in DBNs, UAI 2001).

The sweeps go run by run (`planner.health.episodes.Operations`): the message of a pair stays in the nearest
memory while all its operations are played, and only what it starts and ends with is kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from numba import njit

from planner.health.episodes import Operations

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int8 = npt.NDArray[np.int8]
Int32 = npt.NDArray[np.int32]
Int64 = npt.NDArray[np.int64]
Whole = int | np.int64  # inside compiled code


# Dirt and damage only come in a mating: of the 256 steps of a pair's states (two bits of dirt, two of damage)
# those 81 remain in which no bit is lost. They are ordered by what comes, so that neighbours are independent.
LEAST = np.float32(1e-25)  # kept in every message: numbers too small for the format slow the processor a lot
ACROSS = np.float32(-1.0)
_STATES = [(r, r | come) for come in range(16) for r in range(16) if not r & come]
SUB = np.array([r for r, _ in _STATES], np.int64)
SUPER = np.array([s for _, s in _STATES], np.int64)


@dataclass(frozen=True)
class Tables:
    """Matrices by class: `single` (c, 4, 4) for one end face, `both` (2, 16, 16) for a mating (recorded,
    implied), `start` (n, 4) what each end face starts with."""

    single: Float32
    both: Float32
    start: Float32

    @cached_property
    def backwards(self) -> Float32:
        """`single` turned over: rows after, columns before."""
        return np.ascontiguousarray(self.single.transpose(0, 2, 1))

    @cached_property
    def blocks(self) -> tuple[Float32, Float32]:
        """The steps of dirt of `single` (`_blocks`), and those of `backwards`."""
        forwards = _blocks(self.single)
        turned = forwards.copy()
        turned[:, [1, 2, 5, 6]] = forwards[:, [2, 1, 6, 5]]
        return forwards, turned


@dataclass
class Messages:
    """Messages of the sweeps; float32, every message scaled to sum 1.

    `faces` (n, 4) run; at the end of a forward sweep they are the beliefs. `formed` (r, 2, 4): what each side
    brought when the run began. `parted` (r, 2, 4): what was learned of each side after the run ended (ones if
    nothing was).
    """

    faces: Float32
    formed: Float32
    parted: Float32


def _blocks(single: Float32) -> Float32:
    """Per class the steps of dirt without and with damage, shape (c, 8): n00 n01 n10 n11, d00 d01 d10 d11.

    Where that is not all of the matrix (a part was replaced), the first is `ACROSS`.
    """
    blocks = np.concatenate([single[:, :2, :2].reshape(-1, 4), single[:, 2:, 2:].reshape(-1, 4)], axis=1)
    rows = single.reshape(-1, 16)
    across = np.logical_or.reduce([rows[:, s] != 0.0 for s in (2, 3, 6, 7, 8, 9, 12, 13)])
    blocks[across, 0] = ACROSS
    return np.ascontiguousarray(blocks)


def _mating_steps(both: Float32) -> Float32:
    """The steps of a mating that can be, per class, shape (2, 81)."""
    return np.ascontiguousarray(both[:, SUB, SUPER])


@njit(cache=True, error_model="numpy", forceinline=True)
def _step_face(message: Float32, c: Whole, blocks: Float32, single: Float32) -> None:  # pragma: no cover - compiled
    """One operation on an end face alone; backwards with the matrices turned over."""
    m0, m1, m2, m3 = message[0], message[1], message[2], message[3]
    if blocks[c, 0] < 0.0:
        for i in range(4):
            message[i] = single[c, 0, i] * m0 + single[c, 1, i] * m1 + single[c, 2, i] * m2 + single[c, 3, i] * m3
    else:
        message[0] = m0 * blocks[c, 0] + m1 * blocks[c, 2]
        message[1] = m0 * blocks[c, 1] + m1 * blocks[c, 3]
        message[2] = m2 * blocks[c, 4] + m3 * blocks[c, 6]
        message[3] = m2 * blocks[c, 5] + m3 * blocks[c, 7]
    scale = np.float32(1.0) / ((message[0] + message[1]) + (message[2] + message[3]))
    for i in range(4):
        message[i] = message[i] * scale + LEAST


@njit(cache=True, error_model="numpy", forceinline=True)
def _step_side(  # pragma: no cover - compiled
    joint: Float32, op: Whole, c: Whole, blocks: Float32, single: Float32
) -> None:
    """One operation on a side of a pair (op 1: side a, strides 4; op 2: side b, strides 1)."""
    if blocks[c, 0] < 0.0:
        step, other = (4, 1) if op == 1 else (1, 4)
        for j in range(4):
            j0 = j * other
            m0, m1, m2, m3 = joint[j0], joint[step + j0], joint[2 * step + j0], joint[3 * step + j0]
            for i in range(4):
                joint[i * step + j0] = (
                    single[c, 0, i] * m0 + single[c, 1, i] * m1 + single[c, 2, i] * m2 + single[c, 3, i] * m3
                )
        return
    n0, n1, n2, n3 = blocks[c, 0], blocks[c, 1], blocks[c, 2], blocks[c, 3]
    d0, d1, d2, d3 = blocks[c, 4], blocks[c, 5], blocks[c, 6], blocks[c, 7]
    if op == 1:
        for j in range(4):
            x, y, z, w = joint[j], joint[4 + j], joint[8 + j], joint[12 + j]
            joint[j] = x * n0 + y * n2
            joint[4 + j] = x * n1 + y * n3
            joint[8 + j] = z * d0 + w * d2
            joint[12 + j] = z * d1 + w * d3
    else:
        for j in range(0, 16, 4):
            x, y, z, w = joint[j], joint[j + 1], joint[j + 2], joint[j + 3]
            joint[j] = x * n0 + y * n2
            joint[j + 1] = x * n1 + y * n3
            joint[j + 2] = z * d0 + w * d2
            joint[j + 3] = z * d1 + w * d3


@njit(cache=True, error_model="numpy", forceinline=True)
def _step_both(  # pragma: no cover - compiled
    joint: Float32, new: Float32, c: Whole, both: Float32, before: Int64, after: Int64
) -> None:
    """A mating; `both` (2, 81) are the steps of its two classes from the states `before` to those `after`."""
    for s in range(16):
        new[s] = np.float32(0.0)
    for z in range(81):
        new[after[z]] += joint[before[z]] * both[c, z]
    for s in range(16):
        joint[s] = new[s]


@njit(cache=True, error_model="numpy", forceinline=True)
def _scale(joint: Float32) -> None:  # pragma: no cover - compiled
    a, b, c, d = joint[0], joint[1], joint[2], joint[3]
    for s in range(4, 16, 4):
        a += joint[s]
        b += joint[s + 1]
        c += joint[s + 2]
        d += joint[s + 3]
    scale = np.float32(1.0) / ((a + b) + (c + d))
    for s in range(16):
        joint[s] = joint[s] * scale + LEAST


@njit(cache=True, error_model="numpy")
def _sides(  # pragma: no cover - compiled
    joint: Float32, r: Whole, learned: Float32, faces: Float32, a: Whole, b: Whole
) -> None:
    """Messages of the two end faces of a pair, each weighed with what was learned of the other (r, 2, 4)."""
    for side in range(2):
        step, other = (4, 1) if side == 0 else (1, 4)
        x = a if side == 0 else b
        total = np.float32(0.0)
        for i in range(4):
            value = np.float32(0.0)
            for j in range(4):
                value += joint[i * step + j * other] * learned[r, 1 - side, j]
            faces[x, i] = value
            total += value
        scale = np.float32(1.0) / total
        for i in range(4):
            faces[x, i] *= scale


@njit(cache=True, error_model="numpy")
def _play(  # pragma: no cover - compiled
    low: Whole,
    high: Whole,
    code: Int8,
    cls: Int32,
    single: Float32,
    blocks: Float32,
    both: Float32,
    joint: Float32,
    new: Float32,
    stored: Float32,
) -> None:
    """Play the operations of a run forwards; with room, keep the message before each and after the last."""
    keep = len(stored) > 0
    for k in range(low, high):
        if keep:
            for s in range(16):
                stored[k - low, s] = joint[s]
        op, c = np.int64(code[k]), np.int64(cls[k])
        if op == 0:
            _step_face(joint, c, blocks, single)
        elif op <= 2:
            _step_side(joint, op, c, blocks, single)
            _scale(joint)
        elif op == 3:
            _step_both(joint, new, c, both, SUB, SUPER)
            _scale(joint)
    if keep:
        for s in range(16):
            stored[high - low, s] = joint[s]


@njit(cache=True, error_model="numpy")
def _meet(messages: Float32, a: Whole, b: Whole, joint: Float32) -> None:  # pragma: no cover - compiled
    """The joint message of two end faces, of one alone (b -1) its own."""
    for i in range(4):
        if b < 0:
            joint[i] = messages[a, i]
        else:
            for j in range(4):
                joint[4 * i + j] = messages[a, i] * messages[b, j] + LEAST


@njit(cache=True, error_model="numpy")
def _forward(  # pragma: no cover - compiled
    first: Int64,
    face_a: Int32,
    face_b: Int32,
    code: Int8,
    cls: Int32,
    single: Float32,
    blocks: Float32,
    both: Float32,
    faces: Float32,
    formed: Float32,
    parted: Float32,
) -> None:
    """One forward sweep."""
    joint = np.empty(16, np.float32)
    new = np.empty(16, np.float32)
    ones = np.ones((1, 2, 4), np.float32)
    nothing = np.empty((0, 16), np.float32)
    zero = np.int64(0)
    for r in range(len(face_a)):
        a, b = np.int64(face_a[r]), np.int64(face_b[r])
        for i in range(4):
            formed[r, 0, i] = faces[a, i]
            if b >= 0:
                formed[r, 1, i] = faces[b, i]
        _meet(faces, a, b, joint)
        _play(first[r], first[r + 1], code, cls, single, blocks, both, joint, new, nothing)
        if b < 0:
            for i in range(4):
                faces[a, i] = joint[i]
        elif code[first[r + 1] - 1] == 5:
            _sides(joint, r, parted, faces, a, b)
        else:
            _sides(joint, zero, ones, faces, a, b)


@njit(cache=True, error_model="numpy")
def _flow_single(  # pragma: no cover - compiled
    stored: Float32,
    at: Whole,
    after: Float32,
    op: Whole,
    c: Whole,
    blocks: Float32,
    single: Float32,
    flow: Float32,
) -> None:
    """How likely each state before and after an operation on one end face is, not scaled; 4 before + after."""
    if blocks[c, 0] < 0.0:
        step = 4 if op == 1 else 1
        other = 4 if op == 2 else 1
        for h in range(4):
            for i in range(4):
                value = np.float32(0.0)
                for j in range(1 if op == 0 else 4):
                    value += stored[at, h * step + j * other] * after[i * step + j * other]
                flow[4 * h + i] = value * single[c, h, i]
        return
    flow[2] = flow[3] = flow[6] = flow[7] = flow[8] = flow[9] = flow[12] = flow[13] = np.float32(0.0)
    for h in range(0, 4, 2):
        p, q = 5 * h, 2 * h
        if op == 0:
            x, y, z, w = stored[at, h], stored[at, h + 1], after[h], after[h + 1]
            v0, v1, v2, v3 = x * z, x * w, y * z, y * w
        else:
            v0, v1, v2, v3 = np.float32(0.0), np.float32(0.0), np.float32(0.0), np.float32(0.0)
            for j in range(4):
                if op == 1:
                    x, y, z, w = (
                        stored[at, 4 * h + j],
                        stored[at, 4 * h + 4 + j],
                        after[4 * h + j],
                        after[4 * h + 4 + j],
                    )
                else:
                    x, y, z, w = (
                        stored[at, h + 4 * j],
                        stored[at, h + 1 + 4 * j],
                        after[h + 4 * j],
                        after[h + 1 + 4 * j],
                    )
                v0 += x * z
                v1 += x * w
                v2 += y * z
                v3 += y * w
        flow[p] = v0 * blocks[c, q]
        flow[p + 1] = v1 * blocks[c, q + 1]
        flow[p + 4] = v2 * blocks[c, q + 2]
        flow[p + 5] = v3 * blocks[c, q + 3]


@njit(cache=True, error_model="numpy")
def _count_single(flow: Float32, c: Whole, counts: Float64) -> None:  # pragma: no cover - compiled
    """Add the expected steps of one operation on one end face to `counts` (classes, 16)."""
    a, b, d, e = flow[0], flow[1], flow[2], flow[3]
    for s in range(4, 16, 4):
        a += flow[s]
        b += flow[s + 1]
        d += flow[s + 2]
        e += flow[s + 3]
    total = (a + b) + (d + e)
    if total > 0.0:
        scale = 1.0 / total
        for s in range(16):
            counts[c, s] += flow[s] * scale


@njit(cache=True, error_model="numpy")
def _count_both(  # pragma: no cover - compiled
    stored: Float32, at: Whole, after: Float32, c: Whole, both: Float32, flow: Float32, counts: Float64
) -> None:
    """Add the expected steps of a mating to `counts` (2, 81)."""
    a, b, d = np.float32(0.0), np.float32(0.0), np.float32(0.0)
    for z in range(81):
        flow[z] = stored[at, SUB[z]] * both[c, z] * after[SUPER[z]]
    for z in range(0, 81, 3):
        a += flow[z]
        b += flow[z + 1]
        d += flow[z + 2]
    total = a + b + d
    if total > 0.0:
        scale = 1.0 / total
        for z in range(81):
            counts[c, z] += flow[z] * scale


@njit(cache=True, error_model="numpy")
def _stayed(flow: Float32) -> np.float32:  # pragma: no cover - compiled
    """P(dirty before | dirty after) of an operation on one end face."""
    was = (flow[5] + flow[7]) + (flow[13] + flow[15])
    came = (flow[1] + flow[3]) + (flow[9] + flow[11])
    return was / (was + came) if was + came > 0.0 else np.float32(1.0)


@njit(cache=True, error_model="numpy")
def _dirty(stored: Float32, at: Whole, after: Float32) -> tuple[np.float32, np.float32]:  # pragma: no cover - compiled
    """P(dirty) of both sides of a pair between two operations."""
    total, a, b = np.float32(0.0), np.float32(0.0), np.float32(0.0)
    for j in range(0, 16, 4):
        clean = stored[at, j] * after[j] + stored[at, j + 2] * after[j + 2]
        dirty = stored[at, j + 1] * after[j + 1] + stored[at, j + 3] * after[j + 3]
        total += clean + dirty
        b += dirty
        if j & 4:
            a += clean + dirty
    return a / total, b / total


@njit(cache=True, error_model="numpy")
def _rewind(  # pragma: no cover - compiled
    low: Whole,
    high: Whole,
    code: Int8,
    cls: Int32,
    single: Float32,
    blocks: Float32,
    turned: Float32,
    turned_blocks: Float32,
    both: Float32,
    joint: Float32,
    new: Float32,
    flow: Float32,
    stored: Float32,
    single_counts: Float64,
    both_counts: Float64,
    kept: Float32,
    odds: Float32,
) -> None:
    """Play the operations of a run backwards; with its forward messages stored, count or note on the way."""
    one = np.float32(1.0)
    count = len(single_counts) > 0
    note = len(kept) > 0
    for k in range(high - 1, low - 1, -1):
        op, c, at = np.int64(code[k]), np.int64(cls[k]), k - low
        if op > 3:
            continue
        if note:
            kept[k, 0] = kept[k, 1] = one
            if op == 0:
                odds[k, 0], odds[k, 1] = one - stored[at + 1, 0], 0.0
            else:
                odds[k, 0] = one - (stored[at + 1, 0] + stored[at + 1, 1] + stored[at + 1, 2] + stored[at + 1, 3])
                odds[k, 1] = one - (stored[at + 1, 0] + stored[at + 1, 4] + stored[at + 1, 8] + stored[at + 1, 12])
        if op <= 2:
            if count or note:
                _flow_single(stored, at, joint, op, c, blocks, single, flow)
            if count:
                _count_single(flow, c, single_counts)
            if note:
                kept[k, 1 if op == 2 else 0] = _stayed(flow)
            if op == 0:
                _step_face(joint, c, turned_blocks, turned)
            else:
                _step_side(joint, op, c, turned_blocks, turned)
                _scale(joint)
        else:
            if count:
                _count_both(stored, at, joint, c, both, flow, both_counts)
            if note:
                kept[k, 0], kept[k, 1] = _dirty(stored, at + 1, joint)
            _step_both(joint, new, c, both, SUPER, SUB)
            _scale(joint)
            if note:  # what is dirty before a mating is dirty after it
                was_a, was_b = _dirty(stored, at, joint)
                kept[k, 0] = min(was_a / kept[k, 0], one)
                kept[k, 1] = min(was_b / kept[k, 1], one)


@njit(cache=True, error_model="numpy")
def _backward(  # pragma: no cover - compiled
    first: Int64,
    face_a: Int32,
    face_b: Int32,
    code: Int8,
    cls: Int32,
    single: Float32,
    blocks: Float32,
    turned: Float32,
    turned_blocks: Float32,
    both: Float32,
    faces: Float32,
    formed: Float32,
    parted: Float32,
    stored: Float32,
    single_counts: Float64,
    both_counts: Float64,
    kept: Float32,
    odds: Float32,
) -> None:
    """One backward sweep; with room to store a run's forward messages, which are played again, also the expected
    counts of every class or, per operation and side, P(dirty before | dirty after) and P(not clean)."""
    joint = np.empty(16, np.float32)
    new = np.empty(16, np.float32)
    flow = np.empty(81, np.float32)
    two = np.empty((2, 4), np.float32)
    zero = np.int64(0)
    one = np.float32(1.0)
    for r in range(len(face_a) - 1, -1, -1):
        a, b = np.int64(face_a[r]), np.int64(face_b[r])
        low, high = first[r], first[r + 1]
        if len(stored) > 0:
            for i in range(4):
                two[0, i], two[1, i] = formed[r, 0, i], formed[r, 1, i]
            _meet(two, zero, zero + 1 if b >= 0 else b, joint)
            _play(low, high, code, cls, single, blocks, both, joint, new, stored)
            if len(kept) > 0 and b >= 0:
                kept[low, 0] = kept[low, 1] = one
                odds[low, 0], odds[low, 1] = one - formed[r, 0, 0], one - formed[r, 1, 0]
                if code[high - 1] == 5:
                    _sides(joint, r, parted, two, zero, zero + 1)
                    kept[high - 1, 0] = kept[high - 1, 1] = one
                    odds[high - 1, 0], odds[high - 1, 1] = one - two[0, 0], one - two[1, 0]
        _meet(faces, a, b, joint)
        if b >= 0:
            for i in range(4):
                parted[r, 0, i], parted[r, 1, i] = faces[a, i], faces[b, i]
        _rewind(
            low, high, code, cls, single, blocks, turned, turned_blocks, both, joint, new, flow, stored,
            single_counts, both_counts, kept, odds,
        )  # fmt: skip
        if b >= 0:
            _sides(joint, r, formed, faces, a, b)
        else:
            for i in range(4):
                faces[a, i] = joint[i]


@dataclass(frozen=True)
class Counts:
    """Expected counts of one backward sweep.

    `single` (c, 4, 4) and `both` (2, 16, 16): transitions by class; `start` (n, 4): beliefs of the start.
    """

    single: Float64
    both: Float64
    start: Float64


@dataclass(frozen=True)
class Trail:
    """What explaining the beliefs needs, per operation and side, shape (k, 2).

    `odds`: P(not clean) after the operation; `kept`: P(dirty before | dirty after).
    """

    odds: Float32
    kept: Float32


def no_messages(operations: Operations, n_faces: int) -> Messages:
    """Messages before the first sweep: nothing was learned from after a parting."""
    runs = len(operations.face_a)
    return Messages(
        np.empty((n_faces, 4), np.float32),
        np.empty((runs, 2, 4), np.float32),
        np.full((runs, 2, 4), 0.25, np.float32),
    )


def no_trail(operations: Operations) -> Trail:
    """Room for what explaining needs."""
    k = len(operations.code)
    return Trail(np.empty((k, 2), np.float32), np.empty((k, 2), np.float32))


def forward(operations: Operations, tables: Tables, messages: Messages) -> None:
    """One forward sweep in place."""
    messages.faces[:] = tables.start
    _forward(
        operations.first,
        operations.face_a,
        operations.face_b,
        operations.code,
        operations.cls,
        tables.single,
        tables.blocks[0],
        _mating_steps(tables.both),
        messages.faces,
        messages.formed,
        messages.parted,
    )


def backward(
    operations: Operations, tables: Tables, messages: Messages, *, count: bool = False, trail: Trail | None = None
) -> Counts | None:
    """One backward sweep in place, after a forward one; `messages.parted` is renewed.

    Parameters
    ----------
    count
        Also give the expected counts.
    trail
        Filled with what explaining the beliefs of the forward sweep before needs.
    """
    room = 0
    if count or trail is not None:
        room = int(np.diff(operations.first).max(initial=0)) or 1
    single_counts = np.zeros((len(tables.single) if count else 0, 16))
    both_counts = np.zeros((len(tables.both), len(SUB)))
    empty = np.empty((0, 2), np.float32)
    faces = np.full_like(messages.faces, 0.25)
    _backward(
        operations.first,
        operations.face_a,
        operations.face_b,
        operations.code,
        operations.cls,
        tables.single,
        tables.blocks[0],
        tables.backwards,
        tables.blocks[1],
        _mating_steps(tables.both),
        faces,
        messages.formed,
        messages.parted,
        np.empty((room + 1 if room else 0, 16), np.float32),
        single_counts,
        both_counts,
        trail.kept if trail is not None else empty,
        trail.odds if trail is not None else empty,
    )
    if not count:
        return None
    start = tables.start.astype(np.float64) * faces
    start /= start.sum(axis=1, keepdims=True)
    matings = np.zeros((len(tables.both), 16, 16))
    matings[:, SUB, SUPER] = both_counts
    return Counts(single_counts.reshape(-1, 4, 4), matings, start)


def beliefs(messages: Messages) -> Float64:
    """P(state) of every end face after a forward sweep, shape (n, 4)."""
    out = messages.faces.astype(np.float64)
    return np.asarray(out / out.sum(axis=1, keepdims=True))
