"""What the pages of the dashboard ask of the store: every question a named function holding its SQL.

In: a connection (or cursor) that only reads, and values. Out: frames whose columns carry the declared
names. Column names that reach SQL come from the fixed lists below, never from a request; values travel as
parameters. Large tables are read one page at a time (`page_of`), see `GRIDS`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Literal

import duckdb
import pandas as pd

from planner.errors import ParameterError, StoreError
from planner.store.database import fetch, open_database, quoted
from planner.store.known_ids import nearest_ids as nearest_ids
from planner.store.meeting_queries import evidence_of
from planner.store.summary_queries import circuit_evidence as circuit_evidence
from planner.tables.catalogue import TABLES

Connection = duckdb.DuckDBPyConnection
ColumnKind = Literal["text", "number", "timestamp", "boolean"]

# Most rows one page of a large table may ask for.
LARGEST_PAGE = 500

# From this probability on an end face counts as suspected of costing a circuit light.
SUSPECTED_FROM = 0.25
# A visit that wins this much is worth watching for, however the end face looks. [customer-min] Our choice.
PAYS_FROM = 100

# Causes that need nobody to go anywhere.
HARMLESS = "('nothing', 'remating_offset')"

# What a circuit's figures call for. One definition, used by the lists, the map and the circuit's page.
_CIRCUIT_STATE = """
    CASE WHEN m.measured_db IS NULL AND d.drift_db IS NULL AND t.p_fault IS NULL THEN 'unknown'
         WHEN t.p_fault >= 0.5 AND (m.margin_db < 1 OR d.drift_db >= 1 OR t.cause = 'fibre_break') THEN 'act'
         WHEN m.measured_db IS NOT NULL AND m.margin_db < 0 AND (t.p_fault >= 0.2 OR d.drift_db >= 0.5) THEN 'act'
         WHEN t.p_fault >= 0.5 OR (m.measured_db IS NOT NULL AND m.margin_db < 0) THEN 'soon'
         WHEN t.p_fault >= 0.2 OR d.drift_db >= 0.5 OR (m.measured_db IS NOT NULL AND m.margin_db < 1) THEN 'watch'
         ELSE 'sound' END
"""
CIRCUIT_STATE_RULE = (
    "Act now: a fault is more likely than not and less than 1 dB of margin is left, a reading has worsened by 1 dB "
    "or the fibre is broken; or the measured loss is beyond what is allowed and a fault has 20 % or more or a "
    "reading has worsened by 0.5 dB. Soon: a fault is more likely than not, or the loss is beyond what is allowed. "
    "Watch: a fault has 20 % or more, a reading has worsened by 0.5 dB, or less than 1 dB is left. Sound: none of "
    "these. Unknown: nothing measured."
)

_CONNECTOR_STATE = f"""
    CASE WHEN h.p_not_clean IS NULL OR NOT (SELECT history OR light FROM prepared.known) THEN 'unknown'
         WHEN h.p_costs_light >= 0.5 OR (h.p_costs_light >= {SUSPECTED_FROM} AND h.p_not_clean >= 0.5) THEN 'act'
         WHEN h.p_costs_light >= {SUSPECTED_FROM} OR h.p_not_clean >= 0.5 THEN 'soon'
         WHEN h.p_not_clean >= 0.2 OR r.benefit >= {PAYS_FROM} THEN 'watch'
         ELSE 'sound' END
"""
CONNECTOR_STATE_RULE = (
    "Act now: the end face costs a circuit light with 50 % or more, or with 25 % or more while it is more likely "
    "not clean than clean. Soon: it costs light with 25 %, or is more likely not clean than clean. Watch: 20 % or "
    f"more not clean, or a visit wins {PAYS_FROM} customer-minutes. Sound: less. Unknown: not assessed."
)

# Tables made in memory beside a read-only store: whether anything was recorded or measured at all; circuits with
# what their figures come to, in the order of need; for each row of the ranking the rows that belong to it, and its
# state.
_PREPARED = (
    """CREATE OR REPLACE TABLE prepared.known AS
       SELECT EXISTS (FROM mating_events) OR EXISTS (FROM inspections) OR EXISTS (FROM cleanings) AS history,
              EXISTS (FROM power_readings) OR EXISTS (FROM loss_tests) OR EXISTS (FROM otdr_events) AS light,
              EXISTS (FROM inspections) AS looks""",
    f"""CREATE OR REPLACE TABLE prepared.circuit_now AS
        WITH m AS (
          SELECT circuit_id, min(margin_db) AS margin_db, arg_min(wavelength_nm, margin_db) AS margin_nm,
                 arg_min_null(measured_db, margin_db) AS measured_db, arg_min_null(allowed_db, margin_db) AS allowed_db,
                 arg_min_null(allowed_from, margin_db) AS allowed_from
          FROM circuit_budget GROUP BY circuit_id),
        d AS (
          SELECT circuit_id, max(drift_db) AS drift_db, arg_max(kind, drift_db) AS drift_kind,
                 arg_max(last_at, drift_db) AS drift_at
          FROM series_drift WHERE circuit_id IS NOT NULL AND kind IN ('rx_power', 'loss_test') GROUP BY circuit_id),
        t AS (
          SELECT circuit_id, least(1, sum(CASE WHEN cause IN {HARMLESS} THEN 0 ELSE probability END)) AS p_fault,
                 arg_max(cause, probability) FILTER (cause NOT IN {HARMLESS}) AS cause,
                 max(probability) FILTER (cause NOT IN {HARMLESS}) AS p_suspect,
                 arg_max(rowid, probability) FILTER (cause NOT IN {HARMLESS}) AS suspect_row
          FROM diagnosis GROUP BY circuit_id),
        all_circuits AS (
          SELECT c.circuit_id, m.margin_db, m.margin_nm, m.measured_db, m.allowed_db, m.allowed_from, d.drift_db,
                 d.drift_kind, d.drift_at, t.p_fault, t.cause, t.p_suspect, s.element_id AS suspect_id,
                 s.element_kind AS suspect_kind, c.customers, {_CIRCUIT_STATE} AS state
          FROM circuits c LEFT JOIN m USING (circuit_id) LEFT JOIN d USING (circuit_id)
          LEFT JOIN t USING (circuit_id) LEFT JOIN diagnosis s ON s.rowid = t.suspect_row)
        SELECT * EXCLUDE (customers), row_number() OVER (
                 ORDER BY CASE state WHEN 'act' THEN 0 WHEN 'soon' THEN 1 WHEN 'watch' THEN 2 WHEN 'sound' THEN 3
                          ELSE 4 END,
                          coalesce(p_fault >= 0.5, false) DESC, margin_db NULLS LAST,
                          customers DESC NULLS LAST, circuit_id) AS state_rank
        FROM all_circuits ORDER BY state_rank""",
    f"""CREATE OR REPLACE TABLE prepared.face_now AS
        SELECT r.rowid AS ranking_row, s.rowid AS state_row, h.rowid AS health_row, {_CONNECTOR_STATE} AS state
        FROM ranking r LEFT JOIN connector_state s USING (connector_id)
        LEFT JOIN connector_health h USING (connector_id) ORDER BY r.rowid""",
)


def open_for_pages(path: Path) -> Connection:
    """A store opened for reading, with the in-memory tables that the other functions here read beside it.

    Raises
    ------
    StoreError
        The file is missing, in use, or not of this version.
    """
    open_database(path, read_only=True).close()  # says what is wrong with it, if anything is
    con = duckdb.connect()
    try:
        con.execute(f"ATTACH '{str(path).replace(chr(39), chr(39) * 2)}' AS store (READ_ONLY)")
        con.execute("ATTACH ':memory:' AS prepared")
        cursor = page_cursor(con)
        for statement in _PREPARED:
            cursor.execute(statement)
    except duckdb.Error as error:
        con.close()
        raise StoreError(f"{path}: cannot be read for the pages: {str(error).splitlines()[0]}") from error
    return con


def page_cursor(con: Connection) -> Connection:
    """A cursor for one thread on a store that was opened for the pages."""
    cursor = con.cursor()
    cursor.execute("USE store")
    cursor.execute("SET TimeZone = 'UTC'")
    return cursor


# ---------------------------------------------------------------------------------------- the fleet


def row_counts(con: Connection) -> dict[str, int]:
    """Rows of every declared table; 0 for a table this database does not have."""
    present = {
        name
        for (name,) in con.execute(
            "SELECT table_name FROM duckdb_tables() WHERE database_name = current_database()"
        ).fetchall()
    }
    names = [name for name in TABLES if name in present]
    counts = dict.fromkeys(TABLES, 0)
    if names:
        sql = " UNION ALL ".join(f"SELECT '{name}', count(*) FROM {quoted(name)}" for name in names)
        counts.update(con.execute(sql).fetchall())
    return counts


def stages(con: Connection) -> pd.DataFrame:
    """Which state of the data each step of the analysis rests on."""
    return fetch(con, "SELECT stage, load_id, as_of_at, seconds, note FROM stage_runs ORDER BY as_of_at, stage")


def as_of(con: Connection) -> datetime | None:
    """The moment the newest results were computed for (UTC); None without results."""
    row = con.execute("SELECT max(as_of_at) FROM stage_runs").fetchone()
    return row[0] if row else None


def regions(con: Connection) -> list[str]:
    """Regions that sites name, in order."""
    rows = con.execute("SELECT DISTINCT region FROM sites WHERE region IS NOT NULL ORDER BY 1").fetchall()
    return [region for (region,) in rows]


def fleet_health(con: Connection) -> pd.DataFrame:
    """One row: end faces assessed, how many are more likely not clean than clean, and expected counts."""
    return fetch(
        con,
        """SELECT count(*) AS assessed, count(*) FILTER (p_not_clean >= 0.5) AS likely_not_clean,
                  sum(p_contaminated) AS expected_contaminated, sum(p_damaged) AS expected_damaged
           FROM connector_health h JOIN connector_state s USING (connector_id) WHERE s.in_service""",
    )


def circuit_states(con: Connection, region: str = "") -> dict[str, int]:
    """How many circuits are in each state, of one region (of the A or Z end) or all."""
    rows = con.execute(
        """SELECT state, count(*) FROM prepared.circuit_now LEFT JOIN circuit_status cs USING (circuit_id)
           LEFT JOIN sites a ON a.site_id = cs.a_site_id LEFT JOIN sites z ON z.site_id = cs.z_site_id
           WHERE ? = '' OR a.region = ? OR z.region = ? GROUP BY state""",
        [region, region, region],
    ).fetchall()
    return dict(rows)


def worst_circuits(con: Connection, limit: int, region: str = "", cause: str = "", state: str = "") -> pd.DataFrame:
    """Circuits that need somebody, worst first: state, margin, drift, suspect and why.

    Of circuits with the same probable suspect the worst stands for all; `same_suspect` is how many there are.
    """
    return fetch(
        con,
        """WITH chosen AS (
             SELECT k.*, count(*) OVER same AS same_suspect FROM prepared.circuit_now k
             LEFT JOIN circuit_status cs USING (circuit_id)
             LEFT JOIN sites a ON a.site_id = cs.a_site_id LEFT JOIN sites z ON z.site_id = cs.z_site_id
             WHERE k.state IN ('act', 'soon', 'watch') AND (? = '' OR a.region = ? OR z.region = ?)
               AND (? = '' OR k.cause = ?) AND (? = '' OR k.state = ?)
             WINDOW same AS (PARTITION BY k.cause, if(k.p_suspect >= 0.5, nullif(k.suspect_id, ''), NULL),
                             if(k.p_suspect >= 0.5 AND k.suspect_id <> '', NULL, k.circuit_id))
             QUALIFY row_number() OVER (same ORDER BY k.state_rank) = 1
             ORDER BY k.state_rank LIMIT ?),
           reason AS (
             SELECT circuit_id, cause, element_id, arg_max(same_as, probability) AS same_as,
                    arg_max(onset_at, probability) AS onset_at, arg_max(size_db, probability) AS size_db
             FROM diagnosis WHERE circuit_id IN (SELECT circuit_id FROM chosen) GROUP BY circuit_id, cause, element_id),
           test AS (
             SELECT circuit_id, any_value(next_test) FILTER (next_test <> '') AS next_test
             FROM diagnosis WHERE circuit_id IN (SELECT circuit_id FROM chosen) GROUP BY circuit_id),
           light AS (
             SELECT circuit_id,
                    arg_max(text, CASE WHEN starts_with(question, 'Is anything wrong? Something') THEN decibans
                                  ELSE -decibans END) AS evidence
             FROM diagnosis_evidence
             WHERE circuit_id IN (SELECT circuit_id FROM chosen) AND starts_with(question, 'Is anything wrong?')
               AND regexp_matches(
                   text, '^(power:|loss |tested loss|measured loss|first readings|reflectance|return loss)')
             GROUP BY circuit_id)
           SELECT k.*, c.name, c.application, c.customers, c.priority, r.same_as, r.onset_at, r.size_db,
                  t.next_test, l.evidence
           FROM chosen k JOIN circuits c USING (circuit_id)
           LEFT JOIN test t USING (circuit_id) LEFT JOIN light l USING (circuit_id)
           LEFT JOIN reason r ON r.circuit_id = k.circuit_id AND r.cause = k.cause
             AND r.element_id IS NOT DISTINCT FROM k.suspect_id
           ORDER BY k.state_rank""",
        [region, region, region, cause, cause, state, state, limit],
    )


def site_health(con: Connection, region: str = "") -> pd.DataFrame:
    """One row per site: where it is, its end faces, how many are expected not clean, work it would take."""
    return fetch(
        con,
        """WITH ranked AS (
             SELECT r.site_id, sum(h.p_not_clean) FILTER (f.state <> 'unknown') AS expected_not_clean,
                    count(*) FILTER (h.p_not_clean >= 0.5) AS likely_not_clean,
                    count(*) FILTER (f.state = 'act') AS act_now, sum(greatest(r.benefit, 0)) AS benefit,
                    sum(r.minutes) FILTER (r.benefit > 0) AS minutes
             FROM ranking r JOIN prepared.face_now f ON f.ranking_row = r.rowid
             LEFT JOIN connector_health h ON h.rowid = f.health_row GROUP BY r.site_id),
           faces AS (SELECT site_id, count(*) AS end_faces FROM connector_state WHERE in_service GROUP BY site_id)
           SELECT p.site_id, p.name, p.kind, p.region, p.latitude, p.longitude, p.environment,
                  coalesce(c.end_faces, 0) AS end_faces, f.expected_not_clean, f.likely_not_clean,
                  f.act_now, f.benefit, f.minutes
           FROM sites p LEFT JOIN faces c USING (site_id) LEFT JOIN ranked f USING (site_id)
           WHERE ? = '' OR p.region = ?
           ORDER BY f.act_now DESC NULLS LAST, f.expected_not_clean DESC NULLS LAST, p.site_id""",
        [region, region],
    )


def first_connectors(con: Connection, limit: int) -> pd.DataFrame:
    """The end faces to go to first, by benefit per crew minute, else by the classic score."""
    return fetch(
        con,
        f"""WITH r AS (SELECT * FROM ranking ORDER BY coalesce(benefit_rank, classic_rank) LIMIT ?),
                 h AS (SELECT connector_id, p_not_clean, p_costs_light FROM connector_health
                       WHERE connector_id IN (SELECT connector_id FROM r))
            SELECT r.connector_id, r.site_id, p.name AS site_name, r.port, r.action, r.minutes,
                   r.benefit, r.benefit_score, r.p_contaminated, r.p_damaged, r.reasons, r.circuits,
                   {_CONNECTOR_STATE} AS state
            FROM r LEFT JOIN sites p USING (site_id) LEFT JOIN h USING (connector_id)
            ORDER BY coalesce(r.benefit_rank, r.classic_rank)""",
        [limit],
    )


def is_known(con: Connection) -> pd.Series:
    """Whether anything was recorded of end faces (history), measured of circuits (light), looked at (looks)."""
    return fetch(con, "SELECT history, light, looks FROM prepared.known").iloc[0]


def audit_counts(con: Connection) -> pd.DataFrame:
    """Contradictions in the records by kind: how many, and one example in words."""
    return fetch(
        con,
        """SELECT code, severity, count(*) AS findings, count(DISTINCT site_id) AS sites, min(text) AS example,
                  min("check") AS "check"
           FROM audit_findings GROUP BY code, severity ORDER BY severity, findings DESC, code""",
    )


def find(con: Connection, text: str, limit: int = 20) -> pd.DataFrame:
    """Circuits, end faces, sites and ports whose id or name holds the text; exact ids first."""
    return fetch(
        con,
        """WITH hits AS (
             (SELECT 'circuit' AS kind, circuit_id AS id, name AS words FROM circuits
              WHERE contains(lower(circuit_id), lower(?)) OR contains(lower(name), lower(?)) LIMIT 400)
             UNION ALL
             (SELECT 'connector', connector_id, port_id FROM connector_state
              WHERE contains(lower(connector_id), lower(?)) OR lower(port_id) = lower(?) LIMIT 400)
             UNION ALL
             (SELECT 'site', site_id, name FROM sites
              WHERE contains(lower(site_id), lower(?)) OR contains(lower(name), lower(?)) LIMIT 400))
           SELECT * FROM hits ORDER BY lower(id) <> lower(?), length(id), kind, id LIMIT ?""",
        [text, text, text, text, text, text, text, limit],
    )


# -------------------------------------------------------------------------------------- one circuit


def circuit(con: Connection, circuit_id: str) -> pd.DataFrame:
    """One circuit with its status, margin, drift and state; no row if there is none of that id."""
    return fetch(
        con,
        """SELECT c.circuit_id, c.name, c.a_port_id, c.z_port_id, c.fibre, c.application, c.wavelength_nm,
                  c.max_loss_db, c.customers, c.priority, c.protected_by, c.in_service_on,
                  cs.traced, cs.reason, cs.connectors, cs.mated_pairs, cs.splices, cs.splitters, cs.sites,
                  cs.length_m, cs.a_site_id, cs.z_site_id, a.name AS a_site_name, z.name AS z_site_name,
                  k.margin_db, k.measured_db, k.allowed_db, k.drift_db, k.drift_kind, k.drift_at, k.p_fault, k.state
           FROM (SELECT * FROM circuits WHERE circuit_id = ?) c
           LEFT JOIN (SELECT * FROM circuit_status WHERE circuit_id = ?) cs USING (circuit_id)
           LEFT JOIN sites a ON a.site_id = cs.a_site_id LEFT JOIN sites z ON z.site_id = cs.z_site_id
           LEFT JOIN (SELECT * FROM prepared.circuit_now WHERE circuit_id = ?) k USING (circuit_id)""",
        [circuit_id] * 3,
    )


def circuit_path(con: Connection, circuit_id: str) -> pd.DataFrame:
    """Every element of a circuit from A to Z, with the belief about each end face and its port's marking."""
    return fetch(
        con,
        """WITH p AS (SELECT * FROM circuit_paths WHERE circuit_id = ?)
           SELECT p.position, p.element_kind, p.element_id, p.connector_id, p.port_id, p.site_id,
                  p.fibre, p.length_m, p.detail, st.name AS site_name, po.label AS port_label,
                  po.role, ho.name AS housing_name, h.p_contaminated, h.p_damaged, h.p_not_clean
           FROM p LEFT JOIN sites st USING (site_id)
           LEFT JOIN (SELECT * FROM ports WHERE port_id IN (SELECT port_id FROM p)) po ON po.port_id = p.port_id
           LEFT JOIN housings ho USING (housing_id)
           LEFT JOIN (SELECT * FROM connector_health WHERE connector_id IN (SELECT connector_id FROM p)) h
             ON h.connector_id = p.connector_id
           ORDER BY p.position""",
        [circuit_id],
    )


def _columns(table_name: str) -> str:
    """The declared columns of a table, as a query lists them."""
    return ", ".join(quoted(name) for name in TABLES[table_name].column_names)


def circuit_budgets(con: Connection, circuit_id: str) -> pd.DataFrame:
    """Expected against measured loss of a circuit, one row per wavelength."""
    columns = _columns("circuit_budget")
    return fetch(con, f"SELECT {columns} FROM circuit_budget WHERE circuit_id = ? ORDER BY wavelength_nm", [circuit_id])


def circuit_elements(con: Connection, circuit_id: str) -> pd.DataFrame:
    """What each element of a circuit should lose, for every wavelength."""
    columns = _columns("budget_elements")
    return fetch(
        con,
        f"SELECT {columns} FROM budget_elements WHERE circuit_id = ? ORDER BY wavelength_nm, position",
        [circuit_id],
    )


def circuit_element_readings(con: Connection, circuit_id: str) -> pd.DataFrame:
    """What the newest reflectometer traces of a circuit show on the elements of its path."""
    columns = _columns("element_readings")
    return fetch(
        con,
        f"SELECT {columns} FROM element_readings WHERE circuit_id = ? ORDER BY wavelength_nm, position, place_m",
        [circuit_id],
    )


def circuit_diagnosis(con: Connection, circuit_id: str) -> pd.DataFrame:
    """Possible causes of a circuit's state, most probable first."""
    columns = _columns("diagnosis")
    return fetch(
        con,
        f"SELECT {columns} FROM diagnosis WHERE circuit_id = ? ORDER BY probability DESC, cause, element_id",
        [circuit_id],
    )


def circuit_series(con: Connection, circuit_id: str) -> pd.DataFrame:
    """Drift of every series of readings of a circuit, what its end ports launch among them, worst first."""
    columns = _columns("series_drift")
    return fetch(
        con,
        f"""WITH ends AS (SELECT unnest([a_port_id, z_port_id]) AS port_id FROM circuits WHERE circuit_id = $id)
            SELECT {columns} FROM series_drift
            WHERE circuit_id = $id OR kind = 'tx_power' AND port_id IN (SELECT port_id FROM ends)
            ORDER BY drift_db DESC NULLS LAST, series_id""",
        {"id": circuit_id},
    )


def power_by_day(con: Connection, port_ids: Sequence[str]) -> pd.DataFrame:
    """Received and launched power of equipment ports, median of each day (UTC)."""
    return fetch(
        con,
        """SELECT port_id, date_trunc('day', "at") AS day_at, median(rx_dbm) AS rx_dbm,
                  median(tx_dbm) AS tx_dbm, count(*) AS readings
           FROM power_readings WHERE port_id IN (SELECT unnest(?::VARCHAR[]))
           GROUP BY port_id, day_at ORDER BY port_id, day_at""",
        [list(port_ids)],
    )


def circuit_loss_tests(con: Connection, circuit_id: str) -> pd.DataFrame:
    """Loss tests of a circuit, oldest first."""
    return fetch(
        con,
        """SELECT test_id, "at", wavelength_nm, direction, loss_db, orl_db, reference_cords, technician_id,
                  test_set_id
           FROM loss_tests WHERE circuit_id = ? ORDER BY "at", test_id""",
        [circuit_id],
    )


def circuit_left_out(con: Connection, circuit_id: str) -> pd.DataFrame:
    """Tests and traces of a circuit that are left out, by the test cord they were made through.

    Columns connector_id, excess_db, measurements, last_at.
    """
    return fetch(
        con,
        """SELECT connector_id, max(excess_db) AS excess_db, count(*) AS measurements, max(measured_at) AS last_at
           FROM doubtful_measurements WHERE circuit_id = ? GROUP BY connector_id ORDER BY connector_id""",
        [circuit_id],
    )


def circuit_otdr(con: Connection, circuit_id: str) -> pd.DataFrame:
    """Events of the reflectometer traces of a circuit, newest trace first."""
    return fetch(
        con,
        """SELECT trace_id, event_no, "at", direction, wavelength_nm, distance_m, loss_db, reflectance_db, kind
           FROM otdr_events WHERE circuit_id = ? ORDER BY "at" DESC, trace_id, event_no LIMIT 300""",
        [circuit_id],
    )


def touches_on_path(con: Connection, circuit_id: str) -> pd.DataFrame:
    """When somebody mated, cleaned or looked at an end face that lies on the circuit now."""
    return fetch(
        con,
        """WITH faces AS (SELECT DISTINCT connector_id FROM circuit_paths
                          WHERE circuit_id = ? AND connector_id IS NOT NULL)
           SELECT "at", connector_id, action AS what FROM mating_events SEMI JOIN faces USING (connector_id)
           UNION ALL SELECT "at", connector_id, 'cleaned' FROM cleanings SEMI JOIN faces USING (connector_id)
           ORDER BY "at" """,
        [circuit_id],
    )


def circuit_orders(con: Connection, circuit_id: str) -> pd.DataFrame:
    """Work orders about a circuit, newest first."""
    return fetch(
        con,
        """SELECT work_order_id, opened_at, closed_at, site_id, connector_id, reason, cause_found, action_taken,
                  crew_id, cost
           FROM work_orders WHERE circuit_id = ? ORDER BY opened_at DESC LIMIT 50""",
        [circuit_id],
    )


# ------------------------------------------------------------------------------------ one connector


def connector(con: Connection, connector_id: str) -> pd.DataFrame:
    """One end face: state, belief, scores and where it is; no row if there is none of that id."""
    state = ", ".join(f"s.{quoted(name)}" for name in TABLES["connector_state"].column_names if name != "connector_id")
    health = ", ".join(
        f"h.{quoted(name)}" for name in TABLES["connector_health"].column_names if name != "connector_id"
    )
    skipped = {"connector_id", "site_id", "p_contaminated", "p_damaged"}
    ranking = ", ".join(f"r.{quoted(name)}" for name in TABLES["ranking"].column_names if name not in skipped)
    return fetch(
        con,
        f"""SELECT c.connector_id, {state}, {health}, {ranking}, c.cable_id, c.cable_end, c.grade, c.installed_on,
                  ca.kind AS cable_kind, ca.fibre_type, ca.length_m,
                  p.name AS site_name, p.region, po.label AS port_label, ho.name AS housing_name, ho.rack,
                  b.circuit_id AS costs_circuit, b.name AS costs_circuit_name, known.looks AS looks_known,
                  (SELECT count(*) FROM (SELECT DISTINCT circuit_id FROM circuit_paths WHERE connector_id = ?)
                   JOIN prepared.circuit_now k USING (circuit_id) WHERE k.p_fault IS NOT NULL) AS diagnosed_circuits,
                  {_CONNECTOR_STATE} AS state
           FROM (SELECT * FROM connectors WHERE connector_id = ?) c
           LEFT JOIN (SELECT * FROM connector_state WHERE connector_id = ?) s USING (connector_id)
           LEFT JOIN (SELECT * FROM connector_health WHERE connector_id = ?) h USING (connector_id)
           LEFT JOIN (SELECT * FROM ranking WHERE connector_id = ?) r USING (connector_id)
           LEFT JOIN (SELECT f.circuit_id, ci.name FROM face_blame f LEFT JOIN circuits ci USING (circuit_id)
                      WHERE f.connector_id = ? ORDER BY f.p_cause DESC, f.circuit_id LIMIT 1) b ON true
           CROSS JOIN prepared.known
           LEFT JOIN cables ca ON ca.cable_id = c.cable_id
           LEFT JOIN sites p ON p.site_id = s.site_id LEFT JOIN ports po ON po.port_id = s.port_id
           LEFT JOIN housings ho ON ho.housing_id = coalesce(s.housing_id, po.housing_id)""",
        [connector_id] * 6,
    )


def connector_evidence(con: Connection, connector_id: str) -> pd.DataFrame:
    """What moved the belief about an end face, line by line."""
    return evidence_of(con, connector_id)


def connector_events(con: Connection, connector_id: str) -> pd.DataFrame:
    """Everything recorded about an end face, newest first: matings, looks, cleanings, work orders.

    What was plugged into the other side of its port counts too (`other_side`), with that end face as the place.
    """
    return fetch(
        con,
        """SELECT * FROM (
             SELECT "at", action AS what, port_id AS place, face AS detail, technician_id, work_order_id,
                    CASE WHEN inspected_first THEN 'inspected first' ELSE '' END AS note, event_id AS row_id,
                    cleaned_first, inspected_first, false AS other_side
             FROM mating_events WHERE connector_id = ?
             UNION ALL
             SELECT m."at", m.action, m.connector_id, 'the other side', m.technician_id, m.work_order_id,
                    CASE WHEN m.inspected_first THEN 'inspected first' ELSE '' END, m.event_id,
                    m.cleaned_first, m.inspected_first, true
             FROM connector_state s JOIN mating_events m ON m.port_id = s.port_id AND m.connector_id <> s.connector_id
             WHERE s.connector_id = ? AND m.face = if(s.face IN ('rear', 'fixed'), 'front', 'rear')
             UNION ALL
             SELECT "at", 'inspect', test_set_id, coalesce(finding, ''), technician_id, work_order_id,
                    result || coalesce(', zone ' || worst_zone, '') || coalesce(', ' || replace(stage, '_', ' '), ''),
                    inspection_id, NULL, NULL, false
             FROM inspections WHERE connector_id = ?
             UNION ALL
             SELECT "at", 'clean', NULL, method, technician_id, work_order_id, '', cleaning_id, NULL, NULL, false
             FROM cleanings WHERE connector_id = ?
             UNION ALL
             SELECT opened_at, 'work order', site_id, reason, NULL, work_order_id,
                    coalesce('closed as ' || replace(cause_found, '_', ' '), 'not closed')
                      || coalesce(', ' || replace(action_taken, '_', ' '), ''), work_order_id, NULL, NULL, false
             FROM work_orders WHERE connector_id = ?)
           ORDER BY "at" DESC, what, row_id LIMIT 400""",
        [connector_id] * 5,
    )


def connector_partners(con: Connection, connector_id: str) -> pd.DataFrame:
    """End faces this one met and may have given dirt to, or got it from; the partner of now first."""
    return fetch(
        con,
        """WITH met AS (
             SELECT source_id AS other_id, 'may have made this one dirty' AS how, met_at, probability
             FROM dirt_sources WHERE connector_id = ?
             UNION ALL
             SELECT connector_id, 'may have been made dirty by this one', met_at, probability
             FROM dirt_sources WHERE source_id = ?
             UNION ALL
             SELECT s.partner_id, 'mated with it now', greatest(s.last_mated_at, p.last_mated_at), NULL
             FROM connector_state s LEFT JOIN connector_state p ON p.connector_id = s.partner_id
             WHERE s.connector_id = ? AND s.partner_id IS NOT NULL)
           SELECT m.other_id, m.how, m.met_at, m.probability, h.p_not_clean, s.site_id, s.port_id, s.role,
                  p.name AS site_name
           FROM met m LEFT JOIN connector_health h ON h.connector_id = m.other_id
           LEFT JOIN connector_state s ON s.connector_id = m.other_id LEFT JOIN sites p ON p.site_id = s.site_id
           ORDER BY m.how <> 'mated with it now', m.probability DESC NULLS LAST, m.met_at DESC LIMIT 60""",
        [connector_id] * 3,
    )


def connector_circuits(con: Connection, connector_id: str) -> pd.DataFrame:
    """Circuits that pass an end face, with their margin and what their diagnosis says of this end face."""
    return fetch(
        con,
        """WITH mine AS (SELECT DISTINCT circuit_id FROM circuit_paths WHERE connector_id = ?),
                blamed AS (SELECT circuit_id, p_cause AS p_this, size_db AS this_db
                           FROM face_blame WHERE connector_id = ?)
           SELECT c.circuit_id, c.name, c.application, c.customers, c.priority, c.protected_by,
                  k.margin_db, k.allowed_from, k.drift_db, k.p_fault, k.cause, blamed.p_this, blamed.this_db, k.state
           FROM mine JOIN circuits c USING (circuit_id) JOIN prepared.circuit_now k USING (circuit_id)
           LEFT JOIN blamed USING (circuit_id)
           ORDER BY c.priority NULLS LAST, c.customers DESC NULLS LAST, c.circuit_id LIMIT 100""",
        [connector_id, connector_id],
    )


def connector_defects(con: Connection, connector_id: str) -> pd.DataFrame:
    """Measured marks of the newest inspection that has any."""
    return fetch(
        con,
        """WITH newest AS (SELECT i.inspection_id, i."at" FROM inspections i
                           SEMI JOIN end_face_defects d USING (inspection_id)
                           WHERE i.connector_id = ? ORDER BY i."at" DESC LIMIT 1)
           SELECT n.inspection_id, n."at", d.fibre, d.kind, d.x_um, d.y_um, d.width_um, d.length_um
           FROM end_face_defects d JOIN newest n USING (inspection_id)
           ORDER BY d.fibre, d.x_um * d.x_um + d.y_um * d.y_um""",
        [connector_id],
    )


# ------------------------------------------------------------------------------------------ one site


def site(con: Connection, site_id: str) -> pd.DataFrame:
    """One site as declared; no row if there is none of that id."""
    columns = _columns("sites")
    return fetch(con, f"SELECT {columns} FROM sites WHERE site_id = ?", [site_id])


def site_connectors(con: Connection, site_id: str, limit: int = 25) -> pd.DataFrame:
    """The end faces of a site to look at first."""
    return fetch(
        con,
        f"""WITH r AS (SELECT * FROM ranking WHERE site_id = ?
                       ORDER BY coalesce(benefit_rank, classic_rank) LIMIT ?),
                 h AS (SELECT connector_id, p_not_clean, p_costs_light FROM connector_health
                       WHERE connector_id IN (SELECT connector_id FROM r))
            SELECT r.connector_id, r.port, r.action, r.minutes, r.benefit, r.p_contaminated, r.p_damaged,
                   r.reasons, {_CONNECTOR_STATE} AS state
            FROM r LEFT JOIN h USING (connector_id)
            ORDER BY coalesce(r.benefit_rank, r.classic_rank)""",
        [site_id, limit],
    )


def site_circuits(con: Connection, site_id: str, limit: int = 25) -> pd.DataFrame:
    """Circuits that pass a site and need somebody, worst first."""
    return fetch(
        con,
        """WITH mine AS (SELECT DISTINCT circuit_id FROM circuit_paths WHERE site_id = ?)
           SELECT c.circuit_id, c.name, c.customers, c.priority, k.margin_db, k.allowed_from, k.drift_db,
                  k.p_fault, k.cause, k.suspect_id, k.state, count(*) OVER () AS circuits
           FROM mine JOIN circuits c USING (circuit_id) JOIN prepared.circuit_now k USING (circuit_id)
           ORDER BY k.state_rank LIMIT ?""",
        [site_id, limit],
    )


# -------------------------------------------------------------------------------------------- plans


def plans(con: Connection) -> pd.DataFrame:
    """Every version of every plan, the one stored last first, with what it holds."""
    return fetch(
        con,
        """WITH stops AS (SELECT plan_id, count(*) AS stops, count(DISTINCT (crew_id, day_on)) AS crew_days,
                                 sum(travel_km) AS travel_km, sum(travel_min) AS travel_min,
                                 sum(work_min) AS work_min FROM plan_stops GROUP BY plan_id),
                jobs AS (SELECT plan_id, count(*) AS jobs FROM plan_jobs GROUP BY plan_id),
                left_out AS (SELECT plan_id, count(*) AS left_out FROM plan_left_out GROUP BY plan_id)
           SELECT p.plan_id, p.status, p.made_at, p.made_by, p.from_on, p.days, p.benefit, p.cost, p.upper_bound,
                  p.gap, p.assumptions, coalesce(s.stops, 0) AS stops, coalesce(s.crew_days, 0) AS crew_days,
                  s.travel_km, s.travel_min, s.work_min, coalesce(j.jobs, 0) AS jobs,
                  coalesce(l.left_out, 0) AS left_out
           FROM plans p LEFT JOIN stops s USING (plan_id) LEFT JOIN jobs j USING (plan_id)
           LEFT JOIN left_out l USING (plan_id) ORDER BY p.rowid DESC""",
    )


def plan_document(con: Connection, plan_id: str) -> str:
    """The plan as written (plan.json); empty if there is none."""
    row = con.execute("SELECT document FROM plans WHERE plan_id = ?", [plan_id]).fetchone()
    return str(row[0]) if row and row[0] else ""


def plan_stops(con: Connection, plan_id: str) -> pd.DataFrame:
    """Stops of a plan in order, with the site and the crew's depot."""
    return fetch(
        con,
        """SELECT s.*, p.name AS site_name, p.latitude, p.longitude, p.access_note, p.access_open, p.access_close,
                  p.kind AS site_kind, p.region, d.site_id AS depot_id, d.name AS depot_name,
                  d.latitude AS depot_latitude, d.longitude AS depot_longitude, c.shift_start, c.shift_end,
                  j.jobs
           FROM plan_stops s LEFT JOIN sites p USING (site_id) LEFT JOIN crews c USING (crew_id)
           LEFT JOIN sites d ON d.site_id = c.depot_site_id
           LEFT JOIN (SELECT plan_id, crew_id, day_on, stop_no, count(*) AS jobs FROM plan_jobs GROUP BY ALL) j
             ON j.plan_id = s.plan_id AND j.crew_id = s.crew_id AND j.day_on = s.day_on AND j.stop_no = s.stop_no
           WHERE s.plan_id = ? ORDER BY s.day_on, s.crew_id, s.stop_no""",
        [plan_id],
    )


def plan_jobs(con: Connection, plan_id: str, crew_id: str = "", day_on: str = "") -> pd.DataFrame:
    """Jobs of a plan, or of one crew-day of it, in the order of the day."""
    return fetch(
        con,
        """SELECT j.*, s.site_id, s.start_at, p.name AS site_name, po.label AS port_label,
                  ho.name AS housing_name, h.p_contaminated, h.p_damaged
           FROM plan_jobs j
           LEFT JOIN plan_stops s ON s.plan_id = j.plan_id AND s.crew_id = j.crew_id AND s.day_on = j.day_on
             AND s.stop_no = j.stop_no
           LEFT JOIN sites p USING (site_id) LEFT JOIN ports po ON po.port_id = j.port_id
           LEFT JOIN housings ho USING (housing_id) LEFT JOIN connector_health h ON h.connector_id = j.connector_id
           WHERE j.plan_id = ? AND (? = '' OR j.crew_id = ?) AND (? = '' OR j.day_on = ?)
           ORDER BY j.day_on, j.crew_id, j.stop_no, j.job_no""",
        [plan_id, crew_id, crew_id, day_on, day_on],
    )


def expected_readings(con: Connection, circuit_ids: Sequence[str]) -> pd.DataFrame:
    """What each of the circuits should lose at its working wavelength, and whether all values used are confirmed."""
    return fetch(
        con,
        """SELECT b.circuit_id, b.wavelength_nm, b.typical_db,
                  NOT coalesce(contains(b.note, 'a value used is unconfirmed'), false) AS is_sure
           FROM circuit_budget b JOIN circuits c USING (circuit_id)
           WHERE b.circuit_id IN (SELECT unnest(?::VARCHAR[])) AND b.wavelength_nm = c.wavelength_nm
             AND b.typical_db IS NOT NULL""",
        [list(circuit_ids)],
    )


def plan_left_out(con: Connection, plan_id: str, limit: int = 100) -> pd.DataFrame:
    """Jobs that did not fit, most valuable first."""
    return fetch(
        con,
        """SELECT l.connector_id, l.site_id, p.name AS site_name, l.benefit, l.reason
           FROM plan_left_out l LEFT JOIN sites p USING (site_id)
           WHERE l.plan_id = ? ORDER BY l.benefit DESC NULLS LAST, l.connector_id LIMIT ?""",
        [plan_id, limit],
    )


def left_out_reasons(con: Connection, plan_id: str) -> pd.DataFrame:
    """How many jobs were left out for the same reason (numbers in it set aside)."""
    return fetch(
        con,
        r"""SELECT regexp_replace(reason, '[0-9]+([.,][0-9]+)*', '#', 'g') AS kind, count(*) AS jobs,
                  sum(benefit) AS benefit, arg_max(reason, benefit) AS example
           FROM plan_left_out WHERE plan_id = ? GROUP BY kind ORDER BY jobs DESC, kind LIMIT 12""",
        [plan_id],
    )


def plan_scenarios(con: Connection, plan_id: str) -> pd.DataFrame:
    """The plan under other circumstances, the plan itself first, then by what they net."""
    columns = _columns("plan_scenarios")
    return fetch(
        con,
        f"""SELECT {columns} FROM plan_scenarios WHERE plan_id = ?
            ORDER BY scenario <> 'base', net DESC NULLS LAST, scenario""",
        [plan_id],
    )


def planned_visits(con: Connection, connector_id: str) -> pd.DataFrame:
    """When an end face is to be visited, by plans in force and by drafts, the former first."""
    return fetch(
        con,
        """SELECT j.plan_id, p.status, j.crew_id, j.day_on, j.stop_no, j.action, j.method
           FROM plan_jobs j JOIN plans p USING (plan_id)
           WHERE j.connector_id = ? AND p.status IN ('committed', 'draft')
           ORDER BY p.status <> 'committed', p.rowid DESC, j.day_on LIMIT 6""",
        [connector_id],
    )


# ----------------------------------------------------------------------------------------- patterns


def repeat_batches(con: Connection, limit: int = 12) -> pd.DataFrame:
    """Cord batches by the share of their end faces expected to be damaged or dirty."""
    return fetch(
        con,
        """SELECT s.batch, count(*) AS end_faces, count(DISTINCT s.site_id) AS sites,
                  avg(h.p_damaged) AS p_damaged, avg(h.p_contaminated) AS p_contaminated,
                  sum(h.p_not_clean) AS expected_not_clean,
                  avg(h.p_not_clean) / nullif((SELECT avg(p_not_clean) FROM connector_health), 0) AS times_fleet
           FROM prepared.face_now f JOIN connector_state s ON s.rowid = f.state_row
           JOIN connector_health h ON h.rowid = f.health_row
           WHERE s.batch IS NOT NULL GROUP BY s.batch HAVING count(*) >= 8
           ORDER BY avg(h.p_not_clean) - 0.3 / sqrt(count(*)) DESC, s.batch LIMIT ?""",
        [limit],
    )


def repeat_sites(con: Connection, limit: int = 12) -> pd.DataFrame:
    """Sites by the share of their end faces expected not to be clean, with how often work recurs there."""
    return fetch(
        con,
        """WITH faces AS (SELECT s.site_id, count(*) AS end_faces, avg(h.p_not_clean) AS p_not_clean,
                                 sum(h.p_not_clean) AS expected_not_clean
                          FROM prepared.face_now f JOIN connector_state s ON s.rowid = f.state_row
                          JOIN connector_health h ON h.rowid = f.health_row
                          GROUP BY s.site_id HAVING count(*) >= 8),
                orders AS (SELECT site_id, count(*) AS orders, sum(cost) AS cost,
                                  count(*) FILTER (cause_found IN ('contamination', 'damaged_end_face'))
                                    AS end_face_orders
                           FROM work_orders GROUP BY site_id),
                matings AS (SELECT h.site_id, count(*) AS matings,
                                   avg(CASE WHEN m.inspected_first IS NULL THEN NULL
                                            WHEN m.inspected_first THEN 1.0 ELSE 0.0 END) AS looked_first
                            FROM mating_events m JOIN ports p USING (port_id) JOIN housings h USING (housing_id)
                            WHERE m.action = 'mate' GROUP BY h.site_id)
           SELECT f.site_id, p.name, p.environment, f.end_faces, f.p_not_clean, f.expected_not_clean,
                  o.orders, o.end_face_orders, o.cost, m.matings, m.looked_first
           FROM faces f LEFT JOIN sites p USING (site_id) LEFT JOIN orders o USING (site_id)
           LEFT JOIN matings m USING (site_id)
           ORDER BY f.p_not_clean - 0.3 / sqrt(f.end_faces) DESC, f.site_id LIMIT ?""",
        [limit],
    )


def technician_habits(con: Connection, limit: int = 15) -> pd.DataFrame:
    """How often each technician looks and cleans before mating, and how the next look at it turned out."""
    return fetch(
        con,
        """WITH mates AS (SELECT technician_id, connector_id, "at", inspected_first, cleaned_first
                          FROM mating_events WHERE action = 'mate' AND technician_id IS NOT NULL),
                looks AS (SELECT connector_id, "at" AS seen_at, result, stage FROM inspections
                          WHERE stage IS NULL OR stage <> 'after_cleaning'),
                next_look AS (SELECT m.technician_id, l.result FROM mates m
                              ASOF JOIN looks l ON m.connector_id = l.connector_id AND m."at" < l.seen_at
                              WHERE l.seen_at < m."at" + INTERVAL 180 DAY),
                outcome AS (SELECT technician_id, count(*) AS looked_at_later,
                                   avg((result = 'fail')::INT) AS failed_later
                            FROM next_look GROUP BY technician_id)
           SELECT m.technician_id, count(*) AS matings, avg(inspected_first::INT) AS inspected_first,
                  avg(cleaned_first::INT) AS cleaned_first, any_value(o.looked_at_later) AS looked_at_later,
                  any_value(o.failed_later) AS failed_later
           FROM mates m LEFT JOIN outcome o USING (technician_id)
           GROUP BY m.technician_id HAVING count(*) >= 20
           ORDER BY inspected_first NULLS LAST, m.technician_id LIMIT ?""",
        [limit],
    )


def test_set_contacts(con: Connection, limit: int = 12) -> pd.DataFrame:
    """Test sets (with their launch cords) by how many end faces they are believed to have made dirty."""
    return fetch(
        con,
        """WITH at_set AS (
             SELECT co.connector_id, co.cable_id, ho.housing_id, ho.name
             FROM connectors co JOIN connector_state s USING (connector_id)
             JOIN housings ho ON ho.housing_id = s.housing_id WHERE ho.kind = 'test_set'),
           cord AS (SELECT cable_id, min(housing_id) AS housing_id, min(name) AS name FROM at_set
                    WHERE cable_id IS NOT NULL GROUP BY cable_id),
           face AS (
             SELECT connector_id, housing_id AS test_set_id, name FROM at_set
             UNION
             SELECT co.connector_id, coalesce(cord.housing_id, ca.cable_id), cord.name
             FROM connectors co JOIN cables ca USING (cable_id) LEFT JOIN cord USING (cable_id)
             WHERE ca.kind = 'launch_cord')
           SELECT f.test_set_id, any_value(f.name) AS name, count(DISTINCT d.connector_id) AS end_faces_met,
                  sum(d.probability) AS expected_dirtied, max(d.met_at) AS last_met_at,
                  max(h.p_not_clean) AS p_not_clean_now
           FROM dirt_sources d JOIN face f ON f.connector_id = d.source_id
           LEFT JOIN connector_health h ON h.connector_id = d.source_id
           GROUP BY f.test_set_id ORDER BY expected_dirtied DESC, f.test_set_id LIMIT ?""",
        [limit],
    )


def inspect_because_met(con: Connection, limit: int = 15) -> pd.DataFrame:
    """End faces to look at next because they met a dirty one."""
    return fetch(
        con,
        """SELECT d.connector_id, s.site_id, s.port_id, arg_max(d.source_id, d.probability) AS source_id,
                  arg_max(d.met_at, d.probability) AS met_at, max(d.probability) AS probability
           FROM dirt_sources d LEFT JOIN connector_state s USING (connector_id)
           WHERE s.last_inspected_at IS NULL OR s.last_inspected_at < d.met_at
           GROUP BY d.connector_id, s.site_id, s.port_id
           ORDER BY probability DESC, d.connector_id LIMIT ?""",
        [limit],
    )


def orders_by_cause(con: Connection) -> pd.DataFrame:
    """Closed work orders by cause: how many, what they cost, how often nothing was found."""
    return fetch(
        con,
        """SELECT coalesce(cause_found, 'not recorded') AS cause, count(*) AS orders, sum(cost) AS cost,
                  median(date_diff('minute', opened_at, closed_at)) / 60.0 AS hours_open,
                  min(opened_at) AS first_at, max(opened_at) AS last_at
           FROM work_orders GROUP BY cause ORDER BY orders DESC, cause""",
    )


def orders_by_month(con: Connection) -> pd.DataFrame:
    """Work orders by month of opening: how many, how many about end faces, and their cost."""
    return fetch(
        con,
        """SELECT date_trunc('month', opened_at) AS month_at, count(*) AS orders,
                  count(*) FILTER (cause_found IN ('contamination', 'damaged_end_face')) AS end_face_orders,
                  sum(cost) AS cost
           FROM work_orders GROUP BY month_at ORDER BY month_at""",
    )


def learned_parameters(con: Connection) -> pd.DataFrame:
    """What the fleet's own history says, with its uncertainty; the fleet's own rows first."""
    columns = _columns("learned_parameters")
    return fetch(
        con,
        f"""SELECT {columns} FROM learned_parameters
            ORDER BY parameter, group_kind <> 'fleet', group_kind, weight DESC NULLS LAST, group_id LIMIT 600""",
    )


def backtest_scores(con: Connection) -> pd.DataFrame:
    """How right each way of ranking was, newest day first, best precision first."""
    columns = _columns("backtest_scores")
    return fetch(
        con,
        f"SELECT {columns} FROM backtest_scores ORDER BY ranked_at DESC, precision_at_5 DESC NULLS LAST, method",
    )


def backtest_curves(con: Connection) -> pd.DataFrame:
    """Points of the curves of every back-test."""
    columns = _columns("backtest_curves")
    return fetch(con, f"SELECT {columns} FROM backtest_curves ORDER BY ranked_at DESC, method, curve, x LIMIT 5000")


def budget_sources(con: Connection) -> pd.DataFrame:
    """What allowed and expected losses were taken from, how often, and whether all of it is confirmed."""
    return fetch(
        con,
        """SELECT 'loss allowed' AS used_for, allowed_from AS source, count(*) AS times,
                  bool_and(confirmed) AS confirmed
           FROM circuit_budget WHERE allowed_from IS NOT NULL GROUP BY allowed_from
           UNION ALL
           SELECT 'loss of a ' || replace(element_kind, '_', ' '), source, count(*), NULL FROM budget_elements
           WHERE source IS NOT NULL GROUP BY element_kind, source
           ORDER BY used_for, times DESC, source LIMIT 60""",
    )


# ------------------------------------------------------------------------------------ data and records


def loads(con: Connection, limit: int = 30) -> pd.DataFrame:
    """The loads, newest first."""
    return fetch(con, "SELECT * FROM loads ORDER BY load_id DESC LIMIT ?", [limit])


def load_files(con: Connection, load_id: int) -> pd.DataFrame:
    """The files of one load."""
    return fetch(con, "SELECT * FROM load_files WHERE load_id = ? ORDER BY table_name, file_name", [load_id])


def finding_counts(con: Connection) -> pd.DataFrame:
    """Faults found in the intake by kind."""
    return fetch(
        con,
        """SELECT severity, table_name, code, count(*) AS findings, any_value(rule) AS rule,
                  any_value(consequence) AS consequence, max(load_id) AS load_id
           FROM findings GROUP BY severity, table_name, code ORDER BY severity, findings DESC LIMIT 60""",
    )


def time_spans(con: Connection) -> pd.DataFrame:
    """For each history table: rows, first and last time (UTC)."""
    present = {
        name
        for (name,) in con.execute(
            "SELECT table_name FROM duckdb_tables() WHERE database_name = current_database()"
        ).fetchall()
    }
    parts = [
        f"SELECT '{table.name}' AS table_name, count(*) AS rows, min({quoted(table.time_column)}) AS first_at, "
        f"max({quoted(table.time_column)}) AS last_at FROM {quoted(table.name)}"
        for table in TABLES.values()
        if table.time_column and table.kind == "intake" and table.name in present
    ]
    if not parts:
        return pd.DataFrame(columns=["table_name", "rows", "first_at", "last_at"])
    return fetch(con, " UNION ALL ".join(parts) + " ORDER BY 1")


# --------------------------------------------------------------------------------------- large tables


@dataclass(frozen=True)
class GridColumn:
    """One column of a large table: its name, the expression it comes from and which joins that needs."""

    name: str
    sql: str
    kind: ColumnKind = "text"
    joins: tuple[str, ...] = ()


def _selected(grid: Grid) -> str:
    return ", ".join(f"{column.sql} AS {quoted(column.name)}" for column in grid.columns)


def _marks(values: Sequence[object]) -> str:
    return ", ".join("?" for _ in values) or "NULL"


def _read_by_key(con: Connection, grid: Grid, keys: list[object]) -> pd.DataFrame:
    """Rows of a table of moderate size by key."""
    joins = _joined(grid, set(grid.joins))
    sql = f"SELECT {_selected(grid)}, {grid.key} AS _key FROM {grid.base} {joins} WHERE {grid.key} IN ({_marks(keys)})"
    return fetch(con, sql, keys)


def _read_faces(con: Connection, grid: Grid, keys: list[object]) -> pd.DataFrame:
    """Rows of the ranking by row number: of the large tables only the rows of the page are touched."""
    # face_now is in the order of ranking_row: only the blocks that hold the keys are read
    found = con.execute(
        f"SELECT state_row FROM prepared.face_now WHERE ranking_row IN ({_marks(keys)}) AND state_row IS NOT NULL", keys
    ).fetchall()
    places: list[object] = [row for (row,) in found]
    return fetch(
        con,
        f"""SELECT {_selected(grid)}, r.row_no AS _key
            FROM (SELECT *, rowid AS row_no FROM ranking WHERE rowid IN ({_marks(keys)})) r
            LEFT JOIN sites p ON p.site_id = r.site_id
            LEFT JOIN (SELECT * FROM prepared.face_now WHERE ranking_row IN ({_marks(keys)})) f
              ON f.ranking_row = r.row_no
            LEFT JOIN (SELECT *, rowid AS row_no FROM connector_state WHERE rowid IN ({_marks(places)})) s
              ON s.row_no = f.state_row""",
        [*keys, *keys, *places],
    )


@dataclass(frozen=True)
class Grid:
    """A large table that is read page by page.

    `base` is a table with its alias, `key` its key column; `joins` holds the joins a column may need, in the
    order they must be written; `ranks` maps an order's name to the stored rank column it goes by. `read` gives the
    rows of the keys of one page, keyed by `_key`.
    """

    name: str
    base: str
    key: str
    columns: tuple[GridColumn, ...]
    joins: Mapping[str, str] = field(default_factory=dict)
    ranks: Mapping[str, str] = field(default_factory=dict)
    order: str = ""
    read: Callable[[Connection, Grid, list[object]], pd.DataFrame] = _read_by_key

    def column(self, name: str) -> GridColumn:
        """The column of that name.

        Raises
        ------
        ParameterError
            The table has no such column.
        """
        for column in self.columns:
            if column.name == name:
                return column
        raise ParameterError(f"{self.name}: got column {name!r}, must be one of {[c.name for c in self.columns]}")


CONNECTOR_GRID = Grid(
    name="connectors",
    base="ranking r",
    key="r.rowid",
    joins={
        "sites": "LEFT JOIN sites p ON p.site_id = r.site_id",
        "face": "LEFT JOIN prepared.face_now f ON f.ranking_row = r.rowid",
        "place": "LEFT JOIN connector_state s ON s.rowid = f.state_row",
    },
    read=_read_faces,
    columns=(
        GridColumn("benefit_rank", "r.benefit_rank", "number"),
        GridColumn("classic_rank", "r.classic_rank", "number"),
        GridColumn("probability_rank", "r.probability_rank", "number"),
        GridColumn("state", "f.state", "text", ("face",)),
        GridColumn("connector_id", "r.connector_id"),
        GridColumn("site_id", "r.site_id"),
        GridColumn("site_name", "p.name", "text", ("sites",)),
        GridColumn("region", "p.region", "text", ("sites",)),
        GridColumn("port", "r.port"),
        GridColumn("p_contaminated", "r.p_contaminated", "number"),
        GridColumn("p_damaged", "r.p_damaged", "number"),
        GridColumn("benefit", "r.benefit", "number"),
        GridColumn("benefit_score", "r.benefit_score", "number"),
        GridColumn("minutes", "r.minutes", "number"),
        GridColumn("action", "r.action"),
        GridColumn("classic_score", "r.classic_score", "number"),
        GridColumn("mates_part", "r.mates_part", "number"),
        GridColumn("drift_part", "r.drift_part", "number"),
        GridColumn("time_part", "r.time_part", "number"),
        GridColumn("reasons", "r.reasons"),
        GridColumn("classic_reasons", "r.classic_reasons"),
        GridColumn("circuits", "r.circuits"),
        GridColumn("family", "s.family", "text", ("face", "place")),
        GridColumn("polish", "s.polish", "text", ("face", "place")),
        GridColumn("batch", "s.batch", "text", ("face", "place")),
        GridColumn("environment", "s.environment", "text", ("face", "place")),
        GridColumn("mates_since_clean", "s.mates_since_clean", "number", ("face", "place")),
        GridColumn("last_cleaned_at", "s.last_cleaned_at", "timestamp", ("face", "place")),
        GridColumn("last_inspected_at", "s.last_inspected_at", "timestamp", ("face", "place")),
    ),
    ranks={"benefit": "benefit_rank", "classic": "classic_rank", "probability": "probability_rank"},
    order="r.benefit_rank",
)

CIRCUIT_GRID = Grid(
    name="circuits",
    base="circuits c",
    key="c.circuit_id",
    joins={
        "status": "LEFT JOIN circuit_status cs ON cs.circuit_id = c.circuit_id",
        "now": "LEFT JOIN prepared.circuit_now k ON k.circuit_id = c.circuit_id",
    },
    columns=(
        GridColumn("state_rank", "k.state_rank", "number", ("now",)),
        GridColumn("state", "k.state", "text", ("now",)),
        GridColumn("circuit_id", "c.circuit_id"),
        GridColumn("name", "c.name"),
        GridColumn("application", "c.application"),
        GridColumn("customers", "c.customers", "number"),
        GridColumn("priority", "c.priority", "number"),
        GridColumn("a_site_id", "cs.a_site_id", "text", ("status",)),
        GridColumn("z_site_id", "cs.z_site_id", "text", ("status",)),
        GridColumn("traced", "cs.traced", "boolean", ("status",)),
        GridColumn("connectors", "cs.connectors", "number", ("status",)),
        GridColumn("length_m", "cs.length_m", "number", ("status",)),
        GridColumn("margin_db", "k.margin_db", "number", ("now",)),
        GridColumn("measured_db", "k.measured_db", "number", ("now",)),
        GridColumn("allowed_db", "k.allowed_db", "number", ("now",)),
        GridColumn("allowed_from", "k.allowed_from", "text", ("now",)),
        GridColumn("drift_db", "k.drift_db", "number", ("now",)),
        GridColumn("p_fault", "k.p_fault", "number", ("now",)),
        GridColumn("cause", "k.cause", "text", ("now",)),
        GridColumn("suspect_id", "k.suspect_id", "text", ("now",)),
        GridColumn("suspect_kind", "k.suspect_kind", "text", ("now",)),
    ),
    order="k.state_rank",
)

AUDIT_GRID = Grid(
    name="audit",
    base="audit_findings f",
    key="f.finding_no",
    columns=(
        GridColumn("finding_no", "f.finding_no", "number"),
        GridColumn("severity", "f.severity"),
        GridColumn("code", "f.code"),
        GridColumn("place_kind", "f.place_kind"),
        GridColumn("place_id", "f.place_id"),
        GridColumn("site_id", "f.site_id"),
        GridColumn("text", "f.text"),
        GridColumn("assumed", "f.assumed"),
        GridColumn("check", 'f."check"'),
        GridColumn("repair", "f.repair"),
        GridColumn("plausibility", "f.plausibility", "number"),
        GridColumn("circuits", "f.circuits"),
    ),
    order="f.severity, f.finding_no",
)

FINDING_GRID = Grid(
    name="findings",
    base="(SELECT *, row_number() OVER () AS row_no FROM findings) f",
    key="f.row_no",
    columns=(
        GridColumn("row_no", "f.row_no", "number"),
        GridColumn("load_id", "f.load_id", "number"),
        GridColumn("severity", "f.severity"),
        GridColumn("table_name", "f.table_name"),
        GridColumn("file_name", "f.file_name"),
        GridColumn("line", "f.line", "number"),
        GridColumn("column_name", "f.column_name"),
        GridColumn("value", "f.value"),
        GridColumn("rule", "f.rule"),
        GridColumn("consequence", "f.consequence"),
        GridColumn("code", "f.code"),
    ),
    order="f.load_id DESC, f.severity, f.row_no",
)

GRIDS: dict[str, Grid] = {grid.name: grid for grid in (CONNECTOR_GRID, CIRCUIT_GRID, AUDIT_GRID, FINDING_GRID)}

_TEXT_CONDITIONS = {
    "contains": "contains(lower({column}), lower(?))",
    "notContains": "NOT coalesce(contains(lower({column}), lower(?)), false)",
    "equals": "lower({column}) = lower(?)",
    "notEqual": "coalesce(lower({column}) <> lower(?), true)",
    "startsWith": "starts_with(lower({column}), lower(?))",
    "endsWith": "ends_with(lower({column}), lower(?))",
}
_NUMBER_CONDITIONS = {
    "equals": "{column} = ?",
    "notEqual": "{column} <> ?",
    "lessThan": "{column} < ?",
    "lessThanOrEqual": "{column} <= ?",
    "greaterThan": "{column} > ?",
    "greaterThanOrEqual": "{column} >= ?",
}
_TIME_CONDITIONS = {
    "equals": "{column}::DATE = ?::DATE",
    "notEqual": "{column}::DATE <> ?::DATE",
    "lessThan": "{column} < ?::TIMESTAMP",
    "greaterThan": "{column} >= ?::TIMESTAMP",
}
_UNKNOWN_CONDITIONS = {"blank": "{column} IS NULL", "notBlank": "{column} IS NOT NULL"}


def _not_understood(column: str, wanted: object) -> ParameterError:
    return ParameterError(f"filter not understood: {column} got {wanted!r}; clear the filter and set it again")


def condition_of(column: GridColumn, wanted: Mapping[str, object]) -> tuple[str, list[object]]:
    """The SQL condition and its parameters for one column's filter, e.g. {"type": "contains", "filter": "x"}.

    Raises
    ------
    ParameterError
        The kind of filter is not known for such a column, or its value cannot be meant.
    """
    kind = str(wanted.get("type", ""))
    if kind in _UNKNOWN_CONDITIONS:
        return _UNKNOWN_CONDITIONS[kind].format(column=column.sql), []
    if column.kind == "timestamp":
        value, upper = wanted.get("dateFrom"), wanted.get("dateTo")
        texts = [str(each) for each in (value, upper) if each is not None]
        try:
            moments = [datetime.fromisoformat(text) for text in texts]
        except ValueError as error:
            raise _not_understood(column.name, dict(wanted)) from error
        if kind == "inRange" and len(moments) == 2:
            return f"{column.sql} BETWEEN ? AND ?", list(moments)
        if kind in _TIME_CONDITIONS and moments:
            return _TIME_CONDITIONS[kind].format(column=column.sql), [moments[0]]
        raise _not_understood(column.name, dict(wanted))
    value = wanted.get("filter")
    if column.kind == "number":
        numbers = [each for each in (value, wanted.get("filterTo")) if isinstance(each, int | float)]
        if kind == "inRange" and len(numbers) == 2:
            return f"{column.sql} BETWEEN ? AND ?", list(numbers)
        if kind in _NUMBER_CONDITIONS and isinstance(value, int | float):
            return _NUMBER_CONDITIONS[kind].format(column=column.sql), [value]
        raise _not_understood(column.name, dict(wanted))
    if column.kind == "boolean" and kind in ("true", "false"):
        return f"{column.sql} = ?", [kind == "true"]
    if kind in _TEXT_CONDITIONS and isinstance(value, str):
        return _TEXT_CONDITIONS[kind].format(column=column.sql), [value]
    raise _not_understood(column.name, dict(wanted))


def _where(grid: Grid, filters: Mapping[str, Mapping[str, object]]) -> tuple[str, list[object], set[str]]:
    conditions: list[str] = []
    parameters: list[object] = []
    joins: set[str] = set()
    for name, wanted in filters.items():
        column = grid.column(name)
        condition, values = condition_of(column, wanted)
        conditions.append(condition)
        parameters += values
        joins |= set(column.joins)
    return (" WHERE " + " AND ".join(f"({each})" for each in conditions)) if conditions else "", parameters, joins


def _joined(grid: Grid, names: set[str]) -> str:
    return " ".join(sql for name, sql in grid.joins.items() if name in names)


def count_of(con: Connection, grid: Grid, filters: Mapping[str, Mapping[str, object]]) -> int:
    """How many rows of a large table pass the filters."""
    where, parameters, joins = _where(grid, filters)
    row = con.execute(f"SELECT count(*) FROM {grid.base} {_joined(grid, joins)}{where}", parameters).fetchone()
    return int(row[0]) if row else 0


def rank_is_dense(con: Connection, grid: Grid, by: str) -> bool:
    """Whether the stored rank of that order runs 1..n without gaps, so that pages can go by it alone."""
    column = grid.column(grid.ranks[by]).sql
    row = con.execute(
        f"SELECT count(*) = max({column}) AND min({column}) = 1 AND count(DISTINCT {column}) = count(*) "
        f"FROM {grid.base}"
    ).fetchone()
    return bool(row and row[0])


def page_of(
    con: Connection,
    grid: Grid,
    start: int,
    end: int,
    *,
    by: str = "",
    dense: bool = False,
    sort: Sequence[tuple[str, bool]] = (),
    filters: Mapping[str, Mapping[str, object]] | None = None,
) -> pd.DataFrame:
    """Rows start..end-1 of a large table, all its columns.

    Parameters
    ----------
    by
        Which stored rank gives the order where `sort` does not; "" for the table's own order.
    dense
        That rank runs 1..n (`rank_is_dense`): unfiltered pages are then read by rank, not by counting off.
    sort
        (column, ascending) in order of weight.
    filters
        Column name -> filter as the grid states it, see `condition_of`.

    Raises
    ------
    ParameterError
        More rows than a page may hold, an unknown column or order, or a filter that cannot be meant.
    """
    if not 0 <= start < end or end - start > LARGEST_PAGE:
        raise ParameterError(f"{grid.name}: got rows {start} to {end}, must be at most {LARGEST_PAGE} rows from 0 on")
    if by and by not in grid.ranks:
        raise ParameterError(f"{grid.name}: got order {by!r}, must be one of {list(grid.ranks)}")
    rank = grid.column(grid.ranks[by]).sql if by else ""
    where, parameters, joins = _where(grid, filters or {})
    if rank and dense and not sort and not filters:
        keys_sql = f"SELECT {grid.key} FROM {grid.base} WHERE {rank} BETWEEN ? AND ? ORDER BY {rank}"
        parameters = [start + 1, end]
    else:
        order = []
        for name, ascending in sort:
            column = grid.column(name)
            joins |= set(column.joins)
            order.append(f"{column.sql} {'ASC' if ascending else 'DESC'} NULLS LAST")
        if rank:
            order.append(rank)
        elif not sort and grid.order:
            joins |= set(grid.joins)
            order.append(grid.order)
        order.append(grid.key)
        keys_sql = (
            f"SELECT {grid.key} FROM {grid.base} {_joined(grid, joins)}{where} "
            f"ORDER BY {', '.join(order)} LIMIT ? OFFSET ?"
        )
        parameters += [end - start, start]
    keys = [key for (key,) in con.execute(keys_sql, parameters).fetchall()]
    return grid.read(con, grid, keys).set_index("_key").reindex(keys).reset_index(drop=True)
