"""What several circuits say together of one fault that hit them: the mean over when it began and how large it is.

In: for every circuit, how much likelier its readings are with a fault of each onset, size and shape than without
one. Out: what the circuits say together with each of them hit, and without it. Compiled; no tables, no circuits.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

# Circuits show a common fault days apart: slow onsets, gaps and noise. Chance of a lag falls with its length.
LONGEST_LAG_DAYS = 30
LAG_POWER = 1.5
LOWEST_WEIGHT = 1e-35  # of an onset against the circuit's likeliest one of the same size and shape
SIZE_SPREAD = 0.2
LOWEST_RATIO = -60.0
# products are kept between these by taking logarithms
SMALLEST_FACTOR, SMALLEST_PRODUCT, TINY = 1e-40, 1e-250, 1e-300
LARGEST_EXPONENT = 600.0


def lag_weights(step: int) -> FloatArray:
    """Chance of each lag between neighbours `step` days apart, the middle one being none; sums to 1."""
    lags = np.arange(-(LONGEST_LAG_DAYS // step), LONGEST_LAG_DAYS // step + 1)
    kernel = (1.0 + np.abs(lags) * step) ** -LAG_POWER
    return np.asarray(kernel / kernel.sum(), np.float64)


@njit(cache=True)
def _lagged(log_ratio, kernel, padded, out):  # type: ignore[no-untyped-def]
    """Weights exp(x - top) of one row of onsets, averaged over the lags; returns top."""
    days = len(log_ratio)
    reach = len(kernel) // 2
    top = log_ratio[0]
    for t in range(1, days):
        top = max(top, log_ratio[t])
    for t in range(days):
        padded[reach + t] = np.exp(log_ratio[t] - top)
    for t in range(reach):
        padded[t] = padded[reach]
        padded[reach + days + t] = padded[reach + days - 1]
    for t in range(days):
        total = 0.0
        for k in range(len(kernel)):
            total += kernel[k] * padded[t + k]
        out[t] = max(total, LOWEST_WEIGHT)
    return top


@njit(cache=True)
def _lagged_rows(log_ratio, kernel, weight, top):  # type: ignore[no-untyped-def]
    rows, days = log_ratio.shape
    padded = np.empty(days + len(kernel), np.float64)
    out = np.empty(days, np.float64)
    for row in range(rows):
        top[0, 0, row] = _lagged(log_ratio[row], kernel, padded, out)
        for t in range(days):
            weight[0, 0, t, row] = out[t]


@njit(cache=True)
def _lagged_sizes(loss_a, loss_b, rows, step, sizes_db, kernel, weight, top):  # type: ignore[no-untyped-def]
    days, shapes, whole = weight.shape[2], weight.shape[1], loss_a.shape[1]
    padded = np.empty(days + len(kernel), np.float64)
    log_ratio = np.empty(days, np.float64)
    out = np.empty(days, np.float64)
    for r in range(len(rows)):
        for g in range(shapes):
            for s in range(len(sizes_db)):
                size = sizes_db[s]
                for t in range(days):
                    # the mean of the days from one onset to the next: a step is as sharp as a day
                    first, last = t * step, min((t + 1) * step, whole)
                    log_ratio[t] = LOWEST_RATIO
                    total = 0.0
                    for d in range(first, last):
                        a = loss_a[rows[r], d, g]
                        b = loss_b[rows[r], d, g]
                        if b > 0 and a > 0:
                            # the grid of sizes is coarse: a peak narrower than that is widened, its height kept
                            best = a / b
                            wide = b / (1.0 + b * (SIZE_SPREAD * size) ** 2)
                            value = 0.5 * best * a - 0.5 * (best - size) ** 2 * wide
                        else:
                            value = a * size - 0.5 * size * size * b
                        value = max(value, LOWEST_RATIO)
                        if value > log_ratio[t]:
                            total = total * np.exp(log_ratio[t] - value) + 1.0
                            log_ratio[t] = value
                        else:
                            total += np.exp(value - log_ratio[t])
                    log_ratio[t] += np.log(total / (last - first))
                top[s, g, r] = _lagged(log_ratio, kernel, padded, out)
                for t in range(days):
                    weight[s, g, t, r] = out[t]


class Onsets:
    """How much likelier the readings of some circuits are with a fault than without, by size, shape and onset.

    `weight` (sizes, shapes, days, circuits) times exp(`top`) (sizes, shapes, circuits) is that ratio, averaged
    over the days by which one circuit may show a common fault before or after another.
    """

    def __init__(self, weight: NDArray[np.float32], top: FloatArray) -> None:
        self.weight, self.top = weight, top

    @classmethod
    def of_days(cls, log_ratio: NDArray[np.floating]) -> Onsets:
        """From log ratios by circuit and day."""
        rows, days = log_ratio.shape
        weight, top = np.empty((1, 1, days, rows), np.float32), np.empty((1, 1, rows))
        _lagged_rows(log_ratio.astype(np.float64), lag_weights(1), weight, top)
        return cls(weight, top)

    @classmethod
    def of_sizes(
        cls,
        loss_a: NDArray[np.float32],
        loss_b: NDArray[np.float32],
        rows: NDArray[np.int64],
        sizes_db: FloatArray,
        step: int,
    ) -> Onsets:
        """From the statistics of loss by case, day and shape, for some sizes; onsets `step` days at a time.

        Parameters
        ----------
        loss_a, loss_b
            Statistics as of `planner.health.change_evidence`, shape (cases, days, shapes).
        rows
            Cases of the circuits.
        sizes_db
            Sizes of the fault. [dB]
        step
            Days from one onset to the next; each stands for the days up to the next one.
        """
        days, shapes = len(range(0, loss_a.shape[1], step)), loss_a.shape[2]
        weight = np.empty((len(sizes_db), shapes, days, len(rows)), np.float32)
        top = np.empty((len(sizes_db), shapes, len(rows)))
        _lagged_sizes(loss_a, loss_b, rows, step, sizes_db, lag_weights(step), weight, top)
        return cls(weight, top)

    @property
    def log_ratio(self) -> FloatArray:
        """The averaged log ratios, shape as `weight`."""
        return np.asarray(np.log(self.weight.astype(np.float64)) + self.top[:, :, None, :])


@njit(cache=True)
def _together(hit, hit_top, other, other_top, sizes, log_prior, spared, without, joint, others):  # type: ignore[no-untyped-def]
    shapes, days, rows = hit.shape[1], hit.shape[2], hit.shape[3]
    # each circuit's factors are scaled by its largest one, so that products shrink only
    scale = np.empty(rows)
    for m in range(rows):
        scale[m] = without[m]
        for s in range(len(sizes)):
            for g in range(shapes):
                scale[m] = max(scale[m], other_top[sizes[s], g, m])
    left = np.empty(rows)
    for m in range(rows):
        left[m] = spared * np.exp(without[m] - scale[m])
        joint[m] = 0.0
        others[m] = 0.0
    hit_scale = np.empty(rows)
    other_scale = np.empty(rows)
    factor = np.empty(rows)
    reference = -np.inf
    for s in range(len(sizes)):
        for g in range(shapes):
            for m in range(rows):
                hit_scale[m] = np.exp(min(hit_top[sizes[s], g, m] - scale[m], LARGEST_EXPONENT))
                other_scale[m] = (1.0 - spared) * np.exp(other_top[sizes[s], g, m] - scale[m])
            for t in range(days):
                total = log_prior[s, g, t]
                product = 1.0
                for m in range(rows):
                    factor[m] = max(other_scale[m] * other[sizes[s], g, t, m] + left[m], TINY)
                for m in range(rows):
                    if factor[m] < SMALLEST_FACTOR:
                        total += np.log(factor[m])
                    else:
                        product *= factor[m]
                        if product < SMALLEST_PRODUCT:
                            total += np.log(product)
                            product = 1.0
                total += np.log(product)
                if total > reference:
                    rest = np.exp(reference - total)
                    for m in range(rows):
                        joint[m] *= rest
                        others[m] *= rest
                    reference = total
                weight = np.exp(total - reference)
                for m in range(rows):
                    share = weight / factor[m]
                    others[m] += share
                    joint[m] += share * hit_scale[m] * hit[sizes[s], g, t, m]
    whole = reference - np.log(float(days))
    for m in range(rows):
        whole += scale[m]
    for m in range(rows):
        joint[m] = np.log(max(joint[m], TINY)) + whole + np.log(1.0 - spared)
        others[m] = np.log(max(others[m], TINY)) + whole - scale[m]


def weigh_together(
    hit: Onsets,
    others_hit: Onsets,
    sizes: NDArray[np.int64],
    log_prior: FloatArray,
    spared: float,
    without: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Log of what all circuits say of a common fault, with each circuit hit by it, and without that circuit.

    Every circuit but the one in question was hit, or spared and explained by something else:
    mean over onsets of the sum over sizes and shapes of prior x (1 - spared) x hit x the product over the others of
    [(1 - spared) x hit + spared x without].

    Of each circuit, what lies some 600 neper (2,600 decibans) below the largest of its factors counts as that much
    below: beside such a difference nothing else is left to decide.

    Parameters
    ----------
    hit
        Of the circuit in question.
    others_hit
        Of the others; the same as `hit` where one law holds for both.
    sizes
        Which of the sizes count.
    log_prior
        Log weight of sizes, shapes and onsets, shape (len(sizes), shapes, days).
    spared
        Probability that the fault spares a circuit.
    without
        What explains each circuit without the fault: log evidence, shape (circuits,).

    Returns
    -------
    (circuits,) with the circuit hit; (circuits,) of the others alone.
    """
    joint, others = np.empty(len(without)), np.empty(len(without))
    _together(
        hit.weight,
        hit.top,
        others_hit.weight,
        others_hit.top,
        sizes.astype(np.int64),
        log_prior,
        spared,
        without,
        joint,
        others,
    )
    return joint, others
