"""What particles, gaps and offsets cost in light: the optics of the invented fleet's mated pairs.

Gaussian fundamental mode of radius w (half the mode field diameter), opaque or translucent discs on either
face, the air gap that a hard particle holds open, and the offset that every remating draws anew. Compiled;
in come coordinates and sizes in micrometres, out goes loss in dB or reflectance in dB.
"""

from __future__ import annotations

import math

from numba import njit

MODE_RADIUS_1310_UM = 4.6  # mode field diameter 9.2 um at 1310 nm (ITU-T G.652/G.657: 8.6-9.2 um +- 0.4)
MULTIMODE_RADIUS_UM = 20.0  # our estimate of the filled spot of a 50 um core


@njit(cache=True)
def struck_fraction(diameter_um: float, distance_um: float, mode_radius_um: float) -> float:
    """Share of a Gaussian mode's power that strikes a disc whose centre lies off the axis.

    The power density is exp(-2 r^2 / w^2), so the share is the non-central chi-square distribution with two
    degrees of freedom, summed as its Poisson series; on the axis it is 1 - exp(-D^2 / (2 w^2)).

    Examples
    --------
    >>> round(struck_fraction(2.0, 0.0, 4.6), 5)
    0.09019
    """
    w2 = mode_radius_um * mode_radius_um
    half = 2.0 * distance_um * distance_um / w2
    a = diameter_um * diameter_um / (2.0 * w2)
    if half > 60.0 and distance_um > diameter_um:
        return 0.0
    weight = math.exp(-half)
    tail_term = math.exp(-a)
    tail = tail_term
    total = weight * (1.0 - tail)
    for j in range(1, 80):
        weight *= half / j
        tail_term *= a / j
        tail += tail_term
        step = weight * max(0.0, 1.0 - tail)
        total += step
        if step < 1e-9 and j > half:
            break
    return min(1.0, total)


@njit(cache=True)
def blocked_loss_db(fraction: float, multimode: bool) -> float:
    """Loss caused by a struck share: into the next single mode -20 log10(1 - f), multimode half of that.

    The clipped beam must overlap the next fibre's mode again, hence the square for single-mode fibre.

    Examples
    --------
    >>> round(blocked_loss_db(0.090193, False), 3)
    0.821
    """
    f = min(fraction, 0.985)
    loss = -10.0 * math.log10(1.0 - f)
    return loss if multimode else 2.0 * loss


@njit(cache=True)
def gap_loss_db(gap_um: float, ripple: float) -> float:
    """Loss of an air gap: two glass surfaces (0 to 0.62 dB by interference) and the mode spreading.

    `ripple` in [0, 1] stands for the phase of the interference. Spreading is 10 log10(1 + Z^2) with
    Z = lambda z / (2 pi w^2) at 1310 nm.
    """
    if gap_um <= 0.0:
        return 0.0
    z = 1.31 * gap_um / (2.0 * math.pi * MODE_RADIUS_1310_UM * MODE_RADIUS_1310_UM)
    opening = min(1.0, gap_um / 0.6)
    return opening * 0.62 * ripple + 10.0 * math.log10(1.0 + z * z)


@njit(cache=True)
def offset_loss_db(offset_um: float, mode_radius_um: float) -> float:
    """Loss of a lateral offset d between equal modes: 4.343 (d / w)^2 dB."""
    ratio = offset_um / mode_radius_um
    return 4.342944819 * ratio * ratio
