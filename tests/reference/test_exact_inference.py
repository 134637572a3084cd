"""The sweeps against exact inference: brute force over all joint states, and an independent reference library.

The fleets are random and far loopier than real ones: seven end faces, three ports, a launch cord that meets
every port.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Iterator
from itertools import product

import numpy as np
import pytest
from small_fleets import FACES, random_history

from planner.errors import ParameterError
from planner.health import exact
from planner.health.contamination import code_history, infer
from planner.health.episodes import BOTH, MERGE, SIDE_B, SPLIT, Operations
from planner.health.exact import joint_filter, replace_small_groups
from planner.health.learning import prior_rates, tables_of
from planner.health.sweeps import Tables, backward, beliefs, forward, no_messages

FLEETS = 200


def operations_of(seed: int, **how: float) -> tuple[Operations, Tables]:
    """Operations and tables of a random small fleet."""
    coded = code_history(random_history(seed, **how))
    return coded.operations, tables_of(prior_rates(coded.classes), coded.classes, coded.operations.waited)


def swept(operations: Operations, tables: Tables, sweeps: int = 2) -> np.ndarray:
    """Beliefs after `sweeps` forward sweeps with backward ones between."""
    messages = no_messages(operations, FACES)
    forward(operations, tables, messages)
    for _ in range(sweeps - 1):
        backward(operations, tables, messages)
        forward(operations, tables, messages)
    return beliefs(messages)


def test_sweeps_are_close_to_exact_on_many_small_fleets() -> None:
    """Over 200 random fleets the mean error of the state probabilities is at most .006 and p99 at most .12."""
    errors, filter_errors = [], []
    for seed in range(FLEETS):
        operations, tables = operations_of(seed)
        truth = joint_filter(operations, tables, FACES)
        errors.append(np.abs(swept(operations, tables) - truth))
        filter_errors.append(np.abs(swept(operations, tables, sweeps=1) - truth))
    error = np.array(errors)
    assert error.mean() <= 0.006
    assert np.quantile(error.max(axis=2), 0.99) <= 0.12
    assert np.array(filter_errors).mean() >= 2.0 * error.mean(), "the backward sweep must earn its keep"


def steps(operations: Operations) -> Iterator[tuple[int, int, int, int]]:
    """Kind, end faces and class of the operations that change a state, in an order in which they can happen."""
    run = operations.run()
    for k in range(len(run)):
        if operations.code[k] not in (MERGE, SPLIT):
            a, b = operations.face_a[run[k]], operations.face_b[run[k]]
            yield int(operations.code[k]), int(a), int(b), int(operations.cls[k])


def enumerated(operations: Operations, tables: Tables, faces: int) -> np.ndarray:
    """Exact beliefs by listing every joint state and stepping through the operations with plain loops."""
    states = list(product(range(4), repeat=faces))
    weight = {s: float(np.prod([tables.start[f][s[f]] for f in range(faces)], dtype=np.float64)) for s in states}
    for code, a, b, cls in steps(operations):
        after = dict.fromkeys(states, 0.0)
        for state, mass in weight.items():
            if mass == 0.0:
                continue
            if code == BOTH:
                row = tables.both[cls][4 * state[a] + state[b]]
                for to, p in enumerate(row):
                    if p:
                        new = list(state)
                        new[a], new[b] = divmod(to, 4)
                        after[tuple(new)] += mass * float(p)
            else:
                face = b if code == SIDE_B else a
                for to, p in enumerate(tables.single[cls][state[face]]):
                    if p:
                        new = list(state)
                        new[face] = to
                        after[tuple(new)] += mass * float(p)
        total = sum(after.values())
        weight = {s: w / total for s, w in after.items()}
    out = np.zeros((faces, 4))
    for state, mass in weight.items():
        out[np.arange(faces), list(state)] += mass
    return out


def pair_history_operations(seed: int) -> tuple[Operations, Tables]:
    """A fleet cut down to its first two jobs, so that plain loops over all joint states stay quick."""
    return operations_of(seed, jobs=2)


def test_joint_filter_equals_plain_enumeration() -> None:
    """The joint filter and plain loops over all 4**7 joint states agree to 1e-9."""
    operations, tables = pair_history_operations(3)
    assert joint_filter(operations, tables, FACES) == pytest.approx(enumerated(operations, tables, FACES), abs=1e-9)


@pytest.mark.parametrize("seed", range(8))
def test_small_groups_are_exact_where_beliefs_are_made(seed: int) -> None:
    """The beliefs that `infer` hands on equal brute force over all joint states to 1e-9: seven end faces in groups."""
    past = random_history(seed, jobs=2)
    rates = prior_rates(code_history(past).classes)
    operations, tables = pair_history_operations(seed)
    state = infer(past, rates, explain=False).state
    assert state == pytest.approx(enumerated(operations, tables, FACES), abs=1e-9)


def test_large_groups_are_left_to_the_sweeps(monkeypatch: pytest.MonkeyPatch) -> None:
    """A group above the largest size, or too dear for the work allowed, keeps the beliefs of the sweeps."""
    operations, tables = operations_of(4)
    before = swept(operations, tables)
    for name, value in (("LARGEST_GROUP", 2), ("MOST_STEPS", 10.0)):
        with monkeypatch.context() as patched:
            patched.setattr(exact, name, value)
            state = before.copy()
            assert replace_small_groups(operations, tables, state) == 0
            assert (state == before).all()
    assert replace_small_groups(operations, tables, state) == FACES
    assert state == pytest.approx(joint_filter(operations, tables, FACES), abs=1e-12)


def test_sweeps_are_exact_for_a_pair_that_met_nobody_else() -> None:
    """A mated pair that never parts is one chain: the sweeps give the exact answer in single precision."""
    operations, tables = operations_of(5, jobs=0)
    assert swept(operations, tables) == pytest.approx(joint_filter(operations, tables, FACES), abs=1e-6)


def test_joint_filter_refuses_large_groups() -> None:
    """More end faces than 4**n states allow are refused with what to use instead."""
    operations, tables = operations_of(1)
    with pytest.raises(ParameterError, match="at most 10"):
        joint_filter(operations, tables, 11)


@pytest.mark.filterwarnings("ignore")  # the library announces its own deprecations
@pytest.mark.skipif(importlib.util.find_spec("pgmpy") is None, reason="pgmpy is not installed")
def test_joint_filter_equals_variable_elimination_of_pgmpy() -> None:
    """Variable elimination of the pgmpy library over the same factors gives the same beliefs."""
    from pgmpy.factors.discrete import DiscreteFactor
    from pgmpy.inference import VariableElimination
    from pgmpy.models import DiscreteMarkovNetwork

    operations, tables = operations_of(7, jobs=3)
    time = dict.fromkeys(range(FACES), 0)
    factors = [DiscreteFactor([f"{f}_0"], [4], tables.start[f].astype(float)) for f in range(FACES)]
    for code, a, b, cls in steps(operations):
        if code == BOTH:
            faces, values = [a, b], tables.both[cls]
        else:
            faces = [b if code == SIDE_B else a]
            values = tables.single[cls]
        before = [f"{f}_{time[f]}" for f in faces]
        for f in faces:
            time[f] += 1
        names = [*before, *(f"{f}_{time[f]}" for f in faces)]
        factors.append(DiscreteFactor(names, [4] * len(names), values.astype(float).ravel()))
    network = DiscreteMarkovNetwork()
    for factor in factors:
        names = factor.scope()
        network.add_nodes_from(names)
        network.add_edges_from((a, b) for i, a in enumerate(names) for b in names[i + 1 :])
    network.add_factors(*factors)
    found_here = joint_filter(operations, tables, FACES)
    for face in range(FACES):
        found = VariableElimination(network).query([f"{face}_{time[face]}"], show_progress=False)
        found.normalize()
        assert found.values == pytest.approx(found_here[face], abs=1e-9)
