"""`planner serve`: the dashboard over a published snapshot, so that the database file stays free for loads."""

from __future__ import annotations

import socket
from pathlib import Path

import click

from planner.commands.common import console, db_option, progress_bar
from planner.errors import ParameterError

# Requests answered side by side.
THREADS = 8


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
    from planner.store.database import newest_load, open_database
    from planner.store.snapshots import publish

    folder = snapshot_folder(db)
    con = open_database(db)
    try:
        with progress_bar("results") as progress:
            if newest_load(con):
                bring_up_to_date(con, now=None, progress=part_of(progress, 0.0, 0.9))
            progress(0.9, "publishing a snapshot")
            publish(con, folder)
    finally:
        con.close()
    return folder


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
    serve_folder(publish_results(db), host, port, base_map)


def serve_folder(folder: Path, host: str, port: int, base_map: Path | None = None) -> None:
    """Serve the dashboard over a folder of published snapshots until stopped."""
    from waitress import create_server

    from dashboards.app import create_app

    app = create_app(folder, base_map=base_map)
    server = create_server(app.server, host=host, port=port, threads=THREADS, ident="planner")
    shown = f"[{host}]" if ":" in host else host
    console.print(f"Dashboard   http://{shown}:{server.effective_port}/   (Ctrl-C stops it)")
    try:
        server.run()
    except KeyboardInterrupt:
        console.print("stopped")
    finally:
        server.close()


@click.command()
@db_option
@click.option("--port", default=8050, show_default=True, type=click.IntRange(0, 65535), help="Port to listen on.")
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on; this machine only.")
@click.option(
    "--base-map",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    default=None,
    help="GeoJSON (WGS84) to draw under the maps instead of the carried outlines.",
)
def serve(db: Path, port: int, host: str, base_map: Path | None) -> None:
    """Serve the dashboard for network operations, dispatch and managers.

    Results are brought up to date first and published as a snapshot; the pages read that, so the database file
    stays free for loads. A newer snapshot is picked up without a restart.
    """
    serve_database(db, host, port, base_map)
