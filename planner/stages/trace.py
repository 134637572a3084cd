"""Step 2 of the analysis: the path of every circuit, and what contradicts the records.

In: plant tables, patching and mating events, power readings. Out: `circuit_paths`, `circuit_status`,
`audit_findings`.
"""

from __future__ import annotations

from datetime import datetime

import duckdb
import numpy as np

from planner.plant.graph import Plant, assemble, records_from_columns
from planner.plant.patching import Replay, replay
from planner.plant.trace import paths_frame, status_frame, trace_all
from planner.progress import Progress
from planner.store.database import has_rows, replace_result
from planner.store.plant_queries import coded_events, coded_plant, coded_start, drop_numbers, number_ids


def plant_as_of(con: duckdb.DuckDBPyConnection, until: datetime) -> tuple[Plant, Replay, dict[str, np.ndarray]]:
    """The plant patched as of a time, the replay that gave the patching, and the events it played.

    Leaves the temporary number tables in place; drop them with `drop_numbers`.
    """
    number_ids(con)
    columns = coded_plant(con)
    start_port, start_face = coded_start(con, until)
    events = coded_events(con, until)
    played = {name: values for name, values in events.items() if name != "event_row"}
    history = replay(start_port, start_face, columns["connectors"]["fixed_port"], **played)
    columns["connectors"]["port"] = history.port_now
    columns["connectors"]["face"] = history.face_now
    return assemble(records_from_columns(columns)), history, events


def run(con: duckdb.DuckDBPyConnection, now: datetime, progress: Progress) -> str:
    """Trace every circuit on the patching as of `now` and write paths and status."""
    progress(0.0, "building the plant")
    plant, _history, _events = plant_as_of(con, now)
    progress(0.4, "tracing every circuit")
    paths = trace_all(plant)
    replace_result(con, "circuit_paths", paths_frame(plant, paths))
    replace_result(con, "circuit_status", status_frame(plant, paths))
    drop_numbers(con)
    return "" if has_rows(con, "mating_events") else "patching as recorded: no mating_events"
