"""Absolute loss: what is usual in a fleet, and which faults a level speaks for."""

from __future__ import annotations

import numpy as np
import pytest

from planner.health.absolute_levels import Before, Levels, above_usual, levels_at_start, weigh_levels
from planner.health.change_points import segment_series
from planner.health.circuit_cases import CircuitSeries
from planner.health.fault_laws import PATH_CAUSES

DIRT = PATH_CAUSES.index("contamination")
BEND = PATH_CAUSES.index("bend")


def levels(
    excess: np.ndarray,
    *,
    expected: np.ndarray | None = None,
    by_power: bool = False,
    at_start: bool = True,
    standing: np.ndarray | None = None,
) -> Levels:
    """Circuits measured in one way, stated as good to .2 dB; first readings agree with as-built tests to .1 dB."""
    count = len(excess)
    return Levels(
        excess,
        np.full(count, 0.2),
        np.full(count, 3.0) if expected is None else expected,
        np.full(count, by_power),
        np.full(count, np.nan if at_start else -30.0),
        np.full(count, np.nan) if standing is None else standing,
        np.full(count, np.nan) if standing is None else np.full(count, 0.1),
    )


def quiet(count: int, seed: int = 5, scatter: float = 0.2) -> np.ndarray:
    """Excess of circuits with nothing wrong."""
    return np.random.default_rng(seed).normal(0.0, scatter, count)


def weighed(first_excess: float, first_standing: float, **how: bool) -> Before:
    """Eighty circuits of which the first is the one in question."""
    excess, standing = quiet(80), quiet(80, 6, 0.1)
    excess[0], standing[0] = first_excess, first_standing
    return weigh_levels(levels(excess, standing=standing, **how))


def test_loss_that_was_there_as_built_is_no_receiver_that_reads_low() -> None:
    """First light equals the as-built test, two decibels above the usual: the path, not the meter of the receiver."""
    for by_power in (False, True):
        before = weighed(2.0, 0.0, by_power=by_power)
        assert before.receiver[0] < 0.0 < before.path[0, DIRT]
    assert weighed(0.0, 2.0, by_power=True).receiver[0] > 3.0


def test_a_receiver_reads_low_only_where_light_was_read() -> None:
    """Without an as-built test a level by power may be the receiver's, one by a loss test never."""
    excess = quiet(80)
    excess[0] = 2.0
    assert weigh_levels(levels(excess, by_power=True)).receiver[0] > 3.0
    assert (weigh_levels(levels(excess)).receiver == 0.0).all()


def test_an_acceptance_test_is_not_charged_with_what_came_later() -> None:
    """Three decibels of dirt came between acceptance and the first reading: the record is not wrong for it.

    Where the level is that of the start it holds the three decibels, and they come off it; where it is that of the
    acceptance test it never held them.
    """
    for excess, at_start in ((3.0, True), (0.0, False)):
        before = weighed(excess, 3.0, at_start=at_start)
        assert before.record[0] < 0.0
        assert before.path[0, DIRT] > 3.0


def test_an_old_test_alone_says_little_of_the_start() -> None:
    """A level of before the readings neither clears the path nor accuses it as one of their start does."""
    excess = quiet(80)
    excess[0] = 2.0
    old, new = (weigh_levels(levels(excess, at_start=at_start)) for at_start in (False, True))
    assert 0.0 < old.path[0, DIRT] < new.path[0, DIRT]
    assert new.path[1:, DIRT].min() < old.path[1:, DIRT].min() < 0.0


def test_power_and_standing_loss_tell_the_same_fault_once() -> None:
    """Late dirt shows in the level by power and in the first readings: it counts about as much as in the latter."""
    both, alone = (
        weighed(1.0, 1.0, by_power=True),
        weigh_levels(levels(np.full(80, np.nan), standing=np.concatenate([[1.0], quiet(79, 6, 0.1)]))),
    )
    assert both.path[0, DIRT] == pytest.approx(alone.path[0, DIRT], abs=0.8)


def test_one_long_path_neither_draws_the_line_nor_is_drawn_by_it() -> None:
    """The only path of 25 dB among paths of 3 dB or so: the line is unsure there, and says so by its spread.

    Healthy it is hardly ever accused, over many draws; the circuits near the others are as sure as ever.
    """
    accused, sure = 0, []
    for seed in range(200):
        expected = np.concatenate([[25.0], np.random.default_rng(seed).uniform(2.5, 3.5, 79)])
        found = levels(quiet(80, seed), expected=expected)
        accused += weigh_levels(found).path[0, BEND] > 3.0
        sure.append(above_usual(found)[1][1:].max())
    assert accused <= 4
    assert np.median(sure) < 0.3
    expected[0] = 4.0
    excess = quiet(80)
    excess[0] = 4.0
    assert weigh_levels(levels(excess, expected=expected)).path[0, BEND] > 3.0


def test_planning_values_that_are_too_safe_are_learned_as_a_share() -> None:
    """Paths of 2 to 25 dB that lose a tenth less than planned: what is usual follows them all."""
    expected = np.random.default_rng(8).uniform(2.0, 25.0, 300)
    above, scale = above_usual(levels(quiet(300) - 0.1 * expected, expected=expected))
    assert abs(np.polyfit(expected, above, 1)[0]) < 0.012
    assert scale.mean() == pytest.approx(0.2, rel=0.25)


def test_what_is_usual_is_learned_bit_by_bit() -> None:
    """One circuit more hardly changes what is believed of the others, whatever their number."""
    excess = quiet(200) + 0.8
    above = [above_usual(levels(excess[:count]))[0][0] for count in range(5, 60)]
    assert np.abs(np.diff(above)).max() < 0.08
    assert above[0] > above[-1] + 0.2


def test_a_few_power_levels_borrow_from_the_tests() -> None:
    """Eight circuits read by power beside three hundred tested ones: their usual is near that of the others."""
    excess = quiet(308) - 0.6
    found = levels(excess)
    found.by_power[:8] = True
    above, _ = above_usual(found)
    assert abs(np.median(above[:8]) - np.median(excess[:8]) - 0.6) < 0.25


def test_what_rose_since_the_start_is_taken_off_once() -> None:
    """Of a circuit that is read its power tells what rose, of one with tests alone its tests do.

    Circuit 0 is read and rose by 1 dB on day 120; its excess was measured by power, or by a test before and after
    that. Circuit 1 has tests alone, which rose by 2 dB. Circuit 2 has one test of before the axis.
    """
    loss = np.random.default_rng(9).normal(3.0, 0.02, (1, 200))
    loss[0, 120:] += 1.0
    row = np.array([[0, -1, -1, -1], [-1, -1, -1, -1]])
    series = CircuitSeries(np.datetime64("2031-01-01"), 200, row, segment_series(loss))
    unknown = np.full(3, np.nan)
    for by_power, day, excess in ((True, np.nan, 1.3), (False, 50.0, 0.3), (False, 150.0, 1.3)):
        measured = Levels(
            np.array([excess, 2.5, 0.4]),
            np.full(3, 0.2),
            np.full(3, 3.0),
            np.array([by_power, False, False]),
            np.array([day, 160.0, -30.0]),
            unknown,
            unknown,
        )
        found = levels_at_start(measured, series, np.array([0, 1]), np.array([0.0, 2.0, 0.0]))
        assert found.excess_db == pytest.approx([0.3, 0.5, 0.4], abs=0.05)
        assert found.at_start.tolist() == [True, True, False]
