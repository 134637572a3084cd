"""Does the diagnosis find the fault that was put in? Run as a script for the long table.

`python tests/truth/test_diagnosis.py` prints the table for the standard fleet and for each trap, over
several seeds; the ordinary suite runs one small fleet of each of two kinds.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from fault_fleet import FaultFleet, build, scores

from planner.progress import silent
from planner.stages import diagnose, drift
from planner.store.database import open_database, transaction

TRAPS: dict[str, dict[str, object]] = {
    "standard": {},
    "heavy tails": {"heavy_tails": True},
    "4 of 10 matings unrecorded": {"unrecorded": 0.4},
    "readings in 0.1 dB": {"quantum_db": 0.1},
    "remating offsets of 0.15 dB": {"offset_db": 0.15},
    "noise to 0.25 dB": {"noise_db": (0.1, 0.25)},
}


def diagnosed(
    folder: Path, seed: int, trunks: int, **trap: object
) -> tuple[FaultFleet, dict[str, pd.DataFrame], float]:
    """A fleet with known faults, the tables diagnosis wrote for it, and the seconds it took."""
    con = open_database(folder / f"faults{seed}.duckdb")
    fleet = build(con, seed, trunks, **trap)  # type: ignore[arg-type]
    with transaction(con):
        drift.run(con, fleet.now, silent)
        started = time.perf_counter()
        diagnose.run(con, fleet.now, silent)
        seconds = time.perf_counter() - started
    tables = {
        name: con.execute(f"SELECT * FROM {name}").df() for name in ("diagnosis", "diagnosis_evidence", "face_blame")
    }
    con.close()
    return fleet, tables, seconds


@pytest.fixture(scope="module")
def standard(tmp_path_factory: pytest.TempPathFactory) -> tuple[FaultFleet, dict[str, pd.DataFrame]]:
    """144 circuits over 12 trunks with known faults, diagnosed."""
    fleet, tables, _ = diagnosed(tmp_path_factory.mktemp("faults"), 3, 12)
    return fleet, tables


def test_the_right_cause_is_named(standard: tuple[FaultFleet, dict[str, pd.DataFrame]]) -> None:
    """Cause right on 85 % of circuits, false faults on at most 5 % of healthy ones."""
    fleet, tables = standard
    found = scores(fleet.truth, tables["diagnosis"])
    assert found["cause right"] >= 0.85
    assert found["false faults on healthy"] <= 0.05


def test_the_guilty_end_face_is_named(standard: tuple[FaultFleet, dict[str, pd.DataFrame]]) -> None:
    """The guilty end face comes first in 70 % of cases and among three in 90 %."""
    fleet, tables = standard
    found = scores(fleet.truth, tables["diagnosis"])
    assert found["guilty face first"] >= 0.70
    assert found["guilty face among three"] >= 0.90


def test_it_beats_the_worst_drift_and_most_touched_joint(
    standard: tuple[FaultFleet, dict[str, pd.DataFrame]],
) -> None:
    """Naming an end face of the path at random finds one in eight; the diagnosis is far above."""
    fleet, tables = standard
    assert scores(fleet.truth, tables["diagnosis"])["guilty face first"] > 4 / 8


def test_probabilities_of_a_circuit_sum_to_one(standard: tuple[FaultFleet, dict[str, pd.DataFrame]]) -> None:
    """Every circuit has rows, none below .001, and they sum to 1."""
    fleet, tables = standard
    rows = tables["diagnosis"]
    assert set(rows["circuit_id"]) == set(fleet.truth["circuit_id"])
    assert rows["probability"].min() >= 0.001
    assert (rows.groupby("circuit_id")["probability"].sum() - 1).abs().max() < 1e-9
    assert not rows.duplicated(["circuit_id", "cause", "element_id"]).any()


def test_evidence_adds_up_to_the_log_odds(standard: tuple[FaultFleet, dict[str, pd.DataFrame]]) -> None:
    """The decibans of every question add up to the odds of its two answers, and those of a row to its own."""
    _, tables = standard
    rows, lines = tables["diagnosis"], tables["diagnosis_evidence"]
    sums = lines.groupby(["circuit_id", "question"], as_index=False)["decibans"].sum()
    said = sums["question"].str.extract(r"\(([\d.]+) %\).* against .*\(([\d.]+) %\)").astype(float)
    sure = (said.min(axis=1, skipna=False) >= 5).to_numpy()  # per cent as printed are whole
    assert sure.sum() > 40
    said, sums = said[sure], sums[sure]
    odds = 10 * np.log10(said[0] / said[1])
    rounding = 10 * np.log10((said[0] + 0.5) / (said[0] - 0.5)) + 10 * np.log10((said[1] + 0.5) / (said[1] - 0.5))
    assert ((odds - sums["decibans"]).abs() <= rounding).all()
    top = rows.sort_values("probability", ascending=False, kind="stable")
    calm = top[top["cause"] == "nothing"].set_index("circuit_id")["probability"]
    faults = top[(top["cause"] != "nothing") & top["circuit_id"].isin(calm.index)]
    told = faults["evidence"].str.extract(r"= ([+-][\d.]+) decibans against nothing wrong$")[0].astype(float)
    true = 10 * np.log10(faults["probability"] / calm.reindex(faults["circuit_id"]).to_numpy())
    assert len(faults) > 100 and (told - true).abs().max() < 0.1
    parts = faults["evidence"].str.extractall(r" ([+-][\d.]+)(?:,| =)")[0].astype(float).groupby(level=0).sum()
    assert (parts - told).abs().max() < 1e-6


def test_every_fault_that_costs_light_has_a_line_about_light(
    standard: tuple[FaultFleet, dict[str, pd.DataFrame]],
) -> None:
    """Where something is more likely wrong than not, what was measured is among the evidence that it is."""
    _, tables = standard
    rows, lines = tables["diagnosis"], tables["diagnosis_evidence"]
    first = rows.sort_values("probability", ascending=False, kind="stable").drop_duplicates("circuit_id")
    wrong = set(first.loc[(first["cause"] != "nothing") & (first["probability"] > 0.5), "circuit_id"])
    asked = lines[lines["question"].str.startswith("Is anything wrong?") & lines["circuit_id"].isin(wrong)]
    light = asked["text"].str.contains("power:|loss tests|measured loss|tested loss|loss from the first|first readings")
    assert len(wrong) > 15
    assert set(asked.loc[light, "circuit_id"]) == wrong


def test_blame_is_the_probability_of_the_end_face(standard: tuple[FaultFleet, dict[str, pd.DataFrame]]) -> None:
    """An end face is blamed at least for its dirt and damage in the diagnosis, and never surely."""
    _, tables = standard
    rows = tables["diagnosis"]
    faces = rows[rows["cause"].isin(["contamination", "damaged_end_face"]) & (rows["probability"] > 0.05)]
    total = faces.groupby(["circuit_id", "element_id"])["probability"].sum()
    blame = tables["face_blame"].set_index(["circuit_id", "connector_id"])["p_cause"]
    assert (blame.reindex(total.index) >= total - 0.02).all()
    assert blame.between(0.002, 1.0).all()


def test_heavy_tails_and_missing_records_do_not_break_it(tmp_path: Path) -> None:
    """With Student-t noise and four of ten matings unrecorded, causes stay right on 80 % of circuits."""
    fleet, tables, _ = diagnosed(tmp_path, 4, 8, heavy_tails=True, unrecorded=0.4)
    found = scores(fleet.truth, tables["diagnosis"])
    assert found["cause right"] >= 0.80
    assert found["false faults on healthy"] <= 0.08


def table(seeds: tuple[int, ...] = (11, 12), trunks: int = 25) -> pd.DataFrame:
    """Scores of every kind of fleet, averaged over seeds; one row per kind."""
    rows = []
    for name, trap in TRAPS.items():
        found = []
        for seed in seeds:
            with tempfile.TemporaryDirectory() as folder:
                fleet, tables, seconds = diagnosed(Path(folder), seed, trunks, **trap)
            rate = len(fleet.truth) / seconds
            found.append({**scores(fleet.truth, tables["diagnosis"]), "circuits per second": rate})
        rows.append({"fleet": name, **pd.DataFrame(found).mean().to_dict()})
        print(rows[-1], flush=True)
    return pd.DataFrame(rows)


if __name__ == "__main__":
    print(table().round(3).to_string(index=False))
