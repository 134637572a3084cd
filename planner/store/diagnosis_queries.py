"""What circuit diagnosis reads besides the power series: paths, touches, tests, traces, beliefs, orders.

In: the database and the moment up to which the history counts. Out: frames for `planner.health.diagnosis`.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime

import duckdb
import numpy as np
import pandas as pd

from planner.store.database import fetch
from planner.store.test_cord_queries import SOUND_TRACE


@contextmanager
def _named(con: duckdb.DuckDBPyConnection, name: str, column: str, values: list[str]) -> Iterator[None]:
    con.register(name, pd.DataFrame({column: pd.Series(values, dtype="object")}))
    try:
        yield
    finally:
        con.unregister(name)


def path_elements(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Every connector, cable and splice on a traced path, in order.

    Columns circuit_id, position, element_kind, element_id, port_id, length_m, cable_kind, fibre_count (of
    the connector or cable), polish.
    """
    return fetch(
        con,
        """
        SELECT p.circuit_id, p.position, p.element_kind, p.element_id, p.port_id, p.length_m,
               ca.kind AS cable_kind, coalesce(co.fibre_count, ca.fibre_count, 1) AS fibre_count,
               co.polish
        FROM circuit_paths p
        LEFT JOIN connectors co ON p.element_kind = 'connector' AND co.connector_id = p.element_id
        LEFT JOIN cables ca ON p.element_kind = 'cable' AND ca.cable_id = p.element_id
        WHERE p.element_kind IN ('connector', 'cable', 'splice')
        ORDER BY p.circuit_id, p.position
        """,
    )


def untraced_circuits(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Circuits without a complete path. Columns circuit_id, reason."""
    return fetch(con, "SELECT circuit_id, reason FROM circuit_status WHERE NOT traced ORDER BY circuit_id")


def moved_circuits(con: duckdb.DuckDBPyConnection) -> list[str]:
    """Circuits with a series that changed; of a port that carries several circuits, all of them."""
    frame = fetch(
        con,
        """
        WITH moved AS (
            SELECT circuit_id, port_id FROM series_drift
            WHERE (step_db IS NOT NULL OR shape = 'drift') AND kind <> 'orl'
        )
        SELECT DISTINCT circuit_id FROM (
            SELECT circuit_id FROM moved WHERE circuit_id IS NOT NULL
            UNION ALL
            SELECT c.circuit_id FROM moved m JOIN circuits c ON m.port_id = c.a_port_id
            UNION ALL
            SELECT c.circuit_id FROM moved m JOIN circuits c ON m.port_id = c.z_port_id
        ) ORDER BY circuit_id
        """,
    )
    return frame["circuit_id"].tolist()


def reading_time_of_day(con: duckdb.DuckDBPyConnection) -> float:
    """Usual time of the daily reading, as a share of the day (median of the newest 20,000); 0 without any."""
    rows = con.execute(
        """
        SELECT median(epoch("at"::TIME) / 86400.0)
        FROM (SELECT "at" FROM power_readings ORDER BY "at" DESC LIMIT 20000)
        """
    ).fetchall()
    return float(rows[0][0]) if rows[0][0] is not None else 0.0


def joint_touches(
    con: duckdb.DuckDBPyConnection, now: datetime, since: np.datetime64, circuit_ids: list[str]
) -> pd.DataFrame:
    """When joints on the paths of these circuits were opened or closed. Columns port_id, at (one per day), share.

    A cleaning or an inspection of an end face opens its joint too, and so does a closed order that names one. A
    loss test or a closed order on a circuit since the day `since` tells that one of its joints was opened; where
    no record of that day says which, each has its `share` of that touch, else 1.
    """
    with _named(con, "_wanted_circuits", "circuit_id", circuit_ids):
        return fetch(
            con,
            """
            WITH places AS (
                SELECT DISTINCT p.circuit_id, p.port_id, p.connector_id
                FROM circuit_paths p JOIN _wanted_circuits USING (circuit_id)
                WHERE p.connector_id IS NOT NULL AND p.port_id IS NOT NULL
            ),
            faces AS (SELECT DISTINCT port_id, connector_id FROM places),
            recorded AS (
                SELECT e.port_id, e."at" FROM mating_events e
                WHERE e."at" <= $now AND e.port_id IN (SELECT port_id FROM places)
                UNION ALL
                SELECT p.port_id, c."at" FROM cleanings c JOIN faces p USING (connector_id) WHERE c."at" <= $now
                UNION ALL
                SELECT p.port_id, i."at" FROM inspections i JOIN faces p USING (connector_id)
                WHERE i."at" <= $now AND i.stage IS DISTINCT FROM 'incoming'
                UNION ALL
                SELECT p.port_id, coalesce(w.closed_at, w.opened_at)
                FROM work_orders w JOIN faces p USING (connector_id)
                WHERE w.action_taken IS NOT NULL AND coalesce(w.closed_at, w.opened_at) <= $now
            ),
            touched AS (SELECT port_id, "at"::DATE AS day, max("at") AS "at" FROM recorded GROUP BY ALL),
            joints AS (SELECT DISTINCT circuit_id, port_id FROM places),
            visited AS (
                SELECT circuit_id, "at" FROM loss_tests WHERE "at" <= $now
                UNION ALL
                SELECT circuit_id, coalesce(closed_at, opened_at) FROM work_orders
                WHERE action_taken IS NOT NULL AND coalesce(closed_at, opened_at) <= $now
            ),
            visits AS (
                SELECT circuit_id, "at"::DATE AS day, max("at") AS "at"
                FROM visited JOIN _wanted_circuits USING (circuit_id)
                WHERE "at" >= $since
                GROUP BY ALL
            ),
            told AS (SELECT DISTINCT circuit_id, day FROM touched JOIN joints USING (port_id)),
            somewhere AS (
                SELECT j.port_id, v.day, v."at", 1.0 / count(*) OVER (PARTITION BY v.circuit_id, v.day) AS share
                FROM visits v JOIN joints j USING (circuit_id)
                WHERE NOT EXISTS (FROM told t WHERE t.circuit_id = v.circuit_id AND t.day = v.day)
            )
            SELECT port_id, "at", 1.0 AS share FROM touched
            UNION ALL
            SELECT port_id, max("at"), max(share) FROM somewhere ANTI JOIN touched USING (port_id, day)
            GROUP BY port_id, day
            ORDER BY port_id, "at"
            """,
            {"now": now, "since": since.astype("datetime64[us]").astype(datetime)},
        )


def touch_counts(con: duckdb.DuckDBPyConnection, now: datetime) -> pd.DataFrame:
    """Days on which each port was mated. Columns port_id, touches."""
    return fetch(
        con,
        """
        SELECT port_id, count(DISTINCT "at"::DATE) AS touches FROM mating_events
        WHERE "at" <= ? GROUP BY port_id ORDER BY port_id
        """,
        [now],
    )


def face_looks(con: duckdb.DuckDBPyConnection, now: datetime, circuit_ids: list[str]) -> pd.DataFrame:
    """Cleanings and inspections of the end faces on these paths, in order.

    Columns connector_id, at, what (cleaning or inspection), dirty, damaged (bool, of an inspection),
    worst_zone, suspected (an alarm or a complaint opened its order).
    """
    with _named(con, "_wanted_circuits", "circuit_id", circuit_ids):
        return fetch(
            con,
            """
            WITH suspected AS (SELECT work_order_id FROM work_orders WHERE reason IN ('alarm', 'complaint')),
            faces AS (
                SELECT DISTINCT p.connector_id FROM circuit_paths p JOIN _wanted_circuits USING (circuit_id)
                WHERE p.connector_id IS NOT NULL
            )
            SELECT connector_id, "at", 'cleaning' AS what, false AS dirty, false AS damaged, NULL AS worst_zone,
                   o.work_order_id IS NOT NULL AS suspected
            FROM cleanings JOIN faces USING (connector_id) LEFT JOIN suspected o USING (work_order_id)
            WHERE "at" <= ?
            UNION ALL
            SELECT connector_id, "at", 'inspection',
                   result = 'fail' AND coalesce(finding, 'particle') NOT IN ('scratch', 'pit', 'chip', 'crack'),
                   coalesce(result = 'fail' AND finding IN ('scratch', 'pit', 'chip', 'crack'), false),
                   worst_zone, o.work_order_id IS NOT NULL
            FROM inspections JOIN faces USING (connector_id) LEFT JOIN suspected o USING (work_order_id)
            WHERE "at" <= ?
            ORDER BY connector_id, "at", what
            """,
            [now, now],
        )


def face_beliefs(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """What its history says of each end face. Columns connector_id, p_contaminated, p_damaged, p_not_clean."""
    return fetch(
        con,
        "SELECT connector_id, p_contaminated, p_damaged, p_not_clean FROM history_beliefs ORDER BY connector_id",
    )


def replace_health(con: duckdb.DuckDBPyConnection, settled: pd.DataFrame) -> None:
    """Replace `connector_health`: what was settled of each end face, with what its history says; in a transaction."""
    con.execute("DELETE FROM connector_health")
    con.register("_settled", settled)
    try:
        con.execute(
            """
            INSERT INTO connector_health BY NAME
            SELECT s.*, b.* EXCLUDE (connector_id, p_contaminated, p_damaged, p_not_clean)
            FROM history_beliefs b JOIN _settled s USING (connector_id)
            """
        )
    finally:
        con.unregister("_settled")


def budget_excess(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Measured less expected loss of each circuit, best measured wavelength.

    Columns circuit_id, excess_db, sd_db, typical_db, measured_from, measured_at.
    """
    return fetch(
        con,
        """
        SELECT circuit_id,
               arg_min(excess_db, (measured_from <> 'loss_test', wavelength_nm)) AS excess_db,
               arg_min(sqrt(coalesce(typical_sd_db, 0.3) ** 2 + coalesce(measured_sd_db, 0.1) ** 2),
                       (measured_from <> 'loss_test', wavelength_nm)) AS sd_db,
               arg_min(typical_db, (measured_from <> 'loss_test', wavelength_nm)) AS typical_db,
               arg_min(measured_from, (measured_from <> 'loss_test', wavelength_nm)) AS measured_from,
               arg_min(measured_at, (measured_from <> 'loss_test', wavelength_nm)) AS measured_at
        FROM circuit_budget
        WHERE excess_db IS NOT NULL AND measured_from IN ('loss_test', 'power')
        GROUP BY circuit_id ORDER BY circuit_id
        """,
    )


def otdr_traces(con: duckdb.DuckDBPyConnection, now: datetime) -> pd.DataFrame:
    """Events of the OTDR traces that are not doubted, in order of circuit, trace and distance."""
    return fetch(
        con,
        f"""
        SELECT trace_id, event_no, "at", circuit_id, direction, wavelength_nm, distance_m, loss_db,
               reflectance_db, kind
        FROM otdr_events
        WHERE "at" <= ? AND {SOUND_TRACE} ORDER BY circuit_id, "at", trace_id, distance_m, event_no
        """,
        [now],
    )


def closed_causes(con: duckdb.DuckDBPyConnection, now: datetime) -> pd.DataFrame:
    """Causes on closed work orders. Columns cause_found, orders."""
    return fetch(
        con,
        """
        SELECT cause_found, count(*) AS orders FROM work_orders
        WHERE cause_found IS NOT NULL AND coalesce(closed_at, opened_at) <= ?
          AND reason IN ('alarm', 'complaint')
        GROUP BY cause_found ORDER BY cause_found
        """,
        [now],
    )


def circuit_orders(con: duckdb.DuckDBPyConnection, now: datetime, circuit_ids: list[str]) -> pd.DataFrame:
    """Alarm and complaint orders of these circuits. Columns circuit_id, opened_at, closed_at, cause_found."""
    with _named(con, "_wanted_circuits", "circuit_id", circuit_ids):
        return fetch(
            con,
            """
            SELECT circuit_id, opened_at, closed_at, cause_found FROM work_orders
            JOIN _wanted_circuits USING (circuit_id)
            WHERE opened_at <= ? AND reason IN ('alarm', 'complaint')
            ORDER BY circuit_id, opened_at
            """,
            [now],
        )


def diagnosis_rows(con: duckdb.DuckDBPyConnection, circuit_id: str | None) -> pd.DataFrame:
    """The diagnosis of one circuit or of all, falling probability within each circuit."""
    return fetch(
        con,
        """
        SELECT * FROM diagnosis WHERE ?::VARCHAR IS NULL OR circuit_id = ?
        ORDER BY circuit_id, probability DESC, cause, element_id
        """,
        [circuit_id, circuit_id],
    )


def written_diagnosis(con: duckdb.DuckDBPyConnection, circuit_id: str | None, unread: str) -> pd.DataFrame:
    """The diagnosis for a file: every circuit, those of which nothing was read with `unread` as their evidence."""
    return fetch(
        con,
        """
        SELECT * FROM (
            FROM diagnosis
            UNION ALL BY NAME
            SELECT *, $unread AS evidence, 'read its power or test its loss' AS next_test FROM unread_circuits
        )
        WHERE $circuit::VARCHAR IS NULL OR circuit_id = $circuit
        ORDER BY circuit_id, probability DESC, cause, element_id
        """,
        {"circuit": circuit_id, "unread": unread},
    )
