"""Step 1 of the analysis: the latest state of every end face.

In: plant, mating events, inspections, cleanings. Out: `connector_state`.
"""

from __future__ import annotations

from datetime import datetime

import duckdb

from planner.progress import Progress
from planner.store.database import has_rows
from planner.store.derived_queries import refresh_connector_state
from planner.store.stage_ledger import seen_load


def run(con: duckdb.DuckDBPyConnection, now: datetime, progress: Progress) -> str:
    """Bring `connector_state` up to date; only end faces that new data touched are recomputed."""
    progress(0.1, "latest state of every end face")
    refresh_connector_state(con, seen_load(con, "derive")[0])
    missing = [table for table in ("mating_events", "inspections", "cleanings") if not has_rows(con, table)]
    return "; ".join(f"not assessed: no {table}" for table in missing)
