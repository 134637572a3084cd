"""A whole invented fleet as files: plant, history, readings, and the hidden truth in a folder of its own.

`simulate` builds the plant, plans jobs and faults, lets the kernel live through the days, spoils the
records the way real records are spoilt, and writes every intake table. Same settings, same bytes.

The truth folder (Parquet), for tests and yardsticks only:

- end_faces: connector_id, in_service (is on the path of a circuit now), contaminated, damaged, dirt_db,
  damage_db, excess_db (loss the face causes now, worst fibre), degrades (excess_db >= 0.2 on a circuit),
  and the same with `_60d` for 60 days later if nobody visits on purpose
- inspected: inspection_id, contaminated, damaged - the true state when it was looked at
- circuit_paths: circuit_id, position, element_kind, element_id, connector_id, port_id, site_id, now
- circuit_causes: circuit_id, cause, element_id, size_db, onset_at, main (largest of the circuit) - causes as
  in the diagnosis; a circuit with nothing at or above 0.2 dB has one row `nothing`
- faults: every fault that is not dirt, with element, onset, end, size and shape
- renewals: connector_id, at - faces renewed under their old id
- record_errors: kind, connector_id, port_id (as recorded), true_port_id
- technicians: technician_id, quality, eye, clock_min
- story: what was planted on purpose, in words and ids
- true_mating_events: all matings with true times, also those the records miss
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from planner.errors import ParameterError
from planner.progress import Progress, silent
from planner.synthetic import history as h
from planner.synthetic import particles as pt
from planner.synthetic.history import refresh
from planner.synthetic.plant import (
    ADAPTER,
    APPLICATION_NM,
    APPLICATIONS,
    CABLE,
    CABLE_KIND,
    CORD_AT,
    COUNTRYSIDE,
    ENVIRONMENTS,
    FAMILY,
    FIBRE,
    FRONT,
    GRADES,
    HOUSING,
    POLARITIES,
    POLISH,
    REAR,
    ROLE,
    SITE_KIND,
    SPLICE,
    SPLITTER,
    Plant,
    build_plant,
)
from planner.synthetic.readings import Changes, Meter, Series, blocks
from planner.synthetic.records import (
    Spoiling,
    cleaning_block,
    defect_block,
    inspection_blocks,
    mating_block,
    order_block,
    otdr_block,
    test_block,
    true_mating_block,
)
from planner.synthetic.story import (
    Faults,
    Story,
    place_dirt,
    plant_story_faults,
    plant_story_world,
    spoil_story_faces,
)
from planner.synthetic.writing import (
    TableFile,
    choice,
    days,
    flag,
    ids,
    moments,
    number,
    whole,
    write_table,
)
from planner.tables.intake_tables import (
    CABLE_KINDS,
    FAMILIES,
    FIBRE_TYPES,
    HOUSING_KINDS,
    POLISHES,
    PORT_ROLES,
    SITE_KINDS,
)

Numbers = npt.NDArray[np.generic]
IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]

TRAPS = (
    "missing_events",
    "mistimed_events",
    "suspicion_only_inspection",
    "wrong_close_codes",
    "heavy_tails",
    "quantised",
    "missing_days",
    "seasonal",
    "large_offsets",
    "technician_quality",
    "clock_errors",
    "order_lost",
)

LOOK_AHEAD_DAYS = 60
DEGRADES_DB = 0.2
ATTENUATION = {850: 2.6, 1310: 0.34, 1490: 0.24, 1550: 0.20}  # dB/km, typical data-sheet values


@dataclass(frozen=True)
class Settings:
    """What to simulate. `traps` names real-life troubles to exaggerate; the standard fleet has a little of each."""

    connectors: int
    days: int
    seed: int
    start: np.datetime64 = field(default_factory=lambda: np.datetime64("2030-01-01"))
    file_format: str = "csv"
    traps: tuple[str, ...] = ()
    readings_per_day: int = 1
    monitored_share: float = 0.8
    activity: float = 1.0

    def __post_init__(self) -> None:
        if self.connectors < 150:
            raise ParameterError(f"--connectors: got {self.connectors}, must be at least 150")
        if self.days < 10:
            raise ParameterError(f"--days: got {self.days}, must be at least 10")
        if self.file_format not in ("csv", "parquet"):
            raise ParameterError(f"--format: got {self.file_format!r}, must be csv or parquet")
        for trap in self.traps:
            if trap not in TRAPS:
                raise ParameterError(f"--trap: got {trap!r}, must be one of {', '.join(TRAPS)}")

    def has(self, trap: str) -> bool:
        """Whether that trouble is exaggerated."""
        return trap in self.traps


def parameters(settings: Settings) -> FloatArray:
    """The kernel's parameter vector for these settings."""
    p = np.zeros(pt.PARAMETERS)
    p[pt.P_DUST] = 1.0
    p[pt.P_GRAIN_SHARE] = 0.22
    p[pt.P_FINGER] = 1.0
    p[pt.P_TRANSFER] = 0.33
    p[pt.P_PIT] = 0.22
    p[pt.P_WEAR] = 0.03
    p[pt.P_QUALITY] = 1.6 if settings.has("technician_quality") else 0.6
    p[pt.P_EYE] = 1.3 if settings.has("technician_quality") else 0.5
    p[pt.P_FALSE_FIND] = 0.025
    p[pt.P_OFFSET] = 2.2 if settings.has("large_offsets") else 1.0
    p[pt.P_CREEP] = 0.02
    p[pt.P_FILM_CREEP] = 0.05
    p[pt.P_SUSPICION_ONLY] = 1.0 if settings.has("suspicion_only_inspection") else 0.0
    p[pt.P_RIGHT_CODE] = 0.55 if settings.has("wrong_close_codes") else 0.87
    p[pt.P_LOOK] = 0.03 if settings.has("suspicion_only_inspection") else 0.42
    p[pt.P_CLEAN_BLIND] = 0.22
    p[pt.P_DEFECT_ROWS] = 0.12
    p[pt.P_ALARM_CHANCE] = 0.45
    return p


def csr(keys: IntArray, values: IntArray, size: int) -> tuple[IntArray, npt.NDArray[np.int32]]:
    """Group values by key 0..size-1: offsets (size + 1,) and the values in key order (stable)."""
    order = np.argsort(keys, kind="stable")
    counts = np.bincount(keys, minlength=size)
    return np.concatenate([[0], np.cumsum(counts)]).astype(np.int64), values[order].astype(np.int32)


def circuit_of_element(plant: Plant) -> IntArray:
    """The circuit of each path element."""
    return np.repeat(np.arange(plant.circuit_start.shape[0] - 1), np.diff(plant.circuit_start))


def late_cords(plant: Plant) -> IntArray:
    """Cords of links that go into service within the history: they are plugged by an installation job."""
    service = plant.circuits["in_service"]
    port_service = np.full(plant.front_of.shape[0], -1)
    for name in ("a_port", "z_port"):
        port_service[plant.circuits[name]] = service
    olt = plant.circuits["a_port"][plant.circuits["kind"] == 2]
    port_service[olt] = -1
    ports = plant.cord_ports
    near = np.where(ports >= 0, port_service[ports], -1).max(axis=(1, 2))
    return np.nonzero(near > 0)[0]


def static_loss(plant: Plant, wavelength: npt.NDArray[np.int64]) -> FloatArray:
    """Cable, splice and splitter loss of each circuit at a wavelength per circuit. [dB]"""
    circuit = circuit_of_element(plant)
    loss = np.zeros(circuit.shape[0])
    per_km = np.zeros(1601)
    for nm, value in ATTENUATION.items():
        per_km[nm] = value
    kind, ref = plant.element_kind, plant.element_ref
    on = kind == CABLE
    loss[on] = plant.cables["length_m"][ref[on]] / 1000.0 * per_km[wavelength[circuit[on]]]
    on = kind == SPLICE
    loss[on] = plant.splices["loss_db"][ref[on]]
    on = kind == SPLITTER
    loss[on] = plant.legs["loss_db"][ref[on]]
    return np.bincount(circuit, loss, minlength=wavelength.shape[0])


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
        (h.FAULT_BEND, "cable", bent),
        (h.FAULT_SPLICE, "splice", weak),
        (h.FAULT_BREAK, "cable", broken_cable),
        (h.FAULT_TRANSMITTER, "port", plant.circuits["a_port"][fading]),
        (h.FAULT_RECEIVER, "port", plant.circuits["z_port"][deaf]),
    ]
    sizes = [e.shape[0] for _, _, e in kinds]
    n = sum(sizes)
    code = np.repeat([k for k, _, _ in kinds], sizes)
    size = np.select(
        [code == h.FAULT_BEND, code == h.FAULT_SPLICE, code == h.FAULT_BREAK, code == h.FAULT_TRANSMITTER],
        [
            np.clip(rng.lognormal(0.1, 0.7, n), 0.25, 8.0),
            np.clip(rng.lognormal(-0.5, 0.6, n), 0.2, 4.0),
            np.full(n, 28.0),
            np.clip(rng.lognormal(0.5, 0.5, n), 0.5, 6.0),
        ],
        np.clip(rng.lognormal(0.0, 0.6, n), 0.4, 5.0),
    )
    ramp_days = np.select(
        [code == h.FAULT_TRANSMITTER, code == h.FAULT_SPLICE, code == h.FAULT_RECEIVER, code == h.FAULT_BEND],
        [
            rng.uniform(40, 220, n),
            np.where(rng.random(n) < 0.6, rng.uniform(30, 200, n), 0.0),
            np.where(rng.random(n) < 0.4, rng.uniform(20, 120, n), 0.0),
            np.where(rng.random(n) < 0.12, rng.uniform(20, 90, n), 0.0),
        ],
        0.0,
    )
    ratio = np.where(code == h.FAULT_BEND, np.clip(rng.lognormal(-1.9, 0.6, n), 0.02, 0.8), 1.0)
    groups = [cable_circuits[by_cable[b] : by_cable[b + 1]] for b in bent]
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
        onset=rng.uniform(20, max(21, settings.days - 5), n) * h.DAY_MIN,
        end=np.full(n, 1e12),
        db=size,
        ramp=ramp_days * h.DAY_MIN,
        ratio=ratio,
        place=rng.random(n),
        fault=np.repeat(np.arange(n), [g.shape[0] for g in groups]),
        circuit=np.concatenate([*groups, np.zeros(0, np.int64)]).astype(np.int64),
    )


def kernel_kind(plant: Plant) -> IntArray:
    """Kind of each circuit as the kernel sees it: 0 hall single-mode, 1 metro, 2 passive tree, 3 multimode."""
    kind = plant.circuits["kind"].copy()
    kind[plant.circuits["application"] == 0] = 3
    return kind


def make_world(plant: Plant, settings: Settings, faults: Faults, rng: np.random.Generator) -> tuple[h.World, pt.Faces]:
    """The plant's arrays as the kernel needs them, and spotless faces."""
    ports, connectors, circuits = plant.ports, plant.connectors, plant.circuits
    n_ports, n_circuits, n_faces = plant.front_of.shape[0], circuits["a_port"].shape[0], connectors["cable"].shape[0]
    site = np.where(plant.housings["site"][ports["housing"]] >= 0, plant.housings["site"][ports["housing"]], 0)
    environment = plant.sites["environment"][site]
    habits = plant.sites["habits"][site]
    front = plant.front_of.copy()
    late = late_cords(plant)
    waiting = plant.cord_ports[late]
    front[waiting[waiting >= 0]] = -1
    fibres = ports["fibres"].astype(np.int64)
    slot = np.cumsum(fibres) - fibres
    n_slots = int(fibres.sum())
    # path items: mated pairs, splices, splitter legs
    keep = np.isin(plant.element_kind, (ADAPTER, SPLICE, SPLITTER))
    kind, ref = plant.element_kind[keep], plant.element_ref[keep]
    circuit = circuit_of_element(plant)[keep]
    pair = kind == ADAPTER
    item_port = np.where(pair, ref, -1)
    item_slot = np.where(pair, slot[np.where(pair, ref, 0)] + plant.element_fibre[keep] - 1, -1)
    single = pair & (ports["fibres"][np.where(pair, ref, 0)] == 1)
    item_slot = np.where(single, slot[np.where(pair, ref, 0)], item_slot)
    item_loss = np.where(
        kind == SPLICE,
        plant.splices["loss_db"][np.where(kind == SPLICE, ref, 0)] if plant.splices["site"].shape[0] else 0.0,
        0.0,
    )
    if plant.legs["port"].shape[0]:
        item_loss = np.where(kind == SPLITTER, plant.legs["loss_db"][np.where(kind == SPLITTER, ref, 0)], item_loss)
    item_start = np.concatenate([[0], np.cumsum(np.bincount(circuit, minlength=n_circuits))])
    slot_start, slot_circuit = csr(item_slot[pair], circuit[pair], n_slots)
    mean_db = np.array([0.07, 0.12, 0.25, 0.5])
    grade = mean_db[np.maximum(connectors["grade"], 0)]
    pair_grade = (
        np.where(plant.front_of >= 0, grade[plant.front_of], 0.2) / 2
        + np.where(plant.rear_of >= 0, grade[plant.rear_of], 0.2) / 2
    )
    pair_grade = np.where(ports["family"] == FAMILY["MPO"], 0.2, pair_grade)
    cord_of_face = np.full(n_faces, -1)
    there = plant.cord_faces >= 0
    cord_of_face[plant.cord_faces[there]] = np.broadcast_to(
        np.arange(plant.cord_faces.shape[0])[:, None, None], there.shape
    )[there]
    types, cord_type = np.unique(plant.cord_type, return_inverse=True)
    stock = np.nonzero((plant.cord_ports < 0).all(axis=(1, 2)))[0]
    stock_start, stock_cord = csr(cord_type[stock], stock, types.shape[0])
    launch_kind = np.full(n_ports, -1)
    patch = ports["role"] == ROLE["patch"]
    launch_kind[patch & (ports["family"] == FAMILY["LC"]) & (ports["polish"] == POLISH["UPC"])] = 0
    launch_kind[patch & (ports["family"] == FAMILY["SC"]) & (ports["polish"] == POLISH["UPC"])] = 1
    launch_kind[patch & (ports["family"] == FAMILY["SC"]) & (ports["polish"] == POLISH["APC"])] = 2
    removable = np.isin(front, plant.cord_faces[there]) & (front >= 0)
    site_port_start, site_port = csr(site[removable], np.nonzero(removable)[0], plant.sites["kind"].shape[0])
    first_crew = np.searchsorted(plant.crews["region"], np.arange(plant.regions))
    crews_in = np.bincount(plant.crews["region"], minlength=plant.regions)
    region = circuits["region"]
    tests = kernel_kind(plant)
    short = np.where(tests == 3, 850, 1310)
    static = np.stack([static_loss(plant, short), static_loss(plant, np.where(tests == 3, 850, 1550))], 1)
    fault_start, fault_of = csr(faults.circuit, faults.fault, n_circuits)
    faces = pt.new_faces(connectors["fibres"], _multimode_faces(plant))
    port = np.zeros(n_ports, h.PORT)
    for name, value in (
        ("front", front),
        ("rear", plant.rear_of),
        ("site", site),
        ("slot", slot),
        ("fibres", fibres),
        ("launch_kind", launch_kind),
        ("outdoor", environment == 2),
        ("grade_db", pair_grade),
        ("touched", -1e9),
        ("dust", np.array([0.30, 0.6, 1.1])[environment] * habits),
        ("finger", np.array([0.02, 0.03, 0.04])[environment] * habits),
        ("tool_dirt", np.array([0.02, 0.03, 0.05])[environment] * habits),
        ("care", 1.0 / habits),
    ):
        port[name] = value
    circuit_record = np.zeros(n_circuits + 1, h.CIRCUIT)
    circuit_record["first_item"] = item_start
    circuit_record["first_fault"] = fault_start
    for name, value in (
        ("kind", tests),
        ("crew", first_crew[region] + np.arange(n_circuits) % crews_in[region]),
        ("threshold", np.clip(rng.lognormal(0.1, 0.5, n_circuits), 0.45, 5.0)),
        ("in_service", np.maximum(0, circuits["in_service"]) * h.DAY_MIN),
        ("static_short", static[:, 0]),
        ("static_long", static[:, 1]),
    ):
        circuit_record[name][:-1] = value
    item = np.zeros(item_port.shape[0], h.ITEM)
    item["slot"], item["port"], item["loss"] = item_slot, item_port, item_loss
    pairs = np.zeros(n_slots + 1, h.PAIR)
    pairs["first"] = slot_start
    fault = np.zeros(faults.kind.shape[0], h.FAULT)
    fault["kind"], fault["onset"], fault["end"] = faults.kind, faults.onset, faults.end
    fault["db"], fault["ramp"], fault["ratio"] = faults.db, faults.ramp, faults.ratio
    technician = np.zeros(plant.technicians["crew"].shape[0], h.TECHNICIAN)
    for name in ("crew", "quality", "eye"):
        technician[name] = plant.technicians[name]
    stock_record = np.zeros(types.shape[0] + 1, h.STOCK)
    stock_record["first"] = stock_start
    world = h.World(
        port=port,
        circuit=circuit_record,
        item=item,
        pair=pairs,
        slot_circuit=slot_circuit.astype(np.int64),
        fault=fault,
        fault_of_circuit=fault_of.astype(np.int64),
        technician=technician,
        launch=plant.launch_faces.astype(np.int64),
        launch_care=np.clip(rng.normal(0.55, 0.2, plant.crews["region"].shape[0]), 0.1, 0.95),
        cord_of_face=cord_of_face.astype(np.int64),
        cord_faces=plant.cord_faces.astype(np.int64).copy(),
        cord_ports=plant.cord_ports.astype(np.int64).copy(),
        cord_type=cord_type.astype(np.int64),
        stock=stock_record,
        stock_cord=stock_cord.astype(np.int64),
        site_port_start=site_port_start,
        site_port=site_port.astype(np.int64),
        queue=np.full(6 * n_circuits + 1000, -1, h.QUEUE),
        queue_head=np.full(settings.days + LOOK_AHEAD_DAYS + 40, -1, np.int64),
    )
    return world, faces


def _multimode_faces(plant: Plant) -> npt.NDArray[np.uint8]:
    connectors = plant.connectors
    on_cable = connectors["cable"] >= 0
    mm = np.zeros(connectors["cable"].shape[0], np.uint8)
    mm[on_cable] = plant.cables["fibre_type"][connectors["cable"][on_cable]] >= FIBRE["OM1"]
    built_in = ~on_cable
    mm[built_in] = plant.ports["mode"][connectors["fixed_port"][built_in]]
    return mm


@dataclass
class Jobs:
    """Planned jobs in order of time: minute, kind, target row and technician."""

    at: FloatArray
    kind: IntArray
    target: IntArray
    tech: IntArray


def plan_jobs(plant: Plant, world: h.World, settings: Settings, rng: np.random.Generator) -> Jobs:
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
        return crew * 3 + rng.integers(0, 3, region.shape[0])

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
        (h.JOB_INSTALL, late, cord_region[late]),
        (h.JOB_CHANGE, change, cord_region[change]),
        (h.JOB_DISTURB, disturbed, port_region[disturbed]),
        (h.JOB_ROUTINE, rounds, site_region[rounds]),
        (h.JOB_TEST, tested, region[tested]),
        (h.JOB_COMPLAINT, complained, region[complained]),
    ]
    kinds = np.concatenate([np.full(t.shape[0], k) for k, t, _ in parts])
    targets = np.concatenate([t for _, t, _ in parts])
    tech = np.concatenate([tech_of(np.asarray(r, dtype=np.int64)) for _, _, r in parts])
    day = rng.integers(0, span, kinds.shape[0])
    weekday = (settings.start.astype("datetime64[D]").astype(np.int64) + 3 + day) % 7
    day = np.where((weekday >= 5) & (kinds != h.JOB_COMPLAINT), np.minimum(day + 2, span - 1), day)
    installing = kinds == h.JOB_INSTALL
    day[installing] = np.maximum(0, service[targets[installing]] - 1)
    at = day * h.DAY_MIN + np.where(installing, 430.0, rng.uniform(420.0, 840.0, kinds.shape[0]))
    order = np.argsort(at, kind="stable")
    return Jobs(at[order], kinds[order].astype(np.int64), targets[order].astype(np.int64), tech[order].astype(np.int64))


def spoiling(settings: Settings) -> Spoiling:
    """How much the records are spoilt: a little of everything, more of what is named as a trap."""
    return Spoiling(
        missing_rows=0.12 if settings.has("missing_events") else 0.02,
        missing_jobs=0.20 if settings.has("missing_events") else 0.03,
        late_jobs=0.25 if settings.has("mistimed_events") else 0.03,
        late_hours=36.0 if settings.has("mistimed_events") else 6.0,
        same_minute_jobs=0.8 if settings.has("order_lost") else 0.12,
        shuffled_jobs=0.8 if settings.has("order_lost") else 0.0,
        clock_share=1.0 if settings.has("clock_errors") else 0.25,
        seed=settings.seed,
    )


def meter(settings: Settings) -> Meter:
    """How readings are troubled."""
    return Meter(
        noise_db=0.055,
        heavy_tails=0.25 if settings.has("heavy_tails") else 0.02,
        step_db=(0.5,) if settings.has("quantised") else (0.01, 0.01, 0.05, 0.1),
        missing=0.25 if settings.has("missing_days") else 0.04,
        gap_days=40.0 if settings.has("missing_days") else 8.0,
        season_db=0.35 if settings.has("seasonal") else 0.06,
        outliers=0.02 if settings.has("heavy_tails") else 0.003,
    )


def plant_names(plant: Plant) -> dict[str, list[str]]:
    """Invented names of sites and regions, built from syllables; no real place is meant."""
    first = (
        "Or",
        "Tel",
        "Var",
        "Mel",
        "Bran",
        "Cor",
        "Sel",
        "Fen",
        "Hal",
        "Ild",
        "Lor",
        "Nev",
        "Pel",
        "Quin",
        "Ros",
        "Sarn",
        "Thor",
        "Ulm",
        "Wen",
        "Yar",
    )
    middle = ("", "a", "e", "i", "ova", "ele", "ino", "ara")
    last = ("ford", "mere", "dale", "wick", "holt", "stead", "combe", "field", "ridge", "haven", "brook", "moor")
    n = plant.sites["kind"].shape[0]
    label = {
        "central_office": "office",
        "headend": "headend",
        "data_hall": "hall",
        "hut": "hut",
        "tower": "mast",
        "cabinet": "cabinet",
        "closure": "closure",
        "customer_premises": "house",
    }
    step = 977  # shares no factor with the number of combinations
    combos = len(first) * len(middle) * len(last)
    names = []
    for i, kind in enumerate(plant.sites["kind"]):
        k = (i * step) % combos
        place = first[k % 20] + middle[(k // 20) % 8] + last[(k // 160) % 12]
        names.append(f"{place} {label[SITE_KINDS[int(kind)]]}" + (f" {i // combos + 1}" if n > combos else ""))
    regions = [f"{first[(7 * r) % 20]}{last[(5 * r) % 12]} district (invented)" for r in range(plant.regions)]
    return {"sites": names, "regions": regions}


def write_plant(plant: Plant, world: h.World, folder: Path, settings: Settings, recorded_front: IntArray) -> None:
    """The plant tables; `recorded_front` is what the records say was in each port's front at the start."""
    fmt, start = settings.file_format, settings.start
    s, n = plant.sites, plant.sites["kind"].shape[0]
    names = plant_names(plant)
    row = np.arange(n)
    kind = s["kind"].astype(np.int64)
    office = np.isin(kind, [SITE_KIND["central_office"], SITE_KIND["headend"], SITE_KIND["data_hall"]])
    home = kind == SITE_KIND["customer_premises"]
    opens = np.where(office, 0, np.where(home, 2, 1))
    full_days = "Mon;Tue;Wed;Thu;Fri;Sat;Sun"
    notes = ("", "key at the depot", "ring the site contact a day ahead", "roadside: cones and vest", "badge needed")
    note_of = np.where(kind == SITE_KIND["cabinet"], 3, np.where(office, 4, np.where(home, 2, row % 2)))
    write_table(
        folder,
        "sites",
        fmt,
        {
            "site_id": ids("site", row, 6),
            "name": pa.array(names["sites"]),
            "kind": choice(SITE_KINDS, kind),
            "region": pa.array(names["regions"]).take(pa.array(s["region"].astype(np.int64))),
            "latitude": pa.array(s["latitude"].astype(np.float64)),
            "longitude": pa.array(s["longitude"].astype(np.float64)),
            "environment": choice(ENVIRONMENTS, s["environment"]),
            "access_open": choice(("00:00", "07:00", "08:00"), opens),
            "access_close": choice(("23:59", "19:00", "18:00"), opens),
            "access_days": choice((full_days, "Mon;Tue;Wed;Thu;Fri;Sat", "Mon;Tue;Wed;Thu;Fri"), opens),
            "timezone": choice(tuple(c[0] for c in COUNTRYSIDE), s["zone"]),
            "entry_min": whole(np.array([10, 8, 12])[opens]),
            "access_note": choice(notes, np.where(note_of == 0, -1, note_of)),
        },
    )
    hs = plant.housings
    count = np.arange(hs["site"].shape[0])
    test = hs["kind"] == HOUSING["test_set"]
    write_table(
        folder,
        "housings",
        fmt,
        {
            "housing_id": ids("housing", count),
            "site_id": ids("site", hs["site"], 6),
            "kind": choice(HOUSING_KINDS, hs["kind"]),
            "name": _joined(choice(HOUSING_KINDS, hs["kind"]), count),
            "rack": _joined(pa.array(np.full(count.shape[0], "R")), np.where(test, -1, hs["rack"]), "", 0),
            "rack_unit": whole(np.where(test, -1, 1 + count % 42)),
            "installed_on": days(start, hs["installed"]),
        },
    )
    p = plant.ports
    write_table(
        folder,
        "ports",
        fmt,
        {
            "port_id": ids("port", np.arange(p["housing"].shape[0])),
            "housing_id": ids("housing", p["housing"]),
            "label": choice(tuple(str(i) for i in range(64)), p["label"]),
            "family": choice(FAMILIES, p["family"]),
            "polish": choice(POLISHES, p["polish"]),
            "mode": choice(("SM", "MM"), p["mode"]),
            "fibre_count": whole(p["fibres"]),
            "role": choice(PORT_ROLES, p["role"]),
        },
    )
    c = plant.cables
    write_table(
        folder,
        "cables",
        fmt,
        {
            "cable_id": ids("cable", np.arange(c["kind"].shape[0])),
            "kind": choice(CABLE_KINDS, c["kind"]),
            "fibre_type": choice(FIBRE_TYPES, c["fibre_type"]),
            "length_m": number(c["length_m"], 1),
            "fibre_count": whole(c["fibres"]),
            "batch": ids("batch", c["batch"], 5),
            "installed_on": days(start, c["installed"]),
            "polarity": choice(POLARITIES, np.where(c["polarity"] > 0, c["polarity"], -1)),
        },
    )
    f = plant.connectors
    write_table(
        folder,
        "connectors",
        fmt,
        {
            "connector_id": ids("connector", np.arange(f["cable"].shape[0])),
            "cable_id": ids("cable", f["cable"]),
            "cable_end": choice(("A", "B"), np.where(f["cable"] >= 0, f["end"], -1)),
            "first_fibre": whole(np.where(f["cable"] >= 0, f["first_fibre"], -1)),
            "fibre_count": whole(f["fibres"]),
            "fixed_port_id": ids("port", f["fixed_port"]),
            "family": choice(FAMILIES, f["family"]),
            "polish": choice(POLISHES, f["polish"]),
            "grade": choice(GRADES, f["grade"]),
            "installed_on": days(start, f["installed"]),
        },
    )
    ports = np.arange(plant.rear_of.shape[0])
    plugged_rear = (plant.rear_of >= 0) & (f["cable"][np.maximum(plant.rear_of, 0)] >= 0)
    in_front = recorded_front >= 0
    connector = np.concatenate([recorded_front[in_front], plant.rear_of[plugged_rear]])
    order = np.argsort(connector, kind="stable")
    write_table(
        folder,
        "patching",
        fmt,
        {
            "connector_id": ids("connector", connector[order]),
            "port_id": ids("port", np.concatenate([ports[in_front], ports[plugged_rear]])[order]),
            "face": choice(("front", "rear"), np.repeat([0, 1], [in_front.sum(), plugged_rear.sum()])[order]),
            "since_at": moments(start, h.DAY_MIN * np.minimum(-1, f["installed"][connector[order]].astype(np.float64))),
        },
    )
    _write_outside_plant(plant, folder, settings)
    _write_people(plant, folder, settings)


def _joined(words: pa.Array, numbers: Numbers, gap: str = " ", add: int = 1) -> pa.Array:
    values = np.asarray(numbers).astype(np.int64)
    text = pc.cast(pa.array(values + add, mask=values < 0), pa.string())
    return pc.binary_join_element_wise(pc.replace_substring(words, "_", " "), text, gap)


def _write_outside_plant(plant: Plant, folder: Path, settings: Settings) -> None:
    fmt, start = settings.file_format, settings.start
    s = plant.splices
    n = s["site"].shape[0]
    if n:
        write_table(
            folder,
            "splices",
            fmt,
            {
                "splice_id": ids("splice", np.arange(n)),
                "site_id": ids("site", s["site"], 6),
                "cable_a_id": ids("cable", s["cable_a"]),
                "end_a": choice(("A", "B"), s["end_a"]),
                "fibre_a": whole(s["fibre_a"]),
                "cable_b_id": ids("cable", s["cable_b"]),
                "end_b": choice(("A", "B"), s["end_b"]),
                "fibre_b": whole(s["fibre_b"]),
                "kind": choice(("fusion", "mechanical"), s["kind"]),
                "loss_db": number(s["loss_db"], 2),
                "spliced_on": days(start, plant.cables["installed"][s["cable_a"]]),
            },
        )
    legs = plant.legs
    if legs["port"].shape[0]:
        write_table(
            folder,
            "splitter_legs",
            fmt,
            {
                "splitter_id": ids("splitter", legs["splitter"], 6),
                "leg": whole(legs["leg"]),
                "port_id": ids("port", legs["port"]),
                "ratio": whole(legs["ratio"]),
            },
        )
    c = plant.circuits
    n = c["a_port"].shape[0]
    app = c["application"].astype(np.int64)
    words = ("hall link", "metro link", "home line")
    write_table(
        folder,
        "circuits",
        fmt,
        {
            "circuit_id": ids("circuit", np.arange(n)),
            "name": _joined(choice(words, c["kind"]), np.arange(n)),
            "a_port_id": ids("port", c["a_port"]),
            "z_port_id": ids("port", c["z_port"]),
            "fibre": whole(np.ones(n)),
            "application": choice(APPLICATIONS, app),
            "wavelength_nm": number(APPLICATION_NM[app], 0),
            "max_loss_db": pa.nulls(n, pa.float64()),
            "customers": whole(c["customers"]),
            "priority": whole(c["priority"]),
            "protected_by": ids("circuit", c["protected_by"]),
            "in_service_on": days(start, c["in_service"]),
        },
    )


def _write_people(plant: Plant, folder: Path, settings: Settings) -> None:
    fmt = settings.file_format
    crews = plant.crews
    n = crews["region"].shape[0]
    small = "tip_1.25_upc;tip_2.5_upc;pen_1.25;pen_2.5;cassette;wipes;sticks_1.25;sticks_2.5"
    pon = "tip_2.5_apc;tip_1.25_apc;solvent"
    hall = "tip_mpo_upc;tip_mpo_apc;pen_mpo"
    kits = (small, f"{small};{pon}", f"{small};{hall}", f"{small};{pon};{hall}")
    skills = (
        "inspection;cleaning",
        "inspection;cleaning;pon",
        "inspection;cleaning;data_hall",
        "inspection;cleaning;pon;data_hall;otdr",
    )
    equipped = crews["pon"] + 2 * crews["hall"]
    write_table(
        folder,
        "crews",
        fmt,
        {
            "crew_id": ids("crew", np.arange(n), 4),
            "depot_site_id": ids("site", crews["depot"], 6),
            "shift_start": choice(("08:00", "07:00"), crews["early"]),
            "shift_end": choice(("16:30", "15:30"), crews["early"]),
            "work_days": choice(("Mon;Tue;Wed;Thu;Fri",), np.zeros(n)),
            "max_overtime_min": whole(np.full(n, 60)),
            "cost_per_hour": number(np.full(n, 92.0), 0),
            "cost_per_km": number(np.full(n, 0.6), 2),
            "skills": choice(skills, equipped),
            "kit": choice(kits, equipped),
        },
    )
    write_table(
        folder,
        "technicians",
        fmt,
        {
            "technician_id": ids("technician", np.arange(plant.technicians["crew"].shape[0]), 5),
            "crew_id": ids("crew", plant.technicians["crew"], 4),
        },
    )
    # driving times between depots, offices, halls and cabinets of a region: the pairs that are driven often
    s = plant.sites
    known = np.isin(s["kind"], [SITE_KIND[k] for k in ("central_office", "headend", "data_hall", "cabinet", "hut")])
    site = np.nonzero(known)[0]
    region = s["region"][site].astype(np.int64)
    order = np.argsort(region, kind="stable")
    site, region = site[order], region[order]
    count = np.bincount(region, minlength=plant.regions)
    first = np.cumsum(count) - count
    a = np.repeat(np.arange(site.shape[0]), count[region])
    b = np.arange(a.shape[0]) - np.repeat(np.cumsum(count[region]) - count[region], count[region]) + first[region[a]]
    a, b = site[a[a != b]], site[b[a != b]]
    lat, lon = s["latitude"].astype(np.float64), s["longitude"].astype(np.float64)
    km = 1.28 * np.hypot((lat[a] - lat[b]) * 111.2, (lon[a] - lon[b]) * 111.2 * np.cos(np.radians(lat[a]))) + 0.4
    write_table(
        folder,
        "travel_times",
        fmt,
        {
            "from_site_id": ids("site", a, 6),
            "to_site_id": ids("site", b, 6),
            "minutes": number(3.0 + km * 1.15 + (a * 31 + b * 17) % 5, 0),
            "km": number(km, 1),
        },
    )


def plant_record_errors(
    plant: Plant, world: h.World, rng: np.random.Generator
) -> tuple[IntArray, list[tuple[int, int, int]]]:
    """Recorded fronts with some neighbours swapped; gives them and (connector, recorded port, true port) rows."""
    recorded = world.port["front"].copy()
    patch = np.nonzero((recorded >= 0) & (plant.ports["role"] == ROLE["patch"]) & (plant.ports["fibres"] == 1))[0]
    next_door = patch[:-1][
        (np.diff(patch) == 1) & (plant.ports["housing"][patch[:-1]] == plant.ports["housing"][patch[1:]])
    ]
    cord = world.cord_of_face
    next_door = next_door[cord[recorded[next_door]] != cord[recorded[next_door + 1]]]
    wanted = max(2, int(0.0006 * cord.max())) if next_door.shape[0] else 0
    chosen = np.sort(rng.permutation(next_door)[:wanted])
    chosen = chosen[np.concatenate([[True], np.diff(chosen) > 1])] if chosen.shape[0] else chosen
    rows = []
    for p in chosen.tolist():
        one, other = int(recorded[p]), int(recorded[p + 1])
        recorded[p], recorded[p + 1] = other, one
        rows += [(other, p, p + 1), (one, p + 1, p)]
    return recorded, rows


def acceptance_rows(plant: Plant, world: h.World, settings: Settings, rng: np.random.Generator) -> FloatArray:
    """Loss tests made when older links were accepted (three in four of them), at the two test wavelengths."""
    service = plant.circuits["in_service"].astype(np.float64)
    c = np.nonzero((service < 0) & (rng.random(service.shape[0]) < 0.75))[0]
    mm = world.circuit["kind"][:-1][c] == 3
    tests = []
    for k in range(2):
        use = ~mm if k else np.ones(c.shape[0], bool)
        who = c[use]
        scale = np.where(mm[use], 1.0, 0.79 if k else 1.0)
        rows = np.full((who.shape[0], 9), -1.0)
        rows[:, 0] = service[who] * h.DAY_MIN + 600 + k
        rows[:, 1] = who
        rows[:, 2] = np.where(mm[use], 850, 1550 if k else 1310)
        rows[:, 3] = 0
        rows[:, 4] = (
            world.circuit["static_long" if k else "static_short"][who]
            + scale * world.circuit["base"][:-1][who]
            + rng.normal(0, 0.07, who.shape[0])
        )
        rows[:, 5] = np.where(mm[use], -1, 42 + rng.normal(0, 2, who.shape[0]))
        rows[:, 6] = 1
        tests.append(rows)
    return np.maximum(np.concatenate(tests), -1e7)


def element_distances(plant: Plant, world: h.World) -> tuple[FloatArray, FloatArray]:
    """Distance of each path item from the circuit's A end, and the length of each circuit. [m]"""
    circuit = circuit_of_element(plant)
    cord_cable = np.zeros(plant.front_of.shape[0], np.int64)
    there = plant.cord_ports >= 0
    cord_cable[plant.cord_ports[there]] = np.broadcast_to(plant.cord_cable[:, None, None], there.shape)[there]
    kind, ref = plant.element_kind, plant.element_ref
    length = np.zeros(kind.shape[0])
    length[kind == CABLE] = plant.cables["length_m"][ref[kind == CABLE]]
    length[kind == CORD_AT] = plant.cables["length_m"][cord_cable[ref[kind == CORD_AT]]]
    run = np.cumsum(length)
    start = np.concatenate([[0.0], run])[plant.circuit_start[:-1]]
    along = run - start[circuit]
    return along[np.isin(kind, (ADAPTER, SPLICE, SPLITTER))], np.bincount(circuit, length)


def simulate(folder: Path, settings: Settings, progress: Progress = silent, story: bool = False) -> Story:
    """Write an invented fleet to a folder: every intake table, and `truth/` beside them.

    Parameters
    ----------
    folder
        Where to write; made if missing, files of the same names are replaced.
    settings
        Size, days, seed, format and traps.
    progress
        Told the share done.
    story
        Plant the demo's story: a contaminating test set, a bad batch of cords, a site with poor habits, a
        bend and a fading transmitter.

    Returns
    -------
    The story that was planted (empty without `story`).
    """
    truth = folder / "truth"
    truth.mkdir(parents=True, exist_ok=True)
    streams = [np.random.default_rng(s) for s in np.random.SeedSequence(settings.seed).spawn(10)]
    plant = build_plant(settings.connectors, streams[0], settings.start, settings.days)
    faults = plan_faults(plant, settings, streams[1])
    told = Story()
    if story:
        plant_story_faults(plant, faults, settings.days, told)
    world, faces = make_world(plant, settings, faults, streams[2])
    if story:
        plant_story_world(plant, world, told)
    par = parameters(settings)
    progress(0.05, "giving faces a past")
    new_parts(plant, world, faces, par, streams[3], told)
    h.past_life(world, faces, par, streams[3])
    if story:
        spoil_story_faces(plant, faces, streams[3], told)
        refresh(world, faces)
    recorded_front, record_errors = plant_record_errors(plant, world, streams[4])
    write_plant(plant, world, folder, settings, recorded_front)
    initial = world.circuit["excess"][:-1].copy()
    offset_at_start = world.port["offset"].copy()
    jobs = plan_jobs(plant, world, settings, streams[5])
    along, total_m = element_distances(plant, world)
    changes = _live_and_record(
        plant, world, faces, jobs, settings, par, streams, folder, along, total_m, progress, told
    )
    progress(0.72, "writing readings")
    _write_readings(plant, world, faults, changes, initial, settings, streams[7], folder)
    progress(0.92, "writing the truth")
    now = _truth_now(plant, world, faces)
    on_now = _on_circuits(plant, world, world.port["front"])
    _write_truth(plant, world, faults, settings, truth, record_errors, told, offset_at_start, faces)
    _look_ahead(plant, world, faces, jobs, settings, par, streams[8])
    _write_faces(plant, on_now, now, _truth_now(plant, world, faces), truth)
    progress(1.0, "done")
    return told


def new_parts(
    plant: Plant, world: h.World, faces: pt.Faces, par: FloatArray, rng: np.random.Generator, told: Story
) -> None:
    """Dirt that cords in stock or not yet plugged bring from the maker: one in seven has some."""
    loose = np.setdiff1d(plant.cord_faces[plant.cord_faces >= 0], world.port["front"][world.port["front"] >= 0])
    soiled = loose[rng.random(loose.shape[0]) < 0.14]
    place_dirt(faces, soiled, rng, 1, 70.0)


def _live_and_record(
    plant: Plant,
    world: h.World,
    faces: pt.Faces,
    jobs: Jobs,
    settings: Settings,
    par: FloatArray,
    streams: list[np.random.Generator],
    folder: Path,
    along: FloatArray,
    total_m: FloatArray,
    progress: Progress,
    told: Story,
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Run the days, writing logs as they fill; gives the changes of circuits' excess (circuit, day, dB)."""
    logs = h.empty_logs(log_rows(settings), world.circuit.shape[0])
    how = spoiling(settings)
    clock = plant.technicians["clock_min"].astype(np.float64)
    fmt, start = settings.file_format, settings.start
    cursor = np.array([0, 0, -2], np.int64)
    kept: list[FloatArray] = []
    renewed: list[FloatArray] = []
    rng = streams[6]
    truth = folder / "truth"
    names = (
        "mating_events",
        "inspections",
        "end_face_defects",
        "cleanings",
        "loss_tests",
        "otdr_events",
        "work_orders",
    )
    files = {name: TableFile(folder, name, fmt) for name in names}
    files["inspected"] = TableFile(truth, "inspected", "parquet")
    files["true_matings"] = TableFile(truth, "true_mating_events", "parquet")
    accepted = acceptance_rows(plant, world, settings, rng)
    files["loss_tests"].write(test_block(accepted, 0, start, clock, how, plant.test_housings))
    end_of_launch = 150.0
    done = False
    while not done:
        done = h.live(
            world,
            faces,
            logs,
            jobs.at,
            jobs.kind,
            jobs.target,
            jobs.tech,
            cursor,
            settings.days,
            12,
            par,
            rng_of(streams),
        )
        count = logs.count
        mating = logs.rows(h.LOG_MATING)
        files["mating_events"].write(mating_block(mating, files["mating_events"].rows, start, clock, how, rng))
        files["true_matings"].write(true_mating_block(mating, start))
        looks, inspected, recorded = inspection_blocks(
            logs.rows(h.LOG_LOOK), start, clock, how, rng, plant.test_housings
        )
        files["inspections"].write(looks)
        files["inspected"].write(inspected)
        files["end_face_defects"].write(defect_block(logs.rows(h.LOG_MARK), recorded))
        files["cleanings"].write(
            cleaning_block(logs.rows(h.LOG_CLEAN), files["cleanings"].rows, start, clock, how, rng)
        )
        files["loss_tests"].write(
            test_block(logs.rows(h.LOG_TEST), files["loss_tests"].rows, start, clock, how, plant.test_housings)
        )
        otdr = logs.rows(h.LOG_OTDR)
        files["otdr_events"].write(otdr_block(otdr, _otdr_distance(otdr, world, along, total_m, end_of_launch), start))
        files["work_orders"].write(order_block(logs.rows(h.LOG_ORDER), start, how, rng))
        kept.append(logs.rows(h.LOG_CHANGE).copy())
        renewed.append(logs.rows(h.LOG_RENEW).copy())
        count[:] = 0
        progress(0.08 + 0.62 * float(cursor[0]) / settings.days, "living through the days")
    for file in files.values():
        file.__exit__(None, None, None)
    fresh = np.concatenate(renewed)
    write_table(
        truth,
        "renewals",
        "parquet",
        {
            "connector_id": ids("connector", fresh[:, 1]),
            "at": moments(start, fresh[:, 0]),
            "work_order_id": ids("order", fresh[:, 2]),
        },
    )
    change = np.concatenate(kept)
    return change[:, 1].astype(np.int64), change[:, 0] / h.DAY_MIN, change[:, 2]


def log_rows(settings: Settings) -> int:
    """Room of each log before it is emptied to its file."""
    return 8_000 if settings.connectors < 50_000 else 60_000


def rng_of(streams: list[np.random.Generator]) -> np.random.Generator:
    """The generator that drives the days."""
    return streams[9]


def _otdr_distance(
    rows: FloatArray, world: h.World, along: FloatArray, total_m: FloatArray, launch_m: float
) -> FloatArray:
    """Optical distance of each trace row from the instrument: launch cord, then the path from the frame on. [m]"""
    circuit = rows[:, 2].astype(np.int64)
    backward = rows[:, 3] > 0
    item = rows[:, 5].astype(np.int64)
    first, last = world.circuit["first_item"][circuit], world.circuit["first_item"][circuit + 1] - 1
    fault = np.where(item < 0, -2 - item, 0)
    share = (fault * 0.6180339887) % 1.0
    near, far = along[first + 1], along[last - 1]
    at = np.where(item >= 0, along[np.maximum(item, 0)], near + share * (far - near))
    distance = np.where(backward, far - at, at - near)
    return launch_m + np.maximum(0.0, distance)


def _write_readings(
    plant: Plant,
    world: h.World,
    faults: Faults,
    changes: tuple[IntArray, FloatArray, FloatArray],
    initial: FloatArray,
    settings: Settings,
    rng: np.random.Generator,
    folder: Path,
) -> None:
    circuits = plant.circuits
    n = circuits["a_port"].shape[0]
    nm = APPLICATION_NM[circuits["application"]].astype(np.int64)
    scale = np.where(nm == 1550, 0.79, np.where(nm == 1490, 0.83, 1.0))
    loss = static_loss(plant, nm) + scale * world.circuit["base"][:-1]
    monitored = rng.random(n) < settings.monitored_share
    pick = np.nonzero(monitored)[0]
    tree = circuits["kind"] == 2
    tx_port = circuits["a_port"].astype(np.int64).copy()
    shared = np.nonzero(tree & monitored)[0]
    _, first = np.unique(tx_port[shared], return_index=True)
    keep = np.zeros(n, bool)
    keep[shared[first]] = True
    tx_port[tree & ~keep] = -1
    level = np.where(tree, 3.5, np.where(nm == 850, -2.5, np.where(nm == 1550, 2.0, -1.0)))
    port_level = np.zeros(plant.front_of.shape[0])
    port_level[circuits["a_port"]] = level + rng.normal(0, 0.8, n)
    light = faults.kind[faults.fault]
    size = faults.db[faults.fault]
    ratio = faults.ratio[faults.fault]
    at_nm = nm[faults.circuit]
    bend = np.where(at_nm == 1550, 1.0, np.where(at_nm == 1490, ratio**0.25, np.where(at_nm == 850, 0.5, ratio)))
    size = np.where(light == h.FAULT_BEND, size * bend, size)
    order = np.argsort(changes[0], kind="stable")
    known = Changes(
        circuit=changes[0][order],
        day=changes[1][order],
        excess_db=changes[2][order],
        fault_circuit=faults.circuit,
        fault_from=faults.onset[faults.fault] / h.DAY_MIN,
        fault_to=world.fault["end"][faults.fault] / h.DAY_MIN,
        fault_ramp=faults.ramp[faults.fault] / h.DAY_MIN,
        fault_db=size,
        fault_of_tx=light == h.FAULT_TRANSMITTER,
    )
    outdoor = world.port["outdoor"][circuits["z_port"]].astype(np.float64) + 0.4 * tree
    series = Series(
        circuit=pick,
        tx_port=tx_port[pick],
        rx_port=circuits["z_port"][pick].astype(np.int64),
        tx_dbm=port_level[circuits["a_port"][pick]],
        loss_db=loss[pick],
        pair_scale=scale[pick],
        in_service_day=circuits["in_service"][pick].astype(np.float64),
        outdoor=outdoor[pick],
        reports_errors=circuits["application"][pick] == 2,
        two_way=tree[pick],
    )
    start = settings.start
    with TableFile(folder, "power_readings", settings.file_format) as file:
        for block in blocks(
            series, known, initial[pick], settings.days, settings.readings_per_day, meter(settings), rng
        ):
            ratio_text = np.asarray(block["ratio"], dtype=np.float64)
            with np.errstate(divide="ignore", invalid="ignore"):
                digits = np.where(ratio_text > 0, 10 ** (np.floor(np.log10(ratio_text)) - 1), 1.0)
            file.write(
                {
                    "at": moments(start, block["minute"]),
                    "port_id": ids("port", block["port"]),
                    "tx_dbm": number(block["tx_dbm"], 2),
                    "rx_dbm": number(block["rx_dbm"], 2),
                    "pre_fec_ber": number(np.round(ratio_text / digits) * digits, 13),
                }
            )


def _truth_now(plant: Plant, world: h.World, faces: pt.Faces) -> FloatArray:
    out = np.zeros((plant.connectors["cable"].shape[0], 5))
    h.truth_of_faces(faces, out)
    return out


def _on_circuits(plant: Plant, world: h.World, front: IntArray) -> npt.NDArray[np.bool_]:
    """Whether each face lies on a circuit's path, given what is in the fronts."""
    on = np.zeros(plant.connectors["cable"].shape[0], bool)
    kind, ref = plant.element_kind, plant.element_ref
    for what, of_port in ((FRONT, front), (REAR, world.port["rear"])):
        face = of_port[ref[kind == what]]
        on[face[face >= 0]] = True
    return on


def _look_ahead(
    plant: Plant,
    world: h.World,
    faces: pt.Faces,
    jobs: Jobs,
    settings: Settings,
    par: FloatArray,
    rng: np.random.Generator,
) -> None:
    """Let 60 more days pass with changes and ageing, but no rounds, tests, complaints or alarms."""
    after = jobs.at >= settings.days * h.DAY_MIN
    plain = after & np.isin(jobs.kind, (h.JOB_INSTALL, h.JOB_CHANGE, h.JOB_DISTURB))
    quiet = par.copy()
    quiet[pt.P_ALARM_CHANCE] = 0.0
    logs = h.empty_logs(log_rows(settings), world.circuit.shape[0])
    cursor = np.array([settings.days, 0, -2], np.int64)
    world.queue_head[:] = -1
    while not h.live(
        world,
        faces,
        logs,
        jobs.at[plain],
        jobs.kind[plain],
        jobs.target[plain],
        jobs.tech[plain],
        cursor,
        settings.days + LOOK_AHEAD_DAYS,
        12,
        quiet,
        rng,
    ):
        logs.count[:] = 0


def _write_faces(plant: Plant, on_now: npt.NDArray[np.bool_], now: FloatArray, later: FloatArray, truth: Path) -> None:
    """truth/end_faces: the state of every face at the end and 60 days on."""
    n = now.shape[0]
    columns: dict[str, pa.Array] = {
        "connector_id": ids("connector", np.arange(n)),
        "in_service": flag(on_now),
    }
    for state, tail in ((now, ""), (later, "_60d")):
        columns |= {
            f"contaminated{tail}": flag(state[:, 0]),
            f"damaged{tail}": flag(state[:, 1]),
            f"dirt_db{tail}": number(state[:, 2], 3),
            f"damage_db{tail}": number(state[:, 3], 3),
            f"excess_db{tail}": number(state[:, 4], 3),
            f"degrades{tail}": flag((state[:, 4] >= DEGRADES_DB) & on_now),
        }
    write_table(truth, "end_faces", "parquet", columns)


def _write_truth(
    plant: Plant,
    world: h.World,
    faults: Faults,
    settings: Settings,
    truth: Path,
    record_errors: list[tuple[int, int, int]],
    told: Story,
    offset_at_start: FloatArray,
    faces: pt.Faces,
) -> None:
    start = settings.start
    _write_paths(plant, world, truth)
    _write_causes(plant, world, faults, settings, truth, record_errors, offset_at_start, faces)
    cable = np.array([k == "cable" for k in faults.element_kind], dtype=bool)
    splice = np.array([k == "splice" for k in faults.element_kind], dtype=bool)
    port = ~cable & ~splice
    end = world.fault["end"]
    write_table(
        truth,
        "faults",
        "parquet",
        {
            "kind": choice(("", "bend", "splice", "fibre_break", "fading_transmitter", "receiver"), faults.kind),
            "element_id": _three_ids(faults.element, cable, splice, port),
            "onset_at": moments(start, faults.onset),
            "repaired_at": moments(start, np.where(end > 1e11, 0.0, end), end > 1e11),
            "loss_db_long_wave": number(faults.db, 3),
            "ratio_short_to_long": number(faults.ratio, 3),
            "ramp_days": number(faults.ramp / h.DAY_MIN, 1),
        },
    )
    write_table(
        truth,
        "fault_circuits",
        "parquet",
        {
            "fault": whole(faults.fault),
            "circuit_id": ids("circuit", faults.circuit),
        },
    )
    errors = np.array(record_errors, dtype=np.int64).reshape(-1, 3)
    write_table(
        truth,
        "record_errors",
        "parquet",
        {
            "kind": pa.array(["recorded_in_wrong_port"] * errors.shape[0], pa.string()),
            "connector_id": ids("connector", errors[:, 0]),
            "port_id": ids("port", errors[:, 1]),
            "true_port_id": ids("port", errors[:, 2]),
        },
    )
    crew = plant.technicians
    write_table(
        truth,
        "technicians",
        "parquet",
        {
            "technician_id": ids("technician", np.arange(crew["crew"].shape[0]), 5),
            "quality": number(crew["quality"], 2),
            "eye": number(crew["eye"], 2),
            "clock_min": whole(crew["clock_min"], -100_000),
        },
    )
    write_table(
        truth,
        "story",
        "parquet",
        {
            "kind": pa.array(told.kinds, pa.string()),
            "element_id": pa.array(
                [
                    ids(k, np.array([r]), {"site": 6, "batch": 5, "crew": 4}.get(k, 7))[0].as_py()
                    for k, r in zip(told.id_kinds, told.numbers, strict=True)
                ],
                pa.string(),
            ),
            "words": pa.array(told.words, pa.string()),
        },
    )


def _three_ids(
    rows: IntArray, cable: npt.NDArray[np.bool_], splice: npt.NDArray[np.bool_], port: npt.NDArray[np.bool_]
) -> pa.Array:
    return pc.coalesce(
        ids("cable", np.where(cable, rows, -1)),
        ids("splice", np.where(splice, rows, -1)),
        ids("port", np.where(port, rows, -1)),
    )


def _write_paths(plant: Plant, world: h.World, truth: Path) -> None:
    """truth/circuit_paths: what light passes now, element by element."""
    kind, ref = plant.element_kind.astype(np.int64), plant.element_ref
    circuit = circuit_of_element(plant)
    position = np.arange(kind.shape[0]) - plant.circuit_start[circuit] + 1
    at_port = np.isin(kind, (FRONT, ADAPTER, REAR, CORD_AT))
    port = np.where(at_port, ref, 0)
    face = np.where(kind == FRONT, world.port["front"][port], np.where(kind == REAR, world.port["rear"][port], -1))
    holder = np.where(kind == CORD_AT, world.port["front"][port], -1)
    cable = np.where(kind == CABLE, ref, np.where(holder >= 0, plant.connectors["cable"][np.maximum(holder, 0)], -1))
    on_port = np.isin(kind, (FRONT, ADAPTER, REAR))
    splice = np.where(kind == SPLICE, ref, -1)
    leg = np.where(kind == SPLITTER, ref, -1)
    splitter = (
        np.where(leg >= 0, plant.legs["splitter"][np.maximum(leg, 0)], -1) if plant.legs["port"].shape[0] else leg
    )
    splice_site = plant.splices["site"][np.maximum(splice, 0)] if plant.splices["site"].shape[0] else splice
    leg_site = world.port["site"][plant.legs["port"][np.maximum(leg, 0)]] if plant.legs["port"].shape[0] else leg
    site = np.where(
        on_port, world.port["site"][port], np.where(splice >= 0, splice_site, np.where(leg >= 0, leg_site, -1))
    )
    words = ("connector", "adapter", "connector", "cable", "cable", "splice", "splitter")
    write_table(
        truth,
        "circuit_paths",
        "parquet",
        {
            "circuit_id": ids("circuit", circuit),
            "position": whole(position),
            "element_kind": choice(words, kind),
            "element_id": pc.coalesce(
                ids("connector", face),
                ids("cable", cable),
                ids("splice", splice),
                ids("splitter", splitter, 6),
                ids("port", np.where(kind == ADAPTER, ref, -1)),
            ),
            "connector_id": ids("connector", face),
            "port_id": ids("port", np.where(on_port, ref, -1)),
            "site_id": ids("site", site, 6),
        },
    )


CAUSE_WORDS = (
    "contamination",
    "damaged_end_face",
    "bend",
    "splice",
    "fibre_break",
    "transceiver",
    "remating_offset",
    "record_error",
    "nothing",
)


def _write_causes(
    plant: Plant,
    world: h.World,
    faults: Faults,
    settings: Settings,
    truth: Path,
    record_errors: list[tuple[int, int, int]],
    offset_at_start: FloatArray,
    faces: pt.Faces,
) -> None:
    """truth/circuit_causes: everything that costs a circuit at least 0.2 dB now, the largest marked."""
    items = np.zeros((world.item["slot"].shape[0], 4))
    h.truth_of_items(world, faces, items)
    n_circuits = world.circuit["base"][:-1].shape[0]
    owner = np.repeat(np.arange(n_circuits), np.diff(world.circuit["first_item"]))
    end = settings.days * h.DAY_MIN
    circuit: list[IntArray] = []
    cause: list[IntArray] = []
    size: list[FloatArray] = []
    onset: list[FloatArray] = []
    element: list[tuple[str, IntArray]] = []

    def add(
        code: int, kind: str, who: IntArray, what: IntArray, db: FloatArray, since: FloatArray | None = None
    ) -> None:
        circuit.append(who)
        cause.append(np.full(who.shape[0], code))
        size.append(db)
        onset.append(np.full(who.shape[0], -1e12) if since is None else since)
        element.append((kind, what))

    port = np.maximum(world.item["port"], 0)
    for column, (code, of_port) in enumerate(
        ((0, world.port["front"]), (1, world.port["front"]), (0, world.port["rear"]), (1, world.port["rear"]))
    ):
        big = np.nonzero(items[:, column] >= DEGRADES_DB)[0]
        add(code, "connector", owner[big], of_port[port[big]], items[big, column])
    grown = np.where(world.item["slot"] >= 0, world.port["offset"][port] - offset_at_start[port], 0.0)
    big = np.nonzero((grown >= DEGRADES_DB) & (offset_at_start[port] > 0))[0]
    add(6, "connector", owner[big], world.port["front"][port[big]], grown[big])
    since = (end - faults.onset) / np.maximum(faults.ramp, 1.0)
    share = np.where(faults.ramp > 0, np.clip(since, 0, 1), 1.0)
    active = (faults.onset <= end) & (world.fault["end"] > end)
    now_db = np.where(active, share * faults.db, 0.0)
    code_of = np.array([8, 2, 3, 4, 5, 5])[faults.kind]
    for code, kind in ((2, "cable"), (3, "splice"), (4, "cable"), (5, "port")):
        rows = np.nonzero((code_of[faults.fault] == code) & (now_db[faults.fault] >= DEGRADES_DB))[0]
        which = faults.fault[rows]
        add(code, kind, faults.circuit[rows], faults.element[which], now_db[which], faults.onset[which])
    wrong_ports = np.array([p for _, p, _ in record_errors], dtype=np.int64)
    at = np.nonzero(np.isin(world.item["port"], wrong_ports))[0]
    add(7, "port", owner[at], world.item["port"][at], np.zeros(at.shape[0]))
    all_circuits, all_sizes = np.concatenate(circuit), np.concatenate(size)
    quiet = np.setdiff1d(np.arange(n_circuits), all_circuits)
    add(8, "none", quiet, np.full(quiet.shape[0], -1), np.zeros(quiet.shape[0]))
    who, db, code = np.concatenate(circuit), np.concatenate(size), np.concatenate(cause)
    order = np.lexsort((code, -db, who))
    main = np.ones(order.shape[0], dtype=bool)
    main[1:] = who[order][1:] != who[order][:-1]
    kinds = np.concatenate([np.full(v.shape[0], k) for k, v in element])
    value = np.concatenate([v for _, v in element])
    when = np.concatenate(onset)[order]
    names = [ids(k, np.where(kinds[order] == k, value[order], -1)) for k in ("connector", "cable", "splice", "port")]
    del all_sizes
    write_table(
        truth,
        "circuit_causes",
        "parquet",
        {
            "circuit_id": ids("circuit", who[order]),
            "cause": choice(CAUSE_WORDS, code[order]),
            "element_id": pc.coalesce(*names),
            "size_db": number(db[order], 3),
            "onset_at": moments(settings.start, np.where(when > -1e11, when, 0.0), when < -1e11),
            "main": flag(main),
        },
    )
