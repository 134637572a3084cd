"""The diagnosis of a simulated fleet against its hidden truth."""

from __future__ import annotations

from pathlib import Path

import duckdb
import numpy as np
import pandas as pd

FACE_CAUSES = ("contamination", "damaged_end_face")
HARMLESS = ("nothing", "remating_offset", "record_error")
CALM = {"remating_offset": "nothing"}
VISIBLE_DB = 0.15
CLEAN_DB = 0.1  # a circuit that loses less than that by dirt, damage and other faults together

_LEVELS = """
WITH span AS (SELECT min("at") AS first_at, max("at") AS last_at FROM power_readings)
SELECT circuit_id, median(rx_dbm) FILTER ("at" < first_at + INTERVAL 20 DAY)
                   - median(rx_dbm) FILTER ("at" > last_at - INTERVAL 14 DAY) AS fall_db
FROM circuits c JOIN power_readings r ON r.port_id = c.z_port_id, span GROUP BY circuit_id
"""


def diagnosis_scores(database: Path, truth_folder: Path) -> dict[str, float]:
    """How often the cause, the joint and the end face are right, over all circuits of a fleet.

    The truth of a circuit is its largest fault of at least 0.2 dB now, else nothing. A false fault is a
    circuit with nothing (or only a remating offset) of which dirt, damage, a bend, a splice, a break or a
    transceiver is said; "clean circuits" among these lose less than 0.1 dB by dirt and faults together.
    "visible" counts faulty circuits whose received light fell by 0.15 dB or more. A circuit that was not
    assessed counts as one of which nothing is said to be wrong.
    """
    con = duckdb.connect(str(database), read_only=True)
    said = con.execute("SELECT circuit_id, cause, element_id, probability FROM diagnosis").df()
    fall = con.execute(_LEVELS).df().set_index("circuit_id")["fall_db"]
    con.close()
    truth = pd.read_parquet(truth_folder / "circuit_causes.parquet")
    truth = truth[truth["main"]].set_index("circuit_id")
    stated = by_cause(said, truth.index)
    top = stated.idxmax(axis=1)
    real = truth["cause"]
    faulty = ~real.isin(HARMLESS)
    visible = faulty & (fall.reindex(truth.index) >= VISIBLE_DB)
    healthy = real.isin(("nothing", "remating_offset"))
    losses = pd.read_parquet(truth_folder / "circuit_losses.parquet").set_index("circuit_id").reindex(truth.index)
    clean = losses[["dirt_db", "damage_db", "fault_db"]].sum(axis=1) < CLEAN_DB
    face, joint = _places(said, truth[real.isin(FACE_CAUSES)], truth_folder)
    return {
        "circuits": len(truth),
        "faulty": float(faulty.mean()),
        "cause right": float((top == real).mean()),
        "cause right, offsets as nothing": float((top.replace(CALM) == real.replace(CALM)).mean()),
        "faulty only": float((top == real)[faulty].mean()),
        "faulty and visible": float((top == real)[visible].mean()),
        "visible": float(visible.sum() / max(faulty.sum(), 1)),
        "false faults": float((~top.isin(HARMLESS))[healthy].mean()),
        "false faults, clean circuits": float((~top.isin(HARMLESS))[healthy & clean].mean()),
        "calibration error": _calibration(stated, real),
        "guilty face first": float((face == 0).mean()),
        "guilty face in three": float((face < 3).mean()),
        "guilty joint first": float((joint == 0).mean()),
        "guilty joint in three": float((joint < 3).mean()),
    }


def by_cause(said: pd.DataFrame, circuits: pd.Index) -> pd.DataFrame:
    """Probability of every cause of each circuit; one that was not assessed counts as having nothing wrong."""
    stated = said.pivot_table("probability", "circuit_id", "cause", aggfunc="sum", fill_value=0.0)
    stated = stated.reindex(circuits, fill_value=0.0)
    stated.loc[stated.sum(axis=1) == 0, "nothing"] = 1.0
    return stated


def _places(said: pd.DataFrame, guilty: pd.DataFrame, truth_folder: Path) -> tuple[pd.Series, pd.Series]:
    """Place (from 0) of the guilty end face and of its joint in the order of what is said; large if not named."""
    paths = pd.read_parquet(truth_folder / "circuit_paths.parquet")
    port_of = paths[paths["connector_id"].notna()].drop_duplicates("connector_id").set_index("connector_id")["port_id"]
    blamed = said[said["cause"].isin(FACE_CAUSES) & said["circuit_id"].isin(guilty.index)]
    result = []
    for place_of in (lambda ids: ids, lambda ids: ids.map(port_of)):
        ranked = blamed.assign(place=place_of(blamed["element_id"]))
        ranked = ranked.groupby(["circuit_id", "place"], as_index=False)["probability"].sum()
        ranked = ranked.sort_values(["circuit_id", "probability"], ascending=[True, False], kind="stable")
        ranked["rank"] = ranked.groupby("circuit_id").cumcount()
        wanted = pd.MultiIndex.from_arrays([guilty.index, place_of(guilty["element_id"])])
        result.append(ranked.set_index(["circuit_id", "place"])["rank"].reindex(wanted).fillna(99))
    return result[0], result[1]


def _calibration(stated: pd.DataFrame, real: pd.Series, bins: int = 10) -> float:
    """Expected calibration error of the probability of the cause that is said."""
    chance = stated.max(axis=1).reindex(real.index).fillna(0.0).to_numpy()
    right = (stated.idxmax(axis=1).reindex(real.index) == real).to_numpy()
    parts = np.array_split(np.argsort(chance, kind="stable"), bins)
    return float(sum(abs(chance[part].mean() - right[part].mean()) * len(part) for part in parts) / len(chance))
