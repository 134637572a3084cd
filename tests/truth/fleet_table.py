"""Simulated fleets judged by their hidden truth, one row per fleet: end faces, circuits, benefit, yardsticks.

`python tests/truth/fleet_table.py [--connectors N] [--seeds 101 102] [--traps standard missing_events ...]`
simulates, loads and analyses each fleet and prints the figures. The yardstick is a boosted model trained on
the truth of the other sites of the same fleet, on plain history and on our own results: about what anything
could reach from these data. With several seeds, another one for the causes of circuits (`circuit_yardstick.py`).
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.model_selection import GroupKFold, cross_val_predict

sys.path.insert(0, str(Path(__file__).parent))

from benefit_truth import benefit_shares
from circuit_truth import diagnosis_scores
from circuit_yardstick import circuit_frame, circuit_yardstick
from fleet_truth import analysed_fleet, calibration_error, judged_frame, precision, scores

from planner.health.backtest import area_under_curve

HISTORY = [
    "environment", "role", "face", "family", "mates", "mates_since_clean", "mates_since_inspection",
    "last_mated_at", "last_cleaned_at", "last_inspected_at", "last_failed", "cleanings", "looks", "fails",
    "drift_db",
]  # fmt: skip
OURS = ["p_contaminated", "p_not_clean", "p_costs_light", "benefit_score"]


def yardstick(frame: pd.DataFrame) -> dict[str, float]:
    """Scores of a boosted model trained on the truth of other sites: on history alone, and with our results."""
    dirty = frame["contaminated"].to_numpy(np.bool_)
    even = np.ones(len(frame))
    found = {}
    for name, columns in (("history", HISTORY), ("history and ours", [*HISTORY, *OURS])):
        model = HistGradientBoostingClassifier(max_iter=150, learning_rate=0.06, max_leaf_nodes=16, random_state=0)
        p = cross_val_predict(
            model,
            frame[columns].astype(np.float64),
            dirty,
            cv=GroupKFold(5),
            groups=frame["site_id"].fillna(""),
            method="predict_proba",
        )[:, 1]
        found[f"AUC trained on truth, {name}"] = area_under_curve(p, dirty, even)
        found[f"P@5% trained on truth, {name}"] = precision(dirty, p)
        found[f"ECE trained on truth, {name}"] = calibration_error(dirty, p)
    return found


def judged(connectors: int, days: int, seed: int, trap: str) -> tuple[dict[str, float | str], pd.DataFrame]:
    """All figures of one fleet, and what the yardstick for circuits needs of it."""
    with tempfile.TemporaryDirectory() as name:
        folder = analysed_fleet(Path(name), connectors, days, seed, () if trap == "standard" else (trap,))
        frame = judged_frame(folder)
        database, truth = folder / "fleet.duckdb", folder / "truth"
        states = pd.read_parquet(truth / "end_faces.parquet")
        names = ("classic", "probability", "benefit", "oracle", "benefit of oracle")
        shares = {
            f"{row['minutes']:.0f} min: {name}": row[name] for row in benefit_shares(database, states) for name in names
        }
        figures = {
            "fleet": trap,
            "seed": seed,
            **scores(frame),
            **yardstick(frame),
            **diagnosis_scores(database, truth),
            **shares,
        }
        return figures, circuit_frame(folder)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--connectors", type=int, default=20_000)
    parser.add_argument("--days", type=int, default=540)
    parser.add_argument("--seeds", type=int, nargs="+", default=[101, 102])
    parser.add_argument("--traps", nargs="+", default=["standard"])
    asked = parser.parse_args()
    for trap in asked.traps:
        frames = []
        for seed in asked.seeds:
            figures, frame = judged(asked.connectors, asked.days, seed, trap)
            frames.append(frame)
            for key, value in figures.items():
                print(f"{key:45s} {value if isinstance(value, str) else round(float(value), 3)}")
            print(flush=True)
        if len(frames) > 1:
            print(f"causes of circuits, {trap}: a model trained on the truth of the other fleets")
            print(circuit_yardstick(frames).assign(seed=asked.seeds).round(3).to_string(index=False))


if __name__ == "__main__":
    main()
