"""Figures learned up to a date: what they depend on, that they come back exactly, and whom they are for."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference.small_fleets import random_history

from planner.health.contamination import History, Names, infer, learn_figures, named_part
from planner.health.episodes import LOOK, REPORT
from planner.health.fleet_figures import (
    LATE_DAYS,
    as_document,
    fingerprint,
    from_document,
    learn_fleet,
    learning_date,
    lesson_of,
    rates_for,
)

NAMES: Names = {"site": ["S0", "S1"], "technician": ["T0", "T1", "T2"], "test_set": ["X0"], "batch": []}
DAY = 86400


def mark(history: History, date: int, names: Names = NAMES) -> str:
    """Fingerprint of what is learned from a history up to a date."""
    return fingerprint(lesson_of(history, names, date), "code")


def with_event(history: History, at: int, kind: int, known_after: int = 0) -> History:
    """The history and one event more of end face 3, passed."""
    place = int(np.searchsorted(history.seconds, at, side="right"))
    new = {"seconds": at, "kind": kind, "face": 3, "port": -1, "known_after": known_after}
    names = (
        "seconds",
        "kind",
        "face",
        "port",
        "face_side",
        "detail",
        "technician",
        "test_set",
        "suspected",
        "known_after",
    )
    changed = {name: np.insert(getattr(history, name), place, new.get(name, 0)) for name in names}
    return replace(history, **changed)


def with_new_plant(history: History) -> tuple[History, Names]:
    """The same events in a fleet that grew: a port, its end face, a site and a person stand before all others."""
    moved = {
        name: getattr(history, name) + (getattr(history, name) >= 0) for name in ("port", "start_port", "fixed_port")
    }
    first = {"start_port": 0, "start_face": 0, "fixed_port": -1, "face_kind": 0, "batch": -1}
    plant = {name: np.insert(moved.get(name, getattr(history, name)), 0, value) for name, value in first.items()}
    grown = replace(
        history,
        **plant,
        port=moved["port"],
        face=history.face + np.int32(1),
        technician=history.technician + np.int32(1),
        port_site=np.insert(history.port_site + np.int32(1), 0, 0),
        port_environment=np.insert(history.port_environment, 0, 2),
    )
    return grown, {**NAMES, "site": ["A", "S0", "S1"], "technician": ["A", "T0", "T1", "T2"]}


@given(st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1)))
def test_the_learning_date_is_a_monday_one_to_two_weeks_back(now: datetime) -> None:
    """It stays for a week, and leaves late records the time they need."""
    date = learning_date(now)
    assert date.weekday() == 0 and date == datetime(date.year, date.month, date.day)
    assert timedelta(days=LATE_DAYS) <= now - date < timedelta(days=LATE_DAYS + 7)


def test_what_comes_after_the_date_changes_nothing() -> None:
    """A new event after the date leaves the fingerprint; one before it, or one corrected, changes it."""
    history = random_history(1, jobs=40)
    date = int(history.seconds[-8])
    before = mark(history, date)
    assert mark(with_event(history, date + DAY, LOOK), date) == before
    assert mark(with_event(history, date - DAY, LOOK), date) != before
    corrected = replace(history, detail=np.where(np.arange(len(history.seconds)) == 5, 1, history.detail))
    assert mark(corrected, date) != before


def test_an_order_reports_when_it_is_closed() -> None:
    """An order opened before the date and closed after it was not known then: it changes nothing."""
    history = random_history(1, jobs=40)
    date = int(history.seconds[-8])
    assert mark(with_event(history, date - DAY, REPORT, known_after=2 * DAY), date) == mark(history, date)
    assert mark(with_event(history, date - DAY, REPORT, known_after=DAY), date) != mark(history, date)


def test_new_plant_and_new_people_change_nothing() -> None:
    """A port, an end face, a site and a person that no event before the date names leave the fingerprint."""
    history = random_history(2, jobs=40)
    date = int(history.seconds[-8])
    grown, names = with_new_plant(history)
    assert mark(grown, date, names) == mark(history, date)
    renamed = {**NAMES, "technician": ["T0", "T1", "T3"]}
    assert mark(history, date, renamed) != mark(history, date)


def test_a_young_fleet_learns_from_all_there_is() -> None:
    """Where less than three quarters of the events lie before the date, it is now."""
    history = random_history(3, jobs=40)
    half = int(history.seconds[len(history.seconds) // 2])
    assert len(lesson_of(history, NAMES, half).past.seconds) == len(history.seconds)


def test_what_no_event_names_does_not_matter_to_what_is_learned() -> None:
    """Figures learned in the part of the plant that events name are those of the same part in a grown fleet."""
    history = random_history(4, jobs=60)
    grown, names = with_new_plant(history)
    (one, own), (other, others) = named_part(history, NAMES), named_part(grown, names)
    assert own == others
    first, second = learn_figures(one).rates, learn_figures(other).rates
    assert np.array_equal(first.exposure, second.exposure) and np.array_equal(first.technician, second.technician)


def test_figures_come_back_exactly_and_by_id() -> None:
    """A document gives back every number; in a grown fleet each person keeps what was learned of them."""
    history = random_history(5, jobs=60)
    figures, learned = learn_fleet(lesson_of(history, NAMES, history.end_at))
    back = from_document(as_document(figures))
    for name in ("exposure", "look_test_set", "start_batch", "wait", "soiling"):
        assert np.array_equal(getattr(back.rates, name), getattr(figures.rates, name)), name
    assert np.array_equal(back.calibration.weights, figures.calibration.weights)
    assert (back.names, back.events) == (figures.names, learned.events)
    grown, names = with_new_plant(history)
    rates = rates_for(back, names)
    assert rates.technician[1:4] == pytest.approx(figures.rates.technician[:3])
    assert rates.technician[0] == rates.technician[-1] == 1.0  # nobody knows the new one yet
    assert np.allclose(infer(grown, rates).state[1:], infer(history, rates_for(figures, NAMES)).state, atol=1e-6)


def test_dates_are_utc() -> None:
    """The first Monday of the epoch's second week, in seconds."""
    assert learning_date(datetime(1970, 1, 12)).replace(tzinfo=UTC).timestamp() == 4 * DAY
