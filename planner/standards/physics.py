"""Coupling and reflection physics of fibre joints, as vectorised formulas.

Every function takes scalars or arrays that broadcast together and returns the same shape. Losses are
positive dB, reflectances negative dB, return losses positive dB.

Gaussian-mode formulas are those of Marcuse, "Loss analysis of single-mode fiber splices", Bell System
Technical Journal 56 (1977) 703-718 (formulas quoted from memory; the tests compare each with a numerical
overlap integral). `w` is the mode radius, half of the mode field diameter (MFD).

Two traps this module settles:

* the reflection of one glass-air surface is -14.7 dB at n = 1.45, which is 3.4 % and not 4 %;
* a fixed mark outside the core zone costs almost no light: the mode carries 4e-7 of its power beyond
  12.5 um. Such marks matter through air gaps, tilt and debris that moves inward.
"""

from __future__ import annotations

from typing import cast

import numpy as np
import numpy.typing as npt
from scipy.special import chndtr

from planner.errors import ParameterError

Floats = npt.NDArray[np.float64]
FloatLike = float | Floats

DB_PER_NEPER = 10.0 / np.log(10.0)
"""dB in one neper of power, 4.3429."""

SPEED_OF_LIGHT_M_PER_S = 299_792_458.0
"""Speed of light in vacuum, exact by the definition of the metre. [m/s]"""


def _array(value: FloatLike) -> Floats:
    return np.asarray(value, dtype=np.float64)


def _positive(value: FloatLike, name: str, unit: str) -> Floats:
    array = _array(value)
    if np.any(~(array > 0)):
        raise ParameterError(f"{name}: got {_worst(array, array.min())}, must be above 0 {unit}")
    return array


def _not_negative(value: FloatLike, name: str, unit: str) -> Floats:
    array = _array(value)
    if np.any(array < 0):
        raise ParameterError(f"{name}: got {_worst(array, array.min())}, must not be below 0 {unit}")
    return array


def _worst(array: Floats, value: np.float64) -> float:
    return float(value) if array.size else float("nan")


def _index(value: FloatLike, name: str) -> Floats:
    array = _array(value)
    if np.any(~(array >= 1)):
        raise ParameterError(f"{name}: got {_worst(array, array.min())}, must be a refractive index of 1 or more")
    return array


def _result(value: object) -> Floats:
    return cast(Floats, value)


# --- dB, percent, milliwatt ----------------------------------------------------------------------------


def loss_db_from_fraction_lost(fraction_lost: FloatLike) -> Floats:
    """Loss in dB when this fraction of the power is lost: -10 log10(1 - x). [dB]

    Raises
    ------
    ParameterError
        A fraction below 0 or above 1; 1 itself gives infinity.

    Examples
    --------
    >>> round(float(loss_db_from_fraction_lost(0.5)), 4)
    3.0103
    """
    fraction = _not_negative(fraction_lost, "fraction_lost", "(-)")
    if np.any(fraction > 1):
        raise ParameterError(f"fraction_lost: got {float(fraction.max())}, must not be above 1")
    with np.errstate(divide="ignore"):
        return _result(-10.0 * np.log10(1.0 - fraction) + 0.0)


def fraction_lost_from_loss_db(loss_db: FloatLike) -> Floats:
    """Fraction of the power that a loss takes: 1 - 10^(-x/10). [-]

    Examples
    --------
    >>> round(float(fraction_lost_from_loss_db(3.0)), 5)
    0.49881
    """
    return _result(1.0 - 10.0 ** (-_array(loss_db) / 10.0))


def mw_from_dbm(power_dbm: FloatLike) -> Floats:
    """Power in milliwatt. [mW]

    Examples
    --------
    >>> float(mw_from_dbm(-10.0))
    0.1
    """
    return _result(10.0 ** (_array(power_dbm) / 10.0))


def dbm_from_mw(power_mw: FloatLike) -> Floats:
    """Power in dBm; ParameterError unless above 0 mW. [dBm]

    Examples
    --------
    >>> float(dbm_from_mw(0.1))
    -10.0
    """
    return _result(10.0 * np.log10(_positive(power_mw, "power_mw", "mW")))


def diagnostic_count_db(power_dbm: FloatLike, count_uw: float = 0.1) -> Floats:
    """How many dB one count of a transceiver's power report is worth at this power. [dB]

    10 log10((c + 1) / c) with c the power in counts of `count_uw` (SFF-8472: 0.1 uW). Trends flatten into
    steps where this grows: 0.41 dB at -30 dBm.

    Examples
    --------
    >>> round(float(diagnostic_count_db(-30.0)), 3)
    0.414
    """
    counts = mw_from_dbm(power_dbm) * 1000.0 / count_uw
    return _result(10.0 * np.log10((counts + 1.0) / counts))


def reflectance_from_orl(orl_db: FloatLike) -> Floats:
    """Reflectance (negative dB) of a return loss (positive dB). [dB]"""
    return _result(-_array(orl_db))


def orl_from_reflectance(reflectance_db: FloatLike) -> Floats:
    """Return loss (positive dB) of a reflectance (negative dB). [dB]"""
    return _result(-_array(reflectance_db))


def total_return_loss_db(return_loss_db: FloatLike, loss_before_db: FloatLike = 0.0) -> Floats:
    """Return loss of several reflections seen together: -10 log10(sum 10^(-RL/10)). [dB]

    The sum runs over the last axis. Light reflected behind a loss passes that loss twice, so each
    reflection counts with `RL + 2 * loss_before`.

    Parameters
    ----------
    return_loss_db
        Return loss of each reflection, shape (..., n). [dB]
    loss_before_db
        One-way loss between the observer and each reflection, same shape or scalar. [dB]

    Examples
    --------
    >>> round(float(total_return_loss_db(np.array([45.0, 45.0, 55.0, 55.0]))), 3)
    41.576
    """
    effective = np.atleast_1d(_array(return_loss_db) + 2.0 * _array(loss_before_db))
    with np.errstate(divide="ignore"):
        return _result(-10.0 * np.log10(np.sum(10.0 ** (-effective / 10.0), axis=-1)))


# --- reflection ----------------------------------------------------------------------------------------


def fresnel_reflectance(index_fibre: FloatLike, index_gap: FloatLike = 1.0) -> Floats:
    """Fraction of the power that one glass-to-gap surface reflects at normal incidence. [-]

    R = ((n1 - n2) / (n1 + n2))^2. One surface only: a gap has two, and they interfere.

    Raises
    ------
    ParameterError
        An index below 1.

    Examples
    --------
    >>> round(100 * float(fresnel_reflectance(1.45)), 3)
    3.374
    """
    n1, n2 = _index(index_fibre, "index_fibre"), _index(index_gap, "index_gap")
    return _result(((n1 - n2) / (n1 + n2)) ** 2)


def fresnel_reflectance_db(index_fibre: FloatLike, index_gap: FloatLike = 1.0) -> Floats:
    """Reflectance of one glass-to-gap surface, negative; -inf where the indices are equal. [dB]

    Examples
    --------
    >>> round(float(fresnel_reflectance_db(1.444)), 2)
    -14.81
    """
    with np.errstate(divide="ignore"):
        return _result(10.0 * np.log10(fresnel_reflectance(index_fibre, index_gap)))


def air_gap_loss_db(index_fibre: FloatLike) -> Floats:
    """Mean loss of an air gap whose two surfaces do not interfere: -10 log10((1-R)/(1+R)). [dB]

    Examples
    --------
    >>> round(float(air_gap_loss_db(1.4682)), 4)
    0.3127
    """
    r = fresnel_reflectance(index_fibre)
    return _result(-10.0 * np.log10((1.0 - r) / (1.0 + r)))


def air_gap_largest_loss_db(index_fibre: FloatLike) -> Floats:
    """Largest loss of an air gap whose surfaces interfere: -20 log10((1-R)/(1+R)). [dB]

    The loss swings between 0 and this value with gap width and wavelength.

    Examples
    --------
    >>> round(float(air_gap_largest_loss_db(1.4682)), 4)
    0.6254
    """
    return _result(2.0 * air_gap_loss_db(index_fibre))


def air_gap_reflectance_db(index_fibre: FloatLike) -> Floats:
    """Mean reflectance of an air gap whose two surfaces do not interfere: 10 log10(2R/(1+R)). [dB]"""
    r = fresnel_reflectance(index_fibre)
    with np.errstate(divide="ignore"):
        return _result(10.0 * np.log10(2.0 * r / (1.0 + r)))


def air_gap_largest_reflectance_db(index_fibre: FloatLike) -> Floats:
    """Largest reflectance of an air gap whose surfaces interfere: 10 log10(4R/(1+R)^2). [dB]

    A separated pair can reflect more than a bare end.

    Examples
    --------
    >>> round(float(air_gap_largest_reflectance_db(1.4682)), 3)
    -8.725
    """
    r = fresnel_reflectance(index_fibre)
    with np.errstate(divide="ignore"):
        return _result(10.0 * np.log10(4.0 * r / (1.0 + r) ** 2))


def air_gap_transmission(index_fibre: FloatLike, gap_um: FloatLike, wavelength_nm: FloatLike) -> Floats:
    """Transmitted fraction of a plane air gap of this width, interference included. [-]

    Airy's formula for two equal surfaces: T = 1 / (1 + F sin^2(2 pi z / lambda)), F = 4R/(1-R)^2.
    """
    r = fresnel_reflectance(index_fibre)
    gap = _not_negative(gap_um, "gap_um", "um")
    wavelength_um = _positive(wavelength_nm, "wavelength_nm", "nm") / 1000.0
    coefficient = 4.0 * r / (1.0 - r) ** 2
    return _result(1.0 / (1.0 + coefficient * np.sin(2.0 * np.pi * gap / wavelength_um) ** 2))


# --- coupling of Gaussian modes ------------------------------------------------------------------------


def offset_loss_db(offset_um: FloatLike, mfd_um: FloatLike) -> Floats:
    """Loss of a lateral offset d between identical modes: 4.343 (d/w)^2. [dB]

    Examples
    --------
    >>> round(float(offset_loss_db(1.0, 9.2)), 4)
    0.2052
    """
    w = _positive(mfd_um, "mfd_um", "um") / 2.0
    return _result(DB_PER_NEPER * (_array(offset_um) / w) ** 2)


def offset_for_loss_um(loss_db: FloatLike, mfd_um: FloatLike) -> Floats:
    """Lateral offset that costs this loss, the inverse of `offset_loss_db`. [um]"""
    w = _positive(mfd_um, "mfd_um", "um") / 2.0
    return _result(w * np.sqrt(_not_negative(loss_db, "loss_db", "dB") / DB_PER_NEPER))


def tilt_loss_db(
    tilt_deg: FloatLike, mfd_um: FloatLike, wavelength_nm: FloatLike, index_medium: FloatLike = 1.0
) -> Floats:
    """Loss of a tilt t between identical modes in a medium of index n: 4.343 (pi n w t / lambda)^2. [dB]

    Examples
    --------
    >>> round(float(tilt_loss_db(1.0, 9.2, 1310.0)), 3)
    0.161
    """
    w = _positive(mfd_um, "mfd_um", "um") / 2.0
    wavelength_um = _positive(wavelength_nm, "wavelength_nm", "nm") / 1000.0
    n = _index(index_medium, "index_medium")
    return _result(DB_PER_NEPER * (np.pi * n * w * np.radians(_array(tilt_deg)) / wavelength_um) ** 2)


def gap_loss_db(
    gap_um: FloatLike, mfd_um: FloatLike, wavelength_nm: FloatLike, index_medium: FloatLike = 1.0
) -> Floats:
    """Loss of a longitudinal gap z without reflections: 10 log10(1 + Z^2), Z = lambda z / (2 pi n w^2). [dB]

    Examples
    --------
    >>> round(float(gap_loss_db(10.0, 9.2, 1310.0)), 3)
    0.042
    """
    w = _positive(mfd_um, "mfd_um", "um") / 2.0
    wavelength_um = _positive(wavelength_nm, "wavelength_nm", "nm") / 1000.0
    n = _index(index_medium, "index_medium")
    z = wavelength_um * _not_negative(gap_um, "gap_um", "um") / (2.0 * np.pi * n * w**2)
    return _result(10.0 * np.log10(1.0 + z**2))


def mode_mismatch_loss_db(mfd_a_um: FloatLike, mfd_b_um: FloatLike) -> Floats:
    """Loss between centred modes of different width: -20 log10(2 w1 w2 / (w1^2 + w2^2)). [dB]

    Examples
    --------
    >>> round(float(mode_mismatch_loss_db(9.2, 8.6)), 4)
    0.0197
    """
    a, b = _positive(mfd_a_um, "mfd_a_um", "um"), _positive(mfd_b_um, "mfd_b_um", "um")
    return _result(-20.0 * np.log10(2.0 * a * b / (a**2 + b**2)))


def mode_width_factor(mfd_from_um: FloatLike, mfd_to_um: FloatLike) -> Floats:
    """Factor by which an offset or particle loss changes with the mode's width: (w1/w2)^2. [-]

    Below 1 towards longer wavelengths, where the mode is wider: (9.2/10.4)^2 = 0.78 from 1310 to 1550 nm.
    A bend does the opposite (`bend_loss_db`).

    Examples
    --------
    >>> round(float(mode_width_factor(9.2, 10.4)), 3)
    0.783
    """
    return _result((_positive(mfd_from_um, "mfd_from_um", "um") / _positive(mfd_to_um, "mfd_to_um", "um")) ** 2)


# --- marks on the end face -----------------------------------------------------------------------------


def power_outside_radius(radius_um: FloatLike, mfd_um: FloatLike) -> Floats:
    """Fraction of a Gaussian mode's power beyond this radius: exp(-2 r^2 / w^2). [-]

    Examples
    --------
    >>> f"{float(power_outside_radius(12.5, 9.2)):.3e}"
    '3.856e-07'
    """
    w = _positive(mfd_um, "mfd_um", "um") / 2.0
    return _result(np.exp(-2.0 * _not_negative(radius_um, "radius_um", "um") ** 2 / w**2))


def power_on_disc(diameter_um: FloatLike, mfd_um: FloatLike, offset_um: FloatLike = 0.0) -> Floats:
    """Fraction of a Gaussian mode's power that strikes a disc, centred or off axis. [-]

    On the axis f = 1 - exp(-D^2 / (2 w^2)). Off axis it is the non-central chi-squared distribution with
    two degrees of freedom: the intensity is a two-dimensional normal density with standard deviation w/2.

    Parameters
    ----------
    diameter_um
        Disc diameter D. [um]
    mfd_um
        Mode field diameter. [um]
    offset_um
        Distance of the disc's centre from the axis. [um]

    Examples
    --------
    >>> round(100 * float(power_on_disc(1.0, 9.2)), 3), round(100 * float(power_on_disc(5.0, 9.2, 4.6)), 2)
    (2.335, 9.92)
    """
    sigma = _positive(mfd_um, "mfd_um", "um") / 4.0
    radius = _not_negative(diameter_um, "diameter_um", "um") / 2.0
    offset = np.abs(_array(offset_um))
    return _result(chndtr((radius / sigma) ** 2, 2.0, (offset / sigma) ** 2))


def disc_blocked_loss_db(diameter_um: FloatLike, mfd_um: FloatLike, offset_um: FloatLike = 0.0) -> Floats:
    """Loss of an opaque disc as a large detector behind it would see it: -10 log10(1 - f). [dB]

    Only the light that strikes the disc is missing. The next fibre loses twice as much: `disc_loss_db`.

    Examples
    --------
    >>> round(float(disc_blocked_loss_db(1.0, 9.2)), 4)
    0.1026
    """
    return loss_db_from_fraction_lost(power_on_disc(diameter_um, mfd_um, offset_um))


def disc_loss_db(diameter_um: FloatLike, mfd_um: FloatLike, offset_um: FloatLike = 0.0) -> Floats:
    """Loss of an opaque disc into the next fibre's mode: -20 log10(1 - f). [dB]

    Twice the blocked loss in dB, because the clipped beam must overlap the mode again. For a centred disc
    4.343 (D/w)^2, which equals the loss of a lateral offset of D.

    Examples
    --------
    >>> round(float(disc_loss_db(1.0, 9.2)), 4)
    0.2052
    """
    return _result(2.0 * disc_blocked_loss_db(diameter_um, mfd_um, offset_um))


# --- fibre ---------------------------------------------------------------------------------------------


def bend_loss_db(loss_db: FloatLike, from_nm: FloatLike, to_nm: FloatLike, growth_per_75_nm: FloatLike) -> Floats:
    """Loss of a bend at another wavelength, from its growth over 75 nm. [dB]

    loss * growth^((to - from) / 75): straight on a logarithmic scale, which is our approximation. The
    growth comes from the limits at 1550 and 1625 nm (75 nm apart): 2 to 4 by ITU-T G.657; see
    `planner.standards.lookup.Limits.bend_growth`.

    Examples
    --------
    >>> float(bend_loss_db(0.25, 1550.0, 1625.0, 4.0))
    1.0
    """
    growth = _positive(growth_per_75_nm, "growth_per_75_nm", "(-)")
    span = (_positive(to_nm, "to_nm", "nm") - _positive(from_nm, "from_nm", "nm")) / 75.0
    return _result(_array(loss_db) * growth**span)


def rayleigh_factor(from_nm: FloatLike, to_nm: FloatLike) -> Floats:
    """Factor by which scattering loss changes between wavelengths: (from/to)^4. [-]

    Good below about 1550 nm, where scattering rules; absorption adds at longer wavelengths.

    Examples
    --------
    >>> round(float(rayleigh_factor(1310.0, 1270.0)), 3)
    1.132
    """
    return _result((_positive(from_nm, "from_nm", "nm") / _positive(to_nm, "to_nm", "nm")) ** 4)


def backscatter_fraction(
    length_km: FloatLike, attenuation_db_per_km: FloatLike, backscatter_db_1ns: FloatLike, group_index: float
) -> Floats:
    """Fraction of continuous light that a stretch of fibre scatters back to its start. [-]

    The backscatter level of a 1 ns pulse (about -80 dB) belongs to c * 1 ns / (2 n) = 0.10 m of fibre;
    summing over the length with the loss there and back gives b (1 - exp(-2 a L)) / (2 a).

    Examples
    --------
    >>> float(round(-10 * np.log10(backscatter_fraction(50.0, 0.35, -80.0, 1.466)), 1))
    32.2
    """
    a = _not_negative(attenuation_db_per_km, "attenuation_db_per_km", "dB/km") / DB_PER_NEPER / 1000.0
    length_m = _not_negative(length_km, "length_km", "km") * 1000.0
    cell_m = SPEED_OF_LIGHT_M_PER_S * 1e-9 / (2.0 * group_index)
    per_m = 10.0 ** (_array(backscatter_db_1ns) / 10.0) / cell_m
    with np.errstate(divide="ignore", invalid="ignore"):
        reach_m = np.where(a > 0, -np.expm1(-2.0 * a * length_m) / (2.0 * a), length_m)
    return _result(per_m * reach_m)
