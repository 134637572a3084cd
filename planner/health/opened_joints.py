"""On which days which joints of a circuit were opened: how many, and which, as bits.

A fall of the loss on the day a joint was opened undoes what began when that same joint was opened before; to
see that, every change carries the joints opened about its day, one bit for each joint of its circuit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

IntArray = NDArray[np.int64]

BITS = 63  # joints of a longer circuit share bits
REACH_DAYS = 1  # readings may show a touch a day before or after, clocks being off


@dataclass(frozen=True)
class OpenedJoints:
    """Every (circuit read, day, joint) with an opening, once each, ordered so.

    `row` numbers the circuits read, `joint` the joints of each circuit from 0; `day` lies within the series.
    """

    row: IntArray
    day: IntArray
    joint: IntArray

    @classmethod
    def of(cls, row: IntArray, day: IntArray, joint: IntArray) -> OpenedJoints:
        """From openings in any order, repeated or not; `joint` any number that tells joints apart."""
        named, which = np.unique(np.stack([row, joint], axis=1).astype(np.int64), axis=0, return_inverse=True)
        rank = np.arange(len(named)) - np.searchsorted(named[:, 0], named[:, 0])
        once = np.unique(np.stack([row, day, rank[which.ravel()]], axis=1).astype(np.int64), axis=0)
        return cls(once[:, 0], once[:, 1], once[:, 2])

    def counts(self, circuits: int, days: int) -> NDArray[np.int16]:
        """How many joints of each circuit were opened each day, shape (circuits, days)."""
        result = np.zeros((circuits, days), np.int16)
        np.add.at(result, (self.row, self.day), 1)
        return result

    def about(self, row: IntArray, day: IntArray) -> NDArray[np.uint64]:
        """The joints opened within a day of each (circuit, day), as bits; zero where none was or `day` is -1."""
        span = np.int64(1) << 32
        key = self.row * span + self.day
        keys, start = np.unique(key, return_index=True)
        bits = np.left_shift(np.uint64(1), (self.joint % BITS).astype(np.uint64))
        joined = np.bitwise_or.reduceat(bits, start) if len(start) else bits
        result = np.zeros(np.broadcast(row, day).shape, np.uint64)
        if len(keys) == 0:
            return result
        for off in range(-REACH_DAYS, REACH_DAYS + 1):
            wanted = row * span + day + off
            place = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
            result |= np.where((keys[place] == wanted) & (day >= 0), joined[place], np.uint64(0))
        return result


__all__ = ["OpenedJoints"]
