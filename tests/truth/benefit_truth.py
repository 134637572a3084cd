"""How much of what could be won each ranking wins in a fixed number of crew minutes, by the hidden truth.

The value of a visit is reckoned as the ranking reckons it (`planner.health.ranking`), with truth in place of
belief: dirt and damage are there or not, and cost the light that they really cost. The oracle visits in the
order of true value per minute. Circuits, customers and margins are those of the analysis.

Run by hand on an analysed fleet: python tests/truth/benefit_truth.py FOLDER (with fleet.duckdb and truth/).
"""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import duckdb
import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.health.ranking import expected_benefit
from planner.pipeline import moment_of
from planner.stages.rank import circuits_carried, face_values
from planner.store.ranking_queries import (
    carried_circuits,
    classic_measures,
    health_of_ranked,
    history_days,
    learned_figures,
)

FloatArray = npt.NDArray[np.float64]
SMALLEST_DB = 0.05  # a loss below that is not worth anything
MINUTES_PER_FACE = (0.12, 0.48)  # 600 and 2,400 crew minutes for 5,000 end faces


def true_value(
    con: duckdb.DuckDBPyConnection, now: datetime, truth: pd.DataFrame
) -> tuple[pd.DataFrame, FloatArray, FloatArray]:
    """The ranked end faces, what a visit to each would truly win (0 if nothing), and its minutes."""
    faces = classic_measures(con, now)
    health = health_of_ranked(con)
    believed = face_values(faces, health, learned_figures(con), history_days(con, now))
    circuits = circuits_carried(carried_circuits(con))
    known = truth.set_index("connector_id").reindex(faces["connector_id"])
    dirty, damaged = (known[name].astype("float64").fillna(0.0).to_numpy() for name in ("contaminated", "damaged"))
    dirt_db = known["dirt_db"].fillna(0.0).to_numpy(np.float64)[circuits.face]
    damage_db = known["damage_db"].fillna(0.0).to_numpy(np.float64)[circuits.face]
    real = expected_benefit(
        replace(believed, p_dirty=dirty, p_damaged=damaged, p_not_clean=np.maximum(dirty, damaged)),
        replace(
            circuits,
            p_dirt_costs=(dirt_db >= SMALLEST_DB).astype(np.float64),
            p_damage_costs=(damage_db >= SMALLEST_DB).astype(np.float64),
            shown_share=np.ones(len(dirt_db)),
            shown_db=np.where(dirt_db >= damage_db, dirt_db, damage_db),
        ),
    )
    won = real.parts["margin_part"] + real.parts["spread_part"] + real.parts["damage_part"]
    won[(dirty == 0) & (damaged == 0) & known["excess_db"].fillna(0.0).lt(SMALLEST_DB).to_numpy()] = 0.0
    return faces, won, real.minutes


def won_by(order: npt.NDArray[np.int64], won: FloatArray, minutes: FloatArray, budget: float) -> float:
    """What the visits of an order win until the minutes are used up."""
    done = np.cumsum(minutes[order]) <= budget
    return float(won[order][done].sum())


def benefit_shares(database: Path, truth: pd.DataFrame, seed: int = 0) -> list[dict[str, float]]:
    """Share of all that could be won, for each ranking and for the oracle, one row per budget of minutes.

    `truth` has a row per end face: connector_id, contaminated, damaged, dirt_db, damage_db, excess_db.
    """
    con = duckdb.connect(str(database), read_only=True)
    now = moment_of(con, None)
    faces, won, minutes = true_value(con, now, truth)
    scores = con.execute(
        "SELECT connector_id, benefit_score, p_not_clean, classic_score FROM ranking "
        "JOIN connector_health USING (connector_id) ORDER BY connector_id"
    ).df()
    con.close()
    score = faces[["connector_id"]].merge(scores, on="connector_id", how="left")
    orders = {
        "random": np.random.default_rng(seed).permutation(len(faces)),
        "classic": np.argsort(-score["classic_score"].fillna(0).to_numpy(), kind="stable"),
        "probability": np.argsort(-score["p_not_clean"].fillna(0).to_numpy(), kind="stable"),
        "benefit": np.argsort(-score["benefit_score"].fillna(-np.inf).to_numpy(), kind="stable"),
        "oracle": np.argsort(-won / minutes, kind="stable"),
    }
    rows = []
    for per_face in MINUTES_PER_FACE:
        budget = per_face * len(faces)
        shares = {name: won_by(order, won, minutes, budget) / won.sum() for name, order in orders.items()}
        of_oracle = shares["benefit"] / shares["oracle"]
        rows.append({"minutes": budget, **shares, "benefit of oracle": of_oracle})
    return rows


if __name__ == "__main__":
    folder = Path(sys.argv[1])
    states = pd.read_parquet(folder / "truth" / "end_faces.parquet")
    print(pd.DataFrame(benefit_shares(folder / "fleet.duckdb", states)).round(3).to_string(index=False))
