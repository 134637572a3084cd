"""Readings as series: which ports and circuits have them, and their values by day or by test.

In: the database and the moment up to which the history counts. Out: frames and arrays for
`planner.health.drift` and `planner.health.diagnosis`.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import NamedTuple

import duckdb
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.store.database import fetch
from planner.store.test_cord_queries import SOUND_TEST

# Rows in these change which circuit a series belongs to, what it reads and where its baseline begins.
PLANT_TABLES = ("sites", "housings", "ports", "circuits")
POWER_TABLES = ("power_readings", "work_orders")

REFERENCE_PORTS = 500  # per environment
CELLS_AT_ONCE = 5_000_000  # ports x days whose raw readings are in memory together


class DailyPower(NamedTuple):
    """Mean power by port and day. Matrices have one row per wanted port, one column per day."""

    first_day: np.datetime64
    tx_dbm: NDArray[np.float32]
    rx_dbm: NDArray[np.float32]


def power_changed_since(con: duckdb.DuckDBPyConnection, load_id: int, as_of: datetime, now: datetime) -> bool:
    """Whether anything that power series rest on is other than it was at the moment `as_of` after that load.

    That is: a load after it brought or corrected readings, orders or plant, or readings or orders of another
    moment count now.
    """
    loaded = [f"SELECT 1 FROM {table} WHERE _load > $load_id" for table in (*PLANT_TABLES, *POWER_TABLES)]
    times = (("power_readings", "at"), ("work_orders", "opened_at"), ("work_orders", "closed_at"))
    moved = [f'SELECT 1 FROM {table} WHERE "{column}" > $low AND "{column}" <= $high' for table, column in times]
    low, high = min(as_of, now), max(as_of, now)
    found = con.execute(
        f"SELECT 1 FROM ({' UNION ALL '.join(loaded + moved)}) LIMIT 1", {"load_id": load_id, "low": low, "high": high}
    ).fetchone()
    return found is not None


def power_ports(con: duckdb.DuckDBPyConnection, now: datetime) -> pd.DataFrame:
    """Ports that report power, with the span of their readings, ordered by site.

    Columns port_id, site_id, environment, readings, first_at, last_at, and `reference`: whether the
    port is among the first of its environment, whose common course is the season's.
    """
    ports = fetch(
        con,
        """
        WITH reported AS (
            SELECT port_id, count(*) AS readings, min("at") AS first_at, max("at") AS last_at
            FROM power_readings WHERE "at" <= ? GROUP BY port_id
        )
        SELECT r.port_id, coalesce(h.site_id, '') AS site_id, coalesce(s.environment, '') AS environment,
               r.readings, r.first_at, r.last_at
        FROM reported r
        LEFT JOIN ports p USING (port_id)
        LEFT JOIN housings h ON h.housing_id = p.housing_id
        LEFT JOIN sites s ON s.site_id = h.site_id
        ORDER BY site_id, r.port_id
        """,
        [now],
    )
    return ports.assign(reference=ports.groupby("environment").cumcount() < REFERENCE_PORTS)


def circuit_ends(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Every circuit with its end ports. Columns circuit_id, a_port_id, z_port_id, fibre, wavelength_nm,
    application; ordered by circuit."""
    return fetch(
        con,
        """
        SELECT circuit_id, a_port_id, z_port_id, fibre, wavelength_nm, coalesce(application, '') AS application
        FROM circuits ORDER BY circuit_id
        """,
    )


def transceiver_resets(con: duckdb.DuckDBPyConnection, now: datetime) -> pd.DataFrame:
    """Newest recorded transceiver replacement per circuit. Columns circuit_id, reset_at."""
    return fetch(
        con,
        """
        SELECT circuit_id, max(coalesce(closed_at, opened_at)) AS reset_at
        FROM work_orders
        WHERE action_taken = 'replaced_transceiver' AND circuit_id IS NOT NULL
          AND coalesce(closed_at, opened_at) <= ?
        GROUP BY circuit_id ORDER BY circuit_id
        """,
        [now],
    )


def daily_power(
    con: duckdb.DuckDBPyConnection, port_ids: list[str], now: datetime, first_at: datetime | None = None
) -> DailyPower:
    """Daily means of what the named ports report, up to `now`.

    Parameters
    ----------
    port_ids
        Ports wanted, in the order of the matrix rows.
    first_at
        Day of the first column; by default the first reading of these ports, or `now` without any.

    Returns
    -------
    Matrices of shape (ports, days), NaN where nothing was reported; zero columns without readings.
    """
    wanted = pd.DataFrame({"port_id": port_ids, "row": np.arange(len(port_ids), dtype=np.int32)})
    con.register("_wanted_ports", wanted)
    try:
        span = con.execute(
            """
            SELECT min("at")::DATE, max("at")::DATE FROM power_readings
            JOIN _wanted_ports USING (port_id) WHERE "at" <= ?
            """,
            [now],
        ).fetchall()[0]
        empty = np.full((len(port_ids), 0), np.nan, np.float32)
        if span[0] is None:
            return DailyPower(np.datetime64((first_at or now).date(), "D"), empty, empty)
        start = first_at.date() if first_at else span[0]
        days = (span[1] - start).days + 1
        tx, rx = (np.full((len(port_ids), max(days, 0)), np.nan, np.float32) for _ in range(2))
        days_at_once = max(CELLS_AT_ONCE // max(len(port_ids), 1), 1)
        for low in range(0, days, days_at_once):
            high = min(low + days_at_once, days)
            columns = con.execute(
                """
                SELECT w."row", date_diff('day', $low::DATE, "at"::DATE)::INT AS day,
                       tx_dbm::FLOAT AS tx, rx_dbm::FLOAT AS rx
                FROM power_readings JOIN _wanted_ports w USING (port_id)
                WHERE "at" <= $now AND "at" >= $low::DATE AND "at" < $high::DATE
                """,
                {"low": start + timedelta(days=low), "high": start + timedelta(days=high), "now": now},
            ).fetchnumpy()
            cell = np.asarray(columns["row"], np.int64) * (high - low) + np.asarray(columns["day"], np.int64)
            for matrix, name in ((tx, "tx"), (rx, "rx")):
                matrix[:, low:high] = _daily_means(cell, columns[name], (len(port_ids), high - low))
    finally:
        con.unregister("_wanted_ports")
    return DailyPower(np.datetime64(start, "D"), tx, rx)


def _daily_means(cell: NDArray[np.int64], values: object, shape: tuple[int, int]) -> NDArray[np.float32]:
    """Means of the known values by cell of a matrix, NaN where there is none."""
    data = np.ma.asarray(values, dtype=np.float32)
    known = ~np.ma.getmaskarray(data) & ~np.isnan(data.data)
    if not known.any():
        return np.full(shape, np.nan, np.float32)
    where = cell if known.all() else cell[known]
    kept = data.data if known.all() else data.data[known]
    size = shape[0] * shape[1]
    count = np.bincount(where, minlength=size)
    total = np.bincount(where, weights=kept, minlength=size)
    with np.errstate(invalid="ignore"):
        mean = (total / count).astype(np.float32)
    return mean.reshape(shape)


def loss_test_series(con: duckdb.DuckDBPyConnection, now: datetime) -> pd.DataFrame:
    """Every loss test up to `now` that is not doubted, ordered by series and time.

    Columns circuit_id, direction, wavelength_nm, at, loss_db, orl_db, reference_cords, test_set_id.
    """
    return fetch(
        con,
        f"""
        SELECT circuit_id, direction, wavelength_nm, "at", loss_db, orl_db, reference_cords, test_set_id
        FROM loss_tests WHERE "at" <= ? AND {SOUND_TEST}
        ORDER BY circuit_id, direction, wavelength_nm, "at", test_id
        """,
        [now],
    )


def kept_power(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """The rows of `series_drift` of all power series."""
    return fetch(con, "SELECT * FROM series_drift WHERE kind IN ('rx_power', 'tx_power')")


def first_levels(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Loss of each read direction by power, at first and now, beside an older acceptance test.

    Columns circuit_id, direction, wavelength_nm, tested_nm, reference_cords, built_db, colour_db, first_db,
    latest_db, noise_db; ordered by circuit and direction. `built_db` is the first test (mean of its directions)
    at the wavelength nearest to the one read, `colour_db` what the tests lost more at their shortest wavelength
    than at their longest (empty if at one only). Only tests from before the circuit's readings count.
    """
    return fetch(
        con,
        f"""
        WITH path AS (
            SELECT c.circuit_id, r.direction, c.wavelength_nm, r.first_at,
                   t.baseline - r.baseline AS first_db, t.latest - r.latest AS latest_db, r.noise_db
            FROM series_drift r
            JOIN circuits c USING (circuit_id)
            JOIN series_drift t ON t.series_id = 'tx_power|' ||
                 CASE WHEN r.port_id = c.z_port_id THEN c.a_port_id ELSE c.z_port_id END
            WHERE r.kind = 'rx_power' AND r.baseline IS NOT NULL AND t.baseline IS NOT NULL
        ),
        begun AS (SELECT circuit_id, min(first_at) AS first_at FROM path GROUP BY circuit_id),
        first_tests AS (
            SELECT circuit_id, wavelength_nm, "at", test_id, reference_cords, loss_db
            FROM loss_tests JOIN begun USING (circuit_id)
            WHERE loss_db IS NOT NULL AND "at" <= first_at AND {SOUND_TEST}
            QUALIFY row_number() OVER (PARTITION BY circuit_id, wavelength_nm, direction ORDER BY "at", test_id) = 1
        ),
        tested AS (
            SELECT circuit_id, wavelength_nm AS tested_nm, arg_min(reference_cords, ("at", test_id)) AS reference_cords,
                   avg(loss_db) AS built_db
            FROM first_tests GROUP BY circuit_id, wavelength_nm
        ),
        coloured AS (
            SELECT *, CASE WHEN count(*) OVER by_wavelength > 1
                      THEN first_value(built_db) OVER by_wavelength - last_value(built_db) OVER by_wavelength
                      END AS colour_db
            FROM tested
            WINDOW by_wavelength AS (
                PARTITION BY circuit_id ORDER BY tested_nm ROWS BETWEEN UNBOUNDED PRECEDING AND UNBOUNDED FOLLOWING)
        )
        SELECT circuit_id, direction, wavelength_nm, tested_nm, reference_cords, built_db, colour_db, first_db,
               latest_db, noise_db
        FROM path JOIN coloured USING (circuit_id)
        QUALIFY row_number() OVER (PARTITION BY circuit_id, direction
                                   ORDER BY abs(tested_nm - wavelength_nm), tested_nm) = 1
        ORDER BY circuit_id, direction
        """,
    )
