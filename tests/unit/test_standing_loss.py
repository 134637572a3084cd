"""Loss that stood before the first reading: learned line and spread, and what is made of it."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from truth.fault_fleet import build

from planner.health.absolute_levels import Levels, weigh_levels
from planner.health.circuit_cases import Cases, add_standing
from planner.health.fault_laws import PATH_CAUSES
from planner.health.standing_loss import FEWEST_CIRCUITS, standing_loss
from planner.progress import silent
from planner.stages import drift
from planner.store.database import open_database, transaction
from planner.store.series_queries import first_levels


def levels_of(count: int, extra: np.ndarray, bias: float = 0.0, noise: float = 0.1) -> pd.DataFrame:
    """Circuits whose first readings lie `extra` above their as-built test, read at another wavelength."""
    rng = np.random.default_rng(7)
    colour = rng.uniform(0.0, 3.0, count)
    built = rng.uniform(1.0, 9.0, count)
    first = built + 0.3 + 0.2 * colour + extra + rng.normal(0, noise, count) + rng.normal(0, bias or 1e-9, count)
    return pd.DataFrame(
        {
            "circuit_id": [f"C{number:03d}" for number in range(count)],
            "wavelength_nm": 1490.0,
            "tested_nm": 1550.0,
            "reference_cords": 1,
            "built_db": built,
            "colour_db": colour,
            "first_db": first,
            "latest_db": first,
            "noise_db": 0.03,
        }
    )


def test_standing_loss_is_found_beside_offset_and_colour() -> None:
    """A constant offset and a dependence on fibre length are learned; what a few circuits lose beyond is theirs."""
    extra = np.zeros(200)
    extra[:20] = 0.8
    found = standing_loss(levels_of(200, extra))
    assert found["standing_db"][:20].mean() == pytest.approx(0.8, abs=0.06)
    assert abs(found["standing_db"][20:].mean()) < 0.04
    assert found["sd_db"].iloc[0] == pytest.approx(0.1, rel=0.25)


def test_biased_meters_widen_the_spread() -> None:
    """Where meters disagree by half a decibel the spread says so, and little is made of an excess."""
    extra = np.zeros(200)
    extra[:5] = 0.5
    good, poor = standing_loss(levels_of(200, extra)), standing_loss(levels_of(200, extra, bias=0.5))
    assert poor["sd_db"].iloc[0] > 4 * good["sd_db"].iloc[0]
    dirt = PATH_CAUSES.index("contamination")
    nothing, tests = np.full(200, np.nan), np.zeros(200, np.bool_)
    strong, weak = (
        weigh_levels(
            Levels(
                nothing,
                nothing,
                nothing,
                tests,
                np.full(200, -1.0),
                each["standing_db"].to_numpy(),
                each["sd_db"].to_numpy(),
            )
        ).path
        for each in (good, poor)
    )
    assert strong[:5, dirt].min() > 2.0
    assert abs(weak[:5, dirt]).max() < 1.5


def test_a_loss_that_fell_no_longer_stands() -> None:
    """Cleaned since: the latest level counts, not the first."""
    levels = levels_of(60, np.zeros(60))
    levels.loc[0, "first_db"] += 1.0
    found = standing_loss(levels)
    assert abs(found["standing_db"][0]) < 0.3


def test_few_circuits_are_not_compared() -> None:
    """Below the fewest circuits nothing is said; an absent table gives no rows either."""
    assert standing_loss(levels_of(FEWEST_CIRCUITS - 1, np.zeros(FEWEST_CIRCUITS - 1))).empty
    assert standing_loss(levels_of(60, np.zeros(60)).iloc[:0]).empty


def test_standing_loss_is_a_case_of_its_own_beside_an_open_change() -> None:
    """A quiet circuit keeps its main case and takes the size; one that changed gets a second case."""
    cases = Cases(
        circuit=np.arange(3),
        first_day=np.array([1, 5, 5]),
        last_day=np.array([0, 9, 9]),
        size_db=np.array([0.0, 0.4, 0.4]),
        computed=np.full(3, -1),
        standing_case=np.arange(3),
    )
    found = add_standing(cases, np.array([0.5, 0.5, 0.02]), np.full(3, 0.1))
    assert found.standing_case.tolist() == [0, 3, -1]
    assert found.circuit.tolist() == [0, 1, 2, 1]
    assert found.size_db.tolist() == [0.5, 0.4, 0.4, 0.5]
    assert found.last_day[3] < found.first_day[3]


def test_only_tests_before_the_readings_tell_the_loss_as_built(tmp_path: Path) -> None:
    """A test in the other direction made years later changes nothing; at one wavelength there is no colour."""
    con = open_database(tmp_path / "levels.duckdb")
    fleet = build(con, 3, trunks=1, days=200)
    with transaction(con):
        drift.run(con, fleet.now, silent)
    con.execute("DELETE FROM loss_tests")
    circuit, begun = con.execute(
        "SELECT circuit_id, first_at FROM series_drift WHERE kind = 'rx_power' ORDER BY circuit_id LIMIT 1"
    ).fetchall()[0]
    insert = """INSERT INTO loss_tests (test_id, circuit_id, direction, wavelength_nm, loss_db, "at", _load)
                VALUES (?, ?, ?, 1310, ?, ?, 1)"""
    con.execute(insert, ["T1", circuit, "a_to_z", 2.0, begun - timedelta(days=400)])
    before = first_levels(con)
    con.execute(insert, ["T2", circuit, "z_to_a", 8.0, begun + timedelta(days=100)])
    after = first_levels(con)
    con.close()
    pd.testing.assert_frame_equal(before, after)
    assert before["circuit_id"].unique().tolist() == [circuit]
    assert (before["built_db"] == 2.0).all() and before["colour_db"].isna().all()


def test_circuits_tested_at_one_wavelength_do_not_blur_the_others() -> None:
    """Half of a group without a known colour is a group of its own: the others' spread stays narrow."""
    levels = levels_of(200, np.zeros(200), noise=0.05)
    alone = standing_loss(levels.assign(colour_db=levels["colour_db"].where(np.arange(200) % 2 == 0)))
    assert alone["sd_db"][::2].max() < 0.08
