"""How fast a delivery is checked and stored, against two ways that check nothing.

    python tests/speed/intake.py --rows 20000000

One file of power readings (and one of mating events, a quarter as long) is loaded into a store that knows the
ports. Compared in the same run, on the same file:

- the engine's own typed COPY into a table: no checks, no keys, wrong casts pass;
- pandas read_csv and to_sql into SQLite, at most two million rows of it, in rows per second.

Wall times of one machine say little; the ratios do. CPU seconds are printed because wall time suffers from
whatever else runs.
"""

from __future__ import annotations

import argparse
import resource
import shutil
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import duckdb
import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "unit"))

from tiny_fleet import tiny_fleet, write_fleet

from planner.store.database import open_database
from planner.store.loading import load_sources

PORTS = 50_000
PANDAS_ROWS = 2_000_000
MOMENT = datetime(2031, 1, 1)


@dataclass(frozen=True)
class Measured:
    """One way of taking a file in."""

    way: str
    rows: int
    wall_s: float
    cpu_s: float

    @property
    def rows_per_s(self) -> float:
        """Rows per second of wall time."""
        return self.rows / self.wall_s


def measured(way: str, rows: int, work: Callable[[], object]) -> Measured:
    """Time a piece of work."""
    before, started = resource.getrusage(resource.RUSAGE_SELF), time.perf_counter()
    work()
    wall = time.perf_counter() - started
    after = resource.getrusage(resource.RUSAGE_SELF)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Measured(way, rows, wall, cpu)


def write_plant(folder: Path) -> Path:
    """The tiny fleet with many ports, as files."""
    fleet = tiny_fleet()
    port = fleet["ports"][0]
    fleet["ports"] += [{**port, "port_id": f"PORT-{number:06d}"} for number in range(PORTS)]
    del fleet["power_readings"]
    return write_fleet(folder, fleet)


def write_readings(path: Path, rows: int, bad_share: float) -> int:
    """Power readings as a CSV file, every 1/bad_share-th of them broken in one of five ways; returns how many."""
    every = round(1 / bad_share) if bad_share else rows + 1
    con = duckdb.connect()
    con.execute("SELECT setseed(0.5)")
    con.execute(
        f"""
        COPY (SELECT
            CASE WHEN bad = 0 THEN '2031-02-30T00:00:00Z'
                 ELSE strftime(TIMESTAMP '2031-01-01' + to_hours(CAST(i // {PORTS} AS INTEGER)), '%Y-%m-%dT%H:%M:%SZ')
            END AS "at",
            'PORT-' || lpad(CASE WHEN bad = 1 THEN '999999' ELSE CAST(i % {PORTS} AS VARCHAR) END, 6, '0') AS port_id,
            CASE WHEN bad = 2 THEN 'NaN' ELSE CAST(round(random() * 2 - 1, 2) AS VARCHAR) END AS tx_dbm,
            CASE WHEN bad = 3 THEN '-8,5 ' ELSE CAST(round(-8 - random(), 2) AS VARCHAR) END AS rx_dbm,
            CASE WHEN bad = 4 THEN '1.5' WHEN random() < 0.2 THEN NULL
                 ELSE printf('%.2e', random() * 1e-9) END AS pre_fec_ber
        FROM (SELECT i, CASE WHEN i % {every} = {every} - 1 THEN (i // {every}) % 5 END AS bad FROM range({rows}) t(i))
        ) TO '{path}' (HEADER)
        """
    )
    con.close()
    return rows // every


def write_matings(path: Path, rows: int) -> None:
    """Mating events as a CSV file."""
    duckdb.execute(
        f"""
        COPY (SELECT 'EVENT-' || lpad(CAST(i AS VARCHAR), 9, '0') AS event_id,
            strftime(TIMESTAMP '2029-01-01' + to_seconds(i * 7), '%Y-%m-%dT%H:%M:%SZ') AS "at",
            'PORT-' || lpad(CAST(i * 7919 % {PORTS} AS VARCHAR), 6, '0') AS port_id,
            CASE WHEN i % 3 = 0 THEN 'rear' ELSE 'front' END AS face, 'C' || (1 + i % 2) AS connector_id,
            CASE WHEN i % 2 = 0 THEN 'demate' ELSE 'mate' END AS action, i % 5 = 0 AS inspected_first,
            CASE WHEN i % 4 = 0 THEN NULL ELSE i % 7 = 0 END AS cleaned_first,
            'W' || (i % 300) AS technician_id, 'O' || (i // 4) AS work_order_id FROM range({rows}) t(i))
        TO '{path}' (HEADER)
        """
    )


def load_into(store: Path, file: Path, kept_out: int) -> None:
    """Load the file into a store that has the plant."""
    con = open_database(store)
    report = load_sources(con, [file], mapping=None, strict=False, loaded_at=MOMENT)
    con.close()
    if report.total("rows_kept_out") != kept_out:
        raise SystemExit(f"{kept_out} rows were planted, {report.total('rows_kept_out')} kept out")


def copy_with_engine(store: Path, file: Path, types: str) -> None:
    """The engine's typed read into a table of a new file."""
    store.unlink(missing_ok=True)
    con = duckdb.connect(str(store))
    con.execute(
        f"CREATE TABLE t AS SELECT * FROM read_csv('{file}', header = true, auto_detect = false, delim = ',', "
        f"quote = '\"', columns = {types})"
    )
    con.close()


def copy_with_pandas(store: Path, file: Path, rows: int) -> None:
    """pandas into SQLite."""
    store.unlink(missing_ok=True)
    frame = pd.read_csv(file, nrows=rows, parse_dates=["at"])
    con = sqlite3.connect(store)
    frame.to_sql("t", con, index=False, chunksize=100_000)
    con.close()


READINGS = "{'at': 'TIMESTAMP', 'port_id': 'VARCHAR', 'tx_dbm': 'DOUBLE', 'rx_dbm': 'DOUBLE', 'pre_fec_ber': 'DOUBLE'}"
MATINGS = (
    "{'event_id': 'VARCHAR', 'at': 'TIMESTAMP', 'port_id': 'VARCHAR', 'face': 'VARCHAR', 'connector_id': 'VARCHAR', "
    "'action': 'VARCHAR', 'inspected_first': 'BOOLEAN', 'cleaned_first': 'BOOLEAN', 'technician_id': 'VARCHAR', "
    "'work_order_id': 'VARCHAR'}"
)


def compare(rows: int, folder: Path) -> list[tuple[str, list[Measured]]]:
    """Every file taken in every way."""
    plant = folder / "plant.duckdb"
    con = open_database(plant)
    load_sources(con, [write_plant(folder / "plant")], mapping=None, strict=True, loaded_at=MOMENT)
    con.close()
    store = folder / "store.duckdb"
    found = []
    for name, count, types, bad_share in (
        ("power_readings", rows, READINGS, 0.0),
        ("power_readings, 0.1 % of rows bad", rows, "", 0.001),
        ("mating_events", rows // 4, MATINGS, 0.0),
    ):
        file = folder / f"{name.partition(',')[0]}.csv"
        kept_out = 0
        if name.startswith("power"):
            kept_out = write_readings(file, count, bad_share)
        else:
            write_matings(file, count)

        def ours(file: Path = file, kept_out: int = kept_out) -> None:
            load_into(store, file, kept_out)

        shutil.copy(plant, store)
        ways = [measured("checked and stored", count, ours)]
        if types:

            def raw(file: Path = file, types: str = types) -> None:
                copy_with_engine(store, file, types)

            few = min(count, PANDAS_ROWS)

            def with_pandas(file: Path = file, few: int = few) -> None:
                copy_with_pandas(folder / "store.sqlite", file, few)

            ways.append(measured("engine COPY, unchecked", count, raw))
            ways.append(measured("pandas to SQLite, unchecked", few, with_pandas))
        file.unlink()
        found.append((name, ways))
    return found


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=5_000_000, help="power readings; a quarter as many matings")
    rows = parser.parse_args().rows
    with tempfile.TemporaryDirectory() as folder:
        for name, ways in compare(rows, Path(folder)):
            print(name)
            for way in ways:
                ratio = ways[0].rows_per_s / way.rows_per_s
                print(
                    f"  {way.way:28s} {way.rows:>11,} rows {way.wall_s:8.2f} s wall {way.cpu_s:8.2f} s CPU "
                    f"{way.rows_per_s / 1e6:7.2f} M rows/s" + ("" if way is ways[0] else f"   ours is {ratio:.2f} x")
                )
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory of this process: {peak:,.0f} MB")


if __name__ == "__main__":
    main()
