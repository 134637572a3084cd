"""How much a new mating moves the loss: learned from level shifts at touches, noise and dirt left aside."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from planner.health.offset_law import (
    FEWEST_TOUCHES,
    OFFSET_FREEDOM,
    OFFSET_SCALE_DB,
    STUDENT_MEDIAN,
    learned_offset_scale,
    level_shifts,
    offset_density,
)

CIRCUITS, DAYS = 400, 240


def touched_fleet(
    scale_db: float, dirt_share: float = 0.0, noise_db: float = 0.05
) -> tuple[NDArray[np.float64], NDArray[np.int16]]:
    """Losses of circuits with a touch every 40 days; some touches add dirt of 0.3 to 1 dB, the next takes it away."""
    rng = np.random.default_rng(5)
    loss = rng.normal(3.0, noise_db, (CIRCUITS, DAYS))
    opened = np.zeros((CIRCUITS, DAYS), np.int16)
    dirt = np.zeros(CIRCUITS)
    for day in range(30, DAYS, 40):
        fresh = np.where(rng.random(CIRCUITS) < dirt_share, rng.uniform(0.3, 1.0, CIRCUITS), 0.0)
        loss[:, day:] += (scale_db * rng.standard_t(OFFSET_FREEDOM, CIRCUITS) + fresh - dirt)[:, None]
        dirt = fresh
        opened[:, day] = 1
    return loss, opened


@pytest.mark.parametrize("scale_db", [0.04, 0.1, 0.2])
def test_the_scale_is_found_again(scale_db: float) -> None:
    """The scale that the touches were drawn with comes back within an eighth, whatever the readings' noise."""
    assert learned_offset_scale(level_shifts(*touched_fleet(scale_db))) == pytest.approx(scale_db, rel=0.125)


def test_dirt_that_is_cleaned_away_moves_it_little() -> None:
    """One touch in seven that brings dirt of half a dB, and its removal, moves the scale by less than a half."""
    assert 0.1 < learned_offset_scale(level_shifts(*touched_fleet(0.1, dirt_share=0.14))) < 0.15


def test_without_touches_the_default_stands() -> None:
    """Too few improvements at touches leave the default, so do no readings at all."""
    shifts = level_shifts(*touched_fleet(0.2))
    few = replace(shifts, at_touch_db=shifts.at_touch_db[: FEWEST_TOUCHES // 2])
    assert learned_offset_scale(few) == OFFSET_SCALE_DB
    nothing = level_shifts(np.zeros((0, DAYS)), np.zeros((0, DAYS), np.int16))
    assert learned_offset_scale(nothing) == OFFSET_SCALE_DB


def test_days_with_several_joints_or_other_touches_near_do_not_count() -> None:
    """Two joints on one day, two touches in a week, and windows without readings give no shift."""
    loss, opened = touched_fleet(0.1)
    opened[:, 30] = 2
    opened[:, 75] = 1
    loss[:, 100:110] = np.nan
    at_touch = level_shifts(loss, opened).at_touch_db
    assert len(at_touch) == CIRCUITS * 3


def test_the_law_is_the_density_of_a_student_t() -> None:
    """Against scipy: the same shape, and the median that the estimate divides by."""
    stats = pytest.importorskip("scipy.stats")
    sizes = np.array([0.0, 0.1, 0.3, 1.0])
    expected = stats.t(OFFSET_FREEDOM).pdf(sizes / 0.1) / stats.t(OFFSET_FREEDOM).pdf(0.0)
    np.testing.assert_allclose(offset_density(sizes, 0.1), expected, rtol=1e-12)
    assert stats.t(OFFSET_FREEDOM).ppf(0.75) == pytest.approx(STUDENT_MEDIAN, abs=1e-5)
