"""Ranking: the classic parts, the parts of the benefit, and what they react to."""

from __future__ import annotations

import numpy as np
import pytest

from planner.health.ranking import (
    ACTIONS,
    PARTS,
    CarriedCircuits,
    FaceValues,
    circuit_weight,
    classic_parts,
    expected_benefit,
    no_outage,
    ranks,
    share_below,
)

N = 40


def faces_with(**changes: np.ndarray) -> FaceValues:
    """Forty alike end faces, with some arrays replaced."""
    values = {
        "p_dirty": np.full(N, 0.2),
        "p_damaged": np.full(N, 0.01),
        "p_not_clean": np.full(N, 0.21),
        "matings": np.full(N, 0.5),
        "exposure": np.full(N, 0.08),
        "cleaning": np.full(N, 0.8),
        "is_mpo": np.zeros(N, np.bool_),
    }
    return FaceValues(**(values | changes), transfer=0.5, damage=0.03)


def one_circuit_each(**changes: np.ndarray) -> CarriedCircuits:
    """Every end face carries one circuit of its own."""
    values = {
        "face": np.arange(N),
        "customers": np.full(N, 30.0),
        "priority": np.full(N, 3.0),
        "protected": np.zeros(N, np.bool_),
        "margin_db": np.full(N, 2.0),
        "p_dirt_costs": np.full(N, 0.02),
        "p_damage_costs": np.zeros(N),
        "shown_share": np.ones(N),
        "shown_db": np.full(N, 0.5),
    }
    return CarriedCircuits(**(values | changes))


def test_share_below_spans_zero_to_one_and_ignores_unknown_values() -> None:
    """The smallest known value gets 0, the largest 1, an unknown one 0."""
    assert share_below(np.array([5.0, np.nan, 1.0, 3.0])).tolist() == [1.0, 0.0, 0.0, 0.5]


def test_ties_keep_the_given_order() -> None:
    """Equal scores are ranked in the order of the ids."""
    assert ranks(np.array([1.0, 2.0, 1.0, 2.0])).tolist() == [3, 1, 4, 2]


def test_classic_parts_take_improvement_and_missing_readings_as_no_drift() -> None:
    """Only worsening counts: improved and unmeasured circuits get part 0."""
    _, drift, _ = classic_parts(np.zeros(4), np.array([-1.0, np.nan, 0.2, 0.9]), np.zeros(4))
    assert drift[0] == drift[1] == 0.0
    assert 0.0 < drift[2] < drift[3] == 1.0


def test_parts_add_up_exactly() -> None:
    """The six parts add up to the benefit, and the score is the benefit per minute."""
    rng = np.random.default_rng(4)
    faces = faces_with(p_dirty=rng.random(N), p_damaged=rng.random(N) * 0.5)
    found = expected_benefit(faces, one_circuit_each(p_dirt_costs=rng.random(N), p_damage_costs=rng.random(N)))
    assert np.array_equal(sum(found.parts[name] for name in PARTS), found.benefit)
    assert np.array_equal(found.score, found.benefit / found.minutes)


@pytest.mark.parametrize(
    ("where", "name", "better"),
    [("face", "p_dirty", 0.9), ("circuit", "p_dirt_costs", 0.9), ("circuit", "customers", 900.0)],
)
def test_benefit_rises_with(where: str, name: str, better: float) -> None:
    """More probable dirt, more probably costly dirt and more customers each raise an end face's benefit."""
    changed = np.full(N, better)
    if where == "face":
        after = expected_benefit(faces_with(**{name: changed}), one_circuit_each())
    else:
        after = expected_benefit(faces_with(), one_circuit_each(**{name: changed}))
    before = expected_benefit(faces_with(), one_circuit_each())
    assert (after.benefit > before.benefit).all()


def test_damage_that_costs_light_is_replaced_not_cleaned() -> None:
    """Where damage is the probable cause the action is a replacement, with its own minutes."""
    faces = faces_with(p_dirty=np.full(N, 0.02), p_damaged=np.full(N, 0.9), p_not_clean=np.full(N, 0.91))
    found = expected_benefit(faces, one_circuit_each(p_damage_costs=np.full(N, 0.9), p_dirt_costs=np.zeros(N)))
    assert (found.action == ACTIONS.index("replace")).all()
    assert (found.minutes > expected_benefit(faces_with(), one_circuit_each()).minutes).all()


def test_what_is_more_likely_damaged_than_not_is_replaced_whatever_its_dirt_costs() -> None:
    """Damage above one half is never sent for cleaning, even where its dirt costs more; the dirt goes with it."""
    faces = faces_with(p_dirty=np.full(N, 0.6), p_damaged=np.linspace(0.05, 0.95, N), p_not_clean=np.full(N, 0.97))
    circuits = one_circuit_each(p_damage_costs=np.full(N, 0.1), p_dirt_costs=np.full(N, 0.6))
    found = expected_benefit(faces, circuits)
    replaced = found.action == ACTIONS.index("replace")
    assert (replaced == (faces.p_damaged > 0.5)).all() and 0 < replaced.sum() < N
    margin = found.parts["margin_part"]
    assert margin[replaced].min() > margin[~replaced].max()
    assert (found.parts["spread_part"] > 0.0).all()


def test_an_end_face_without_circuits_has_no_leading_circuit() -> None:
    """End faces that carry nothing point to no circuit and gain nothing from margins."""
    nothing = {name: values[:0] for name, values in vars(one_circuit_each()).items()}
    found = expected_benefit(faces_with(), CarriedCircuits(**nothing))
    assert (found.leading == -1).all()
    assert (found.parts["margin_part"] == 0.0).all()


def test_weight_of_a_circuit() -> None:
    """Customers times the weight of the priority, a fifth where protected, one for unknown customers."""
    weight = circuit_weight(np.array([10.0, 10.0, np.nan]), np.array([1.0, 1.0, 4.0]), np.array([False, True, False]))
    assert weight.tolist() == [50.0, 10.0, 1.0]


def test_outage_probability_by_hand() -> None:
    """At the middle margin P(no outage) is one half: 1 / (1 + exp(0))."""
    assert no_outage(np.array([1.5]))[0] == 0.5
