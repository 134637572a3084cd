"""Step of the analysis after tracing: what every circuit should lose against what was measured.

In: the plant as traced; circuits, loss tests, power readings, reflectometer traces. Out: `circuit_budget`,
`budget_elements`, `element_readings`. An operator's own limits come from the file that the environment variable
PLANNER_LIMITS names.
"""

from __future__ import annotations

import os
from datetime import datetime
from pathlib import Path

import duckdb

from planner.health.loss_budget import circuit_budgets
from planner.health.otdr_placement import merge_directions, place_events
from planner.plant.loss_elements import loss_elements
from planner.progress import Progress
from planner.stages.trace import placed_plant
from planner.standards.lookup import limits_with
from planner.store.database import has_rows, replace_result
from planner.store.light_queries import (
    acceptance_and_latest_tests,
    budget_circuits,
    latest_powers,
    otdr_events_of,
    paths_with_traces,
)

OWN_LIMITS = "PLANNER_LIMITS"
"""Environment variable: the file with an operator's own limits and applications; the pipeline watches its content."""


def run(con: duckdb.DuckDBPyConnection, now: datetime, progress: Progress) -> str:
    """Write the budget of every circuit at its working wavelength and at every tested one.

    Raises
    ------
    InputError
        The file named by PLANNER_LIMITS cannot be read or holds a row that cannot be meant.
    """
    own_file = os.environ.get(OWN_LIMITS)
    limits = limits_with(Path(own_file) if own_file else None)
    progress(0.05, "reading the paths")
    elements = loss_elements(*placed_plant(con))
    circuits = budget_circuits(con)
    progress(0.35, "reading tests and powers")
    tests = acceptance_and_latest_tests(con, now)
    powers = latest_powers(con, now)
    progress(0.5, "budget of every circuit")
    budgets = circuit_budgets(elements, circuits, tests, powers, limits)
    progress(0.75, "writing the budgets")
    replace_result(con, "circuit_budget", budgets.circuits)
    replace_result(con, "budget_elements", budgets.elements)
    progress(0.9, "laying reflectometer traces on the paths")
    events = otdr_events_of(con, now)
    older = events.loc[~events["is_of_this_path"].astype(bool), "trace_id"].nunique()
    events = events[events["is_of_this_path"].astype(bool)]
    replace_result(con, "element_readings", merge_directions(place_events(paths_with_traces(con), events)))
    missing = [table for table in ("loss_tests", "power_readings", "otdr_events") if not has_rows(con, table)]
    notes = [f"not assessed: no {table}" for table in missing]
    if older:
        notes.append(f"traces taken on an earlier path, which planner budget shows: {older}")
    if not len(elements.code):
        notes.append("not assessed: no circuit could be traced")
    return "; ".join(notes)
