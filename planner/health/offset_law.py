"""How much a new mating moves the loss of a pair in this fleet, from what its own touches did.

Every mating draws the lateral offset of the pair anew: its loss moves up as often as down. Dirt and damage
only ever add loss, so the improvements at touches show what matings alone do; removed dirt is among them
too, but is the smaller part and moves their median little.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

OFFSET_FREEDOM = 5.0
# How much a new mating moves the loss of a pair, before the fleet has shown it. [dB] Our estimate.
OFFSET_SCALE_DB = 0.10
OFFSET_SCALE_LIMITS_DB = (0.02, 0.40)
FEWEST_TOUCHES = 40  # improvements at touches, below which the default stands

GAP_DAYS = 1  # left out on either side of a touch: clocks are off, work takes more than an hour
WINDOW_DAYS = 6  # compared before and after
FEWEST_READINGS = 3  # in each of the two windows
QUIET_STRIDE_DAYS = 16

STUDENT_MEDIAN = 0.72669  # median of |t|, t with five degrees of freedom

FloatArray = NDArray[np.float64]


def offset_density(size_db: FloatArray, scale_db: float) -> FloatArray:
    """Density, up to a factor, of the size of a remating offset: Student-t of five degrees of freedom."""
    return np.asarray((1 + (size_db / scale_db) ** 2 / OFFSET_FREEDOM) ** (-(OFFSET_FREEDOM + 1) / 2), np.float64)


@dataclass(frozen=True)
class LevelShifts:
    """Changes of level across days on which one joint was opened, and across days far from any touch. [dB]

    `row` and `day` say where each of the former is in the losses they were taken from.
    """

    row: NDArray[np.int64]
    day: NDArray[np.int64]
    at_touch_db: FloatArray
    quiet_db: FloatArray


def level_shifts(loss_db: NDArray[np.floating], joints_opened: NDArray[np.integer]) -> LevelShifts:
    """The changes of level in some series.

    Parameters
    ----------
    loss_db
        Loss by day, shape (circuits, days); NaN where there is no reading.
    joints_opened
        Number of joints of the circuit that were opened that day, same shape.
    """
    days = loss_db.shape[1]
    reach = GAP_DAYS + WINDOW_DAYS
    if days <= 2 * reach or len(loss_db) == 0:
        nowhere, none = np.zeros(0, np.int64), np.zeros(0)
        return LevelShifts(nowhere, nowhere, none, none)
    known = ~np.isnan(loss_db)
    total = _running(np.where(known, loss_db, 0.0))
    count = _running(known.astype(np.float64))
    touches = _running((joints_opened > 0).astype(np.float64))
    day = np.arange(reach, days - reach)

    def mean(first: NDArray[np.integer], last: NDArray[np.integer]) -> FloatArray:
        n = count[:, last] - count[:, first]
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(n >= FEWEST_READINGS, (total[:, last] - total[:, first]) / n, np.nan)

    shift = mean(day + GAP_DAYS, day + reach) - mean(day - reach, day - GAP_DAYS)
    near = touches[:, day + reach] - touches[:, day - reach]
    own = joints_opened[:, day]
    row, column = np.nonzero((own == 1) & (near == 1) & ~np.isnan(shift))
    quiet = shift[:, ::QUIET_STRIDE_DAYS][near[:, ::QUIET_STRIDE_DAYS] == 0]
    return LevelShifts(row, day[column], shift[row, column], quiet[~np.isnan(quiet)])


def _running(values: FloatArray) -> FloatArray:
    return np.concatenate([np.zeros((len(values), 1)), np.cumsum(values, axis=1)], axis=1)


def learned_offset_scale(shifts: LevelShifts) -> float:
    """Scale of the offset law from the improvements at touches, noise of quiet days taken out. [dB]

    The median of |offset + noise| is that of the wider of two bells whose squares add.

    Returns
    -------
    `OFFSET_SCALE_DB` with fewer than 40 improvements.
    """
    at_touch_db, quiet_db = shifts.at_touch_db, shifts.quiet_db
    falls = -at_touch_db[at_touch_db < 0]
    if len(falls) < FEWEST_TOUCHES or len(quiet_db) < FEWEST_TOUCHES:
        return OFFSET_SCALE_DB
    wide = (float(np.median(falls)) / STUDENT_MEDIAN) ** 2
    noise = (float(np.median(np.abs(quiet_db))) / STUDENT_MEDIAN) ** 2
    return float(np.clip(np.sqrt(max(wide - noise, 0.0)), *OFFSET_SCALE_LIMITS_DB))
