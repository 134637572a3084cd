"""The plant as the kernel needs it: records with offsets instead of tables, and faces with their past."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from planner.synthetic import particles as pt
from planner.synthetic import state as st
from planner.synthetic.faults import Faults
from planner.synthetic.plant import (
    ADAPTER,
    CABLE,
    CORD_AT,
    FAMILY,
    FIBRE,
    POLISH,
    ROLE,
    SPLICE,
    SPLITTER,
    Plant,
    circuit_of_element,
    csr,
)
from planner.synthetic.settings import (
    LOOK_AHEAD_DAYS,
    Settings,
)
from planner.synthetic.story import place_dirt

Numbers = npt.NDArray[Any]
IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]


ATTENUATION = {850: 2.6, 1310: 0.34, 1490: 0.24, 1550: 0.20}  # dB/km, typical data-sheet values


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
    total: FloatArray = np.bincount(circuit, loss, minlength=wavelength.shape[0]).astype(np.float64)
    return total


def kernel_kind(plant: Plant) -> IntArray:
    """Kind of each circuit as the kernel sees it: 0 hall single-mode, 1 metro, 2 passive tree, 3 multimode."""
    kind = plant.circuits["kind"].copy()
    kind[plant.circuits["application"] == 0] = 3
    return kind


def make_world(plant: Plant, settings: Settings, faults: Faults, rng: np.random.Generator) -> tuple[st.World, pt.Faces]:
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
    port = np.zeros(n_ports, st.PORT)
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
    circuit_record = np.zeros(n_circuits + 1, st.CIRCUIT)
    circuit_record["first_item"] = item_start
    circuit_record["first_fault"] = fault_start
    for name, value in (
        ("kind", tests),
        ("crew", first_crew[region] + np.arange(n_circuits) % crews_in[region]),
        ("threshold", np.clip(rng.lognormal(0.1, 0.5, n_circuits), 0.45, 5.0)),
        ("in_service", np.maximum(0, circuits["in_service"]) * st.DAY_MIN),
        ("static_short", static[:, 0]),
        ("static_long", static[:, 1]),
    ):
        circuit_record[name][:-1] = value
    item = np.zeros(item_port.shape[0], st.ITEM)
    item["slot"], item["port"], item["loss"] = item_slot, item_port, item_loss
    pairs = np.zeros(n_slots + 1, st.PAIR)
    pairs["first"] = slot_start
    fault = np.zeros(faults.kind.shape[0], st.FAULT)
    fault["kind"], fault["onset"], fault["end"] = faults.kind, faults.onset, faults.end
    fault["db"], fault["ramp"], fault["ratio"] = faults.db, faults.ramp, faults.ratio
    technician = np.zeros(plant.technicians["crew"].shape[0], st.TECHNICIAN)
    for name in ("crew", "quality", "eye"):
        technician[name] = plant.technicians[name]
    stock_record = np.zeros(types.shape[0] + 1, st.STOCK)
    stock_record["first"] = stock_start
    world = st.World(
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
        queue=np.full(6 * n_circuits + 1000, -1, st.QUEUE),
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


def element_distances(plant: Plant, world: st.World) -> tuple[FloatArray, FloatArray]:
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
    items = np.isin(kind, (ADAPTER, SPLICE, SPLITTER))
    return along[items], np.bincount(circuit, length).astype(np.float64)


def new_parts(plant: Plant, world: st.World, faces: pt.Faces, rng: np.random.Generator) -> None:
    """Dirt that cords in stock or not yet plugged bring from the maker: one in seven has some."""
    loose = np.setdiff1d(plant.cord_faces[plant.cord_faces >= 0], world.port["front"][world.port["front"] >= 0])
    soiled = loose[rng.random(loose.shape[0]) < 0.14]
    place_dirt(faces, soiled, rng, 1, 70.0)
