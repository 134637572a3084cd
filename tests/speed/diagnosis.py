"""Speed of drift and diagnosis: run `python tests/speed/diagnosis.py [trunks] [days]`.

Prints circuits per second of the diagnosis of a fleet in which every circuit is read and weighed, and
compares the compiled change-point scan with the `ruptures` library on the same series.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import ruptures

sys.path.insert(0, str(Path(__file__).parents[1] / "truth"))

from fault_fleet import build

from planner.health.change_points import segment_series
from planner.progress import silent
from planner.stages import diagnose, drift
from planner.store.database import open_database, transaction


def fleet_rates(trunks: int, days: int) -> tuple[int, float, float]:
    """Circuits, and circuits per second of drift and of diagnosis, compiled code warm."""
    with tempfile.TemporaryDirectory() as folder:
        con = open_database(Path(folder) / "fleet.duckdb")
        fleet = build(con, 1, trunks, days)
        seconds = []
        for stage in (drift, diagnose, drift, diagnose):
            started = time.perf_counter()
            with transaction(con):
                stage.run(con, fleet.now, silent)
            seconds.append(time.perf_counter() - started)
        con.close()
    count = len(fleet.truth)
    return count, count / seconds[2], count / seconds[3]


def scan_ratio(series: int = 40, days: int = 180) -> float:
    """How many times faster the compiled scan is than ruptures' PELT on the same series."""
    rows = np.random.default_rng(1).normal(0, 0.1, (series, days))
    rows[:, days // 2 :] += 0.5
    segment_series(rows)
    started = time.perf_counter()
    segment_series(rows)
    own = time.perf_counter() - started
    started = time.perf_counter()
    for row in rows:
        ruptures.Pelt(model="l2", min_size=3, jump=1).fit(row).predict(pen=0.5)
    return (time.perf_counter() - started) / own


if __name__ == "__main__":
    trunks, days = (int(sys.argv[1]) if len(sys.argv) > 1 else 80), (int(sys.argv[2]) if len(sys.argv) > 2 else 360)
    circuits, drifted, diagnosed = fleet_rates(trunks, days)
    print(f"{circuits} circuits, {days} days: drift {drifted:.0f}, diagnosis {diagnosed:.0f} circuits/s")
    print(f"change-point scan: {scan_ratio():.0f} times as fast as ruptures' PELT")
