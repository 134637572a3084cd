"""Change points against the `ruptures` library, and the whitened likelihood against full covariance."""

from __future__ import annotations

import numpy as np
import pytest
import ruptures
from scipy.stats import theilslopes

from planner.health.change_evidence import RAMP_SD_DB, CauseLaws, change_evidence, template_statistics
from planner.health.change_points import robust_slopes, segment_series
from planner.health.fault_laws import PATH_CAUSES, RAMP_DAYS, SIZES_DB, shape_law, size_law


def test_one_step_is_found_where_ruptures_finds_it() -> None:
    """On series with one clear step the scan and ruptures' binary segmentation agree to the day."""
    rng = np.random.default_rng(1)
    series = rng.normal(0, 0.1, (40, 180))
    series[:, 70:] += 0.6
    found = segment_series(series)
    for row in range(40):
        day = ruptures.Binseg(model="l2", min_size=3, jump=1).fit(series[row]).predict(n_bkps=1)[0]
        best = int(np.nan_to_num(np.abs(found.step[row])).argmax())
        assert abs(int(found.change_day[row, best]) - day) <= 1


def test_three_steps_are_found_where_ruptures_finds_them() -> None:
    """Told how many changes there are, ruptures' optimal search finds the same days."""
    rng = np.random.default_rng(2)
    for _ in range(10):
        days = np.sort(rng.choice(np.arange(30, 270, 40), 3, replace=False))
        series = rng.normal(0, 0.06, 300)
        for day, size in zip(days, (0.7, -0.5, 0.8), strict=True):
            series[day:] += size
        found = segment_series(series[None, :])
        expected = ruptures.Dynp(model="l2", min_size=3, jump=1).fit(series).predict(n_bkps=3)[:-1]
        assert found.changes[0] == 3
        assert np.abs(np.array(expected) - found.change_day[0, :3]).max() <= 1


def test_the_robust_slope_is_scipys() -> None:
    """The slope equals scipy's Theil-Sen slope of the weekly means."""
    rng = np.random.default_rng(3)
    series = rng.normal(0, 0.1, (5, 140)) + 0.004 * np.arange(140)
    weekly = series.reshape(5, 20, 7).mean(axis=2)
    expected = [theilslopes(row, np.arange(20) * 7.0)[0] for row in weekly]
    assert robust_slopes(series) == pytest.approx(expected, rel=1e-9)


def test_whitened_statistics_are_those_of_the_full_covariance() -> None:
    """a and b of a change equal generalised least squares with an AR(1) covariance and a free level."""
    rng = np.random.default_rng(4)
    noise, rho, days = 0.1, 0.6, 90
    series = rng.normal(0, noise, days).astype(np.float32)
    series[40:] += 0.4
    a, b = template_statistics(series[None, :], np.array([noise]), np.array([rho]))
    covariance = noise**2 * rho ** np.abs(np.arange(days)[:, None] - np.arange(days)[None, :])
    precision = np.linalg.inv(covariance)
    ones = np.ones(days)
    centred = precision - np.outer(precision @ ones, precision @ ones) / (ones @ precision @ ones)
    day = np.arange(days)

    def exact(onset: int, ramp: int) -> tuple[float, float]:
        u = (day >= onset).astype(float)
        if ramp:
            u = np.clip((day - onset) / ramp, 0, 1) / min(max((days - onset) / ramp, 0.25), 1.0)
        return float(u @ centred @ series), float(u @ centred @ u)

    for g, ramp in enumerate(RAMP_DAYS):
        for onset in (10, 40, 60):
            exact_a, exact_b = exact(onset, ramp)
            middle = onset + min(ramp, days - onset) // 2
            soft = 1 + RAMP_SD_DB[g] ** 2 * exact(middle, 0)[1]
            assert a[0, onset, g] == pytest.approx(exact_a / soft, rel=0.01, abs=0.5)
            assert b[0, onset, g] == pytest.approx(exact_b / soft, rel=0.01, abs=0.5)


def test_evidence_is_the_sum_over_sizes_and_shapes() -> None:
    """The compiled evidence equals the plain sum of exp(a s - b s^2 / 2) under the laws of each cause."""
    rng = np.random.default_rng(5)
    b = rng.uniform(5, 60, (3, 12, len(RAMP_DAYS))).astype(np.float32)
    a = (b * rng.normal(0.3, 0.3, b.shape)).astype(np.float32)
    exponent = a[..., None] * SIZES_DB - 0.5 * b[..., None] * SIZES_DB**2
    sizes = np.stack([size_law(cause) for cause in PATH_CAUSES])
    shapes = np.stack([shape_law(cause) for cause in PATH_CAUSES])
    plain = np.log(np.einsum("kdgs,cs,cg->kdc", np.exp(exponent), sizes, shapes))
    got = change_evidence(a, b, CauseLaws(PATH_CAUSES))
    # what is a thousand times less likely than another cause of the same day is only bounded
    likely = plain > plain.max(axis=2, keepdims=True) - 7
    assert likely.mean() > 0.5
    assert np.abs(got - plain)[likely].max() < 0.02
