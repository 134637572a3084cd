"""The trace step over the store, and the commands that show it."""

from __future__ import annotations

import sys
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner, Result
from tiny_fleet import tiny_fleet, write_fleet

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "property"))

from random_plants import random_plant
from unit.filled_store import filled

from planner.cli import planner
from planner.pipeline import STEPS, settings_of
from planner.plant import build_plant, paths_frame, status_frame
from planner.progress import silent
from planner.stages import derive, drift, trace
from planner.store.database import open_database, transaction
from planner.store.loading import load_sources
from planner.store.stage_ledger import record_run

NOW = datetime(2031, 6, 1)


def history(rng: np.random.Generator, tables: dict[str, pd.DataFrame], n: int = 60) -> pd.DataFrame:
    """Events at random ports and connectors: most of them contradict the patching."""
    places = tables["patching"]
    at = pd.Timestamp("2031-01-01") + pd.to_timedelta(rng.integers(0, 200_000, n), unit="min")
    rows = places.iloc[rng.integers(len(places), size=n)].reset_index(drop=True)
    events = rows.assign(event_id=[f"E{i:03d}" for i in range(n)], at=at, action=rng.choice(["mate", "demate"], n))
    stray = rng.random(n) < 0.2
    events.loc[stray, "port_id"] = rng.choice(tables["ports"]["port_id"].to_numpy(), int(stray.sum()))
    return events


@pytest.mark.parametrize("seed", range(3))
def test_the_store_and_the_library_trace_alike(tmp_path: Path, seed: int) -> None:
    """Paths, status and patching from the engine's codes equal those from frames, with any history."""
    tables, _ = random_plant(seed, circuits=10)
    tables["mating_events"] = history(np.random.default_rng(seed), tables)
    tables["patching"]["since_at"] = pd.NaT
    tables["patching"].loc[::7, "since_at"] = pd.Timestamp("2031-03-01 12:00")
    con = filled(tmp_path / "x.duckdb", tables)
    traced = trace.traced_plant(con, NOW)
    # without the assumption of lost mates (and of launch cords gone from there), which the library leaves to its caller
    recorded = build_plant(tables, NOW)
    back = traced.put_back
    assumed = np.append(back["connector"], recorded.holder[back["port"], back["face"]])
    same = np.setdiff1d(np.arange(len(recorded.records.connectors.port)), assumed)
    assert (traced.plant.records.connectors.port[same] == recorded.records.connectors.port[same]).all()
    assert (traced.plant.records.connectors.face[same] == recorded.records.connectors.face[same]).all()
    with transaction(con):
        note = trace.run(con, NOW, silent)
    assert note == "not assessed: no power_readings"
    stored = con.execute("SELECT * FROM circuit_paths ORDER BY circuit_id, position").df()
    wanted = paths_frame(traced.plant, traced.paths).sort_values(["circuit_id", "position"], ignore_index=True)
    pd.testing.assert_frame_equal(stored, wanted, check_dtype=False)
    status = con.execute("SELECT * FROM circuit_status ORDER BY circuit_id").df()
    pd.testing.assert_frame_equal(status, status_frame(traced.plant, traced.paths), check_dtype=False)
    findings = con.execute("SELECT * FROM audit_findings ORDER BY finding_no").df()
    odd = int((traced.history.irregular[traced.events["event_row"] >= 0] != 0).sum())
    assert (findings["place_kind"] == "event").sum() == odd > 5
    assert findings["finding_no"].tolist() == list(range(1, len(findings) + 1))


def test_a_plant_without_splices_splitters_and_history_is_traced(tmp_path: Path) -> None:
    """Only the required tables: everything else may be absent, and the note says what."""
    con = open_database(tmp_path / "x.duckdb")
    fleet = {name: rows for name, rows in tiny_fleet().items() if name not in ("inspections", "power_readings")}
    load_sources(con, [write_fleet(tmp_path / "csv", fleet)], mapping=None, strict=True, loaded_at=NOW)
    with transaction(con):
        note = trace.run(con, NOW, silent)
    assert note == "not assessed: no mating_events; not assessed: no power_readings"
    path = con.execute("SELECT element_id FROM circuit_paths WHERE circuit_id = 'X1' ORDER BY position").fetchall()
    assert " ".join(row[0] for row in path) == "F1 P1 C1 K1 C2 P2 F2"


@pytest.fixture(scope="module")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The tiny fleet, loaded; the steps that these commands read are run, the later ones count as done."""
    folder = tmp_path_factory.mktemp("tiny")
    con = open_database(folder / "tiny.duckdb")
    load_sources(con, [write_fleet(folder / "csv")], mapping=None, strict=True, loaded_at=NOW)
    with transaction(con):
        for step in (derive, trace, drift):
            step.run(con, NOW, silent)
        for name, _, _ in STEPS:
            record_run(con, name, NOW, 0.0, "", settings_of(name))
    con.close()
    return folder / "tiny.duckdb"


def run(db: Path, *arguments: str) -> Result:
    """A command with --db, its output wide enough not to be wrapped."""
    return CliRunner().invoke(planner, [*arguments, "--db", str(db)], env={"COLUMNS": "250"}, standalone_mode=False)


def test_trace_prints_the_path_with_readings(tiny: Path, tmp_path: Path) -> None:
    """Every element with its id and place; power at the port, the last look at the plug; the file has the rows."""
    out = tmp_path / "path.csv"
    result = run(tiny, "trace", "X1", "--out", str(out))
    assert result.return_value == 0, result.output
    for word in ("F1", "C1", "K1", "P2", "receives -8.2 dBm", "fail (oil_film), 2030-04-01", "12.5"):
        assert word in result.output
    assert pd.read_csv(out)["element_id"].tolist() == ["F1", "P1", "C1", "K1", "C2", "P2", "F2"]


def test_trace_at_a_past_moment_uses_that_patching(tiny: Path) -> None:
    """Before the cord was plugged in there is no path, and the command says so with exit code 1."""
    result = run(tiny, "trace", "X1", "--at", "2030-02-01")
    assert result.return_value == 1, result.output
    assert "no complete path" in result.output and "patched as of 2030-02-01" in result.output
    assert "as far as it gets from A" in result.output and "as far as it gets from Z" in result.output
    assert "F1" in result.output.split("as far as it gets from Z")[0]
    assert "latest loss tests: not assessed, no loss_tests" in result.output


def test_audit_lists_findings_and_exits_with_1_on_errors(tiny: Path, tmp_path: Path) -> None:
    """Two circuits claim one pair of ports, and the cord joins two sites: an error, so exit code 1."""
    out = tmp_path / "findings.csv"
    result = run(tiny, "audit", "--out", str(out))
    assert result.return_value == 1, result.output
    findings = pd.read_csv(out)
    assert set(findings["code"]) == {"duplicate-circuit-port", "cord-between-sites"}
    assert findings["check"].notna().all()


def test_impact_names_the_circuits_of_a_port(tiny: Path) -> None:
    """Opening P1 takes both circuits down: the stand-in uses the same port."""
    result = run(tiny, "impact", "P1")
    assert result.return_value == 0, result.output
    assert "Opening port P1 interrupts 2 circuits" in result.output
    assert "X1" in result.output and "X2" in result.output


@pytest.mark.parametrize(
    ("command", "word"), [(("trace", "NONE"), "circuit 'NONE'"), (("impact", "NONE"), "port 'NONE'")]
)
def test_unknown_ids_are_refused(tiny: Path, command: tuple[str, str], word: str) -> None:
    """The message says what was given and what it must be."""
    result = run(tiny, *command)
    assert word in str(result.exception)


def test_impact_without_a_port_lists_what_circuits_share(tiny: Path, tmp_path: Path) -> None:
    """Both circuits ride on the one cord; a stand-in that uses the same cord protects nothing."""
    out = tmp_path / "shared.csv"
    result = run(tiny, "impact", "--out", str(out))
    assert result.return_value == 0, result.output
    shared = pd.read_csv(out).set_index(["element_kind", "element_id"])
    assert shared.loc[("cable", "K1"), ["circuits", "unprotected"]].tolist() == [2, 2]
