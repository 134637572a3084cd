"""Which changes of a series are still there now, and the series with all other changes taken out.

In: the changes of every series (`planner.health.change_points`), positive is worse. A rise that a later
fall undid is closed (cleaned, repaired, mated again); what is left is open. A fall on a day on which a joint
was opened undoes first what began when that joint was opened before. Rises that follow one another
within months are one open change, so that a slow ramp is not cut into pieces.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.health.change_points import MOST_CHANGES, Segmentation

SAME_CHANGE_DAYS = 90
SMALLEST_OPEN_DB = 0.05
OPEN_SD = 2.5
WINDOW_DAYS = 6  # changes this close to the one looked at belong to it


def open_sizes(segments: Segmentation) -> NDArray[np.float64]:
    """What is left now of each rise, shape (series, 8); zero for falls and for rises that were undone.

    A fall undoes first the earlier rise at a joint that was opened on both days, then the one nearest to it in
    size, then the latest ones.
    """
    rows = np.arange(len(segments.changes))
    left = np.zeros((len(rows), MOST_CHANGES))
    for j in range(MOST_CHANGES):
        step = np.nan_to_num(segments.step[:, j])
        left[:, j] = np.maximum(step, 0.0)
        fall = np.maximum(-step, 0.0)
        if j == 0 or not fall.any():
            continue
        gap = np.where(left[:, :j] > 0, np.abs(left[:, :j] - fall[:, None]), np.inf)
        nearest = gap.argmin(axis=1)
        same_joint = (segments.joints[:, :j] & segments.joints[:, j : j + 1]) != 0
        own = np.where(same_joint.any(axis=1), np.where(same_joint, gap, np.inf).argmin(axis=1), nearest)
        for i in (own, nearest, *range(j - 1, -1, -1)):
            taken = np.minimum(left[rows, i], fall)
            left[rows, i] -= taken
            fall = fall - taken
    limit = np.maximum(SMALLEST_OPEN_DB, OPEN_SD * np.nan_to_num(segments.step_sd))
    return np.where(left >= limit, left, 0.0)


def open_changes(segments: Segmentation) -> pd.DataFrame:
    """Open changes of all series, one row each.

    A change about a day on which a joint of the path was opened has its own cause and is not joined with others.

    Returns
    -------
    Columns `series` (row number), `first_day`, `last_day` (of the rises it is made of), `size_db`,
    `sd_db`, `largest_db` (the largest of the rises), `on_touch` (a joint was opened about it); ordered by series and
    day.
    """
    left = open_sizes(segments)
    series, slot = np.nonzero(left > 0)
    day = segments.change_day[series, slot]
    size = left[series, slot]
    variance = segments.step_sd[series, slot] ** 2
    new = np.ones(len(series), np.bool_)
    new[1:] = (series[1:] != series[:-1]) | (day[1:] - day[:-1] > SAME_CHANGE_DAYS)
    on_touch = segments.joints[series, slot] != 0
    new[1:] |= on_touch[1:] | on_touch[:-1]
    group = np.cumsum(new) - 1
    frame = pd.DataFrame({"group": group, "series": series, "day": day, "size": size, "variance": variance})
    frame["on_touch"] = on_touch
    merged = frame.groupby("group").agg(
        series=("series", "first"),
        first_day=("day", "min"),
        last_day=("day", "max"),
        size_db=("size", "sum"),
        largest_db=("size", "max"),
        on_touch=("on_touch", "any"),
        variance=("variance", "max"),
    )
    merged["sd_db"] = np.sqrt(merged.pop("variance"))
    return merged.reset_index(drop=True)


def without_other_changes(
    segments: Segmentation,
    series: NDArray[np.integer],
    first_day: NDArray[np.integer],
    last_day: NDArray[np.integer],
) -> NDArray[np.float32]:
    """Winsorised series with every change outside a window of days taken out, and inside it what was undone since.

    Parameters
    ----------
    series
        Series number of each result row; -1 gives a row without readings.
    first_day, last_day
        The window to keep, widened by six days either side; last before first keeps nothing.

    Returns
    -------
    Matrix (len(series), days).
    """
    known = np.maximum(series, 0)
    result: NDArray[np.float32] = segments.smooth[known].copy()
    result[series < 0] = np.nan
    result -= taken_out(segments, series, first_day, last_day)
    return result


def taken_out(
    segments: Segmentation,
    series: NDArray[np.integer],
    first_day: NDArray[np.integer],
    last_day: NDArray[np.integer],
) -> NDArray[np.float32]:
    """Changes outside the window and the undone part of rises inside it, summed up by day.

    What is left of a series without them is the change as it stands now.
    """
    known = np.maximum(series, 0)
    days = segments.smooth.shape[1]
    day = segments.change_day[known]
    keep = (day >= (first_day - WINDOW_DAYS)[:, None]) & (day <= (last_day + WINDOW_DAYS)[:, None])
    keep &= (last_day >= first_day)[:, None]
    step = np.nan_to_num(segments.step[known])
    own = segments._replace(
        changes=segments.changes[known],
        step=segments.step[known],
        step_sd=segments.step_sd[known],
        joints=segments.joints[known],
    )
    undone = np.where(keep, np.where(step > 0, step - open_sizes(own), 0.0), step)
    offset = np.zeros((len(series), days + 1), np.float32)
    row, slot = np.nonzero((day >= 0) & (undone != 0) & (series >= 0)[:, None])
    np.add.at(offset, (row, day[row, slot]), undone[row, slot])
    return np.asarray(np.cumsum(offset, axis=1)[:, :days], np.float32)
