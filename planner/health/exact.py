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
    state: Float64,
) -> None:
    """Group g has the runs `runs[bounds[g]:bounds[g + 1]]` and the end faces `faces[members[g]:members[g + 1]]`."""
    shift_of = np.zeros(len(state), np.int64)  # where the two bits of an end face stand in the number of a joint state
    block = np.empty(16)
    for g in range(len(bounds) - 1):
        group = faces[members[g] : members[g + 1]]
        states = 1 << (2 * len(group))
        joint = np.ones(states)
        for place in range(len(group)):
            shift_of[group[place]] = 2 * place
            for s in range(states):
                joint[s] *= start[group[place], (s >> (2 * place)) & 3]
        for place in range(bounds[g], bounds[g + 1]):
            r = runs[place]
            for k in range(first[r], first[r + 1]):
                op, c = code[k], cls[k]
                if op > 3:
                    continue
                total = 0.0
                if op == 3:
                    a, b = shift_of[face_a[r]], shift_of[face_b[r]]
                    both_bits = (3 << a) | (3 << b)
                    for s in range(states):
                        if not s & both_bits:
                            block[:] = 0.0
                            for z in range(81):
                                before, after = SUB[z], SUPER[z]
                                block[after] += joint[s | (before >> 2) << a | (before & 3) << b] * both[c, z]
                            for z in range(16):
                                joint[s | (z >> 2) << a | (z & 3) << b] = block[z]
                                total += block[z]
                else:
                    a = shift_of[face_b[r] if op == 2 else face_a[r]]
                    for s in range(states):
                        if not (s >> a) & 3:
                            w, x, y, z = joint[s], joint[s | 1 << a], joint[s | 2 << a], joint[s | 3 << a]
                            for i in range(4):
                                value = w * single[c, 0, i] + x * single[c, 1, i]
                                value += y * single[c, 2, i] + z * single[c, 3, i]
                                joint[s | i << a] = value
                                total += value
                if total < SMALL:
                    for s in range(states):
                        joint[s] /= total
        for x in group:
            total = 0.0
            state[x] = 0.0
            for s in range(states):
                state[x, (s >> shift_of[x]) & 3] += joint[s]
                total += joint[s]
            state[x] /= total


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
