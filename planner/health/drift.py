"""Change of every series of readings against its own baseline: level, noise, steps and trend.

In: daily power by port, loss tests by circuit. Out: rows of `series_drift`. Signs: positive is worse
(received power that falls, launched power that falls, loss that rises, return loss that falls).

The baseline is the median of the first 14 daily readings, or of the first 14 after the last recorded
replacement of a transceiver of that circuit; the latest level is the median of the last 7, or of
those since the last change. A received
power series has the far end's launch taken out first, so that a fading transmitter is not called path loss.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.health.change_points import (
    DEFAULT_THRESHOLD,
    MOST_CHANGES,
    Segmentation,
    robust_slopes,
    segment_series,
)
from planner.health.daily_series import (
    end_rows,
    path_loss,
    remove_common_mode,
    row_medians,
    running_mean,
    with_darkness,
)
from planner.tables.result_tables import SERIES_DRIFT

Matrix = NDArray[np.float32]

BASELINE_READINGS = 14
LATEST_READINGS = 7
FEWEST_READINGS = 10
NOT_MEASURABLE_SD_DB = 0.3  # a change of 0.3 dB in correlated noise this large cannot be seen
FEWEST_TEST_CHANGE_SD = 3.5
DAYS_PER_YEAR = 365.25
# A shape is called a drift when a straight line explains the series better than its steps.
SMALLEST_DRIFT_DB = 0.1
DEFAULT_TEST_NOISE_DB = 0.10  # of a loss test, common practice, no source; learned from 30 repeats on
DEFAULT_ORL_NOISE_DB = 1.0


def power_drift(
    ports: pd.DataFrame,
    ends: pd.DataFrame,
    resets: pd.DataFrame,
    tx_dbm: Matrix,
    rx_dbm: Matrix,
    first_day: np.datetime64,
) -> pd.DataFrame:
    """Drift of received and launched power of every port.

    Parameters
    ----------
    ports
        Reporting ports in the order of the matrix rows: port_id, environment, reference (bool:
        the common course of an environment is taken from these ports).
    ends
        Circuits: circuit_id, a_port_id, z_port_id, wavelength_nm.
    resets
        Last transceiver replacement: circuit_id, reset_at; may be empty.
    tx_dbm, rx_dbm
        Daily means, shape (ports, days). [dBm]
    first_day
        Day of the first column.

    Returns
    -------
    Rows of `series_drift`, kinds rx_power and tx_power.
    """
    where = port_circuits(ports, ends, resets, first_day)
    environment = pd.factorize(ports["environment"])[0]
    reference = ports["reference"].to_numpy(np.bool_)
    tx_worse = remove_common_mode(-tx_dbm, environment, reference)
    tx, tx_segments = _series_rows("tx_power", where, tx_worse, tx_dbm, first_day)
    received = with_darkness(rx_dbm, tx_dbm)
    launch = -running_mean(tx_segments.smooth)
    loss = path_loss(np.arange(len(ports)), where["far_row"].to_numpy(np.int64), received, launch)
    rx_worse = remove_common_mode(loss, environment, reference)
    rx, _ = _series_rows("rx_power", where, rx_worse, received, first_day)
    return stacked([rx, tx])


def stacked(parts: list[pd.DataFrame]) -> pd.DataFrame:
    """Rows of `series_drift` of several parts one after the other; empty parts are left out."""
    filled = [part for part in parts if len(part)]
    if not filled:
        return pd.DataFrame(columns=list(SERIES_DRIFT.column_names))
    return pd.DataFrame(
        {name: np.concatenate([part[name].to_numpy() for part in filled]) for name in SERIES_DRIFT.column_names}
    )


def port_circuits(
    ports: pd.DataFrame, ends: pd.DataFrame, resets: pd.DataFrame, first_day: np.datetime64
) -> pd.DataFrame:
    """What each reporting port carries: circuit, direction of the light it receives, the far port's row.

    One row per port. `circuit_id` is empty where a port carries several circuits (the head of a passive
    tree): its received power is then the sum of many branches and belongs to none of them.
    """
    linked = end_rows(ends, ports["port_id"].tolist())
    a = linked.assign(port_id=linked["a_port_id"], received="z_to_a", far_row=linked["z_row"])
    z = linked.assign(port_id=linked["z_port_id"], received="a_to_z", far_row=linked["a_row"])
    both = pd.concat([a, z], ignore_index=True)
    both = both[~both["port_id"].duplicated(keep=False)].merge(resets, on="circuit_id", how="left")
    columns = ["port_id", "circuit_id", "received", "far_row", "wavelength_nm", "reset_at"]
    found = ports[["port_id"]].merge(both[columns], on="port_id", how="left")
    found["far_row"] = found["far_row"].fillna(-1).astype(np.int64)
    reset = pd.to_datetime(found["reset_at"]).to_numpy("datetime64[D]")
    found["reset_day"] = np.where(np.isnat(reset), 0, (reset - first_day).astype(np.int64) + 1)
    return found


def _series_rows(
    kind: str,
    where: pd.DataFrame,
    worse: Matrix,
    raw: Matrix,
    first_day: np.datetime64,
) -> tuple[pd.DataFrame, Segmentation]:
    """Rows of `series_drift` for one kind of power, and its changes; `worse` rises as things get worse."""
    days = raw.shape[1]
    reset = np.clip(where["reset_day"].to_numpy(np.int64), 0, max(days - 1, 0))
    since = np.arange(days)[None, :] >= reset[:, None]
    segments = segment_series(np.where(since, worse, np.nan))
    base = _median_of_first(np.where(since, worse, np.nan), BASELINE_READINGS)
    last = np.where(segments.changes > 0, segments.change_day.max(axis=1), 0)
    present = np.arange(days)[None, :] >= last[:, None]  # since the last change, be it a reading ago
    late = _median_of_first(np.where(present, worse, np.nan)[:, ::-1], LATEST_READINGS)
    size, size_sd, day = largest_step(segments)
    slope, shape = _shape(segments, late - base)
    opposite = {"a_to_z": "z_to_a", "z_to_a": "a_to_z"}
    received = where["received"].astype("object")
    known = received.notna()
    direction = received if kind == "rx_power" else received.map(opposite)
    first, last = _reading_span(raw, first_day)
    frame = pd.DataFrame(
        {
            "series_id": kind + "|" + where["port_id"],
            "kind": kind,
            "port_id": where["port_id"],
            "circuit_id": where["circuit_id"].where(known, None),
            "direction": direction.where(known, None),
            "wavelength_nm": where["wavelength_nm"].astype("float64"),
            "readings": (~np.isnan(raw)).sum(axis=1).astype(np.int64),
            "first_at": first,
            "last_at": last,
            "baseline": _median_of_first(np.where(since, raw, np.nan), BASELINE_READINGS),
            "latest": _median_of_first(np.where(present, raw, np.nan)[:, ::-1], LATEST_READINGS),
            "drift_db": late - base,
            "noise_db": segments.noise,
            "step_db": size,
            "step_sd_db": size_sd,
            "step_at": _day_at(first_day, day),
            "slope_db_per_year": slope * DAYS_PER_YEAR,
            "shape": shape,
        }
    )
    return frame[frame["readings"] > 0].reset_index(drop=True), segments


def _median_of_first(matrix: Matrix, count: int) -> NDArray[np.float64]:
    """Median of the first `count` readings of each row; NaN for a row without any."""
    days = matrix.shape[1]
    if days == 0:
        return np.full(matrix.shape[0], np.nan)
    result = np.full(matrix.shape[0], np.nan)
    rows, width = np.arange(matrix.shape[0]), 2 * count
    # most rows have their first readings in the first days; only the rest are looked at further on
    while len(rows):
        part = matrix[rows, :width] if len(rows) < len(matrix) else matrix[:, :width]
        order = np.cumsum(~np.isnan(part), axis=1, dtype=np.int16)
        done = order[:, -1] >= count if width < days else np.ones(len(rows), np.bool_)
        result[rows[done]] = row_medians(np.where(order <= count, part, np.nan)[done].astype(np.float32))
        rows, width = rows[~done], 8 * width
    return result


def _reading_span(raw: Matrix, first_day: np.datetime64) -> tuple[NDArray[np.datetime64], NDArray[np.datetime64]]:
    filled = ~np.isnan(raw)
    if raw.shape[1] == 0:
        nothing = np.full(raw.shape[0], np.datetime64("NaT"), "datetime64[us]")
        return nothing, nothing
    first = filled.argmax(axis=1)
    last = raw.shape[1] - 1 - filled[:, ::-1].argmax(axis=1)
    return _day_at(first_day, first), _day_at(first_day, last)


def _day_at(first_day: np.datetime64, day: NDArray[np.integer]) -> NDArray[np.datetime64]:
    at = (first_day + np.maximum(day, 0).astype("timedelta64[D]")).astype("datetime64[us]")
    return np.where(day >= 0, at, np.datetime64("NaT", "us"))


def largest_step(
    segments: Segmentation,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Size, uncertainty and day of the largest significant step of each series; NaN and -1 if none."""
    rows = np.arange(len(segments.changes))
    size = np.where(np.isnan(segments.step), 0.0, np.abs(segments.step))
    best = size.argmax(axis=1)
    some = segments.changes > 0
    return (
        np.where(some, segments.step[rows, best], np.nan),
        np.where(some, segments.step_sd[rows, best], np.nan),
        np.where(some, segments.change_day[rows, best], -1).astype(np.int64),
    )


def _shape(segments: Segmentation, drift: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.object_]]:
    """Robust slope per day (NaN for series that did not move) and the shape in one word.

    A series that moved is a drift when the robust line leaves a smaller spread than its levels do, at an
    equal number of parameters; else it is a step.
    """
    count = len(segments.changes)
    slope = np.full(count, np.nan)
    shape = np.full(count, "steady", dtype=object)
    moved = np.flatnonzero((segments.changes > 0) & (np.abs(drift) >= SMALLEST_DRIFT_DB))
    shape[segments.changes > 0] = "step"
    if len(moved):
        smooth = segments.smooth[moved]
        slope[moved] = robust_slopes(smooth)
        line = np.nan_to_num(slope[moved])[:, None] * np.arange(smooth.shape[1])[None, :]
        off_line = smooth - line
        off_line = off_line - row_medians(off_line.astype(np.float32))[:, None]
        line_square = np.nanmean(off_line**2, axis=1)
        level_square = np.nanmean((smooth - fitted_levels(segments, moved, smooth.shape[1])) ** 2, axis=1)
        n = segments.readings[moved]
        steps = segments.changes[moved]
        # Bayesian information criterion: each step costs a level and a day
        prefers = n * np.log(line_square / np.maximum(level_square, 1e-12)) < 2 * (steps - 0.5) * np.log(n)
        shape[moved[prefers & (steps >= 2)]] = "drift"
    short = (segments.readings < FEWEST_READINGS) | ((segments.noise > NOT_MEASURABLE_SD_DB) & (segments.changes == 0))
    shape[short] = "not measurable"
    return slope, shape


def fitted_levels(segments: Segmentation, rows: NDArray[np.integer], days: int) -> Matrix:
    """The level of each day of the named series, shape (len(rows), days)."""
    count = np.zeros((len(rows), days + 1), np.int64)
    for j in range(MOST_CHANGES):
        day = segments.change_day[rows, j]
        np.add.at(count, (np.flatnonzero(day >= 0), day[day >= 0]), 1)
    which = np.cumsum(count[:, :days], axis=1)
    fitted: Matrix = np.take_along_axis(segments.level[rows], which, axis=1).astype(np.float32)
    return fitted


def loss_test_drift(tests: pd.DataFrame) -> pd.DataFrame:
    """Drift of loss and return loss over the tests of each circuit, direction and wavelength.

    Few tests each: the baseline is the median of the first (at most three, at most half of them, none after a
    step), the latest level the last test. The noise is that of the fleet: the robust spread of successive tests.

    Parameters
    ----------
    tests
        circuit_id, direction, wavelength_nm, at, loss_db, orl_db, in order of series and time.

    Returns
    -------
    Rows of `series_drift`, kinds loss_test and orl.
    """
    parts = [
        _test_rows("loss_test", tests, tests["loss_db"], DEFAULT_TEST_NOISE_DB),
        _test_rows("orl", tests, -tests["orl_db"], DEFAULT_ORL_NOISE_DB),
    ]
    return stacked(parts)


def _test_rows(kind: str, tests: pd.DataFrame, worse: pd.Series, usual_noise: float) -> pd.DataFrame:
    known = worse.notna().to_numpy()
    data = tests.loc[known, ["circuit_id", "direction", "wavelength_nm", "at"]].assign(worse=worse[known])
    key = ["circuit_id", "direction", "wavelength_nm"]
    if data.empty:
        return pd.DataFrame(columns=list(SERIES_DRIFT.column_names))
    series = data.groupby(key, sort=True).ngroup().to_numpy()
    order = data.groupby(key, sort=True).cumcount().to_numpy()
    count = np.bincount(series)
    matrix = np.full((len(count), int(count.max())), np.nan)
    matrix[series, order] = data["worse"].to_numpy(np.float64)
    noise = repeat_noise(matrix, usual_noise)
    size, size_sd, at = _two_level_split(matrix, count, noise)
    some = ~np.isnan(size)
    first = np.minimum(3, np.maximum(1, count // 2))
    first = np.where(some, np.minimum(first, at), first)
    base = row_medians(
        np.where(np.arange(matrix.shape[1])[None, :] < first[:, None], matrix, np.nan).astype(np.float32)
    )
    late = matrix[np.arange(len(count)), count - 1]
    times = np.full(matrix.shape, np.datetime64("NaT"), "datetime64[us]")
    times[series, order] = data["at"].to_numpy("datetime64[us]")
    heads = data.groupby(key, sort=True).agg(first_at=("at", "min"), last_at=("at", "max")).reset_index()
    sign = 1.0 if kind == "loss_test" else -1.0
    wavelength = heads["wavelength_nm"].astype("float64")
    shape = np.where(some, "step", np.where(count < 2, "not measurable", "steady"))
    return pd.DataFrame(
        {
            "series_id": kind
            + "|"
            + heads["circuit_id"]
            + "|"
            + heads["direction"]
            + "|"
            + wavelength.map("{:g}".format),
            "kind": kind,
            "port_id": np.full(len(heads), None, dtype=object),
            "circuit_id": heads["circuit_id"],
            "direction": heads["direction"],
            "wavelength_nm": wavelength,
            "readings": count.astype(np.int64),
            "first_at": heads["first_at"],
            "last_at": heads["last_at"],
            "baseline": sign * base,
            "latest": sign * late,
            "drift_db": late - base,
            "noise_db": noise,
            "step_db": size,
            "step_sd_db": size_sd,
            "step_at": np.where(some, times[np.arange(len(count)), at], np.datetime64("NaT", "us")),
            "slope_db_per_year": np.nan,
            "shape": shape.astype(object),
        }
    )


def repeat_noise(matrix: NDArray[np.float64], usual: float) -> float:
    """Noise of one test: robust spread of successive tests of the same series, over the square root of 2.

    With fewer than 30 repeats the usual value stands; never below a fifth of it.
    """
    change = np.diff(matrix, axis=1)
    change = change[~np.isnan(change)]
    if len(change) < 30:
        return usual
    return float(max(1.4826 * np.median(np.abs(change - np.median(change))) / np.sqrt(2.0), usual / 5))


def _two_level_split(
    matrix: NDArray[np.float64], count: NDArray[np.integer], noise: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Best split of each short series into two levels, where it stands out of the noise."""
    rows, width = matrix.shape
    size, size_sd = np.full(rows, np.nan), np.full(rows, np.nan)
    at = np.zeros(rows, np.int64)
    total = np.cumsum(np.nan_to_num(matrix), axis=1)
    whole = total[np.arange(rows), count - 1]
    best = np.full(rows, FEWEST_TEST_CHANGE_SD)
    for k in range(1, width):
        usable = count > k
        right = np.maximum(count - k, 1)
        gap = (whole - total[:, k - 1]) / right - total[:, k - 1] / k
        sd = noise * np.sqrt(1.0 / k + 1.0 / right)
        better = usable & (np.abs(gap) / sd > best)
        best = np.where(better, np.abs(gap) / sd, best)
        size, size_sd = np.where(better, gap, size), np.where(better, sd, size_sd)
        at = np.where(better, k, at)
    return size, size_sd, at


__all__ = ["DEFAULT_THRESHOLD", "fitted_levels", "largest_step", "loss_test_drift", "port_circuits", "power_drift"]
