"""Change points of many series at once: winsorising, noise, two-segment scans, robust slopes.

In: a matrix with one row per series and one column per day, NaN where there is no reading. Out: per row
its noise, its lag-1 autocorrelation and its change days. Nothing here knows what a series means.

The scan compares the means left and right of every possible day, after pulling outliers in to two
standard deviations about a running median, and divides by a standard error inflated for correlated
noise. It is applied again to both sides of each change found (binary segmentation).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from planner.health.daily_series import row_medians

FloatArray = NDArray[np.floating]
IntArray = NDArray[np.integer]

MEDIAN_WINDOW = 7  # readings
MEAN_WINDOW = 21  # readings
WINSOR_SD = 2.0
WIDEST_NOISE = 4.0  # sd; residuals beyond are no noise
MOST_SPREAD = 3.0  # mean deviation against the middle one, beyond which outages are at work
LOWEST_SD_DB = 0.01  # readings are stored to a hundredth of a dB at best
SHORTEST_SEGMENT = 3  # readings
MOST_CHANGES = 8
HIGHEST_AUTOCORRELATION = 0.9
DEFAULT_THRESHOLD = 4.5


# Readings at the very end that count as a change though they are too few for a segment, and by how much at least.
LONGEST_TAIL = 3
TAIL_SD, TAIL_DB = 6.0, 0.3
SINGLE_SD, SINGLE_DB = 8.0, 2.0


class Segmentation(NamedTuple):
    """Changes of every series. Rows as in the matrix; unused change slots hold -1 and NaN."""

    smooth: NDArray[np.float32]  # the winsorised matrix
    readings: NDArray[np.int32]  # number of readings
    noise: NDArray[np.float64]  # sd about the running mean, in the unit of the series
    autocorrelation: NDArray[np.float64]  # lag 1, 0..0.9
    changes: NDArray[np.int32]  # number of changes
    change_day: NDArray[np.int32]  # first day of the new level, rising
    step: NDArray[np.float64]  # new level less the level before
    step_sd: NDArray[np.float64]
    level: NDArray[np.float64]  # mean of each segment; one more than changes
    joints: NDArray[np.uint64]  # joints opened about the day of each change, as bits; zero where not known


@njit(cache=True)
def _median_of(values, count):  # type: ignore[no-untyped-def]
    """Median of the first `count` values; sorts them in place (insertion sort, for short windows)."""
    for i in range(1, count):
        value = values[i]
        j = i - 1
        while j >= 0 and values[j] > value:
            values[j + 1] = values[j]
            j -= 1
        values[j + 1] = value
    half = count // 2
    return values[half] if count % 2 == 1 else 0.5 * (values[half - 1] + values[half])


@njit(cache=True)
def _selected(values, count, rank):  # type: ignore[no-untyped-def]
    """The value of that rank among the first `count` (quickselect, reorders them)."""
    low = 0
    high = count - 1
    while low < high:
        pivot = values[(low + high) // 2]
        i = low
        j = high
        while i <= j:
            while values[i] < pivot:
                i += 1
            while values[j] > pivot:
                j -= 1
            if i <= j:
                held = values[i]
                values[i] = values[j]
                values[j] = held
                i += 1
                j -= 1
        if rank <= j:
            high = j
        elif rank >= i:
            low = i
        else:
            break
    return values[rank]


@njit(cache=True)
def _new_at_end(y, n, sd, window):  # type: ignore[no-untyped-def]
    """How many readings at the end, one to three, lie together far off the level before them; 0 if none do."""
    for k in range(LONGEST_TAIL, 0, -1):
        before = n - k - MEDIAN_WINDOW
        if before < 0:
            continue
        for i in range(MEDIAN_WINDOW):
            window[i] = y[before + i]
        level = _median_of(window, MEDIAN_WINDOW)
        limit = max(SINGLE_SD * sd, SINGLE_DB) if k == 1 else max(TAIL_SD * sd, TAIL_DB)
        above = 0
        below = 0
        for i in range(n - k, n):
            above += y[i] > level + limit
            below += y[i] < level - limit
        if above == k or below == k:
            # one that began earlier is found by the scan
            earlier = y[n - k - 1]
            if abs(earlier - level) <= limit:
                return k
    return 0


@njit(cache=True)
def _segment(matrix, smooth, readings, noise, rho_out, changes, change_day, step, step_sd, level, threshold):  # type: ignore[no-untyped-def]
    rows, days = matrix.shape
    window = np.empty(MEDIAN_WINDOW, np.float64)
    day = np.empty(days, np.int32)
    y = np.empty(days, np.float64)
    residual = np.empty(days, np.float64)
    middle = np.empty(days, np.float64)
    total = np.empty(days + 1, np.float64)
    low = np.empty(64, np.int64)
    high = np.empty(64, np.int64)
    half = MEDIAN_WINDOW // 2
    for r in range(rows):
        n = 0
        for d in range(days):
            value = matrix[r, d]
            if not np.isnan(value):
                y[n] = value
                day[n] = d
                n += 1
        readings[r] = n
        if n < 2 * SHORTEST_SEGMENT:
            for i in range(n):
                smooth[r, day[i]] = y[i]
                level[r, 0] = (level[r, 0] if i > 0 else 0.0) + y[i] / n
            continue
        # outliers are pulled in to two sd about the running median
        spread = 0.0
        for i in range(n):
            first = max(0, min(i - half, n - MEDIAN_WINDOW))
            last = min(n, first + MEDIAN_WINDOW)
            for k in range(first, last):
                window[k - first] = y[k]
            middle[i] = _median_of(window, last - first)
            residual[i] = abs(y[i] - middle[i])
            spread += residual[i]
        spread /= n
        core = max(1.4826 * _selected(residual, n, n // 2), LOWEST_SD_DB)
        sd = min(max(core, spread), MOST_SPREAD * core) if core > LOWEST_SD_DB else max(core, spread)
        # a run of one to three readings at the end that left its level is news, not outliers: kept as read
        every = n
        tail = _new_at_end(y, n, sd, window)
        for i in range(n - tail, n):
            smooth[r, day[i]] = y[i]
        n -= tail
        for i in range(n):
            y[i] = min(max(y[i], middle[i] - WINSOR_SD * sd), middle[i] + WINSOR_SD * sd)
            smooth[r, day[i]] = y[i]
        # noise and its correlation about a running mean
        total[0] = 0.0
        for i in range(n):
            total[i + 1] = total[i] + y[i]
        wide = MEAN_WINDOW // 2
        for i in range(n):
            first = max(0, i - wide)
            last = min(n, i + wide + 1)
            residual[i] = y[i] - (total[last] - total[first]) / (last - first)
            middle[i] = abs(residual[i])
        # an outage of some days is a change, not noise
        limit = WIDEST_NOISE * max(1.4826 * _selected(middle, n, n // 2), LOWEST_SD_DB)
        if limit < WIDEST_NOISE * 0.5 * sd:
            limit = WIDEST_NOISE * 0.5 * sd
        square = 0.0
        product = 0.0
        for i in range(n):
            residual[i] = min(max(residual[i], -limit), limit)
            square += residual[i] * residual[i]
            if i > 0:
                product += residual[i] * residual[i - 1]
        rho = 0.0
        if square > 0.0:
            # the running mean takes 1/window of the correlation with it
            rho = min(max(product / square + 1.0 / MEAN_WINDOW, 0.0), HIGHEST_AUTOCORRELATION)
        sigma = max(np.sqrt(square / n) * 1.05, LOWEST_SD_DB)
        noise[r] = sigma
        rho_out[r] = rho
        effective = sigma * np.sqrt((1.0 + rho) / (1.0 - rho))
        # binary segmentation
        depth = 1
        low[0] = 0
        high[0] = n
        found = 0
        most = MOST_CHANGES - 1 if tail > 0 else MOST_CHANGES
        while depth > 0 and found < most:
            depth -= 1
            lo = low[depth]
            hi = high[depth]
            best = 0.0
            at = -1
            for k in range(lo + SHORTEST_SEGMENT, hi - SHORTEST_SEGMENT + 1):
                left = k - lo
                right = hi - k
                gap = (total[hi] - total[k]) / right - (total[k] - total[lo]) / left
                z = abs(gap) / (effective * np.sqrt(1.0 / left + 1.0 / right))
                if z > best:
                    best = z
                    at = k
            if at >= 0 and best > threshold:
                change_day[r, found] = at
                found += 1
                if depth < 60:
                    low[depth] = lo
                    high[depth] = at
                    low[depth + 1] = at
                    high[depth + 1] = hi
                    depth += 2
        for i in range(1, found):
            moving = change_day[r, i]
            j = i - 1
            while j >= 0 and change_day[r, j] > moving:
                change_day[r, j + 1] = change_day[r, j]
                j -= 1
            change_day[r, j + 1] = moving
        # a change that no longer stands out between its neighbours goes
        going = True
        while going and found > 0:
            going = False
            worst = threshold
            drop = -1
            for j in range(found):
                lo = change_day[r, j - 1] if j > 0 else 0
                hi = change_day[r, j + 1] if j + 1 < found else n
                k = change_day[r, j]
                gap = (total[hi] - total[k]) / (hi - k) - (total[k] - total[lo]) / (k - lo)
                z = abs(gap) / (effective * np.sqrt(1.0 / (k - lo) + 1.0 / (hi - k)))
                if z < worst:
                    worst = z
                    drop = j
            if drop >= 0:
                for j in range(drop, found - 1):
                    change_day[r, j] = change_day[r, j + 1]
                found -= 1
                change_day[r, found] = -1
                going = True
        if tail > 0:
            for i in range(n, every):
                total[i + 1] = total[i] + y[i]
            change_day[r, found] = n
            found += 1
            n = every
        changes[r] = found
        previous = 0
        for j in range(found + 1):
            k = change_day[r, j] if j < found else n
            level[r, j] = (total[k] - total[previous]) / (k - previous)
            if j > 0:
                before = change_day[r, j - 2] if j > 1 else 0
                step[r, j - 1] = level[r, j] - level[r, j - 1]
                step_sd[r, j - 1] = effective * np.sqrt(1.0 / (previous - before) + 1.0 / (k - previous))
            previous = k
        for j in range(found):
            change_day[r, j] = day[change_day[r, j]]


def segment_series(matrix: FloatArray, threshold: float = DEFAULT_THRESHOLD) -> Segmentation:
    """Split every series into stretches of one level.

    Parameters
    ----------
    matrix
        One row per series, one column per day, shape (series, days); NaN where there is no reading.
    threshold
        Smallest difference of two neighbouring levels that counts, in standard errors. The default gives
        at most about 5 % false alarms per 540-day series in correlated, outlier-ridden noise (measured).

    Returns
    -------
    `Segmentation`. Noise is NaN for series with fewer than six readings.
    """
    data = np.ascontiguousarray(matrix, dtype=np.float32)
    rows, days = data.shape
    result = Segmentation(
        smooth=np.full((rows, days), np.nan, np.float32),
        readings=np.zeros(rows, np.int32),
        noise=np.full(rows, np.nan),
        autocorrelation=np.zeros(rows),
        changes=np.zeros(rows, np.int32),
        change_day=np.full((rows, MOST_CHANGES), -1, np.int32),
        step=np.full((rows, MOST_CHANGES), np.nan),
        step_sd=np.full((rows, MOST_CHANGES), np.nan),
        level=np.full((rows, MOST_CHANGES + 1), np.nan),
        joints=np.zeros((rows, MOST_CHANGES), np.uint64),
    )
    if rows and days:
        _segment(
            data,
            result.smooth,
            result.readings,
            result.noise,
            result.autocorrelation,
            result.changes,
            result.change_day,
            result.step,
            result.step_sd,
            result.level,
            float(threshold),
        )
    return result


def robust_slopes(matrix: FloatArray, days_per_bin: int = 7) -> FloatArray:
    """Theil-Sen slope of every series: the median over all pairs of its weekly means. [unit per day]

    Rows with fewer than three filled weeks give NaN. Memory grows with rows x weeks squared: pass only
    screened series, a few thousand at a time.
    """
    rows, days = matrix.shape
    bins = days // days_per_bin
    if bins < 3 or rows == 0:
        return np.full(rows, np.nan)
    cut = np.asarray(matrix[:, days - bins * days_per_bin :], dtype=np.float64)
    cut = cut.reshape(rows, bins, days_per_bin)
    filled = ~np.isnan(cut)
    count = filled.sum(axis=2)
    mean = np.where(count > 0, np.where(filled, cut, 0.0).sum(axis=2) / np.maximum(count, 1), np.nan)
    first, second = np.triu_indices(bins, 1)
    span = (second - first) * float(days_per_bin)
    slopes = np.full(rows, np.nan)
    block = max(1, 20_000_000 // max(1, len(first)))
    for start in range(0, rows, block):
        part = mean[start : start + block]
        pairs = (part[:, second] - part[:, first]) / span
        usable = (count[start : start + block] > 0).sum(axis=1) >= 3
        if usable.any():
            slopes[start : start + block][usable] = row_medians(pairs[usable])
    return slopes


def fit_line(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Least-squares line y = intercept + slope x, by centred sums.

    Returns
    -------
    (intercept, slope)

    References
    ----------
    .. [1] Checked against the certified values of NIST Statistical Reference Datasets, linear
       regression, dataset Norris.
    """
    x_mean = float(np.mean(x))
    y_mean = float(np.mean(y))
    centred = np.asarray(x, dtype=np.float64) - x_mean
    slope = float(np.dot(centred, np.asarray(y, dtype=np.float64) - y_mean) / np.dot(centred, centred))
    return y_mean - slope * x_mean, slope
