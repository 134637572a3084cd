"""What a short summary of the fleet, its worst end faces and the newest plan says."""

from __future__ import annotations

import duckdb
import pandas as pd

from planner.store.database import fetch

COUNTED = (
    "sites",
    "ports",
    "connectors",
    "cables",
    "circuits",
    "mating_events",
    "inspections",
    "cleanings",
    "loss_tests",
    "otdr_events",
    "power_readings",
    "work_orders",
    "crews",
)


def table_counts(con: duckdb.DuckDBPyConnection) -> dict[str, int]:
    """Rows of each intake table people ask about."""
    parts = ", ".join(f"(SELECT count(*) FROM {name}) AS {name}" for name in COUNTED)
    row = fetch(con, f"SELECT {parts}").iloc[0]
    return {name: int(row[name]) for name in COUNTED}


def fleet_figures(con: duckdb.DuckDBPyConnection) -> pd.Series:
    """One row of fleet-wide figures: in service, traced, likely dirty, likely damaged, faults found."""
    return fetch(
        con,
        """
        SELECT (SELECT count(*) FROM connector_state WHERE in_service) AS in_service,
               (SELECT count(*) FROM connector_state WHERE last_inspected_at IS NULL AND in_service) AS never_seen,
               (SELECT count(*) FROM circuit_status WHERE traced) AS traced,
               (SELECT count(*) FROM circuit_status WHERE NOT traced) AS not_traced,
               (SELECT count(*) FROM connector_health WHERE p_not_clean > 0.5) AS likely_not_clean,
               (SELECT sum(p_not_clean) FROM connector_health) AS expected_not_clean,
               (SELECT count(*) FROM circuit_budget WHERE margin_db < 0) AS over_budget,
               (SELECT count(*) FROM (
                    SELECT circuit_id FROM diagnosis WHERE cause NOT IN ('nothing', 'remating_offset')
                    GROUP BY circuit_id HAVING sum(probability) > 0.5)) AS faulty
        """,
    ).iloc[0]


def worst_end_faces(con: duckdb.DuckDBPyConnection, count: int) -> pd.DataFrame:
    """The first `count` end faces of the benefit ranking (of the classic one where that is not assessed)."""
    return fetch(
        con,
        """
        SELECT connector_id, site_id, port, p_contaminated, p_damaged, action, benefit_score, classic_score,
               coalesce(nullif(reasons, ''), classic_reasons) AS reasons
        FROM ranking ORDER BY coalesce(benefit_rank, classic_rank), classic_rank LIMIT ?
        """,
        [count],
    )


def finding_counts(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Faults of the intake and contradictions in the records, counted by kind."""
    return fetch(
        con,
        """
        SELECT 'intake' AS found_in, code, severity, count(*) AS findings, min("rule") AS example
        FROM findings GROUP BY code, severity
        UNION ALL
        SELECT 'records', code, severity, count(*), min("text") FROM audit_findings GROUP BY code, severity
        ORDER BY found_in, severity, findings DESC, code
        """,
    )


def newest_plan(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """The newest plan's row; empty if none was made."""
    return fetch(con, "SELECT * FROM plans ORDER BY made_at DESC, plan_id DESC LIMIT 1")


def undiagnosed_circuits(con: duckdb.DuckDBPyConnection) -> int:
    """How many circuits have no diagnosis: nothing was read or tested on them."""
    row = con.execute("SELECT count(*) FROM circuits ANTI JOIN diagnosis USING (circuit_id)").fetchone()
    return int(row[0]) if row else 0


def circuit_evidence(con: duckdb.DuckDBPyConnection, circuit_id: str) -> pd.DataFrame:
    """The evidence of one circuit, question by question: line, question, text, decibans."""
    return fetch(
        con,
        "SELECT line, question, text, decibans FROM diagnosis_evidence WHERE circuit_id = ? ORDER BY line",
        [circuit_id],
    )


def crew_days(con: duckdb.DuckDBPyConnection, plan_id: str) -> pd.DataFrame:
    """One row per crew and day of a plan: stops, jobs, minutes, kilometres, benefit, first and last time."""
    return fetch(
        con,
        """
        SELECT s.crew_id, s.day_on, count(*) AS stops,
               (SELECT count(*) FROM plan_jobs j WHERE j.plan_id = s.plan_id AND j.crew_id = s.crew_id
                AND j.day_on = s.day_on) AS jobs,
               round(sum(travel_min)) AS drive_min, round(sum(work_min)) AS work_min,
               round(sum(travel_km)) AS km, round(sum(benefit)) AS benefit,
               string_agg(site_id, ' > ' ORDER BY stop_no) AS route
        FROM plan_stops s WHERE plan_id = ? GROUP BY plan_id, crew_id, day_on ORDER BY day_on, crew_id
        """,
        [plan_id],
    )
