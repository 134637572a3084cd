"""SQL of the ranking: what is known of each in-service end face, and the table with its words.

In: connector_state, circuit_paths, series_drift, circuits and what the later steps derived. Out: frames with
one row per end face or per (end face, circuit), and the `ranking` table.
"""

from __future__ import annotations

from datetime import datetime

import duckdb
import pandas as pd

from planner.store.database import fetch

# The three classic measures of every in-service end face. Days count from the last inspection, else from the
# start of the history; drift is the worst of the circuits that run through the end face.
_MEASURES = """
WITH circuit_drift AS (
    SELECT circuit_id, max(drift_db) AS drift_db
    FROM series_drift
    WHERE circuit_id <> '' AND drift_db IS NOT NULL AND kind IN ('rx_power', 'loss_test') AND readings > 1
    GROUP BY circuit_id
),
carried AS (
    SELECT p.connector_id,
           string_agg(DISTINCT p.circuit_id, ';' ORDER BY p.circuit_id) AS circuits,
           max(d.drift_db) AS drift_db
    FROM circuit_paths p LEFT JOIN circuit_drift d USING (circuit_id)
    WHERE p.connector_id <> ''
    GROUP BY p.connector_id
)
SELECT s.connector_id, s.site_id, s.port_id AS port, c.circuits,
       coalesce(s.mates_since_clean, s.mates, 0)::DOUBLE AS mates_since_clean,
       known.matings AS known_matings, known.cleanings AS known_cleanings, known.looks AS known_looks,
       known.light AS known_light,
       greatest(epoch($now::TIMESTAMP - s.known_since_at) / 86400.0, 0) AS days_since_inspection,
       s.last_inspected_at IS NULL AS never_inspected,
       s.last_cleaned_at IS NULL AS never_cleaned,
       c.drift_db, coalesce(s.mates, 0)::DOUBLE AS mates,
       s.environment, s.role, s.family
FROM connector_state s
CROSS JOIN (
    SELECT EXISTS (FROM mating_events) AS matings, EXISTS (FROM cleanings) AS cleanings,
           EXISTS (FROM inspections) AS looks, EXISTS (FROM circuit_drift) AS light
) known
LEFT JOIN carried c USING (connector_id)
WHERE s.in_service
ORDER BY s.connector_id
"""

# One row per in-service end face and circuit, with what diagnosis says of the end face as the cause.
_CARRIED = """
WITH face AS (
    SELECT connector_id, row_number() OVER (ORDER BY connector_id) - 1 AS face_no
    FROM connector_state WHERE in_service
),
margin AS (SELECT circuit_id, min(margin_db) AS margin_db FROM circuit_budget GROUP BY circuit_id),
on_path AS (SELECT DISTINCT connector_id, circuit_id FROM circuit_paths WHERE connector_id <> '')
SELECT f.face_no, c.circuit_id, c.customers::DOUBLE AS customers, c.priority::DOUBLE AS priority,
       coalesce(c.protected_by, '') <> '' AS protected, m.margin_db,
       coalesce(b.p_dirt, 0) AS p_dirt_costs, coalesce(b.p_damage, 0) AS p_damage_costs,
       coalesce(b.shown_share, 1) AS shown_share, b.shown_db, b.size_db, b.p_cause, u.circuit_id IS NOT NULL AS unread
FROM on_path o
JOIN face f USING (connector_id)
JOIN circuits c USING (circuit_id)
LEFT JOIN face_blame b ON b.circuit_id = o.circuit_id AND b.connector_id = o.connector_id
LEFT JOIN margin m ON m.circuit_id = o.circuit_id
LEFT JOIN (SELECT DISTINCT circuit_id FROM unread_circuits) u ON u.circuit_id = o.circuit_id
ORDER BY f.face_no, c.circuit_id
"""

_HEALTH = """
SELECT s.connector_id, h.p_contaminated, h.p_damaged, h.p_not_clean, h.days_since_good_look,
       h.matings_since_good_look, h.likely_source
FROM connector_state s LEFT JOIN connector_health h USING (connector_id)
WHERE s.in_service
ORDER BY s.connector_id
"""

_INSERT = """
INSERT INTO ranking BY NAME
SELECT connector_id, site_id, port, circuits, p_contaminated, p_damaged,
    classic_rank, classic_score, mates_part, drift_part, time_part,
    concat_ws('; ',
        CASE WHEN NOT known_matings THEN 'matings not assessed: no mating_events'
             WHEN NOT known_cleanings
                 THEN format('{:.0f} matings; since the last cleaning not assessed: no cleanings', mates_since_clean)
             WHEN never_cleaned
                 THEN format('{:.0f} {}, never cleaned in the records',
                             mates_since_clean, mating_word(mates_since_clean))
             ELSE format('{:.0f} {} since the last cleaning', mates_since_clean, mating_word(mates_since_clean)) END,
        CASE WHEN NOT known_light THEN 'loss drift not assessed: no power_readings, no loss_tests'
             WHEN drift_db IS NULL THEN 'loss drift not assessed: its circuits were measured once or never'
             ELSE format('loss drift {:+.2f} dB', drift_db) END,
        CASE WHEN NOT known_looks THEN 'time since inspection not assessed: no inspections'
             WHEN days_since_inspection IS NULL THEN 'time since inspection not assessed: no history'
             WHEN never_inspected
                 THEN format('not inspected in the {:.0f} days of records', days_since_inspection)
             ELSE format('last inspected {:.0f} days ago', days_since_inspection) END
    ) AS classic_reasons,
    probability_rank, benefit_rank, benefit_score, benefit,
    margin_part, spread_part, damage_part, looking_part, minutes_part, risk_part, minutes, action,
    CASE WHEN p_contaminated IS NULL THEN 'not assessed: no end-face state' ELSE concat_ws('; ',
        format('contaminated {:.0f} %, damaged {:.0f} %', 100 * p_contaminated, 100 * p_damaged),
        CASE WHEN NOT (known_matings OR known_looks OR known_cleanings OR known_light)
                 THEN 'by assumption alone: no history, no light'
             WHEN NOT known_matings THEN 'matings not assessed: no mating_events'
             WHEN matings_since_good_look IS NULL THEN NULL
             WHEN NOT known_looks
                 THEN format('{:d} {}, looks not assessed: no inspections',
                             matings_since_good_look, mating_word(matings_since_good_look))
             WHEN days_since_good_look IS NULL
                 THEN format('{:d} {}, never seen clean', matings_since_good_look, mating_word(matings_since_good_look))
             ELSE format('{:d} {} and {:.0f} days since it was last seen clean', matings_since_good_look,
                         mating_word(matings_since_good_look), days_since_good_look) END,
        CASE WHEN p_contaminated >= 0.2 AND coalesce(likely_source, '') <> ''
             THEN 'dirt probably from ' || likely_source END,
        CASE WHEN cause_p >= 0.05 OR cause_p >= 0.01 AND margin_part >= 100
             THEN format(CASE WHEN unread THEN 'circuit {} is not measured: may cost it about {:.1f} dB ({:.0f} %)'
                              WHEN unseen THEN 'may cost circuit {} about {:.1f} dB unseen ({:.0f} %)'
                              ELSE 'costs circuit {} about {:.1f} dB with {:.0f} %' END,
                         circuit_id, size_db, 100 * cause_p)
             WHEN circuit_id IS NULL THEN 'carries no traced circuit'
             WHEN drift_db IS NULL THEN 'whether its circuits lost light was not measured'
             WHEN drift_db < 0.1 THEN 'its circuits have lost no light'
        END,
        CASE WHEN circuit_id IS NOT NULL THEN
            concat(CASE WHEN customers IS NULL THEN 'customers unknown'
                        ELSE format('{:.0f} {} on {}', customers, customer_word(customers), circuit_id) END,
                   CASE WHEN margin_db IS NULL THEN ', margin not assessed'
                        ELSE format(', margin {:.1f} dB', margin_db) END,
                   CASE WHEN protected THEN ', protected' ELSE '' END) END,
        CASE WHEN spread_part > 0.2 * greatest(margin_part, 1)
             THEN format('{:.1f} matings expected in {:.0f} days would spread it',
                         matings, horizon_days) END
    ) END AS reasons
FROM _ranked
ORDER BY coalesce(benefit_rank, classic_rank), classic_rank -- pages by rank then read neighbouring rows
"""


def classic_measures(con: duckdb.DuckDBPyConnection, now: datetime) -> pd.DataFrame:
    """One row per in-service end face, ordered by id: where it is, what it carries, the three measures."""
    return fetch(con, _MEASURES, {"now": now})


def carried_circuits(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """One row per (in-service end face, circuit); `face_no` counts in the order of `classic_measures`."""
    return fetch(con, _CARRIED)


def health_of_ranked(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """What is believed of each in-service end face, in the order of `classic_measures`; nan where nothing."""
    return fetch(con, _HEALTH)


def learned_figures(con: duckdb.DuckDBPyConnection) -> dict[tuple[str, str, str], float]:
    """Learned parameters by (parameter, kind of group, group), without those of sites and people."""
    rows = con.execute(
        "SELECT parameter, group_kind, group_id, estimate FROM learned_parameters "
        "WHERE group_kind IN ('fleet', 'environment', 'role', 'method')"
    ).fetchall()
    return {(parameter, kind, group): estimate for parameter, kind, group, estimate in rows}


def history_days(con: duckdb.DuckDBPyConnection, now: datetime) -> float:
    """Days from the first mating event to `now`; 0 without any. [days]"""
    row = con.execute('SELECT epoch($now::TIMESTAMP - min("at")) / 86400.0 FROM mating_events', {"now": now}).fetchone()
    return max(float(row[0]), 0.0) if row and row[0] is not None else 0.0


def replace_ranking(con: duckdb.DuckDBPyConnection, ranked: pd.DataFrame) -> None:
    """Replace the ranking by the rows of `ranked`, adding the reasons in words; call in a transaction."""
    con.execute("DELETE FROM ranking")
    for word in ("mating", "customer"):
        con.execute(f"CREATE OR REPLACE TEMP MACRO {word}_word(n) AS if(n = 1, '{word}', '{word}s')")
    con.register("_ranked", ranked)
    try:
        con.execute(_INSERT)
    finally:
        con.unregister("_ranked")


def ranking_rows(con: duckdb.DuckDBPyConnection, by: str, top: int | None) -> pd.DataFrame:
    """The ranking in the order of one score, ready to be written: its rank and score first.

    `by` is classic, probability or benefit; `top` limits the rows.
    """
    score = {"classic": "classic_score", "probability": "p_not_clean", "benefit": "benefit_score"}[by]
    reasons = "classic_reasons" if by == "classic" else "reasons"
    limit = "" if top is None else f"LIMIT {int(top)}"
    return fetch(
        con,
        f"""
        SELECT {by}_rank AS rank, connector_id, {score} AS score, site_id, port, circuits,
               {reasons} AS reasons, p_contaminated, p_damaged,
               action, minutes, classic_score, mates_part, drift_part, time_part, h.p_not_clean, benefit,
               margin_part, spread_part, damage_part, looking_part, minutes_part, risk_part
        FROM ranking r LEFT JOIN (SELECT connector_id, p_not_clean FROM connector_health) h USING (connector_id)
        ORDER BY rank, connector_id {limit}
        """,
    )
