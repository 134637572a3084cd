"""What a boosted model reaches that knows the truth of other fleets: the mark for the causes of circuits.

Its inputs are what the records and the light of a circuit come to in plain figures, and those with our posterior
over the causes. Trained on all fleets but one, it judges that one.
"""

from __future__ import annotations

from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
from circuit_truth import CALM, HARMLESS, by_cause
from sklearn.ensemble import HistGradientBoostingClassifier

_PLAIN = """
WITH light AS (
    SELECT circuit_id,
           max(drift_db) FILTER (kind = 'rx_power') AS power_drift,
           max(step_db) FILTER (kind = 'rx_power') AS power_step,
           max(noise_db) FILTER (kind = 'rx_power') AS noise, max(drift_db) FILTER (kind = 'loss_test') AS test_drift,
           max(step_db) FILTER (kind = 'loss_test') AS test_step
    FROM series_drift GROUP BY circuit_id
),
level AS (
    SELECT circuit_id, max(excess_db) AS excess, min(margin_db) AS margin FROM circuit_budget GROUP BY circuit_id
),
path AS (
    SELECT circuit_id, count(DISTINCT connector_id) AS faces, count(*) FILTER (element_kind = 'splice') AS splices,
           count(*) AS elements FROM circuit_paths GROUP BY circuit_id
),
work AS (
    SELECT circuit_id, count(*) AS matings FROM circuit_paths JOIN mating_events USING (connector_id)
    GROUP BY circuit_id
)
SELECT circuit_id, * EXCLUDE (circuit_id)
FROM circuits LEFT JOIN light USING (circuit_id) LEFT JOIN level USING (circuit_id) LEFT JOIN path USING (circuit_id)
LEFT JOIN work USING (circuit_id)
"""
PLAIN = (
    "power_drift", "power_step", "noise", "test_drift", "test_step", "excess", "margin", "faces", "splices",
    "elements", "matings",
)  # fmt: skip


def circuit_frame(folder: Path) -> pd.DataFrame:
    """Plain figures, our posterior (columns p_*) and the true cause of every circuit of an analysed fleet."""
    con = duckdb.connect(str(folder / "fleet.duckdb"), read_only=True)
    plain = con.execute(_PLAIN).df().set_index("circuit_id")[list(PLAIN)]
    said = con.execute("SELECT circuit_id, cause, probability FROM diagnosis").df()
    con.close()
    truth = pd.read_parquet(folder / "truth" / "circuit_causes.parquet")
    truth = truth[truth["main"]].set_index("circuit_id")
    stated = by_cause(said, truth.index)
    return plain.reindex(truth.index).join(stated.add_prefix("p_")).assign(cause=truth["cause"])


def circuit_yardstick(frames: list[pd.DataFrame]) -> pd.DataFrame:
    """One row per fleet: shares of circuits of which the model, trained on the other fleets, names the true cause."""
    rows = []
    for number, own in enumerate(frames):
        others = pd.concat([frame for place, frame in enumerate(frames) if place != number])
        row: dict[str, float] = {}
        for name, columns in (
            ("plain", list(PLAIN)),
            ("plain and ours", [column for column in others.columns if column != "cause"]),
        ):
            model = HistGradientBoostingClassifier(max_iter=120, learning_rate=0.06, max_leaf_nodes=12, random_state=0)
            model.fit(others[columns].astype(np.float64), others["cause"])
            named = pd.Series(model.predict(own.reindex(columns=columns).astype(np.float64)), own.index)
            calm = own["cause"].isin(CALM) | (own["cause"] == "nothing")
            row[f"cause right, {name}"] = float((named == own["cause"]).mean())
            row[f"offsets as nothing, {name}"] = float((named.replace(CALM) == own["cause"].replace(CALM)).mean())
            row[f"false faults, {name}"] = float((~named.isin(HARMLESS))[calm].mean())
        rows.append(row)
    return pd.DataFrame(rows)
