"""`planner simulate`: write an invented fleet of any size, with its hidden truth in a folder of its own."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click
import numpy as np

from planner.commands.common import NamedPath, console, folder_to_write, progress_bar
from planner.synthetic.fleet import simulate as write_fleet
from planner.synthetic.settings import TRAPS, Settings


@click.command("simulate")
@click.argument("outdir", type=NamedPath(path_type=Path, file_okay=False))
@click.option("--connectors", default=3300, show_default=True, help="How many end faces, about.")
@click.option("--days", default=540, show_default=True, help="Days of history.")
@click.option("--seed", default=1, show_default=True, help="Same seed and settings, same files.")
@click.option(
    "--format",
    "file_format",
    type=click.Choice(["csv", "parquet"]),
    default="csv",
    show_default=True,
    help="Files to write.",
)
@click.option(
    "--trap",
    "traps",
    multiple=True,
    type=click.Choice(TRAPS),
    help="A trouble of real records to exaggerate; may be given several times.",
)
@click.option(
    "--start",
    type=click.DateTime(["%Y-%m-%d"]),
    default="2030-01-01",
    show_default=True,
    help="First day of the history.",
)
@click.option("--readings-per-day", default=1, show_default=True, help="Power readings per monitored port and day.")
@click.option("--perfect-records", is_flag=True, help="Write everything down as it happened: no gaps, no errors.")
@click.option("--activity", default=1.0, show_default=True, help="Factor on how much field work there is.")
def simulate(
    outdir: Path,
    connectors: int,
    days: int,
    seed: int,
    file_format: str,
    traps: tuple[str, ...],
    start: datetime,
    readings_per_day: int,
    perfect_records: bool,
    activity: float,
) -> int:
    """Write an invented fleet to OUTDIR: one file per table, and the hidden truth in OUTDIR/truth.

    The mechanics are particles and light. Everything is drawn from the seed.
    """
    settings = Settings(
        connectors=connectors,
        days=days,
        seed=seed,
        start=np.datetime64(start.date()),
        file_format=file_format,
        traps=tuple(traps),
        readings_per_day=readings_per_day,
        activity=activity,
        perfect_records=perfect_records,
    )
    with progress_bar("simulating") as progress:
        write_fleet(folder_to_write(outdir), settings, progress)
    console.print(f"wrote an invented fleet to {outdir} (hidden truth in {outdir / 'truth'})")
    return 0
