"""A line through most of many points, which neither far-off values nor far-out places pull."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

MAD_TO_SD = 1.4826
MOST_GROUPS, FEWEST_IN_GROUP = 12, 5
MEDIAN_VARIANCE = np.pi / 2  # of the median of many, in variances of their mean
ROUNDS = 4


def robust_line(x: FloatArray, y: FloatArray, slope_sd: float) -> tuple[FloatArray, float, FloatArray]:
    """A line through most of the points, and how far they scatter about it.

    The points are cut along `x` into groups of equal numbers and the line is laid through their medians, its slope
    beforehand zero give or take `slope_sd`: neither a minority that lies far off, as circuits with dirt do, nor one
    place far out along `x` moves it. Shapes (n,). Returns the line at `x`, the scaled median absolute residual, and the
    line's own standard deviation at `x`, which grows away from the bulk of the points.

    Examples
    --------
    >>> x = np.arange(40.0)
    >>> y = 0.5 + 0.1 * x
    >>> y[::5] += 3.0
    >>> line, spread, own = robust_line(x, y, 1.0)
    >>> bool(np.abs(line - 0.5 - 0.1 * x).max() < 0.02)
    True
    """
    groups = np.array_split(np.argsort(x, kind="stable"), max(min(MOST_GROUPS, len(x) // FEWEST_IN_GROUP), 1))
    count = np.array([len(group) for group in groups], np.float64)
    middle, height = (np.array([np.median(values[group]) for group in groups]) for values in (x, y))
    residual = y - np.median(y)
    for _ in range(ROUNDS):
        variance = max(_scatter(residual), 1e-6) ** 2
        precision = count / (MEDIAN_VARIANCE * variance)
        away, above = (values - np.average(values, weights=count) for values in (middle, height))
        known = float(precision @ away**2) + slope_sd**-2
        slope = float(precision @ (away * above)) / known
        residual = y - slope * x
        residual -= np.median(residual)
    centre = float(np.average(middle, weights=count))
    own = np.sqrt(1.0 / precision.sum() + (x - centre) ** 2 / known)
    return np.asarray(y - residual, np.float64), _scatter(residual), np.asarray(own, np.float64)


def _scatter(residual: FloatArray) -> float:
    return MAD_TO_SD * float(np.median(np.abs(residual)))
