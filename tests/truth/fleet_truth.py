"""Simulated fleets with hidden truth: made, loaded, analysed and scored, for tests and for the yardstick."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd

from planner.health.backtest import area_under_curve
from planner.pipeline import bring_up_to_date
from planner.store.database import open_database
from planner.store.loading import load_sources
from planner.synthetic.fleet import Settings, simulate

LOADED_AT = datetime(2032, 1, 1)
FEATURES = """
SELECT s.connector_id, s.site_id, s.environment, s.role, s.face, s.family, s.mates, s.mates_since_clean,
       s.mates_since_inspection, s.last_mated_at, s.last_cleaned_at, s.last_inspected_at,
       (s.last_result = 'fail')::INT AS last_failed, coalesce(c.cleanings, 0) AS cleanings,
       coalesce(l.looks, 0) AS looks, coalesce(l.fails, 0) AS fails, d.drift_db,
       r.classic_score, r.drift_part, r.benefit_score, h.p_contaminated, h.p_not_clean, h.p_costs_light
FROM connector_state s
JOIN ranking r USING (connector_id)
JOIN connector_health h USING (connector_id)
LEFT JOIN (SELECT connector_id, count(*) AS cleanings FROM cleanings GROUP BY connector_id) c USING (connector_id)
LEFT JOIN (SELECT connector_id, count(*) AS looks, count(*) FILTER (result = 'fail') AS fails
           FROM inspections GROUP BY connector_id) l USING (connector_id)
LEFT JOIN (SELECT p.connector_id, max(drift_db) AS drift_db
           FROM circuit_paths p JOIN series_drift USING (circuit_id)
           WHERE kind = 'rx_power' GROUP BY p.connector_id) d USING (connector_id)
ORDER BY s.connector_id
"""


def analysed_fleet(folder: Path, connectors: int, days: int, seed: int, traps: tuple[str, ...] = ()) -> Path:
    """Simulate, load and analyse a fleet; returns its folder, with fleet.duckdb beside the tables."""
    simulate(folder, Settings(connectors=connectors, days=days, seed=seed, traps=traps, file_format="parquet"))
    con = open_database(folder / "fleet.duckdb")
    load_sources(con, [folder], mapping=None, strict=False, loaded_at=LOADED_AT)
    bring_up_to_date(con)
    con.close()
    return folder


def judged_frame(folder: Path) -> pd.DataFrame:
    """Features, scores and truth of every in-service end face on a circuit."""
    con = duckdb.connect(str(folder / "fleet.duckdb"), read_only=True)
    frame = con.execute(FEATURES).df()
    con.close()
    newest = frame["last_mated_at"].max()
    for name in ("last_mated_at", "last_cleaned_at", "last_inspected_at"):
        frame[name] = (newest - frame[name]).dt.total_seconds() / 86400.0
    for name in ("environment", "role", "face", "family"):
        frame[name] = frame[name].astype("category").cat.codes
    truth = pd.read_parquet(folder / "truth" / "end_faces.parquet")
    joined = frame.merge(truth, on="connector_id", how="inner")
    return joined[joined["in_service"]].reset_index(drop=True)


def precision(bad: np.ndarray, score: np.ndarray, share: float = 0.05) -> float:
    """Share that is bad among the first of a ranking."""
    first = np.argsort(-score, kind="stable")[: max(round(share * len(score)), 1)]
    return float(bad[first].mean())


def found_share(bad: np.ndarray, score: np.ndarray, share: float) -> float:
    """Share of all bad ones that stand among the first of a ranking."""
    first = np.argsort(-score, kind="stable")[: max(round(share * len(score)), 1)]
    return float(bad[first].sum() / max(bad.sum(), 1))


def calibration_error(bad: np.ndarray, p: np.ndarray, bins: int = 10) -> float:
    """Expected calibration error over bins of equal size."""
    parts = np.array_split(np.argsort(p, kind="stable"), bins)
    return float(sum(abs(p[part].mean() - bad[part].mean()) * len(part) for part in parts) / len(p))


def scores(frame: pd.DataFrame) -> dict[str, float]:
    """All figures of one fleet: of the probability, the classic score, and the benefit ranking."""
    dirty = frame["contaminated"].to_numpy(np.bool_)
    now, later = frame["degrades"].to_numpy(np.bool_), frame["degrades_60d"].to_numpy(np.bool_)
    p, classic = frame["p_contaminated"].to_numpy(), frame["classic_score"].to_numpy()
    benefit, drift = frame["benefit_score"].to_numpy(), frame["drift_part"].to_numpy()
    even = np.ones(len(frame))
    return {
        "end faces": len(frame),
        "base rate": float(dirty.mean()),
        "AUC": area_under_curve(p, dirty, even),
        "AUC classic": area_under_curve(classic, dirty, even),
        "P@5%": precision(dirty, p),
        "P@5% classic": precision(dirty, classic),
        "ECE": calibration_error(dirty, p),
        "degrading": float(now.sum()),
        "in top 2% benefit": found_share(now, benefit, 0.02),
        "in top 2% probability": found_share(now, p, 0.02),
        "in top 2% drift": found_share(now, drift, 0.02),
        "60 d in top 5% benefit": found_share(later, benefit, 0.05),
        "60 d in top 5% drift": found_share(later, drift, 0.05),
    }
