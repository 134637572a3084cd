"""What the diagnosis of circuits says back of end faces: the belief of the history, moved by light.

A circuit's diagnosis gives the probability that dirt (damage) of an end face costs that circuit light now, and
what it was taken for before any reading. If it does cost light, the end face is dirty; if it does not, it may
still be dirty, but with the share of its dirt that would cost light taken off:

    p = b + (1 - b) (p0 - b0) / (1 - b0)

with p0 the belief of the history, b0 and b the probability of costing light before and after the readings.
Where nothing was read b equals b0, and the belief stays as it was.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.health.circuit_cases import Cases
from planner.health.diagnosis import Weighed
from planner.health.evidence_sources import BELIEF, COMMON, normalised
from planner.health.fault_laws import CODE
from planner.health.hypotheses import Hypotheses
from planner.health.tracing import DECIBANS, log_odds

FloatArray = NDArray[np.float64]

FACE_COLUMNS = (("contamination", "dirt"), ("damaged_end_face", "damage"))
MOST_BEFORE = 0.9  # of the belief of the history, that costs light: keeps it above zero


def light_by_circuit(weighed: Weighed, hypotheses: Hypotheses, cases: Cases) -> pd.DataFrame:
    """For every (circuit, end face) how probably the one costs the other light, over all changes of the circuit.

    Returns
    -------
    Columns `circuit`, `element` (numbers), `p_dirt`, `p_damage` (dirt or damage of it costs light now),
    `dirt_before`, `damage_before` (the same before any reading of the circuit); ordered by circuit and element.
    """
    cause = hypotheses.cause[weighed.hypothesis]
    faces = np.flatnonzero(
        np.isin(cause, [CODE[name] for name, _ in FACE_COLUMNS]) & (hypotheses.joint[weighed.hypothesis] >= 0)
    )
    element = hypotheses.element[weighed.hypothesis[faces]]
    circuit = cases.circuit[weighed.case[faces]]
    span = len(hypotheses.names)
    key, place = np.unique(circuit * span + element, return_inverse=True)
    out = {"circuit": key // span, "element": key % span}
    prior = normalised(weighed.log_evidence[:, COMMON] + weighed.log_evidence[:, BELIEF], weighed.case)[faces]
    main = weighed.case[faces] < len(weighed.leading_case)
    for name, short in FACE_COLUMNS:
        own = cause[faces] == CODE[name]
        spared = np.log1p(-np.minimum(weighed.probability[faces], 1 - 1e-12)) * own
        out[f"p_{short}"] = -np.expm1(np.bincount(place, weights=spared, minlength=len(key)))
        out[f"{short}_before"] = np.bincount(place, weights=prior * (own & main), minlength=len(key))
    return pd.DataFrame(out)


def light_by_face(by_circuit: pd.DataFrame, elements: int) -> dict[str, FloatArray]:
    """The same by end face, NaN for an element on no circuit; shape (elements,) each.

    Of its circuits the one counts that it most probably costs light; one of which nothing was read only where
    nothing was read of any.
    """
    names = ("p_dirt", "p_damage", "dirt_before", "damage_before")
    values = by_circuit[list(names)].to_numpy(np.float64)
    face = by_circuit["element"].to_numpy(np.int64)
    read = (np.abs(values[:, :2] - values[:, 2:]) > 1e-9).any(axis=1)
    order = np.lexsort((-values[:, :2].sum(axis=1), ~read, face))
    chosen = order[np.flatnonzero(np.append(True, np.diff(face[order]) > 0))] if len(order) else order
    out = np.full((elements, len(names)), np.nan)
    out[face[chosen]] = values[chosen]
    return {name: out[:, place] for place, name in enumerate(names)}


def moved_by_light(before: FloatArray, costs_before: FloatArray, costs: FloatArray) -> FloatArray:
    """The belief once light was seen; unchanged where `costs` is NaN. Shapes (n,).

    Examples
    --------
    >>> moved_by_light(np.array([0.2, 0.2, 0.2]), np.array([0.04, 0.04, 0.04]), np.array([0.5, 0.0, 0.04])).round(3)
    array([0.583, 0.167, 0.2  ])
    """
    least = np.minimum(costs_before, MOST_BEFORE * before)
    moved = costs + (1.0 - costs) * (before - least) / (1.0 - least)
    return np.where(np.isnan(costs), before, np.clip(moved, 0.0, 1.0))


def settled(beliefs: pd.DataFrame, by_circuit: pd.DataFrame, blame: pd.DataFrame, names: pd.Index) -> pd.DataFrame:
    """What is believed of every end face once the circuits are diagnosed.

    Parameters
    ----------
    beliefs
        Of the history: connector_id, p_contaminated, p_damaged, p_not_clean.
    by_circuit
        From `light_by_circuit`; its elements are numbers in `names`.
    blame
        connector_id, p_cause, size_db of the circuits an end face costs light.

    Returns
    -------
    Columns connector_id, p_contaminated, p_damaged, p_not_clean, p_costs_light, light_db (NaN where on no
    circuit), light_decibans (what light added to the log-odds of being not clean); rows as in `beliefs`.
    """
    place = names.get_indexer(pd.Index(beliefs["connector_id"]))
    known = place >= 0
    light = {
        name: np.where(known, values[np.maximum(place, 0)] if len(values) else np.nan, np.nan)
        for name, values in light_by_face(by_circuit, len(names)).items()
    }
    dirt = moved_by_light(beliefs["p_contaminated"].to_numpy(np.float64), light["dirt_before"], light["p_dirt"])
    damage = moved_by_light(beliefs["p_damaged"].to_numpy(np.float64), light["damage_before"], light["p_damage"])
    costs = 1.0 - (1.0 - light["p_dirt"]) * (1.0 - light["p_damage"])
    before = beliefs["p_not_clean"].to_numpy(np.float64)
    costs_before = 1.0 - (1.0 - light["dirt_before"]) * (1.0 - light["damage_before"])
    not_clean = moved_by_light(before, costs_before, costs)
    not_clean = np.clip(np.maximum(not_clean, np.maximum(dirt, damage)), 1e-6, 1.0 - 1e-6)
    worst = blame.sort_values(["connector_id", "p_cause"], ascending=[True, False]).drop_duplicates("connector_id")
    size = worst.set_index("connector_id")["size_db"].reindex(beliefs["connector_id"]).to_numpy(np.float64)
    return pd.DataFrame(
        {
            "connector_id": beliefs["connector_id"],
            "p_contaminated": dirt,
            "p_damaged": damage,
            "p_not_clean": not_clean,
            "p_costs_light": costs,
            "light_db": np.where(np.isnan(costs), np.nan, np.nan_to_num(size)),
            "light_decibans": DECIBANS * (log_odds(not_clean) - log_odds(before)),
        }
    )


__all__ = ["light_by_circuit", "light_by_face", "moved_by_light", "settled"]
