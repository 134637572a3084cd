"""SQL for following dirt: which end faces a name stands for, where their dirt came from, whom they met.

In: connector_health, dirt_sources, mating_events, the plant. Out: frames for `planner trace-dirt`.
"""

from __future__ import annotations

import duckdb
import pandas as pd

from planner.store.database import fetch

# A housing (a test set) stands for the end faces built into its ports and for the launch cords that ever
# were in them; a cable for its end faces; a port for what is built into it or plugged into it now.
_FACES = """
SELECT connector_id FROM connectors WHERE connector_id = $name OR cable_id = $name OR fixed_port_id = $name
UNION
SELECT connector_id FROM connector_state WHERE port_id = $name
UNION
SELECT c.connector_id FROM connectors c JOIN ports p ON p.port_id = c.fixed_port_id WHERE p.housing_id = $name
UNION
SELECT other.connector_id
FROM patching m JOIN ports p USING (port_id)
JOIN connectors c ON c.connector_id = m.connector_id
JOIN connectors other ON other.cable_id = c.cable_id OR other.connector_id = c.connector_id
WHERE p.housing_id = $name
ORDER BY 1
"""

_CAME_FROM = """
SELECT s.source_id, s.met_at, s.probability, h.p_contaminated AS source_p_contaminated
FROM dirt_sources s LEFT JOIN connector_health h ON h.connector_id = s.source_id
WHERE s.connector_id IN (SELECT unnest($faces))
ORDER BY s.probability DESC, s.source_id
"""

_WENT_TO = """
SELECT s.connector_id, s.met_at, s.probability, h.p_contaminated, h.p_damaged,
       st.site_id, st.port_id, h.days_since_good_look
FROM dirt_sources s
LEFT JOIN connector_health h USING (connector_id)
LEFT JOIN connector_state st USING (connector_id)
WHERE s.source_id IN (SELECT unnest($faces))
ORDER BY s.probability DESC, s.connector_id
"""

# Meetings in the records: the end face built into the port, the one in its other face at the time of a mate,
# by the last mate into that face that was not undone before.
_MET = """
WITH mine AS (SELECT unnest($faces) AS connector_id),
moves AS (
    SELECT connector_id, port_id, face, "at", action FROM mating_events
    UNION ALL
    SELECT connector_id, port_id, face, coalesce(since_at, TIMESTAMP '0001-01-01'), 'mate' FROM patching
),
stays AS (
    SELECT connector_id, port_id, face, "at" AS from_at,
           lead("at") OVER (PARTITION BY port_id, face ORDER BY "at", action = 'mate') AS to_at, action
    FROM moves
),
plugged AS (SELECT * EXCLUDE (action) FROM stays WHERE action = 'mate'),
pairs AS (
    SELECT a.connector_id AS mine, b.connector_id AS met, greatest(a.from_at, b.from_at) AS met_at
    FROM plugged a JOIN mine USING (connector_id)
    JOIN plugged b ON b.port_id = a.port_id AND b.face <> a.face
      AND b.from_at < coalesce(a.to_at, TIMESTAMP '9999-01-01')
      AND a.from_at < coalesce(b.to_at, TIMESTAMP '9999-01-01')
    UNION ALL
    SELECT a.connector_id, c.connector_id, a.from_at
    FROM plugged a JOIN mine USING (connector_id)
    JOIN connectors c ON c.fixed_port_id = a.port_id WHERE a.face = 'front'
    UNION ALL
    SELECT c.connector_id, a.connector_id, a.from_at
    FROM plugged a JOIN connectors c ON c.fixed_port_id = a.port_id
    JOIN mine ON mine.connector_id = c.connector_id WHERE a.face = 'front'
)
SELECT p.met AS connector_id, count(*) AS matings,
       CASE WHEN max(p.met_at) > TIMESTAMP '0001-01-01' THEN max(p.met_at) END AS last_met_at,
       any_value(h.p_contaminated) AS p_contaminated, any_value(s.site_id) AS site_id,
       any_value(s.port_id) AS port_id,
       any_value(s.last_inspected_at) AS last_inspected_at,
       coalesce(any_value(s.last_inspected_at) > max(p.met_at), false) AS seen_since
FROM pairs p
LEFT JOIN connector_health h ON h.connector_id = p.met
LEFT JOIN connector_state s ON s.connector_id = p.met
WHERE p.met NOT IN (SELECT connector_id FROM mine)
GROUP BY p.met
ORDER BY p_contaminated DESC NULLS LAST, p.met
"""


def faces_named(con: duckdb.DuckDBPyConnection, name: str) -> list[str]:
    """The end faces that an id stands for: a connector, a cable, a port, or a housing (a test set with its cords)."""
    return [row[0] for row in con.execute(_FACES, {"name": name}).fetchall()]


def came_from(con: duckdb.DuckDBPyConnection, faces: list[str]) -> pd.DataFrame:
    """Who probably made these end faces dirty, most probable first."""
    return fetch(con, _CAME_FROM, {"faces": faces})


def went_to(con: duckdb.DuckDBPyConnection, faces: list[str]) -> pd.DataFrame:
    """Whom these end faces probably made dirty, most probable first."""
    return fetch(con, _WENT_TO, {"faces": faces})


def met_by(con: duckdb.DuckDBPyConnection, faces: list[str]) -> pd.DataFrame:
    """Every end face these were mated with, the most probably contaminated first."""
    return fetch(con, _MET, {"faces": faces})


def evidence_of(con: duckdb.DuckDBPyConnection, connector_id: str) -> pd.DataFrame:
    """The evidence lines of one end face, light last: line, evidence_at, text, decibans."""
    return fetch(
        con,
        """
        SELECT line, evidence_at, text, decibans FROM health_evidence WHERE connector_id = $id
        UNION ALL
        SELECT (SELECT coalesce(max(line), 0) + 1 FROM health_evidence WHERE connector_id = $id), NULL,
               'light on its circuits, as their diagnosis reads it', light_decibans
        FROM connector_health WHERE connector_id = $id AND abs(light_decibans) >= 0.05
        ORDER BY line
        """,
        {"id": connector_id},
    )


def health_of(con: duckdb.DuckDBPyConnection, faces: list[str]) -> pd.DataFrame:
    """What is believed of these end faces."""
    return fetch(
        con,
        """
        SELECT connector_id, p_contaminated, p_damaged, days_since_good_look, matings_since_good_look, likely_source
        FROM connector_health WHERE connector_id IN (SELECT unnest($faces))
        ORDER BY p_contaminated DESC, connector_id
        """,
        {"faces": faces},
    )
