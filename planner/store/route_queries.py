"""What the route planner reads and writes: candidates of the ranking, crews, plans."""

from __future__ import annotations

import duckdb
import pandas as pd

from planner.store.database import fetch
from planner.tables.catalogue import TABLES

_FACE_COLUMNS = """
    c.connector_id, s.site_id, s.port_id, p.label, s.face, p.role, h.name AS housing_name, c.family, c.polish,
    c.fibre_count, c.fixed_port_id IS NOT NULL AS fixed, c.cable_id, c.cable_end, c.first_fibre,
    k.kind AS cable_kind, s.partner_id
"""
_FACE_JOINS = """
    JOIN connector_state s USING (connector_id)
    JOIN connectors c USING (connector_id)
    LEFT JOIN ports p ON p.port_id = s.port_id
    LEFT JOIN housings h ON h.housing_id = s.housing_id
    LEFT JOIN cables k ON k.cable_id = c.cable_id
"""


def candidates(con: duckdb.DuckDBPyConnection, limit: int) -> pd.DataFrame:
    """The `limit` best ranked end faces with what a crew must know of them, best first.

    By benefit where it was assessed, else by the classic score.
    """
    return fetch(
        con,
        f"""
        SELECT {_FACE_COLUMNS}, r.circuits, r.p_contaminated, r.p_damaged, r.classic_score, r.benefit,
               r.margin_part, r.minutes_part, r.minutes AS ranked_minutes, r.action,
               coalesce(nullif(r.reasons, ''), r.classic_reasons) AS reasons
        FROM (
            SELECT * FROM ranking
            WHERE (benefit IS NOT NULL AND benefit - coalesce(minutes_part, 0) > 0)
               OR (benefit IS NULL AND classic_score > 0)
            ORDER BY benefit_score DESC NULLS LAST, classic_score DESC, connector_id LIMIT ?
        ) r {_FACE_JOINS}
        WHERE s.site_id IS NOT NULL
        ORDER BY r.benefit_score DESC NULLS LAST, r.classic_score DESC, c.connector_id
        """,
        [limit],
    )


def candidates_named(con: duckdb.DuckDBPyConnection, connectors: list[str]) -> pd.DataFrame:
    """The same columns for the end faces named, whatever their rank."""
    return fetch(
        con,
        f"""
        SELECT {_FACE_COLUMNS}, r.circuits, r.p_contaminated, r.p_damaged, r.classic_score, r.benefit,
               r.margin_part, r.minutes_part, r.minutes AS ranked_minutes, r.action,
               coalesce(nullif(r.reasons, ''), r.classic_reasons) AS reasons
        FROM ranking r {_FACE_JOINS}
        WHERE s.site_id IS NOT NULL AND list_contains(?, c.connector_id) ORDER BY c.connector_id
        """,
        [connectors],
    )


def audit_pool(con: duckdb.DuckDBPyConnection, sites: list[str], seed: int, per_site: int = 25) -> pd.DataFrame:
    """In-service end faces at the sites, at most `per_site` of each, picked by a hash of id and seed."""
    return fetch(
        con,
        f"""
        WITH drawn AS (
            SELECT connector_id FROM connector_state
            WHERE in_service AND list_contains(?, site_id)
            QUALIFY row_number() OVER (PARTITION BY site_id ORDER BY md5(connector_id || '/' || ?), connector_id) <= ?
        )
        SELECT {_FACE_COLUMNS}, coalesce(r.circuits, '') AS circuits, r.p_contaminated, r.p_damaged, r.classic_score
        FROM drawn d {_FACE_JOINS}
        LEFT JOIN ranking r ON r.connector_id = c.connector_id
        ORDER BY c.connector_id
        """,
        [sites, str(seed), per_site],
    )


def route_sites(con: duckdb.DuckDBPyConnection, sites: list[str]) -> pd.DataFrame:
    """The sites a plan may touch: those listed and every depot."""
    return fetch(
        con,
        """
        SELECT site_id, name, kind, region, latitude, longitude, environment, access_open, access_close,
               access_days, timezone, entry_min, access_note
        FROM sites WHERE list_contains(?, site_id) OR site_id IN (SELECT depot_site_id FROM crews) ORDER BY site_id
        """,
        [sites],
    )


def crews(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """The crews."""
    names = ", ".join(TABLES["crews"].column_names)
    return fetch(con, f"SELECT {names} FROM crews ORDER BY crew_id")


def travel_times(con: duckdb.DuckDBPyConnection, sites: list[str]) -> pd.DataFrame:
    """Given travel between the sites listed."""
    return fetch(
        con,
        """
        WITH wanted AS (SELECT unnest(?::VARCHAR[]) AS site_id)
        SELECT t.from_site_id, t.to_site_id, t.minutes, t.km FROM travel_times t
        SEMI JOIN wanted a ON t.from_site_id = a.site_id
        SEMI JOIN wanted b ON t.to_site_id = b.site_id
        """,
        [sites],
    )


def live_circuits(con: duckdb.DuckDBPyConnection, on: str) -> pd.DataFrame:
    """Circuits in service on a day: `circuit_id, priority, protected_by`."""
    return fetch(
        con,
        """
        SELECT circuit_id, priority, protected_by FROM circuits
        WHERE in_service_on IS NULL OR in_service_on <= ?::DATE ORDER BY circuit_id
        """,
        [on],
    )


def open_alarms(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Open alarm orders with the end face to visit: the one named, else the circuit's best ranked one."""
    return fetch(
        con,
        """
        WITH open AS (
            SELECT work_order_id, opened_at, connector_id, circuit_id FROM work_orders
            WHERE reason = 'alarm' AND closed_at IS NULL
        ), suspects AS (
            SELECT o.work_order_id, arg_min(r.connector_id, coalesce(r.benefit_rank, r.classic_rank)) AS connector_id
            FROM open o JOIN circuit_paths q ON q.circuit_id = o.circuit_id AND q.connector_id IS NOT NULL
            JOIN ranking r ON r.connector_id = q.connector_id
            WHERE o.connector_id IS NULL GROUP BY o.work_order_id
        )
        SELECT o.work_order_id, o.opened_at, coalesce(o.connector_id, s.connector_id) AS connector_id
        FROM open o LEFT JOIN suspects s USING (work_order_id)
        WHERE coalesce(o.connector_id, s.connector_id) IS NOT NULL ORDER BY o.work_order_id
        """,
    )


def plans(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Every plan version, newest first, without its document."""
    return fetch(
        con,
        """
        SELECT plan_id, status, made_at, made_by, from_on, days, benefit, cost, upper_bound, gap FROM plans
        ORDER BY made_at DESC, plan_id DESC
        """,
    )


def plan_row(con: duckdb.DuckDBPyConnection, plan_id: str) -> pd.DataFrame:
    """One plan version, document included; empty if there is none."""
    return fetch(con, "SELECT * FROM plans WHERE plan_id = ?", [plan_id])


def next_plan_id(con: duckdb.DuckDBPyConnection, from_on: str, days: int) -> str:
    """The id of the next version of a plan for these days, e.g. `2031-04-07-5d-v2`."""
    stem = f"{from_on}-{days}d-v"
    known = fetch(con, "SELECT plan_id FROM plans WHERE starts_with(plan_id, ?)", [stem])["plan_id"]
    numbers = [int(name[len(stem) :]) for name in known if name[len(stem) :].isdigit()]
    return f"{stem}{max(numbers, default=0) + 1}"


def append_rows(con: duckdb.DuckDBPyConnection, table: str, frame: pd.DataFrame) -> None:
    """Add rows to a plan table; call inside a transaction."""
    if frame.empty:
        return
    names = ", ".join(TABLES[table].column_names)
    con.register("_plan_rows", frame)
    try:
        con.execute(f"INSERT INTO {table} ({names}) SELECT {names} FROM _plan_rows")
    finally:
        con.unregister("_plan_rows")


def replace_scenarios(con: duckdb.DuckDBPyConnection, plan_id: str, frame: pd.DataFrame) -> None:
    """Replace what was tried beside a plan by the rows of `frame`; call in a transaction."""
    con.execute("DELETE FROM plan_scenarios WHERE plan_id = ?", [plan_id])
    append_rows(con, "plan_scenarios", frame)


def promised_crew_days(con: duckdb.DuckDBPyConnection, plan_id: str) -> pd.DataFrame:
    """Crew-days of a plan on which another, committed plan sends the same crew out.

    Columns plan_id (the other plan's), crew_id, day_on; ordered so.
    """
    return fetch(
        con,
        """
        SELECT DISTINCT other.plan_id, other.crew_id, other.day_on
        FROM plan_stops own
        JOIN plan_stops other ON other.crew_id = own.crew_id AND other.day_on = own.day_on
        JOIN plans p ON p.plan_id = other.plan_id AND p.status = 'committed'
        WHERE own.plan_id = ? AND other.plan_id <> own.plan_id
        ORDER BY ALL
        """,
        [plan_id],
    )


def move_plan_on(con: duckdb.DuckDBPyConnection, plan_id: str, status: str, document: str) -> None:
    """Change the status of a plan version and its document, which keeps who moved it on and when."""
    con.execute("UPDATE plans SET status = ?, document = ? WHERE plan_id = ?", [status, document, plan_id])


def expected_readings(con: duckdb.DuckDBPyConnection, circuits: list[str]) -> pd.DataFrame:
    """What each circuit should read at its working wavelength, in words; values not confirmed are marked.

    Columns circuit_id, words; circuits without budget and series are absent.
    """
    return fetch(
        con,
        """
        WITH loss AS (
            SELECT b.circuit_id, b.typical_db, b.allowed_db, b.wavelength_nm,
                   CASE WHEN contains(b.note, 'a value used is unconfirmed') THEN ' (not confirmed)' ELSE '' END
                       AS about_typical,
                   CASE WHEN contains(b.allowed_from, 'not confirmed') THEN ' (not confirmed)' ELSE '' END
                       AS about_allowed
            FROM circuit_budget b JOIN circuits c USING (circuit_id, wavelength_nm)
            WHERE list_contains(?, circuit_id) AND b.typical_db IS NOT NULL
        ), light AS (
            SELECT circuit_id, arg_max(baseline, abs(drift_db)) AS baseline, arg_max(latest, abs(drift_db)) AS latest
            FROM series_drift WHERE kind = 'rx_power' AND list_contains(?, circuit_id) AND baseline IS NOT NULL
            GROUP BY circuit_id
        )
        SELECT coalesce(l.circuit_id, p.circuit_id) AS circuit_id,
               concat_ws('; ',
                   CASE WHEN p.circuit_id IS NOT NULL
                        THEN printf('received %.1f dBm when good, %.1f now', p.baseline, p.latest) END,
                   CASE WHEN l.circuit_id IS NOT NULL AND l.allowed_db IS NOT NULL
                        THEN printf('loss %.1f dB expected at %d nm%s, %.1f allowed%s', l.typical_db,
                                    l.wavelength_nm::INT, l.about_typical, l.allowed_db, l.about_allowed)
                        WHEN l.circuit_id IS NOT NULL
                        THEN printf('loss %.1f dB expected at %d nm%s', l.typical_db, l.wavelength_nm::INT,
                                    l.about_typical) END) AS words
        FROM loss l FULL JOIN light p ON p.circuit_id = l.circuit_id ORDER BY 1
        """,
        [circuits, circuits],
    )


def stops_and_jobs(con: duckdb.DuckDBPyConnection, plan_id: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows of `plan_stops` and `plan_jobs` of a plan, in order."""
    order = "ORDER BY day_on, crew_id, stop_no"
    return (
        fetch(con, f"SELECT * FROM plan_stops WHERE plan_id = ? {order}", [plan_id]),
        fetch(con, f"SELECT * FROM plan_jobs WHERE plan_id = ? {order}, job_no", [plan_id]),
    )
