"""How well a change on each day, of each shape and size, explains a circuit's series: the likelihoods.

In: series in which positive is worse, with every other change taken out. Out: log Bayes factors against
"nothing changed", by day of onset and cause. A series of unknown level y with a change of size s along the
template u gives a s - b s^2 / 2, with a = sum (u - mean u) y / v and b = sum (u - mean u)^2 / v; series and
tests that see the same fault add their a and b.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numba import njit
from numpy.typing import NDArray

from planner.health.fault_laws import RAMP_DAYS, SIZES_DB, shape_law, size_law
from planner.health.offset_law import OFFSET_SCALE_DB

# No level is known better than this: temperature and quantisation move it; slow changes are known less well,
# seasons and ageing wander by that much over two months and more. By `RAMP_DAYS`. [dB]
RAMP_SD_DB = (0.02, 0.03, 0.05)
# An unfinished ramp is sized by what it has reached; below this share it is not a ramp yet.
FEWEST_REACHED = 0.25
FEWEST_READINGS = 6
LOWEST_LOG = -40.0  # below the best of the case
NEGLIGIBLE_LOG = -14.0  # below the best size of the day

FloatArray = NDArray[np.float64]
Statistics = NDArray[np.float32]


@njit(cache=True)
def _templates(series, noise, rho, quantised, ramps, level_sd, a, b):  # type: ignore[no-untyped-def]
    rows, days = series.shape
    day = np.empty(days, np.int64)
    at = np.empty(days + 1, np.int64)
    y = np.empty(days)
    full = np.empty(days)
    # running sums over the whitened readings: z, slope position v, v^2, z v
    sums = np.zeros((4, days + 1))
    for r in range(rows):
        n = 0
        for d in range(days):
            at[d] = n
            if not np.isnan(series[r, d]):
                day[n] = d
                y[n] = series[r, d]
                n += 1
        at[days] = n
        if n < FEWEST_READINGS or not noise[r] > 0.0:
            continue
        middle = y[:n].mean()
        p = rho[r]
        keep = 1.0 - p
        w = 1.0 / (noise[r] * np.sqrt(1.0 - p * p))
        first = (y[0] - middle) / noise[r]
        for i in range(n):
            z = first if i == 0 else ((y[i] - middle) - p * (y[i - 1] - middle)) * w
            v = keep * day[i] + p * (day[i] - day[max(i - 1, 0)])
            sums[0, i + 1] = sums[0, i] + z
            sums[1, i + 1] = sums[1, i] + v
            sums[2, i + 1] = sums[2, i] + v * v
            sums[3, i + 1] = sums[3, i] + z * v
        cc = (n - 1) * keep * keep * w * w + 1.0 / (noise[r] * noise[r])
        cz = first / noise[r] + keep * w * (sums[0, n] - first)
        for g in range(len(ramps)):
            ramp = ramps[g]
            for t in range(day[0] + 1, day[n - 1] + 1):
                k = at[t]
                e = min(at[min(t + ramp, days)], n) if ramp > 0 else k
                after = n - e
                uz = keep * w * (sums[0, n] - sums[0, e])
                uu = after * keep * keep * w * w
                uc = after * keep * keep * w * w
                if ramp == 0:
                    # the reading at which the level jumps carries the whole step
                    uz += p * w * (sums[0, k + 1] - sums[0, k])
                    uu += (1.0 - keep * keep) * w * w
                    uc += p * keep * w * w
                else:
                    reached = min(max((days - t) / ramp, FEWEST_REACHED), 1.0)
                    scale = w / (ramp * reached)
                    shift = keep * t
                    v1 = sums[1, e] - sums[1, k]
                    rise = v1 - shift * (e - k)
                    uz += scale * ((sums[3, e] - sums[3, k]) - shift * (sums[0, e] - sums[0, k]))
                    uu += scale * scale * ((sums[2, e] - sums[2, k]) - 2.0 * shift * v1 + shift * shift * (e - k))
                    uc += scale * rise * keep * w
                a[r, t, g] = uz - uc * cz / cc
                b[r, t, g] = max(uu - uc * uc / cc, 0.0)
        # softened by what a step in the middle of the change would be known to, whatever the shape
        for t in range(days):
            full[t] = b[r, t, 0]
        for g in range(len(ramps)):
            for t in range(days):
                half = min(ramps[g], days - t) // 2
                soft = 1.0 / (1.0 + (level_sd[g] * level_sd[g] + quantised[r] * quantised[r]) * full[t + half])
                a[r, t, g] *= soft
                b[r, t, g] *= soft


def template_statistics(
    series: NDArray[np.float32], noise: FloatArray, autocorrelation: FloatArray, quantised: FloatArray | None = None
) -> tuple[Statistics, Statistics]:
    """a and b of every onset day and shape, each of shape (series, days, shapes).

    Readings are whitened for first-order correlation: with y_i - rho y_{i-1} a step shows as one jump in one
    reading, which fixes its day, while the level of either side is known no better than correlated noise
    allows. Zero (no evidence) up to the first reading: an onset then is "before the first reading".

    Parameters
    ----------
    series
        Shape (series, days), NaN in gaps. [dB]
    noise, autocorrelation
        Standard deviation and lag-1 correlation of the readings of each series. [dB], [-]
    quantised
        By how much coarse steps of the readings leave a change of level unknown (`quantisation_sd`). [dB]
    """
    coarse = np.zeros(len(noise)) if quantised is None else quantised
    shape = (*series.shape, len(RAMP_DAYS))
    a, b = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    ramps, level_sd = np.array(RAMP_DAYS), np.array(RAMP_SD_DB)
    _templates(np.ascontiguousarray(series), noise, autocorrelation, coarse, ramps, level_sd, a, b)
    return a, b


def repeat_statistics(
    day: FloatArray, loss_db: FloatArray, variance: float, days: int, most: float = np.inf
) -> tuple[Statistics, Statistics]:
    """a and b of a few tests of one series, each of shape (days, shapes).

    Parameters
    ----------
    day
        Day of each test on the same axis as the onset days; may lie outside it.
    loss_db
        What each test read. [dB]
    variance
        Variance of one test. [dB^2]
    days
        Number of onset days.
    most
        Log likelihood ratio that the tests of a series may reach at most: cords are dirty, wrong fibres are
        tested, and no bell is that thin. Their size keeps.
    """
    t = np.arange(days, dtype=np.float64)
    centred = loss_db - loss_db.mean()
    a = np.empty((days, len(RAMP_DAYS)), np.float32)
    b = np.empty_like(a)
    for g, ramp in enumerate(RAMP_DAYS):
        if ramp:
            reached = np.maximum((days - t) / ramp, FEWEST_REACHED).clip(max=1.0)
            u = np.clip((day[:, None] - t[None, :]) / ramp, 0.0, 1.0) / reached[None, :]
        else:
            u = (day[:, None] >= t[None, :]).astype(np.float64)
        u = u - u.mean(axis=0)
        a[:, g] = (u * centred[:, None]).sum(axis=0) / variance
        b[:, g] = (u * u).sum(axis=0) / variance
    reached = np.square(a.astype(np.float64)) / np.maximum(2.0 * b, 1e-12)
    share = min(1.0, most / max(float(reached.max(initial=0.0)), 1e-12))
    return a * np.float32(share), b * np.float32(share)


class CauseLaws:
    """Size and shape laws of several causes as matrices; the same grid of sizes for all."""

    def __init__(self, causes: Sequence[str], offset_scale_db: float = OFFSET_SCALE_DB) -> None:
        self.sizes = np.ascontiguousarray(np.stack([size_law(cause, offset_scale_db) for cause in causes]).T)
        self.shapes = np.ascontiguousarray(np.stack([shape_law(cause) for cause in causes]).T)


@njit(cache=True)
def _evidence(a, b, sizes, size_laws, shape_laws, out):  # type: ignore[no-untyped-def]
    cases, days, shapes = a.shape
    causes = size_laws.shape[1]
    last = len(sizes) - 1
    step = np.log(sizes[1] / sizes[0])
    total = np.empty(causes)
    by_shape = np.empty(causes)
    for k in range(cases):
        best = 0.0
        seen = False
        for t in range(days):
            for g in range(shapes):
                seen = seen or b[k, t, g] > 0.0
                if a[k, t, g] > 0.0 and b[k, t, g] > 0.0:
                    size = min(a[k, t, g] / b[k, t, g], sizes[last])
                    best = max(best, a[k, t, g] * size - 0.5 * b[k, t, g] * size * size)
        if not seen:
            continue  # nothing was read: no evidence either way
        for t in range(days):
            # the largest exponent of the day is the scale of its sums
            scale = -1e300
            for g in range(shapes):
                aa = a[k, t, g]
                bb = b[k, t, g]
                if bb <= 0.0:
                    scale = max(scale, 0.0)
                    continue
                size = min(max(aa / bb, sizes[0]), sizes[last])
                scale = max(scale, aa * size - 0.5 * bb * size * size)
            for c in range(causes):
                total[c] = 0.0
            if scale > best + LOWEST_LOG:
                for g in range(shapes):
                    aa = a[k, t, g]
                    bb = b[k, t, g]
                    middle = 0
                    if bb > 0.0 and aa > 0.0:
                        middle = int(min(max(np.log(aa / bb / sizes[0]) / step + 0.5, 0.0), float(last)))
                    for c in range(causes):
                        by_shape[c] = 0.0
                    narrow = bb > 0.0 and aa > 0.0 and sizes[0] < aa / bb < sizes[last]
                    narrow = narrow and np.sqrt(bb) * (aa / bb) * step > 2.0
                    if narrow:
                        # the size is known better than the grid is fine: integrate the peak
                        share = np.sqrt(2.0 * np.pi / bb) / (aa / bb * step)
                        weight = share * np.exp(aa * aa / (2.0 * bb) - scale)
                        for c in range(causes):
                            by_shape[c] = weight * size_laws[middle, c]
                    for way in range(0 if narrow else 2):
                        i = middle if way == 0 else middle - 1
                        while 0 <= i <= last:
                            exponent = aa * sizes[i] - 0.5 * bb * sizes[i] * sizes[i] - scale
                            if exponent < NEGLIGIBLE_LOG:
                                break
                            weight = np.exp(exponent)
                            for c in range(causes):
                                by_shape[c] += weight * size_laws[i, c]
                            i += 1 if way == 0 else -1
                    for c in range(causes):
                        total[c] += by_shape[c] * shape_laws[g, c]
            for c in range(causes):
                value = LOWEST_LOG + best
                if total[c] > 0.0:
                    value = max(value, np.log(total[c]) + scale)
                out[k, t, c] = value


def change_evidence(a: Statistics, b: Statistics, laws: CauseLaws) -> NDArray[np.float32]:
    """Log Bayes factor by onset day and cause, sizes and shapes integrated out.

    Parameters
    ----------
    a, b
        Statistics, shape (cases, days, shapes).

    Returns
    -------
    Shape (cases, days, causes); never below the best of the case less 40.
    """
    out = np.zeros((a.shape[0], a.shape[1], laws.sizes.shape[1]), np.float32)
    _evidence(a, b, SIZES_DB, laws.sizes, laws.shapes, out)
    return out


def size_estimate(a: NDArray[np.floating], b: NDArray[np.floating]) -> tuple[FloatArray, FloatArray]:
    """Size and its standard deviation from the statistics at one onset; NaN where nothing was seen. [dB]"""
    safe = np.where(b > 0, b, 1.0)
    return (
        np.where(b > 0, a / safe, np.nan).astype(np.float64),
        np.where(b > 0, 1.0 / np.sqrt(safe), np.nan).astype(np.float64),
    )


def log_mean(values: NDArray[np.floating], axis: int) -> FloatArray:
    """Log of the mean of exponentials along an axis."""
    best = values.max(axis=axis, keepdims=True)
    mean = np.exp(values - best).mean(axis=axis)
    return np.asarray(np.log(mean) + np.squeeze(best, axis=axis), np.float64)
