"""The whole job on a folder of tables: load, bring the results up to date, plan the next week."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path

import duckdb

from planner.pipeline import bring_up_to_date, moment_of
from planner.progress import Progress, part_of
from planner.stages.route import plan_routes
from planner.store.loading import load_sources


def load_analyse_plan(
    con: duckdb.DuckDBPyConnection,
    folder: Path,
    loaded_at: datetime,
    *,
    seed: int,
    progress: Progress,
) -> date:
    """Load `folder / "tables"`, make every result, plan five days from the Monday after the newest data.

    Writes the plan to `folder / "plan"` and returns that Monday.

    Parameters
    ----------
    loaded_at
        The time that the ledger notes. [UTC]
    """
    load_sources(
        con, [folder / "tables"], mapping=None, strict=False, loaded_at=loaded_at, progress=part_of(progress, 0.0, 0.3)
    )
    bring_up_to_date(con, None, part_of(progress, 0.3, 0.75))
    newest = moment_of(con, None).date()
    monday = newest + timedelta(days=7 - newest.weekday())
    plan_routes(con, monday, 5, folder / "plan", seed=seed, progress=part_of(progress, 0.75, 1.0))
    return monday
