"""Budgets from the trace's arrays equal those from stored rows of the paths, element by element."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import pytest
from random_plants import random_plant
from unit.filled_store import filled

from planner.health.loss_budget import Budgets, circuit_budgets
from planner.plant.loss_elements import loss_elements
from planner.progress import silent
from planner.stages import derive, trace
from planner.standards.lookup import standard_limits
from planner.store.database import open_database, transaction
from planner.store.light_queries import acceptance_and_latest_tests, budget_circuits, latest_powers, path_elements
from planner.store.loading import load_sources
from planner.synthetic.fleet import simulate
from planner.synthetic.settings import Settings

NOW = datetime(2031, 6, 1)
WAVELENGTHS = (850.0, 1310.0, 1490.0, 1550.0)
SAME_DB = 1e-9


def with_losses(tables: dict[str, pd.DataFrame], rng: np.random.Generator) -> dict[str, pd.DataFrame]:
    """The plant with all that decides a loss drawn at random, unknowns included, and tests at every wavelength."""

    def drawn(values: list[object], count: int) -> pd.Series:
        return pd.Series([values[i] for i in rng.integers(len(values), size=count)], dtype=object)

    connectors = tables["connectors"]
    polish, grade = drawn(["PC", "UPC", "APC"], len(connectors)), drawn(["A", "B", "C", "D", None], len(connectors))
    tables["connectors"] = connectors.assign(polish=polish, grade=grade)
    cables = tables["cables"]
    fibre = drawn(["OS2", "G.652.D", "G.657.A1", "OM3"], len(cables))
    tables["cables"] = cables.assign(fibre_type=fibre, length_m=rng.choice([0.0, 2.5, 700.0, 12_000.0], len(cables)))
    if "splices" in tables:
        count = len(tables["splices"])
        kind, loss = drawn(["fusion", "mechanical", None], count), drawn([0.03, 0.21, -0.02, None], count)
        tables["splices"] = tables["splices"].assign(kind=kind, loss_db=loss.astype(float))
    if "splitter_legs" in tables:
        legs = tables["splitter_legs"]
        unknown = legs["splitter_id"].isin(legs["splitter_id"].unique()[::2])
        tables["splitter_legs"] = legs.assign(ratio=legs["ratio"].astype("Int64").mask(unknown))
    circuits = tables["circuits"]["circuit_id"].to_numpy()
    tests = [
        {"test_id": f"T{i}", "at": NOW, "circuit_id": circuit, "wavelength_nm": nm, "loss_db": rng.uniform(1, 9)}
        for i, (circuit, nm) in enumerate((circuit, nm) for circuit in circuits for nm in WAVELENGTHS)
        if rng.random() < 0.7
    ]
    return {**tables, "loss_tests": pd.DataFrame(tests)}


def both_budgets(con: duckdb.DuckDBPyConnection, now: datetime) -> tuple[Budgets, Budgets]:
    """Budgets of all circuits from the arrays of the placed plant, and from the stored rows of the paths."""
    with transaction(con):
        for step in (derive, trace):
            step.run(con, now, silent)
    rest = (budget_circuits(con), acceptance_and_latest_tests(con, now), latest_powers(con, now), standard_limits())
    return (
        circuit_budgets(loss_elements(*trace.placed_plant(con)), *rest),
        circuit_budgets(path_elements(con), *rest),
    )


def assert_equal(one: Budgets, other: Budgets) -> None:
    """Every sum, mean, spread, as-built loss and remark of circuits and elements agrees."""
    key = ["circuit_id", "wavelength_nm"]
    for frames, order in (((one.circuits, other.circuits), key), ((one.elements, other.elements), [*key, "position"])):
        plain = [
            frame.astype(
                {name: object for name in frame if not pd.api.types.is_numeric_dtype(frame[name])}
            ).sort_values(order, ignore_index=True)
            for frame in frames
        ]
        assert len(plain[0])
        pd.testing.assert_frame_equal(*plain, check_dtype=False, rtol=0, atol=SAME_DB)


@pytest.mark.parametrize("seed", range(12))
def test_budgets_of_random_plants_are_alike(seed: int) -> None:
    """Chains, arrays of every polarity, splitters, mixed polishes and fibres, unknown grades, ratios and losses."""
    tables, _ = random_plant(seed, circuits=15)
    con = filled(":memory:", with_losses(tables, np.random.default_rng(seed)))
    assert_equal(*both_budgets(con, NOW))


def test_budgets_of_a_simulated_fleet_are_alike(tmp_path: Path) -> None:
    """Every circuit of an invented fleet with its record errors, at every tested wavelength."""
    simulate(tmp_path / "fleet", Settings(connectors=1500, days=120, seed=8, file_format="parquet"), silent)
    con = open_database(tmp_path / "fleet.duckdb")
    load_sources(con, [tmp_path / "fleet"], mapping=None, strict=False, loaded_at=NOW)
    one, other = both_budgets(con, datetime(2030, 5, 1))
    assert_equal(one, other)
    assert one.circuits["as_built_db"].notna().sum() > 50
    con.close()


@pytest.mark.parametrize("seed", range(10))
def test_the_plant_from_places_is_the_traced_plant(seed: int) -> None:
    """Laid from the stored places, put-back end faces included, the plant and its paths are those of the trace."""
    tables, _ = random_plant(seed, circuits=12)
    rng = np.random.default_rng(seed)
    places = tables["patching"]
    moves = places.iloc[rng.integers(len(places), size=40)].reset_index(drop=True)
    at = pd.Timestamp("2031-01-01") + pd.to_timedelta(rng.integers(0, 900, 40), unit="min")
    moves = moves.assign(event_id=[f"E{i}" for i in range(40)], at=at, action=rng.choice(["mate", "demate"], 40))
    con = filled(":memory:", {**tables, "mating_events": moves})
    traced = trace.traced_plant(con, NOW)
    with transaction(con):
        for step in (derive, trace):
            step.run(con, NOW, silent)
    plant, paths = trace.placed_plant(con)
    ours, theirs = plant.records.connectors, traced.plant.records.connectors
    assert (ours.port == theirs.port).all() and (ours.face == theirs.face).all()
    assert (paths.points == traced.paths.points).all() and (paths.start == traced.paths.start).all()
    assumed = con.execute("SELECT connector_id FROM connector_state WHERE face = 'assumed' ORDER BY 1").fetchall()
    wanted = [plant.id_of("connectors", number) for number in sorted(traced.put_back["connector"])]
    assert [row[0] for row in assumed] == wanted
