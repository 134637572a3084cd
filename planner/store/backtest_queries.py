"""SQL of the back-test: a copy of the store that knows nothing after a date, and what was found after it.

The copy holds every intake table; rows of history later than the date stay out, orders closed later count as
still open, and plant that was installed or corrected later is as in the store (its past versions are not
kept per date).
"""

from __future__ import annotations

from datetime import datetime

import duckdb
import pandas as pd

from planner.store.database import fetch, quoted
from planner.store.derived_queries import newest_time, oldest_time
from planner.tables.intake_tables import INTAKE_TABLES

PAST = "past"

# What an order was closed with is not known before it is closed.
_ORDERS = """
SELECT * REPLACE (
    CASE WHEN closed_at <= $at::TIMESTAMP THEN closed_at END AS closed_at,
    CASE WHEN closed_at <= $at::TIMESTAMP THEN cause_found END AS cause_found,
    CASE WHEN closed_at <= $at::TIMESTAMP THEN action_taken END AS action_taken)
FROM work_orders WHERE opened_at <= $at::TIMESTAMP
"""

_FOUND = """
WITH later AS (SELECT * FROM inspections WHERE "at" > $at::TIMESTAMP AND "at" <= $until::TIMESTAMP),
looks AS (
    SELECT l.connector_id, l."at", l.inspection_id, l.result, l.finding,
           coalesce(w.reason, '') IN ('alarm', 'complaint') AS suspected,
           row_number() OVER (PARTITION BY l.connector_id ORDER BY l."at", l.inspection_id) AS place
    FROM later l LEFT JOIN work_orders w USING (work_order_id)
    WHERE coalesce(l.stage, '') <> 'after_cleaning'
),
changes AS (
    SELECT connector_id, min("at") AS changed_at FROM (
        SELECT connector_id, "at" FROM mating_events WHERE action = 'mate'
        UNION ALL SELECT connector_id, "at" FROM cleanings
        UNION ALL
        SELECT s.partner_id, m."at" FROM mating_events m JOIN connector_state s USING (connector_id)
        WHERE m.action = 'mate' AND s.partner_id <> ''
        UNION ALL SELECT c.connector_id, m."at" FROM mating_events m
        JOIN connectors c ON c.fixed_port_id = m.port_id WHERE m.action = 'mate' AND m.face = 'front')
    WHERE "at" > $at::TIMESTAMP GROUP BY connector_id
)
SELECT s.connector_id, s.site_id, l."at" AS looked_at, c.changed_at,
       l.result = 'fail' AS bad, l.finding, l.suspected, k.customers
FROM connector_state s
LEFT JOIN (
    SELECT p.connector_id, sum(c.customers)::DOUBLE AS customers
    FROM (SELECT DISTINCT connector_id, circuit_id FROM circuit_paths WHERE connector_id <> '') p
    JOIN circuits c USING (circuit_id) GROUP BY p.connector_id
) k USING (connector_id)
LEFT JOIN (SELECT * FROM looks WHERE place = 1) l USING (connector_id)
LEFT JOIN changes c USING (connector_id)
ORDER BY s.connector_id
"""


def copy_of_past(con: duckdb.DuckDBPyConnection, past_file: str, at: datetime) -> None:
    """Fill a new planner database (its tables already made) with what was known at a date.

    The database must not be open elsewhere. Result tables stay empty.
    """
    con.execute(f"ATTACH '{past_file}' AS {PAST}")
    try:
        for table in INTAKE_TABLES:
            name = quoted(table.name)
            if table.name == "work_orders":
                source = _ORDERS
            elif table.time_column:
                source = f"SELECT * FROM {name} WHERE {quoted(table.time_column)} <= $at::TIMESTAMP"
            else:
                source = f"SELECT * FROM {name} WHERE $at::TIMESTAMP IS NOT NULL"
            con.execute(f"INSERT INTO {PAST}.{name} BY NAME {source}", {"at": at})
        con.execute(f"INSERT INTO {PAST}.loads BY NAME SELECT * FROM loads")
        # marks of inspections that are not in the copy
        con.execute(
            f"DELETE FROM {PAST}.end_face_defects WHERE inspection_id NOT IN "
            f"(SELECT inspection_id FROM {PAST}.inspections)"
        )
    finally:
        con.execute(f"DETACH {PAST}")


def found_after(con: duckdb.DuckDBPyConnection, at: datetime, until: datetime) -> pd.DataFrame:
    """The first look at each in-service end face after a date, and when it was first changed after it.

    `looked_at` empty: not seen by `until`; `bad`: it failed; `suspected`: the look belongs to an alarm or
    complaint.
    """
    return fetch(con, _FOUND, {"at": at, "until": until})


def ranking_of_past(past: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """The rankings made at a date, one row per end face."""
    return fetch(
        past,
        """
        SELECT r.connector_id, r.site_id, r.classic_score, r.mates_part, r.drift_part, r.time_part,
               h.p_not_clean, r.p_contaminated, r.benefit, r.benefit_score, r.minutes, r.margin_part,
               r.spread_part, r.damage_part
        FROM ranking r LEFT JOIN connector_health h USING (connector_id)
        ORDER BY r.connector_id
        """,
    )


def history_span(con: duckdb.DuckDBPyConnection) -> tuple[datetime | None, datetime | None]:
    """First touch and newest moment of the history."""
    return oldest_time(con), newest_time(con)


def keep_backtest(con: duckdb.DuckDBPyConnection, scores: pd.DataFrame, curves: pd.DataFrame) -> None:
    """Keep the back-test of one day beside those of other days; call in a transaction."""
    for table, frame in (("backtest_scores", scores), ("backtest_curves", curves)):
        con.execute(f"DELETE FROM {table} WHERE ranked_at = $at", {"at": scores["ranked_at"].iloc[0]})
        con.register("_backtest", frame)
        try:
            con.execute(f"INSERT INTO {table} BY NAME SELECT * FROM _backtest")
        finally:
            con.unregister("_backtest")
