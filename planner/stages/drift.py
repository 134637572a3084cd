"""Step 3 of the analysis: how every series of readings changed against its own baseline.

In: power readings, loss tests, the circuits' end ports. Out: `series_drift`. The series of a port are judged
beside its far end's and the common course of their environment, so one new reading can move them all: they are
computed together, or all kept when no reading came in, no transceiver was replaced and no plant changed.
"""

from __future__ import annotations

from datetime import datetime

import duckdb
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.health.drift import loss_test_drift, power_drift, stacked
from planner.progress import Progress, part_of
from planner.store.database import replace_result
from planner.store.series_queries import (
    circuit_ends,
    daily_power,
    kept_power,
    loss_test_series,
    power_changed_since,
    power_ports,
    transceiver_resets,
)
from planner.store.stage_ledger import seen_load
from planner.store.test_cord_queries import find_doubtful
from planner.tables.result_tables import SERIES_DRIFT

PORTS_AT_ONCE = 40_000


def run(con: duckdb.DuckDBPyConnection, now: datetime, progress: Progress) -> str:
    """Bring `series_drift` up to date."""
    progress(0.05, "reading the series")
    left_out = find_doubtful(con, now)
    ports = power_ports(con, now)
    tests = loss_test_series(con, now)
    seen, as_of = seen_load(con, "drift")
    if as_of is not None and not power_changed_since(con, seen, as_of, now):
        power = kept_power(con)
    else:
        power = _power_rows(con, now, ports, part_of(progress, 0.1, 0.85))
    progress(0.9, "drift of loss tests")
    replace_result(con, "series_drift", stacked([power, loss_test_drift(tests)]))
    missing = [name for name, rows in (("power_readings", ports), ("loss_tests", tests)) if rows.empty]
    return "; ".join([*(f"not assessed: no {table}" for table in missing), *([left_out] if left_out else [])])


def _power_rows(con: duckdb.DuckDBPyConnection, now: datetime, ports: pd.DataFrame, progress: Progress) -> pd.DataFrame:
    """Drift of the power series."""
    if ports.empty:
        return pd.DataFrame(columns=list(SERIES_DRIFT.column_names))
    ends, resets = circuit_ends(con), transceiver_resets(con, now)
    parts = []
    for start in range(0, len(ports), PORTS_AT_ONCE):
        chosen = np.arange(start, min(start + PORTS_AT_ONCE, len(ports)))
        progress(start / len(ports), f"drift of {len(chosen)} ports")
        block = _with_far_ends(ports, ends, chosen)
        power = daily_power(con, block["port_id"].tolist(), now)
        rows = power_drift(block, ends, resets, power.tx_dbm, power.rx_dbm, power.first_day)
        parts.append(rows[rows["port_id"].isin(block.loc[block["wanted"], "port_id"])])
    return stacked(parts)


def _with_far_ends(ports: pd.DataFrame, ends: pd.DataFrame, chosen: NDArray[np.integer]) -> pd.DataFrame:
    """The chosen ports and, unwanted but needed, the far ends of their circuits and the reference ports."""
    wanted = np.zeros(len(ports), np.bool_)
    wanted[chosen] = True
    names = pd.Index(ports.loc[wanted, "port_id"])
    far = pd.concat(
        [
            ends.loc[ends["a_port_id"].isin(names), "z_port_id"],
            ends.loc[ends["z_port_id"].isin(names), "a_port_id"],
        ]
    )
    use = wanted | ports["port_id"].isin(far).to_numpy() | ports["reference"].to_numpy()
    needed: pd.DataFrame = ports.assign(wanted=wanted)[use].reset_index(drop=True)
    return needed
