"""Days on which joints were touched, on the axis of the readings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.health.fault_laws import UNRECORDED_LIMITS, UNRECORDED_TOUCHES
from planner.health.hypotheses import Hypotheses
from planner.health.opened_joints import OpenedJoints

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass
class Touches:
    """Days on which joints were opened, on the axis of the series; ordered by joint and day.

    `share` is 1 for an opening on record, less for one that lies somewhere on the path; `start` (ports + 1)
    gives the rows of each joint, an index of `Hypotheses.ports`. `unrecorded` is how many touches of a joint the
    records lack.
    """

    day: IntArray
    share: FloatArray
    start: IntArray
    unrecorded: float

    def of(self, joint: IntArray) -> tuple[IntArray, IntArray]:
        """The touches of some joints, one after the other: which of `joint` each is of, and its row.

        A joint of -1 has none: where no path is known there is no joint at all.
        """
        bounds = np.append(self.start, self.start[-1])  # there may be no port at all
        begin = bounds[np.maximum(joint, 0)]
        count = np.where(joint >= 0, bounds[np.maximum(joint, 0) + 1] - begin, 0)
        owner = np.repeat(np.arange(len(joint)), count)
        return owner, np.arange(len(owner)) + (begin - (np.cumsum(count) - count))[owner]


def reading_day(day: FloatArray, read_at: float) -> IntArray:
    """Day of the first reading after a moment, on the axis of the readings.

    Parameters
    ----------
    day
        Days since the first day, with the time of day as a fraction.
    read_at
        Time of day of the readings, as a fraction.

    Examples
    --------
    >>> reading_day(np.array([3.1, 3.9, -0.5]), 0.5).tolist()
    [3, 4, 0]
    """
    return np.asarray(np.floor(day - read_at), np.int64) + 1


def touches_by_joint(ports: pd.Index, touches: pd.DataFrame, start_at: float, joints: int) -> Touches:
    """Touches of the known joints in days since the first day of the series, at the reading that shows them.

    Parameters
    ----------
    ports
        Joints in the order of `Hypotheses.ports`.
    touches
        port_id, day (fractional days since the first day), share.
    start_at
        Time of day of the readings: a touch later than that shows on the next day.
    joints
        Number of joints whose touches these are.
    """
    joint = ports.get_indexer(pd.Index(touches["port_id"]))
    known = joint >= 0
    joint = joint[known]
    day = reading_day(touches["day"].to_numpy(np.float64)[known], start_at)
    order = np.lexsort((day, joint))
    counts = np.bincount(joint, minlength=len(ports))
    share = touches["share"].to_numpy(np.float64)[known]
    on_record = float(((share == 1.0) & (day >= 0)).sum()) / max(joints, 1)
    unrecorded = float(np.clip(UNRECORDED_TOUCHES * on_record, *UNRECORDED_LIMITS))
    return Touches(day[order], share[order], np.concatenate(([0], np.cumsum(counts))), unrecorded)


def joints_opened(hypotheses: Hypotheses, touches: Touches, read: IntArray, days: int) -> OpenedJoints:
    """The joints of each read circuit that were opened within the series, by day, as far as the records say which."""
    place = np.full(int(hypotheses.circuit.max(initial=-1)) + 1, -1)
    place[read] = np.arange(len(read))
    own = (hypotheses.joint >= 0) & (place[hypotheses.circuit] >= 0)
    pair = np.unique(np.stack([place[hypotheses.circuit[own]], hypotheses.joint[own]], axis=1), axis=0)
    owner, place_of = touches.of(pair[:, 1])
    day = touches.day[place_of]
    inside = (day >= 0) & (day < days) & (touches.share[place_of] == 1.0)
    row, joint = pair[owner[inside]].T
    return OpenedJoints.of(row, day[inside], joint)
