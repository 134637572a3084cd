"""Readings as daily means whatever the parts they are read in, and what makes the series worth computing anew."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest
from unit.filled_store import filled

from planner.store import series_queries
from planner.store.series_queries import daily_power, power_changed_since

START = datetime(2030, 1, 1)


@pytest.fixture
def con(tmp_path: Path) -> duckdb.DuckDBPyConnection:
    """Three ports that report twice a day for 40 days, with gaps; one order that was closed on day 35."""
    rng = np.random.default_rng(1)
    rows = [
        (f"P{port}", START + timedelta(days=day, hours=hour), rng.normal(-3, 0.1), rng.normal(-12, 0.1))
        for day in range(40)
        for port in range(3)
        for hour in (3, 15)
        if rng.random() < 0.8
    ]
    readings = pd.DataFrame(rows, columns=["port_id", "at", "tx_dbm", "rx_dbm"])
    readings.loc[::7, "rx_dbm"] = np.nan
    order = {"work_order_id": ["W1"], "opened_at": [START], "closed_at": [START + timedelta(days=35)]}
    con = filled(tmp_path / "fleet.duckdb", {"power_readings": readings, "work_orders": pd.DataFrame(order)})
    for table in ("power_readings", "work_orders"):
        con.execute(f"UPDATE {table} SET _load = 1")
    return con


@pytest.mark.parametrize("cells", [1, 6, 50, 10_000])
def test_daily_means_do_not_depend_on_the_parts(
    con: duckdb.DuckDBPyConnection, monkeypatch: pytest.MonkeyPatch, cells: int
) -> None:
    """Read in parts of any number of days, each day of each port is the mean of its readings up to now."""
    monkeypatch.setattr(series_queries, "CELLS_AT_ONCE", cells)
    now = START + timedelta(days=30, hours=12)
    power = daily_power(con, ["P2", "P0"], now)
    rows = con.execute('SELECT * FROM power_readings WHERE "at" <= ?', [now]).df()
    rows["day"] = (rows["at"] - pd.Timestamp(START)).dt.days
    for column, matrix in (("tx_dbm", power.tx_dbm), ("rx_dbm", power.rx_dbm)):
        wanted = rows.astype({column: np.float32}).pivot_table(column, "port_id", "day").loc[["P2", "P0"]]
        assert power.first_day == np.datetime64(START, "D") and matrix.shape[1] in (30, 31)
        assert matrix == pytest.approx(wanted.reindex(columns=range(matrix.shape[1])).to_numpy(), nan_ok=True, abs=1e-5)


def test_series_are_kept_only_where_nothing_they_rest_on_changed(con: duckdb.DuckDBPyConnection) -> None:
    """A later moment without readings keeps them; newer rows, readings or orders of another moment do not."""
    last = START + timedelta(days=39, hours=15)
    assert not power_changed_since(con, 1, last, last + timedelta(days=1))
    assert power_changed_since(con, 0, last, last)  # everything was loaded since
    assert power_changed_since(con, 1, last, last - timedelta(days=1))  # the last readings do not count then
    con.execute("DELETE FROM power_readings")
    assert power_changed_since(con, 1, START + timedelta(days=34), START + timedelta(days=36))  # an order was closed
    assert not power_changed_since(con, 1, START + timedelta(days=36), last)
    con.execute("INSERT INTO circuits (circuit_id, _load) VALUES ('C1', 2)")
    assert power_changed_since(con, 1, last, last)
