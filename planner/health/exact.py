"""Exact beliefs of a small group of end faces: the joint filter over all their states.

In come the same operations and tables as for the sweeps; out come exact probabilities, at the cost of
4**n states for n end faces. It is the reference for the sweeps and the method for small groups.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from planner.errors import ParameterError
from planner.health.episodes import BOTH, MERGE, SIDE_B, SPLIT, Operations
from planner.health.sweeps import Tables

Float64 = npt.NDArray[np.float64]

MOST_FACES = 10


def joint_filter(operations: Operations, tables: Tables, n_faces: int) -> Float64:
    """P(state) of every end face after all operations, exact, shape (n, 4).

    Raises
    ------
    ParameterError
        More than `MOST_FACES` end faces.
    """
    if n_faces > MOST_FACES:
        raise ParameterError(
            f"exact inference: got {n_faces} end faces, must be at most {MOST_FACES} (4**n states); use the sweeps"
        )
    single, both = tables.single.astype(np.float64), tables.both.astype(np.float64).reshape(-1, 4, 4, 4, 4)
    joint = np.ones(())
    for face in range(n_faces):
        start = tables.start[face].astype(np.float64)
        joint = np.multiply.outer(joint, start / start.sum())
    run = operations.run()
    for code, a, b, cls in zip(
        operations.code.tolist(),
        operations.face_a[run].tolist(),
        operations.face_b[run].tolist(),
        operations.cls.tolist(),
        strict=True,
    ):
        if code in (MERGE, SPLIT):
            continue
        if code == BOTH:
            joint = np.moveaxis(np.tensordot(joint, both[cls], axes=((a, b), (0, 1))), (-2, -1), (a, b))
        else:
            face = b if code == SIDE_B else a
            joint = np.moveaxis(np.tensordot(joint, single[cls], axes=((face,), (0,))), -1, face)
        joint = joint / joint.sum()
    every = tuple(range(n_faces))
    return np.stack([joint.sum(axis=tuple(axis for axis in every if axis != face)) for face in every])
