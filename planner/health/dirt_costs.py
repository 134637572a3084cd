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
PRIOR_TOUCHES = 100.0  # weight of the usual share
# Of the end faces found dirty and cleaned: dirty before the joint was opened, and clean when it was closed. The rest
# got their dirt in the opening, were found dirty by mistake, or stayed dirty. Our estimate.
REMOVED = 0.45
LIMITS = (0.02, 0.8)


def found_at_touches(looks: pd.DataFrame, faces: pd.DataFrame) -> pd.DataFrame:
    """What looks and cleanings of a circuit's end faces came to, day by day.

    Parameters
    ----------
    looks
        Cleanings and inspections: element, day (whole), what, dirty, damaged, suspected.
    faces
        circuit, element: the end faces of each circuit.

    Returns
    -------
    circuit, day, cleaned (dirt was found and the joint cleaned), clean (looked at, nothing found). Days with work on
    suspicion are left out: what is known to cost light is cleaned for it.
    """
    rows = looks.merge(faces, on="element")
    inspection = rows["what"] == "inspection"
    rows = rows.assign(looked=inspection, worked=~inspection, bad=rows["dirty"] | rows["damaged"])
    days = rows.groupby(["circuit", "day"], as_index=False)[["looked", "worked", "dirty", "bad", "suspected"]].any()
    days = days[~days["suspected"]]
    result: pd.DataFrame = days[["circuit", "day"]].assign(
        cleaned=days["dirty"] & days["worked"], clean=days["looked"] & ~days["bad"]
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
    Drawn towards the usual share by `PRIOR_TOUCHES`.

    Examples
    --------
    >>> fall = np.concatenate([np.full(50, 0.4), np.zeros(250)])
    >>> cleaned = np.arange(300) < 200
    >>> 0.3 < costing_share(fall, cleaned, ~cleaned) < 0.6
    True
    """
    if cleaned.sum() < FEWEST_FOUND or clean.sum() < FEWEST_FOUND:
        return None
    by_mating = np.sort(fall_db[clean])
    law = size_law("contamination")
    # chance that dirt of each size shows as a fall when it goes, whatever the new mating does
    shows = 1.0 - np.searchsorted(by_mating, SMALLEST_FAULT_DB - SIZES_DB, side="right") / len(by_mating)
    usual = float((by_mating > SMALLEST_FAULT_DB).mean())
    fell = float((fall_db[cleaned] > SMALLEST_FAULT_DB).mean())
    share = (fell - usual) / max(float(shows @ law) - usual, 0.1) / REMOVED
    weight = cleaned.sum() / (cleaned.sum() + PRIOR_TOUCHES)
    return float(np.clip(weight * share + (1.0 - weight) * COSTS_LIGHT["contamination"], *LIMITS))
