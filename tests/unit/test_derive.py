"""The latest state of every end face: right against a replay by hand, and the same when kept in step."""

from __future__ import annotations

from datetime import datetime, timedelta

import duckdb
import numpy as np
import pandas as pd
import pytest

from planner import code_mark
from planner.pipeline import _run_step as run_step
from planner.pipeline import settings_of, stale_steps
from planner.progress import silent
from planner.stages import derive, trace
from planner.store.database import open_database, transaction
from planner.store.stage_ledger import record_run
from planner.tables.catalogue import TABLES

NOW = datetime(2031, 1, 1)
START = datetime(2030, 1, 1)


def insert(con: duckdb.DuckDBPyConnection, table: str, rows: list[dict[str, object]], load_id: int) -> None:
    """Put rows into an intake table as a load would."""
    names = TABLES[table].column_names
    frame = pd.DataFrame(rows).reindex(columns=list(names)).assign(_load=load_id)
    columns = ", ".join(f'"{name}"' for name in (*names, "_load"))
    con.register("_rows", frame)
    con.execute(f"INSERT INTO {table} ({columns}) SELECT {columns} FROM _rows")
    con.unregister("_rows")


def plant(con: duckdb.DuckDBPyConnection, ports: int, cords: int) -> None:
    """Ports in one site, every third with an end face built in, and loose cord ends."""
    insert(con, "sites", [{"site_id": "S", "kind": "hut", "latitude": 1.0, "longitude": 1.0}], 1)
    insert(con, "housings", [{"housing_id": "H", "site_id": "S", "kind": "panel"}], 1)
    port = {
        "housing_id": "H",
        "family": "LC",
        "polish": "UPC",
        "mode": "SM",
        "fibre_count": 1,
        "role": "patch",
    }
    insert(con, "ports", [{"port_id": f"P{i}", **port} for i in range(ports)], 1)
    kind = {"family": "LC", "polish": "UPC", "fibre_count": 1}
    fixed = [{"connector_id": f"F{i}", "fixed_port_id": f"P{i}", **kind} for i in range(0, ports, 3)]
    loose = [{"connector_id": f"C{i}", "cable_id": f"W{i}", "cable_end": "A", **kind} for i in range(cords)]
    insert(con, "connectors", fixed + loose, 1)


def events(rng: np.random.Generator, count: int, ports: int, cords: int, first: int) -> list[dict[str, object]]:
    """Random matings and unmatings, some of them contradictory."""
    return [
        {
            "event_id": f"E{first + i:05d}",
            "at": START + timedelta(hours=int(first + i)),
            "port_id": f"P{rng.integers(ports)}",
            "face": rng.choice(["front", "rear"]),
            "connector_id": f"C{rng.integers(cords)}",
            "action": rng.choice(["mate", "mate", "demate"]),
        }
        for i in range(count)
    ]


def replayed_by_hand(con: duckdb.DuckDBPyConnection) -> dict[str, str | None]:
    """Where each loose end face is, by walking the events one by one."""
    where: dict[str, tuple[str, str]] = {}
    rows = con.execute('SELECT connector_id, port_id, face, action FROM mating_events ORDER BY "at"').fetchall()
    for connector, port, face, action in rows:
        if action == "demate":
            where.pop(connector, None)
            continue
        for other in [c for c, place in where.items() if place == (port, face) and c != connector]:
            where.pop(other)
        where[connector] = (port, face)
    return {c: place[0] for c, place in where.items()}


def bring_up_to_date(con: duckdb.DuckDBPyConnection) -> None:
    """The steps that fill the derived table: what happened to every end face, and where it is."""
    derive.run(con, NOW, silent)
    trace.run(con, NOW, silent)


def state(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """The derived table in key order."""
    return con.execute("SELECT * FROM connector_state ORDER BY connector_id").df()


@pytest.mark.parametrize("seed", range(5))
def test_place_of_every_end_face_equals_a_replay_by_hand(seed: int) -> None:
    """The port an end face is in now is the one a step-by-step replay of the events ends with."""
    con = open_database(":memory:")
    plant(con, 6, 8)
    insert(con, "mating_events", events(np.random.default_rng(seed), 60, 6, 8, 0), 1)
    bring_up_to_date(con)
    found = state(con).set_index("connector_id")["port_id"]
    loose = {c: p for c, p in found.items() if c.startswith("C") and isinstance(p, str)}
    assert loose == replayed_by_hand(con)


@pytest.mark.parametrize("seed", range(5))
def test_refresh_after_a_second_load_equals_a_rebuild(seed: int) -> None:
    """Recomputing only what a later load touched gives the same table as computing everything."""
    rng = np.random.default_rng(seed)
    con = open_database(":memory:")
    plant(con, 9, 12)
    insert(con, "mating_events", events(rng, 40, 9, 12, 0), 1)
    with transaction(con):
        bring_up_to_date(con)
        con.execute(
            "INSERT INTO stage_runs (stage, load_id, as_of_at, seconds, note) VALUES ('derive', 1, ?, 0, '')", [NOW]
        )
    insert(con, "mating_events", events(rng, 6, 9, 12, 40), 2)
    at = START + timedelta(hours=45)
    insert(con, "cleanings", [{"cleaning_id": "K", "at": at, "connector_id": "C3", "method": "dry_pen"}], 2)
    look = {"inspection_id": "I", "at": at, "connector_id": "F3", "result": "fail", "finding": "particle"}
    insert(con, "inspections", [look], 2)
    bring_up_to_date(con)
    kept_in_step = state(con)
    con.execute("DELETE FROM stage_runs")
    bring_up_to_date(con)
    pd.testing.assert_frame_equal(kept_in_step, state(con))


def test_matings_count_from_the_last_cleaning_and_inspection() -> None:
    """Matings since cleaning and since inspection are counted apart; plugs touch built-in end faces."""
    con = open_database(":memory:")
    plant(con, 3, 2)
    mate = {"port_id": "P0", "face": "front", "connector_id": "C0", "action": "mate"}
    insert(
        con,
        "mating_events",
        [{"event_id": f"E{i}", "at": START + timedelta(days=i), **mate} for i in range(5)],
        1,
    )
    insert(
        con,
        "cleanings",
        [
            {
                "cleaning_id": "K",
                "at": START + timedelta(days=1, hours=1),
                "connector_id": "C0",
                "method": "dry_pen",
            }
        ],
        1,
    )
    insert(
        con,
        "inspections",
        [
            {
                "inspection_id": "I",
                "at": START + timedelta(days=2, hours=1),
                "connector_id": "F0",
                "result": "pass",
            }
        ],
        1,
    )
    assert derive.run(con, NOW, silent) == ""
    trace.run(con, NOW, silent)
    rows = state(con).set_index("connector_id")
    assert list(rows.loc["C0", ["mates", "mates_since_clean", "mates_since_inspection"]]) == [5, 3, 5]
    assert list(rows.loc["F0", ["mates", "mates_since_clean", "mates_since_inspection"]]) == [5, 5, 2]
    assert rows.loc["C0", "partner_id"] == "F0"
    assert rows.loc["F0", "partner_id"] == "C0"
    assert not rows.loc["C1", "in_service"]


def test_events_of_one_second_leave_an_end_face_where_they_end() -> None:
    """A cord moved to another port and back within one second is where the last of the four events puts it."""
    con = open_database(":memory:")
    plant(con, 3, 1)
    moves = [("P0", "mate", 0), ("P0", "demate", 9), ("P1", "mate", 9), ("P1", "demate", 9), ("P0", "mate", 9)]
    rows = [
        {
            "event_id": f"E{i}",
            "at": START + timedelta(days=day),
            "port_id": port,
            "face": "front",
            "connector_id": "C0",
            "action": action,
        }
        for i, (port, action, day) in enumerate(moves)
    ]
    insert(con, "mating_events", rows, 1)
    bring_up_to_date(con)
    placed = state(con).set_index("connector_id")
    assert placed.loc["C0", "port_id"] == "P0"
    assert placed.loc["F0", "partner_id"] == "C0"


def test_absent_history_is_named() -> None:
    """A fleet without history gets a note that says which tables are missing."""
    con = open_database(":memory:")
    plant(con, 3, 2)
    note = derive.run(con, NOW, silent)
    assert note == "not assessed: no mating_events; not assessed: no inspections; not assessed: no cleanings"


def test_nothing_is_kept_of_another_version() -> None:
    """A step that another version ran last begins as if it had never run; by the same version it keeps its rows."""
    con = open_database(":memory:")
    plant(con, 9, 12)
    insert(con, "mating_events", events(np.random.default_rng(1), 40, 9, 12, 0), 1)
    con.execute("INSERT INTO loads (load_id, loaded_at, source) VALUES (1, ?, 'made')", [NOW])
    run_step(con, "derive", NOW, silent, "")
    right = state(con)
    con.execute("UPDATE connector_state SET mates = 99 WHERE connector_id = 'C3'")
    run_step(con, "derive", NOW, silent, "")
    assert con.execute("SELECT mates FROM connector_state WHERE connector_id = 'C3'").fetchone() == (99,)
    con.execute("UPDATE stage_runs SET settings = 'of another version'")
    run_step(con, "derive", NOW, silent, "")
    pd.testing.assert_frame_equal(right, state(con))


def test_the_mark_of_the_code_is_that_of_all_its_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each part that results rest on changes the fingerprint; what only shows them does not."""
    whole = code_mark.code_mark.__wrapped__()
    assert whole == code_mark.code_mark() and len(whole) == 16
    for part in code_mark.PARTS:
        with monkeypatch.context() as without:
            without.setattr(code_mark, "PARTS", tuple(name for name in code_mark.PARTS if name != part))
            assert code_mark.code_mark.__wrapped__() != whole
    monkeypatch.setattr(code_mark, "SHOWING", set())
    assert code_mark.code_mark.__wrapped__() != whole


def test_every_later_step_is_stale_after_the_first_stale_one() -> None:
    """A step whose results are older than the data makes the steps after it run again."""
    con = open_database(":memory:")
    con.execute("INSERT INTO loads (load_id) VALUES (2)")
    for step in ("derive", "trace"):
        record_run(con, step, NOW, 0.0, "", settings_of(step))
    con.execute("UPDATE stage_runs SET load_id = 1 WHERE stage = 'trace'")
    assert stale_steps(con, NOW) == ("trace", "drift", "light", "health", "diagnose", "rank")
