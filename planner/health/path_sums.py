"""The sums of every path in one compiled pass over its elements.

In: elements by circuit with their types, and what each type costs. Out: one row of sums per circuit. Light
that is reflected behind a loss passes that loss twice; carrying the share that still gets through from element
to element needs one exponential per cable instead of one per element.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit

from planner.standards.physics import DB_PER_NEPER

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Ints32 = npt.NDArray[np.int32]

# Columns of what a type costs: limit, expected loss and variance by itself; limit and expected loss per km;
# the share of light it reflects; whether it scatters light back along its length, and whether it is a pair.
MAXIMUM, TYPICAL, VARIANCE, MAXIMUM_PER_KM, TYPICAL_PER_KM, REFLECTED, SCATTERS, IS_PAIR = range(8)
# Columns of the sums.
SUMS = ("maximum_db", "typical_db", "variance_db2", "length_km", "returned", "end_pairs_db")


@njit(cache=True)
def _sum_paths(  # pragma: no cover - compiled
    start: Ints,
    type_: Ints32,
    length_km: Floats,
    splice_loss_db: Floats,
    costs: Floats,
    flags_of_type: Ints32,
    relative_sd: float,
    scattered_per_m: float,
    sums: Floats,
    flags: Ints32,
) -> None:
    passes_twice = np.exp(-2.0 * costs[:, TYPICAL] / DB_PER_NEPER)
    for circuit in range(len(start) - 1):
        maximum = typical = variance = length = returned = first_pair = last_pair = 0.0
        through = 1.0
        remarks = np.int32(0)
        has_pair = False
        for element in range(start[circuit], start[circuit + 1]):
            number = type_[element]
            km, recorded = length_km[element], splice_loss_db[element]
            by_length = costs[number, TYPICAL_PER_KM] * km
            loss = costs[number, TYPICAL] + by_length
            reflects, passes = costs[number, REFLECTED], passes_twice[number]
            if recorded == recorded:
                loss = recorded
                passes = math.exp(-2.0 * loss / DB_PER_NEPER)
            elif by_length > 1e-12:  # below, a cable scatters as if it lost nothing
                lost = -math.expm1(-2.0 * by_length / DB_PER_NEPER)
                passes *= 1.0 - lost
                if costs[number, SCATTERS] > 0.0:
                    reflects = scattered_per_m * lost * km * 1000.0 / (2.0 * by_length / DB_PER_NEPER)
            elif costs[number, SCATTERS] > 0.0:
                reflects = scattered_per_m * km * 1000.0
            returned += reflects * through
            if passes == passes:
                through *= passes
            spread = relative_sd * by_length
            maximum += costs[number, MAXIMUM] + costs[number, MAXIMUM_PER_KM] * km
            typical += loss
            variance += costs[number, VARIANCE] + spread * spread
            length += km
            remarks |= flags_of_type[number]
            if costs[number, IS_PAIR] > 0.0:
                if not has_pair:
                    first_pair = loss
                    has_pair = True
                last_pair = loss
        sums[circuit, 0] = maximum
        sums[circuit, 1] = typical
        sums[circuit, 2] = variance
        sums[circuit, 3] = length
        sums[circuit, 4] = returned
        sums[circuit, 5] = (first_pair + last_pair) / 2.0
        flags[circuit] = remarks


def sum_paths(
    start: Ints,
    type_: Ints32,
    length_km: Floats,
    splice_loss_db: Floats,
    costs: Floats,
    flags_of_type: Ints32,
    relative_sd: float,
    scattered_per_m: float,
) -> tuple[dict[str, Floats], Ints32]:
    """Sums and remarks of every circuit at one wavelength; 0 for a circuit without elements.

    Parameters
    ----------
    start
        Where each circuit's elements begin; one more at the end. Shape (c + 1,).
    type_
        Type of every element. Shape (e,).
    length_km
        Length of every cable, else 0. Shape (e,).
    splice_loss_db
        Loss of splices as recorded, which goes before what their type costs; NaN elsewhere. Shape (e,).
    costs
        What each type costs: columns MAXIMUM ... IS_PAIR. NaN where it is not known. Shape (t, 8).
    flags_of_type
        Remarks of each type. Shape (t,).
    relative_sd
        Standard deviation of a cable's loss as a share of it.
    scattered_per_m
        Share of light that a metre of fibre scatters back. [1/m]

    Returns
    -------
    Arrays by the names `SUMS`, and the remarks. `returned` is the share of light that comes back to A:
    sum(reflected x transmission there and back), a fibre's part b (1 - exp(-2 a L)) / (2 a) as in
    `planner.standards.physics.backscatter_fraction`.
    """
    circuits = len(start) - 1
    sums, flags = np.empty((len(SUMS), circuits)).T, np.empty(circuits, np.int32)
    _sum_paths(
        start,
        type_,
        length_km,
        splice_loss_db,
        costs,
        flags_of_type,
        float(relative_sd),
        float(scattered_per_m),
        sums,
        flags,
    )
    return dict(zip(SUMS, sums.T, strict=True)), flags
