"""Causes on closed work orders, corrected for wrong close codes.

In: how often each cause was written on closed orders. Out: how often each was really there, as far as the
codes tell. "No fault found" and "other" are not causes and say nothing about the shares.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from planner.health.fault_laws import CODE

ORDER_CAUSES = ("contamination", "damaged_end_face", "bend", "fibre_break", "splice", "transceiver")
RIGHT_CODE = 0.8  # share of closed orders with the right cause; common practice, no source
MOST_WEIGHT = 50.0  # orders of years ago never outweigh what is found now
ROUNDS = 200


def corrected_shares(counts: pd.DataFrame) -> dict[str, float]:
    """Weight per cause: the shares the codes imply, times the orders they rest on (at most 50).

    With C the confusion of codes (right with probability .8, else any other alike), the shares are the
    maximum-likelihood ones by the EM rule p <- p * C' (counts / (C p)).

    Parameters
    ----------
    counts
        cause_found, orders.

    Returns
    -------
    Empty without orders that name a cause.

    Examples
    --------
    >>> shares = corrected_shares(pd.DataFrame({"cause_found": ["bend"], "orders": [10]}))
    >>> round(shares["bend"], 3), round(sum(shares.values()), 3)
    (10.0, 10.0)
    """
    orders = counts.set_index("cause_found")["orders"].reindex(ORDER_CAUSES).fillna(0).to_numpy(np.float64)
    total = float(orders.sum())
    if total == 0:
        return {}
    size = len(ORDER_CAUSES)
    confusion = np.full((size, size), (1 - RIGHT_CODE) / (size - 1))
    np.fill_diagonal(confusion, RIGHT_CODE)
    share = np.full(size, 1.0 / size)
    for _ in range(ROUNDS):
        share = share * (confusion.T @ (orders / (confusion @ share))) / total
    weight = min(total, MOST_WEIGHT)
    return {name: float(value * weight) for name, value in zip(ORDER_CAUSES, share, strict=True) if name in CODE}
