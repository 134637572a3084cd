"""From what happened to what was written down: logs become table blocks, spoilt as real records are.

Every spoiling is drawn from a generator of its own, so that one trouble more does not change another. Rows
of one job keep their order: demate, look, clean, look again, mate, even where the times are equal.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from planner.synthetic.writing import choice, flag, ids, moments, number, whole
from planner.tables.intake_tables import (
    ACTIONS_TAKEN,
    CAUSES_FOUND,
    CLEANING_METHODS,
    FINDINGS,
)

Rows = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

ZONES = ("A", "B", "C", "D")
STAGES = ("routine", "before_cleaning", "after_cleaning", "incoming")
REASONS = ("alarm", "complaint", "routine", "install", "change")


@dataclass(frozen=True)
class Spoiling:
    """How records are spoilt: shares of rows or jobs, and minutes."""

    missing_rows: float
    missing_jobs: float
    late_jobs: float
    late_hours: float
    same_minute_jobs: float
    shuffled_jobs: float
    clock_share: float
    seed: int

    def lot(self, salt: int, numbers: npt.NDArray[Any]) -> Rows:
        """A fixed number in [0, 1) for each job number: the same job draws the same lot in every table."""
        x = np.asarray(numbers).astype(np.int64).astype(np.uint64)
        x = x * np.uint64(0x9E3779B97F4A7C15) + np.uint64((self.seed * 1000003 + salt * 7919) & 0xFFFFFFFFFFFF)
        x ^= x >> np.uint64(30)
        x *= np.uint64(0xBF58476D1CE4E5B9)
        x ^= x >> np.uint64(27)
        x *= np.uint64(0x94D049BB133111EB)
        x ^= x >> np.uint64(31)
        return (x >> np.uint64(11)).astype(np.float64) / float(1 << 53)


def recorded_minutes(minutes: Rows, order: Rows, tech: Rows, clock_min: Rows, how: Spoiling) -> Rows:
    """The time written down: the technician's clock, late entry of whole jobs, one time for a whole job."""
    at = minutes.copy()
    known = tech >= 0
    off = np.where(known, clock_min[np.where(known, tech, 0).astype(np.int64)], 0.0)
    wrong = how.lot(1, np.where(known, tech, 0)) < how.clock_share
    at += np.where(wrong, off, 0.0)
    with_order = order >= 0
    lot = how.lot(2, order)
    same = with_order & (how.lot(3, order) < how.same_minute_jobs)
    # one time for the whole job: the start of the hour it was on
    at = np.where(same, np.floor(at / 240.0) * 240.0 + 180.0, at)
    late = with_order & (lot < how.late_jobs)
    delay = (how.lot(4, order) - 0.15) * how.late_hours * 60.0 * 2.0
    return np.where(late, at + delay, at)


def kept_rows(order: Rows, how: Spoiling, rng: np.random.Generator) -> npt.NDArray[np.bool_]:
    """Which rows were written down at all."""
    rows = rng.random(order.shape[0]) >= how.missing_rows
    return rows & ~((order >= 0) & (how.lot(5, order) < how.missing_jobs))


def shuffled(order: Rows, how: Spoiling, rng: np.random.Generator) -> IntArray:
    """Row order in the file: jobs whose order was lost are shuffled within the block."""
    n = order.shape[0]
    key = np.arange(n, dtype=np.float64)
    lost = (order >= 0) & (how.lot(6, order) < how.shuffled_jobs)
    key[lost] += rng.uniform(-15, 15, int(lost.sum()))
    return np.argsort(key, kind="stable")


def mating_block(
    rows: Rows, first: int, start: np.datetime64, clock: Rows, how: Spoiling, rng: np.random.Generator
) -> dict[str, pa.Array]:
    """A block of mating_events."""
    rows = rows[kept_rows(rows[:, 8], how, rng)]
    rows = rows[shuffled(rows[:, 8], how, rng)]
    at = recorded_minutes(rows[:, 0], rows[:, 8], rows[:, 7], clock, how)
    mate = rows[:, 4] > 0
    return {
        "event_id": ids("event", first + np.arange(rows.shape[0]), 8),
        "at": moments(start, at),
        "port_id": ids("port", rows[:, 1]),
        "face": choice(("front", "rear"), rows[:, 2]),
        "connector_id": ids("connector", rows[:, 3]),
        "action": choice(("demate", "mate"), mate),
        "inspected_first": flag(rows[:, 5]),
        "cleaned_first": flag(rows[:, 6]),
        "technician_id": ids("technician", rows[:, 7], 5),
        "work_order_id": ids("order", rows[:, 8]),
    }


def true_mating_block(rows: Rows, start: np.datetime64) -> dict[str, pa.Array]:
    """The matings as they were, for the truth folder."""
    return {
        "at": moments(start, rows[:, 0]),
        "port_id": ids("port", rows[:, 1]),
        "connector_id": ids("connector", rows[:, 3]),
        "action": choice(("demate", "mate"), rows[:, 4] > 0),
        "work_order_id": ids("order", rows[:, 8]),
    }


def inspection_blocks(
    rows: Rows, start: np.datetime64, clock: Rows, how: Spoiling, rng: np.random.Generator, test_housings: IntArray
) -> tuple[dict[str, pa.Array], dict[str, pa.Array], npt.NDArray[np.float64]]:
    """A block of inspections, the true state at each, and the numbers of the looks that were recorded."""
    rows = rows[kept_rows(rows[:, 8], how, rng)]
    rows = rows[shuffled(rows[:, 8], how, rng)]
    at = recorded_minutes(rows[:, 0], rows[:, 8], rows[:, 6], clock, how)
    name = ids("inspection", rows[:, 11], 8)
    fails = rows[:, 2] > 0
    unsaid = rng.random(rows.shape[0]) < 0.03
    table = {
        "inspection_id": name,
        "at": moments(start, at),
        "connector_id": ids("connector", rows[:, 1]),
        "result": choice(("pass", "fail"), fails),
        "finding": choice(FINDINGS, np.where(unsaid, -1, rows[:, 3])),
        "worst_zone": choice(ZONES, np.where(fails & ~unsaid, rows[:, 4], -1)),
        "stage": choice(STAGES, np.where(rng.random(rows.shape[0]) < 0.02, -1, rows[:, 5])),
        "image_file": pa.nulls(rows.shape[0], pa.string()),
        "technician_id": ids("technician", rows[:, 6], 5),
        "test_set_id": ids("housing", test_housings[rows[:, 7].astype(np.int64)]),
        "work_order_id": ids("order", rows[:, 8]),
    }
    truth = {
        "inspection_id": name,
        "true_at": moments(start, rows[:, 0]),
        "connector_id": table["connector_id"],
        "contaminated": flag(rows[:, 9]),
        "damaged": flag(rows[:, 10]),
    }
    return table, truth, rows[:, 11]


def defect_block(rows: Rows, recorded: Rows) -> dict[str, pa.Array]:
    """A block of end_face_defects, for looks that were recorded."""
    rows = rows[np.isin(rows[:, 0], recorded)]
    return {
        "inspection_id": ids("inspection", rows[:, 0], 8),
        "fibre": whole(rows[:, 1]),
        "kind": choice(("scratch", "defect"), rows[:, 2]),
        "x_um": number(rows[:, 3], 1),
        "y_um": number(rows[:, 4], 1),
        "width_um": number(rows[:, 5], 1),
        "length_um": number(rows[:, 6], 1, 0.0),
    }


def cleaning_block(
    rows: Rows, first: int, start: np.datetime64, clock: Rows, how: Spoiling, rng: np.random.Generator
) -> dict[str, pa.Array]:
    """A block of cleanings."""
    rows = rows[kept_rows(rows[:, 4], how, rng)]
    rows = rows[shuffled(rows[:, 4], how, rng)]
    at = recorded_minutes(rows[:, 0], rows[:, 4], rows[:, 3], clock, how)
    return {
        "cleaning_id": ids("cleaning", first + np.arange(rows.shape[0]), 8),
        "at": moments(start, at),
        "connector_id": ids("connector", rows[:, 1]),
        "method": choice(CLEANING_METHODS, rows[:, 2]),
        "technician_id": ids("technician", rows[:, 3], 5),
        "work_order_id": ids("order", rows[:, 4]),
    }


def test_block(
    rows: Rows, first: int, start: np.datetime64, clock: Rows, how: Spoiling, test_housings: IntArray
) -> dict[str, pa.Array]:
    """A block of loss_tests."""
    nobody = np.full(rows.shape[0], -1.0)
    at = recorded_minutes(rows[:, 0], nobody, rows[:, 7], clock, how)
    return {
        "test_id": ids("test", first + np.arange(rows.shape[0]), 8),
        "at": moments(start, at),
        "circuit_id": ids("circuit", rows[:, 1]),
        "wavelength_nm": number(rows[:, 2], 0),
        "direction": choice(("a_to_z", "z_to_a", "both"), rows[:, 3]),
        "loss_db": number(rows[:, 4], 2),
        "orl_db": number(rows[:, 5], 1, 0.0),
        "reference_cords": whole(rows[:, 6]),
        "technician_id": ids("technician", rows[:, 7], 5),
        "test_set_id": ids("housing", np.where(rows[:, 8] >= 0, test_housings[rows[:, 8].astype(np.int64)], -1)),
    }


def otdr_block(rows: Rows, distance_m: Rows, start: np.datetime64) -> dict[str, pa.Array]:
    """A block of otdr_events: events of each trace in order of distance, merged where too close to separate.

    `distance_m` is the optical distance of each row. Events less than 4 m apart read as one: losses add up,
    the strongest reflection shows.
    """
    order = np.lexsort((distance_m, rows[:, 0]))
    rows, distance = rows[order], distance_m[order]
    n = rows.shape[0]
    apart = np.ones(n, dtype=bool)
    apart[1:] = (rows[1:, 0] != rows[:-1, 0]) | (np.diff(distance) >= 4.0)
    starts = np.nonzero(apart)[0]
    loss = np.add.reduceat(rows[:, 6], starts) if n else rows[:, 6]
    reflectance = np.maximum.reduceat(rows[:, 7], starts) if n else rows[:, 7]
    last = np.maximum.reduceat(np.where(rows[:, 8] == 2, 2.0, 0.0), starts) if n else rows[:, 8]
    kind = np.where(last == 2, 2, np.where(reflectance > -1e8, 0, 1))
    head = rows[starts]
    new_trace = np.ones(starts.shape[0], dtype=bool)
    new_trace[1:] = head[1:, 0] != head[:-1, 0]
    base = np.maximum.accumulate(np.where(new_trace, np.arange(starts.shape[0]), 0))
    return {
        "trace_id": ids("trace", head[:, 0]),
        "event_no": whole(np.arange(starts.shape[0]) - base + 1),
        "at": moments(start, head[:, 1]),
        "circuit_id": ids("circuit", head[:, 2]),
        "direction": choice(("a_to_z", "z_to_a"), head[:, 3]),
        "wavelength_nm": number(head[:, 4], 0),
        "distance_m": number(np.round(distance[starts] * 2) / 2, 1),
        "loss_db": number(np.where(kind == 2, -1e9, np.clip(loss, -5, 30)), 2),
        "reflectance_db": number(reflectance, 1),
        "kind": choice(("reflective", "non_reflective", "end_of_fibre"), kind),
    }


def order_block(rows: Rows, start: np.datetime64, how: Spoiling, rng: np.random.Generator) -> dict[str, pa.Array]:
    """A block of work_orders."""
    opened = rows[:, 0]
    closed = np.where(rng.random(rows.shape[0]) < 0.015, -1e9, np.maximum(rows[:, 1], opened + 1.0))
    closed = np.where(closed > 0, closed + rng.exponential(200.0, rows.shape[0]), closed)
    named = rng.random(rows.shape[0]) < 0.55
    return {
        "work_order_id": ids("order", rows[:, 12]),
        "opened_at": moments(start, opened),
        "closed_at": moments(start, closed, closed < -1e8),
        "site_id": ids("site", rows[:, 2], 6),
        "circuit_id": ids("circuit", rows[:, 3]),
        "connector_id": ids("connector", np.where(named | (rows[:, 7] == 2), rows[:, 4], -1)),
        "reason": choice(REASONS, rows[:, 5]),
        "cause_found": choice(CAUSES_FOUND, rows[:, 6]),
        "action_taken": choice(ACTIONS_TAKEN, rows[:, 7]),
        "crew_id": ids("crew", rows[:, 8], 4),
        "cost": number(rows[:, 9], 0, 0.0),
    }
