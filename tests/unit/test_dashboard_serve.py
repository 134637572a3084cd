"""`planner serve`: what it publishes, that it answers, and that it leaves the database file free."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import threading
import urllib.request
from pathlib import Path

import dashboard_fleet
import pytest

from planner.commands import serve
from planner.errors import ParameterError, StoreError
from planner.store import snapshots
from planner.store.database import open_database


def test_a_served_database_stays_free(tmp_path: Path) -> None:
    """The command prints its address, answers there, and another process may write to the file meanwhile."""
    database = dashboard_fleet.build_empty(tmp_path / "plain.duckdb")
    command = [
        sys.executable,
        "-c",
        # a shell that runs the tests in the background has its children ignore interrupts
        "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); from planner.cli import main; main()",
        "serve",
        "--db",
        str(database),
        "--port",
        "0",
    ]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    try:
        assert server.stdout is not None
        line = server.stdout.readline()
        address = re.search(r"http://127\.0\.0\.1:\d+/", line)
        assert address, line
        with urllib.request.urlopen(address[0], timeout=20) as answer:
            assert b"Connector planner" in answer.read()
        open_database(database).close()
    finally:
        server.send_signal(signal.SIGINT)
        server.communicate(timeout=20)
    assert server.returncode == 0


def test_only_what_is_newer_is_published(tmp_path: Path) -> None:
    """An unchanged database is not copied again; a changed one is."""
    database = dashboard_fleet.build_empty(tmp_path / "plain.duckdb")
    folder = serve.publish_results(database)
    assert folder == serve.snapshot_folder(database)
    first = snapshots.newest(folder)
    assert serve.publish_results(database) == folder and snapshots.newest(folder) == first
    later = database.stat().st_mtime + 5
    os.utime(database, (later, later))
    serve.publish_results(database)
    assert snapshots.newest(folder) != first


def test_changes_are_published_while_serving(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that was written to and let go is published without a restart."""
    monkeypatch.setattr(serve, "LOOK_EVERY_S", 0.02)
    monkeypatch.setattr(serve, "SETTLED_AFTER_S", 0.0)
    database = dashboard_fleet.build_empty(tmp_path / "plain.duckdb")
    folder = serve.publish_results(database)
    first = snapshots.newest(folder)
    stop = threading.Event()
    watcher = threading.Thread(target=serve.publish_when_changed, args=(database, folder, stop))
    watcher.start()
    published = threading.Event()
    con = open_database(database)
    con.execute("INSERT INTO sites (site_id) VALUES ('S-9')")
    con.close()
    for _ in range(500):
        if snapshots.newest(folder) != first:
            break
        published.wait(0.02)
    stop.set()
    watcher.join(timeout=10)
    assert snapshots.newest(folder) != first


def test_a_taken_port_is_said(tmp_path: Path) -> None:
    """A port that is in use is named, with the way out, before anything is analysed."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(ParameterError, match=f"port {port}.*--port"):
            serve.serve_database(tmp_path / "none.duckdb", port=port)


def test_a_foreign_file_is_refused(tmp_path: Path) -> None:
    """A file that is no database is refused with its name."""
    strange = tmp_path / "strange.duckdb"
    strange.write_text("not a database, but long enough to be looked at by the engine" * 50)
    with pytest.raises(StoreError, match=r"strange\.duckdb"):
        serve.publish_results(strange)
