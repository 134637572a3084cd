"""End-face state on histories small enough to read: one port, its rear plug R, cord end C, launch cord L."""

from __future__ import annotations

import numpy as np
import pytest

from planner.errors import ParameterError
from planner.health.calibration import FEATURES, calibrate, corrected
from planner.health.contamination import History, Inferred, code_history, history_of, infer
from planner.health.episodes import BOTH, CLEAN, DEMATE, LOOK, LOOK_AFTER, MATE, SIDE_A, SIDE_B, SINGLE
from planner.health.learning import (
    dirt_steps,
    look_likelihood,
    mating,
    prior_rates,
    start_beliefs,
    tables_of,
)
from planner.health.tracing import DECIBANS, arrivals, chains, log_odds, moves

R, C, L = 0, 1, 2
HOUR, DAY = 3600, 86400


def history(*events: tuple[int, int, int, int], end_day: int = 100) -> History:
    """Events as (seconds, kind, end face, detail); matings happen in the front of port 0."""
    rows = np.array(events, np.int64).reshape(-1, 4)
    m = len(rows)
    moving = np.isin(rows[:, 1], (MATE, DEMATE))
    return History(
        seconds=rows[:, 0],
        kind=rows[:, 1].astype(np.int8),
        face=rows[:, 2].astype(np.int32),
        port=np.where(moving, 0, -1).astype(np.int32),
        face_side=np.zeros(m, np.int8),
        detail=rows[:, 3].astype(np.int8),
        technician=np.full(m, -1, np.int32),
        test_set=np.full(m, -1, np.int32),
        suspected=np.zeros(m, np.bool_),
        known_after=np.zeros(m, np.int32),
        start_port=np.array([0, 0, -1], np.int32),
        start_face=np.array([1, 0, 0], np.int8),
        fixed_port=np.full(3, -1, np.int32),
        face_kind=np.array([0, 0, 2], np.int8),
        batch=np.full(3, -1, np.int32),
        port_site=np.array([0], np.int32),
        port_environment=np.array([1], np.int8),
        end_at=end_day * DAY,
    )


def believed(*events: tuple[int, int, int, int]) -> np.ndarray:
    """P(dirty) of R, C, L with the priors."""
    past = history(*events)
    state = infer(past, prior_rates(code_history(past).classes)).state
    return np.asarray(state[:, 1] + state[:, 3])


def explained(*events: tuple[int, int, int, int]) -> tuple[History, Inferred]:
    """A history and its inference with the priors."""
    past = history(*events)
    return past, infer(past, prior_rates(code_history(past).classes))


OPENED = ((DAY, DEMATE, C, 0),)
CLOSED = ((DAY + 600, MATE, C, 0),)


def test_a_dirty_look_raises_and_a_cleaning_lowers() -> None:
    """Dirt seen raises the belief above the start's; cleaning brings it down; a passed look after it further."""
    start = believed()[C]
    dirty = believed(*OPENED, (DAY + 60, LOOK, C, 1))[C]
    cleaned = believed(*OPENED, (DAY + 60, LOOK, C, 1), (DAY + 120, CLEAN, C, 4))[C]
    passed = believed(*OPENED, (DAY + 60, LOOK, C, 1), (DAY + 120, CLEAN, C, 4), (DAY + 180, LOOK_AFTER, C, 0))[C]
    assert dirty > 2 * start  # and would be more, had nothing been done about it unrecorded since
    assert dirty > cleaned > passed


def test_dirt_goes_to_whoever_it_is_mated_with() -> None:
    """After C was seen dirty and mated uncleaned, R is more probably dirty than after C was seen clean."""
    after_dirty = believed(*OPENED, (DAY + 60, LOOK, C, 1), *CLOSED)[R]
    after_clean = believed(*OPENED, (DAY + 60, LOOK, C, 0), *CLOSED)[R]
    assert after_dirty > 1.5 * after_clean


def test_what_a_former_partner_shows_later_counts() -> None:
    """L met R and was seen dirty only later: R's belief rises with it."""
    met = (*OPENED, (DAY + 60, MATE, L, 0), (DAY + 120, DEMATE, L, 0), *CLOSED)
    later_dirty = believed(*met, (20 * DAY, LOOK, L, 1))[R]
    later_clean = believed(*met, (20 * DAY, LOOK, L, 0))[R]
    assert later_dirty > later_clean


def test_damage_stays_through_cleaning() -> None:
    """Damage seen twice is not cleaned away."""
    past = history(*OPENED, (DAY + 60, LOOK, C, 2), (DAY + 120, CLEAN, C, 4), (DAY + 180, LOOK_AFTER, C, 2))
    state = infer(past, prior_rates(code_history(past).classes)).state[C]
    assert state[2] + state[3] > 0.5


def test_a_look_without_a_demating_implies_an_opening() -> None:
    """The records hold C as mated: looking at it means it and R were opened, and closed again later."""
    past = history((DAY, LOOK, C, 0))
    operations = code_history(past).operations
    happened = operations.event == 0
    openings = happened & np.isin(operations.code, (SIDE_A, SIDE_B))
    assert openings.sum() >= 3  # both opened, one looked at
    assert (operations.code[operations.event == 1] == BOTH).any(), "closed again before the end"


def test_a_look_after_cleaning_implies_the_cleaning() -> None:
    """Found dirty, then seen after cleaning: the missing cleaning is put in, so a pass is no miss."""
    seen = (*OPENED, (DAY + 60, LOOK, C, 1))
    with_stage = believed(*seen, (DAY + 120, LOOK_AFTER, C, 0))[C]
    without_stage = believed(*seen, (DAY + 120, LOOK, C, 0))[C]
    assert with_stage < without_stage


def test_evidence_adds_up_to_the_log_odds() -> None:
    """Prior and moves of every end face add up to its log-odds of being not clean, to .1 deciban."""
    past, inferred = explained(
        *OPENED, (DAY + 60, LOOK, C, 1), (DAY + 120, CLEAN, C, 1), *CLOSED, (9 * DAY, LOOK, R, 1)
    )
    everyone = np.ones(past.faces, np.bool_)
    start = 1.0 - start_beliefs(inferred.rates, inferred.coded.classes)[:, 0]
    moved = moves(inferred, chains(inferred, everyone), start, everyone)
    total = np.bincount(moved.face, weights=moved.decibans, minlength=past.faces)
    assert total == pytest.approx(log_odds(1.0 - inferred.state[:, 0]) * DECIBANS, abs=0.1)


def test_arrivals_of_an_end_face_are_shares_of_one() -> None:
    """However its dirt came, the shares of the ways add up to 1 for every end face."""
    past, inferred = explained(
        *OPENED, (DAY + 60, MATE, L, 0), (DAY + 120, DEMATE, L, 0), *CLOSED, (9 * DAY, LOOK, C, 1)
    )
    found, likeliest = arrivals(inferred, np.ones(past.faces, np.bool_), np.zeros(past.faces))
    largest = np.zeros(past.faces)
    np.maximum.at(largest, found.face, found.share)
    assert likeliest.share == pytest.approx(largest[likeliest.face])
    assert np.bincount(found.face, weights=found.share, minlength=past.faces) == pytest.approx(1.0, abs=1e-6)


def test_dirt_seen_on_a_partner_is_traced_to_it() -> None:
    """R was seen clean, then met a launch cord seen dirty: its dirt is traced to that cord before all else."""
    past, inferred = explained(
        *OPENED,
        (DAY + 30, LOOK, R, 0),
        (DAY + 40, LOOK, L, 1),
        (DAY + 60, MATE, L, 0),
        (DAY + 90, DEMATE, L, 0),
        (DAY + 120, LOOK, R, 1),
    )
    _, likeliest = arrivals(inferred, np.ones(past.faces, np.bool_), np.ones(past.faces))
    assert likeliest.partner[likeliest.face == R] == L


def test_events_out_of_order_are_refused() -> None:
    """A stream that runs backwards in time is refused with the event's number."""
    past = history((2 * DAY, LOOK, C, 0), (DAY, LOOK, C, 0))
    names = ("kind", "face", "port", "face_side", "detail", "technician", "test_set", "suspected", "known_after")
    events = {"at": past.seconds, **{name: getattr(past, name) for name in names}}
    faces = {name: getattr(past, name) for name in ("start_port", "start_face", "fixed_port", "batch")}
    ports = {"site_no": past.port_site, "environment": past.port_environment}
    with pytest.raises(ParameterError, match="event 1"):
        history_of({**faces, "kind": past.face_kind}, ports, events, past.end_at)  # type: ignore[arg-type]


def test_an_empty_history_gives_the_start_beliefs() -> None:
    """Without any event the beliefs are those the end faces start with."""
    _, inferred = explained()
    assert inferred.state == pytest.approx(start_beliefs(inferred.rates, inferred.coded.classes), abs=1e-6)
    assert (inferred.coded.operations.code == SINGLE).sum() == 0


def test_operation_tables_are_probabilities() -> None:
    """Transitions leave probability whole; looks of one state over all outcomes add to 1."""
    assert mating(0.4, 0.05).sum(axis=1) == pytest.approx(1.0)
    assert dirt_steps(np.array([0.2]), np.array([0.7])).sum(axis=2) == pytest.approx(1.0)
    past = history(*OPENED)
    classes = code_history(past).classes
    look = prior_rates(classes).look
    outcomes = look_likelihood(np.tile(look, (3, 1, 1)), np.arange(3, dtype=np.int32))
    assert outcomes.sum(axis=0) == pytest.approx(1.0)
    tables = tables_of(prior_rates(classes), classes, code_history(past).operations.waited)
    assert tables.single.shape == (classes.count, 4, 4)


def test_mating_by_hand() -> None:
    """Clean with dirty, transfer .4, damage .1: the clean one is dirty and unharmed with .4 x .9."""
    table = mating(0.4, 0.1).reshape(4, 4, 4, 4)
    assert table[0, 1, 1, 1] == pytest.approx(0.4 * 0.9 * 0.9)
    assert table[0, 0, 0, 0] == 1.0


def test_too_few_looks_leave_beliefs_as_they_are() -> None:
    """With fewer looks than needed the correction is the identity."""
    past, inferred = explained(*OPENED, (DAY + 60, LOOK, C, 1), *CLOSED)
    calibration = calibrate(past, inferred.rates.look)
    assert calibration.looks == 0
    rows = np.zeros((past.faces, len(FEATURES)))
    assert corrected(inferred.state, rows, calibration, np.ones(3, np.bool_)) is inferred.state
