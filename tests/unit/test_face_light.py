"""What the diagnosis says back of end faces."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from planner.health.face_light import moved_by_light, settled


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
    rows = {"p_dirt": [0.01, 0.05], "p_damage": [0.0, 0.01], "dirt_before": [0.05, 0.05], "damage_before": [0.01, 0.01]}
    by_circuit = pd.DataFrame({"circuit": [0, 1], "element": [0, 0]} | rows)
    beliefs = pd.DataFrame({"connector_id": ["A"], "p_contaminated": [0.2], "p_damaged": [0.05], "p_not_clean": [0.24]})
    blame = pd.DataFrame({"connector_id": [], "p_cause": [], "size_db": []})
    both = settled(beliefs, by_circuit, blame, pd.Index(["A"]))
    alone = settled(beliefs, by_circuit[:1], blame, pd.Index(["A"]))
    assert both["p_contaminated"][0] == alone["p_contaminated"][0] < 0.2
    unread = settled(beliefs, by_circuit[1:], blame, pd.Index(["A"]))
    assert unread["light_decibans"][0] == pytest.approx(0.0, abs=1e-9)
    assert unread["p_contaminated"][0] == pytest.approx(0.2)
