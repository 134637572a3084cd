"""The sources of evidence for or against a fault, in the order in which they are added, and sums over cases.

Their order is fixed, so the lines shown add up to the log-odds.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

SOURCES = ("common", "belief", "power", "tests", "timing", "level", "trace", "neighbours")
COMMON, BELIEF, POWER, TESTS, TIMING, LEVEL, TRACE, NEIGHBOURS = range(len(SOURCES))


def normalised(log_weight: FloatArray, case: IntArray) -> FloatArray:
    """Probabilities over the pairs of each case."""
    if len(case) == 0:
        return np.zeros(0)
    start = np.flatnonzero(np.concatenate(([True], case[1:] != case[:-1])))
    size = np.diff(np.concatenate((start, [len(case)])))
    best = np.repeat(np.maximum.reduceat(log_weight, start), size)
    weight = np.exp(log_weight - best)
    return np.asarray(weight / np.repeat(np.add.reduceat(weight, start), size), np.float64)


def log_total(log_weight: FloatArray, case: IntArray, cases: int) -> FloatArray:
    """Log of the summed weights of each case; -inf for a case without pairs."""
    best = np.full(cases, -np.inf)
    np.maximum.at(best, case, log_weight)
    safe = np.where(np.isinf(best), 0.0, best)
    total = np.zeros(cases)
    np.add.at(total, case, np.exp(log_weight - safe[case]))
    with np.errstate(divide="ignore"):
        return np.log(total) + safe
