"""The optics of the simulator: discs, gaps and offsets against closed forms and numerical integrals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import i0e

from planner.synthetic.light import blocked_loss_db, gap_loss_db, offset_loss_db, struck_fraction


def integrated_share(diameter_um: float, distance_um: float, mode_radius_um: float) -> float:
    """Power of the Gaussian mode inside an off-axis disc, by integrating rings around the disc's centre."""
    w2 = mode_radius_um**2

    def ring(r: float) -> float:
        x = 4.0 * r * distance_um / w2
        return 4.0 * r / w2 * math.exp(-2.0 * (r - distance_um) ** 2 / w2) * float(i0e(x))

    return float(quad(ring, 0.0, diameter_um / 2.0, epsabs=1e-12)[0])


@pytest.mark.parametrize(
    ("disc_um", "share"), [(1.0, 0.02335), (2.0, 0.09019), (3.0, 0.19157), (5.0, 0.44608), (9.0, 0.85251)]
)
def test_centred_disc_strikes_the_closed_form_share(disc_um: float, share: float) -> None:
    """On the axis the share is 1 - exp(-D^2 / (2 w^2)), worked out by hand for a mode of 9.2 um."""
    assert struck_fraction(disc_um, 0.0, 4.6) == pytest.approx(share, abs=1e-5)
    assert share == pytest.approx(1 - math.exp(-(disc_um**2) / (2 * 4.6**2)), abs=1e-5)


@pytest.mark.parametrize("disc_um", [1.0, 2.0, 5.0, 10.0, 30.0])
@pytest.mark.parametrize("distance_um", [0.5, 2.3, 4.6, 9.2, 12.5, 20.0])
def test_disc_off_the_axis_agrees_with_numerical_integration(disc_um: float, distance_um: float) -> None:
    """The Poisson series gives the same share as integrating the Gaussian over the disc (scipy)."""
    expected = integrated_share(disc_um, distance_um, 4.6)
    assert struck_fraction(disc_um, distance_um, 4.6) == pytest.approx(expected, abs=2e-6)


def test_loss_into_the_next_mode_equals_that_of_an_offset_by_the_disc() -> None:
    """A centred opaque disc of diameter D costs as much as a lateral offset of D: 4.343 (D / w)^2 dB."""
    for disc in (0.5, 1.0, 2.0, 3.0):
        loss = blocked_loss_db(struck_fraction(disc, 0.0, 4.6), False)
        assert loss == pytest.approx(offset_loss_db(disc, 4.6), rel=1e-6)
        assert loss == pytest.approx(4.342945 * (disc / 4.6) ** 2, rel=1e-6)


def test_blocked_light_alone_costs_half_in_decibels() -> None:
    """What only blocks light, as over a multimode core, loses half the decibels of what must re-enter a mode."""
    assert blocked_loss_db(0.5, True) == pytest.approx(3.0103, abs=1e-4)
    assert blocked_loss_db(0.5, False) == pytest.approx(6.0206, abs=1e-4)


def test_dirt_beyond_the_core_zone_costs_nothing_by_shading() -> None:
    """A 5 um speck 12.5 um off the axis strikes less than a millionth of the light."""
    assert struck_fraction(5.0, 12.5, 4.6) < 5e-6


def test_air_gap_costs_up_to_two_coherent_surfaces() -> None:
    """No gap, no loss; a small open gap costs between 0 and 0.62 dB by its phase, and long gaps spread light."""
    assert gap_loss_db(0.0, 1.0) == 0.0
    assert gap_loss_db(1.0, 1.0) == pytest.approx(0.62, abs=0.01)
    losses = [gap_loss_db(z, 0.0) for z in (10.0, 30.0, 100.0)]
    assert np.all(np.diff(losses) > 0)
    assert losses[0] == pytest.approx(10 * math.log10(1 + (1.31 * 10 / (2 * math.pi * 4.6**2)) ** 2), abs=1e-9)
