"""Joint physics: shapes, refusals and round trips; the printed numbers are checked elsewhere."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner.errors import ParameterError
from planner.standards import physics

losses = st.floats(0.0, 60.0)


@given(losses)
def test_decibel_and_fraction_undo_each_other(loss_db: float) -> None:
    """dB -> fraction lost -> dB is the identity."""
    fraction = physics.fraction_lost_from_loss_db(loss_db)
    assert float(physics.loss_db_from_fraction_lost(fraction)) == pytest.approx(loss_db, abs=1e-6)


@given(st.floats(-60.0, 30.0))
def test_dbm_and_milliwatt_undo_each_other(power_dbm: float) -> None:
    """dBm -> mW -> dBm is the identity."""
    assert float(physics.dbm_from_mw(physics.mw_from_dbm(power_dbm))) == pytest.approx(power_dbm, abs=1e-9)


@given(st.floats(0.1, 20.0), st.floats(0.0, 30.0))
def test_into_the_mode_is_twice_the_blocked_loss(diameter: float, offset: float) -> None:
    """A disc costs the next fibre twice the dB that a large detector would miss."""
    blocked = float(physics.disc_blocked_loss_db(diameter, 9.2, offset))
    assert float(physics.disc_loss_db(diameter, 9.2, offset)) == pytest.approx(2 * blocked)


@given(losses)
def test_offset_and_its_loss_undo_each_other(loss_db: float) -> None:
    """Offset for a loss, and the loss of that offset."""
    offset = physics.offset_for_loss_um(loss_db, 9.2)
    assert float(physics.offset_loss_db(offset, 9.2)) == pytest.approx(loss_db, abs=1e-9)


def test_arrays_broadcast() -> None:
    """Functions work element by element on arrays that fit together."""
    offsets, widths = np.array([[0.5], [1.0]]), np.array([9.2, 10.4, 8.6])
    assert physics.offset_loss_db(offsets, widths).shape == (2, 3)
    assert physics.power_on_disc(offsets, widths, 1.0).shape == (2, 3)
    assert physics.total_return_loss_db(np.full((4, 3), 50.0), 1.0).shape == (4,)


def test_reflection_behind_a_loss_counts_twice() -> None:
    """A 45 dB reflection behind 3 dB of loss returns 51 dB."""
    assert float(physics.total_return_loss_db(np.array([45.0]), np.array([3.0]))) == pytest.approx(51.0)


def test_equal_indices_reflect_nothing() -> None:
    """Without an index step the reflectance is minus infinity and a fraction of 0."""
    assert physics.fresnel_reflectance_db(1.45, 1.45) == -np.inf
    assert physics.loss_db_from_fraction_lost(0.0) == 0.0
    assert physics.loss_db_from_fraction_lost(1.0) == np.inf


def test_signs_are_named() -> None:
    """Reflectance is negative and return loss positive, and the two functions turn one into the other."""
    assert physics.reflectance_from_orl(45.0) == -45.0
    assert physics.orl_from_reflectance(-45.0) == 45.0


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: physics.fresnel_reflectance(0.9), "index_fibre: got 0.9, must be a refractive index of 1 or more"),
        (lambda: physics.loss_db_from_fraction_lost(1.2), "fraction_lost: got 1.2, must not be above 1"),
        (lambda: physics.loss_db_from_fraction_lost(-0.1), "fraction_lost: got -0.1, must not be below 0"),
        (lambda: physics.dbm_from_mw(0.0), "power_mw: got 0.0, must be above 0 mW"),
        (lambda: physics.offset_loss_db(1.0, 0.0), "mfd_um: got 0.0, must be above 0 um"),
        (lambda: physics.gap_loss_db(-1.0, 9.2, 1310.0), "gap_um: got -1.0, must not be below 0 um"),
        (lambda: physics.bend_loss_db(0.1, 1310.0, 1550.0, 0.0), "growth_per_75_nm: got 0.0, must be above 0"),
        (lambda: physics.backscatter_fraction(-1.0, 0.3, -80.0, 1.466), "length_km: got -1.0, must not be below 0 km"),
    ],
)
def test_values_that_cannot_be_meant_are_refused(call: object, message: str) -> None:
    """A value outside what the formula is for is refused with name, value and what it must be."""
    with pytest.raises(ParameterError) as caught:
        call()  # type: ignore[operator]
    assert str(caught.value).startswith(message)
