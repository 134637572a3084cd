"""The field work that is planned in advance: who does what, where and when."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.synthetic import state as st
from planner.synthetic.plant import (
    Plant,
)
from planner.synthetic.settings import (
    LOOK_AHEAD_DAYS,
    Settings,
)
from planner.synthetic.world import late_cords

Numbers = npt.NDArray[Any]
IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]


@dataclass
class Jobs:
    """Planned jobs in order of time: minute, kind, target row and technician."""

    at: FloatArray
    kind: IntArray
    target: IntArray
    tech: IntArray


def without_reports(jobs: Jobs, circuits: list[int]) -> Jobs:
    """The jobs without complaints about these circuits."""
    keep = ~((jobs.kind == st.JOB_COMPLAINT) & np.isin(jobs.target, circuits))
    return Jobs(jobs.at[keep], jobs.kind[keep], jobs.target[keep], jobs.tech[keep])


def plan_jobs(plant: Plant, world: st.World, settings: Settings, rng: np.random.Generator) -> Jobs:
    """Installations, changes, disturbances, routine rounds, tests and complaints over the days and 60 beyond."""
    span = settings.days + LOOK_AHEAD_DAYS
    years = span / 365.0 * settings.activity
    first_crew = np.searchsorted(plant.crews["region"], np.arange(plant.regions))
    crews_in = np.bincount(plant.crews["region"], minlength=plant.regions)
    site_region = plant.sites["region"]

    def some(weights: FloatArray) -> IntArray:
        return np.repeat(np.arange(weights.shape[0]), rng.poisson(weights))

    def tech_of(region: IntArray) -> IntArray:
        crew = first_crew[region] + np.floor(rng.random(region.shape[0]) * crews_in[region]).astype(np.int64)
        tech: IntArray = crew * 3 + rng.integers(0, 3, region.shape[0])
        return tech

    in_use = (plant.cord_ports >= 0).any(axis=(1, 2))
    late = late_cords(plant)
    port_region = site_region[world.port["site"]]
    cord_region = port_region[np.maximum(plant.cord_ports[:, 0, 0], 0)]
    # changes favour some cords over others: a few are touched again and again
    churn = np.where(in_use, rng.gamma(0.6, 1 / 0.6, in_use.shape[0]), 0.0)
    change = some(0.9 * years * churn)
    removable = np.zeros(world.port["front"].shape[0], bool)
    removable[world.site_port] = True
    disturbed = some(0.3 * years * removable * rng.gamma(0.7, 1 / 0.7, removable.shape[0]))
    ports_at = np.diff(world.site_port_start)
    rounds = some(0.45 * years * ports_at / 10.0)
    kind = world.circuit["kind"][:-1]
    tested = some(years * np.array([0.16, 0.5, 0.10, 0.12])[kind])
    complained = some(np.full(kind.shape[0], 0.05 * years))
    region = plant.circuits["region"]
    service = np.zeros(in_use.shape[0])
    port_service = np.zeros(world.port["front"].shape[0])
    for name in ("a_port", "z_port"):
        port_service[plant.circuits[name]] = plant.circuits["in_service"]
    service[late] = port_service[np.maximum(plant.cord_ports[late], 0)].max(axis=(1, 2))
    parts = [
        (st.JOB_INSTALL, late, cord_region[late]),
        (st.JOB_CHANGE, change, cord_region[change]),
        (st.JOB_DISTURB, disturbed, port_region[disturbed]),
        (st.JOB_ROUTINE, rounds, site_region[rounds]),
        (st.JOB_TEST, tested, region[tested]),
        (st.JOB_COMPLAINT, complained, region[complained]),
    ]
    kinds = np.concatenate([np.full(t.shape[0], k) for k, t, _ in parts])
    targets = np.concatenate([t for _, t, _ in parts])
    tech = np.concatenate([tech_of(np.asarray(r, dtype=np.int64)) for _, _, r in parts])
    day: IntArray = np.asarray(rng.integers(0, span, kinds.shape[0]))
    weekday = (settings.start.astype("datetime64[D]").astype(np.int64) + 3 + day) % 7
    day = np.where((weekday >= 5) & (kinds != st.JOB_COMPLAINT), np.minimum(day + 2, span - 1), day)
    installing = kinds == st.JOB_INSTALL
    day[installing] = np.maximum(0, service[targets[installing]] - 1)
    hour = np.where(installing, 430.0, rng.uniform(420.0, 840.0, kinds.shape[0]))
    at: FloatArray = np.asarray(day, dtype=np.float64) * st.DAY_MIN + hour
    order = np.argsort(at, kind="stable")
    return Jobs(at[order], kinds[order].astype(np.int64), targets[order].astype(np.int64), tech[order].astype(np.int64))
