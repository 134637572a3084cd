"""What the diagnosis says back of end faces."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from planner.health.circuit_cases import Cases
from planner.health.diagnosis import Weighed
from planner.health.evidence_sources import COMMON, POWER, SOURCES, normalised
from planner.health.face_light import light_by_circuit, moved_by_light, settled
from planner.health.fault_laws import CODE, COSTS_LIGHT
from planner.health.hypotheses import NOTHING, PATH, Hypotheses


def test_belief_after_light_is_that_of_bayes() -> None:
    """An end face that is dirty with .2, of which a fifth would cost light, seen or not seen to cost it."""
    dirty, costing = 0.2, 0.2
    for ratio in (0.01, 1.0, 40.0):  # of the readings, if it costs light against if it does not
        joint = np.array([1 - dirty, dirty * (1 - costing), dirty * costing * ratio])
        exact = joint[1:].sum() / joint.sum()
        costs = joint[2] / joint.sum()
        found = moved_by_light(np.array([dirty]), np.array([dirty * costing]), np.array([costs]))
        assert found[0] == pytest.approx(exact, abs=1e-12)


def test_settled_beliefs_are_coherent() -> None:
    """An end face is dirty at least as probably as its dirt costs light; one on no circuit keeps its belief."""
    beliefs = pd.DataFrame(
        {
            "connector_id": ["A", "B", "C"],
            "p_contaminated": [0.1, 0.3, 0.2],
            "p_damaged": [0.01, 0.01, 0.02],
            "p_not_clean": [0.11, 0.305, 0.21],
        }
    )
    by_circuit = pd.DataFrame(
        {
            "circuit": [0, 0, 1],
            "element": [0, 1, 0],
            "p_dirt": [0.6, 0.0, 0.02],
            "p_damage": [0.05, 0.0, 0.0],
            "p_costs": [0.65, 0.0, 0.02],
            "dirt_before": [0.02, 0.05, 0.02],
            "damage_before": [0.003, 0.003, 0.003],
        }
    )
    blame = pd.DataFrame({"connector_id": ["A"], "p_cause": [0.65], "size_db": [0.8]})
    found = settled(beliefs, by_circuit, blame, pd.Index(["A", "B"])).set_index("connector_id")
    assert found.loc["A", "p_contaminated"] > 0.6
    assert found.loc["A", "p_not_clean"] >= found.loc["A", ["p_contaminated", "p_damaged"]].max()
    assert found.loc["A", "light_db"] == 0.8
    assert found.loc["B", "p_contaminated"] < 0.3
    assert found.loc["B", "light_decibans"] < 0 < found.loc["A", "light_decibans"]
    assert found.loc["C", "p_contaminated"] == 0.2
    assert np.isnan(found.loc["C", "p_costs_light"]) and found.loc["C", "light_decibans"] == pytest.approx(0)


def test_an_unread_circuit_neither_moves_nor_masks() -> None:
    """Of two circuits the one that was read counts; where none was, the belief stays exactly what it was."""
    rows = {"p_dirt": [0.01, 0.05], "p_damage": [0.0, 0.01], "p_costs": [0.01, 0.0595]}
    rows |= {"dirt_before": [0.05, 0.05], "damage_before": [0.01, 0.01]}
    by_circuit = pd.DataFrame({"circuit": [0, 1], "element": [0, 0]} | rows)
    beliefs = pd.DataFrame({"connector_id": ["A"], "p_contaminated": [0.2], "p_damaged": [0.05], "p_not_clean": [0.24]})
    blame = pd.DataFrame({"connector_id": [], "p_cause": [], "size_db": []})
    both = settled(beliefs, by_circuit, blame, pd.Index(["A"]))
    alone = settled(beliefs, by_circuit[:1], blame, pd.Index(["A"]))
    assert both["p_contaminated"][0] == alone["p_contaminated"][0] < 0.2
    unread = settled(beliefs, by_circuit[1:], blame, pd.Index(["A"]))
    assert unread["light_decibans"][0] == pytest.approx(0.0, abs=1e-9)
    assert unread["p_contaminated"][0] == pytest.approx(0.2)


def test_dirt_that_was_there_unseen_stands_beside_a_fault_that_was_seen() -> None:
    """One end face explains the change; another keeps what it was taken for, one that light clears does not."""
    before = 0.1
    hypotheses = Hypotheses(
        circuit=np.zeros(4, np.int64),
        cause=np.array([CODE["contamination"]] * 3 + [CODE["nothing"]], np.int8),
        family=np.array([PATH] * 3 + [NOTHING], np.int8),
        element=np.arange(4),
        element_kind=np.array([1, 1, 1, 0], np.int8),
        joint=np.array([0, 1, 2, -1]),
        fibres=np.ones(4, np.int64),
        position=np.arange(4),
        rate=np.log([before] * 3 + [1.0]),
        belief=np.zeros(4),
        names=pd.Index(["A", "B", "C", ""]),
        ports=pd.Index(["P", "Q", "R"]),
    )
    evidence = np.zeros((4, len(SOURCES)))
    evidence[:, COMMON] = hypotheses.rate
    evidence[:3, POWER] = [12.0, 0.0, -9.0]  # A explains the change, B neither shows nor is ruled out, C is
    case = np.zeros(4, np.int64)
    probability = normalised(evidence.sum(axis=1), case)
    nan = np.full(4, np.nan)
    weighed = Weighed(case, np.arange(4), evidence, nan, probability, np.zeros(1, np.int64), nan[:1], {})
    one = np.zeros(1, np.int64)
    cases = Cases(one, one, one, np.zeros(1), one, one)
    found = light_by_circuit(weighed, hypotheses, cases, None).set_index("element")
    assert found.loc[0, "p_costs"] > 0.99 and found.loc[0, "shown_pair"] == 0
    assert found.loc[1, "p_costs"] == pytest.approx(before)
    assert found.loc[1, "dirt_before"] == pytest.approx(before)
    assert found.loc[2, "p_costs"] < 1e-4
    assert (found["p_costs"] >= probability[:3] - 0.02).all()
    rarer = light_by_circuit(weighed, hypotheses, cases, 0.5 * COSTS_LIGHT["contamination"]).set_index("element")
    assert rarer.loc[1, "p_costs"] == pytest.approx(before / 2)
