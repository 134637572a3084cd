"""What survives: a load killed at any moment, a disk that is full, two writers, half a file."""

from __future__ import annotations

import gzip
import json
import resource
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import duckdb
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "unit"))

from tiny_fleet import full_fleet, write_fleet

from planner.store.database import open_database
from planner.store.loading import load_sources

HERE = Path(__file__).resolve().parent
MOMENT = datetime(2031, 1, 1)
PLANNER = [sys.executable, "-c", "from planner.cli import main; main()"]


def write_delivery(folder: Path, readings: int) -> Path:
    """A fleet with corrected plant rows, faults, and many readings of which some correct earlier ones."""
    fleet = full_fleet()
    fleet["sites"][0]["name"] = "corrected"
    fleet["housings"].append({"housing_id": "H-bad", "site_id": "nowhere", "kind": "panel"})
    del fleet["power_readings"]
    write_fleet(folder, fleet)
    duckdb.execute(
        "COPY (SELECT strftime(TIMESTAMP '2030-04-01' + to_minutes(CAST(i // 2 AS INTEGER)), '%Y-%m-%dT%H:%M:%SZ') "
        "AS \"at\", 'P' || (1 + i % 2) AS port_id, -1.5 AS tx_dbm, "
        f"round(-8 - (i % 97) / 100, 2) AS rx_dbm FROM range({readings}) t(i)) "
        f"TO '{folder / 'power_readings.csv'}' (HEADER)"
    )
    return folder


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with one load in it."""
    folder = tmp_path_factory.mktemp("base")
    con = open_database(folder / "base.duckdb")
    load_sources(con, [write_fleet(folder / "fleet", full_fleet())], mapping=None, strict=True, loaded_at=MOMENT)
    con.close()
    return folder / "base.duckdb"


def test_a_load_killed_at_any_moment_is_all_or_nothing(base: Path, tmp_path: Path) -> None:
    """After each of 20 kills the store holds the state before or after, and after if it was acknowledged."""
    delivery = write_delivery(tmp_path / "delivery", 20_000)
    arguments = [str(tmp_path / "store.duckdb"), str(base), str(delivery), "1", "20"]
    done = subprocess.run(
        [sys.executable, str(HERE / "killed_loads.py"), *arguments], capture_output=True, text=True, check=True
    )
    told = json.loads(done.stdout)
    assert told["before"] != told["after"]
    for kill in told["kills"]:
        assert kill["found"] in (told["before"], told["after"]), kill["share"]
        if kill["acknowledged"]:
            assert kill["found"] == told["after"], kill["share"]
    assert sum(kill["found"] == told["before"] for kill in told["kills"]) >= 5, "the kills came too late to tell"


def test_a_full_disk_leaves_the_store_as_it_was(base: Path, tmp_path: Path) -> None:
    """When the file cannot grow the load says so, exits with 2, and the earlier load is untouched."""
    store = tmp_path / "store.duckdb"
    store.write_bytes(base.read_bytes())
    delivery = write_delivery(tmp_path / "delivery", 200_000)
    limit = store.stat().st_size + (1 << 19)
    done = subprocess.run(
        [*PLANNER, "load", str(delivery), "--db", str(store)],
        capture_output=True,
        text=True,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit)),
    )
    assert done.returncode == 2, done.stderr
    assert "nothing of it is stored" in done.stderr
    assert "Traceback" not in done.stderr
    con = open_database(store)
    assert con.execute("SELECT count(*) FROM loads").fetchone() == (1,)
    assert con.execute("SELECT count(*) FROM power_readings").fetchone() == (6,)
    load_sources(con, [delivery], mapping=None, strict=False, loaded_at=MOMENT)
    assert con.execute("SELECT count(*) FROM power_readings").fetchone() == (200_000,)
    con.close()


def test_a_second_writer_is_told_to_wait(base: Path, tmp_path: Path) -> None:
    """While one process writes, a load by another exits with 2 and one line."""
    store = tmp_path / "store.duckdb"
    store.write_bytes(base.read_bytes())
    con = open_database(store)
    done = subprocess.run(
        [*PLANNER, "load", str(write_fleet(tmp_path / "fleet")), "--db", str(store), "--wait", "0.2"],
        capture_output=True,
        text=True,
    )
    con.close()
    assert done.returncode == 2
    assert done.stderr.strip().count("\n") == 0
    assert "another process still has this database open" in done.stderr


def test_half_a_file_changes_nothing(base: Path, tmp_path: Path) -> None:
    """A delivery that broke off while it was packed is refused whole."""
    store = tmp_path / "store.duckdb"
    store.write_bytes(base.read_bytes())
    delivery = write_delivery(tmp_path / "delivery", 20_000)
    readings = delivery / "power_readings.csv"
    (delivery / "power_readings.csv.gz").write_bytes(gzip.compress(readings.read_bytes())[:-100])
    readings.unlink()
    done = subprocess.run([*PLANNER, "load", str(delivery), "--db", str(store)], capture_output=True, text=True)
    assert done.returncode == 2
    assert "power_readings.csv.gz: is not a complete gzip file" in done.stderr
    con = open_database(store)
    assert con.execute("SELECT count(*) FROM loads").fetchone() == (1,)
    con.close()
