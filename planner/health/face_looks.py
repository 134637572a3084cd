"""What cleanings and looks at an end face say of when its dirt or damage began: what came before them is gone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.health.fault_laws import CODE

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

CLEANING_LEAVES = 0.25  # chance that a dirty face is still dirty after one cleaning; our estimate
PASS_DIRTY, PASS_DAMAGED = 0.15, 0.25  # chance ratio that such a face passes a look against a clean one
SEEN_BEFORE = 0.1  # weight of a touch as the onset of damage that was seen before it: only the new mating is news
# elements per key; days are kept well below this
KEY_SPAN = 1_000_000.0


@dataclass
class Looks:
    """Cleanings, passed looks and damage seen, by end face; ordered by element (of `Hypotheses.names`) and day."""

    clean_key: FloatArray
    pass_key: FloatArray
    damage_key: FloatArray


def looks_by_face(names: pd.Index, looks: pd.DataFrame) -> Looks:
    """Cleanings, passed inspections and those that found damage as sorted keys element x span + day."""
    element = names.get_indexer(pd.Index(looks["connector_id"]))
    key = element * KEY_SPAN + looks["day"].to_numpy(np.float64)
    known = element >= 0
    cleaning = (looks["what"] == "cleaning").to_numpy(np.bool_)
    passed = ~cleaning & ~looks["dirty"].to_numpy(np.bool_) & ~looks["damaged"].to_numpy(np.bool_)
    damaged = known & looks["damaged"].to_numpy(np.bool_)
    return Looks(*(np.sort(key[which]) for which in (known & cleaning, known & passed, damaged)))


def still_bad(looks: Looks, element: IntArray, day: FloatArray, cause: NDArray[np.integer]) -> FloatArray:
    """Chance factor that dirt (damage) of that day outlived the cleanings and passed looks since, and was new then."""
    key, end = element * KEY_SPAN + day, (element + 1) * KEY_SPAN - KEY_SPAN / 2

    def later(keys: FloatArray, start: FloatArray) -> IntArray:
        return np.asarray(np.searchsorted(keys, end) - np.searchsorted(keys, start), np.int64)

    cleanings = later(looks.clean_key, key - 1.0)
    passes = later(looks.pass_key, key + 0.5)
    dirt = CLEANING_LEAVES ** np.minimum(cleanings, 4) * PASS_DIRTY ** np.minimum(passes, 3)
    first = np.searchsorted(looks.damage_key, element * KEY_SPAN - KEY_SPAN / 2)
    seen_before = np.searchsorted(looks.damage_key, key - 1.0) > first
    damage = PASS_DAMAGED ** np.minimum(passes, 3) * np.where(seen_before, SEEN_BEFORE, 1.0)
    factor = np.where(cause == CODE["contamination"], dirt, np.where(cause == CODE["damaged_end_face"], damage, 1.0))
    return np.asarray(factor, np.float64)


def bad_from_the_start(looks: Looks, element: IntArray, cause: NDArray[np.integer]) -> FloatArray:
    """The same for dirt (damage) of before everything on record."""
    return still_bad(looks, element, np.full(len(element), -KEY_SPAN / 2), cause)
