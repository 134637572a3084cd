"""Figures, times and addresses in words."""

from __future__ import annotations

from datetime import datetime

import pandas as pd
import pytest

from dashboards.components import words
from dashboards.components.links import address
from dashboards.components.marks import STATE_SHAPES, STATE_SYMBOLS, STATE_WORDS, connector_state_of


@pytest.mark.parametrize("value", [None, float("nan"), pd.NA, pd.NaT])
def test_unknown_is_said_and_never_zero(value: object) -> None:
    """A value that is not there reads as unknown in every form."""
    spoken = [words.figure(value), words.db(value), words.percent(value), words.day(value), words.duration(value)]
    assert spoken == ["unknown"] * 5


@pytest.mark.parametrize(
    ("value", "spoken"),
    [(0, "0\u202f%"), (0.004, "<\u202f1\u202f%"), (0.5, "50\u202f%"), (0.996, ">\u202f99\u202f%"), (1, "100\u202f%")],
)
def test_probabilities_are_not_rounded_to_certainty(value: float, spoken: str) -> None:
    """Only exactly 0 and 1 read as 0 % and 100 %."""
    assert words.percent(value) == spoken


@pytest.mark.parametrize(
    ("value", "spoken"), [(41204, "41,204"), (-0.0001, "0"), (-3.456, "\u22123"), (1234567.8, "1,234,568")]
)
def test_numbers_set_thousands_apart(value: float, spoken: str) -> None:
    """Thousands are set apart, minus is a minus sign and there is no minus zero."""
    assert words.figure(value) == spoken


def test_decibels_carry_their_unit_and_sign() -> None:
    """A change shows its sign, a loss does not."""
    assert words.db(0.618, sign=True) == "+0.62\u202fdB"
    assert words.db(-0.618, sign=True) == "\u22120.62\u202fdB"
    assert words.db(0.001, sign=True) == "0.00\u202fdB"


def test_times_carry_their_zone() -> None:
    """Moments say UTC; days and weekdays read as people write them."""
    at = datetime(2031, 4, 5, 6, 7)
    assert words.moment(at) == "5 Apr 2031 06:07 UTC"
    assert words.weekday("2031-04-07") == "Mon 7 Apr"
    assert words.day("not a day") == "not a day"


@pytest.mark.parametrize(
    ("minutes", "spoken"),
    [(5, "5\u202fmin"), (60, "1\u202fh"), (205, "3\u202fh\u00a025\u202fmin"), (59.6, "1\u202fh")],
)
def test_durations_are_hours_and_minutes(minutes: float, spoken: str) -> None:
    """Minutes are rounded before they are split into hours."""
    assert words.duration(minutes) == spoken


def test_addresses_leave_out_what_is_empty() -> None:
    """An address holds only filters that are set, and escapes what needs it."""
    assert address("/circuit", id="K 1&2", nm=None, region="") == "/circuit?id=K+1%262"
    assert address("/") == "/"


def test_every_state_has_word_shape_and_symbol() -> None:
    """No state is told by colour alone."""
    assert set(STATE_WORDS) == set(STATE_SHAPES) == set(STATE_SYMBOLS)
    assert len(set(STATE_SHAPES.values())) == len(STATE_SHAPES) == len(set(STATE_SYMBOLS.values()))


@pytest.mark.parametrize(
    ("dirty", "named", "state"),
    [
        (None, None, "unknown"),
        (0.1, None, "sound"),
        (0.2, 0.0, "watch"),
        (0.5, 0.0, "soon"),
        (0.1, 0.25, "soon"),
        (0.5, 0.25, "act"),
        (0.0, 0.5, "act"),
    ],
)
def test_state_of_an_end_face(dirty: float | None, named: float | None, state: str) -> None:
    """The states follow the rule that the page states in words."""
    assert connector_state_of(dirty, named) == state
