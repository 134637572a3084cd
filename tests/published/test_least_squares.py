"""Least squares against NIST's certified values.

Source: NIST Statistical Reference Datasets, linear least squares, dataset Norris (calibration of ozone
monitors, 36 observations, y = B0 + B1 x): certified B0 = -0.262323073774029, B1 = 1.00211681802045. Data and
values from memory; the certified coefficients follow from these data to all printed digits, which a wrong
observation would spoil.
"""

from __future__ import annotations

import numpy as np
import pytest

from planner.health.change_points import fit_line

NORRIS = """
0.1 0.2  338.8 337.4  118.1 118.2  888.0 884.6  9.2 10.1  228.1 226.5  668.5 666.3  998.5 996.3  449.1 448.6
778.9 777.0  559.2 558.2  0.3 0.4  0.1 0.6  778.1 775.5  668.8 666.9  339.3 338.0  448.9 447.5  10.8 11.6
557.7 556.0  228.3 228.1  998.0 995.8  888.8 887.6  119.6 120.2  0.3 0.3  0.6 0.3  557.6 556.8  339.3 339.1
888.0 887.2  998.5 999.0  778.9 779.0  10.2 11.1  117.6 118.3  228.9 229.2  668.4 669.1  449.2 448.9  0.2 0.5
"""


def test_norris() -> None:
    """Intercept and slope of Norris agree with the certified values to twelve digits."""
    values = np.array(NORRIS.split(), dtype=np.float64).reshape(-1, 2)
    assert len(values) == 36
    y, x = values[:, 0], values[:, 1]
    intercept, slope = fit_line(x, y)
    assert slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert intercept == pytest.approx(-0.262323073774029, rel=1e-10)
