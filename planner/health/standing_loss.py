"""Loss that stood on a circuit before its readings began: the first readings against the as-built test.

Dirt that was there from the first reading moves no series. Launched less received power is the loss of the
path, and the acceptance test says what it was as built. How well the two agree (meters are biased, tests hide
ends, fibre loses differently at another wavelength) is learned from the fleet itself, for each pair of
wavelengths. Where they agree poorly the comparison says little, and says so by its spread.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.health.robust_line import robust_line

FloatArray = NDArray[np.float64]

FEWEST_CIRCUITS = 30  # from which a group's line and spread are learned; fewer are not compared
LEAST_SPREAD_DB = 0.05
FALLEN_SD = 3.0  # a later level this much lower shows that what stood at first is gone
COLOUR_SD = 0.5  # share of the loss between the tested wavelengths that the read one loses more or less, beforehand


def standing_loss(levels: pd.DataFrame) -> pd.DataFrame:
    """What each circuit loses above its as-built test since before its readings began.

    Parameters
    ----------
    levels
        One row per read direction of a circuit with an older acceptance test: circuit_id, wavelength_nm,
        tested_nm, reference_cords, built_db, colour_db (loss at the shortest tested wavelength less that at the
        longest; NaN if tested at one), first_db and latest_db (launched less received power), noise_db.

    Returns
    -------
    Columns circuit_id, standing_db, sd_db; one row per circuit that can be compared, ordered by id. The mean
    of its directions. `sd_db` is how far the circuits of its group scatter, not a measurement error alone.
    """
    rows = levels.dropna(subset=["built_db", "first_db"])
    standing, spread = np.full(len(rows), np.nan), np.full(len(rows), np.nan)
    first = (rows["first_db"] - rows["built_db"]).to_numpy(np.float64)
    latest = (rows["latest_db"] - rows["built_db"]).to_numpy(np.float64)
    noise = rows["noise_db"].fillna(LEAST_SPREAD_DB).to_numpy(np.float64)
    now = np.where(latest < first - FALLEN_SD * noise, latest, first)
    colour = rows["colour_db"].fillna(0.0).to_numpy(np.float64)
    circuit = rows["circuit_id"].to_numpy(object)
    # circuits tested at one wavelength tell nothing of the colour: they are a group of their own
    keys = [rows["wavelength_nm"], rows["tested_nm"], rows["reference_cords"].fillna(0), rows["colour_db"].isna()]
    for member in rows.groupby(keys).indices.values():
        if len(set(circuit[member])) >= FEWEST_CIRCUITS:
            line, scatter, own = robust_line(colour[member], first[member], COLOUR_SD)
            standing[member], spread[member] = now[member] - line, np.hypot(max(scatter, LEAST_SPREAD_DB), own)
    found = pd.DataFrame({"circuit_id": rows["circuit_id"].to_numpy(), "standing_db": standing, "sd_db": spread})
    return found.dropna().groupby("circuit_id", as_index=False, sort=True).mean()
