"""Which circuits share an element with which.

In: hypotheses. Out: numbers of circuits. A cable, an array connector or the common part of a passive tree
carries several circuits: when one of them changes, whether the others changed too tells where.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from planner.health.hypotheses import PATH, Hypotheses

MOST_SHARING = 64  # circuits beyond that over one element add nothing to what it explains


def sharing_circuits(hypotheses: Hypotheses, circuits: NDArray[np.integer], total: int) -> NDArray[np.int64]:
    """The given circuits and those that share a path element with one of them, rising.

    Of an element with more than 64 circuits, the given ones and the first 64 others.
    """
    given = np.zeros(total, np.bool_)
    given[circuits] = True
    path = hypotheses.family == PATH
    element, circuit = hypotheses.element[path], hypotheses.circuit[path]
    size = int(element.max(initial=-1)) + 1
    hit = np.zeros(size, np.bool_)
    hit[element[given[circuit]]] = True
    near = hit[element]
    pair = np.unique(element[near] * np.int64(total) + circuit[near])
    element, circuit = pair // total, pair % total
    start = np.searchsorted(element, element)
    kept = np.arange(len(element)) - start < MOST_SHARING
    result = given.copy()
    result[circuit[kept]] = True
    return np.flatnonzero(result).astype(np.int64)
