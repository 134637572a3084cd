"""A whole invented fleet as files: plant, history, readings, and the hidden truth in a folder of its own.

`simulate` builds the plant, plans jobs and faults, lets the kernel live through the days, spoils the
records the way real records are spoilt, and writes every intake table. Same settings, same bytes.

What the truth folder holds stands in `planner.synthetic.truth_files`.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from planner.progress import Progress, silent
from planner.synthetic import history as h
from planner.synthetic import particles as pt
from planner.synthetic import state as st
from planner.synthetic.faults import Faults, plan_faults
from planner.synthetic.jobs import Jobs, plan_jobs, without_reports
from planner.synthetic.plant import (
    APPLICATION_NM,
    Plant,
    build_plant,
)
from planner.synthetic.plant_files import plant_record_errors, write_plant
from planner.synthetic.readings import Changes, Series, blocks
from planner.synthetic.records import (
    cleaning_block,
    defect_block,
    inspection_blocks,
    mating_block,
    order_block,
    otdr_block,
    test_block,
    true_mating_block,
)
from planner.synthetic.settings import (
    LOOK_AHEAD_DAYS,
    Settings,
    log_rows,
    meter,
    parameters,
    spoiling,
)
from planner.synthetic.story import Story, plant_story_faults, plant_story_world, spoil_story_faces
from planner.synthetic.truth_files import dirt_from, on_circuits, truth_now, write_faces, write_truth
from planner.synthetic.world import element_distances, make_world, new_parts, static_loss
from planner.synthetic.writing import TableFile, ids, moments, number, write_table

Numbers = npt.NDArray[Any]
IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]


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
    luck = [stream_state(r) for r in (streams[3], streams[9], streams[8])]
    progress(0.05, "giving faces a past")
    new_parts(plant, world, faces, streams[3])
    h.past_life(world, faces, par, luck[0])
    if story:
        spoil_story_faces(plant, faces, streams[3], told)
        h.refresh(world, faces)
    recorded_front, record_errors = plant_record_errors(plant, world, settings, streams[4])
    write_plant(plant, world, folder, settings, recorded_front)
    initial = world.circuit["excess"][:-1].copy()
    offset_at_start = world.port["offset"].copy()
    jobs = without_reports(plan_jobs(plant, world, settings, streams[5]), told.unnoticed)
    along, total_m = element_distances(plant, world)
    changes = _live_and_record(
        plant, world, faces, jobs, settings, par, luck[1], streams[6], folder, along, total_m, progress, told
    )
    progress(0.72, "writing readings")
    _write_readings(plant, world, faults, changes, initial, settings, streams[7], folder)
    progress(0.92, "writing the truth")
    now = truth_now(plant, world, faces)
    on_now = on_circuits(plant, world, world.port["front"])
    source = dirt_from(faces)
    write_truth(plant, world, faults, settings, truth, record_errors, told, offset_at_start, faces)
    _look_ahead(plant, world, faces, jobs, settings, par, luck[2])
    write_faces(source, on_now, now, truth_now(plant, world, faces), truth)
    progress(1.0, "done")
    return told


def stream_state(rng: np.random.Generator) -> npt.NDArray[np.uint64]:
    """The state of a kernel's stream of numbers, drawn from a generator."""
    return rng.integers(0, 2**63, 1).astype(np.uint64)


def acceptance_rows(plant: Plant, world: st.World, settings: Settings, rng: np.random.Generator) -> FloatArray:
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
        rows[:, 0] = service[who] * st.DAY_MIN + 600 + k
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
    rows_of_all: FloatArray = np.maximum(np.concatenate(tests), -1e7)
    return rows_of_all


def _live_and_record(
    plant: Plant,
    world: st.World,
    faces: pt.Faces,
    jobs: Jobs,
    settings: Settings,
    par: FloatArray,
    luck: npt.NDArray[np.uint64],
    rng: np.random.Generator,
    folder: Path,
    along: FloatArray,
    total_m: FloatArray,
    progress: Progress,
    told: Story,
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Run the days, writing logs as they fill; gives the changes of circuits' excess (circuit, day, dB)."""
    logs = st.empty_logs(log_rows(settings), world.circuit.shape[0])
    how = spoiling(settings)
    clock = plant.technicians["clock_min"].astype(np.float64)
    fmt, start = settings.file_format, settings.start
    cursor = np.array([0, 0, -2], np.int64)
    kept: list[FloatArray] = []
    renewed: list[FloatArray] = []
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
            luck,
        )
        count = logs.filled
        mating = logs.rows(st.LOG_MATING)
        files["mating_events"].write(mating_block(mating, files["mating_events"].rows, start, clock, how, rng))
        files["true_matings"].write(true_mating_block(mating, start))
        looks, inspected, recorded = inspection_blocks(
            logs.rows(st.LOG_LOOK), start, clock, how, rng, plant.test_housings
        )
        files["inspections"].write(looks)
        files["inspected"].write(inspected)
        files["end_face_defects"].write(defect_block(logs.rows(st.LOG_MARK), recorded))
        files["cleanings"].write(
            cleaning_block(logs.rows(st.LOG_CLEAN), files["cleanings"].rows, start, clock, how, rng)
        )
        files["loss_tests"].write(
            test_block(logs.rows(st.LOG_TEST), files["loss_tests"].rows, start, clock, how, plant.test_housings)
        )
        otdr = logs.rows(st.LOG_OTDR)
        files["otdr_events"].write(otdr_block(otdr, _otdr_distance(otdr, world, along, total_m, end_of_launch), start))
        files["work_orders"].write(order_block(logs.rows(st.LOG_ORDER), start, how, rng))
        kept.append(logs.rows(st.LOG_CHANGE).copy())
        renewed.append(logs.rows(st.LOG_RENEW).copy())
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
    return change[:, 1].astype(np.int64), change[:, 0] / st.DAY_MIN, change[:, 2]


def _otdr_distance(
    rows: FloatArray, world: st.World, along: FloatArray, total_m: FloatArray, launch_m: float
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
    optical: FloatArray = launch_m + np.maximum(0.0, distance)
    return optical


def _write_readings(
    plant: Plant,
    world: st.World,
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
    monitored = np.less(rng.random(n), settings.monitored_share)
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
    size = np.where(light == st.FAULT_BEND, size * bend, size)
    order = np.argsort(changes[0], kind="stable")
    known = Changes(
        circuit=changes[0][order],
        day=changes[1][order],
        excess_db=changes[2][order],
        fault_circuit=faults.circuit,
        fault_from=faults.onset[faults.fault] / st.DAY_MIN,
        fault_to=world.fault["end"][faults.fault] / st.DAY_MIN,
        fault_ramp=faults.ramp[faults.fault] / st.DAY_MIN,
        fault_db=size,
        fault_of_tx=light == st.FAULT_TRANSMITTER,
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


def _look_ahead(
    plant: Plant,
    world: st.World,
    faces: pt.Faces,
    jobs: Jobs,
    settings: Settings,
    par: FloatArray,
    luck: npt.NDArray[np.uint64],
) -> None:
    """Let 60 more days pass with changes and ageing, but no rounds, tests, complaints or alarms."""
    after = jobs.at >= settings.days * st.DAY_MIN
    plain = after & np.isin(jobs.kind, (st.JOB_INSTALL, st.JOB_CHANGE, st.JOB_DISTURB))
    quiet = par.copy()
    quiet[pt.P_ALARM_CHANCE] = 0.0
    logs = st.empty_logs(log_rows(settings), world.circuit.shape[0])
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
        luck,
    ):
        logs.filled[:] = 0
