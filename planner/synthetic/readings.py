"""What transceivers report: received and launched power of monitored circuits, with noise, drift and gaps.

Blocks of circuits at a time, so memory stays bounded: light that arrives is launch power less the loss of
that day, read through noise that is correlated from day to day, seasons, a few outliers, rounding by the
maker's step and missing days.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.signal import lfilter

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Meter:
    """How readings are troubled. Sizes in dB."""

    noise_db: float
    heavy_tails: float
    step_db: tuple[float, ...]
    missing: float
    gap_days: float
    season_db: float
    outliers: float
    bias_db: float  # by which each transceiver's meter reads too high or too low, always the same


@dataclass(frozen=True)
class Series:
    """Monitored circuits and what is known of their light; arrays over circuits.

    `loss_db` is the loss when all is well at the working wavelength, `pair_scale` how mated pairs' excess
    counts there, `change_*` the days at which a circuit's excess takes a new value, `fault_*` each fault on
    a circuit with its size at the working wavelength.
    """

    circuit: IntArray
    tx_port: IntArray
    rx_port: IntArray
    tx_dbm: FloatArray
    loss_db: FloatArray
    pair_scale: FloatArray
    in_service_day: FloatArray
    outdoor: FloatArray
    reports_errors: npt.NDArray[np.bool_]
    two_way: npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Changes:
    """Changes of circuits' excess and their faults, both sorted by circuit."""

    circuit: IntArray
    day: FloatArray
    excess_db: FloatArray
    fault_circuit: IntArray
    fault_from: FloatArray
    fault_to: FloatArray
    fault_ramp: FloatArray
    fault_db: FloatArray
    fault_of_tx: npt.NDArray[np.bool_]


def excess_by_time(circuits: IntArray, times: FloatArray, changes: Changes, initial: FloatArray) -> FloatArray:
    """Excess loss of each circuit at each time (days): (circuits, times). The last change before a time counts."""
    out = np.zeros((circuits.shape[0], times.shape[0] + 1))
    order = np.argsort(circuits, kind="stable")
    place = np.searchsorted(circuits[order], changes.circuit)
    known = (place < circuits.shape[0]) & (circuits[order][np.minimum(place, circuits.shape[0] - 1)] == changes.circuit)
    row = order[place[known]]
    day, value, owner = changes.day[known], changes.excess_db[known], changes.circuit[known]
    by_time = np.lexsort((np.arange(day.shape[0]), day, owner))
    row, day, value, owner = row[by_time], day[by_time], value[by_time], owner[by_time]
    first = np.ones(day.shape[0], dtype=bool)
    first[1:] = owner[1:] != owner[:-1]
    before = np.concatenate([[0.0], value[:-1]])
    before[first] = initial[row[first]]
    np.add.at(out, (row, np.searchsorted(times, day)), value - before)
    level: FloatArray = initial[:, None] + np.cumsum(out, axis=1)[:, :-1]
    return level


def fault_by_time(circuits: IntArray, times: FloatArray, changes: Changes, of_tx: bool) -> FloatArray:
    """Loss by faults at each time: (circuits, times). Transmitter faults apart. [dB]"""
    out = np.zeros((circuits.shape[0], times.shape[0]))
    order = np.argsort(circuits, kind="stable")
    place = np.searchsorted(circuits[order], changes.fault_circuit)
    safe = np.minimum(place, max(0, circuits.shape[0] - 1))
    known = (circuits[order][safe] == changes.fault_circuit) & (changes.fault_of_tx == of_tx)
    for i in np.nonzero(known)[0]:  # few faults per block
        row = order[safe[i]]
        since = times - changes.fault_from[i]
        share = np.clip(since / changes.fault_ramp[i], 0, 1) if changes.fault_ramp[i] > 0 else (since >= 0) * 1.0
        out[row] += changes.fault_db[i] * share * (times < changes.fault_to[i]) * (since >= 0)
    return out


def noise(shape: tuple[int, int], sd: FloatArray, meter: Meter, rng: np.random.Generator) -> FloatArray:
    """Correlated noise with outliers, one row per circuit. [dB]"""
    white = rng.standard_normal(shape)
    if meter.heavy_tails > 0:
        heavy = rng.standard_t(2.2, shape)
        white = np.where(rng.random(shape) < meter.heavy_tails, heavy, white)
    rho = 0.6
    red = lfilter([np.sqrt(1 - rho * rho)], [1.0, -rho], white, axis=1)
    spikes = (rng.random(shape) < meter.outliers) * rng.normal(0, 0.9, shape)
    return red * sd[:, None] + spikes


def blocks(
    series: Series,
    changes: Changes,
    initial: FloatArray,
    days: int,
    per_day: int,
    meter: Meter,
    rng: np.random.Generator,
    circuits_per_block: int = 3000,
) -> Iterator[dict[str, npt.NDArray[Any]]]:
    """Blocks of readings: minute, port, tx_dbm, rx_dbm (NaN unknown) and error ratio (NaN unknown)."""
    n = series.circuit.shape[0]
    times = (np.arange(days * per_day) + 0.1) / per_day
    steps = np.array(meter.step_db)
    for first in range(0, n, circuits_per_block):
        part = slice(first, min(n, first + circuits_per_block))
        circuits = series.circuit[part]
        m = circuits.shape[0]
        shape = (m, times.shape[0])
        excess = excess_by_time(circuits, times, changes, initial[part])
        sd: FloatArray = np.clip(rng.lognormal(np.log(meter.noise_db), 0.5, m), 0.01, 0.5)
        phase: FloatArray = np.asarray(rng.uniform(0.0, 0.15, m))
        wave = np.sin(2 * np.pi * (times[None, :] / 365.25 - 0.3 - phase[:, None]))
        season: FloatArray = meter.season_db * np.abs(rng.standard_normal(m)) * (0.5 + series.outdoor[part])
        fading = fault_by_time(circuits, times, changes, True)
        tx = series.tx_dbm[part][:, None] - fading + noise(shape, 0.4 * sd, meter, rng)
        light = series.tx_dbm[part][:, None] - fading - series.loss_db[part][:, None]
        light = light - series.pair_scale[part][:, None] * excess - fault_by_time(circuits, times, changes, False)
        rx = light + season[:, None] * wave + noise(shape, sd, meter, rng)
        if meter.bias_db > 0:
            tx, rx = (power + meter.bias_db * rng.standard_normal((m, 1)) for power in (tx, rx))
        step = steps[rng.integers(0, steps.shape[0], m)][:, None]
        tx, rx = np.round(tx / step) * step, np.round(rx / step) * step
        ratio = np.full(shape, np.nan)
        talks = series.reports_errors[part]
        margin = light + 12.0
        ratio[talks] = np.clip(10 ** (-4.5 - 0.9 * margin[talks] + rng.normal(0, 0.1, shape)[talks]), 1e-12, 0.1)
        present = (rng.random(shape) >= meter.missing) & (times[None, :] >= series.in_service_day[part][:, None])
        for _ in range(2):
            start = rng.uniform(0, days, (m, 1))
            length = np.where(rng.random((m, 1)) < 0.3, rng.exponential(meter.gap_days, (m, 1)), 0.0)
            present &= ~((times[None, :] >= start) & (times[None, :] < start + length))
        dark = rx < -38.0
        rx = np.where(dark, np.nan, rx)
        minute = np.broadcast_to(times * 1440.0 + 30.0, shape)
        two_way = np.broadcast_to(series.two_way[part][:, None], shape)
        local_tx = np.where(two_way, np.round((2.0 + 0.05 * rng.standard_normal(shape)) / step) * step, np.nan)
        for port, launched, received, errors in (
            (series.tx_port[part], tx, np.full(shape, np.nan), np.full(shape, np.nan)),
            (series.rx_port[part], local_tx, rx, ratio),
        ):
            keep = present & (port >= 0)[:, None]
            yield {
                "minute": minute[keep],
                "port": np.broadcast_to(port[:, None], shape)[keep],
                "tx_dbm": launched[keep],
                "rx_dbm": received[keep],
                "ratio": errors[keep],
            }
