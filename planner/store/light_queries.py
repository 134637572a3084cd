"""Reading what the light stage needs: path elements with their properties, tests, powers, marks, events."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import duckdb
import pandas as pd

from planner.errors import StoreError
from planner.store.database import fetch
from planner.store.test_cord_queries import SOUND_TEST, SOUND_TRACE

_ELEMENTS = """
WITH ratios AS (
    SELECT splitter_id, coalesce(max(ratio), nullif(max(leg), 0)) AS ratio FROM splitter_legs GROUP BY splitter_id
)
SELECT p.circuit_id, p."position", p.element_kind,
       CASE WHEN p.element_kind = 'connector' THEN p.port_id ELSE p.element_id END AS element_id,
       pt.role, c.family, c.polish, c.grade, cb.fibre_type, p.length_m,
       s.kind AS splice_kind, s.loss_db AS splice_loss_db, r.ratio
FROM circuit_paths p
LEFT JOIN connectors c ON p.element_kind = 'connector' AND c.connector_id = p.connector_id
LEFT JOIN ports pt ON p.element_kind = 'connector' AND pt.port_id = p.port_id
LEFT JOIN cables cb ON p.element_kind = 'cable' AND cb.cable_id = p.element_id
LEFT JOIN splices s ON p.element_kind = 'splice' AND s.splice_id = p.element_id
LEFT JOIN ratios r ON p.element_kind = 'splitter' AND r.splitter_id = p.element_id
WHERE p.element_kind <> 'adapter' {and_circuit}
"""


def path_elements(con: duckdb.DuckDBPyConnection, circuit_id: str | None = None) -> pd.DataFrame:
    """Elements of all traced paths (or of one circuit) with what decides their loss; text as categories.

    Columns as `planner.health.loss_budget.ELEMENT_COLUMNS`.
    """
    sql = _ELEMENTS.format(and_circuit="" if circuit_id is None else "AND p.circuit_id = ?")
    con.complete()  # an earlier fetchone may have left its result open
    table: Any = con.sql(sql, params=[] if circuit_id is None else [circuit_id]).to_arrow_table()
    frame: pd.DataFrame = table.to_pandas(strings_to_categorical=True)
    return frame


def budget_circuits(con: duckdb.DuckDBPyConnection, circuit_id: str | None = None) -> pd.DataFrame:
    """What is asked of each circuit.

    Columns circuit_id, a_port_id, z_port_id, application, wavelength_nm, max_loss_db.
    """
    where = "" if circuit_id is None else "WHERE circuit_id = ?"
    return fetch(
        con,
        f"""
        SELECT circuit_id, a_port_id, z_port_id, application, wavelength_nm, max_loss_db
        FROM circuits {where} ORDER BY circuit_id
        """,
        [] if circuit_id is None else [circuit_id],
    )


def acceptance_and_latest_tests(
    con: duckdb.DuckDBPyConnection, now: datetime, circuit_id: str | None = None
) -> pd.DataFrame:
    """First and latest loss test of each circuit and wavelength that is not doubted, up to `now`.

    Tests of both directions and one reference method within a day of the first (or latest) one are averaged.
    Columns circuit_id, wavelength_nm, as_built_db, as_built_at, measured_db, measured_at, directions,
    reference_cords (of the latest test), as_built_cords (of the first).
    """
    where = "" if circuit_id is None else "AND circuit_id = ?"
    return fetch(
        con,
        f"""
        WITH tests AS (
            SELECT circuit_id, wavelength_nm, "at", coalesce(direction, 'unknown') AS direction, loss_db,
                   reference_cords, test_id
            FROM loss_tests WHERE "at" <= ? {where} AND {SOUND_TEST}
        ),
        span AS (
            SELECT circuit_id, wavelength_nm, min("at") AS first_at, max("at") AS last_at,
                   arg_max_null(reference_cords, ("at", test_id)) AS reference_cords,
                   arg_min_null(reference_cords, ("at", test_id)) AS as_built_cords
            FROM tests GROUP BY ALL
        ),
        firsts AS (
            SELECT circuit_id, wavelength_nm, avg(loss_db) AS loss_db FROM (
                SELECT t.circuit_id, t.wavelength_nm, t.direction, arg_min(t.loss_db, (t."at", t.test_id)) AS loss_db
                FROM tests t JOIN span s USING (circuit_id, wavelength_nm)
                WHERE t."at" <= s.first_at + INTERVAL 1 DAY
                  AND t.reference_cords IS NOT DISTINCT FROM s.as_built_cords
                GROUP BY ALL
            ) GROUP BY ALL
        ),
        lasts AS (
            SELECT circuit_id, wavelength_nm, avg(loss_db) AS loss_db, count(*) AS ways,
                   bool_or(direction = 'both') AS is_both FROM (
                SELECT t.circuit_id, t.wavelength_nm, t.direction, arg_max(t.loss_db, (t."at", t.test_id)) AS loss_db
                FROM tests t JOIN span s USING (circuit_id, wavelength_nm)
                WHERE t."at" >= s.last_at - INTERVAL 1 DAY
                  AND t.reference_cords IS NOT DISTINCT FROM s.reference_cords
                GROUP BY ALL
            ) GROUP BY ALL
        )
        SELECT s.circuit_id, s.wavelength_nm, f.loss_db AS as_built_db, s.first_at AS as_built_at,
               l.loss_db AS measured_db, s.last_at AS measured_at,
               CASE WHEN l.is_both OR l.ways > 1 THEN 2 ELSE 1 END AS directions, s.reference_cords,
               s.as_built_cords
        FROM span s
        JOIN firsts f USING (circuit_id, wavelength_nm)
        JOIN lasts l USING (circuit_id, wavelength_nm)
        ORDER BY s.circuit_id, s.wavelength_nm
        """,
        [now] if circuit_id is None else [now, circuit_id],
    )


POWER_WINDOW_DAYS = 30


def latest_powers(con: duckdb.DuckDBPyConnection, now: datetime, circuit_id: str | None = None) -> pd.DataFrame:
    """Latest power reported at the end ports of each circuit within 30 days before `now`.

    Columns circuit_id, a_tx_dbm, a_rx_dbm, z_tx_dbm, z_rx_dbm, measured_at (the newer end's time).
    """
    where = "" if circuit_id is None else "WHERE circuit_id = ?"
    return fetch(
        con,
        f"""
        WITH wanted AS (SELECT circuit_id, a_port_id, z_port_id FROM circuits {where}),
        latest AS (
            SELECT port_id, max("at") AS read_at, arg_max(tx_dbm, "at") AS tx_dbm, arg_max(rx_dbm, "at") AS rx_dbm
            FROM power_readings
            WHERE "at" <= ? AND "at" > ?::TIMESTAMP - INTERVAL {POWER_WINDOW_DAYS} DAY
              AND port_id IN (SELECT a_port_id FROM wanted UNION ALL SELECT z_port_id FROM wanted)
            GROUP BY port_id
        )
        SELECT w.circuit_id, a.tx_dbm AS a_tx_dbm, a.rx_dbm AS a_rx_dbm, z.tx_dbm AS z_tx_dbm, z.rx_dbm AS z_rx_dbm,
               greatest(a.read_at, z.read_at) AS measured_at
        FROM wanted w
        LEFT JOIN latest a ON a.port_id = w.a_port_id
        LEFT JOIN latest z ON z.port_id = w.z_port_id
        WHERE a.port_id IS NOT NULL OR z.port_id IS NOT NULL
        ORDER BY w.circuit_id
        """,
        ([] if circuit_id is None else [circuit_id]) + [now, now],
    )


def inspected_end_face(con: duckdb.DuckDBPyConnection, inspection_id: str) -> pd.DataFrame:
    """One row about an inspection and its end face, none if there is no such inspection.

    Columns inspection_id, at, connector_id, result, finding, worst_zone, family, polish, fibre_count, mode
    (SM or MM, from the cable's fibre type, else the port's mode; empty if neither is known), port_id.
    """
    return fetch(
        con,
        """
        SELECT i.inspection_id, i."at", i.connector_id, i.result, i.finding, i.worst_zone,
               c.family, c.polish, c.fibre_count, cb.fibre_type,
               coalesce(CASE WHEN cb.fibre_type LIKE 'OM%' THEN 'MM' WHEN cb.fibre_type IS NOT NULL THEN 'SM' END,
                        pf.mode, ps.mode) AS mode,
               coalesce(c.fixed_port_id, st.port_id) AS port_id
        FROM inspections i
        JOIN connectors c USING (connector_id)
        LEFT JOIN cables cb USING (cable_id)
        LEFT JOIN ports pf ON pf.port_id = c.fixed_port_id
        LEFT JOIN connector_state st ON st.connector_id = c.connector_id
        LEFT JOIN ports ps ON ps.port_id = st.port_id
        WHERE i.inspection_id = ?
        """,
        [inspection_id],
    )


def inspected_marks(con: duckdb.DuckDBPyConnection, inspection_id: str) -> pd.DataFrame:
    """The measured marks of one inspection. Columns of `end_face_defects`."""
    return fetch(
        con,
        """
        SELECT inspection_id, fibre, kind, x_um, y_um, width_um, length_um
        FROM end_face_defects WHERE inspection_id = ? ORDER BY fibre, y_um, x_um, width_um
        """,
        [inspection_id],
    )


def circuit_path(con: duckdb.DuckDBPyConnection, circuit_id: str) -> pd.DataFrame:
    """The traced path of one circuit, A first. Columns of `circuit_paths`."""
    return fetch(con, 'SELECT * FROM circuit_paths WHERE circuit_id = ? ORDER BY "position"', [circuit_id])


def not_traced_reason(con: duckdb.DuckDBPyConnection, circuit_id: str) -> str:
    """Why a circuit has no path; empty if it has one or was not looked at."""
    row = con.execute("SELECT reason FROM circuit_status WHERE circuit_id = ? AND NOT traced", [circuit_id]).fetchone()
    return str(row[0]) if row and row[0] else ""


def otdr_events_of(con: duckdb.DuckDBPyConnection, now: datetime, circuit_id: str | None = None) -> pd.DataFrame:
    """Events of the newest trace of each circuit (or of one), direction and wavelength, up to `now`.

    Columns of `otdr_events`, and `is_of_this_path`: whether the end faces on the circuit's path were in their
    ports when the trace was taken. If not, the trace was taken on another path.
    """
    one = "" if circuit_id is None else "AND circuit_id = ?"
    return fetch(
        con,
        f"""
        WITH newest AS (
            SELECT circuit_id, direction, wavelength_nm, arg_max(trace_id, ("at", trace_id)) AS trace_id
            FROM otdr_events WHERE "at" <= ? {one} AND {SOUND_TRACE} GROUP BY ALL
        ),
        faces AS (
            SELECT DISTINCT p.circuit_id, p.connector_id, p.port_id, s.port_id AS started_in
            FROM circuit_paths p LEFT JOIN patching s USING (connector_id)
            WHERE p.element_kind = 'connector' AND p.circuit_id IN (SELECT circuit_id FROM newest)
        ),
        mates AS (
            SELECT f.circuit_id, f.connector_id, f.started_in IS NOT DISTINCT FROM f.port_id AS began_here,
                   max(e."at") FILTER (e.port_id <> f.port_id) AS elsewhere_at
            FROM faces f JOIN mating_events e USING (connector_id)
            WHERE e.action = 'mate' AND e."at" <= ? GROUP BY ALL
        ),
        arrived AS (
            SELECT m.circuit_id, m.connector_id, min(e."at") AS since_at
            FROM mates m
            JOIN faces f USING (circuit_id, connector_id)
            JOIN mating_events e ON e.connector_id = f.connector_id AND e.port_id = f.port_id
            WHERE e.action = 'mate' AND e."at" <= ?
              AND (e."at" > m.elsewhere_at OR m.elsewhere_at IS NULL AND NOT m.began_here)
            GROUP BY ALL
        ),
        changed AS (SELECT circuit_id, max(since_at) AS changed_at FROM arrived GROUP BY ALL)
        SELECT e.* EXCLUDE (_load), c.changed_at IS NULL OR c.changed_at <= e."at" AS is_of_this_path
        FROM otdr_events e
        JOIN newest USING (trace_id)
        LEFT JOIN changed c ON c.circuit_id = e.circuit_id
        ORDER BY e.circuit_id, e.wavelength_nm, e.direction, e.event_no
        """,
        [now, *([] if circuit_id is None else [circuit_id]), now, now],
    )


def paths_with_traces(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """The traced paths of all circuits that have reflectometer traces. Columns of `circuit_paths`."""
    return fetch(
        con,
        """
        SELECT * FROM circuit_paths WHERE circuit_id IN (SELECT circuit_id FROM otdr_events)
        ORDER BY circuit_id, "position"
        """,
    )


def fleet_offsets(con: duckdb.DuckDBPyConnection, circuit_id: str) -> dict[float, float]:
    """Stored `fleet_offset_db` of one circuit by wavelength, where there is one."""
    rows = con.execute(
        """
        SELECT wavelength_nm, fleet_offset_db FROM circuit_budget
        WHERE circuit_id = ? AND fleet_offset_db IS NOT NULL
        """,
        [circuit_id],
    ).fetchall()
    return {float(wavelength): float(offset) for wavelength, offset in rows}


def light_as_of(con: duckdb.DuckDBPyConnection) -> datetime:
    """The moment the stored budgets are for.

    Raises
    ------
    StoreError
        The light step was never run on this database.
    """
    row = con.execute("SELECT as_of_at FROM stage_runs WHERE stage = 'light'").fetchone()
    if row is None:
        raise StoreError("the database holds no loss budgets; run planner analyse first")
    moment: datetime = row[0]
    return moment
