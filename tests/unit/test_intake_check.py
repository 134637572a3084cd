"""Every declared rule keeps out a row that breaks it, under its code and with its true line."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import duckdb
import pytest
from broken_rows import RULE_BREAKERS, broken_rows
from hypothesis import given, settings
from hypothesis import strategies as st
from tiny_fleet import full_fleet, write_fleet

from planner.intake.check import NUMBER, TIMESTAMP
from planner.store.database import open_database
from planner.store.loading import LoadReport, load_sources
from planner.tables.catalogue import INTAKE_TABLES

NOW = datetime(2031, 1, 1)


@pytest.fixture(scope="module")
def loaded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[duckdb.DuckDBPyConnection, LoadReport]]:
    """A fleet with every kind of broken row behind its good rows, loaded."""
    folder = tmp_path_factory.mktemp("broken")
    fleet = full_fleet()
    for broken in broken_rows():
        fleet[broken.table.name].append(broken.row)
    con = open_database(folder / "fleet.duckdb")
    report = load_sources(con, [write_fleet(folder / "fleet", fleet)], mapping=None, strict=False, loaded_at=NOW)
    yield con, report
    con.close()


def test_every_declared_rule_has_a_row_that_breaks_it() -> None:
    """No rule of the declarations goes untested."""
    assert set(RULE_BREAKERS) == {rule.code for table in INTAKE_TABLES for rule in table.rules}


def test_every_broken_row_yields_its_code_at_its_line(
    loaded: tuple[duckdb.DuckDBPyConnection, LoadReport],
) -> None:
    """A row with one thing wrong is reported under that code, with the line it stands on."""
    con, _ = loaded
    found = {
        (table, line, code, column or "")
        for table, line, code, column in con.execute(
            "SELECT table_name, line, code, column_name FROM findings WHERE severity = 'blocking'"
        ).fetchall()
    }
    good = {name: len(rows) for name, rows in full_fleet().items()}
    position = dict.fromkeys(good, 0)
    for broken in broken_rows():
        name = broken.table.name
        line = good[name] + position[name] + 2
        position[name] += 1
        codes = {(code, column) for table, at, code, column in found if (table, at) == (name, line)}
        rule = next((rule for rule in broken.table.rules if rule.code == broken.code), None)
        column = ", ".join(rule.unique) if rule else broken.column
        assert (broken.code, column) in codes, f"{name} line {line}: {broken.row} gave {codes}"


def test_no_good_row_is_kept_out(loaded: tuple[duckdb.DuckDBPyConnection, LoadReport]) -> None:
    """Of a fleet full of faults exactly the good rows are stored."""
    con, report = loaded
    for name, rows in full_fleet().items():
        stored = con.execute(f"SELECT count(*) FROM {name}").fetchone()
        assert stored == (len(rows),), name
    broken = len(broken_rows())
    assert report.total("rows_kept_out") == broken
    assert con.execute("SELECT count(*) FROM quarantine").fetchone() == (broken,)


def test_the_quarantine_keeps_the_cells_as_they_came(
    loaded: tuple[duckdb.DuckDBPyConnection, LoadReport],
) -> None:
    """A row kept out can be read again cell by cell."""
    con, _ = loaded
    rows = con.execute(
        "SELECT raw_row ->> '$.fibre_count' FROM quarantine WHERE table_name = 'ports' "
        "AND raw_row ->> '$.fibre_count' IN ('12.5', '0x1F', ' 7 ') ORDER BY line"
    ).fetchall()
    assert rows == [("12.5",), ("0x1F",), (" 7 ",)]


def test_a_child_of_a_row_kept_out_says_so(tmp_path: Path) -> None:
    """A reference to a row that was kept out is told apart from one to nothing at all."""
    fleet = full_fleet()
    fleet["sites"].append({"site_id": "S9", "kind": "palace", "latitude": "1", "longitude": "1"})
    fleet["housings"] += [
        {"housing_id": "H8", "site_id": "S9", "kind": "panel"},
        {"housing_id": "H9", "site_id": "S0", "kind": "panel"},
    ]
    con = open_database(tmp_path / "fleet.duckdb")
    load_sources(con, [write_fleet(tmp_path / "fleet", fleet)], mapping=None, strict=False, loaded_at=NOW)
    found = con.execute("SELECT code, \"value\" FROM findings WHERE table_name = 'housings' ORDER BY line").fetchall()
    con.close()
    assert found == [("parent-kept-out", "S9"), ("unknown-reference", "S0")]


def test_a_chain_of_references_within_a_table_falls_together(tmp_path: Path) -> None:
    """Circuits that protect each other in a chain are all kept out when the last of the chain is."""
    fleet = full_fleet()
    base = fleet["circuits"][0]
    fleet["circuits"] += [
        {**base, "circuit_id": "Z1", "protected_by": "Z2"},
        {**base, "circuit_id": "Z2", "protected_by": "Z3"},
        {**base, "circuit_id": "Z3", "protected_by": "nowhere"},
        {**base, "circuit_id": "Z4", "protected_by": "Z5"},
        {**base, "circuit_id": "Z5", "protected_by": "Z4"},
    ]
    con = open_database(tmp_path / "fleet.duckdb")
    load_sources(con, [write_fleet(tmp_path / "fleet", fleet)], mapping=None, strict=False, loaded_at=NOW)
    kept = con.execute("SELECT circuit_id FROM circuits ORDER BY circuit_id").fetchall()
    codes = con.execute("SELECT code FROM findings ORDER BY line").fetchall()
    con.close()
    assert kept == [("X1",), ("X2",), ("Z4",), ("Z5",)]
    assert codes == [("parent-kept-out",), ("parent-kept-out",), ("unknown-reference",)]


@settings(max_examples=200, deadline=None)
@given(st.lists(st.text(alphabet="0123456789+-.eE_xXnaifty ,", max_size=8), min_size=1, max_size=50))
def test_the_quick_test_of_a_number_equals_the_pattern(texts: list[str]) -> None:
    """In cells without white space but blanks, three searches tell the same as the regular expression."""
    con = duckdb.connect()
    different = con.execute(
        "SELECT x FROM (SELECT unnest(?) AS x) WHERE coalesce(isfinite(TRY_CAST(x AS DOUBLE)), false) AND "
        "((NOT contains(x, '_') AND NOT contains(x, ' ') AND NOT contains(x, '+-')) <> regexp_full_match(x, ?))",
        [texts, NUMBER],
    ).fetchall()
    con.close()
    assert different == []


@settings(max_examples=200, deadline=None)
@given(
    st.lists(
        st.lists(st.tuples(st.integers(0, 19), st.sampled_from("0123456789 -+:TZ.")), min_size=1, max_size=4),
        min_size=1,
        max_size=50,
    )
)
def test_the_quick_reading_of_a_time_equals_the_pattern(changes: list[list[tuple[int, str]]]) -> None:
    """Of texts as long as 2031-04-05T06:07:08Z the parser takes what pattern and cast take, with one value."""
    texts = []
    for change in changes:
        letters = list("2031-04-05T06:07:08Z")
        for position, sign in change:
            letters[position] = sign
        texts.append("".join(letters))
    con = duckdb.connect()
    different = con.execute(
        "SELECT x FROM (SELECT x, TRY_STRPTIME(x, '%Y-%m-%dT%H:%M:%SZ') AS quick, TRY_CAST(x AS TIMESTAMP) AS slow, "
        "regexp_full_match(x, ?) AS written FROM (SELECT unnest(?) AS x)) "
        "WHERE suffix(x, 'Z') AND NOT contains(x, ' ') "
        "AND (quick IS DISTINCT FROM CASE WHEN written THEN slow END)",
        [TIMESTAMP, texts],
    ).fetchall()
    con.close()
    assert different == []
