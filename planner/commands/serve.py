"""`planner serve`: the dashboard over a published snapshot, so that the database file stays free for loads."""

from __future__ import annotations

import logging
import socket
import threading
import time
from pathlib import Path

import click

from planner.commands.common import NamedPath, console, db_option, open_existing, progress_bar
from planner.errors import ParameterError, StoreError

log = logging.getLogger(__name__)

# Requests answered side by side.
THREADS = 8
# How often the database file is looked at for newer content while serving. [s]
ENDS_WITHIN_S = 15.0  # time background threads get to finish when serving ends
LOOK_EVERY_S = 20.0
# A file that was written to less than this ago is left to whoever is writing it. [s]
SETTLED_AFTER_S = 10.0


def snapshot_folder(db: Path) -> Path:
    """The folder beside a database file that holds its published snapshots."""
    return db.with_name(db.name + ".published")


def publish_results(db: Path) -> Path:
    """Bring the results up to date, publish a snapshot and return the folder of snapshots.

    Raises
    ------
    StoreError
        The database is in use by another process, is missing or cannot be written.
    """
    from planner.pipeline import bring_up_to_date
    from planner.progress import part_of
    from planner.store.database import newest_load
    from planner.store.snapshots import publish

    folder = snapshot_folder(db)
    with progress_bar("results") as progress:
        con = open_existing(db)
        try:
            if newest_load(con):
                bring_up_to_date(con, now=None, progress=part_of(progress, 0.0, 0.9))
        finally:
            con.close()
        progress(0.9, "publishing a snapshot")
        if is_newer_than_snapshots(db, folder):
            publish(db, folder)
    return folder


def is_newer_than_snapshots(db: Path, folder: Path) -> bool:
    """Whether the database file was written to since its newest snapshot was published."""
    from planner.store.snapshots import newest

    snapshot = newest(folder)
    return snapshot is None or db.stat().st_mtime_ns > snapshot.stat().st_mtime_ns


def publish_when_changed(db: Path, folder: Path, stop: threading.Event) -> None:
    """Publish the database again whenever somebody has written to it and let go, until `stop` is set."""
    from planner.store.snapshots import publish

    while not stop.wait(LOOK_EVERY_S):
        try:
            settled = time.time() - db.stat().st_mtime > SETTLED_AFTER_S
            if settled and is_newer_than_snapshots(db, folder):
                publish(db, folder, wait_s=0.0)
        except (StoreError, OSError) as error:
            log.info("%s: not published now: %s", db, error)


def _check_free(host: str, port: int) -> None:
    with socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            raise ParameterError(
                f"cannot serve on {host} port {port}: {error.strerror}; choose another with --port"
            ) from error


def serve_database(db: Path, host: str = "127.0.0.1", port: int = 8050, base_map: Path | None = None) -> None:
    """Publish the results of a database and serve the dashboard until stopped.

    Parameters
    ----------
    db
        The planner's database file; it is closed again before serving starts.
    host, port
        Address to listen on; without a good reason only this machine.
    base_map
        GeoJSON to draw under the maps instead of the carried outlines.

    Raises
    ------
    StoreError
        The database cannot be used.
    ParameterError
        The port is taken.
    """
    _check_free(host, port)
    folder = publish_results(db)
    stop = threading.Event()
    publisher = threading.Thread(target=publish_when_changed, args=(db, folder, stop), daemon=True)
    publisher.start()
    try:
        serve_folder(folder, host, port, base_map)
    finally:
        stop.set()
        publisher.join(ENDS_WITHIN_S)


def serve_folder(folder: Path, host: str, port: int, base_map: Path | None = None) -> None:
    """Serve the dashboard over a folder of published snapshots until stopped."""
    from waitress import create_server

    from dashboards.app import create_app, warm

    app = create_app(folder, base_map=base_map)
    server = create_server(app.server, host=host, port=port, threads=THREADS, ident="planner")
    shown = f"[{host}]" if ":" in host else host
    console.print(f"Dashboard   http://{shown}:{server.effective_port}/   (Ctrl-C stops it)")
    warming = threading.Thread(target=warm, args=(app,), daemon=True)
    warming.start()
    try:
        server.run()
    except KeyboardInterrupt:
        console.print("stopped")
    finally:
        server.close()
        # a thread that is inside the database engine when the interpreter goes down aborts the process
        warming.join(ENDS_WITHIN_S)


@click.command()
@db_option
@click.option("--port", default=8050, show_default=True, type=click.IntRange(0, 65535), help="Port to listen on.")
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on; this machine only.")
@click.option(
    "--base-map",
    type=NamedPath(path_type=Path, exists=True, dir_okay=False),
    default=None,
    help="GeoJSON (WGS84) to draw under the maps instead of the carried outlines.",
)
def serve(db: Path, port: int, host: str, base_map: Path | None) -> None:
    """Serve the dashboard for network operations, dispatch and managers.

    Results are brought up to date first and published as a snapshot; the pages read that, so the database file
    stays free for loads. What other commands write to the file meanwhile is published in turn, without a restart.
    """
    serve_database(db, host, port, base_map)
