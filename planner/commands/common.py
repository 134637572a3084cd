"""What every command shares: the --db option, the progress bar, tables on the terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click
import pandas as pd
from rich.console import Console
from rich.progress import BarColumn, TaskProgressColumn, TextColumn, TimeElapsedColumn
from rich.progress import Progress as Bar
from rich.table import Table as Grid

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
        type=click.Path(path_type=Path, dir_okay=False),
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
