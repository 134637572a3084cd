"""Measurements made through a test cord that reads too high: `doubtful_measurements`.

A dirty launch cord adds its own loss to every circuit it is mated to. What shows it is not the circuits but the
cord: its tests lie above the other tests of the same series, on several circuits alike.
"""

from __future__ import annotations

from datetime import datetime

import duckdb

# A cord is doubted from so many tests on so many circuits that lie this much above the others of their series in the
# middle, and by half as much in three of four. Our choice: a sound cord differs by .2-.3 dB, a mating anew.
FEWEST_TESTS, FEWEST_CIRCUITS, DOUBTED_DB = 5, 3, 0.5
THROUGH_MINUTES = 60  # a test is made through a cord that was mated to its path within so long before

# Conditions on rows of `loss_tests` and of `otdr_events`: measured through no such cord.
SOUND_TEST = "test_id NOT IN (SELECT measurement_id FROM doubtful_measurements WHERE kind = 'loss_test')"
SOUND_TRACE = "trace_id NOT IN (SELECT measurement_id FROM doubtful_measurements WHERE kind = 'trace')"

_FIND = """
CREATE OR REPLACE TEMP TABLE _through AS
WITH mated AS (
    SELECT connector_id, port_id, "at" FROM mating_events
    WHERE action = 'mate' AND "at" <= $now AND connector_id IN (
        SELECT connector_id FROM connectors JOIN cables USING (cable_id) WHERE kind = 'launch_cord')
),
path AS (SELECT DISTINCT circuit_id, port_id FROM circuit_paths WHERE port_id IS NOT NULL),
measured AS (
    SELECT 'loss_test' AS kind, test_id AS measurement_id, circuit_id, "at" FROM loss_tests WHERE "at" <= $now
    UNION ALL
    SELECT DISTINCT 'trace', trace_id, circuit_id, "at" FROM otdr_events WHERE "at" <= $now
)
SELECT DISTINCT kind, measurement_id, circuit_id, t."at" AS measured_at, m.connector_id
FROM measured t JOIN path USING (circuit_id)
JOIN mated m ON m.port_id = path.port_id AND m."at" <= t."at" AND m."at" > t."at" - to_minutes($minutes)
"""

_DOUBTED = """
WITH tests AS (
    SELECT *, coalesce(reference_cords, 0) AS cords FROM loss_tests WHERE loss_db IS NOT NULL AND "at" <= $now
),
above AS (
    SELECT h.connector_id, a.circuit_id, a.loss_db - median(b.loss_db) AS above_db
    FROM tests a
    JOIN _through h ON h.kind = 'loss_test' AND h.measurement_id = a.test_id
    JOIN tests b ON b.circuit_id = a.circuit_id AND b.direction IS NOT DISTINCT FROM a.direction
         AND b.wavelength_nm = a.wavelength_nm AND b.cords = a.cords
    ANTI JOIN _through x ON x.measurement_id = b.test_id AND x.connector_id = h.connector_id
    GROUP BY h.connector_id, a.circuit_id, a.test_id, a.loss_db
),
doubted AS (
    SELECT connector_id, median(above_db) AS excess_db FROM above GROUP BY connector_id
    HAVING count(*) >= $tests AND count(DISTINCT circuit_id) >= $circuits
       AND median(above_db) >= $doubted AND quantile_cont(above_db, 0.25) >= $doubted / 2
)
INSERT INTO doubtful_measurements BY NAME
SELECT kind, measurement_id, circuit_id, measured_at, arg_max(connector_id, (excess_db, connector_id)) AS connector_id,
       max(excess_db) AS excess_db
FROM _through JOIN doubted USING (connector_id)
GROUP BY kind, measurement_id, circuit_id, measured_at
ORDER BY kind, measurement_id
"""


def find_doubtful(con: duckdb.DuckDBPyConnection, now: datetime) -> str:
    """Fill `doubtful_measurements`; returns what was left out in words, empty if nothing; call in a transaction."""
    con.execute("DELETE FROM doubtful_measurements")
    con.execute(_FIND, {"now": now, "minutes": THROUGH_MINUTES})
    con.execute(_DOUBTED, {"now": now, "tests": FEWEST_TESTS, "circuits": FEWEST_CIRCUITS, "doubted": DOUBTED_DB})
    con.execute("DROP TABLE _through")
    cords = con.execute(
        """
        SELECT connector_id, round(max(excess_db), 1) AS excess_db FROM doubtful_measurements
        GROUP BY connector_id ORDER BY 2 DESC, 1
        """
    ).fetchall()
    if not cords:
        return ""
    (count,) = con.execute("SELECT count(*) FROM doubtful_measurements").fetchone() or (0,)
    named = ", ".join(f"{name} (+{excess:.1f} dB)" for name, excess in cords[:5])
    return f"left out: {count} measurements through test cords that read too high, clean the cord and repeat: {named}"
