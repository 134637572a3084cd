"""SQL that hands the history to the inference as integer-coded arrays.

End faces, ports, sites, people and test sets get dense numbers in the order of their ids, made in the
engine; all events come as one stream in the order of the work: inside one moment demate, look before
cleaning, clean, look after cleaning, mate.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

import duckdb
import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.store.database import fetch
from planner.tables.intake_tables import CLEANING_METHODS, DAMAGE_FINDINGS, DIRT_FINDINGS, PORT_ROLES

ENVIRONMENTS = ("controlled", "indoor", "outdoor", "unknown")

# Kinds of events, in the order of the work inside one moment.
REPORT, DEMATE, LOOK, CLEAN, LOOK_AFTER, MATE, REPLACED = range(7)
# What a look said (detail of LOOK and LOOK_AFTER), and what a closed order said (detail of REPORT).
PASS, DIRT, DAMAGE, FAIL = range(4)
# Flags of a mating (detail of MATE and DEMATE).
INSPECTED_FIRST, CLEANED_FIRST = 1, 2


def _code(column: str, values: tuple[str, ...], otherwise: int) -> str:
    cases = " ".join(f"WHEN '{value}' THEN {number}" for number, value in enumerate(values))
    return f"CASE {column} {cases} ELSE {otherwise} END"


def _listed(values: tuple[str, ...]) -> str:
    return ", ".join(f"'{value}'" for value in values)


def make_indices(con: duckdb.DuckDBPyConnection) -> None:
    """Number end faces, ports, sites, technicians and test sets from 0 in temporary tables."""
    number = "(row_number() OVER (ORDER BY {0}) - 1)::INTEGER"
    statements = {
        "site_index": f"SELECT site_id, {number.format('site_id')} AS site_no FROM sites",
        "port_index": f"""
            SELECT p.port_id, {number.format("p.port_id")} AS port_no,
                   coalesce(i.site_no, -1)::INTEGER AS site_no,
                   ({_code("s.environment", ENVIRONMENTS[:3], 3)})::TINYINT AS environment,
                   ({_code("p.role", PORT_ROLES, 1)})::TINYINT AS role,
                   h.kind = 'test_set' AS of_test_set
            FROM ports p
            LEFT JOIN housings h USING (housing_id)
            LEFT JOIN sites s USING (site_id)
            LEFT JOIN site_index i USING (site_id)""",
        "face_index": f"""
            SELECT connector_id, {number.format("connector_id")} AS face_no, cable_id, fixed_port_id
            FROM connectors""",
        "technician_index": f"""
            SELECT technician_id, {number.format("technician_id")} AS technician_no FROM (
                SELECT DISTINCT technician_id FROM mating_events WHERE technician_id <> ''
                UNION SELECT DISTINCT technician_id FROM cleanings WHERE technician_id <> ''
                UNION SELECT DISTINCT technician_id FROM inspections WHERE technician_id <> '')""",
        "test_set_index": f"""
            SELECT test_set_id, {number.format("test_set_id")} AS test_set_no FROM (
                SELECT DISTINCT test_set_id FROM inspections WHERE test_set_id <> '')""",
        "batch_index": f"""
            SELECT batch, {number.format("batch")} AS batch_no
            FROM (SELECT DISTINCT batch FROM cables WHERE batch <> '')""",
    }
    for name, select in statements.items():
        con.execute(f"CREATE OR REPLACE TEMP TABLE {name} AS {select}")


def faces(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """One row per end face in number order: where it starts, what it is.

    `start_port`, `fixed_port` (-1 none), `start_face` (0 front, 1 rear), `kind` (0 plug, 1 built in,
    2 launch cord or test set), `batch` (-1 unknown).
    """
    return fetch(
        con,
        """
        SELECT f.connector_id,
               coalesce(p.port_no, -1)::INTEGER AS start_port,
               coalesce((pa.face = 'rear')::TINYINT, 0)::TINYINT AS start_face,
               coalesce(x.port_no, -1)::INTEGER AS fixed_port,
               (CASE WHEN c.kind = 'launch_cord' OR coalesce(x.of_test_set, p.of_test_set, false) THEN 2
                     WHEN x.port_no IS NOT NULL THEN 1 ELSE 0 END)::TINYINT AS kind,
               coalesce(b.batch_no, -1)::INTEGER AS batch
        FROM face_index f
        LEFT JOIN patching pa USING (connector_id)
        LEFT JOIN port_index p ON p.port_id = pa.port_id
        LEFT JOIN port_index x ON x.port_id = f.fixed_port_id
        LEFT JOIN cables c USING (cable_id)
        LEFT JOIN batch_index b ON b.batch = c.batch
        ORDER BY f.face_no
        """,
    )


def ports(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """One row per port in number order: port_id, site_no (-1 none), environment, role, of_test_set."""
    return fetch(con, "SELECT port_id, site_no, environment, role, of_test_set FROM port_index ORDER BY port_no")


# Ids become numbers in each table before the tables are put together: texts are not carried through the sort.
_NUMBERED = """JOIN face_index f USING (connector_id)
    LEFT JOIN technician_index t USING (technician_id)
    LEFT JOIN suspected o USING (work_order_id)"""
_WHO = "coalesce(t.technician_no, -1)::INTEGER AS technician"
_SUSPECTED = "(o.work_order_id IS NOT NULL)::TINYINT AS suspected"
_EVENTS = f"""
WITH suspected AS (SELECT work_order_id FROM work_orders WHERE reason IN ('alarm', 'complaint')),
stream AS (
    SELECT "at", (CASE action WHEN 'mate' THEN {MATE} ELSE {DEMATE} END)::TINYINT AS kind, f.face_no AS face,
           coalesce(p.port_no, -1)::INTEGER AS port, (e.face = 'rear')::TINYINT AS face_side,
           (coalesce(inspected_first::INT, 0) * {INSPECTED_FIRST}
            + coalesce(cleaned_first::INT, 0) * {CLEANED_FIRST})::TINYINT AS detail,
           {_WHO}, (-1)::INTEGER AS test_set, {_SUSPECTED}, 0 AS known_after
    FROM mating_events e {_NUMBERED} LEFT JOIN port_index p USING (port_id)
    WHERE "at" <= $until::TIMESTAMP
    UNION ALL
    SELECT "at", (CASE stage WHEN 'after_cleaning' THEN {LOOK_AFTER} ELSE {LOOK} END)::TINYINT, f.face_no,
           -1, 0::TINYINT,
           (CASE WHEN result = 'pass' THEN {PASS}
                 WHEN finding IN ({_listed(DIRT_FINDINGS)}) THEN {DIRT}
                 WHEN finding IN ({_listed(DAMAGE_FINDINGS)}) THEN {DAMAGE}
                 ELSE {FAIL} END)::TINYINT,
           {_WHO}, coalesce(s.test_set_no, -1)::INTEGER, {_SUSPECTED}, 0
    FROM inspections e {_NUMBERED} LEFT JOIN test_set_index s USING (test_set_id)
    WHERE "at" <= $until::TIMESTAMP
    UNION ALL
    SELECT "at", {CLEAN}::TINYINT, f.face_no, -1, 0::TINYINT,
           ({_code("method", CLEANING_METHODS, 0)})::TINYINT, {_WHO}, -1, {_SUSPECTED}, 0
    FROM cleanings e {_NUMBERED}
    WHERE "at" <= $until::TIMESTAMP
    UNION ALL
    SELECT opened_at, {REPORT}::TINYINT, f.face_no, -1, 0::TINYINT,
           (CASE cause_found WHEN 'contamination' THEN {DIRT}
                             WHEN 'damaged_end_face' THEN {DAMAGE} ELSE {PASS} END)::TINYINT,
           -1, -1, {_SUSPECTED}, (epoch(closed_at) - epoch(opened_at))::INTEGER
    FROM work_orders e JOIN face_index f USING (connector_id) LEFT JOIN suspected o USING (work_order_id)
    WHERE cause_found IS NOT NULL AND closed_at <= $until::TIMESTAMP AND opened_at <= $until::TIMESTAMP
    UNION ALL
    SELECT closed_at, {REPLACED}::TINYINT, f.face_no, -1, 0::TINYINT, 0::TINYINT, -1, -1, 0::TINYINT, 0
    FROM work_orders JOIN face_index f USING (connector_id)
    WHERE action_taken = 'replaced_connector' AND closed_at <= $until::TIMESTAMP
)
SELECT epoch_us("at") AS "at", kind, face, port, face_side, detail, technician, test_set, suspected,
       known_after
FROM stream
"""
# What decides the order of events of one kind and moment, the last first.
_TIES = ("suspected", "face_side", "test_set", "technician", "port", "detail", "face")


def events(con: duckdb.DuckDBPyConnection, until: datetime) -> dict[str, npt.NDArray[Any]]:
    """The whole stream of events up to `until`, in the order of the work, as one array per column.

    `at` is seconds since 1970 UTC; `kind` one of the codes of this module; `face`, `port`, `technician`,
    `test_set` are numbers (-1 none); `face_side` 0 front, 1 rear; `detail` by kind: what a look or a closed
    order said, the method of a cleaning, the flags of a mating; `suspected` 1 for events of an order that an
    alarm or complaint opened; `known_after` how many seconds later the records had it, which is when a reporting
    order was closed.
    """
    fetched = con.execute(_EVENTS, {"until": until}).fetchnumpy()
    columns = {name: np.asarray(values) for name, values in fetched.items()}
    del fetched
    moment = columns["at"] * 8 + columns["kind"]
    order = np.argsort(moment, kind="stable")  # quick where the tables are in order of time already
    moment = moment[order]
    same = moment[1:] == moment[:-1]
    tied = np.flatnonzero(np.append(same, False) | np.append(False, same)) if len(moment) else order
    rows = order[tied]
    order[tied] = rows[np.lexsort([*(columns[name][rows] for name in _TIES), moment[tied]])]
    del moment
    for name in list(columns):
        columns[name] = columns[name][order]
    columns["at"] //= 1_000_000
    return columns


def names(con: duckdb.DuckDBPyConnection) -> dict[str, list[str]]:
    """Ids by number: sites, technicians, test sets and batches."""
    tables = {
        "site": ("site_id", "site_index", "site_no"),
        "technician": ("technician_id", "technician_index", "technician_no"),
        "test_set": ("test_set_id", "test_set_index", "test_set_no"),
        "batch": ("batch", "batch_index", "batch_no"),
    }
    return {
        kind: [row[0] for row in con.execute(f"SELECT {column} FROM {table} ORDER BY {order}").fetchall()]
        for kind, (column, table, order) in tables.items()
    }


def kept_figures(con: duckdb.DuckDBPyConnection, fingerprint: str) -> str | None:
    """The figures that were learned from what has this fingerprint; None if there are none."""
    row = con.execute("SELECT document FROM fleet_figures WHERE fingerprint = ?", [fingerprint]).fetchone()
    return str(row[0]) if row else None
