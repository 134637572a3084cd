"""From what ports report each day to the series that drift and diagnosis work on.

In: daily transmit and receive power per port, and which circuits end at which port. Out: one path-loss
series per circuit and direction of light (received power turned round, with the far end's launch taken out),
less what all ports of the same kind of site do together.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Matrix = NDArray[np.float32]

DARK_DBM = -40.0  # what a receiver reports at best when no light arrives (lowest code of a 0.1 uW count)
DARK_DAYS = 3
SMOOTHING_DAYS = 7
FEWEST_IN_COMMON = 30  # series; below that the middle of a group is no measure of what they share
LOWEST_COMMON_SD_DB = 0.02
SAME_VALUE_DB = 0.002  # readings closer than that are the same value; none are written finer
COARSEST_STEP_DB = 1.0  # a larger gap between values is an outage


def running_mean(matrix: Matrix, window: int = SMOOTHING_DAYS) -> Matrix:
    """Centred mean over the readings within a window of days; NaN where the window holds none."""
    if matrix.shape[1] == 0:
        return matrix.copy()
    half = window // 2
    filled = ~np.isnan(matrix)
    days = matrix.shape[1]
    total = np.zeros((matrix.shape[0], days + 1), np.float64)
    count = np.zeros((matrix.shape[0], days + 1), np.int32)
    np.cumsum(np.where(filled, matrix, 0.0), axis=1, out=total[:, 1:], dtype=np.float64)
    np.cumsum(filled, axis=1, out=count[:, 1:], dtype=np.int32)
    first = np.maximum(np.arange(days) - half, 0)
    last = np.minimum(np.arange(days) + half + 1, days)
    n = count[:, last] - count[:, first]
    mean = (total[:, last] - total[:, first]) / np.maximum(n, 1)
    return np.where(n > 0, mean, np.nan).astype(np.float32)


def row_medians(matrix: NDArray[np.floating]) -> NDArray[np.float64]:
    """Median of each row without its gaps; NaN for a row of gaps."""
    ordered = np.sort(matrix, axis=1)  # NaN goes last
    count = (~np.isnan(matrix)).sum(axis=1)
    rows = np.arange(matrix.shape[0])
    if matrix.shape[1] == 0:
        return np.full(matrix.shape[0], np.nan)
    low = ordered[rows, np.maximum(count - 1, 0) // 2]
    high = ordered[rows, np.minimum(count // 2, matrix.shape[1] - 1)]
    return np.where(count > 0, (low.astype(np.float64) + high) / 2, np.nan)


def with_darkness(rx_dbm: Matrix, tx_dbm: Matrix) -> Matrix:
    """Received power with the missing values of a dark receiver set to `DARK_DBM`.

    A port that still reports its own launch but no received power on its latest days (at least three of
    them, after having received before) sees no light; a port that reports nothing says nothing.
    """
    result = rx_dbm.copy()
    if rx_dbm.shape[1] == 0:
        return result
    days = np.arange(rx_dbm.shape[1])
    has_rx = ~np.isnan(rx_dbm)
    last_rx = np.where(has_rx.any(axis=1), rx_dbm.shape[1] - 1 - has_rx[:, ::-1].argmax(axis=1), -1)
    after = (days[None, :] > last_rx[:, None]) & ~np.isnan(tx_dbm) & (last_rx >= 0)[:, None]
    dark = after & (after.sum(axis=1) >= DARK_DAYS)[:, None]
    result[dark] = DARK_DBM
    return result


def end_rows(ends: pd.DataFrame, port_ids: list[str]) -> pd.DataFrame:
    """Circuits with the matrix row of each end port (-1 without readings) and how many circuits share it.

    Adds a_row, z_row, a_shared, z_shared to the columns of `ends`.
    """
    index = pd.Series(np.arange(len(port_ids)), index=pd.Index(port_ids))
    result = ends.copy()
    for end in ("a", "z"):
        port = result[f"{end}_port_id"]
        result[f"{end}_row"] = index.reindex(port).fillna(-1).to_numpy(np.int64)
        both = pd.concat([result["a_port_id"], result["z_port_id"]])
        result[f"{end}_shared"] = both.value_counts().reindex(port).fillna(0).to_numpy(np.int64)
    return result


def path_loss(rx_row: NDArray[np.integer], tx_row: NDArray[np.integer], rx_dbm: Matrix, launch: Matrix) -> Matrix:
    """Loss series of light that is launched at one port and received at another. [dB, offset arbitrary]

    Parameters
    ----------
    rx_row, tx_row
        Row of the receiving and launching port in the power matrices, -1 if it reports nothing.
    rx_dbm
        Received power by port and day.
    launch
        Smoothed launched power by port and day.

    Returns
    -------
    Launched less received power; minus the received power alone where the launch is not reported. The
    launch is carried over days on which only it is missing.
    """
    days = rx_dbm.shape[1]
    loss = np.full((len(rx_row), days), np.nan, np.float32)
    has_rx = rx_row >= 0
    loss[has_rx] = -rx_dbm[rx_row[has_rx]]
    has_tx = has_rx & (tx_row >= 0)
    if has_tx.any() and days:
        sent = launch[tx_row[has_tx]]
        middle = row_medians(sent)
        sent = np.where(np.isnan(sent), np.where(np.isnan(middle), 0.0, middle)[:, None], sent)
        loss[has_tx] += sent.astype(np.float32)
    return loss


def remove_common_mode(
    matrix: Matrix, group: NDArray[np.integer], reference: NDArray[np.bool_] | None = None
) -> Matrix:
    """Take out what the series of a group do together: seasons, temperature, a shift of the collector.

    The common course is the daily median of the group after each series' own median is taken off, smoothed
    over a week. Each series loses as much of it as it follows (0..2 times, from its changes over 30 days
    with outliers pulled in), so that a series with no season keeps its level. Groups smaller than 30
    series are left alone: there, a fault of a shared cable would pass for a season.

    Parameters
    ----------
    matrix
        Shape (series, days). [dB]
    group
        Group of each series.
    reference
        Series that the common course is taken from; all by default. A fixed choice makes the result of a
        series independent of which others are worked on beside it.
    """
    result = matrix.copy()
    days = matrix.shape[1]
    if days < 60:
        return result
    own = row_medians(matrix).astype(np.float32)
    for value in np.unique(group):
        rows = np.flatnonzero((group == value) & ~np.isnan(own))
        sample = rows if reference is None else rows[reference[rows]]
        if len(sample) < FEWEST_IN_COMMON:
            continue
        middle = row_medians(np.ascontiguousarray((matrix[sample] - own[sample, None]).T)).astype(np.float32)
        common = running_mean(middle[None, :])[0]
        common = np.where(np.isnan(common), 0.0, common) - np.nanmedian(common)
        lag = 30
        move = (common[lag:] - common[:-lag]).astype(np.float32)
        if np.std(common) < LOWEST_COMMON_SD_DB:
            continue
        for start in range(0, len(rows), 20_000):
            part = rows[start : start + 20_000]
            change = matrix[part, lag:] - matrix[part, :-lag]
            excess = change - move
            spread = 1.4826 * row_medians(np.abs(excess))
            limit = np.maximum(2.0 * np.where(np.isnan(spread), 0.0, spread), 0.02)[:, None]
            held = move + np.clip(excess, -limit, limit)
            seen = ~np.isnan(held)
            top = np.where(seen, held * move, 0.0).sum(axis=1)
            bottom = np.where(seen, move * move, 0.0).sum(axis=1)
            follow = np.clip(top / np.maximum(bottom, 1e-9), 0.0, 2.0)
            result[part] -= (follow[:, None] * common[None, :]).astype(np.float32)
    return result


def smallest_steps(readings: NDArray[np.floating]) -> NDArray[np.float64]:
    """Step in which each series is written down: the smallest difference between its values.

    A series of fewer than three values tells nothing of its step (a clean change of level looks the same): it
    has that of the fleet, the median of the series that tell theirs, if it has two values.

    Parameters
    ----------
    readings
        Shape (series, days), NaN in gaps. [dBm or dB]

    Returns
    -------
    Shape (series,); zero where nothing tells it, or where it would be above 1 dB. [dB]

    Examples
    --------
    >>> smallest_steps(np.array([[-3.0, -2.5, -2.0, -3.0], [-3.0, -3.0, -2.5, np.nan], [1.0, 1.0, 1.0, 1.0]]))
    array([0.5, 0.5, 0. ])
    >>> smallest_steps(np.array([[-3.0, -3.0, -2.5, np.nan]]))
    array([0.])
    """
    if readings.shape[1] < 2 or len(readings) == 0:
        return np.zeros(len(readings))
    gap = np.diff(np.sort(readings, axis=1), axis=1)
    gap = np.where(gap > SAME_VALUE_DB, gap, np.inf)
    least = gap.min(axis=1).astype(np.float64)
    values = 1 + np.isfinite(gap).sum(axis=1)
    least = np.where((values >= 2) & (least <= COARSEST_STEP_DB), least, 0.0)
    telling = least[(values >= 3) & (least > 0)]
    common = float(np.median(telling)) if len(telling) else 0.0
    return np.where(values == 2, np.minimum(least, common), least)


def quantisation_sd(step_db: NDArray[np.floating], noise_db: NDArray[np.floating]) -> NDArray[np.float64]:
    """Standard deviation that rounding to steps leaves in a change of level. [dB]

    Each level errs evenly within a step; noise across the steps averages that out: the error of a mean falls
    with exp(-2 pi^2 noise^2 / step^2) (Widrow and Kollar, Quantization Noise, 2008; from memory).
    """
    step = np.maximum(step_db, 1e-9)
    return np.asarray(step / np.sqrt(6.0) * np.exp(-2.0 * np.pi**2 * (noise_db / step) ** 2), np.float64)
