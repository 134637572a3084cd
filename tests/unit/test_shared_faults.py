"""A fault of the common part of a passive tree: which of its elements, and how often it counts."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from planner.health.absolute_levels import Before
from planner.health.change_points import segment_series
from planner.health.circuit_cases import CircuitSeries, list_cases, weigh_cases
from planner.health.diagnosis import Weighed, weigh_hypotheses
from planner.health.evidence_sources import NEIGHBOURS
from planner.health.face_looks import Looks, looks_by_face
from planner.health.fault_laws import PATH_CAUSES
from planner.health.hypotheses import Hypotheses, list_hypotheses
from planner.health.touches import touches_by_joint
from planner.tables.result_tables import CAUSES

BRANCHES, DAYS = 12, 300
NO_BELIEFS = pd.DataFrame({"connector_id": [], "p_contaminated": [], "p_damaged": []})
NO_LOOKS = Looks(np.zeros(0), np.zeros(0), np.zeros(0))


def tree() -> tuple[pd.DataFrame, pd.DataFrame]:
    """Twelve circuits over two joints, a feeder and a splice, six each over a joint of their half, then a drop each."""
    rows = []
    for number in range(BRANCHES):
        half = number % 2
        for element in (
            ("connector", "X0", "P0", None),
            ("connector", "Y0", "P0", None),
            ("cable", "FEEDER", None, "feeder"),
            ("splice", "SPLICE", None, None),
            ("connector", "X1", "P1", None),
            ("connector", "Y1", "P1", None),
            ("connector", f"H{half}", f"PH{half}", None),
            ("cable", f"DROP{number}", None, "drop"),
            ("connector", f"Z{number}", f"PZ{number}", None),
        ):
            rows.append((f"C{number:02d}", *element))
    elements = pd.DataFrame(rows, columns=["circuit_id", "element_kind", "element_id", "port_id", "cable_kind"])
    elements["position"] = elements.groupby("circuit_id").cumcount()
    ids = [f"C{number:02d}" for number in range(BRANCHES)]
    ends = pd.DataFrame({"circuit_id": ids, "a_port_id": "A", "z_port_id": [f"E{n}" for n in range(BRANCHES)]})
    return ends, elements.assign(fibre_count=1)


def diagnosed(
    rises: dict[int, tuple[int, float]],
    opened: list[tuple[str, int]],
    beliefs: pd.DataFrame = NO_BELIEFS,
    looks: pd.DataFrame | None = None,
) -> tuple[Hypotheses, Weighed]:
    """The tree weighed: circuit -> day and size of its rise, (joint, day) of the openings, looks at end faces."""
    circuits, elements = tree()
    ports = [*dict.fromkeys(elements["port_id"].dropna())]
    hypotheses = list_hypotheses(circuits, elements, beliefs, pd.Index([]), pd.Series(1.0, index=ports))
    loss = 20.0 + np.random.default_rng(3).normal(0.0, 0.03, (BRANCHES, DAYS))
    for number, (day, size) in rises.items():
        loss[number, day:] += size
    row = np.stack([np.arange(BRANCHES), *[np.full(BRANCHES, -1)] * 3], axis=1)
    series = CircuitSeries(np.datetime64("2031-01-01"), DAYS, row, segment_series(loss))
    every = np.arange(BRANCHES)
    none = pd.DataFrame({"circuit": np.zeros(0, np.int64), "size_db": np.zeros(0)})
    cases = list_cases(series, every, BRANCHES, none, 0.05)
    cases.has_power_of, cases.has_tests_of = np.ones(BRANCHES, np.bool_), np.zeros(BRANCHES, np.bool_)
    cases.last_test_of, cases.retested_of = np.full(BRANCHES, np.nan), np.zeros(BRANCHES, np.bool_)
    tests = pd.DataFrame({name: [] for name in ("circuit", "direction", "wavelength_nm", "reference_cords", "day")})
    tests = tests.assign(loss_db=[])
    no_level = np.zeros((BRANCHES, len(PATH_CAUSES)))
    weigh_cases(cases, np.arange(len(cases.circuit)), series, every, tests, np.full(BRANCHES, 1490.0), no_level)
    touches = pd.DataFrame(opened, columns=["port_id", "day"]).assign(share=1.0)
    joints = touches_by_joint(hypotheses.ports, touches, 0.0, len(ports))
    unknown, zero = np.full(BRANCHES, np.nan), np.zeros(BRANCHES)
    before = Before(no_level, zero, zero, unknown, unknown, unknown, np.ones(BRANCHES, np.bool_), unknown)
    counts = np.ones(len(hypotheses.ports))
    seen = NO_LOOKS if looks is None else looks_by_face(hypotheses.names, looks)
    return hypotheses, weigh_hypotheses(hypotheses, cases, joints, seen, before, counts, DAYS, {})


def probabilities(hypotheses: Hypotheses, weighed: Weighed, circuit: int) -> pd.Series:
    """Probability of each (cause, element) of the main case of a circuit, largest first."""
    own = weighed.case == circuit
    hypothesis = weighed.hypothesis[own]
    keys = pd.MultiIndex.from_arrays(
        [[CAUSES[c] for c in hypotheses.cause[hypothesis]], hypotheses.names[hypotheses.element[hypothesis]]]
    )
    return pd.Series(weighed.probability[own], index=keys).groupby(level=[0, 1]).sum().sort_values(ascending=False)


ALL_RISE = {number: (151, 0.5 + 0.02 * (number % 3 - 1)) for number in range(BRANCHES)}


@pytest.mark.parametrize("day", [150, 151])
@pytest.mark.parametrize("joint", ["0", "1"])
def test_the_common_joint_that_was_opened_that_day_is_suspected(joint: str, day: int) -> None:
    """All twelve fall by half a dB on the day a common joint was opened, an odd day or an even one: that joint."""
    rises = {number: (day, size) for number, (_, size) in ALL_RISE.items()}
    openings = [("P0", 40), ("P1", 60), (f"P{joint}", day - 1), ("PZ3", 200)]
    for circuit in (0, 7):
        found = probabilities(*diagnosed(rises, openings), circuit)
        at_joint = found.index.get_level_values(1).isin([f"X{joint}", f"Y{joint}"])
        assert found[at_joint].sum() > 0.9


def test_without_work_that_day_it_is_the_feeder() -> None:
    """No common joint was opened when all twelve fell: the feeder or its splice, hardly a joint, none of the drops."""
    found = probabilities(*diagnosed(ALL_RISE, [("P0", 40), ("P1", 250)]), 4)
    by_element = found.groupby(level=1).sum()
    assert by_element[["FEEDER", "SPLICE"]].sum() > 0.6
    assert by_element.filter(regex="^(DROP|Z)").sum() < 0.02


def test_belief_tells_the_faces_of_a_common_joint_apart() -> None:
    """What is believed of the end faces decides between those of the joint that was opened."""
    beliefs = pd.DataFrame({"connector_id": ["X0", "Y0"], "p_contaminated": [0.6, 0.06], "p_damaged": [0.01, 0.01]})
    found = probabilities(*diagnosed(ALL_RISE, [("P0", 150)], beliefs), 0)
    assert found["contamination", "X0"] == pytest.approx(10 * found["contamination", "Y0"], rel=0.05)


def test_a_fault_of_one_half_is_not_laid_on_all() -> None:
    """The six circuits of one half fell on the day its joint was opened: that joint, and nothing on the other half."""
    rises = dict.fromkeys(range(0, BRANCHES, 2), (151, 0.5))
    hypotheses, weighed = diagnosed(rises, [("PH0", 150), ("P0", 150)])
    found = probabilities(hypotheses, weighed, 2)
    assert found.groupby(level=1).sum()["H0"] > 0.9
    calm = probabilities(hypotheses, weighed, 3)
    assert calm.groupby(level=0).sum()["nothing"] > 0.9


def test_one_fault_on_many_circuits_is_learned_from_once() -> None:
    """Twelve circuits that show one bend of their feeder do not make bends twelve times as common as one does."""
    alone, shared = diagnosed({0: (151, 0.5)}, []), diagnosed(ALL_RISE, [])
    assert shared[1].learned["bend"] < 2.5 * alone[1].learned["bend"]


def test_where_nothing_changed_nothing_is_shared() -> None:
    """Without any change no circuit has anything to say of another."""
    hypotheses, weighed = diagnosed({}, [("P0", 150)])
    assert probabilities(hypotheses, weighed, 0).groupby(level=0).sum()["nothing"] > 0.8
    assert (weighed.log_evidence[:, NEIGHBOURS] == 0.0).all()


def test_damage_seen_before_a_touch_did_not_begin_at_it() -> None:
    """Known damage explains a fall at a later opening far less than damage that nobody had seen before it."""
    beliefs = pd.DataFrame({"connector_id": ["X0", "Y0"], "p_contaminated": [0.1, 0.1], "p_damaged": [0.9, 0.01]})
    look = {"connector_id": ["X0"], "what": ["inspection"], "dirty": [False], "damaged": [True]}
    found = [
        probabilities(*diagnosed(ALL_RISE, [("P0", 150)], beliefs, pd.DataFrame({**look, "day": [day]})), 0)
        for day in (100.0, 200.0)
    ]
    before, after = (each["damaged_end_face", "X0"] for each in found)
    assert after > 0.5 and before / (1 - before) < 0.2 * after / (1 - after)
