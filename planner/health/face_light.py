"""What the diagnosis of circuits says back of end faces: the belief of the history, moved by light.

A diagnosis weighs one fault at a time for each change of a circuit. But dirt that the readings neither show nor rule
out, because it was there before the first of them, may stand beside any other fault. So the likelihood ratio L of a
fault is split: with its probability p in the diagnosis and its odds o before any reading,

    shown  = p (1 - 1 / L) where L > 1               it explains the change, and nothing else does
    unseen = o min(L, 1) / (1 + o min(L, 1))         it is there whatever else is wrong

and it costs light with the probability b = shown + (1 - shown) unseen. If an end face costs light, it is dirty; if it
does not, it may still be dirty, but with the share of its dirt that would cost light taken off:

    p = b + (1 - b) (p0 - b0) / (1 - b0)

with p0 the belief of the history and b0 the probability of costing light before the readings. Where nothing was read
b equals b0, and the belief stays as it was.

Where the share of dirt that costs light was learned apart (`planner.health.dirt_costs`), o rests on it alone, while p
rests half on it and half on what the faults that were found tell. It moves damage as it does dirt: too little of that
is found to learn from.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.health.circuit_cases import Cases
from planner.health.diagnosis import Weighed
from planner.health.evidence_sources import BELIEF, COMMON
from planner.health.fault_laws import CODE, log_costing
from planner.health.hypotheses import NOTHING, Hypotheses
from planner.health.tracing import DECIBANS, log_odds

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

FACE_COLUMNS = (("contamination", "dirt"), ("damaged_end_face", "damage"))
MOST_COSTING = 0.9  # probability of costing light before any reading: keeps its odds finite
MOST_BEFORE = 0.9  # of the belief of the history, that costs light: keeps it above zero


@dataclass
class EachFault:
    """Of pairs of case and fault, shape (pairs,): probability before any reading, that the fault explains the change
    of its case, and that it is there unseen.
    """

    before: FloatArray
    shown: FloatArray
    unseen: FloatArray


def each_fault(
    weighed: Weighed, hypotheses: Hypotheses, cases: Cases, pairs: IntArray, costing_share: float | None
) -> EachFault:
    """How probably the faults of some pairs are there, whatever else is wrong with their circuits.

    Parameters
    ----------
    pairs
        Numbers of pairs, all of end faces.
    costing_share
        Share of dirt that costs light, where it was learned apart (`planner.health.dirt_costs`); None leaves what
        the diagnosis learned of how common such faults are.
    """
    readings = weighed.log_evidence[:, BELIEF + 1 :].sum(axis=1)
    nothing = np.flatnonzero(hypotheses.family[weighed.hypothesis] == NOTHING)
    none = np.zeros(len(cases.circuit))
    none[weighed.case[nothing]] = readings[nothing]
    ratio = readings[pairs] - none[weighed.case[pairs]]
    common = weighed.log_evidence[pairs, COMMON]
    if costing_share is not None:
        usual = hypotheses.rate[weighed.hypothesis[pairs]]
        common = usual + log_costing(costing_share)
    before = np.minimum(np.exp(common + weighed.log_evidence[pairs, BELIEF]), MOST_COSTING)
    unseen = before / (1.0 - before) * np.exp(np.minimum(ratio, 0.0))
    shown = weighed.probability[pairs] * -np.expm1(-np.maximum(ratio, 0.0))
    return EachFault(before, shown, unseen / (1.0 + unseen))


def light_by_circuit(
    weighed: Weighed, hypotheses: Hypotheses, cases: Cases, costing_share: float | None
) -> pd.DataFrame:
    """For every (circuit, end face) how probably the one costs the other light, over all changes of the circuit.

    Dirt may explain any of the changes, or be there unseen by all of them.

    Parameters
    ----------
    costing_share
        As for `each_fault`.

    Returns
    -------
    Columns `circuit`, `element` (numbers), `p_dirt`, `p_damage` (dirt or damage of it costs light now), `p_costs`
    (either does), `p_unseen` (either does, and explains no change of the circuit within its readings), `p_shown`
    (the sum over the changes of the probability that it explains them), `shown_pair` (the pair that does so most,
    an index of `Weighed`), `dirt_before`, `damage_before` (as `p_dirt`, `p_damage` before any reading of the
    circuit); ordered by circuit and element.
    """
    cause = hypotheses.cause[weighed.hypothesis]
    faces = np.flatnonzero(
        np.isin(cause, [CODE[name] for name, _ in FACE_COLUMNS]) & (hypotheses.joint[weighed.hypothesis] >= 0)
    )
    fault = each_fault(weighed, hypotheses, cases, faces, costing_share)
    element = hypotheses.element[weighed.hypothesis[faces]]
    circuit = cases.circuit[weighed.case[faces]]
    span = len(hypotheses.names)
    key, place = np.unique(circuit * span + element, return_inverse=True)
    out: dict[str, NDArray[np.generic]] = {"circuit": key // span, "element": key % span}
    nowhere = np.ones(len(key))
    for name, short in FACE_COLUMNS:
        own = cause[faces] == CODE[name]
        at = place[own]
        absent = np.log1p(-np.minimum(fault.shown[own], 1 - 1e-12))
        unseen, before = np.ones(len(key)), np.zeros(len(key))
        np.minimum.at(unseen, at, fault.unseen[own])
        before[at] = fault.before[own]
        unseen = np.where(before > 0, unseen, 0.0)
        shown = -np.expm1(np.bincount(at, weights=absent, minlength=len(key)))
        nowhere *= 1.0 - unseen
        out[f"p_{short}"] = shown + (1.0 - shown) * unseen
        out[f"{short}_before"] = before
    # dirt and damage of one end face explain one change only once
    by_case, own_case = np.unique(place * len(cases.circuit) + weighed.case[faces], return_inverse=True)
    shown = np.minimum(np.bincount(own_case, weights=fault.shown), 1 - 1e-12)
    absent = np.bincount(by_case // len(cases.circuit), weights=np.log1p(-shown), minlength=len(key))
    out["p_costs"] = 1.0 - nowhere * np.exp(absent)
    order = np.lexsort((-fault.shown, place))
    most = order[np.searchsorted(place[order], np.arange(len(key)))]
    out["p_unseen"] = (1.0 - nowhere) * np.exp(absent)
    out["p_shown"] = np.bincount(place, weights=fault.shown, minlength=len(key))
    out["shown_pair"] = faces[most]
    return pd.DataFrame(out)


def light_by_face(by_circuit: pd.DataFrame, elements: int) -> dict[str, FloatArray]:
    """The same by end face, NaN for an element on no circuit; shape (elements,) each.

    Of its circuits the one counts that it most probably costs light; one of which nothing was read only where
    nothing was read of any.
    """
    names = ("p_dirt", "p_damage", "p_costs", "dirt_before", "damage_before")
    values = by_circuit[list(names)].to_numpy(np.float64)
    face = by_circuit["element"].to_numpy(np.int64)
    read = (np.abs(values[:, :2] - values[:, 3:]) > 1e-9).any(axis=1)
    order = np.lexsort((-values[:, 2], ~read, face))
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
    costs = light["p_costs"]
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
