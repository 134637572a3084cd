"""The demo: an invented regional operator of about 60 sites with 18 months of history and a story to find.

Every name, place and person in it is invented. The files of the default seed lie in `sample_data/demo`;
`write_demo` copies them from there when they are at hand and makes them when they are not, or when another
seed is asked for. A test makes them anew and compares.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from planner.progress import Progress, silent

if TYPE_CHECKING:
    from planner.synthetic.settings import Settings

DEMO_SEED = 7
DEMO_CONNECTORS = 3700
DEMO_DAYS = 548
DEMO_START = np.datetime64("2029-07-01")

SAMPLE_FOLDER = Path(__file__).resolve().parents[2] / "sample_data" / "demo"

NOTE = """# The demo fleet

Everything here is invented: the operator, the region, the places, the people and every reading. Coordinates
lie in open country so that a map looks plausible; nothing stands there. Any likeness to a real network is
chance.

One file per intake table (Parquet); `truth/` holds what really happened, for tests and for the curious.
Made by `planner.synthetic.scenario.make_demo` with seed {seed}: about {connectors} end faces at about 60
sites, {days} days from {start}. Do not edit; make it anew and commit the result.

The story (`truth/story.parquet` names the elements):

- a test set whose launch cords are never cleaned, and what it touched since
- a batch of cords that came with polishing residue on most ends
- an office where caps lie open and tools are reused
- a tight bend on a feeder, 41 days before the end
- a transmitter that has faded for 150 days
- some cords recorded in the neighbouring port
"""


def demo_settings(seed: int = DEMO_SEED) -> Settings:
    """The demo's settings."""
    from planner.synthetic.settings import Settings

    return Settings(
        connectors=DEMO_CONNECTORS,
        days=DEMO_DAYS,
        seed=seed,
        start=DEMO_START,
        file_format="parquet",
        monitored_share=0.55,
    )


def make_demo(folder: Path, seed: int = DEMO_SEED, progress: Progress = silent) -> None:
    """Make the demo's files from its seed; the first time on a machine the kernels are compiled."""
    from planner.synthetic.fleet import simulate  # copying the demo needs no simulator

    simulate(folder, demo_settings(seed), progress, story=True)
    note = NOTE.format(seed=seed, connectors=DEMO_CONNECTORS, days=DEMO_DAYS, start=DEMO_START)
    (folder / "README.md").write_text(note, encoding="utf-8")


def write_demo(folder: Path, seed: int = DEMO_SEED, progress: Progress = silent) -> None:
    """Put the demo's tables into a folder: copied from the sample data for the default seed, else made."""
    if seed == DEMO_SEED and (SAMPLE_FOLDER / "sites.parquet").exists():
        shutil.copytree(SAMPLE_FOLDER, folder, dirs_exist_ok=True)
        progress(1.0, "copied the demo fleet")
        return
    make_demo(folder, seed, progress)
