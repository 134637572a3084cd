"""`planner prepare`: compile the kernels once, so that every later command starts at once."""

from __future__ import annotations

import tempfile
from pathlib import Path

import click
import numpy as np

from planner.commands.common import console, progress_bar

# Small, but with every kind of element and of evidence, so that no kernel is left out.
CONNECTORS, DAYS, SEED = 600, 120, 3
START = np.datetime64("2030-01-01")


@click.command()
def prepare() -> None:
    """Compile what is compiled on first use, by a whole run on a tiny invented fleet.

    Takes about a minute and is kept; without it the first commands compile as they go.
    """
    from planner.commands.whole_job import load_analyse_plan
    from planner.progress import part_of
    from planner.store.database import open_database
    from planner.synthetic.fleet import simulate
    from planner.synthetic.settings import Settings

    with tempfile.TemporaryDirectory() as name, progress_bar("compiling") as progress:
        folder = Path(name)
        settings = Settings(connectors=CONNECTORS, days=DAYS, seed=SEED, start=START, file_format="parquet")
        simulate(folder / "tables", settings, part_of(progress, 0.0, 0.3))
        con = open_database(folder / "prepare.duckdb")
        loaded_at = START.astype("datetime64[s]").item()
        load_analyse_plan(con, folder, loaded_at, seed=SEED, progress=part_of(progress, 0.3, 1.0))
        con.close()
    console.print("Compiled; later commands start at once.")
