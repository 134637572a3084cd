"""Copies of the store: complete, newest found, older pruned, readers undisturbed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import duckdb
import pytest

from planner.errors import StoreError
from planner.store.database import open_database
from planner.store.snapshots import copy_database, newest, publish


def make_store(path: Path, sites: int) -> Path:
    """A store with that many sites."""
    con = open_database(path)
    con.execute("DELETE FROM sites")
    con.execute("INSERT INTO sites (site_id) SELECT 'S' || i FROM range(?) t(i)", [sites])
    con.close()
    return path


def sites_in(path: Path) -> int:
    """Rows of sites."""
    con = open_database(path, read_only=True)
    row = con.execute("SELECT count(*) FROM sites").fetchone()
    con.close()
    assert row is not None
    return int(row[0])


def test_snapshots_are_numbered_and_the_newest_is_found(tmp_path: Path) -> None:
    """Each publication has a new name; readers of an older one keep their rows; old ones go."""
    folder = tmp_path / "snapshots"
    assert newest(folder) is None
    store = make_store(tmp_path / "fleet.duckdb", 1)
    first = publish(store, folder)
    assert newest(folder) == first
    reader = open_database(first, read_only=True)
    for sites in (2, 3, 4, 5):
        make_store(store, sites)
        latest = publish(store, folder)
        assert newest(folder) == latest
        assert sites_in(latest) == sites
    assert reader.execute("SELECT count(*) FROM sites").fetchone() == (1,)
    reader.close()
    assert sorted(path.name for path in folder.iterdir()) == [f"snapshot-{n:08d}.duckdb" for n in (3, 4, 5)]


def test_a_copy_is_taken_while_others_read(tmp_path: Path) -> None:
    """A reader in another process does not hinder a backup."""
    store = make_store(tmp_path / "fleet.duckdb", 7)
    hold = "import duckdb, sys; c = duckdb.connect(sys.argv[1], read_only=True); print('open', flush=True); input()"
    other = subprocess.Popen(
        [sys.executable, "-c", hold, str(store)], stdout=subprocess.PIPE, stdin=subprocess.PIPE, text=True
    )
    assert other.stdout is not None
    try:
        assert other.stdout.readline() == "open\n"
        copy_database(store, tmp_path / "backup.duckdb")
    finally:
        other.communicate("\n", timeout=30)
    assert sites_in(tmp_path / "backup.duckdb") == 7


def test_a_copy_waits_for_a_writer_and_then_gives_up(tmp_path: Path) -> None:
    """While another process writes, no copy is taken and none is left behind."""
    store = make_store(tmp_path / "fleet.duckdb", 7)
    hold = "import duckdb, sys; c = duckdb.connect(sys.argv[1]); print('open', flush=True); input()"
    other = subprocess.Popen(
        [sys.executable, "-c", hold, str(store)], stdout=subprocess.PIPE, stdin=subprocess.PIPE, text=True
    )
    assert other.stdout is not None
    try:
        assert other.stdout.readline() == "open\n"
        with pytest.raises(StoreError, match=r"another process still has this database open after 0\.3 s"):
            copy_database(store, tmp_path / "backup.duckdb", wait_s=0.3)
    finally:
        other.communicate("\n", timeout=30)
    assert [path.name for path in tmp_path.iterdir()] == ["fleet.duckdb"]


def test_what_a_killed_process_left_in_its_log_is_copied_too(tmp_path: Path) -> None:
    """A store whose last rows stand in the write-ahead log only is copied with them."""
    store = make_store(tmp_path / "fleet.duckdb", 7)
    die = (
        "import duckdb, os, sys; c = duckdb.connect(sys.argv[1]); "
        "c.execute(\"INSERT INTO sites (site_id) VALUES ('last')\"); os.kill(os.getpid(), 9)"
    )
    subprocess.run([sys.executable, "-c", die, str(store)], check=False)
    assert store.with_name(store.name + ".wal").exists()
    copy_database(store, tmp_path / "backup.duckdb")
    assert sites_in(tmp_path / "backup.duckdb") == 8
    assert sites_in(publish(store, tmp_path / "snapshots")) == 8


def test_there_must_be_something_to_copy(tmp_path: Path) -> None:
    """A missing store is said, not copied as an empty one."""
    with pytest.raises(StoreError, match="no such database"):
        copy_database(tmp_path / "none.duckdb", tmp_path / "backup.duckdb")
    with pytest.raises(StoreError, match="could not be written"):
        (tmp_path / "taken").write_text("")
        copy_database(make_store(tmp_path / "fleet.duckdb", 1), tmp_path / "taken" / "backup.duckdb")


def test_a_backup_opens_without_the_planner(tmp_path: Path) -> None:
    """A backup is an ordinary file of the engine."""
    copy_database(make_store(tmp_path / "fleet.duckdb", 3), tmp_path / "backup.duckdb")
    con = duckdb.connect(str(tmp_path / "backup.duckdb"), read_only=True)
    assert con.execute("SELECT count(*) FROM sites").fetchone() == (3,)
    con.close()
