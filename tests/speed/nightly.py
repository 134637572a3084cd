"""What a night costs: python tests/speed/nightly.py [--connectors N] [--days D].

An invented fleet is cut by days, as its records would come in. One database is analysed without the last day and
again when that day is loaded: that is a night. Another one gets the same files and is analysed once: that is a
whole analysis. Printed are the processor seconds of each step in both and their ratio; the result tables of the
two must be the same, row by row.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path

import duckdb
import numpy as np

from planner.pipeline import STEPS, bring_up_to_date
from planner.store.database import open_database
from planner.store.loading import load_sources
from planner.synthetic.fleet import simulate
from planner.synthetic.settings import Settings
from planner.tables.intake_tables import INTAKE_TABLES
from planner.tables.result_tables import RESULT_TABLES

LOADED_AT = datetime(2032, 1, 1)
STARTED = datetime(2030, 1, 1)


def cut_by_days(fleet: Path, into: Path, days: int, nights: int) -> list[Path]:
    """Folders of files as they come in: one with all but the last `nights` days, then one for each of these.

    An order that is closed on a later day comes twice: open first, then as it was closed.
    """
    ends = [STARTED + timedelta(days=days - nights + k) for k in range(nights + 1)]
    starts = [datetime(1900, 1, 1), *ends[:-1]]
    con = duckdb.connect()
    folders = []
    for number, (start, end) in enumerate(zip(starts, ends, strict=True)):
        folder = into / f"{number:03d}"
        folder.mkdir(parents=True)
        folders.append(folder)
        for table in INTAKE_TABLES:
            source = fleet / f"{table.name}.parquet"
            if not source.exists():
                continue
            rows = f"read_parquet('{source}')"
            if table.name == "work_orders":
                later = ", ".join(
                    f"CASE WHEN closed_at < '{end}' THEN {name} END AS {name}"
                    for name in ("cause_found", "action_taken", "closed_at")
                )
                chosen = f"""SELECT * REPLACE ({later}) FROM {rows}
                    WHERE opened_at < '{end}' AND (opened_at >= '{start}' OR closed_at BETWEEN '{start}' AND '{end}')"""
            elif table.name == "end_face_defects":
                chosen = f"""SELECT d.* FROM {rows} d JOIN read_parquet('{fleet}/inspections.parquet') i
                    USING (inspection_id) WHERE i."at" >= '{start}' AND i."at" < '{end}'"""
            elif table.time_column:
                chosen = f"""SELECT * FROM {rows}
                    WHERE "{table.time_column}" >= '{start}' AND "{table.time_column}" < '{end}'"""
            else:
                chosen = f"SELECT * FROM {rows} WHERE {number} = 0"
            con.execute(f"COPY ({chosen}) TO '{folder / source.name}'")
    con.close()
    return folders


def take_in(con: duckdb.DuckDBPyConnection, folder: Path) -> None:
    """Load one folder."""
    load_sources(con, [folder], mapping=None, strict=False, loaded_at=LOADED_AT)


def analyse(con: duckdb.DuckDBPyConnection) -> dict[str, float]:
    """Bring everything up to date; processor seconds of each step, which other work on the machine moves little."""
    began: dict[str, float] = {}

    def note(_share: float, words: str) -> None:
        began.setdefault(words, time.process_time())

    done = [report.stage for report in bring_up_to_date(con, progress=note)]
    moments = [*(began[words] for step, words, _ in STEPS if step in done), time.process_time()]
    return {step: end - start for step, start, end in zip(done, moments, moments[1:], strict=False)}


def different_tables(one: Path, other: Path) -> list[str]:
    """Names of the result tables whose rows are not the same in two databases."""
    con = duckdb.connect()
    con.execute(f"ATTACH '{one}' AS one (READ_ONLY)")
    con.execute(f"ATTACH '{other}' AS other (READ_ONLY)")
    differing = []
    for table in RESULT_TABLES:
        names = ", ".join(f'"{name}"' for name in table.column_names)
        one_rows, other_rows = (f"SELECT {names} FROM {side}.{table.name}" for side in ("one", "other"))
        only = [f"({a} EXCEPT ALL {b})" for a, b in ((one_rows, other_rows), (other_rows, one_rows))]
        if con.execute(f"SELECT 1 FROM ({' UNION ALL '.join(only)}) LIMIT 1").fetchone():
            differing.append(table.name)
    con.close()
    return differing


def nights(folders: Sequence[Path], work: Path) -> tuple[dict[str, float], dict[str, float], list[str]]:
    """Processor seconds by step of the last night and of a whole analysis of the same files, and which tables differ.

    `folders` come in one by one and are analysed one by one in the first database; in the second all are loaded
    before the only analysis.
    """
    grown, fresh = work / "grown.duckdb", work / "fresh.duckdb"
    con = open_database(grown)
    night: dict[str, float] = {}
    for folder in folders:
        started = time.process_time()
        take_in(con, folder)
        loaded = time.process_time() - started
        night = {"load": loaded, **analyse(con)}
    con.close()
    con = open_database(fresh)
    started = time.process_time()
    for folder in folders:
        take_in(con, folder)
    whole = {"load": time.process_time() - started, **analyse(con)}
    con.close()
    return night, whole, different_tables(grown, fresh)


def fleet_in(folder: Path, connectors: int, days: int) -> Path:
    """An invented fleet in Parquet files."""
    settings = Settings(
        connectors=connectors, days=days, seed=5, start=np.datetime64(STARTED, "D"), file_format="parquet"
    )
    simulate(folder, settings)
    return folder


def main() -> None:
    """Measure one size and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--connectors", type=int, default=240_000)
    parser.add_argument("--days", type=int, default=365)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        work = Path(name)
        small = cut_by_days(fleet_in(work / "small", 1_500, 40), work / "small_days", 40, 1)
        (work / "first").mkdir()
        nights(small, work / "first")  # lets everything compile
        folders = cut_by_days(
            fleet_in(work / "fleet", arguments.connectors, arguments.days), work / "days", arguments.days, 1
        )
        night, whole, differing = nights(folders, work)
    for step in ("load", *(step for step, _, _ in STEPS)):
        sys.stdout.write(f"{step:10s} whole {whole[step]:8.2f} s   night {night[step]:8.2f} s")
        sys.stdout.write(f"   ratio {whole[step] / max(night[step], 1e-3):6.2f}\n")
    total, spent = sum(whole.values()), sum(night.values())
    sys.stdout.write(f"{'total':10s} whole {total:8.2f} s   night {spent:8.2f} s   ratio {total / spent:6.2f}\n")
    sys.stdout.write(f"tables that differ: {', '.join(differing) or 'none'}\n")


if __name__ == "__main__":
    main()
