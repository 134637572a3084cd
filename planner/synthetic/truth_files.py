"""The hidden truth as files.

The truth folder (Parquet), for tests and yardsticks only:

- end_faces: connector_id, in_service (is on the path of a circuit now), dirt_from (face over which its
  largest dirt came at its last jump; empty: from the air), contaminated, damaged, dirt_db,
  damage_db, excess_db (loss the face causes in its joint now, worst fibre), degrades (excess_db >= 0.2 on a circuit),
  and the same with `_60d` for 60 days later if nobody visits on purpose
- inspected: inspection_id, contaminated, damaged - the true state when it was looked at
- circuit_paths: circuit_id, position, element_kind, element_id, connector_id, port_id, site_id, now
- circuit_causes: circuit_id, cause, element_id, size_db, onset_at, main (largest of the circuit) - causes as
  in the diagnosis; a circuit with nothing at or above 0.2 dB has one row `nothing`
- circuit_losses: circuit_id, dirt_db, damage_db, offset_db (change of all its matings' offsets since the
  beginning), fault_db - what the circuit loses now by each, whatever its size
- faults: every fault that is not dirt, with element, onset, end, size and shape
- renewals: connector_id, at - faces renewed under their old id
- record_errors: kind, connector_id, port_id (as recorded), true_port_id
- technicians: technician_id, quality, eye, clock_min
- story: what was planted on purpose, in words and ids
- true_mating_events: all matings with true times, also those the records miss
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from planner.synthetic import history as h
from planner.synthetic import particles as pt
from planner.synthetic import state as st
from planner.synthetic.faults import Faults
from planner.synthetic.plant import (
    ADAPTER,
    CABLE,
    CORD_AT,
    FRONT,
    REAR,
    SPLICE,
    SPLITTER,
    Plant,
    circuit_of_element,
)
from planner.synthetic.settings import (
    DEGRADES_DB,
    Settings,
)
from planner.synthetic.story import Story
from planner.synthetic.writing import choice, flag, ids, moments, number, whole, write_table
from planner.tables.result_tables import CAUSES

Numbers = npt.NDArray[Any]
IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]


def dirt_from(faces: pt.Faces) -> IntArray:
    """The face over which each face's largest dirt came at its last jump; -1: from the air, or no dirt."""
    dirt = (faces.mark["kind"] != pt.NOTHING) & (faces.mark["kind"] < pt.PIT)
    largest = np.argmax(np.where(dirt, faces.mark["size"], 0.0), axis=1)
    rows = np.arange(largest.shape[0])
    return np.where(dirt.any(axis=1), faces.mark["origin"][rows, largest], -1).astype(np.int64)


def on_circuits(plant: Plant, world: st.World, front: IntArray) -> npt.NDArray[np.bool_]:
    """Whether each face lies on a circuit's path, given what is in the fronts."""
    on = np.zeros(plant.connectors["cable"].shape[0], bool)
    kind, ref = plant.element_kind, plant.element_ref
    for what, of_port in ((FRONT, front), (REAR, world.port["rear"])):
        face = of_port[ref[kind == what]]
        on[face[face >= 0]] = True
    return on


def truth_now(plant: Plant, world: st.World, faces: pt.Faces) -> FloatArray:
    """State of every face: contaminated, damaged, loss by dirt, by damage, by both; shape (faces, 5).

    Faces on a circuit have the loss that their joint really causes, as it is mated now; others that of a
    mating with a spotless face.
    """
    out = np.zeros((plant.connectors["cable"].shape[0], 5))
    h.truth_of_faces(faces, out)
    shares = shares_of_items(world, faces)
    port = world.item["port"]
    for own, of_port in ((shares[:, :2], world.port["front"]), (shares[:, 2:], world.port["rear"])):
        face = np.where(port >= 0, of_port[np.maximum(port, 0)], -1)
        on = face >= 0
        mated = np.zeros((out.shape[0], 3))
        np.maximum.at(mated, face[on], np.column_stack([own, own.sum(axis=1)])[on])
        out[face[on], 2:] = mated[face[on]]
    return out


def shares_of_items(world: st.World, faces: pt.Faces) -> FloatArray:
    """Loss by dirt and by damage of the front face, then of the rear face, of every path item. [dB]"""
    items = np.zeros((world.item["slot"].shape[0], 4))
    h.truth_of_items(world, faces, items)
    return items


def write_faces(
    source: IntArray, on_now: npt.NDArray[np.bool_], now: FloatArray, later: FloatArray, truth: Path
) -> None:
    """truth/end_faces: the state of every face at the end and 60 days on."""
    n = now.shape[0]
    columns: dict[str, pa.Array] = {
        "connector_id": ids("connector", np.arange(n)),
        "in_service": flag(on_now),
        "dirt_from": ids("connector", np.where(now[:, 0] > 0, source, -1)),
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


def write_truth(
    plant: Plant,
    world: st.World,
    faults: Faults,
    settings: Settings,
    truth: Path,
    record_errors: list[tuple[int, int, int]],
    told: Story,
    offset_at_start: FloatArray,
    faces: pt.Faces,
) -> None:
    """Everything of the truth but the faces: paths, causes, faults, record errors, technicians, story."""
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
            "ramp_days": number(faults.ramp / st.DAY_MIN, 1),
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


def _write_paths(plant: Plant, world: st.World, truth: Path) -> None:
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


def _write_causes(
    plant: Plant,
    world: st.World,
    faults: Faults,
    settings: Settings,
    truth: Path,
    record_errors: list[tuple[int, int, int]],
    offset_at_start: FloatArray,
    faces: pt.Faces,
) -> None:
    """truth/circuit_causes: everything that costs a circuit at least 0.2 dB now, the largest marked."""
    items = shares_of_items(world, faces)
    n_circuits = world.circuit["base"][:-1].shape[0]
    owner = np.repeat(np.arange(n_circuits), np.diff(world.circuit["first_item"]))
    end = settings.days * st.DAY_MIN
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
    write_table(
        truth,
        "circuit_losses",
        "parquet",
        {
            "circuit_id": ids("circuit", np.arange(n_circuits)),
            "dirt_db": number(np.bincount(owner, items[:, 0] + items[:, 2], n_circuits), 3),
            "damage_db": number(np.bincount(owner, items[:, 1] + items[:, 3], n_circuits), 3),
            "offset_db": number(np.bincount(owner, grown, n_circuits), 3),
            "fault_db": number(np.bincount(faults.circuit, now_db[faults.fault], n_circuits), 3),
        },
    )
    wrong_ports = np.array([p for _, p, _ in record_errors], dtype=np.int64)
    at = np.nonzero(np.isin(world.item["port"], wrong_ports))[0]
    add(7, "port", owner[at], world.item["port"][at], np.zeros(at.shape[0]))
    quiet = np.setdiff1d(np.arange(n_circuits), np.concatenate(circuit))
    add(8, "none", quiet, np.full(quiet.shape[0], -1), np.zeros(quiet.shape[0]))
    who, db, codes = np.concatenate(circuit), np.concatenate(size), np.concatenate(cause)
    order = np.lexsort((codes, -db, who))
    main = np.ones(order.shape[0], dtype=bool)
    main[1:] = who[order][1:] != who[order][:-1]
    kinds = np.concatenate([np.full(v.shape[0], k) for k, v in element])
    value = np.concatenate([v for _, v in element])
    when = np.concatenate(onset)[order]
    names = [ids(k, np.where(kinds[order] == k, value[order], -1)) for k in ("connector", "cable", "splice", "port")]
    write_table(
        truth,
        "circuit_causes",
        "parquet",
        {
            "circuit_id": ids("circuit", who[order]),
            "cause": choice(CAUSES, codes[order]),
            "element_id": pc.coalesce(*names),
            "size_db": number(db[order], 3),
            "onset_at": moments(settings.start, np.where(when > -1e11, when, 0.0), when < -1e11),
            "main": flag(main),
        },
    )
