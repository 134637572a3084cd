"""Circuits that changed, the change to explain in each, and how well each cause explains it by day.

In: daily power and loss tests of a set of circuits. Out: one case per open change (the largest of a
circuit is its main case) and, for each case, log Bayes factors by day of onset and cause.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.health.change_evidence import (
    CauseLaws,
    Statistics,
    change_evidence,
    log_mean,
    repeat_statistics,
    size_estimate,
    template_statistics,
)
from planner.health.change_points import Segmentation, segment_series
from planner.health.daily_series import (
    path_loss,
    quantisation_sd,
    remove_common_mode,
    running_mean,
    smallest_steps,
    with_darkness,
)
from planner.health.drift import DEFAULT_TEST_NOISE_DB, repeat_noise
from planner.health.fault_laws import (
    AGEING_SHARE,
    BEND_PER_NM,
    PATH_CAUSES,
    RAMP_DAYS,
    SEEN_BOTH_WAYS,
    bend_ratio,
)
from planner.health.offset_law import OFFSET_SCALE_DB, LevelShifts, level_shifts
from planner.health.open_changes import open_changes, taken_out, without_other_changes
from planner.health.opened_joints import OpenedJoints

if TYPE_CHECKING:
    from pandas.api.typing import DataFrameGroupBy

SAME_CASE_DAYS = 20
STAIR_DAYS, COARSE_SD_DB = 120, 0.05  # so long for the steps of a stair, where they leave so much of a change unknown
STAIR_SD = 4.0  # of what they leave unknown: no rise of a stair is larger, which is a step and a half
# Log likelihood ratio that each test after the first may add at most, where power is not read and where it is.
MOST_BY_TESTS = (8.0, 4.0)
UNCLEAR_DB = 0.15  # another change by that much within a day of a test leaves open which side of it was tested
STALE_TEST_DB = 2.0  # a test tells nothing of a circuit whose light moved by that much less or more
LASTING_DAYS = 3.0  # what a test found must be seen in the power so long after it
READ_WITHIN_DAYS = 14.0  # of which there must be a reading by then
SMALLEST_STANDING_DB, STANDING_SD = 0.1, 2.0  # loss before the first reading that is a case beside an open change
CASES_AT_ONCE = 32
BEND = PATH_CAUSES.index("bend")

LOSS_AZ, LOSS_ZA, LAUNCH_A, LAUNCH_Z = range(4)
SAME_WAVELENGTH_NM = 20.0

FloatArray = NDArray[np.float64]


@dataclass
class CircuitSeries:
    """The series of the circuits that were read, four rows per circuit, and the changes in them.

    `row` is (circuits, 4): loss A to Z, loss Z to A, launch at A, launch at Z; -1 where not read. `quantised_db` is
    what coarse steps of the readings leave unknown in a change of level of each series (empty: nothing).
    """

    first_day: np.datetime64
    days: int
    row: NDArray[np.int64]
    segments: Segmentation
    quantised_db: FloatArray = field(default_factory=lambda: np.zeros(0))

    @property
    def reads_loss(self) -> NDArray[np.bool_]:
        """Of which circuits the loss is read, in one direction at least."""
        return np.asarray((self.row[:, [LOSS_AZ, LOSS_ZA]] >= 0).any(axis=1), np.bool_)


@dataclass
class Cases:
    """One row per case; the first `circuits` rows are the main cases, in the order of the circuits.

    `first_day` > `last_day` marks a case without an open change. `evidence` holds, for the cases in
    `computed` (row of the case there, else -1), log Bayes factors (cases, days, causes of the path);
    `power_mean` the log mean over days from power alone; `tested_mean` with loss tests;
    `receiver`, `launch` (cases, 2 ends Z, A / A, Z) the same for transceivers; `best_day` the likeliest day of
    a fault on the path, `end_day` of one in each of the four series alone. `standing_case` is, for each circuit
    of the fleet, the case in which loss that stood before its first reading counts.
    """

    circuit: NDArray[np.int64]
    first_day: NDArray[np.int64]
    last_day: NDArray[np.int64]
    size_db: FloatArray
    computed: NDArray[np.int64]
    standing_case: NDArray[np.int64]
    evidence: NDArray[np.float32] = field(default_factory=lambda: np.zeros((0, 0, len(PATH_CAUSES)), np.float32))
    power_mean: FloatArray = field(default_factory=lambda: np.zeros((0, len(PATH_CAUSES))))
    tested_mean: FloatArray = field(default_factory=lambda: np.zeros((0, len(PATH_CAUSES))))
    receiver: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))
    launch: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))
    best_day: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    end_day: NDArray[np.int64] = field(default_factory=lambda: np.zeros((0, 4), np.int64))
    moves_db: FloatArray = field(default_factory=lambda: np.zeros((0, 4)))
    has_power: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, np.bool_))
    has_tests: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, np.bool_))
    # statistics of the loss in both directions and the tests together, (cases, days, shapes)
    loss_a: Statistics = field(default_factory=lambda: np.zeros((0, 0, len(RAMP_DAYS)), np.float32))
    loss_b: Statistics = field(default_factory=lambda: np.zeros((0, 0, len(RAMP_DAYS)), np.float32))
    offset_scale_db: float = OFFSET_SCALE_DB
    # by circuit of the fleet: whether it has power readings or loss tests at all
    has_power_of: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, np.bool_))
    has_tests_of: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, np.bool_))
    # by circuit of the fleet, where tests alone tell: day of the last one on the axis (NaN: power is read, or no test),
    # and whether tests that can be compared were made more than once
    last_test_of: FloatArray = field(default_factory=lambda: np.zeros(0))
    retested_of: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, np.bool_))


def circuit_series(
    ends: pd.DataFrame,
    all_ends: pd.DataFrame,
    environment: NDArray[np.integer],
    reference: NDArray[np.bool_],
    tx_dbm: NDArray[np.float32],
    rx_dbm: NDArray[np.float32],
    first_day: np.datetime64,
) -> CircuitSeries:
    """Loss and launch series of every circuit.

    Parameters
    ----------
    ends
        One row per circuit with a_row, z_row (row of its end ports in the power matrices, -1 if not read)
        and a_shared, z_shared (circuits at that port): what a port with several circuits receives is the
        sum of many branches and is left out.
    all_ends
        The same for every circuit of the fleet: far ends of the reference ports.
    environment, reference
        Per port: group for the common course, and whether the port counts for it.
    """
    received = with_darkness(rx_dbm, tx_dbm)
    fading = remove_common_mode(-tx_dbm, environment, reference)
    launch = segment_series(fading)
    sent = -running_mean(launch.smooth)
    a, z = ends["a_row"].to_numpy(np.int64), ends["z_row"].to_numpy(np.int64)
    rx_z = np.where(ends["z_shared"].to_numpy() == 1, z, -1)
    rx_a = np.where(ends["a_shared"].to_numpy() == 1, a, -1)
    ports = np.arange(len(tx_dbm))
    # the ports of the reference stand beside the circuits to give the common course of received power
    marked = np.flatnonzero(reference)
    rx_row = np.concatenate([rx_z, rx_a, ports[marked]])
    tx_row = np.concatenate([a, z, _far_row(all_ends, len(tx_dbm))[marked]])
    loss = path_loss(rx_row, tx_row, received, sent)
    group = np.where(rx_row >= 0, environment[np.maximum(rx_row, 0)] if len(environment) else -1, -1)
    counts = np.zeros(len(rx_row), np.bool_)
    counts[len(rx_z) + len(rx_a) :] = True
    loss = remove_common_mode(loss, group, counts)[: len(rx_z) + len(rx_a)]
    changes = segment_series(loss)
    n = len(ends)
    joined = Segmentation(*(np.concatenate([x, y]) for x, y in zip(changes, launch, strict=True)))
    row = np.full((n, 4), -1, np.int64)
    row[:, LOSS_AZ] = np.where(rx_z >= 0, np.arange(n), -1)
    row[:, LOSS_ZA] = np.where(rx_a >= 0, n + np.arange(n), -1)
    row[:, LAUNCH_A] = np.where(a >= 0, 2 * n + a, -1)
    row[:, LAUNCH_Z] = np.where(z >= 0, 2 * n + z, -1)
    row[joined.readings[np.maximum(row, 0)] == 0] = -1
    steps = np.concatenate([np.append(smallest_steps(rx_dbm), 0.0)[rx_row[: 2 * n]], smallest_steps(tx_dbm)])
    return CircuitSeries(first_day, tx_dbm.shape[1], row, joined, quantisation_sd(steps, joined.noise))


def _far_row(ends: pd.DataFrame, ports: int) -> NDArray[np.int64]:
    far = np.full(ports, -1, np.int64)
    a, z = ends["a_row"].to_numpy(np.int64), ends["z_row"].to_numpy(np.int64)
    both = (a >= 0) & (z >= 0)
    single = both & (ends["a_shared"].to_numpy() == 1) & (ends["z_shared"].to_numpy() == 1)
    far[a[single]], far[z[single]] = z[single], a[single]
    tree = both & ~single
    far[z[tree]] = a[tree]
    return far


def shifts_at_touches(series: CircuitSeries, opened: OpenedJoints) -> LevelShifts:
    """What the loss of the circuits read did where one of their joints was opened; rows are those of `series.row`."""
    circuit, direction = np.nonzero(series.row[:, [LOSS_AZ, LOSS_ZA]] >= 0)
    smooth = series.segments.smooth[series.row[circuit, direction]]
    shifts = level_shifts(smooth, opened.counts(len(series.row), series.days)[circuit])
    return replace(shifts, row=circuit[shifts.row])


def with_joints(series: CircuitSeries, opened: OpenedJoints) -> CircuitSeries:
    """The same series, every change of loss with the joints of its circuit that were opened about its day."""
    row, kind = np.nonzero(series.row[:, [LOSS_AZ, LOSS_ZA]] >= 0)
    of_loss = series.row[row, kind]
    joints = np.zeros_like(series.segments.joints)
    joints[of_loss] = opened.about(row[:, None], series.segments.change_day[of_loss].astype(np.int64))
    return replace(series, segments=series.segments._replace(joints=joints))


def list_cases(
    series: CircuitSeries,
    circuit_of: NDArray[np.integer],
    circuits: int,
    tested: pd.DataFrame,
    offset_scale_db: float,
) -> Cases:
    """One main case per circuit of the fleet, and one more for each further open change.

    Parameters
    ----------
    series
        Series of the circuits that were read, their changes with the joints opened about them (`with_joints`).
    circuit_of
        Number in the fleet of each of these.
    circuits
        Number of circuits in the fleet.
    tested
        Loss tests that rose: circuit (number in the fleet), size_db.
    offset_scale_db
        What a new mating does to a pair's loss in this fleet.
    """
    row, kind = np.nonzero(series.row >= 0)
    found = open_changes(series.segments)
    # a slow fade read in coarse steps is a stair: its steps are one change
    unknown = series.quantised_db if len(series.quantised_db) else np.zeros(len(series.segments.noise))
    unknown = unknown[found["series"]]
    found["stair"] = (unknown > COARSE_SD_DB) & (found["largest_db"] <= STAIR_SD * unknown) & ~found["on_touch"]
    place = pd.DataFrame({"series": series.row[row, kind], "circuit": circuit_of[row], "kind": kind})
    rises = found.merge(place, on="series")
    columns = ["circuit", "kind", "first_day", "last_day", "size_db", "stair"]
    # where power is read, it tells better than tests what is open now
    read = circuit_of[series.reads_loss]
    more = tested[~tested["circuit"].isin(read)].assign(kind=LOSS_AZ, first_day=0, last_day=series.days, stair=False)
    rises = pd.DataFrame({name: np.concatenate([rises[name], more[name]]) for name in columns})
    rises = rises.sort_values(["circuit", "first_day", "last_day"], kind="stable").reset_index(drop=True)
    reach = rises.groupby("circuit")["last_day"].cummax().shift(fill_value=-1).to_numpy()
    circuit = rises["circuit"].to_numpy(np.int64)
    stair = rises["stair"].to_numpy(np.bool_)
    near = np.where(stair[1:] & stair[:-1], STAIR_DAYS, SAME_CASE_DAYS)
    new = np.ones(len(rises), np.bool_)
    new[1:] = (circuit[1:] != circuit[:-1]) | (rises["first_day"].to_numpy()[1:] > reach[1:] + near)
    # rises of one series add up, the series of one circuit show the same
    by_series = rises.groupby([np.cumsum(new), rises["kind"]]).agg(
        circuit=("circuit", "first"),
        first_day=("first_day", "min"),
        last_day=("last_day", "max"),
        size_db=("size_db", "sum"),
    )
    merged = by_series.groupby(level=0).agg(
        circuit=("circuit", "first"),
        first_day=("first_day", "min"),
        last_day=("last_day", "max"),
        size_db=("size_db", "max"),
    )
    merged = merged.sort_values(["circuit", "size_db"], ascending=[True, False], kind="stable")
    main = ~merged["circuit"].duplicated().to_numpy()
    first, last = np.ones(circuits, np.int64), np.zeros(circuits, np.int64)
    size = np.zeros(circuits)
    at = merged["circuit"].to_numpy(np.int64)[main]
    first[at], last[at] = merged["first_day"].to_numpy()[main], merged["last_day"].to_numpy()[main]
    size[at] = merged["size_db"].to_numpy()[main]
    rest = merged[~main]
    return Cases(
        circuit=np.concatenate([np.arange(circuits), rest["circuit"].to_numpy(np.int64)]),
        first_day=np.concatenate([first, rest["first_day"].to_numpy(np.int64)]),
        last_day=np.concatenate([last, rest["last_day"].to_numpy(np.int64)]),
        size_db=np.concatenate([size, rest["size_db"].to_numpy(np.float64)]),
        computed=np.full(circuits + len(rest), -1, np.int64),
        standing_case=np.arange(circuits),
        offset_scale_db=offset_scale_db,
    )


def add_standing(cases: Cases, stood_db: FloatArray, sd_db: FloatArray) -> Cases:
    """The cases, and one more for each circuit that changed and whose loss was too high before its first reading.

    Parameters
    ----------
    cases
        As listed; none weighed yet.
    stood_db, sd_db
        Loss that stood before the first reading and its spread, by circuit; NaN where not known.
    """
    circuits = len(stood_db)
    known = np.nan_to_num(stood_db)
    changed = cases.last_day[:circuits] >= cases.first_day[:circuits]
    size = cases.size_db.copy()
    size[:circuits] = np.where(changed | (known < SMALLEST_STANDING_DB), size[:circuits], known)
    more = np.flatnonzero(changed & (known >= np.maximum(SMALLEST_STANDING_DB, STANDING_SD * np.nan_to_num(sd_db))))
    standing_case = np.where(changed, -1, np.arange(circuits))
    standing_case[more] = len(cases.circuit) + np.arange(len(more))
    none = np.zeros(len(more), np.int64)
    return replace(
        cases,
        circuit=np.concatenate([cases.circuit, more]),
        first_day=np.concatenate([cases.first_day, none + 1]),
        last_day=np.concatenate([cases.last_day, none]),
        size_db=np.concatenate([size, known[more]]),
        computed=np.concatenate([cases.computed, none - 1]),
        standing_case=standing_case,
    )


def weigh_cases(
    cases: Cases,
    chosen: NDArray[np.integer],
    series: CircuitSeries,
    circuit_of: NDArray[np.integer],
    tests: pd.DataFrame,
    wavelength_nm: FloatArray,
    tested_level: FloatArray,
) -> None:
    """Fill in the evidence of the chosen cases.

    Parameters
    ----------
    cases
        Changed in place.
    chosen
        Numbers of the cases to weigh.
    series, circuit_of
        As for `list_cases`.
    tests
        Loss tests: circuit (number in the fleet), direction, wavelength_nm, reference_cords, day, loss_db.
    wavelength_nm
        Wavelength of each circuit of the fleet.
    tested_level
        What the level of the last test says of a fault that was there by then, where tests alone tell: log ratios of
        shape (circuits, path causes), from `planner.health.absolute_levels.tested_levels`.
    """
    place = np.full(len(wavelength_nm), -1, np.int64)
    place[circuit_of] = np.arange(len(circuit_of))
    by_circuit = _tests_by_circuit(tests)
    noise = _test_noise(tests)
    count, days, causes = len(chosen), series.days, len(PATH_CAUSES)
    cases.computed[chosen] = np.arange(count)
    cases.evidence = np.zeros((count, days, causes), np.float32)
    cases.loss_a = np.zeros((count, days, len(RAMP_DAYS)), np.float32)
    cases.loss_b = np.zeros_like(cases.loss_a)
    cases.power_mean, cases.tested_mean = np.zeros((count, causes)), np.zeros((count, causes))
    cases.receiver, cases.launch = np.zeros((count, 2)), np.zeros((count, 2))
    cases.best_day, cases.end_day = np.zeros(count, np.int64), np.zeros((count, 4), np.int64)
    cases.moves_db = np.full((count, 4), np.nan)
    cases.has_power, cases.has_tests = np.zeros(count, np.bool_), np.zeros(count, np.bool_)
    if days == 0:
        return
    path_laws, of_ends = CauseLaws(PATH_CAUSES, cases.offset_scale_db), CauseLaws(("transceiver", "ageing"))
    for start in range(0, count, CASES_AT_ONCE):
        part = slice(start, min(start + CASES_AT_ONCE, count))
        numbers = chosen[part]
        where = place[cases.circuit[numbers]]
        rows = (
            np.where((where >= 0)[:, None], series.row[np.maximum(where, 0)], -1)
            if len(series.row)
            else (np.full((len(numbers), 4), -1, np.int64))
        )
        stats = [
            _statistics(series, rows[:, kind], cases.first_day[numbers], cases.last_day[numbers]) for kind in range(4)
        ]
        cases.has_power[part] = (rows[:, :2] >= 0).any(axis=1)
        cases.loss_a[part] = stats[LOSS_AZ][0] + stats[LOSS_ZA][0]
        cases.loss_b[part] = stats[LOSS_AZ][1] + stats[LOSS_ZA][1]
        reference = wavelength_nm[cases.circuit[numbers]]
        power = _path_evidence(stats, path_laws, [None] * len(numbers), rows, reference)
        gone = _gone_since(series, rows, cases.first_day[numbers], cases.last_day[numbers])
        extra = [
            _tests_of(by_circuit.get(int(circuit)), noise, days, gone[number], MOST_BY_TESTS[int(read)])
            for number, (circuit, read) in enumerate(zip(cases.circuit[numbers], cases.has_power[part], strict=True))
        ]
        cases.power_mean[part] = log_mean(power, axis=1)
        cases.has_tests[part] = [item is not None for item in extra]
        tested = np.flatnonzero([item is not None for item in extra])
        if len(tested):
            some = [(a[tested], b[tested]) for a, b in stats]
            own = [extra[i] for i in tested]
            power[tested] = _path_evidence(some, path_laws, own, rows[tested], reference[tested])
        cases.evidence[part] = power
        _add_tested_level(cases, numbers, part, tested_level)
        cases.tested_mean[part] = log_mean(cases.evidence[part], axis=1)
        ends = ((cases.receiver, LOSS_AZ, LOSS_ZA), (cases.launch, LAUNCH_A, LAUNCH_Z))
        for target, first, second in ends:
            for column, kind in enumerate((first, second)):
                seen = change_evidence(*stats[kind], of_ends)
                cases.end_day[part, kind] = seen[:, :, 0].argmax(axis=1)
                found, aged = log_mean(seen, axis=1).T
                if kind in (LAUNCH_A, LAUNCH_Z):
                    # whatever else is wrong, a launch may have aged
                    found = found - np.logaddexp(np.log(1.0 - AGEING_SHARE), np.log(AGEING_SHARE) + aged)
                target[part, column] = np.where(rows[:, kind] >= 0, found, 0.0)
        best = cases.evidence[part][:, :, 0].argmax(axis=1)
        cases.best_day[part] = best
        each = np.arange(len(numbers))
        for kind in range(4):
            a, b = stats[kind]
            peak = best if kind < LAUNCH_A else cases.end_day[part, kind]
            size, _sd = size_estimate(a[each, peak, 0], b[each, peak, 0])
            cases.moves_db[part, kind] = np.where(rows[:, kind] >= 0, size, np.nan)


def _add_tested_level(cases: Cases, numbers: NDArray[np.integer], part: slice, tested_level: FloatArray) -> None:
    """Let the level of the last test speak for onsets up to its day, in the case in which it counts."""
    circuit = cases.circuit[numbers]
    standing = cases.standing_case[circuit]
    own = (standing == numbers) | ((standing == -1) & (numbers < len(tested_level)))
    own &= cases.last_test_of[circuit] >= 0
    for place in np.flatnonzero(own):
        until = int(cases.last_test_of[circuit[place]]) + 1
        cases.evidence[part.start + place, :until] += tested_level[circuit[place]].astype(np.float32)


def moved_since(series: CircuitSeries, circuit_of: NDArray[np.integer], circuits: int, day: FloatArray) -> FloatArray:
    """By how much the loss of each circuit has changed since a day, from its readings. [dB]

    Parameters
    ----------
    series, circuit_of, circuits
        As for `list_cases`.
    day
        Day of each circuit of the fleet on the axis of the series; NaN where there is none.

    Returns
    -------
    Shape (circuits,); the mean of both directions where both are read, zero where none is.
    """
    moved, read = np.zeros(circuits), np.zeros(circuits)
    circuit, direction = np.nonzero(series.row[:, [LOSS_AZ, LOSS_ZA]] >= 0)
    rows, number = series.row[circuit, direction], circuit_of[circuit]
    later = series.segments.change_day[rows] > day[number][:, None]
    np.add.at(moved, number, np.where(later, np.nan_to_num(series.segments.step[rows]), 0.0).sum(axis=1))
    np.add.at(read, number, 1.0)
    return np.asarray(moved / np.maximum(read, 1.0), np.float64)


def _statistics(
    series: CircuitSeries, rows: NDArray[np.integer], first_day: NDArray[np.integer], last_day: NDArray[np.integer]
) -> tuple[Statistics, Statistics]:
    segments = series.segments
    if len(segments.noise) == 0:
        nothing = np.zeros((len(rows), series.days, len(RAMP_DAYS)), np.float32)
        return nothing, nothing
    known = np.maximum(rows, 0)
    kept = without_other_changes(segments, rows, first_day, last_day)
    coarse = series.quantised_db[known] if len(series.quantised_db) else None
    return template_statistics(kept, segments.noise[known], segments.autocorrelation[known], coarse)


Tests = list[tuple[float, FloatArray, FloatArray]]  # wavelength, days, losses
TestStatistics = tuple[float, Statistics, Statistics]  # wavelength, a, b


def _test_series(tests: pd.DataFrame) -> DataFrameGroupBy[tuple[Any, ...], Literal[True]]:
    """Loss tests in groups that can be compared: same circuit, direction, wavelength and reference method."""
    keys = ["circuit", "direction", "wavelength_nm", "reference_cords"]
    return tests.assign(reference_cords=tests["reference_cords"].fillna(0)).groupby(keys, sort=True)


def _tests_by_circuit(tests: pd.DataFrame) -> dict[int, Tests]:
    """Repeated tests of each circuit: wavelength, days, losses, one entry per comparable series."""
    result: dict[int, Tests] = {}
    if tests.empty:
        return result
    for _, group in _test_series(tests):
        if len(group) < 2:
            continue
        entry = (
            float(group["wavelength_nm"].iloc[0]),
            group["day"].to_numpy(np.float64),
            group["loss_db"].to_numpy(np.float64),
        )
        result.setdefault(int(group["circuit"].iloc[0]), []).append(entry)
    return result


def retested(tests: pd.DataFrame) -> NDArray[np.int64]:
    """Circuits that were tested more than once in a way that can be compared, rising."""
    times = _test_series(tests).size()
    return np.unique(times[times > 1].index.get_level_values("circuit").to_numpy(np.int64))


def lasting_tests(
    tests: pd.DataFrame, series: CircuitSeries, circuit_of: NDArray[np.integer], wavelength_nm: FloatArray
) -> pd.DataFrame:
    """Loss tests without those that power read after them contradicts: made while something was broken.

    A test made in an outage too short for the daily readings to show, or on the day of its repair, says nothing
    of the circuit as it stands. Each test is set beside the level that power shows some days after it; one that
    lies `STALE_TEST_DB` above what most tests of its series come to (the lower one of two) is left out. Tests at
    another wavelength than the power's, and those without readings after them, are not judged.

    Parameters
    ----------
    tests
        Loss tests in order of time within each series: circuit (number in the fleet), direction, wavelength_nm,
        reference_cords, day, loss_db.
    series, circuit_of
        As for `list_cases`.
    wavelength_nm
        Wavelength of each circuit of the fleet.
    """
    if tests.empty or series.days == 0:
        return tests
    segments = series.segments
    row = np.full(len(wavelength_nm), -1)
    read = series.row[:, [LOSS_AZ, LOSS_ZA]]
    row[circuit_of] = np.where(read[:, 0] >= 0, read[:, 0], read[:, 1])
    circuit = tests["circuit"].to_numpy(np.int64)
    same = np.abs(tests["wavelength_nm"].to_numpy(np.float64) - wavelength_nm[circuit]) <= SAME_WAVELENGTH_NM
    some = np.flatnonzero((row[circuit] >= 0) & same)
    own, day = row[circuit[some]], tests["day"].to_numpy(np.float64)[some]
    readings = np.cumsum(~np.isnan(segments.smooth), axis=1, dtype=np.int32)
    first, last = (np.clip(day + off, 0, series.days - 1).astype(np.int64) for off in (0, READ_WITHIN_DAYS))
    judged = (day >= 0) & (readings[own, last] > readings[own, first])
    changes = segments.change_day[own]
    passed = ((changes >= 0) & (changes <= (day + LASTING_DAYS)[:, None])).sum(axis=1)
    passed[day < 0] = 0
    above = tests["loss_db"].to_numpy(np.float64)[some] - segments.level[own, passed]
    # an acceptance test speaks if the readings began as they are now
    steady = np.abs(segments.level[own, 0] - segments.level[own, segments.changes[own]]) < STALE_TEST_DB
    heard = judged | ((day < 0) & steady)
    frame = tests.iloc[some].assign(above=np.where(heard, above, np.nan))
    keys = [frame[name] for name in ("circuit", "direction", "wavelength_nm")] + [frame["reference_cords"].fillna(0)]
    group = frame["above"].groupby(keys, sort=False)
    usual = np.where(group.transform("count") == 2, group.transform("min"), group.transform("median"))
    stale = np.zeros(len(tests), np.bool_)
    stale[some] = judged & (above - usual > STALE_TEST_DB)
    kept: pd.DataFrame = tests[~stale].reset_index(drop=True)
    return kept


def _test_noise(tests: pd.DataFrame) -> float:
    """Noise of one loss test, from its repeats over the fleet. [dB]"""
    if tests.empty:
        return DEFAULT_TEST_NOISE_DB
    keys = ["circuit", "direction", "wavelength_nm"]
    change = tests.groupby(keys, sort=False)["loss_db"].diff().dropna().to_numpy(np.float64)
    return max(repeat_noise(np.stack([np.zeros(len(change)), change], axis=1), DEFAULT_TEST_NOISE_DB), 0.03)


def _gone_since(
    series: CircuitSeries, rows: NDArray[np.integer], first_day: NDArray[np.integer], last_day: NDArray[np.integer]
) -> NDArray[np.float32]:
    """Other changes of each case's loss by day, from whichever direction is read; zero where none is."""
    if len(series.segments.noise) == 0:
        return np.zeros((len(rows), series.days), np.float32)
    row = np.where(rows[:, LOSS_AZ] >= 0, rows[:, LOSS_AZ], rows[:, LOSS_ZA])
    return taken_out(series.segments, row, first_day, last_day)


def _tests_of(
    tests: Tests | None, noise: float, days: int, gone: NDArray[np.float32], most: float
) -> list[TestStatistics] | None:
    """Statistics of a circuit's repeated tests: wavelength and (a, b) of each series.

    Changes that power shows beside the one looked at are taken out of the tests too.
    """
    if not tests:
        return None
    # twice the noise: connecting the test cords anew is part of it, and tails are heavy
    variance = (1.5 * noise) ** 2
    found = []
    for nm, day, loss in tests:
        at = day.astype(np.int64)
        around = [np.where(at + off >= 0, gone[np.clip(at + off, 0, days - 1)], 0.0) for off in (-2, 0, 1)]
        # made on a day on which something else changed: before or after, nobody knows
        clear = np.abs(around[2] - around[0]) < UNCLEAR_DB
        if clear.sum() < 2:
            continue
        day, left = day[clear], (loss - around[1])[clear]
        # loss that a later test no longer shows was put right
        later = np.minimum.accumulate(left[::-1])[::-1]
        found.append(
            (nm, *repeat_statistics(day, np.minimum(left, later + noise), variance, days, most * (len(left) - 1)))
        )
    return found or None


def _path_evidence(
    stats: list[tuple[Statistics, Statistics]],
    laws: CauseLaws,
    tests: list[list[TestStatistics] | None],
    rows: NDArray[np.integer],
    reference_nm: FloatArray,
) -> NDArray[np.float32]:
    """Log Bayes factors of faults on the path, from power in both directions and from loss tests.

    A fault shows in both directions of one fibre, with a small chance that only one reading shows it. A bend
    weighs on each wavelength by its own share, at three strengths of that dependence.
    """
    added = _weighted(tests, stats[LOSS_AZ][0].shape, None, reference_nm)
    result = _both_or_one(stats, added, laws, rows)
    coloured = np.array(
        [
            any(abs(nm - reference) > SAME_WAVELENGTH_NM for nm, _, _ in own or ())
            for own, reference in zip(tests, reference_nm, strict=True)
        ],
        np.bool_,
    )
    some = np.flatnonzero(coloured)
    if len(some):
        picked = [(a[some], b[some]) for a, b in stats]
        own = [tests[i] for i in some]
        bends = [
            _both_or_one(picked, _weighted(own, picked[0][0].shape, per_nm, reference_nm[some]), laws, rows[some])[
                :, :, BEND
            ]
            for per_nm in BEND_PER_NM
        ]
        result[some, :, BEND] = np.logaddexp.reduce(bends, axis=0) - np.log(len(bends))
    return result


def _weighted(
    tests: list[list[TestStatistics] | None],
    shape: tuple[int, ...],
    per_nm: float | None,
    reference_nm: FloatArray,
) -> tuple[Statistics, Statistics]:
    """Sum of the tests' statistics; with `per_nm`, each wavelength by the share of a bend it sees."""
    total_a, total_b = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    for number, own in enumerate(tests):
        for nm, a, b in own or ():
            share = 1.0
            if per_nm is not None:
                share = float(bend_ratio(np.array(nm), np.array(reference_nm[number]), per_nm))
            total_a[number] += share * a
            total_b[number] += share**2 * b
    return total_a, total_b


def _both_or_one(
    stats: list[tuple[Statistics, Statistics]],
    added: tuple[Statistics, Statistics],
    laws: CauseLaws,
    rows: NDArray[np.integer],
) -> NDArray[np.float32]:
    (a1, b1), (a2, b2) = stats[LOSS_AZ], stats[LOSS_ZA]
    both = change_evidence(a1 + a2 + added[0], b1 + b2 + added[1], laws)
    two = np.flatnonzero((rows[:, LOSS_AZ] >= 0) & (rows[:, LOSS_ZA] >= 0))
    if len(two):
        one = np.float32(np.log((1 - SEEN_BOTH_WAYS) / 2))
        az = change_evidence(a1[two] + added[0][two], b1[two] + added[1][two], laws) + one
        za = change_evidence(a2[two] + added[0][two], b2[two] + added[1][two], laws) + one
        shared = both[two] + np.float32(np.log(SEEN_BOTH_WAYS))
        both[two] = np.logaddexp(np.logaddexp(shared, az), za)
    return both


__all__ = [
    "STALE_TEST_DB",
    "Cases",
    "CircuitSeries",
    "add_standing",
    "circuit_series",
    "lasting_tests",
    "list_cases",
    "moved_since",
    "retested",
    "shifts_at_touches",
    "weigh_cases",
    "with_joints",
]
