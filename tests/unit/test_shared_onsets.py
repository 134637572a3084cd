"""What circuits say together of a fault that they share: the compiled kernel against the sum written out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import logsumexp

from planner.health.change_evidence import template_statistics
from planner.health.fault_laws import RAMP_DAYS
from planner.health.shared_onsets import LONGEST_LAG_DAYS, LOWEST_WEIGHT, Onsets, lag_weights, weigh_together


def written_out(
    hit: np.ndarray, others_hit: np.ndarray, log_prior: np.ndarray, spared: float, without: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """The formula of `weigh_together` in logarithms; ratios of shape (sizes, shapes, days, circuits)."""
    either = np.logaddexp(np.log1p(-spared) + others_hit, np.log(spared) + without)
    days = hit.shape[2]
    joint, rest = [], []
    for own in range(hit.shape[3]):
        others = log_prior + np.delete(either, own, axis=3).sum(axis=3)
        rest.append(logsumexp(others) - np.log(days))
        joint.append(logsumexp(others + np.log1p(-spared) + hit[:, :, :, own]) - np.log(days))
    return np.array(joint), np.array(rest)


@pytest.mark.parametrize(("circuits", "strength", "seed"), [(2, 1.0, 1), (5, 20.0, 2), (40, 60.0, 3), (12, 80.0, 4)])
def test_sizes_shapes_and_onsets_are_summed(circuits: int, strength: float, seed: int) -> None:
    """Several sizes and shapes, from faint to overwhelming evidence, few circuits and more than a product can hold."""
    rng = np.random.default_rng(seed)
    sizes, shapes, days = 4, 3, 9
    weight = rng.uniform(1e-6, 1.0, (sizes, shapes, days, circuits)).astype(np.float32)
    onsets = Onsets(weight, strength * rng.normal(size=(sizes, shapes, circuits)))
    other = Onsets(
        rng.uniform(1e-6, 1.0, weight.shape).astype(np.float32), strength * rng.normal(size=onsets.top.shape)
    )
    without = strength * rng.normal(size=circuits)
    used = np.array([0, 2, 3])
    log_prior = rng.normal(-2.0, 1.5, (len(used), shapes, days))
    joint, rest = weigh_together(onsets, other, used, log_prior, 0.2, without)
    expected = written_out(onsets.log_ratio[used], other.log_ratio[used], log_prior, 0.2, without)
    assert joint == pytest.approx(expected[0], rel=1e-6, abs=1e-5)
    assert rest == pytest.approx(expected[1], rel=1e-6, abs=1e-5)


def test_ratios_by_size_are_those_of_the_statistics() -> None:
    """Each size's ratio is a s - b s^2 / 2, widened by the grid, averaged over days and the lags circuits may show."""
    rng = np.random.default_rng(5)
    days, step, sizes = 120, 2, np.array([0.2, 0.5, 1.0])
    loss = rng.normal(0.0, 0.05, (3, days)).astype(np.float32)
    loss[:, 61:] += 0.5
    a, b = template_statistics(loss, np.full(3, 0.05), np.zeros(3))
    onsets = Onsets.of_sizes(a, b, np.array([2, 0]), sizes, step)
    assert onsets.log_ratio.shape == (3, len(RAMP_DAYS), days // step, 2)
    lags = lag_weights(step)
    reach = len(lags) // 2
    assert reach == LONGEST_LAG_DAYS // step
    for column, case in enumerate((2, 0)):
        for shape in range(len(RAMP_DAYS)):
            of_a, of_b = (values[case, :, shape].astype(np.float64) for values in (a, b))
            for number, size in enumerate(sizes):
                with np.errstate(invalid="ignore", divide="ignore"):
                    best = of_a / of_b
                    wide = of_b / (1.0 + of_b * (0.2 * size) ** 2)
                    peak = 0.5 * best * of_a - 0.5 * (best - size) ** 2 * wide
                log_ratio = np.where((of_a > 0) & (of_b > 0), peak, of_a * size - 0.5 * size**2 * of_b)
                log_ratio = logsumexp(np.maximum(log_ratio, -60.0).reshape(-1, step), axis=1) - np.log(step)
                log_ratio = np.pad(log_ratio, reach, mode="edge")
                top = log_ratio.max()
                mean = np.convolve(np.exp(log_ratio - top), lags, mode="valid")
                expected = np.log(np.maximum(mean, LOWEST_WEIGHT)) + top
                assert onsets.log_ratio[number, shape, :, column] == pytest.approx(expected, abs=1e-4)
    # the step of half a decibel is found on its day, as a step and with its size
    best = np.unravel_index(onsets.log_ratio[:, :, :, 0].argmax(), onsets.log_ratio.shape[:3])
    assert best[0] == 1 and best[1] == 0 and abs(int(best[2]) * step - 60) <= step


def test_a_fault_that_no_other_circuit_shows_is_not_shared() -> None:
    """One circuit of twelve moved: with a bend that spares one in ten the eleven others speak against it, each."""
    days, circuits = 60, 12
    shown = np.full((circuits, days), -8.0)
    shown[0, 30] = 15.0
    onsets = Onsets.of_days(shown)
    without = np.zeros(circuits)
    joint, rest = weigh_together(onsets, onsets, np.zeros(1, np.int64), np.zeros((1, 1, days)), 0.1, without)
    assert joint[0] < 15.0 - 20.0 and rest[0] == pytest.approx(11 * np.log(0.1), abs=0.1)
    shown[:, 30] = 15.0
    onsets = Onsets.of_days(shown)
    joint, _ = weigh_together(onsets, onsets, np.zeros(1, np.int64), np.zeros((1, 1, days)), 0.1, without)
    assert (joint > 60.0).all()
