"""Last step of the analysis: which end faces to visit first, and why.

In: connector_state, circuit_paths, series_drift, connector_health, face_blame, circuit_budget, circuits,
learned_parameters (whatever of them exists). Out: `ranking`, one row per in-service end face.
"""

from __future__ import annotations

from datetime import datetime

import duckdb
import numpy as np
import pandas as pd

from planner.health.ranking import (
    ACTIONS,
    PARTS,
    VALUES,
    Benefit,
    CarriedCircuits,
    FaceValues,
    classic_parts,
    expected_benefit,
    ranks,
)
from planner.progress import Progress
from planner.store.database import has_rows
from planner.store.ranking_queries import (
    carried_circuits,
    classic_measures,
    health_of_ranked,
    history_days,
    learned_figures,
    replace_ranking,
)

# Where the fleet has not taught it: the same defaults as the inference starts from (assumptions).
DEFAULT_EXPOSURE = {"controlled": 0.03, "indoor": 0.08, "outdoor": 0.15}
DEFAULT_CLEANING = 0.8
SOURCES = {
    "circuit_paths": "circuits, drift and benefit of each end face",
    "series_drift": "loss drift",
    "connector_health": "probability and benefit",
    "face_blame": "which end face costs a circuit light",
    "circuit_budget": "margins",
}


def run(con: duckdb.DuckDBPyConnection, now: datetime, progress: Progress) -> str:
    """Rank every in-service end face by the classic measures, by probability and by benefit."""
    progress(0.05, "the three classic measures")
    faces = classic_measures(con, now)
    mates, drift, since = classic_parts(
        *(faces[name].to_numpy(np.float64) for name in ("mates_since_clean", "drift_db", "days_since_inspection"))
    )
    # a measure whose table is absent is unknown, not zero; the score is the sum of those that are known
    measures = {"mates_part": (mates, "known_matings"), "drift_part": (drift, "known_light")}
    measures["time_part"] = (since, "known_looks")
    for name, (values, known) in measures.items():
        faces[name] = np.where(faces[known], values, np.nan)
    faces["classic_score"] = faces[list(measures)].sum(axis=1, min_count=1)
    faces["classic_rank"] = ranks(np.nan_to_num(faces["classic_score"].to_numpy(np.float64)))
    progress(0.3, "expected benefit")
    assessed = has_rows(con, "connector_health") and len(faces) > 0
    ranked = with_benefit(con, now, faces) if assessed else without_benefit(faces)
    progress(0.7, "writing the ranking")
    replace_ranking(con, ranked)
    missing = [f"no {table} for {what}" for table, what in SOURCES.items() if not has_rows(con, table)]
    return "not assessed: " + "; ".join(missing) if missing else ""


def without_benefit(faces: pd.DataFrame) -> pd.DataFrame:
    """The classic ranking alone: probability and benefit are unknown, not zero."""
    unknown = [
        "p_contaminated", "p_damaged", "probability_rank", "benefit_rank", "benefit_score", "benefit",
        *PARTS, "minutes", "days_since_good_look", "matings_since_good_look", "cause_p", "size_db",
        "customers", "margin_db", "matings",
    ]  # fmt: skip
    out = faces.assign(**dict.fromkeys(unknown, np.nan))
    out["horizon_days"] = VALUES.horizon_days
    for name in ("action", "likely_source", "circuit_id"):
        out[name] = pd.Series([None] * len(out), dtype="string")
    for name in ("protected", "unseen", "unread"):
        out[name] = False
    return out


def with_benefit(con: duckdb.DuckDBPyConnection, now: datetime, faces: pd.DataFrame) -> pd.DataFrame:
    """The ranking by probability and by benefit beside the classic one."""
    health = health_of_ranked(con)
    carried = carried_circuits(con)
    learned = learned_figures(con)
    values = face_values(faces, health, learned, history_days(con, now))
    circuits = circuits_carried(carried)
    gained = expected_benefit(values, circuits)
    out = faces.copy()
    for name in ("p_contaminated", "p_damaged", "days_since_good_look", "matings_since_good_look", "likely_source"):
        out[name] = health[name].to_numpy()
    out["probability_rank"] = ranks(values.p_not_clean)
    out["benefit_rank"] = ranks(gained.score)
    out["benefit_score"], out["benefit"], out["minutes"] = gained.score, gained.benefit, gained.minutes
    for name in PARTS:
        out[name] = gained.parts[name]
    if not has_rows(con, "mating_events"):
        out[["spread_part", "damage_part"]] = np.nan  # unknown, not zero; they are left out of the benefit
    out["action"] = np.array(ACTIONS, dtype=object)[gained.action]
    out["matings"], out["horizon_days"] = values.matings, VALUES.horizon_days
    return with_leading_circuit(out, carried, circuits, gained)


def face_values(
    faces: pd.DataFrame, health: pd.DataFrame, learned: dict[tuple[str, str, str], float], days: float
) -> FaceValues:
    """Probabilities, expected matings and learned figures of each end face; priors where nothing is known."""

    def figure(parameter: str, default: float) -> float:
        return float(learned.get((parameter, "fleet", "all"), default))

    dirty = health["p_contaminated"].to_numpy(np.float64)
    dirty = np.where(np.isfinite(dirty), dirty, np.nanmean(dirty))
    damaged = np.nan_to_num(health["p_damaged"].to_numpy(np.float64))
    not_clean = health["p_not_clean"].to_numpy(np.float64)
    not_clean = np.where(np.isfinite(not_clean), not_clean, dirty)
    mates = faces["mates"].to_numpy(np.float64)
    # Rates of single faces are shrunk to the fleet's with half a year of pseudo-history.
    fleet_rate = float(mates.mean()) / max(days, 1.0)
    per_day = (mates + 182.0 * fleet_rate) / (max(days, 1.0) + 182.0)
    exposure = {
        name: learned.get(("exposure", "environment", name), default) for name, default in DEFAULT_EXPOSURE.items()
    }
    n = len(faces)
    return FaceValues(
        p_dirty=dirty,
        p_damaged=damaged,
        p_not_clean=not_clean,
        matings=per_day * VALUES.horizon_days,
        exposure=np.asarray(faces["environment"].map(exposure).fillna(0.08), dtype=np.float64),
        cleaning=np.full(n, figure("cleaning_success", DEFAULT_CLEANING)),
        transfer=figure("transfer", 0.5),
        damage=figure("damage", 0.03),
        is_mpo=(faces["family"] == "MPO").to_numpy(np.bool_),
        seen_dirty=figure("dirt_found_if_dirty", 0.83),
        seen_damaged=figure("damage_found_if_damaged", 0.80),
        false_alarm=1.0 - figure("pass_if_clean", 0.95),
    )


def circuits_carried(carried: pd.DataFrame) -> CarriedCircuits:
    """The circuits of each end face, and how probably it costs them light by their diagnosis."""
    return CarriedCircuits(
        face=carried["face_no"].to_numpy(np.int64),
        customers=carried["customers"].to_numpy(np.float64),
        priority=carried["priority"].to_numpy(np.float64),
        protected=carried["protected"].to_numpy(np.bool_),
        margin_db=carried["margin_db"].to_numpy(np.float64),
        p_dirt_costs=carried["p_dirt_costs"].to_numpy(np.float64),
        p_damage_costs=carried["p_damage_costs"].to_numpy(np.float64),
        shown_share=carried["shown_share"].to_numpy(np.float64),
        shown_db=carried["shown_db"].to_numpy(np.float64),
    )


def with_leading_circuit(
    out: pd.DataFrame, carried: pd.DataFrame, circuits: CarriedCircuits, gained: Benefit
) -> pd.DataFrame:
    """The circuit that gains most from each end face, for the reasons in words."""
    lead = gained.leading
    has = lead >= 0
    at = np.where(has, lead, 0)

    def pick(values: np.ndarray) -> np.ndarray:
        return np.where(has, values[at], np.nan) if len(values) else np.full(len(lead), np.nan)

    out["cause_p"] = np.nan_to_num(pick(carried["p_cause"].to_numpy(np.float64)))
    out["size_db"] = pick(carried["size_db"].to_numpy(np.float64))
    out["unseen"] = pick(circuits.shown_share) < 0.5
    out["unread"] = pick(carried["unread"].to_numpy(np.float64)) == 1.0
    out["customers"], out["margin_db"] = pick(circuits.customers), pick(circuits.margin_db)
    ids = carried["circuit_id"].to_numpy(object)
    leading = np.full(len(out), None, dtype=object)
    if len(ids):
        leading[has] = ids[lead[has]]
    out["circuit_id"] = pd.Series(leading, dtype="string", index=out.index)
    out["protected"] = has & circuits.protected[at] if len(ids) else False
    return out
