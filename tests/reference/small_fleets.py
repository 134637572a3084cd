"""Random small fleets for checks against exact inference: three ports, three cord ends, one launch cord.

Far loopier than a real fleet: the launch cord meets every port, and cord ends change places often.
"""

from __future__ import annotations

import numpy as np

from planner.health.contamination import History
from planner.health.episodes import CLEAN, DEMATE, LOOK, LOOK_AFTER, MATE

FACES, PORTS, LAUNCH = 7, 3, 6
HOUR, DAY = 3600, 86400


def random_history(seed: int, jobs: int = 12, looks: float = 0.3, cleans: float = 0.4) -> History:
    """A history of jobs: open a port, perhaps look, clean, look again, test with the launch cord, mate.

    End faces 0-2 are the rear plugs of ports 0-2, 3-5 the cord ends that start in their fronts, 6 is the
    launch cord's.
    """
    rng = np.random.default_rng(seed)
    front = [3, 4, 5]
    rows: list[tuple[int, int, int, int, int, int]] = []  # time, kind, face, port, side, detail

    def add(at: int, kind: int, face: int, port: int = -1, detail: int = 0) -> None:
        rows.append((at, kind, face, port, 0, detail))

    at = 0
    for _ in range(jobs):
        at += int(rng.integers(1, 40)) * DAY
        now = at
        port = int(rng.integers(PORTS))
        add(now, DEMATE, front[port], port)
        for face in (front[port], port):
            if rng.random() < looks:
                add(now + 60, LOOK, face, detail=int(rng.choice(3, p=(0.6, 0.32, 0.08))))
            if rng.random() < cleans:
                add(now + 120, CLEAN, face, detail=int(rng.integers(6)))
                if rng.random() < looks:
                    add(now + 180, LOOK_AFTER, face, detail=int(rng.choice(3, p=(0.75, 0.2, 0.05))))
        if rng.random() < 0.3:
            add(now + 240, MATE, LAUNCH, port)
            add(now + 300, DEMATE, LAUNCH, port)
        if rng.random() < 0.15:  # two cords change places
            other = int((port + rng.integers(1, PORTS)) % PORTS)
            add(now + 360, DEMATE, front[other], other)
            front[port], front[other] = front[other], front[port]
            add(now + 480, MATE, front[other], other)
        add(now + 540, MATE, front[port], port)
    rows.sort(key=lambda row: (row[0], row[1]))
    columns = np.array(rows, np.int64).reshape(-1, 6).T
    m = columns.shape[1]
    return History(
        seconds=columns[0],
        kind=columns[1].astype(np.int8),
        face=columns[2].astype(np.int32),
        port=columns[3].astype(np.int32),
        face_side=columns[4].astype(np.int8),
        detail=columns[5].astype(np.int8),
        technician=rng.integers(0, 3, m).astype(np.int32),
        test_set=np.zeros(m, np.int32),
        suspected=np.zeros(m, np.bool_),
        known_after=np.zeros(m, np.int32),
        start_port=np.array([0, 1, 2, 0, 1, 2, -1], np.int32),
        start_face=np.array([1, 1, 1, 0, 0, 0, 0], np.int8),
        fixed_port=np.full(FACES, -1, np.int32),
        face_kind=np.array([0, 0, 0, 0, 0, 0, 2], np.int8),
        batch=np.full(FACES, -1, np.int32),
        port_site=np.array([0, 0, 1], np.int32),
        port_environment=np.array([0, 1, 2], np.int8),
        end_at=at + 30 * DAY,
    )
