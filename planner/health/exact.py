"""Exact beliefs of small groups of end faces: the joint filter over all their states.

In come the same operations and tables as for the sweeps; out come exact probabilities in double precision, at
the cost of 4**n states per operation for a group of n end faces that met each other and nobody else. Large
groups are left to the sweeps.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from planner.errors import ParameterError
from planner.health.episodes import Operations
from planner.health.sweeps import SUB, SUPER, Tables

Bool = npt.NDArray[np.bool_]
Float64 = npt.NDArray[np.float64]
Int8 = npt.NDArray[np.int8]
Int32 = npt.NDArray[np.int32]
Int64 = npt.NDArray[np.int64]

LARGEST_GROUP = 8
MOST_FACES = 10
SMALL = 1e-100
MOST_STEPS = 3e8  # joint states x operations worked through in one analysis: about a second


@njit(cache=True, error_model="numpy")
def _filter_groups(  # pragma: no cover - compiled
    bounds: Int64,
    runs: Int64,
    first: Int64,
    face_a: Int32,
    face_b: Int32,
    code: Int8,
    cls: Int32,
    single: npt.NDArray[np.float32],
    both: Float64,
    start: Float64,
    members: Int64,
    faces: Int64,
    joint: Float64,
    state: Float64,
) -> None:
    """Group g has the runs `runs[bounds[g]:bounds[g + 1]]` and the end faces `faces[members[g]:members[g + 1]]`."""
    shift_of = np.zeros(len(state), np.int64)  # where the two bits of an end face stand in the number of a joint state
    block = np.empty(16)
    for g in range(len(bounds) - 1):
        low, high = members[g], members[g + 1]
        states = 1 << (2 * (high - low))
        for s in range(states):
            joint[s] = 1.0
            for place in range(low, high):
                joint[s] *= start[faces[place], (s >> (2 * (place - low))) & 3]
        for place in range(low, high):
            shift_of[faces[place]] = 2 * (place - low)
        for place in range(bounds[g], bounds[g + 1]):
            r = runs[place]
            a, b = shift_of[face_a[r]], shift_of[face_b[r]]
            for k in range(first[r], first[r + 1]):
                op, c = code[k], cls[k]
                if op > 3:
                    continue
                total = 0.0
                if op == 3:
                    bits = (3 << a) | (3 << b)
                    for s in range(states):
                        if s & bits == 0:
                            for z in range(16):
                                block[z] = 0.0
                            for z in range(81):
                                before = (SUB[z] >> 2) << a | (SUB[z] & 3) << b
                                block[SUPER[z]] += joint[s | before] * both[c, z]
                            for z in range(16):
                                joint[s | (z >> 2) << a | (z & 3) << b] = block[z]
                                total += block[z]
                else:
                    shift = b if op == 2 else a
                    for s in range(states):
                        if (s >> shift) & 3 == 0:
                            for i in range(4):
                                block[i] = joint[s | i << shift]
                            for i in range(4):
                                value = 0.0
                                for h in range(4):
                                    value += block[h] * single[c, h, i]
                                joint[s | i << shift] = value
                                total += value
                if total < SMALL:
                    for s in range(states):
                        joint[s] /= total
        total = 0.0
        for s in range(states):
            total += joint[s]
        for place in range(low, high):
            for i in range(4):
                state[faces[place], i] = 0.0
            for s in range(states):
                state[faces[place], (s >> shift_of[faces[place]]) & 3] += joint[s] / total


def _filtered(operations: Operations, tables: Tables, group: Int32, chosen: Bool, state: Float64) -> None:
    """Put the exact beliefs of the chosen groups in `state`; `group` (n,) numbers the group of each end face."""
    number = np.where(chosen, np.cumsum(chosen) - 1, -1)
    count = int(chosen.sum())
    of_run, of_face = number[group[operations.face_a]], number[group]
    # stable: the runs of a group stay in the order of time
    runs, faces = (np.argsort(of, kind="stable")[np.count_nonzero(of < 0) :] for of in (of_run, of_face))
    wanted = np.arange(count + 1)
    start = tables.start.astype(np.float64)
    _filter_groups(
        np.searchsorted(of_run[runs], wanted),
        runs,
        operations.first,
        operations.face_a,
        operations.face_b,
        operations.code,
        operations.cls,
        tables.single,
        tables.both.astype(np.float64)[:, SUB, SUPER],
        start / start.sum(axis=1, keepdims=True),
        np.searchsorted(of_face[faces], wanted),
        faces,
        np.empty(4 ** int(np.bincount(of_face[faces], minlength=1).max())),
        state,
    )


def joint_filter(operations: Operations, tables: Tables, n_faces: int) -> Float64:
    """P(state) of every end face after all operations, exact, shape (n, 4), taking all as one group.

    Raises
    ------
    ParameterError
        More than `MOST_FACES` end faces.
    """
    if n_faces > MOST_FACES:
        raise ParameterError(
            f"exact inference: got {n_faces} end faces, must be at most {MOST_FACES} (4**n states); use the sweeps"
        )
    state = np.empty((n_faces, 4))
    _filtered(operations, tables, np.zeros(n_faces, np.int32), np.ones(1, np.bool_), state)
    return state


def replace_small_groups(operations: Operations, tables: Tables, state: Float64) -> int:
    """Replace the beliefs of the sweeps by exact ones where end faces met few others.

    Groups of up to `LARGEST_GROUP` end faces, the cheapest first as long as all together stay below `MOST_STEPS`.

    Parameters
    ----------
    state
        Beliefs after the sweeps, shape (n, 4); changed in place.

    Returns
    -------
    The number of end faces whose beliefs are exact now.
    """
    n = len(state)
    paired = np.flatnonzero(operations.face_b >= 0)
    met = coo_matrix(
        (np.ones(len(paired), np.int8), (operations.face_a[paired], operations.face_b[paired])), shape=(n, n)
    )
    groups, group = connected_components(met, directed=False)
    size = np.bincount(group, minlength=groups)
    steps = np.bincount(group[operations.face_a], weights=np.diff(operations.first), minlength=groups)
    cost = np.where(size <= LARGEST_GROUP, 4.0 ** np.minimum(size, LARGEST_GROUP) * steps, np.inf)
    order = np.argsort(cost, kind="stable")
    chosen = np.zeros(groups, np.bool_)
    chosen[order] = np.cumsum(cost[order]) <= MOST_STEPS
    _filtered(operations, tables, group.astype(np.int32), chosen, state)
    return int(size[chosen].sum())
