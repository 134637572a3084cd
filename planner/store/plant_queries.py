"""The plant tables and mating events as integer columns, coded by the engine.

Ids are numbered by their order in temporary tables (`plant_site`, `plant_port`, ...), references become
those numbers (-1 none), and words become their place in the declared list of allowed values. What comes
out is what `planner.plant` builds its arrays from.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import duckdb
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from planner.store.database import fetch, quoted
from planner.tables.catalogue import TABLES
from planner.tables.intake_tables import (
    CABLE_KINDS,
    FAMILIES,
    FIBRE_TYPES,
    HOUSING_KINDS,
    MODES,
    POLISHES,
    PORT_ROLES,
)

Columns = dict[str, Any]
Array = npt.NDArray[Any]

# temporary table of numbers -> (table, its id)
_NUMBERED = {
    "plant_site": ("sites", "site_id"),
    "plant_housing": ("housings", "housing_id"),
    "plant_port": ("ports", "port_id"),
    "plant_cable": ("cables", "cable_id"),
    "plant_connector": ("connectors", "connector_id"),
    "plant_splice": ("splices", "splice_id"),
    "plant_circuit": ("circuits", "circuit_id"),
}


def _code(column: str, allowed: Sequence[str]) -> str:
    """SQL for the place of a word in a list, -1 if it is not there."""
    words = ", ".join(f"'{word}'" for word in allowed)
    return f"(coalesce(list_position([{words}], {column}), 0) - 1)::TINYINT"


def _columns(con: duckdb.DuckDBPyConnection, sql: str, parameters: Sequence[object] = ()) -> Columns:
    """Columns of a query: numbers as arrays, text as one arrow array."""
    table = con.sql(sql, params=list(parameters)).to_arrow_table()
    out: Columns = {}
    for name in table.column_names:
        column = table.column(name)
        column = column.combine_chunks() if column.num_chunks != 1 else column.chunk(0)
        out[name] = column.cast(pa.string()) if pa.types.is_string(column.type) else _numbers(column)
    return out


def _numbers(column: Any) -> Array:
    values: Array = column.to_numpy(zero_copy_only=False)
    return values


def number_ids(con: duckdb.DuckDBPyConnection) -> None:
    """Number the rows of every plant table by id, in temporary tables `plant_*` (number, id)."""
    for name, (table, key) in _NUMBERED.items():
        con.execute(
            f"CREATE OR REPLACE TEMP TABLE {name} AS "
            f"SELECT (row_number() OVER (ORDER BY {key}) - 1)::INTEGER AS number, {key} AS id FROM {table}"
        )
    con.execute(
        "CREATE OR REPLACE TEMP TABLE plant_splitter AS "
        "SELECT (row_number() OVER (ORDER BY splitter_id) - 1)::INTEGER AS number, splitter_id AS id "
        "FROM (SELECT DISTINCT splitter_id FROM splitter_legs)"
    )


def drop_numbers(con: duckdb.DuckDBPyConnection) -> None:
    """Drop the temporary tables of `number_ids`."""
    for name in (*_NUMBERED, "plant_splitter"):
        con.execute(f"DROP TABLE IF EXISTS {name}")


def coded_plant(con: duckdb.DuckDBPyConnection) -> dict[str, Columns]:
    """The plant tables as coded columns, rows in the order of `number_ids`.

    The connectors' `port` and `face` are left out: they come from the replay of the mating events.
    """
    return {
        "sites": _columns(
            con,
            "SELECT n.id AS ids, s.latitude, s.longitude FROM sites s JOIN plant_site n ON n.id = s.site_id "
            "ORDER BY n.number",
        ),
        "housings": _columns(
            con,
            f"SELECT n.id AS ids, coalesce(s.number, -1) AS site, {_code('h.kind', HOUSING_KINDS)} AS kind "
            "FROM housings h JOIN plant_housing n ON n.id = h.housing_id "
            "LEFT JOIN plant_site s ON s.id = h.site_id ORDER BY n.number",
        ),
        "ports": _columns(
            con,
            f"""SELECT n.id AS ids, p.label AS label, coalesce(h.number, -1) AS housing,
                       {_code("p.family", FAMILIES)} AS family, {_code("p.polish", POLISHES)} AS polish,
                       {_code("p.mode", MODES)} AS mode, coalesce(p.fibre_count, 1)::SMALLINT AS fibre_count,
                       {_code("p.role", PORT_ROLES)} AS role
                FROM ports p JOIN plant_port n ON n.id = p.port_id
                LEFT JOIN plant_housing h ON h.id = p.housing_id ORDER BY n.number""",
        ),
        "cables": _columns(
            con,
            f"""SELECT n.id AS ids, {_code("c.kind", CABLE_KINDS)} AS kind,
                       {_code("c.fibre_type", FIBRE_TYPES)} AS fibre_type,
                       coalesce(c.length_m, 'nan'::DOUBLE) AS length_m,
                       coalesce(c.fibre_count, 1)::INTEGER AS fibre_count,
                       {_code("c.polarity", ("A", "B", "C"))} AS polarity
                FROM cables c JOIN plant_cable n ON n.id = c.cable_id ORDER BY n.number""",
        ),
        "connectors": _columns(
            con,
            f"""SELECT n.id AS ids, coalesce(k.number, -1) AS cable,
                       {_code("c.cable_end", ("A", "B"))} AS cable_end,
                       coalesce(c.first_fibre, 1)::INTEGER AS first_fibre,
                       coalesce(c.fibre_count, 1)::SMALLINT AS fibre_count,
                       coalesce(p.number, -1) AS fixed_port, {_code("c.family", FAMILIES)} AS family,
                       {_code("c.polish", POLISHES)} AS polish, {_code("c.grade", "ABCD")} AS grade
                FROM connectors c JOIN plant_connector n ON n.id = c.connector_id
                LEFT JOIN plant_cable k ON k.id = c.cable_id
                LEFT JOIN plant_port p ON p.id = c.fixed_port_id ORDER BY n.number""",
        ),
        "splices": _columns(
            con,
            f"""SELECT n.id AS ids, coalesce(t.number, -1) AS site,
                       coalesce(a.number, -1) AS cable_a, {_code("s.end_a", ("A", "B"))} AS end_a,
                       coalesce(s.fibre_a, 1)::INTEGER AS fibre_a,
                       coalesce(b.number, -1) AS cable_b, {_code("s.end_b", ("A", "B"))} AS end_b,
                       coalesce(s.fibre_b, 1)::INTEGER AS fibre_b,
                       {_code("s.kind", ("fusion", "mechanical"))} AS kind,
                       coalesce(s.loss_db, 'nan'::DOUBLE) AS loss_db
                FROM splices s JOIN plant_splice n ON n.id = s.splice_id
                LEFT JOIN plant_site t ON t.id = s.site_id
                LEFT JOIN plant_cable a ON a.id = s.cable_a_id
                LEFT JOIN plant_cable b ON b.id = s.cable_b_id ORDER BY n.number""",
        ),
        "legs": {
            "ids": _columns(con, "SELECT id FROM plant_splitter ORDER BY number")["id"],
            **_columns(
                con,
                """SELECT n.number AS splitter, l.leg::INTEGER AS leg, coalesce(p.number, -1) AS port,
                          coalesce(l.ratio, 0)::INTEGER AS ratio
                   FROM splitter_legs l JOIN plant_splitter n ON n.id = l.splitter_id
                   LEFT JOIN plant_port p ON p.id = l.port_id ORDER BY n.number, l.leg""",
            ),
        },
        "circuits": _columns(
            con,
            """SELECT n.id AS ids, coalesce(a.number, -1) AS a_port, coalesce(z.number, -1) AS z_port,
                      coalesce(c.fibre, 1)::SMALLINT AS fibre,
                      coalesce(c.wavelength_nm, 'nan'::DOUBLE) AS wavelength_nm,
                      coalesce(c.customers, 0)::BIGINT AS customers, coalesce(c.priority, 0)::TINYINT AS priority,
                      coalesce(o.number, -1) AS protected_by
               FROM circuits c JOIN plant_circuit n ON n.id = c.circuit_id
               LEFT JOIN plant_port a ON a.id = c.a_port_id
               LEFT JOIN plant_port z ON z.id = c.z_port_id
               LEFT JOIN plant_circuit o ON o.id = c.protected_by ORDER BY n.number""",
        ),
    }


# A patching row that says it is younger than the history is a mate of its own at that time.
_FIRST = 'SELECT least((SELECT min("at") FROM mating_events), ?::TIMESTAMP) AS moment'


def coded_start(con: duckdb.DuckDBPyConnection, until: datetime) -> tuple[Array, Array]:
    """Port (-1 none) and face (0 front, 1 rear) of every connector before the first mating event."""
    columns = _columns(
        con,
        f"""WITH first AS ({_FIRST})
            SELECT coalesce(p.number, -1) AS port, (coalesce(s.face, 'front') = 'rear')::TINYINT AS face
            FROM plant_connector n
            LEFT JOIN (SELECT * FROM patching, first WHERE since_at IS NULL OR since_at <= moment) s
                   ON s.connector_id = n.id
            LEFT JOIN plant_port p ON p.id = s.port_id ORDER BY n.number""",
        [until],
    )
    return columns["port"], columns["face"]


def coded_places(con: duckdb.DuckDBPyConnection) -> tuple[Array, Array]:
    """Port (-1 none) and face (0 front, 1 rear, 2 built in, -1 none) of every connector as last traced.

    An end face that tracing put back stands at the face of its last event in that port; at the front if it has
    none there (another pushed it out).
    """
    columns = _columns(
        con,
        """WITH put_back AS (
               SELECT s.connector_id, arg_max(e.face, (e."at", length(e.event_id), e.event_id)) AS face
               FROM connector_state s JOIN mating_events e ON e.connector_id = s.connector_id AND e.port_id = s.port_id
               WHERE s.face = 'assumed' GROUP BY s.connector_id
           )
           SELECT coalesce(p.number, -1) AS port,
                  (coalesce(list_position(['front', 'rear', 'fixed'],
                                          coalesce(b.face, if(s.face = 'assumed', 'front', s.face))),
                            0) - 1)::TINYINT AS face
           FROM plant_connector n
           LEFT JOIN connector_state s ON s.connector_id = n.id
           LEFT JOIN put_back b ON b.connector_id = n.id
           LEFT JOIN plant_port p ON p.id = s.port_id ORDER BY n.number""",
    )
    return columns["port"], columns["face"]


def coded_events(con: duckdb.DuckDBPyConnection, until: datetime) -> Columns:
    """Mating events up to and including `until`, by time and number, as arguments of `replay`.

    `event_row` is the row id of the event in `mating_events` (-1 for a patching row younger than the
    history), good within one transaction.
    """
    return _columns(
        con,
        f"""WITH first AS ({_FIRST}),
            moves AS (
                SELECT "at" AS moment, port_id, face, connector_id, action, event_id, rowid AS event_row
                FROM mating_events WHERE "at" <= ?::TIMESTAMP
                UNION ALL
                SELECT since_at, port_id, face, connector_id, 'mate', '', -1
                FROM patching p, first
                WHERE since_at > moment AND since_at <= ?::TIMESTAMP
                  AND NOT EXISTS (SELECT 1 FROM mating_events e WHERE e.connector_id = p.connector_id
                                  AND e."at" = p.since_at AND e.action = 'mate')
            )
            SELECT epoch_us(m.moment) AS event_at, p.number AS event_port,
                   (m.face = 'rear')::TINYINT AS event_face, c.number AS event_connector,
                   (m.action = 'demate')::TINYINT AS event_action, m.event_row
            FROM moves m JOIN plant_port p ON p.id = m.port_id JOIN plant_connector c ON c.id = m.connector_id
            ORDER BY m.moment, length(m.event_id), m.event_id""",
        [until, until, until],
    )


def event_ids(con: duckdb.DuckDBPyConnection, rows: Array) -> pd.DataFrame:
    """Id and time of mating events by row id: columns `event_row`, `event_id`, `at`."""
    wanted = pd.DataFrame({"event_row": np.asarray(rows, dtype=np.int64)})
    con.register("_wanted", wanted)
    try:
        return fetch(
            con,
            'SELECT w.event_row, e.event_id, e."at" FROM _wanted w '
            "JOIN mating_events e ON e.rowid = w.event_row ORDER BY w.event_row",
        )
    finally:
        con.unregister("_wanted")


def powered_ports(con: duckdb.DuckDBPyConnection, now: datetime, days: int = 30) -> pd.DataFrame:
    """Latest received power of every port that reported in the last `days` days: port_id, at, rx_dbm."""
    return fetch(
        con,
        """SELECT port_id, arg_max(rx_dbm, "at") AS rx_dbm, max("at") AS "at"
           FROM power_readings
           WHERE "at" <= ?::TIMESTAMP AND "at" > ?::TIMESTAMP - to_days(?) AND rx_dbm IS NOT NULL
           GROUP BY port_id ORDER BY port_id""",
        [now, now, days],
    )


def history_begins(con: duckdb.DuckDBPyConnection) -> datetime | None:
    """Time of the first mating event; None without any."""
    row = con.execute('SELECT min("at") FROM mating_events').fetchone()
    return row[0] if row else None


def circuit_summary(con: duckdb.DuckDBPyConnection, circuit_id: str, until: datetime | None = None) -> pd.DataFrame:
    """One row on a circuit: its ends, status of the trace, and latest loss tests in words; empty if unknown.

    `until` leaves out tests after that moment.
    """
    return fetch(
        con,
        """WITH tests AS (
               SELECT wavelength_nm, arg_max(loss_db, "at") AS loss_db, max("at") AS tested_at
               FROM loss_tests WHERE circuit_id = $1 AND ($2::TIMESTAMP IS NULL OR "at" <= $2::TIMESTAMP)
               GROUP BY wavelength_nm)
           SELECT c.circuit_id, c.name, c.application, c.wavelength_nm, c.a_port_id, c.z_port_id,
                  s.traced, s.reason, s.connectors, s.splices, s.splitters, s.length_m, s.a_site_id, s.z_site_id,
                  (SELECT string_agg(printf('%.2f dB at %.0f nm on %s', loss_db, wavelength_nm,
                                            strftime(tested_at, '%Y-%m-%d')), '; ' ORDER BY wavelength_nm)
                   FROM tests) AS tests
           FROM circuits c LEFT JOIN circuit_status s USING (circuit_id) WHERE c.circuit_id = $1""",
        [circuit_id, until],
    )


# The reading of an element: received power at an equipment port, else the last look at the end face.
_READING = """
CASE WHEN p.element_kind <> 'connector' THEN NULL
     WHEN d.latest IS NOT NULL THEN printf('receives %.1f dBm (loss %+.1f dB since its baseline), %s', d.latest,
                                           d.drift_db, strftime(d.last_at, '%Y-%m-%d'))
     WHEN c.last_inspected_at IS NOT NULL THEN printf('%s%s, %s', c.last_result,
              coalesce(' (' || c.last_finding || ')', ''), strftime(c.last_inspected_at, '%Y-%m-%d'))
     ELSE CASE WHEN EXISTS (FROM inspections) THEN 'never looked at' ELSE 'not assessed: no inspections' END END
"""


def path_with_readings(con: duckdb.DuckDBPyConnection, circuit_id: str) -> pd.DataFrame:
    """The traced path of a circuit, element by element, with the current reading of each where known."""
    return fetch(
        con,
        f"""SELECT p.position, p.element_kind, p.element_id, p.connector_id, p.port_id, p.site_id, p.fibre,
                   p.length_m, p.detail, {_READING} AS reading, h.p_not_clean
            FROM circuit_paths p
            LEFT JOIN connector_state c ON c.connector_id = p.connector_id
            LEFT JOIN connector_health h ON h.connector_id = p.connector_id
            LEFT JOIN series_drift d ON d.kind = 'rx_power' AND d.port_id = p.port_id AND c.face = 'fixed'
            WHERE p.circuit_id = ? ORDER BY p.position""",
        [circuit_id],
    )


def findings_by_code(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Number of audit findings per severity and code, errors first."""
    return fetch(
        con,
        """SELECT severity, code, count(*) AS findings, min(place_kind || ' ' || place_id) AS example
           FROM audit_findings GROUP BY severity, code ORDER BY severity, findings DESC, code""",
    )


def findings(con: duckdb.DuckDBPyConnection, top: int) -> pd.DataFrame:
    """The first audit findings: severity, code, place, text and repair."""
    return fetch(
        con,
        """SELECT finding_no, severity, code, place_kind || ' ' || place_id AS place, site_id, text, repair
           FROM audit_findings ORDER BY finding_no LIMIT ?""",
        [top],
    )


def replace_paths(con: duckdb.DuckDBPyConnection, table: Any) -> int:
    """Replace `circuit_paths` by the rows of an arrow table; call inside `transaction`. Returns the rows."""
    columns = ", ".join(quoted(name) for name in TABLES["circuit_paths"].column_names)
    con.execute("DELETE FROM circuit_paths")
    con.register("_incoming", table)
    try:
        con.execute(f"INSERT INTO circuit_paths ({columns}) SELECT {columns} FROM _incoming")
    finally:
        con.unregister("_incoming")
    return int(table.num_rows)
