"""How much of the dirt costs light that can be seen, from what removing it won.

Where a joint was opened, found dirty and cleaned, the loss falls by what the dirt had cost; where it was looked at
and nothing was found, it moves by the new mating alone. Setting the one beside the other tells the share of dirt
that costs light in this fleet, which faults that are seen cannot tell: most dirt costs nothing, and how much of the
rest was there before the first reading nobody has seen.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.health.fault_laws import COSTS_LIGHT, SIZES_DB, SMALLEST_FAULT_DB, size_law

FloatArray = NDArray[np.float64]

FEWEST_FOUND = 40  # touches with dirt found and removed, and with nothing found, below which nothing is learned
# Of the end faces found dirty and cleaned: dirty before the joint was opened, and clean when it was closed. The rest
# got their dirt in the opening, were found dirty by mistake, or stayed dirty. Our estimate.
REMOVED = 0.45
SHARES = np.geomspace(0.02, 0.8, 75)  # that are considered
SHARE_SPREAD = 0.7  # of the logarithm of the share about the usual one, beforehand. Our estimate.


def found_at_touches(looks: pd.DataFrame, faces: pd.DataFrame) -> pd.DataFrame:
    """What looks and cleanings of a circuit's end faces came to, day by day.

    Parameters
    ----------
    looks
        Cleanings and inspections: element, day (whole), what, dirty, damaged, suspected.
    faces
        circuit, element, joint: the end faces of each circuit.

    Returns
    -------
    circuit, day, cleaned (dirt was found and the joint cleaned), clean (looked at, nothing found, nothing cleaned).
    Days with work on suspicion are left out: what is known to cost light is cleaned for it. So are days with looks
    at several joints of a circuit, of which the loss tells the sum. What technicians choose to look at otherwise
    (a joint that looked dirty before, one they happen to work on) is left as it is.
    """
    rows = looks.merge(faces, on="element")
    inspection = rows["what"] == "inspection"
    rows = rows.assign(looked=inspection, worked=~inspection, bad=rows["dirty"] | rows["damaged"])
    kinds = ["looked", "worked", "dirty", "bad", "suspected"]
    joints = rows.groupby(["circuit", "day", "joint"], as_index=False)[kinds].any()
    days = joints[~joints.duplicated(["circuit", "day"], keep=False) & ~joints["suspected"]]
    result: pd.DataFrame = days[["circuit", "day"]].assign(
        cleaned=days["dirty"] & days["worked"], clean=days["looked"] & ~days["bad"] & ~days["worked"]
    )
    return result


def costing_share(fall_db: FloatArray, cleaned: NDArray[np.bool_], clean: NDArray[np.bool_]) -> float | None:
    """Share of dirt that costs light that can be seen; None where too little was found to tell.

    Parameters
    ----------
    fall_db
        By how much the loss fell at each touch.
    cleaned, clean
        As of `found_at_touches`, by touch.

    Returns
    -------
    Geometric mean over what is probable: log-normal about the usual share beforehand, and the share of falls where
    dirt was removed, against that of new matings alone, as good as so few touches tell.

    Examples
    --------
    >>> fall = np.concatenate([np.full(50, 0.4), np.zeros(250)])
    >>> cleaned = np.arange(300) < 200
    >>> 0.4 < costing_share(fall, cleaned, ~cleaned) < 0.6
    True
    """
    if cleaned.sum() < FEWEST_FOUND or clean.sum() < FEWEST_FOUND:
        return None
    by_mating = np.sort(fall_db[clean])
    law = size_law("contamination")
    # chance that dirt of each size shows as a fall when it goes, whatever the new mating does
    shows = 1.0 - np.searchsorted(by_mating, SMALLEST_FAULT_DB - SIZES_DB, side="right") / len(by_mating)
    usual, usual_variance = _share(by_mating > SMALLEST_FAULT_DB)
    fell, fell_variance = _share(fall_db[cleaned] > SMALLEST_FAULT_DB)
    more = SHARES * REMOVED * max(float(shows @ law) - usual, 0.1)
    log_share = np.log(SHARES)
    log_weight = -0.5 * ((log_share - np.log(COSTS_LIGHT["contamination"])) / SHARE_SPREAD) ** 2
    log_weight -= 0.5 * (fell - usual - more) ** 2 / (fell_variance + usual_variance)
    weight = np.exp(log_weight - log_weight.max())
    return float(np.exp(weight @ log_share / weight.sum()))


def _share(happened: NDArray[np.bool_]) -> tuple[float, float]:
    """Share of times something happened, and its variance, never quite zero."""
    count, times = int(happened.sum()), len(happened)
    smooth = (count + 1) / (times + 2)
    return count / times, smooth * (1.0 - smooth) / times
