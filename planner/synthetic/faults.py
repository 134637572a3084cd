"""Faults that are not dirt: bends, splices, breaks, fading transmitters, deaf receivers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.synthetic import state as st
from planner.synthetic.plant import (
    CABLE,
    CABLE_KIND,
    CORD_AT,
    SPLICE,
    Plant,
    circuit_of_element,
    csr,
)
from planner.synthetic.settings import (
    Settings,
)
from planner.tables.intake_tables import (
    CABLE_KINDS,
)

Numbers = npt.NDArray[Any]
IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]


@dataclass
class Faults:
    """Faults that are not dirt: arrays over faults, and the circuits of each as two parallel lists."""

    kind: IntArray
    element_kind: list[str]
    element: IntArray
    onset: FloatArray
    end: FloatArray
    db: FloatArray
    ramp: FloatArray
    ratio: FloatArray
    place: FloatArray
    fault: IntArray
    circuit: IntArray

    def add(
        self,
        kind: int,
        element_kind: str,
        element: int,
        onset: float,
        db: float,
        ramp: float,
        ratio: float,
        circuits: IntArray,
    ) -> None:
        """One more fault on these circuits."""
        number = self.kind.shape[0]
        self.kind = np.append(self.kind, kind)
        self.element_kind.append(element_kind)
        self.element = np.append(self.element, element)
        self.onset = np.append(self.onset, onset)
        self.end = np.append(self.end, 1e12)
        self.db = np.append(self.db, db)
        self.ramp = np.append(self.ramp, ramp)
        self.ratio = np.append(self.ratio, ratio)
        self.place = np.append(self.place, 0.5)
        self.fault = np.concatenate([self.fault, np.full(circuits.shape[0], number)])
        self.circuit = np.concatenate([self.circuit, circuits])


def plan_faults(plant: Plant, settings: Settings, rng: np.random.Generator) -> Faults:
    """Bends, splices, breaks and fading transceivers with their onset, size and shape."""
    circuit = circuit_of_element(plant)
    cord_cable = np.full(plant.front_of.shape[0], -1)
    there = plant.cord_ports >= 0
    cord_cable[plant.cord_ports[there]] = np.broadcast_to(plant.cord_cable[:, None, None], there.shape)[there]
    on = (plant.element_kind == CABLE) | (plant.element_kind == CORD_AT)
    cable = np.where(
        plant.element_kind[on] == CABLE,
        plant.element_ref[on],
        cord_cable[np.where(plant.element_kind[on] == CORD_AT, plant.element_ref[on], 0)],
    )
    over = circuit[on]
    years = settings.days / 365.0
    n_cables, n_circuits = plant.cables["kind"].shape[0], plant.circuit_start.shape[0] - 1
    by_cable, cable_circuits = csr(cable, over, n_cables)
    used = np.diff(by_cable) > 0
    kind = plant.cables["kind"]
    rate = np.zeros(len(CABLE_KINDS))
    for name, value in (
        ("patch_cord", 0.008),
        ("trunk", 0.02),
        ("feeder", 0.03),
        ("distribution", 0.03),
        ("drop", 0.014),
    ):
        rate[CABLE_KIND[name]] = value
    bent = np.nonzero(used & (rng.random(n_cables) < rate[kind] * years))[0]
    on = plant.element_kind == SPLICE
    n_splices = plant.splices["site"].shape[0]
    by_splice, splice_circuits = csr(plant.element_ref[on], circuit[on], n_splices)
    weak = np.nonzero((np.diff(by_splice) > 0) & (rng.random(n_splices) < 0.0025 * years))[0]
    broken = np.nonzero(rng.random(n_circuits) < 0.004 * years)[0]
    fading = np.nonzero(rng.random(n_circuits) < 0.014 * years)[0]
    deaf = np.nonzero(rng.random(n_circuits) < 0.007 * years)[0]
    first_of_broken = plant.circuit_start[broken] + 3
    broken_cable = np.where(
        plant.element_kind[first_of_broken] == CORD_AT, cord_cable[plant.element_ref[first_of_broken]], -1
    )
    kinds = [
        (st.FAULT_BEND, "cable", bent),
        (st.FAULT_SPLICE, "splice", weak),
        (st.FAULT_BREAK, "cable", broken_cable),
        (st.FAULT_TRANSMITTER, "port", plant.circuits["a_port"][fading]),
        (st.FAULT_RECEIVER, "port", plant.circuits["z_port"][deaf]),
    ]
    sizes = [e.shape[0] for _, _, e in kinds]
    n = sum(sizes)
    code = np.repeat([k for k, _, _ in kinds], sizes)
    size = np.select(
        [code == st.FAULT_BEND, code == st.FAULT_SPLICE, code == st.FAULT_BREAK, code == st.FAULT_TRANSMITTER],
        [
            np.clip(rng.lognormal(0.1, 0.7, n), 0.25, 8.0),
            np.clip(rng.lognormal(-0.5, 0.6, n), 0.2, 4.0),
            np.full(n, 28.0),
            np.clip(rng.lognormal(0.5, 0.5, n), 0.5, 6.0),
        ],
        np.clip(rng.lognormal(0.0, 0.6, n), 0.4, 5.0),
    )
    ramp_days = np.select(
        [code == st.FAULT_TRANSMITTER, code == st.FAULT_SPLICE, code == st.FAULT_RECEIVER, code == st.FAULT_BEND],
        [
            rng.uniform(40, 220, n),
            np.where(rng.random(n) < 0.6, rng.uniform(30, 200, n), 0.0),
            np.where(rng.random(n) < 0.4, rng.uniform(20, 120, n), 0.0),
            np.where(rng.random(n) < 0.12, rng.uniform(20, 90, n), 0.0),
        ],
        0.0,
    )
    ratio = np.where(code == st.FAULT_BEND, np.clip(rng.lognormal(-1.9, 0.6, n), 0.02, 0.8), 1.0)
    groups: list[npt.NDArray[Any]] = [cable_circuits[by_cable[b] : by_cable[b + 1]] for b in bent]
    groups += [splice_circuits[by_splice[s] : by_splice[s + 1]] for s in weak]
    groups += [broken[i : i + 1] for i in range(broken.shape[0])]
    olt_kind = plant.circuits["kind"]
    by_a, a_circuits = csr(plant.circuits["a_port"], np.arange(n_circuits), plant.front_of.shape[0])
    for c in fading:
        a = plant.circuits["a_port"][c]
        groups.append(a_circuits[by_a[a] : by_a[a + 1]] if olt_kind[c] == 2 else np.array([c]))
    groups += [deaf[i : i + 1] for i in range(deaf.shape[0])]
    return Faults(
        kind=code.astype(np.int64),
        element_kind=[e for (_, e, _), m in zip(kinds, sizes, strict=True) for _ in range(m)],
        element=np.concatenate([e for _, _, e in kinds]).astype(np.int64),
        onset=rng.uniform(20, max(21, settings.days - 5), n) * st.DAY_MIN,
        end=np.full(n, 1e12),
        db=size,
        ramp=ramp_days * st.DAY_MIN,
        ratio=ratio,
        place=rng.random(n),
        fault=np.repeat(np.arange(n), [g.shape[0] for g in groups]),
        circuit=np.concatenate([*groups, np.zeros(0, np.int64)]).astype(np.int64),
    )
