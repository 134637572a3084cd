"""What the loss of a circuit, as it stands, says of faults that were there before its first reading.

Two comparisons: the loss against what its path should lose, and the first readings against the as-built test
(`planner.health.standing_loss`). Neither is as good as its instrument's data sheet says, and nobody knows how good it
is: launched less received power may be off by some dB, or agree to tenths. So how far circuits scatter is learned from
the fleet, apart for tests and for power, and a circuit speaks only as far as it stands out from the others.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from planner.health.circuit_cases import STALE_TEST_DB, Cases, CircuitSeries, moved_since
from planner.health.fault_laws import PATH_CAUSES, SIZES_DB, size_law
from planner.health.robust_line import MAD_TO_SD, robust_line

FloatArray = NDArray[np.float64]

PRIOR_LEVELS = 30.0  # weight, in circuits, of what is taken where there are too few to learn from
SLOPE_SD = 0.15  # share of its expected loss by which a fleet's paths lose more or less than planned, beforehand
LEAST_SPREAD_DB = 0.1
LEVEL_FREEDOM = 4.0
RECORD_LEVEL_DB = 4.0  # spread of a level that comes of a wrong record
# Of what stood before the first reading, there already when the circuit was accepted. Our estimate: an acceptance
# test should have found it.
BUILT_SHARE = 0.3
HARMLESS = ("remating_offset", "nothing")
# Of what the level of the last test says, that which its rise over the ones before does not say already: a third where
# tests and paths scatter alike (two tests of variance n about a path of variance n: 1/12 of the 1/4 the level tells).
BESIDE_RISE = 1.0 / 3.0


@dataclass
class Levels:
    """Absolute loss of every circuit, shape (circuits,) each; NaN where not measured. [dB]

    `excess_db`: measured less expected loss, as last measured or at the start (`levels_at_start`); `sd_db` its spread
    as stated; `expected_db` the expected loss; `by_power`: measured as launched less received power; `test_day`: day
    of the loss test on the axis of the series where it was measured by one, NaN elsewhere. `standing_db`,
    `standing_sd_db`: the first readings less the as-built test, and how far the fleet scatters.
    """

    excess_db: FloatArray
    sd_db: FloatArray
    expected_db: FloatArray
    by_power: NDArray[np.bool_]
    test_day: FloatArray
    standing_db: FloatArray
    standing_sd_db: FloatArray

    @property
    def at_start(self) -> NDArray[np.bool_]:
        """Whether it was measured since the readings began, so that it holds what came before them."""
        return np.isnan(self.test_day) | (self.test_day >= 0)


@dataclass
class Before:
    """Log Bayes factors of faults that stood before the first reading, by circuit; zero where not measured.

    `path` (circuits, path causes), `receiver` and `record` (circuits,) for a receiver that reads low and for a wrong
    record. `stood_db`, `stood_sd_db`: the loss that stood, by the comparison that says most; NaN where there is none.
    `above_db`: what the loss is above the usual one for such a path; `at_start` as of `Levels`; `standing_db`: the
    first readings less the as-built test; NaN likewise.
    """

    path: FloatArray
    receiver: FloatArray
    record: FloatArray
    stood_db: FloatArray
    stood_sd_db: FloatArray
    above_db: FloatArray
    at_start: NDArray[np.bool_]
    standing_db: FloatArray


def levels_at_start(
    measured: Levels, series: CircuitSeries, circuit_of: NDArray[np.integer], tests_rose_db: FloatArray
) -> Levels:
    """The loss of every circuit as it stood when its readings began: without what changed since, where that is known.

    Parameters
    ----------
    measured
        As last measured.
    series, circuit_of
        The circuits that were read, and their numbers in the fleet.
    tests_rose_db
        By how much the tests of each circuit rose, which counts where its loss is not read; zero where they did not.
    """
    circuits = len(measured.excess_db)
    since = moved_since(series, circuit_of, circuits, measured.test_day)
    since[np.abs(since) > STALE_TEST_DB] = np.nan
    risen = moved_since(series, circuit_of, circuits, np.full(circuits, -1.0))
    by_tests = np.ones(circuits, np.bool_)
    by_tests[circuit_of[series.reads_loss]] = False
    risen = np.where(by_tests, tests_rose_db, risen)
    return replace(measured, excess_db=measured.excess_db + since - np.maximum(risen, 0.0))


def above_usual(levels: Levels) -> tuple[FloatArray, FloatArray]:
    """By how much each circuit loses more than is usual for its path, and how far circuits scatter about that. [dB]

    Usual is the expected loss, and what the fleet's circuits lose more or less: a line over the expected loss, since
    planning values are too safe by a share. The stated spreads are multiplied by what the fleet shows. Both are
    learned for tests and for power apart, each drawn to those of all circuits as it has few, and all to planning
    values and stated spreads.
    """
    above, scale = np.full(len(levels.excess_db), np.nan), np.full(len(levels.excess_db), np.nan)
    every = np.flatnonzero(~np.isnan(levels.excess_db) & ~np.isnan(levels.sd_db))
    if len(every) == 0:
        return above, scale
    sd = np.maximum(levels.sd_db, LEAST_SPREAD_DB)
    usual, factor, unsure = (np.zeros(len(above)) for _ in range(3))
    for member in (every, *(every[levels.by_power[every] == by_power] for by_power in (False, True))):
        if len(member) == 0:
            continue
        weight = len(member) / (len(member) + PRIOR_LEVELS)
        line, _, own = robust_line(levels.expected_db[member], levels.excess_db[member], SLOPE_SD)
        usual[member] += weight * (line - usual[member])
        unsure[member] = np.hypot((1.0 - weight) * unsure[member], weight * own)
        apart = float(np.median(np.abs(levels.excess_db[member] - usual[member]) / sd[member]))
        factor[member] += weight * (np.log(max(MAD_TO_SD * apart, 1e-6)) - factor[member])
    above[every] = levels.excess_db[every] - usual[every]
    scale[every] = np.hypot(np.maximum(sd[every] * np.exp(factor[every]), LEAST_SPREAD_DB), unsure[every])
    return above, scale


def weigh_levels(levels: Levels) -> Before:
    """What absolute loss says of faults that were there before the first reading.

    The excess is Student-t with four degrees of freedom about the fault's size, against about zero. A fault came
    before the circuit was accepted, and then its level at acceptance shows it, or after, and then first readings
    above the as-built test do. A receiver that reads low is no loss of the path: no test shows it.
    """
    above, scale = above_usual(levels)
    count, causes = len(above), len(PATH_CAUSES)
    stands = ~np.isnan(levels.standing_db) & ~np.isnan(levels.standing_sd_db)
    measured = ~np.isnan(above)
    # what the circuit was above the usual as built
    built = above - np.where(stands & levels.at_start, np.maximum(levels.standing_db, 0.0), 0.0)
    of_built = _size_ratios(built[measured], scale[measured])
    of_standing = _size_ratios(levels.standing_db[stands], levels.standing_sd_db[stands])

    def evidence(law: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Of a fault of that law that came before acceptance, and after it."""
        log_law = np.log(law + 1e-300)
        early, late = np.zeros(count), np.zeros(count)
        early[measured] = np.logaddexp.reduce(of_built + log_law, axis=1)
        late[stands] = np.logaddexp.reduce(of_standing + log_law, axis=1)
        # without an as-built test the level of the start holds both
        return early, np.where(stands, late, np.where(levels.at_start, early, 0.0))

    path = np.zeros((count, causes))
    for column, cause in enumerate(PATH_CAUSES):
        if cause not in HARMLESS:
            early, late = evidence(size_law(cause))
            mixed = np.logaddexp(np.log(BUILT_SHARE) + early, np.log(1.0 - BUILT_SHARE) + late)
            path[:, column] = np.where(stands | measured, mixed, 0.0)
    _, late = evidence(size_law("transceiver"))
    receiver = np.where(stands | (measured & levels.by_power), late, 0.0)
    record = np.zeros(count)
    wide = np.hypot(scale[measured], RECORD_LEVEL_DB)
    record[measured] = _log_level(built[measured], wide) - _log_level(built[measured], scale[measured])
    by_test = stands & ~(above / scale > levels.standing_db / np.where(stands, levels.standing_sd_db, 1.0))
    return Before(
        path,
        receiver,
        record,
        np.where(by_test, levels.standing_db, above),
        np.where(by_test, levels.standing_sd_db, scale),
        above,
        levels.at_start,
        levels.standing_db,
    )


def tested_levels(levels: Levels, before: Before, cases: Cases, risen_db: FloatArray) -> FloatArray:
    """What the level of the last test says of a fault that was there by then, where tests alone tell.

    Parameters
    ----------
    levels, before
        Of the start.
    cases
        As listed, `last_test_of` known.
    risen_db
        By how much the tests of each circuit rose; zero where they did not. [dB]

    Returns
    -------
    Log Bayes factors (circuits, path causes). Where tests rose, a third of what the level now says, since the rise
    says the rest; else what it says of the start, which was the same.
    """
    now = weigh_levels(replace(levels, excess_db=levels.excess_db + risen_db))
    told = np.where((risen_db > 0)[:, None], BESIDE_RISE * now.path, before.path)
    return np.where((cases.last_test_of >= 0)[:, None], told, 0.0)


def _log_level(x: FloatArray, width: FloatArray) -> FloatArray:
    """Log density of an excess about zero, up to a constant: Student-t with `LEVEL_FREEDOM` degrees of freedom."""
    return np.asarray(
        -0.5 * (LEVEL_FREEDOM + 1) * np.log1p((x / width) ** 2 / LEVEL_FREEDOM) - np.log(width), np.float64
    )


def _size_ratios(excess: FloatArray, scale: FloatArray) -> FloatArray:
    """Log likelihood ratio of every size of a fault against none, shape (n, sizes)."""
    return _log_level(excess[:, None] - SIZES_DB[None, :], scale[:, None]) - _log_level(excess, scale)[:, None]
