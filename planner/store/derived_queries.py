"""The latest state of every end face, kept in step with the data by SQL.

In: the intake tables and the number of the newest load already seen. Out: `connector_state`, recomputed
only for the end faces that later loads touched (or whole, when the plant itself changed). Where an end face is
comes from the replay of the mating events, which belongs to tracing.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

import duckdb

# A row of any of these that comes or changes moves end faces that its own id does not name.
PLANT_TABLES = ("sites", "housings", "ports", "cables", "connectors", "patching")
EVENT_TABLES = ("mating_events", "inspections", "cleanings")
TIME_COLUMNS = {
    "mating_events": ("at",),
    "inspections": ("at",),
    "cleanings": ("at",),
    "loss_tests": ("at",),
    "otdr_events": ("at",),
    "power_readings": ("at",),
    "work_orders": ("opened_at", "closed_at"),
}

# {scope}, {and_scope}, {and_fixed_scope} and {final_scope} restrict the work to the end faces to recompute.
_STATE = """
INSERT INTO connector_state
WITH looked AS (
    SELECT connector_id, max("at") AS last_at,
           arg_max({{'result': result, 'finding': finding}}, ("at", inspection_id)) AS last
    FROM inspections {scope} GROUP BY connector_id
),
cleaned AS (SELECT connector_id, max("at") AS last_at FROM cleanings {scope} GROUP BY connector_id),
mated AS (
    SELECT m.connector_id, count(*) AS mates, max(m."at") AS last_at,
           count(*) FILTER (cl.last_at IS NULL OR m."at" > cl.last_at) AS since_clean,
           count(*) FILTER (lo.last_at IS NULL OR m."at" > lo.last_at) AS since_look
    FROM mating_events m
    LEFT JOIN cleaned cl USING (connector_id)
    LEFT JOIN looked lo USING (connector_id)
    WHERE m.action = 'mate' {and_scope}
    GROUP BY m.connector_id
),
-- An end face built into a port is touched by every plug that goes into its port.
plugs AS (
    SELECT c.connector_id, count(*) AS mates, max(m."at") AS last_at,
           count(*) FILTER (cl.last_at IS NULL OR m."at" > cl.last_at) AS since_clean,
           count(*) FILTER (lo.last_at IS NULL OR m."at" > lo.last_at) AS since_look
    FROM connectors c
    JOIN mating_events m ON m.port_id = c.fixed_port_id AND m.action = 'mate' AND m.face = 'front'
    LEFT JOIN cleaned cl ON cl.connector_id = c.connector_id
    LEFT JOIN looked lo ON lo.connector_id = c.connector_id
    WHERE c.fixed_port_id IS NOT NULL {and_fixed_scope}
    GROUP BY c.connector_id
),
touched AS (SELECT * FROM mated UNION ALL SELECT * FROM plugs),
-- a count whose table is absent is unknown, not zero
known AS (
    SELECT EXISTS (FROM mating_events) AS matings, EXISTS (FROM cleanings) AS cleanings,
           EXISTS (FROM inspections) AS looks
)
SELECT c.connector_id, NULL, NULL, NULL, NULL, NULL, NULL, c.family, c.polish, ca.batch, false, NULL,
       CASE WHEN known.matings THEN coalesce(t.mates, 0) END,
       CASE WHEN known.matings AND known.cleanings THEN coalesce(t.since_clean, 0) END,
       CASE WHEN known.matings AND known.looks THEN coalesce(t.since_look, 0) END,
       t.last_at, cl.last_at, lo.last_at, lo.last.result, lo.last.finding,
       coalesce(lo.last_at, ?)
FROM connectors c
CROSS JOIN known
LEFT JOIN cables ca ON ca.cable_id = c.cable_id
LEFT JOIN touched t ON t.connector_id = c.connector_id
LEFT JOIN cleaned cl ON cl.connector_id = c.connector_id
LEFT JOIN looked lo ON lo.connector_id = c.connector_id
{final_scope}
ORDER BY c.connector_id
"""


def newest_time(con: duckdb.DuckDBPyConnection) -> datetime | None:
    """The newest moment that any history table knows; None without history."""
    parts = [
        f'SELECT max("{column}") AS moment FROM {table}'
        for table, columns in TIME_COLUMNS.items()
        for column in columns
    ]
    row = con.execute(f"SELECT max(moment) FROM ({' UNION ALL '.join(parts)})").fetchone()
    return row[0] if row else None


def newest_record(con: duckdb.DuckDBPyConnection) -> datetime | None:
    """Without any history: the newer of the last load and the newest plugging in on record; None without either."""
    row = con.execute(
        "SELECT greatest((SELECT max(loaded_at) FROM loads), (SELECT max(since_at) FROM patching))"
    ).fetchone()
    return row[0] if row else None


def oldest_time(con: duckdb.DuckDBPyConnection) -> datetime | None:
    """The first moment of the touched history (matings, inspections, cleanings); None without one."""
    parts = [f'SELECT min("at") AS moment FROM {table}' for table in EVENT_TABLES]
    row = con.execute(f"SELECT min(moment) FROM ({' UNION ALL '.join(parts)})").fetchone()
    return row[0] if row else None


def rows_since(con: duckdb.DuckDBPyConnection, tables: tuple[str, ...], load_id: int) -> bool:
    """Whether any of the tables got rows in a load after `load_id`."""
    return any(con.execute(f"SELECT 1 FROM {table} WHERE _load > ? LIMIT 1", [load_id]).fetchone() for table in tables)


def _is_new_table(con: duckdb.DuckDBPyConnection, table: str, load_id: int) -> bool:
    """Whether a table got its first rows after that load: unknown counts become known for every end face."""
    row = con.execute(f"SELECT min(_load) FROM {table}").fetchone()
    return row is not None and row[0] is not None and int(row[0]) > load_id


def rebuild_connector_state(con: duckdb.DuckDBPyConnection) -> int:
    """Compute `connector_state` for every end face, all but its place; returns the number of rows."""
    con.execute("DELETE FROM connector_state")
    con.execute(_STATE.format(scope="", and_scope="", and_fixed_scope="", final_scope=""), [oldest_time(con)])
    return _count(con, "connector_state")


def refresh_connector_state(con: duckdb.DuckDBPyConnection, seen_load: int) -> int:
    """Recompute `connector_state` for the end faces that loads after `seen_load` touched, all but their place.

    Touched are end faces named by a new or corrected event (its earlier version included), and those built
    into the port of such an event. Returns the number of end faces recomputed; their place is empty until
    `place_connectors`.
    """
    first_rows = any(_is_new_table(con, table, seen_load) for table in EVENT_TABLES)
    if seen_load == 0 or first_rows or rows_since(con, PLANT_TABLES, seen_load):
        return rebuild_connector_state(con)
    con.execute("CREATE OR REPLACE TEMP TABLE touched_face AS " + _TOUCHED_FACES, [seen_load] * 6)
    touched = "connector_id IN (SELECT connector_id FROM touched_face)"
    con.execute(f"DELETE FROM connector_state WHERE {touched}")
    sql = _STATE.format(
        scope=f"WHERE {touched}",
        and_scope=f"AND m.{touched}",
        and_fixed_scope=f"AND c.{touched}",
        final_scope=f"WHERE c.{touched}",
    )
    con.execute(sql, [oldest_time(con)])
    count = _count(con, "touched_face")
    con.execute("DROP TABLE touched_face")
    return count


_TOUCHED_FACES = """
SELECT connector_id FROM mating_events WHERE _load > ?
UNION SELECT connector_id FROM inspections WHERE _load > ?
UNION SELECT connector_id FROM cleanings WHERE _load > ?
UNION SELECT old_row->>'$.connector_id' FROM row_history
      WHERE load_id > ? AND table_name IN ('mating_events', 'inspections', 'cleanings')
UNION SELECT connector_id FROM connectors
      WHERE fixed_port_id IN (
          SELECT port_id FROM mating_events WHERE _load > ?
          UNION SELECT old_row->>'$.port_id' FROM row_history WHERE load_id > ? AND table_name = 'mating_events')
"""


def _count(con: duckdb.DuckDBPyConnection, table: str) -> int:
    row = con.execute(f"SELECT count(*) FROM {table}").fetchone()
    return int(row[0]) if row else 0


_PLACE = """
UPDATE connector_state AS s
SET port_id = a.port_id, face = a.face, housing_id = a.housing_id, site_id = a.site_id,
    environment = a.environment, role = a.role, in_service = a.in_service, partner_id = a.partner_id
FROM (
    SELECT p.*, po.housing_id, h.site_id, si.environment, po.role,
           p.port_id IS NOT NULL AND h.kind <> 'test_set' AS in_service
    FROM _places p
    LEFT JOIN ports po ON po.port_id = p.port_id
    LEFT JOIN housings h ON h.housing_id = po.housing_id
    LEFT JOIN sites si ON si.site_id = h.site_id
) a
WHERE s.connector_id = a.connector_id
  AND (s.port_id IS DISTINCT FROM a.port_id OR s.face IS DISTINCT FROM a.face
       OR s.partner_id IS DISTINCT FROM a.partner_id)
"""


def place_connectors(con: duckdb.DuckDBPyConnection, places: Any) -> None:
    """Put every end face of `connector_state` where the replayed patching has it.

    `places` is an arrow table: connector_id, port_id, face (front, rear, fixed, or assumed where the records
    lost the mate), partner_id; one row per end face, empty where it is nowhere.
    """
    con.register("_places", places)
    try:
        con.execute(_PLACE)
    finally:
        con.unregister("_places")
