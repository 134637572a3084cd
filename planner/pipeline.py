"""The main path: from a folder of tables to ranked end faces. A newcomer starts here.

    load      planner.intake + planner.store.loading   files -> checked tables
    derive    planner.stages.derive     latest state of every end face
    trace     planner.stages.trace      the path of every circuit, and what contradicts the records
    drift     planner.stages.drift      change of every series of readings
    light     planner.stages.light      expected loss, margin
    health    planner.stages.health     probability that each end face is contaminated or damaged
    diagnose  planner.stages.diagnose   what eats each circuit's margin
    rank      planner.stages.rank       which end faces to visit first, and why
    route     planner.stages.route      which crew goes where, when (asked for by `planner route`)

Each step reads the tables before it and replaces its own, in one transaction with its line in
`stage_runs`; a step is run again only when newer data came in, another moment is asked for, the operator's own
limits (the file that PLANNER_LIMITS names) changed, or another version of the planner ran it last.

A step works on the whole history. Kept from the night before is only what would come out the same: `connector_state`
of end faces that no load touched (derive), power series when nothing they rest on came in (drift), and the figures
that beliefs rest on, which are learned once a week (health, see planner.health.fleet_figures).
"""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from importlib import import_module
from pathlib import Path

import duckdb

from planner.code_mark import code_mark
from planner.errors import InputError
from planner.progress import Progress, part_of, silent
from planner.store.database import has_rows, newest_load, transaction
from planner.store.derived_queries import newest_record, newest_time
from planner.store.stage_ledger import forget_run, record_run, seen_loads, seen_settings
from planner.tables.catalogue import REQUIRED_TABLES

Stage = Callable[[duckdb.DuckDBPyConnection, datetime, Progress], str]

# Step, what it does in words, share of the time it takes (for the progress bar only).
STEPS: tuple[tuple[str, str, float], ...] = (
    ("derive", "latest state of every end face", 0.05),
    ("trace", "tracing every circuit", 0.15),
    ("drift", "drift of every series of readings", 0.15),
    ("light", "loss budgets", 0.10),
    ("health", "state of every end face", 0.25),
    ("diagnose", "diagnosing circuits", 0.20),
    ("rank", "ranking", 0.10),
)


OWN_FILES = {"light": "PLANNER_LIMITS"}
"""Environment variable that names a step's file of the operator's own settings."""


@dataclass(frozen=True)
class StageReport:
    """One step that was run: its name, seconds taken and what it could not assess."""

    stage: str
    seconds: float
    note: str


def moment_of(con: duckdb.DuckDBPyConnection, now: datetime | None) -> datetime:
    """The moment results are for: the one asked for, else the newest time in the data.

    Raises
    ------
    InputError
        Nothing was asked for and the data holds no time at all.
    """
    moment = now or newest_time(con) or newest_record(con)
    if moment is None:
        raise InputError("the database is empty; load a folder first: planner load FOLDER --db FILE")
    return moment.replace(tzinfo=None)


def stale_steps(con: duckdb.DuckDBPyConnection, now: datetime) -> tuple[str, ...]:
    """The steps to run, in order: from the first on that has not seen the newest load, this moment or its settings."""
    seen, settings = seen_loads(con), seen_settings(con)
    wanted = (newest_load(con), now)
    names = [name for name, _, _ in STEPS]
    for position, name in enumerate(names):
        if seen.get(name) != wanted or settings[name] != settings_of(name):
            return tuple(names[position:])
    return ()


def settings_of(step: str) -> str:
    """What a step would work with now beside the data: fingerprints of its code and of the operator's own file."""
    named = os.environ.get(OWN_FILES.get(step, ""), "")
    if not named:
        return code_mark()
    path = Path(named)
    # a file that is not there is for the step to refuse
    content = path.read_bytes() if path.is_file() else b""
    return f"{code_mark()} {path.name} {hashlib.sha256(content).hexdigest()[:16]}"


def is_up_to_date(con: duckdb.DuckDBPyConnection, now: datetime | None = None) -> bool:
    """Whether no step would have to be run for that moment; a reading connection is enough to ask.

    Raises
    ------
    InputError
        The database is empty.
    """
    return not stale_steps(con, moment_of(con, now or _moment_kept(con)))


def bring_up_to_date(
    con: duckdb.DuckDBPyConnection,
    now: datetime | None = None,
    progress: Progress = silent,
    *,
    force: bool = False,
) -> list[StageReport]:
    """Run the steps whose results are older than the data; none if all are current.

    Parameters
    ----------
    con
        An open, writable database.
    now
        The moment (UTC) results are for; by default the moment last asked for while no newer data came,
        else the newest time in the data.
    progress
        Told the share done; raises `Cancelled` to stop between writes.
    force
        Run every step whether or not its results are current.

    Returns
    -------
    One report per step that was run.

    Raises
    ------
    InputError
        A required table is empty.
    """
    for table in REQUIRED_TABLES:
        if not has_rows(con, table):
            raise InputError(
                f"{table}: the database holds no rows of this required table; "
                f"load a folder with {table}.csv or {table}.parquet first"
            )
    moment = moment_of(con, now or _moment_kept(con))
    steps = tuple(name for name, _, _ in STEPS) if force else stale_steps(con, moment)
    total = sum(share for name, _, share in STEPS if name in steps)
    reports: list[StageReport] = []
    done = 0.0
    for name, words, share in STEPS:
        if name not in steps:
            continue
        reports.append(_run_step(con, name, moment, part_of(progress, done / total, (done + share) / total), words))
        done += share
    if reports:
        progress(1.0, "up to date")
    return reports


def _run_step(con: duckdb.DuckDBPyConnection, name: str, now: datetime, progress: Progress, words: str) -> StageReport:
    stage: Stage = import_module(f"planner.stages.{name}").run
    progress(0.0, words)
    started = time.perf_counter()
    settings = settings_of(name)
    with transaction(con):
        if seen_settings(con).get(name) != settings:
            forget_run(con, name)  # nothing is kept of what another version or other settings came to
        note = stage(con, now, progress)
        seconds = time.perf_counter() - started
        record_run(con, name, now, seconds, note, settings)
    return StageReport(name, seconds, note)


def _moment_kept(con: duckdb.DuckDBPyConnection) -> datetime | None:
    """The moment of the last analysis, as long as no newer data came in since."""
    runs = [run for stage, run in seen_loads(con).items() if stage != "route"]
    if not runs or min(load_id for load_id, _ in runs) < newest_load(con):
        return None
    return max(moment for _, moment in runs)
