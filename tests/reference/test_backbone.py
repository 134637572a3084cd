"""A fleet over a real public backbone comes in by the same door as any other and is traced end to end."""

from __future__ import annotations

import subprocess
import sys
from collections import defaultdict
from datetime import datetime
from pathlib import Path

import duckdb
import networkx as nx
import pandas as pd
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "data"))

from backbone import Backbone, build_backbone, topology, write_backbone

from planner.progress import silent
from planner.stages import trace
from planner.store.database import open_database, transaction
from planner.store.loading import load_sources

NOW = datetime(2032, 1, 1)


@pytest.fixture(scope="module")
def backbone() -> Backbone:
    """The fleet with forty circuits."""
    return build_backbone(circuits=40, seed=1)


@pytest.fixture(scope="module")
def store(backbone: Backbone, tmp_path_factory: pytest.TempPathFactory) -> duckdb.DuckDBPyConnection:
    """The fleet written as CSV, loaded and traced."""
    folder = tmp_path_factory.mktemp("backbone")
    con = open_database(folder / "backbone.duckdb")
    report = load_sources(con, [write_backbone(folder / "csv", backbone)], mapping=None, strict=True, loaded_at=NOW)
    assert report.blocking == 0
    with transaction(con):
        assert trace.run(con, NOW, silent) == ""
    return con


def test_every_circuit_has_the_path_it_was_laid_on(backbone: Backbone, store: duckdb.DuckDBPyConnection) -> None:
    """Element by element from A to Z, from the tables in the store."""
    rows = store.execute(
        "SELECT circuit_id, element_kind, element_id FROM circuit_paths ORDER BY circuit_id, position"
    ).fetchall()
    paths = defaultdict(list)
    for circuit, kind, element in rows:
        paths[circuit].append((kind, element))
    assert dict(paths) == backbone.paths


def test_lengths_are_those_of_the_shortest_routes(store: duckdb.DuckDBPyConnection) -> None:
    """Outside plant along a circuit is 1.1 times networkx's shortest route over the topology."""
    graph = topology()
    rows = store.execute(
        """SELECT s.a_site_id, s.z_site_id, sum(p.length_m), any_value(s.traced)
           FROM circuit_status s JOIN circuit_paths p USING (circuit_id)
           JOIN cables c ON c.cable_id = p.element_id AND c.kind = 'feeder'
           GROUP BY s.circuit_id, s.a_site_id, s.z_site_id"""
    ).fetchall()
    assert len(rows) == 40
    for a, z, metres, traced in rows:
        kilometres = nx.shortest_path_length(graph, int(a[-3:]), int(z[-3:]), weight="dist")
        assert traced
        assert metres / 1100 == pytest.approx(kilometres, abs=0.01)


def test_the_records_of_the_backbone_contradict_themselves_nowhere(store: duckdb.DuckDBPyConnection) -> None:
    """No finding: lengths fit the real coordinates, the history fits the patching, every power has a circuit."""
    assert store.execute("SELECT code, text FROM audit_findings").fetchall() == []


@pytest.mark.slow
def test_the_week_is_planned_over_the_backbone(backbone: Backbone, tmp_path: Path) -> None:
    """Load, then route: the commands as a user types them give crew-days over the real coordinates."""
    folder = write_backbone(tmp_path / "csv", backbone)
    db, out = tmp_path / "backbone.duckdb", tmp_path / "routes"
    command = Path(sys.executable).with_name("planner")
    for arguments in (
        ["load", str(folder)],
        ["route", "--from", "2032-01-05", "--days", "2", "--out", str(out), "--seed", "1"],
    ):
        done = subprocess.run([command, *arguments, "--db", str(db)], capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr
    stops = pd.read_csv(out / "routes.csv")
    assert len(stops) > 0
    assert set(stops["site_id"]) <= set(backbone.tables["sites"]["site_id"])
    assert set(stops["crew_id"]) <= set(backbone.tables["crews"]["crew_id"])


def test_the_same_seed_builds_the_same_fleet() -> None:
    """Two builds are equal in every table."""
    one, other = build_backbone(circuits=5, seed=7), build_backbone(circuits=5, seed=7)
    assert one.paths == other.paths
    assert all(one.tables[name].equals(other.tables[name]) for name in one.tables)
