"""Ids that people type: what they may have meant."""

from __future__ import annotations

import duckdb
import pytest

from planner.store.database import open_database
from planner.store.known_ids import is_known, nearest_ids, unknown_id


@pytest.fixture(scope="module")
def con() -> duckdb.DuckDBPyConnection:
    """Circuits CKT-0000001 to CKT-0000300 and one connector."""
    con = open_database(":memory:")
    con.execute("INSERT INTO circuits (circuit_id) SELECT printf('CKT-%07d', i) FROM range(1, 301) t(i)")
    con.execute("INSERT INTO connectors (connector_id) VALUES ('CON-0000012')")
    return con


@pytest.mark.parametrize("typed", ["ckt-243", "CKT243", "Ckt 0243", "CKT-243", "ckt_000243"])
def test_case_separators_and_leading_zeros_do_not_matter(con: duckdb.DuckDBPyConnection, typed: str) -> None:
    """An id that differs in nothing else is the one meant."""
    assert nearest_ids(con, "circuit", typed) == ["CKT-0000243"]


def test_a_slip_of_the_finger_is_found(con: duckdb.DuckDBPyConnection) -> None:
    """One letter too many leaves the id among the nearest three."""
    assert "CKT-0000299" in nearest_ids(con, "circuit", "CKTT-0000299")


def test_the_message_says_what_it_must_be_and_what_was_meant(con: duckdb.DuckDBPyConnection) -> None:
    """Where, what it got, what it must be; then the nearest id, or what the id really names, or where all stand."""
    start = "trace: got circuit {!r}, must be a circuit_id of circuits; "
    assert unknown_id(con, "trace", "circuit", "ckt-7") == start.format("ckt-7") + "did you mean CKT-0000007?"
    other = unknown_id(con, "trace", "circuit", "CON-0000012")
    assert other == start.format("CON-0000012") + "CON-0000012 is a connector"
    lost = unknown_id(con, "trace", "circuit", "?")
    assert lost == start.format("?") + "planner export circuits --out FILE lists them"
    assert unknown_id(con, "impact", "port", "P").endswith("must be a port_id of ports; no ports are loaded")
    several = unknown_id(con, "grade", ("inspection", "cable"), "x")
    assert several.startswith("grade: got 'x', must be an inspection_id of inspections or a cable_id of cables; ")


def test_nothing_typed_is_taken_for_sql(con: duckdb.DuckDBPyConnection) -> None:
    """Quotes and percent signs are looked up like any other sign."""
    assert not is_known(con, "circuit", "' OR 1=1 --")
    assert nearest_ids(con, "circuit", "' OR 1=1 --") == []
