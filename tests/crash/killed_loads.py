"""Kill a load at chosen moments and say what the store held afterwards; run as a process of its own.

    python killed_loads.py STORE BASE DELIVERY SEED KILLS

Everything is imported once and each load runs in a fork, so that a kill costs no start of an interpreter.
Prints one JSON object: digests of the store before and after the delivery, and per kill the moment (as a
share of a whole load), whether the load had been acknowledged, and the digest found by the next opening.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sys
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from planner.store.database import open_database
from planner.store.loading import load_sources
from planner.tables.catalogue import TABLES

MOMENT = datetime(2031, 1, 1)


def digest(store: Path) -> str:
    """Rows and content of every table, in one text."""
    con = open_database(store)
    parts = []
    for name in TABLES:
        row = con.execute(f'SELECT count(*), coalesce(sum(hash(t)), 0) FROM "{name}" t').fetchone()
        parts.append(f"{name} {row}")
    con.close()
    return "\n".join(parts)


def load(store: Path, delivery: Path) -> str:
    """Load the delivery and acknowledge it."""
    con = open_database(store)
    report = load_sources(con, [delivery], mapping=None, strict=False, loaded_at=MOMENT)
    os.write(ACKNOWLEDGED[1], b"done")
    con.close()
    return f"load {report.load_id}"


ACKNOWLEDGED: tuple[int, int] = (0, 0)


def in_fork(work: Callable[[], str]) -> tuple[int, int]:
    """Start the work in a fork; returns its process and the pipe its answer comes through."""
    answer, write = os.pipe()
    process = os.fork()
    if process == 0:
        os.write(write, work().encode())
        os._exit(0)
    os.close(write)
    return process, answer


def finished(process: int, answer: int) -> str:
    """Wait for a fork and return its answer; fails if the work failed."""
    text = b""
    while block := os.read(answer, 1 << 16):
        text += block
    os.close(answer)
    _, status = os.waitpid(process, 0)
    if os.waitstatus_to_exitcode(status) != 0:
        raise SystemExit("the work in a fork failed")
    return text.decode()


def main() -> None:
    """Measure one whole load, then kill loads at random moments of that length."""
    global ACKNOWLEDGED
    store, base, delivery = (Path(argument) for argument in sys.argv[1:4])
    rng = random.Random(int(sys.argv[4]))
    shutil.copy(base, store)
    before = finished(*in_fork(lambda: digest(store)))
    ACKNOWLEDGED = os.pipe()
    started = time.monotonic()
    finished(*in_fork(lambda: load(store, delivery)))
    whole = time.monotonic() - started
    after = finished(*in_fork(lambda: digest(store)))
    shutil.copy(base, store)
    kills = []
    for number in range(int(sys.argv[5])):
        # stratified, so that every part of a load is hit
        share = (number + rng.random()) / int(sys.argv[5]) * 1.1
        ACKNOWLEDGED = os.pipe()
        os.set_blocking(ACKNOWLEDGED[0], False)
        process, answer = in_fork(lambda: load(store, delivery))
        time.sleep(share * whole)
        os.kill(process, signal.SIGKILL)
        os.waitpid(process, 0)
        os.close(answer)
        try:
            acknowledged = os.read(ACKNOWLEDGED[0], 4) == b"done"
        except BlockingIOError:
            acknowledged = False
        for end in ACKNOWLEDGED:
            os.close(end)
        found = finished(*in_fork(lambda: digest(store)))
        kills.append({"share": share, "acknowledged": acknowledged, "found": found})
        if found != before:
            shutil.copy(base, store)
            store.with_name(store.name + ".wal").unlink(missing_ok=True)
    print(json.dumps({"before": before, "after": after, "kills": kills}))


if __name__ == "__main__":
    main()
