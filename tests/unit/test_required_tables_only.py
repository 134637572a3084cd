"""A fleet that has nothing but the required tables: traced, and everything else named as not assessed."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import dashboard_fleet
import numpy as np
import pytest

from dashboards.app import create_app, show_page
from planner.pipeline import bring_up_to_date, moment_of
from planner.progress import silent
from planner.store import page_queries
from planner.store.database import fetch, open_database
from planner.store.loading import load_sources
from planner.store.plant_queries import path_with_readings
from planner.store.ranking_queries import ranking_rows
from planner.synthetic.fleet import simulate
from planner.synthetic.settings import Settings
from planner.tables.catalogue import REQUIRED_TABLES

LOADED_AT = datetime(2026, 1, 1)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The plant of a small invented fleet, whose records begin later than the day it is loaded."""
    whole = tmp_path_factory.mktemp("whole")
    start = np.datetime64("2030-01-01")
    simulate(whole, Settings(connectors=600, days=60, seed=5, start=start, file_format="parquet"), silent)
    bare = tmp_path_factory.mktemp("bare")
    for name in (*REQUIRED_TABLES, "splices", "splitter_legs"):
        (bare / f"{name}.parquet").write_bytes((whole / f"{name}.parquet").read_bytes())
    return bare


def test_bare_plant_is_traced_and_the_rest_is_not_assessed(folder: Path) -> None:
    """Nearly every circuit is traced; counts, parts and scores that lack their table are empty, never zero."""
    con = open_database(":memory:")
    load_sources(con, [folder], mapping=None, strict=False, loaded_at=LOADED_AT, progress=silent)
    assert moment_of(con, None) > LOADED_AT  # plugged in later than the clock of this machine says
    bring_up_to_date(con)
    traced = fetch(con, "SELECT avg(traced::INT) AS share FROM circuit_status")["share"].iloc[0]
    assert traced > 0.9
    state = fetch(con, "SELECT mates, mates_since_clean, mates_since_inspection FROM connector_state")
    assert state.isna().all().all()
    ranked = ranking_rows(con, "classic", None)
    assert len(ranked)
    assert ranked[["score", "mates_part", "drift_part", "time_part"]].isna().all().all()
    for table in ("mating_events", "power_readings", "inspections"):
        assert ranked["reasons"].str.contains(f"no {table}").all()
    circuit = fetch(con, "SELECT circuit_id FROM circuit_status WHERE traced LIMIT 1")["circuit_id"].iloc[0]
    readings = path_with_readings(con, circuit)["reading"].dropna()
    assert not readings.str.contains("never looked at").any()
    learned = fetch(con, "SELECT * FROM learned_parameters")
    assert not learned["learned"].any()
    assert (learned.loc[learned["parameter"] == "exposure", "estimate"] > 0.01).all()
    assert fetch(con, "SELECT * FROM diagnosis").empty
    assert ranking_rows(con, "benefit", None)["reasons"].str.contains("by assumption alone: no history, no light").all()
    con.close()


def test_pages_of_a_bare_plant_send_nobody(folder: Path, tmp_path: Path) -> None:
    """Where nothing was recorded or measured every state is unknown, and no work is said to pay."""
    path = tmp_path / "bare.duckdb"
    con = open_database(path)
    load_sources(con, [folder], mapping=None, strict=False, loaded_at=LOADED_AT, progress=silent)
    bring_up_to_date(con)
    con.close()
    app = create_app(path)
    with app.server.app_context():
        opened = page_queries.open_for_pages(path)
        cursor = page_queries.page_cursor(opened)
        assert set(page_queries.circuit_states(cursor)) == {"unknown"}
        assert page_queries.first_connectors(cursor, 20)["state"].eq("unknown").all()
        opened.close()
        for address in ("/", "/patterns"):
            words = dashboard_fleet.text_of(show_page(address, "")[0])
            assert "Not assessed: no history of end faces and no light" in words
            assert "Work that pays" not in words and "Sites by the share" not in words
