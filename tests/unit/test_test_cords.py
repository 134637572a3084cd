"""Test cords that read too high: found by their tests, which are then left out."""

from __future__ import annotations

from datetime import datetime, timedelta

import duckdb
import numpy as np
import pandas as pd
from truth.fault_fleet import insert

from planner.store.database import open_database
from planner.store.diagnosis_queries import otdr_traces
from planner.store.series_queries import loss_test_series
from planner.store.test_cord_queries import FEWEST_CIRCUITS, find_doubtful

NOW = datetime(2031, 6, 1)


def fleet(excess_db: dict[str, float], circuits: int = 8) -> duckdb.DuckDBPyConnection:
    """Circuits tested once without and once through each cord, which adds its own loss; a trace through each."""
    con = open_database(":memory:")
    rng = np.random.default_rng(4)
    cords = list(excess_db)
    insert(con, "cables", pd.DataFrame({"cable_id": [f"K-{c}" for c in cords], "kind": "launch_cord"}))
    insert(con, "connectors", pd.DataFrame({"connector_id": cords, "cable_id": [f"K-{c}" for c in cords]}))
    tests, mates, events, paths = [], [], [], []
    for number in range(circuits):
        circuit, port = f"C{number}", f"P{number}"
        paths.append((circuit, 1, "adapter", port, port))
        loss = 3.0 + 0.2 * number
        tests.append((f"T{number}", datetime(2030, 1, 1), circuit, loss + 0.1 * rng.normal()))
        for place, cord in enumerate(cords):
            at = datetime(2031, 1, 1) + timedelta(days=20 * place + number)
            mates.append((f"M{number}{cord}", at - timedelta(minutes=4), "mate", cord, port))
            tests.append((f"T{number}{cord}", at, circuit, loss + excess_db[cord] + 0.1 * rng.normal()))
            events.append((f"R{number}{cord}", 1, at, circuit, 1550.0, 10.0, 0.3, "reflective"))
    insert(
        con,
        "loss_tests",
        pd.DataFrame(tests, columns=["test_id", "at", "circuit_id", "loss_db"]).assign(
            direction="a_to_z", wavelength_nm=1310.0, reference_cords=1
        ),
    )
    insert(
        con,
        "mating_events",
        pd.DataFrame(mates, columns=["event_id", "at", "action", "connector_id", "port_id"]).assign(face="front"),
    )
    columns = ["trace_id", "event_no", "at", "circuit_id", "wavelength_nm", "distance_m", "loss_db", "kind"]
    insert(con, "otdr_events", pd.DataFrame(events, columns=columns).assign(direction="a_to_z"))
    frame = pd.DataFrame(paths, columns=["circuit_id", "position", "element_kind", "element_id", "port_id"])
    insert(con, "circuit_paths", frame, intake=False)
    return con


def test_tests_and_traces_through_a_dirty_cord_are_left_out() -> None:
    """Of three cords one adds 2 dB to every circuit: its tests and traces no longer count, the others' do."""
    con = fleet({"GOOD": 0.0, "DIRTY": 2.0, "FAIR": 0.2})
    said = find_doubtful(con, NOW)
    assert "16 measurements" in said and ("DIRTY (+1.9 dB)" in said or "DIRTY (+2.0 dB)" in said)
    assert "GOOD" not in said and "FAIR" not in said
    left = loss_test_series(con, NOW)
    assert len(left) == 8 * 3 and left["loss_db"].max() < 5.0
    traces = otdr_traces(con, NOW)
    assert not traces["trace_id"].str.contains("DIRTY").any() and len(traces) == 16


def test_a_few_tests_prove_nothing_of_a_cord() -> None:
    """On fewer circuits than that the circuits may have changed: everything counts."""
    con = fleet({"GOOD": 0.0, "DIRTY": 2.0}, circuits=FEWEST_CIRCUITS - 1)
    assert find_doubtful(con, NOW) == ""
    assert len(loss_test_series(con, NOW)) == 3 * (FEWEST_CIRCUITS - 1)


def test_a_circuit_that_changed_does_not_discredit_its_cord() -> None:
    """Two of eight circuits really lost 4 dB: the cord through which that was seen reads as ever on the others."""
    con = fleet({"GOOD": 0.0, "FAIR": 0.1})
    con.execute("UPDATE loss_tests SET loss_db = loss_db + 4 WHERE circuit_id IN ('C0', 'C1') AND test_id LIKE '%FAIR'")
    assert find_doubtful(con, NOW) == ""
