"""Which changes are still there now."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from planner.health.change_evidence import CauseLaws, change_evidence, repeat_statistics, template_statistics
from planner.health.change_points import MOST_CHANGES, segment_series
from planner.health.circuit_cases import CircuitSeries, lasting_tests, list_cases
from planner.health.fault_laws import PATH_CAUSES
from planner.health.open_changes import open_changes, open_sizes, without_other_changes
from planner.health.opened_joints import OpenedJoints


def stairs(*steps: tuple[int, float], days: int = 400) -> np.ndarray:
    """A series with steps at the given days."""
    series = np.random.default_rng(1).normal(0, 0.02, (1, days))
    for day, size in steps:
        series[0, day:] += size
    return series


def at_joints(*joint: int) -> np.ndarray:
    """Joints opened about each change of one series; 0 for none."""
    return np.array([[1 << number if number else 0 for number in joint] + [0] * (MOST_CHANGES - len(joint))], np.uint64)


def test_a_rise_that_a_later_fall_undid_is_closed() -> None:
    """After a rise and an equal fall nothing is open."""
    assert open_changes(segment_series(stairs((100, 0.5), (250, -0.5)))).empty


def test_a_fall_undoes_the_rise_of_its_size() -> None:
    """Of two rises, the one a later fall matches is closed, though the other came last."""
    left = open_sizes(segment_series(stairs((100, 0.8), (200, 0.2), (300, -0.8))))
    assert left[0, :3] == pytest.approx([0.0, 0.2, 0.0], abs=0.03)


def test_a_slow_ramp_is_one_change() -> None:
    """A ramp that the scan cuts into steps comes back as a single open change of its whole size."""
    series = stairs() + np.clip((np.arange(400) - 150) / 90, 0, 1) * 1.2
    found = open_changes(segment_series(series))
    assert len(found) == 1
    assert found["size_db"][0] == pytest.approx(1.2, abs=0.1)


def test_changes_on_touched_days_stay_apart() -> None:
    """Two rises within weeks are two changes where each fell on a touched day."""
    segments = segment_series(stairs((100, 0.5), (140, 0.5)))
    assert len(open_changes(segments)) == 1
    assert len(open_changes(segments._replace(joints=at_joints(1, 2)))) == 2


def cases_of(steps: list[tuple[int, float]], unknown_db: float, *joint: int) -> list[tuple[int, int]]:
    """First and last day of the cases of one circuit whose loss rises so, its readings coarse by so much."""
    segments = segment_series(stairs(*steps))
    if joint:
        segments = segments._replace(joints=at_joints(*joint))
    row = np.array([[0, -1, -1, -1]])
    series = CircuitSeries(np.datetime64("2031-01-01"), 400, row, segments, np.array([unknown_db]))
    tested = pd.DataFrame({"circuit": np.zeros(0, np.int64), "size_db": np.zeros(0)})
    cases = list_cases(series, np.array([0]), 1, tested, 0.1)
    return sorted(zip(cases.first_day.tolist(), cases.last_day.tolist(), strict=True))


def test_the_steps_of_a_stair_are_one_case() -> None:
    """A fade read in steps of half a dB climbs a hundred days apart: one case where readings are coarse, else two."""
    steps = [(100, 0.5), (200, 0.5)]
    assert cases_of(steps, 0.2) == [(100, 200)]
    assert cases_of(steps, 0.0) == [(100, 100), (200, 200)]


def test_rises_that_are_no_stair_stay_apart() -> None:
    """In coarse readings too: rises of several steps, those on days of work, and those many months apart."""
    assert len(cases_of([(100, 0.5), (200, 1.5)], 0.2)) == 2
    assert len(cases_of([(100, 0.5), (200, 0.5)], 0.2, 1, 0)) == 2
    assert len(cases_of([(100, 0.5), (240, 0.5)], 0.2)) == 2


def test_a_fall_undoes_the_rise_at_its_own_joint() -> None:
    """Of two rises the one at the joint that was opened again is closed, though the other is nearer in size."""
    segments = segment_series(stairs((100, 0.5), (200, 0.4), (300, -0.4)))
    assert open_sizes(segments)[0, :3] == pytest.approx([0.5, 0.0, 0.0], abs=0.03)
    left = open_sizes(segments._replace(joints=at_joints(1, 2, 1)))
    assert left[0, :3] == pytest.approx([0.1, 0.4, 0.0], abs=0.03)


def test_joints_opened_are_told_apart() -> None:
    """Openings of a circuit come back as bits within a day either side, once a day however often recorded."""
    opened = OpenedJoints.of(np.array([0, 0, 0, 1]), np.array([5, 5, 9, 5]), np.array([70, 80, 70, 70]))
    assert opened.counts(2, 10)[:, 5].tolist() == [2, 1]
    about = opened.about(np.zeros(4, np.int64), np.array([4, 7, 10, -1]))
    assert about.tolist() == [3, 0, 1, 0]
    assert OpenedJoints.of(*(np.zeros(0, np.int64) for _ in range(3))).about(np.array([0]), np.array([3])).tolist() == [
        0
    ]


def test_other_changes_are_taken_out() -> None:
    """Outside the window kept, the series is level."""
    segments = segment_series(stairs((100, 0.5), (250, 0.7)))
    left = without_other_changes(segments, np.array([0, -1]), np.array([250, 0]), np.array([250, 0]))
    assert left[0, 110:240].mean() == pytest.approx(left[0, :90].mean(), abs=0.03)
    assert left[0, 260:].mean() - left[0, :240].mean() == pytest.approx(0.7, abs=0.03)
    assert np.isnan(left[1]).all()


def test_what_was_undone_since_is_taken_out() -> None:
    """Of a rise that a later fall undid in part, only what is left stands in the series."""
    segments = segment_series(stairs((100, 0.6), (250, -0.4)))
    left = without_other_changes(segments, np.array([0]), np.array([100]), np.array([100]))
    assert left[0, 110:].mean() - left[0, :90].mean() == pytest.approx(0.2, abs=0.03)
    assert left[0, 110:240].mean() == pytest.approx(left[0, 260:].mean(), abs=0.03)


def test_a_test_made_in_an_outage_does_not_last() -> None:
    """Seven decibels more on a day whose outage the daily readings hardly show: that test is left out, others stay."""
    segments = segment_series(stairs((200, 0.4)))
    series = CircuitSeries(np.datetime64("2030-01-01"), 400, np.array([[0, -1, -1, -1]]), segments)
    tests = pd.DataFrame(
        {
            "circuit": [0, 0, 0, 1, 1],
            "direction": "a_to_z",
            "wavelength_nm": 1310.0,
            "reference_cords": 1,
            "day": [-900.0, 100.5, 250.5, -900.0, 100.5],
            "loss_db": [5.0, 12.0, 5.5, 5.0, 12.0],
        }
    )
    kept = lasting_tests(tests, series, np.array([0]), np.full(2, 1310.0))
    assert kept["loss_db"].tolist() == [5.0, 5.5, 5.0, 12.0]


@pytest.mark.parametrize(
    ("readings", "size", "seen"), [(1, 5.0, True), (2, 1.0, True), (3, 5.0, True), (1, 1.0, False)]
)
def test_news_at_the_end_is_a_change(readings: int, size: float, seen: bool) -> None:
    """A large drop counts from its first reading, one of a decibel from its second; one reading of it is no news."""
    found = open_changes(segment_series(stairs((400 - readings, size))))
    assert len(found) == int(seen)
    if seen:
        assert found["size_db"][0] == pytest.approx(size, abs=0.1)
        assert found["first_day"][0] == 400 - readings


def test_a_repair_shows_from_its_second_reading() -> None:
    """Two readings back at the old level close a fault of months."""
    assert open_changes(segment_series(stairs((200, 0.9), (398, -0.9)))).empty


@pytest.mark.parametrize("size", [5.0, 36.0, 40.0, 60.0])
def test_a_dead_circuit_is_no_quiet_one(size: float) -> None:
    """However large a loss, a break explains it and nothing does not."""
    segments = segment_series(stairs((392, size)))
    a, b = template_statistics(segments.smooth, segments.noise, segments.autocorrelation)
    found = change_evidence(a, b, CauseLaws(PATH_CAUSES))[0, 392]
    assert found[PATH_CAUSES.index("fibre_break")] > 50
    assert found[PATH_CAUSES.index("fibre_break")] > found[PATH_CAUSES.index("nothing")] + 20


def test_tests_prove_no_more_than_they_may() -> None:
    """Seven decibels between two tests count up to the limit, and their size stays what it is."""
    day, loss = np.array([-900.0, 100.0]), np.array([5.0, 12.0])
    a, b = repeat_statistics(day, loss, 0.02, 200, most=4.0)
    assert (a * a / (2 * np.maximum(b, 1e-9))).max() == pytest.approx(4.0, rel=1e-4)
    assert a[50, 0] / b[50, 0] == pytest.approx(7.0, rel=1e-4)
