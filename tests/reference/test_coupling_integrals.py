"""The closed coupling formulas against numerical overlap integrals of Gaussian beams."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import dblquad, quad
from scipy.stats import ncx2

from planner.standards import physics

W_UM = 4.6  # mode radius of a mode field diameter of 9.2 um


def mode(r2: float, w: float = W_UM) -> float:
    """Gaussian field of unit power per unit of the two-dimensional integral."""
    return float(np.sqrt(2.0 / np.pi) / w * np.exp(-r2 / w**2))


def overlap_db(product: object) -> float:
    """-10 log10 of the squared overlap integral over the plane."""
    edge = 6.0 * W_UM
    value, _ = dblquad(product, -edge, edge, -edge, edge, epsabs=1e-8, epsrel=1e-8)
    return float(-20.0 * np.log10(abs(value)))


@pytest.mark.parametrize("offset", [0.5, 1.0, 3.0])
def test_offset_loss_is_the_overlap_of_shifted_modes(offset: float) -> None:
    """4.343 (d/w)^2 equals the overlap integral of two modes a distance d apart."""
    expected = overlap_db(lambda y, x: mode(x**2 + y**2) * mode((x - offset) ** 2 + y**2))
    assert float(physics.offset_loss_db(offset, 9.2)) == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize("index", [1.0, 1.4677])
def test_tilt_loss_is_the_overlap_with_a_phase_ramp(index: float) -> None:
    """4.343 (pi n w t / lambda)^2 equals the overlap with the phase ramp 2 pi n x sin(t) / lambda."""
    slope = 2.0 * np.pi * index * np.sin(np.radians(1.0)) / 1.31
    expected = overlap_db(lambda y, x: mode(x**2 + y**2) ** 2 * np.cos(slope * x))
    assert float(physics.tilt_loss_db(1.0, 9.2, 1310.0, index)) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("other", [8.6, 10.4])
def test_mismatch_loss_is_the_overlap_of_unequal_modes(other: float) -> None:
    """-20 log10(2 w1 w2 / (w1^2 + w2^2)) equals the overlap of modes of different width."""
    expected = overlap_db(lambda y, x: mode(x**2 + y**2) * mode(x**2 + y**2, other / 2.0))
    assert float(physics.mode_mismatch_loss_db(9.2, other)) == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize("gap", [5.0, 20.0, 50.0])
def test_gap_loss_is_the_overlap_after_diffraction(gap: float) -> None:
    """10 log10(1 + Z^2) equals the overlap of a mode with itself after paraxial propagation over the gap."""
    rayleigh = np.pi * W_UM**2 / 1.31
    q0, q1 = 1j * rayleigh, gap + 1j * rayleigh
    k = 2.0 * np.pi / 1.31

    def field(r: float, q: complex) -> complex:
        return complex(q0 / q * np.exp(-1j * k * r**2 / (2.0 * q)))

    def part(r: float, which: str) -> float:
        value = field(r, q1) * np.conj(field(r, q0)) * r
        return float(value.real if which == "re" else value.imag)

    edge = 8.0 * W_UM
    real = quad(part, 0.0, edge, args=("re",), limit=200)[0]
    imaginary = quad(part, 0.0, edge, args=("im",), limit=200)[0]
    norm = quad(lambda r: abs(field(r, q0)) ** 2 * r, 0.0, edge)[0]
    expected = -20.0 * np.log10(abs(complex(real, imaginary)) / norm)
    assert float(physics.gap_loss_db(gap, 9.2, 1310.0)) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize(("diameter", "offset"), [(2.0, 0.0), (5.0, 4.6), (10.0, 9.2), (3.0, 12.5)])
def test_power_on_a_disc_is_the_integral_of_the_intensity(diameter: float, offset: float) -> None:
    """The closed form equals the integral of the Gaussian intensity over the disc."""
    radius = diameter / 2.0

    def half_height(x: float) -> float:
        return float(np.sqrt(max(radius**2 - (x - offset) ** 2, 0.0)))

    expected, _ = dblquad(
        lambda y, x: mode(x**2 + y**2) ** 2,
        offset - radius,
        offset + radius,
        lambda x: -half_height(x),
        half_height,
        epsabs=1e-10,
    )
    assert float(physics.power_on_disc(diameter, 9.2, offset)) == pytest.approx(expected, abs=1e-7)


def test_power_on_a_disc_is_a_non_central_chi_square() -> None:
    """scipy.stats.ncx2 gives the same fractions over a grid of sizes and places."""
    diameter, offset = np.meshgrid(np.linspace(0.1, 30.0, 12), np.linspace(0.0, 40.0, 12))
    sigma = W_UM / 2.0
    expected = ncx2.cdf((diameter / 2.0 / sigma) ** 2, 2, (offset / sigma) ** 2)
    np.testing.assert_allclose(physics.power_on_disc(diameter, 9.2, offset), expected, atol=1e-9)


@pytest.mark.parametrize(("diameter", "offset"), [(3.0, 0.0), (5.0, 2.3)])
def test_disc_loss_is_the_overlap_of_the_clipped_beam(diameter: float, offset: float) -> None:
    """-20 log10(1 - f) is the overlap of the mode with what the disc leaves of it."""

    step = 0.02
    axis = np.arange(-16.0, 16.0, step) + step / 2
    x, y = np.meshgrid(axis, axis)
    intensity = 2.0 / np.pi / W_UM**2 * np.exp(-2.0 * (x**2 + y**2) / W_UM**2)
    intensity[(x - offset) ** 2 + y**2 < (diameter / 2.0) ** 2] = 0.0
    left = intensity.sum() * step**2
    assert float(physics.disc_loss_db(diameter, 9.2, offset)) == pytest.approx(-20.0 * np.log10(left), abs=5e-3)


def test_air_gap_average_lies_between_the_extremes() -> None:
    """Averaged over one period of the interference the transmission equals (1-R)/(1+R), and its least is squared."""
    n = 1.4682
    gap = np.linspace(0.0, 0.655, 20_001)
    through = physics.air_gap_transmission(n, gap, 1310.0)
    assert -10.0 * np.log10(through.mean()) == pytest.approx(float(physics.air_gap_loss_db(n)), abs=1e-4)
    assert -10.0 * np.log10(through.min()) == pytest.approx(float(physics.air_gap_largest_loss_db(n)), abs=1e-6)
    assert through.max() == pytest.approx(1.0)
    reflected = 10.0 * np.log10(1.0 - through.min())
    assert reflected == pytest.approx(float(physics.air_gap_largest_reflectance_db(n)), abs=1e-6)


def test_backscatter_is_the_sum_over_the_fibre() -> None:
    """b (1 - exp(-2 a L)) / (2 a) equals adding up metre by metre."""
    metres = np.arange(20_000) + 0.5
    cell = 299_792_458.0 * 1e-9 / (2.0 * 1.466)
    part = 10.0 ** (-80.0 / 10.0) / cell * 10.0 ** (-2.0 * 0.35 * metres / 1000.0 / 10.0)
    assert float(physics.backscatter_fraction(20.0, 0.35, -80.0, 1.466)) == pytest.approx(part.sum(), rel=1e-6)
