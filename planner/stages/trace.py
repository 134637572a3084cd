"""Step 2 of the analysis: the path of every circuit, and what contradicts the records.

In: plant tables, patching and mating events, power readings. Out: `circuit_paths`, `circuit_status`,
`audit_findings`, and the place of every end face in `connector_state`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import duckdb
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa

from planner.plant.audit import audit, irregular_events
from planner.plant.graph import FACES, Plant, assemble, records_from_columns
from planner.plant.patching import Replay, mated_with, replay
from planner.plant.put_back import presume_put_back, taken_out
from planner.plant.trace import Paths, element_rows, paths_table, status_frame, trace_all
from planner.progress import Progress
from planner.store.database import has_rows, replace_result
from planner.store.derived_queries import place_connectors
from planner.store.plant_queries import (
    Columns,
    coded_events,
    coded_places,
    coded_plant,
    coded_start,
    drop_numbers,
    event_ids,
    number_ids,
    powered_ports,
    replace_paths,
)

_EVENT_COLUMNS = ("event_connector", "event_port", "event_face", "event_at", "event_action")


@dataclass(frozen=True)
class TracedPlant:
    """The plant as of a moment with all its paths, and what led there.

    `put_back` are the connectors assumed to be back in their port although the records lost the mate;
    `powered` is the latest received power per port, None without readings.
    """

    plant: Plant
    paths: Paths
    history: Replay
    events: Columns
    put_back: pd.DataFrame
    powered: pd.DataFrame | None


def traced_plant(con: duckdb.DuckDBPyConnection, moment: datetime) -> TracedPlant:
    """Build the plant patched as of a moment (UTC) and trace every circuit."""
    number_ids(con)
    columns = coded_plant(con)
    start_port, start_face = coded_start(con, moment)
    events = coded_events(con, moment)
    drop_numbers(con)
    played = {name: values for name, values in events.items() if name != "event_row"}
    history = replay(start_port, start_face, columns["connectors"]["fixed_port"], **played)
    columns["connectors"]["port"] = history.port_now
    columns["connectors"]["face"] = history.face_now
    plant = assemble(records_from_columns(columns))
    paths = trace_all(plant)
    powered = powered_ports(con, moment) if has_rows(con, "power_readings") else None
    asked = {name: events[name] for name in _EVENT_COLUMNS}
    left = taken_out(len(history.port_now), **asked, displaced=history.displaced)
    now_us = int(np.datetime64(moment, "us").astype(np.int64))
    plant, paths, put_back = presume_put_back(plant, paths, left, powered, now_us)
    return TracedPlant(plant, paths, history, events, put_back, powered)


def placed_plant(con: duckdb.DuckDBPyConnection) -> tuple[Plant, Paths]:
    """The plant as the last tracing left it, and all its paths: built from places, without replaying events."""
    number_ids(con)
    columns = coded_plant(con)
    columns["connectors"]["port"], columns["connectors"]["face"] = coded_places(con)
    drop_numbers(con)
    plant = assemble(records_from_columns(columns))
    return plant, trace_all(plant)


def _places(traced: TracedPlant) -> Any:
    """Where every end face is, as `place_connectors` takes it."""
    records = traced.plant.records
    connectors = records.connectors
    face = connectors.face.astype(np.int64)
    face[traced.put_back["connector"].to_numpy(dtype=np.int64)] = len(FACES)
    partner = mated_with(connectors.port, connectors.face)

    def named(ids: Any, codes: npt.NDArray[Any]) -> Any:
        """Ids of codes, empty for -1."""
        return ids.take(pa.array(codes, mask=codes < 0))

    return pa.table(
        {
            "connector_id": connectors.ids,
            "port_id": named(records.ports.ids, connectors.port),
            "face": named(pa.array([*FACES, "assumed"]), face),
            "partner_id": named(connectors.ids, partner),
        }
    )


def _odd_events(con: duckdb.DuckDBPyConnection, history: Replay, events: Columns) -> pd.DataFrame:
    """The recorded mating events that did not fit the patching, with their ids and times."""
    odd = irregular_events(history, events["event_connector"], events["event_port"], events["event_face"])
    odd = odd.assign(event_row=events["event_row"][odd["event"]])
    recorded = odd[odd["event_row"] >= 0]
    return recorded.merge(event_ids(con, recorded["event_row"].to_numpy()), on="event_row")


def _newest_event(events: Columns, ports: int) -> npt.NDArray[np.int64]:
    """Time of the newest mating event at each port; the smallest int64 where there was none."""
    newest = np.full(ports, np.iinfo(np.int64).min, np.int64)
    np.maximum.at(newest, events["event_port"], events["event_at"])
    return newest


def run(con: duckdb.DuckDBPyConnection, now: datetime, progress: Progress) -> str:
    """Trace every circuit on the patching as of `now`, audit the records, write paths, status, findings."""
    progress(0.0, "tracing every circuit")
    traced = traced_plant(con, now)
    plant, paths = traced.plant, traced.paths
    progress(0.5, "writing the paths")
    rows = element_rows(plant, paths)
    replace_paths(con, paths_table(plant, paths, rows))
    replace_result(con, "circuit_status", status_frame(plant, paths, rows))
    place_connectors(con, _places(traced))
    progress(0.8, "auditing the records")
    findings = audit(
        plant,
        paths,
        events=_odd_events(con, traced.history, traced.events),
        powered=traced.powered,
        newest_event=_newest_event(traced.events, len(plant.holder)),
        put_back=traced.put_back,
    )
    replace_result(con, "audit_findings", findings)
    missing = [table for table in ("mating_events", "power_readings") if not has_rows(con, table)]
    return "; ".join(f"not assessed: no {table}" for table in missing)
