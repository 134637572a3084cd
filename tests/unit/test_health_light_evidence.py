"""What light lost on a circuit says of its end faces."""

from __future__ import annotations

import numpy as np
import pytest

from planner.health.light_evidence import CircuitLight, LightEvidence, remating_offset_db, touched_on, weigh

FACES = 6


def series_only(excess: np.ndarray, sd: float, onset: int = -1, touches: float = 0.0) -> CircuitLight:
    """Circuits with a year of light and no as-built test."""
    n = len(excess)
    alike = (np.full(n, value) for value in (touches, 400.0, np.nan, np.nan))
    return CircuitLight(excess, np.full(n, sd), np.full(n, onset), *alike)


def weighed(excess: float, touched: int = -1, onset: int = 100) -> LightEvidence:
    """One circuit over six alike end faces; `touched` is the one touched on the day its loss began."""
    light = series_only(np.array([excess]), 0.05, onset if touched >= 0 else -1)
    state = np.tile([0.88, 0.11, 0.009, 0.001], (FACES, 1))
    circuit, face = np.zeros(FACES, np.int64), np.arange(FACES)
    return weigh(state, circuit, face, light, face == touched, np.full(FACES, 3))


def test_a_large_loss_makes_its_end_faces_suspect_and_none_makes_them_less() -> None:
    """Half a dB of new loss raises P(costs light) of every end face; a quiet circuit lowers it."""
    loud, quiet = weighed(0.5), weighed(0.0)
    assert (loud.costs > 0.08).all()
    assert (quiet.costs < 0.02).all()


def test_the_end_face_touched_that_day_is_blamed() -> None:
    """The one end face touched on the day the loss began is the probable cause."""
    found = weighed(0.5, touched=2)
    assert found.costs[2] > 0.6
    assert found.costs[2] > 5 * np.delete(found.costs, 2).max()


def test_unmeasured_end_faces_learn_nothing() -> None:
    """Without a measured circuit the likelihood is 1 for every state and the size unknown."""
    empty = np.empty(0, np.int64)
    nothing = series_only(np.empty(0), 0.05)
    found = weigh(np.tile([0.9, 0.1, 0, 0], (3, 1)), empty, empty, nothing, np.empty(0, np.bool_), empty)
    assert (found.likelihood == 1.0).all()
    assert np.isnan(found.size_db).all()


def test_a_loss_on_every_circuit_points_to_the_shared_end_face() -> None:
    """Three circuits lost light and share one end face: that one is the cause, not three others."""
    circuit = np.repeat([0, 1, 2], 3)
    face = np.array([0, 1, 2, 0, 3, 4, 0, 5, 6])
    light = series_only(np.full(3, 0.5), 0.05)
    state = np.tile([0.88, 0.11, 0.009, 0.001], (7, 1))
    found = weigh(state, circuit, face, light, np.zeros(9, np.bool_), np.full(9, 3))
    assert found.costs[0] > 0.5 > found.costs[1:].max()


def test_the_offset_of_a_remating_is_learned_from_touched_circuits() -> None:
    """From 2 000 circuits touched once that scatter by .15 dB the offset comes back within .02 dB."""
    rng = np.random.default_rng(3)
    light = series_only(rng.normal(0, 0.15, 2000), 0.01, touches=1.0)
    assert remating_offset_db(light) == pytest.approx(0.15, abs=0.02)


def test_touched_on_allows_a_day_either_side() -> None:
    """A touch on the day before counts, one two days before does not; all touched days are counted."""
    touched, days = touched_on(np.array([7, 7, 8]), np.array([10, 12, 10]), np.array([7, 7, 9]), np.array([9, 40, 10]))
    assert touched.tolist() == [True, False, False]
    assert days.tolist() == [2, 2, 0]
