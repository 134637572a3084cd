"""Travel times and roads between sites: the given table, else the great circle times a published factor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from planner.routes.settings import named_values

FloatArray = NDArray[np.float64]
EARTH_RADIUS_KM = 6371.0088  # mean radius, IUGG


@dataclass(frozen=True)
class Travel:
    """Minutes and kilometres from every place to every other, shape (places, places), and their origin."""

    minutes: FloatArray
    km: FloatArray
    given: int
    estimated: int
    words: str


def great_circle_km(latitude: FloatArray, longitude: FloatArray) -> FloatArray:
    """Great-circle distances between all points, shape (n, n). [km]

    Haversine on a sphere of the mean Earth radius; within about 0.5 % of the ellipsoid (from memory).

    Examples
    --------
    >>> d = great_circle_km(np.array([0.0, 0.0]), np.array([0.0, 90.0]))
    >>> round(float(d[0, 1]))
    10008
    """
    phi, lam = np.radians(latitude), np.radians(longitude)
    half = (
        np.sin((phi[:, None] - phi[None, :]) / 2) ** 2
        + np.cos(phi)[:, None] * np.cos(phi)[None, :] * np.sin((lam[:, None] - lam[None, :]) / 2) ** 2
    )
    return np.asarray(2 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(np.clip(half, 0, 1))))


def road_km(straight_km: FloatArray) -> FloatArray:
    """Road distance from straight distance: times a circuity factor, a higher one for short trips. [km]"""
    factors = named_values("travel_factors")
    split = factors["circuity_split_km"]
    # continuous at the split: the short part of a trip keeps the higher factor
    return np.asarray(
        np.minimum(straight_km, split) * factors["circuity_short"]
        + np.maximum(straight_km - split, 0) * factors["circuity_long"]
    )


def drive_minutes(km: FloatArray) -> FloatArray:
    """Driving time by distance band: slow first kilometres, faster beyond. [minutes]"""
    factors = named_values("travel_factors")
    town, region = factors["band_town_km"], factors["band_region_km"]
    hours = (
        np.minimum(km, town) / factors["speed_town_kmh"]
        + np.clip(km - town, 0, region - town) / factors["speed_region_kmh"]
        + np.maximum(km - region, 0) / factors["speed_far_kmh"]
    )
    return np.asarray(60 * hours)


def travel_between(sites: pd.DataFrame, travel_times: pd.DataFrame) -> Travel:
    """Travel between all rows of `sites` (`site_id, latitude, longitude`).

    Pairs in `travel_times` (`from_site_id, to_site_id, minutes, km`) are taken as given; all others are estimated.
    """
    latitude = sites["latitude"].to_numpy(float)
    longitude = sites["longitude"].to_numpy(float)
    km = road_km(great_circle_km(latitude, longitude))
    minutes = drive_minutes(km)
    count = len(sites)
    given = np.zeros((count, count), bool)
    if len(travel_times):
        order = pd.Series(np.arange(count), index=sites["site_id"].to_numpy())
        a = travel_times["from_site_id"].map(order)
        b = travel_times["to_site_id"].map(order)
        known = (a.notna() & b.notna()).to_numpy()
        rows = a[known].to_numpy(int)
        columns = b[known].to_numpy(int)
        minutes[rows, columns] = travel_times["minutes"].to_numpy(float)[known]
        listed = travel_times["km"].to_numpy(float)[known]
        km[rows, columns] = np.where(np.isnan(listed), km[rows, columns], listed)
        given[rows, columns] = True
    np.fill_diagonal(minutes, 0)
    np.fill_diagonal(km, 0)
    np.fill_diagonal(given, False)
    taken = int(given.sum())
    estimated = count * (count - 1) - taken
    return Travel(minutes, km, taken, estimated, travel_words(taken, estimated))


def travel_words(given: int, estimated: int) -> str:
    """Where the travel times of a plan come from, in words."""
    factors = named_values("travel_factors")
    estimate = (
        f"great circle x {factors['circuity_long']:g} ({factors['circuity_short']:g} for the first "
        f"{factors['circuity_split_km']:g} km), {factors['speed_town_kmh']:g} / {factors['speed_region_kmh']:g} / "
        f"{factors['speed_far_kmh']:g} km/h by distance"
    )
    if not given:
        return f"travel estimated: {estimate}"
    if not estimated:
        return f"travel_times table, {given} pairs"
    return f"travel_times table for {given} pairs; {estimated} absent pairs estimated: {estimate}"
