"""Speed of the end-face inference: python tests/speed/inference.py [--faces N] [--events M].

An invented history is written to a database. In a process of its own, with one thread, it is read, its figures
are learned and all beliefs inferred with what explains them; then the whole step of the analysis is run, tables
written, and run again for the next day. Printed are processor seconds and peak memory. Beside it runs the same
forward sweep written in numpy by level (all operations whose predecessors are done, at once); both must agree,
and the ratio of their times is what counts.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from datetime import datetime, timedelta
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
from numba import njit

from planner.health.contamination import History, code_history, infer, learn_figures
from planner.health.episodes import (
    BOTH,
    CLEAN,
    DEMATE,
    LOOK,
    LOOK_AFTER,
    MATE,
    MERGE,
    SIDE_A,
    SIDE_B,
    SINGLE,
    SPLIT,
    Operations,
)
from planner.health.learning import METHODS, prior_rates, tables_of
from planner.health.sweeps import Messages, Tables, backward, beliefs, forward, no_messages
from planner.progress import silent
from planner.stages.health import read_history, run
from planner.store.database import open_database, transaction

DAY = 86400
NOW = datetime(1973, 1, 1)


def invented_history(faces: int, events: int, seed: int = 1) -> History:
    """Ports with a built-in end face and a cord each, launch cords that meet many, jobs spread over 3 years."""
    rng = np.random.default_rng(seed)
    ports = faces // 2
    launch = max(ports // 500, 1)
    n = 2 * ports + launch
    jobs = events // 5
    port = rng.integers(0, ports, jobs)
    at = np.sort(rng.integers(0, 3 * 365 * DAY, jobs))
    swap = rng.random(jobs) < 0.15
    people = (port // 50 // 40 * 4 + rng.integers(0, 4, jobs)) % 1000
    plug = ports + port
    tester = 2 * ports + rng.integers(0, launch, jobs)
    steps = [
        (DEMATE, plug, 0, np.zeros(jobs, np.int64), np.ones(jobs, bool)),
        (LOOK, np.where(rng.random(jobs) < 0.5, plug, port), 60, (rng.random(jobs) < 0.2).astype(np.int64),
         rng.random(jobs) < 0.7),
        (CLEAN, plug, 120, rng.integers(0, 6, jobs), rng.random(jobs) < 0.7),
        (LOOK_AFTER, plug, 180, (rng.random(jobs) < 0.1).astype(np.int64), rng.random(jobs) < 0.7),
        (MATE, tester, 240, np.zeros(jobs, np.int64), swap),
        (DEMATE, tester, 300, np.zeros(jobs, np.int64), swap),
        (MATE, plug, 360, np.zeros(jobs, np.int64), np.ones(jobs, bool)),
    ]  # fmt: skip
    columns = [
        np.concatenate(part)
        for part in zip(
            *[
                (
                    at[keep] + delay,
                    np.full(keep.sum(), kind),
                    face[keep],
                    port[keep],
                    detail[keep],
                    np.flatnonzero(keep),
                )
                for kind, face, delay, detail, keep in steps
            ],
            strict=True,
        )
    ]
    order = np.lexsort((columns[1], columns[0]))
    seconds, kind, face, where, detail, job = (column[order] for column in columns)
    moving = (kind == MATE) | (kind == DEMATE)
    m = len(seconds)
    nowhere = np.full(launch, -1)
    return History(
        seconds=seconds.astype(np.int64),
        kind=kind.astype(np.int8),
        face=face.astype(np.int32),
        port=np.where(moving, where, -1).astype(np.int32),
        face_side=np.zeros(m, np.int8),
        detail=detail.astype(np.int8),
        technician=people[job].astype(np.int32),
        test_set=people[job].astype(np.int32),
        suspected=np.zeros(m, np.bool_),
        known_after=np.zeros(m, np.int32),
        start_port=np.concatenate([np.full(ports, -1), np.arange(ports), nowhere]).astype(np.int32),
        start_face=np.zeros(n, np.int8),
        fixed_port=np.concatenate([np.arange(ports), np.full(ports, -1), nowhere]).astype(np.int32),
        face_kind=np.concatenate([np.ones(ports), np.zeros(ports), np.full(launch, 2)]).astype(np.int8),
        batch=np.full(n, -1, np.int32),
        port_site=(np.arange(ports) // 50).astype(np.int32),
        port_environment=(np.arange(ports) // 50 % 3).astype(np.int8),
        end_at=int(3 * 365 * DAY + DAY),
    )


@njit(cache=True)
def _levels(first, face_a, face_b, faces):  # type: ignore[no-untyped-def]
    last = np.zeros(faces, np.int64)
    level = np.empty(first[-1], np.int64)
    run = 0
    for k in range(first[-1]):
        while k >= first[run + 1]:
            run += 1
        a = face_a[run]
        b = a if face_b[run] < 0 else face_b[run]
        level[k] = max(last[a], last[b]) + 1
        last[a] = last[b] = level[k]
    return level


def forward_by_level(operations: Operations, tables: Tables, messages: Messages, level: np.ndarray) -> int:
    """One forward sweep with numpy, level by level; returns the number of levels."""
    order = np.argsort(level, kind="stable")
    bounds = np.flatnonzero(np.diff(level[order])) + 1
    faces, run = messages.faces, operations.run()
    pairs = np.empty((len(operations.face_a), 4, 4), np.float32)
    faces[:] = tables.start
    for chunk in np.split(order, bounds):
        code = operations.code[chunk]
        for kind in np.unique(code):
            these = chunk[code == kind]
            unit, cls = run[these], operations.cls[these]
            a, b = operations.face_a[unit], operations.face_b[unit]
            if kind == SINGLE:
                new = np.einsum("ki,kij->kj", faces[a], tables.single[cls])
                faces[a] = new / new.sum(axis=1, keepdims=True)
            elif kind in (SIDE_A, SIDE_B):
                how = "kij,kil->klj" if kind == SIDE_A else "kij,kjl->kil"
                new = np.einsum(how, pairs[unit], tables.single[cls])
                pairs[unit] = new / new.sum(axis=(1, 2), keepdims=True)
            elif kind == BOTH:
                new = np.einsum("ki,kij->kj", pairs[unit].reshape(-1, 16), tables.both[cls])
                pairs[unit] = (new / new.sum(axis=1, keepdims=True)).reshape(-1, 4, 4)
            elif kind == MERGE:
                pairs[unit] = faces[a][:, :, None] * faces[b][:, None, :]
                messages.formed[unit, 0], messages.formed[unit, 1] = faces[a], faces[b]
            else:
                joint = pairs[unit]
                new_a = np.einsum("kij,kj->ki", joint, messages.parted[unit, 1])
                new_b = np.einsum("kij,ki->kj", joint, messages.parted[unit, 0])
                faces[a] = new_a / new_a.sum(axis=1, keepdims=True)
                faces[b] = new_b / new_b.sum(axis=1, keepdims=True)
    whole = np.flatnonzero((operations.face_b >= 0) & (operations.code[operations.first[1:] - 1] != SPLIT))
    faces[operations.face_a[whole]] = pairs[whole].sum(axis=2)
    faces[operations.face_b[whole]] = pairs[whole].sum(axis=1)
    return len(bounds) + 1


def store_history(history: History, folder: Path) -> Path:
    """Write a history to a database of the planner's own shape, ids as text; every job has its work order."""
    path = folder / "fleet.duckdb"
    con = open_database(path)
    ports, n = len(history.port_site), history.faces
    con.register("port", pd.DataFrame({"no": np.arange(ports), "site": history.port_site}))
    con.register(
        "face",
        pd.DataFrame(
            {
                "no": np.arange(n),
                "start_port": history.start_port,
                "fixed_port": history.fixed_port,
                "kind": history.face_kind,
            }
        ),
    )
    job = np.cumsum((history.kind == DEMATE) & (history.face < 2 * ports))
    con.register(
        "event",
        pd.DataFrame(
            {
                "no": np.arange(len(job)),
                "seconds": history.seconds,
                "kind": history.kind,
                "face": history.face,
                "port": history.port,
                "detail": history.detail,
                "person": history.technician,
                "job": job,
            }
        ),
    )
    moment = "make_timestamp(seconds * 1000000)"
    who = "printf('T-%04d', person) AS technician_id, printf('W-%08d', job) AS work_order_id"
    places = ", ".join(f"'{name}'" for name in ("controlled", "indoor", "outdoor"))
    methods = ", ".join(f"'{name}'" for name in METHODS[:6])
    for statement in (
        f"""INSERT INTO sites BY NAME SELECT DISTINCT printf('S-%06d', site) AS site_id,
            [{places}][site % 3 + 1] AS environment FROM port""",
        """INSERT INTO housings BY NAME SELECT DISTINCT printf('H-%06d', site) AS housing_id,
           printf('S-%06d', site) AS site_id, 'panel' AS kind FROM port""",
        """INSERT INTO ports BY NAME SELECT printf('P-%08d', no) AS port_id, printf('H-%06d', site) AS housing_id,
           'equipment' AS role FROM port""",
        """INSERT INTO cables BY NAME SELECT printf('K-%08d', no) AS cable_id,
           CASE kind WHEN 2 THEN 'launch_cord' ELSE 'patch_cord' END AS kind FROM face WHERE fixed_port < 0""",
        """INSERT INTO connectors BY NAME SELECT printf('C-%08d', no) AS connector_id,
           CASE WHEN fixed_port < 0 THEN printf('K-%08d', no) END AS cable_id,
           CASE WHEN fixed_port >= 0 THEN printf('P-%08d', fixed_port) END AS fixed_port_id FROM face""",
        """INSERT INTO patching BY NAME SELECT printf('C-%08d', no) AS connector_id,
           printf('P-%08d', start_port) AS port_id, 'front' AS face FROM face WHERE start_port >= 0""",
        f"""INSERT INTO mating_events BY NAME SELECT printf('M-%08d', no) AS event_id, {moment} AS "at",
            printf('P-%08d', port) AS port_id, 'front' AS face, printf('C-%08d', face) AS connector_id,
            CASE kind WHEN {MATE} THEN 'mate' ELSE 'demate' END AS action, {who}
            FROM event WHERE kind IN ({MATE}, {DEMATE})""",
        f"""INSERT INTO inspections BY NAME SELECT printf('I-%08d', no) AS inspection_id, {moment} AS "at",
            printf('C-%08d', face) AS connector_id, CASE detail WHEN 0 THEN 'pass' ELSE 'fail' END AS result,
            CASE detail WHEN 1 THEN 'particle' END AS finding,
            CASE kind WHEN {LOOK_AFTER} THEN 'after_cleaning' ELSE 'before_cleaning' END AS stage,
            printf('TS-%04d', person) AS test_set_id, {who} FROM event WHERE kind IN ({LOOK}, {LOOK_AFTER})""",
        f"""INSERT INTO cleanings BY NAME SELECT printf('N-%08d', no) AS cleaning_id, {moment} AS "at",
            printf('C-%08d', face) AS connector_id, [{methods}][detail + 1] AS method, {who}
            FROM event WHERE kind = {CLEAN}""",
        """INSERT INTO work_orders BY NAME SELECT printf('W-%08d', job) AS work_order_id,
           CASE job % 10 WHEN 0 THEN 'alarm' ELSE 'planned' END AS reason FROM event GROUP BY job""",
    ):
        con.execute(statement)
    con.close()
    return path


def measure_store(path: Path) -> dict[str, float]:
    """Processor seconds from the database to beliefs and what explains them, one thread; and peak memory."""
    compile_first()
    con = duckdb.connect(str(path), config={"threads": 1})
    laps = {"start": time.process_time()}
    history, ids = read_history(con, NOW)
    laps["read_s"] = time.process_time()
    coded = code_history(history)
    laps["code_s"] = time.process_time()
    del coded
    laps["again"] = time.process_time()
    figures = learn_figures(history)
    laps["learn_s"] = time.process_time()
    inferred = infer(history, figures.rates)
    laps["infer_s"] = time.process_time()
    out = {"faces": float(len(ids)), "events": float(len(history.seconds)), "rounds": float(figures.rounds)}
    out |= {"operations": float(len(inferred.coded.operations.code)), "learned_from": float(figures.events)}
    del inferred
    names, moments = list(laps), list(laps.values())
    lasted = {name: after - before for name, before, after in zip(names[1:], moments, moments[1:], strict=False)}
    out |= {name: seconds for name, seconds in lasted.items() if not name.startswith("again")}
    out["from_store_to_beliefs_s"] = out["read_s"] + out["learn_s"] + out["infer_s"]
    out["peak_gb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    del history, ids
    for name in ("whole_step_s", "whole_step_next_night_s"):
        started = time.process_time()
        with transaction(con):
            run(con, NOW + timedelta(days=name != "whole_step_s"), silent)
        out[name] = time.process_time() - started
        out.setdefault("whole_step_peak_gb", resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2)
    con.close()
    return out


def compile_first() -> None:
    """Let everything compile on a small history."""
    history = invented_history(2_000, 10_000)
    infer(history, learn_figures(history).rates)


def measure(faces: int, events: int) -> dict[str, float]:
    """Times and agreement of one size."""
    compile_first()
    history = invented_history(faces, events)
    out: dict[str, float] = {}
    coded = code_history(history)
    operations = coded.operations
    tables = tables_of(prior_rates(coded.classes), coded.classes, operations.waited)
    messages = no_messages(operations, history.faces)
    forward(operations, tables, messages)
    started = time.process_time()
    forward(operations, tables, messages)
    one_forward = time.process_time() - started
    ours = beliefs(messages)
    reference = no_messages(operations, history.faces)
    level = _levels(operations.first, operations.face_a, operations.face_b, history.faces)
    started = time.process_time()
    out["levels"] = forward_by_level(operations, tables, reference, level)
    by_level = time.process_time() - started
    out["largest_difference"] = float(np.abs(beliefs(reference) - ours).max())
    started = time.process_time()
    backward(operations, tables, messages)
    forward(operations, tables, messages)
    out["sweeps_s"] = one_forward + time.process_time() - started
    out["numpy_by_level_over_ours"] = by_level / one_forward
    return out


def main() -> None:
    """Measure one size and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--faces", type=int, default=1_000_000)
    parser.add_argument("--events", type=int, default=10_000_000)
    parser.add_argument("--store", type=Path, help="measure this database, in this process")
    arguments = parser.parse_args()
    if arguments.store:
        sys.stdout.write(json.dumps(measure_store(arguments.store)) + "\n")
        return
    with tempfile.TemporaryDirectory() as name:
        path = store_history(invented_history(arguments.faces, arguments.events), Path(name))
        # in a process of its own, so that the peak is that of the inference
        command = [sys.executable, __file__, "--store", str(path)]
        figures = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    figures |= measure(arguments.faces, arguments.events)
    for key, value in figures.items():
        sys.stdout.write(f"{key:28s} {value:14,.4f}\n")


if __name__ == "__main__":
    main()
