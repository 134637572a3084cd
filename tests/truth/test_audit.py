"""The audit finds planted record errors, all of them and nothing else.

Twenty kinds of error; the suite runs two seeds of each, `python tests/truth/audit_faults.py` runs twenty.
"""

from __future__ import annotations

import pytest
from audit_faults import FAULTS, find, measure, regular_fleet

from planner.plant.audit import EVENT_KINDS, KINDS


def test_a_fleet_in_good_order_has_no_findings() -> None:
    """Right records with splices, arrays, splitters and a year of matings contradict themselves nowhere."""
    for seed in range(3):
        assert find(regular_fleet(seed)).empty


@pytest.mark.parametrize("kind", FAULTS)
def test_a_planted_error_is_found_and_nothing_else(kind: str) -> None:
    """The error is found at its place, and every finding concerns it."""
    for seed in (0, 1):
        found, findings, concern, _, frame = measure(kind, seed)
        assert found, (kind, seed, frame[["code", "place_id"]].to_numpy().tolist())
        assert concern == findings, (kind, seed, frame[["code", "place_id", "text"]].to_numpy().tolist())


@pytest.mark.parametrize("kind", ["gap in a circuit", "cord in the wrong port"])
def test_the_first_repair_proposed_is_the_right_one(kind: str) -> None:
    """Where one cord end explains the gap, the repair names that end and its port."""
    assert all(measure(kind, seed)[3] for seed in range(3))


def test_every_finding_says_what_is_assumed_and_what_to_check() -> None:
    """All kinds have a severity, an assumption and a check; every irregular event has a kind."""
    for kind in KINDS.values():
        assert kind.severity in ("error", "warning")
        assert kind.title and kind.assumed and kind.check
    assert all(code in KINDS for _, code in EVENT_KINDS)
    findings = measure("gap in a circuit", 0)[4]
    assert findings[["assumed", "check", "text", "severity"]].notna().all().all()
    assert findings["finding_no"].tolist() == list(range(1, len(findings) + 1))
