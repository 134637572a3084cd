"""What every command shares: the --db option, the progress bar, tables on the terminal."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import click
import duckdb
import pandas as pd
from rich.console import Console
from rich.progress import BarColumn, TaskProgressColumn, TextColumn, TimeElapsedColumn
from rich.progress import Progress as Bar
from rich.table import Table as Grid

from planner.errors import InputError
from planner.progress import Progress

# Off a terminal (a file, a pipe) there is no width to fit: lines stay whole enough to read.
PIPE_WIDTH = 160


def _console(stderr: bool = False) -> Console:
    plain = Console(stderr=stderr, highlight=False)
    return plain if plain.is_terminal else Console(stderr=stderr, highlight=False, width=PIPE_WIDTH)


console = _console()
notes = _console(stderr=True)


def db_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """The --db option: which database file."""
    return click.option(
        "--db",
        "db",
        type=NamedPath(path_type=Path, dir_okay=False),
        default=Path("planner.duckdb"),
        show_default=True,
        envvar="PLANNER_DB",
        help="The planner's DuckDB file (or set PLANNER_DB).",
    )(command)


def now_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """The --now option: the moment results are computed for."""
    return click.option(
        "--now",
        "now",
        type=click.DateTime(["%Y-%m-%d", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%dT%H:%M:%SZ"]),
        default=None,
        help="The moment (UTC) the results are for; by default the newest time in the data.",
    )(command)


@contextmanager
def progress_bar(title: str) -> Iterator[Progress]:
    """A bar on standard error; stopping with Ctrl-C leaves the store as it was."""
    with Bar(
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeElapsedColumn(),
        console=notes,
        transient=True,
    ) as bar:
        task = bar.add_task(title, total=1.0)

        def report(share: float, doing: str) -> None:
            bar.update(task, completed=share, description=doing)

        yield report


def show_table(frame: pd.DataFrame, title: str = "", out: Console = console) -> None:
    """Print a frame as a table; numbers right-aligned, empty for unknown."""
    grid = Grid(title=title or None, title_justify="left", header_style="bold")
    for name in frame.columns:
        right = pd.api.types.is_numeric_dtype(frame[name])
        grid.add_column(str(name), justify="right" if right else "left", overflow="fold")
    for row in frame.itertuples(index=False):
        grid.add_row(*["" if pd.isna(value) else str(value) for value in row])
    out.print(grid)


class NamedPath(click.Path):
    """A path that is named at all: an empty one would be the folder one stands in."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The path; refuses an empty one."""
        if value == "":
            self.fail("got an empty name; name a file or folder, '.' for the one you are in", param, ctx)
        return super().convert(value, param, ctx)


def file_to_write(file: Path, suffixes: tuple[str, ...] = ()) -> Path:
    """The file, once its ending is one that can be written and its folder is there (made where it was not).

    Raises
    ------
    InputError
        The ending is none of `suffixes`, it is a folder, or it or its folder cannot be made or written to.
    """
    if suffixes and file.suffix.lower() not in suffixes:
        raise InputError(
            f"--out {file}: got the ending '{file.suffix}', must be {' or '.join(suffixes)}; choose one of them"
        )
    if file.is_dir():
        raise InputError(f"--out {file}: got a folder, must be a file; add a file name to it")
    folder_to_write(file.parent)
    there = file.exists()
    try:
        file.open("ab").close()
    except OSError as error:
        raise InputError(
            f"--out {file}: cannot be written: {error.strerror}; name a file that you may write"
        ) from error
    if not there:
        file.unlink()
    return file


def folder_to_write(folder: Path) -> Path:
    """The folder, made where it was not.

    Raises
    ------
    InputError
        It cannot be made or written to.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{folder}: cannot be made: {error.strerror}; name a folder that you may write to") from error
    if not os.access(folder, os.W_OK):
        raise InputError(f"{folder}: cannot be written to; name a folder that you may write to")
    return folder


# How long a command waits for another process to let go of the database. [s]
WAIT_S = 10.0


def open_results(
    db: Path, title: str = "bringing results up to date", now: datetime | None = None
) -> duckdb.DuckDBPyConnection:
    """The database with results that are current: opened for reading if they are, so that others may read too.

    Only where a step has to be run, or the file is of an older version, is it opened for writing.

    Raises
    ------
    StoreError
        There is no such database, or another process is writing to it for longer than we wait.
    """
    from planner.pipeline import bring_up_to_date, is_up_to_date
    from planner.store.database import open_readable

    con = open_readable(db, wait_s=WAIT_S)
    try:
        if is_up_to_date(con, now):
            return con
        con.close()
        con = open_existing(db)
        with progress_bar(title) as progress:
            bring_up_to_date(con, now, progress)
    except BaseException:
        con.close()
        raise
    return con


def open_existing(db: Path) -> duckdb.DuckDBPyConnection:
    """The database opened for writing; unlike a load, other commands never make a new one.

    Raises
    ------
    StoreError
        There is no such database, or another process uses it for longer than we wait.
    """
    from planner.store.database import open_database

    return open_database(db, must_exist=True, wait_s=WAIT_S)
