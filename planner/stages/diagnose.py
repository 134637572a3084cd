"""Step 6 of the analysis: what eats each circuit's margin, element by element.

In: series, paths, touches, loss tests, OTDR traces, what the history says of end faces, budgets, work orders.
Out: `diagnosis`, `diagnosis_evidence`, `unread_circuits`, `face_blame`, `connector_health`. Only circuits that
changed, and those that share an element with one that did, have their readings read and weighed; the others keep
what is believed beforehand.
"""

from __future__ import annotations

from datetime import datetime

import duckdb
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.health.absolute_levels import Levels, levels_at_start, tested_levels, weigh_levels
from planner.health.circuit_cases import (
    CircuitSeries,
    add_standing,
    circuit_series,
    lasting_tests,
    list_cases,
    retested,
    shifts_at_touches,
    weigh_cases,
    with_joints,
)
from planner.health.daily_series import end_rows
from planner.health.diagnosis import weigh_hypotheses
from planner.health.diagnosis_report import diagnosis_frames
from planner.health.dirt_costs import costing_share, found_at_touches
from planner.health.drift import loss_test_drift
from planner.health.face_light import light_by_circuit, settled
from planner.health.face_looks import looks_by_face
from planner.health.hypotheses import Hypotheses, list_hypotheses
from planner.health.offset_law import LevelShifts, learned_offset_scale
from planner.health.order_causes import corrected_shares
from planner.health.shared_elements import sharing_circuits
from planner.health.standing_loss import standing_loss
from planner.health.touches import joints_opened, reading_day, touches_by_joint
from planner.health.trace_evidence import weigh_return_loss, weigh_traces
from planner.progress import Progress
from planner.store.database import has_rows, replace_result
from planner.store.diagnosis_queries import (
    budget_excess,
    closed_causes,
    face_beliefs,
    face_looks,
    joint_touches,
    moved_circuits,
    otdr_traces,
    path_elements,
    reading_time_of_day,
    replace_health,
    touch_counts,
    untraced_circuits,
)
from planner.store.series_queries import circuit_ends, daily_power, first_levels, loss_test_series, power_ports

LONGEST_AXIS_DAYS = 1100  # onsets further back count as "before the first reading"
OPTIONAL = ("power_readings", "loss_tests", "otdr_events", "mating_events", "history_beliefs", "circuit_budget")


def run(con: duckdb.DuckDBPyConnection, now: datetime, progress: Progress) -> str:
    """Diagnose every circuit."""
    progress(0.05, "reading paths")
    circuits = circuit_ends(con)
    elements = path_elements(con)
    beliefs = face_beliefs(con)
    touched = touch_counts(con, now).set_index("port_id")["touches"]
    untraced = pd.Index(untraced_circuits(con)["circuit_id"])
    hypotheses = list_hypotheses(circuits, elements, beliefs, untraced, touched)
    numbers = pd.Index(circuits["circuit_id"])

    progress(0.15, "finding circuits that changed")
    moved = numbers.get_indexer(pd.Index(moved_circuits(con)))
    read = sharing_circuits(hypotheses, moved[moved >= 0], len(circuits))
    ports = power_ports(con, now)
    tests = loss_test_series(con, now)
    progress(0.25, f"reading the series of {len(read)} circuits")
    series, has_power = _series(con, now, circuits, read, ports, tests)
    read_at = reading_time_of_day(con)
    wavelength_nm = circuits["wavelength_nm"].to_numpy(np.float64)
    tests = lasting_tests(_on_axis(tests, numbers, series, read_at), series, read, wavelength_nm)
    progress(0.4, "weighing what changed")
    touches = joint_touches(con, now, series.first_day, numbers[read].tolist())
    touches["day"] = _days(touches["at"], series.first_day)
    on_read = hypotheses.joint[np.isin(hypotheses.circuit, read)]
    joint_days = touches_by_joint(hypotheses.ports, touches, read_at, len(np.unique(on_read[on_read >= 0])))
    opened = joints_opened(hypotheses, joint_days, read, series.days)
    series = with_joints(series, opened)
    shifts = shifts_at_touches(series, opened)
    rose = _tests_that_rose(tests)
    rose_db = np.zeros(len(circuits))
    rose_db[rose["circuit"].to_numpy(np.int64)] = rose["size_db"].to_numpy(np.float64)
    cases = list_cases(series, read, len(circuits), rose, learned_offset_scale(shifts))
    measured = _levels(budget_excess(con), standing_loss(first_levels(con)), numbers, series, read_at)
    levels = levels_at_start(measured, series, read, rose_db)
    before = weigh_levels(levels)
    cases = add_standing(cases, before.stood_db, before.stood_sd_db)
    cases.has_power_of = has_power
    cases.has_tests_of = np.bincount(tests["circuit"], minlength=len(circuits)) > 0
    cases.last_test_of = np.where(has_power, np.nan, measured.test_day)
    cases.retested_of = np.isin(np.arange(len(circuits)), retested(tests))
    changed = np.unique(cases.circuit[cases.last_day >= cases.first_day])
    near = sharing_circuits(hypotheses, changed, len(circuits))
    chosen = np.flatnonzero(np.isin(cases.circuit, near))
    level_of_tests = tested_levels(levels, before, cases, np.where(has_power, 0.0, rose_db))
    weigh_cases(cases, chosen, series, read, tests, wavelength_nm, level_of_tests)

    progress(0.6, "weighing hypotheses")
    # quiet circuits tell too what cleaning won
    looks = face_looks(con, now, numbers[np.union1d(near, read)].tolist())
    looks["day"] = _days(looks["at"], series.first_day)
    traces = otdr_traces(con, now)
    traces["day"] = _days(traces["at"], series.first_day)
    costing = _costing_share(hypotheses, looks, shifts, read, read_at)
    weighed = weigh_hypotheses(
        hypotheses,
        cases,
        joint_days,
        looks_by_face(hypotheses.names, looks),
        before,
        touched.reindex(hypotheses.ports).fillna(0).to_numpy(np.float64),
        series.days,
        corrected_shares(closed_causes(con, now)),
        costing,
        weigh_traces(traces, elements, hypotheses, cases, numbers) + weigh_return_loss(tests, hypotheses, cases),
    )
    progress(0.85, "writing the diagnosis")
    has_otdr = np.isin(np.arange(len(circuits)), numbers.get_indexer(pd.Index(traces["circuit_id"].unique())))
    wavelengths = tests.groupby("circuit")["wavelength_nm"].nunique().reindex(range(len(circuits)), fill_value=0)
    by_circuit = light_by_circuit(weighed, hypotheses, cases, costing)
    diagnosis, evidence, blame, unread = diagnosis_frames(
        weighed, hypotheses, cases, by_circuit, numbers, series.first_day, has_otdr, np.asarray(wavelengths, np.int64)
    )
    replace_result(con, "diagnosis", diagnosis)
    replace_result(con, "diagnosis_evidence", evidence)
    replace_result(con, "face_blame", blame)
    replace_result(con, "unread_circuits", unread)
    replace_health(con, settled(beliefs, by_circuit, blame, hypotheses.names))
    return "; ".join(f"not assessed: no {table}" for table in OPTIONAL if not has_rows(con, table))


def _series(
    con: duckdb.DuckDBPyConnection,
    now: datetime,
    circuits: pd.DataFrame,
    read: NDArray[np.int64],
    ports: pd.DataFrame,
    tests: pd.DataFrame,
) -> tuple[CircuitSeries, NDArray[np.bool_]]:
    """Series of the circuits to read, and for every circuit whether its power is known."""
    everywhere = end_rows(circuits, ports["port_id"].tolist())
    z_read = (everywhere["z_row"] >= 0) & (everywhere["z_shared"] == 1)
    a_read = (everywhere["a_row"] >= 0) & (everywhere["a_shared"] == 1)
    has_power = (z_read | a_read).to_numpy(np.bool_)
    ends = circuits.iloc[read]
    near = ports["port_id"].isin(ends["a_port_id"]) | ports["port_id"].isin(ends["z_port_id"])
    references = ports.loc[ports["reference"], "port_id"]
    far = circuits["a_port_id"].isin(references) | circuits["z_port_id"].isin(references)
    partners = pd.concat([circuits.loc[far, "a_port_id"], circuits.loc[far, "z_port_id"]])
    block = ports[near | ports["reference"] | ports["port_id"].isin(partners)].reset_index(drop=True)
    # loss tests of years ago lie before the axis; it begins with them only where no power is read at all
    first_read = ports["first_at"].min() if len(ports) else tests["at"].min()
    earliest = [] if pd.isna(first_read) else [first_read]
    start = (
        max(min(earliest), pd.Timestamp(now) - pd.Timedelta(days=LONGEST_AXIS_DAYS)) if earliest else pd.Timestamp(now)
    )
    power = daily_power(con, block["port_id"].tolist(), now, start.to_pydatetime())
    days = int((np.datetime64(now, "D") - power.first_day).astype(np.int64)) + 1 if earliest else 0
    tx, rx = (_padded(matrix, days) for matrix in (power.tx_dbm, power.rx_dbm))
    rows = end_rows(circuits, block["port_id"].tolist())
    series = circuit_series(
        rows.iloc[read],
        rows,
        pd.factorize(block["environment"])[0],
        block["reference"].to_numpy(np.bool_),
        tx,
        rx,
        power.first_day,
    )
    return series, has_power


def _padded(matrix: NDArray[np.float32], days: int) -> NDArray[np.float32]:
    """The matrix with exactly that many days, gaps at the end."""
    result = np.full((matrix.shape[0], days), np.nan, np.float32)
    width = min(days, matrix.shape[1])
    result[:, :width] = matrix[:, :width]
    return result


def _days(at: pd.Series, first_day: np.datetime64) -> NDArray[np.float64]:
    """Days since the first day, with the time of day as a fraction."""
    span = at.to_numpy("datetime64[s]") - first_day.astype("datetime64[s]")
    return np.asarray(span / np.timedelta64(86400, "s"), np.float64)


def _on_axis(tests: pd.DataFrame, numbers: pd.Index, series: CircuitSeries, read_at: float) -> pd.DataFrame:
    """Loss tests with the number of their circuit and the day, on the axis of the series, of the reading after them."""
    result = tests.assign(
        circuit=numbers.get_indexer(pd.Index(tests["circuit_id"])),
        day=reading_day(_days(tests["at"], series.first_day), read_at).astype(np.float64),
    )
    known: pd.DataFrame = result[result["circuit"] >= 0].reset_index(drop=True)
    return known


def _tests_that_rose(tests: pd.DataFrame) -> pd.DataFrame:
    """Circuits whose latest test reads clearly more than their first ones: circuit, size_db."""
    drift = loss_test_drift(tests)
    drift = drift[
        (drift["kind"] == "loss_test") & (drift["step_db"] > 0) & (drift["drift_db"] > 0.5 * drift["step_db"])
    ]
    number = tests.drop_duplicates("circuit_id").set_index("circuit_id")["circuit"]
    rose = pd.DataFrame(
        {"circuit": number.reindex(drift["circuit_id"]).to_numpy(), "size_db": drift["step_db"].to_numpy()}
    )
    largest: pd.DataFrame = rose.groupby("circuit", as_index=False).agg(size_db=("size_db", "max"))
    return largest.assign(circuit=largest["circuit"].astype("int64"))


def _costing_share(
    hypotheses: Hypotheses, looks: pd.DataFrame, shifts: LevelShifts, read: NDArray[np.int64], read_at: float
) -> float | None:
    """Share of dirt that costs light, from touches where it was removed; None if too few tell."""
    faces = hypotheses.faces()
    found = found_at_touches(
        looks.assign(
            element=hypotheses.names.get_indexer(pd.Index(looks["connector_id"])),
            day=reading_day(looks["day"].to_numpy(np.float64), read_at),
        ),
        faces,
    )
    touches = pd.DataFrame({"circuit": read[shifts.row], "day": shifts.day, "fall_db": -shifts.at_touch_db})
    touches = touches.groupby(["circuit", "day"], as_index=False)["fall_db"].mean().merge(found, on=["circuit", "day"])
    return costing_share(*(touches[name].to_numpy() for name in ("fall_db", "cleaned", "clean")))


def _levels(
    excess: pd.DataFrame, standing: pd.DataFrame, numbers: pd.Index, series: CircuitSeries, read_at: float
) -> Levels:
    """Absolute loss of every circuit as last measured, tests on the axis of the series."""
    by_circuit = excess.set_index("circuit_id").reindex(numbers)
    tested = (by_circuit["measured_from"] == "loss_test").to_numpy(np.bool_)
    measured_at = _days(by_circuit["measured_at"], series.first_day)
    day = np.full(len(numbers), np.nan)
    day[tested] = reading_day(measured_at[tested], read_at)
    before = standing.set_index("circuit_id").reindex(numbers)
    return Levels(
        by_circuit["excess_db"].to_numpy(np.float64),
        by_circuit["sd_db"].to_numpy(np.float64),
        by_circuit["typical_db"].to_numpy(np.float64),
        (by_circuit["measured_from"] == "power").to_numpy(np.bool_),
        day,
        before["standing_db"].to_numpy(np.float64),
        before["sd_db"].to_numpy(np.float64),
    )
