"""Change points of many series at once: noise, steps, slopes."""

from __future__ import annotations

import numpy as np
import pytest

from planner.health.change_points import fit_line, robust_slopes, segment_series


def correlated_noise(rng: np.random.Generator, rows: int, days: int, sd: float, rho: float) -> np.ndarray:
    """AR(1) noise with one reading in a hundred a decibel off and one in ten missing."""
    noise = rng.normal(0, sd, (rows, days))
    for day in range(1, days):
        noise[:, day] = rho * noise[:, day - 1] + np.sqrt(1 - rho**2) * noise[:, day]
    noise += (rng.random((rows, days)) < 0.01) * rng.choice([-1.0, 1.0], (rows, days))
    noise[rng.random((rows, days)) < 0.1] = np.nan
    return noise


def test_quiet_series_have_few_false_changes() -> None:
    """At most one quiet series in twenty shows a change, in correlated noise with outliers."""
    rng = np.random.default_rng(1)
    for rho in (0.0, 0.4, 0.6):
        found = segment_series(correlated_noise(rng, 400, 540, 0.1, rho)).changes > 0
        assert found.mean() <= 0.05


def test_a_step_is_found_on_its_day_with_its_size() -> None:
    """A step of 0.5 dB in correlated noise of 0.1 dB is found within three days and 0.1 dB nearly always."""
    rng = np.random.default_rng(2)
    series = correlated_noise(rng, 300, 180, 0.1, 0.7)
    series[:, 100:] += 0.5
    found = segment_series(series)
    best = np.nan_to_num(np.abs(found.step)).argmax(axis=1)
    rows = np.arange(300)
    near = np.abs(found.change_day[rows, best] - 100) <= 3
    assert near.mean() >= 0.9
    assert np.sqrt(np.nanmean((found.step[rows, best] - 0.5) ** 2)) <= 0.1


def test_several_changes_are_found_in_order() -> None:
    """Rise, fall and rise of one series come back as three changes with rising days and the right signs."""
    series = np.random.default_rng(3).normal(0, 0.03, (1, 400))
    series[0, 100:] += 0.6
    series[0, 200:] -= 0.4
    series[0, 300:] += 0.8
    found = segment_series(series)
    assert found.changes[0] == 3
    assert found.change_day[0, :3].tolist() == [100, 200, 300]
    assert np.sign(found.step[0, :3]).tolist() == [1, -1, 1]
    assert found.level[0, 3] - found.level[0, 0] == pytest.approx(1.0, abs=0.03)


def test_outliers_are_pulled_in() -> None:
    """A single wild reading neither makes a change nor moves the level."""
    series = np.random.default_rng(4).normal(0, 0.05, (1, 200))
    series[0, 90] = 25.0
    found = segment_series(series)
    assert found.changes[0] == 0
    assert abs(found.smooth[0, 90]) < 1.0


def test_short_and_empty_series_are_left_alone() -> None:
    """Fewer than six readings give no noise and no change; none at all give no level."""
    series = np.full((2, 50), np.nan)
    series[0, :4] = 1.0
    found = segment_series(series)
    assert found.readings.tolist() == [4, 0]
    assert np.isnan(found.noise).all()
    assert found.changes.sum() == 0
    assert found.level[0, 0] == pytest.approx(1.0)


def test_quantised_series_keep_their_noise_floor() -> None:
    """Readings that flip between two steps of 0.1 dB pass for changes in at most one series in ten."""
    rng = np.random.default_rng(5)
    series = np.round(rng.normal(-8.04, 0.03, (200, 300)), 1)
    assert (segment_series(series).changes > 0).mean() <= 0.10


def test_robust_slope_ignores_outliers() -> None:
    """The Theil-Sen slope of a straight line with wild weeks is the line's."""
    day = np.arange(280)
    series = (0.01 * day)[None, :] + np.random.default_rng(6).normal(0, 0.02, (1, 280))
    series[0, 50:60] += 5.0
    assert robust_slopes(series)[0] == pytest.approx(0.01, abs=0.0005)
    assert np.isnan(robust_slopes(np.full((1, 280), np.nan))[0])


def test_a_line_through_points_on_a_line_is_that_line() -> None:
    """Least squares through points of y = 2 + 3 x gives 2 and 3."""
    x = np.array([1.0, 2.0, 5.0])
    assert fit_line(x, 2 + 3 * x) == pytest.approx((2.0, 3.0))
