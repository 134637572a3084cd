"""Step of the analysis after tracing: what every circuit should lose against what was measured.

In: `circuit_paths` with connectors, ports, cables, splices and splitters; circuits, loss tests, power
readings. Out: `circuit_budget`, `budget_elements`.
"""

from __future__ import annotations

from datetime import datetime

import duckdb

from planner.health.loss_budget import circuit_budgets
from planner.progress import Progress
from planner.standards.lookup import standard_limits
from planner.store.database import has_rows, replace_result
from planner.store.light_queries import (
    acceptance_and_latest_tests,
    budget_circuits,
    latest_powers,
    path_elements,
)


def run(con: duckdb.DuckDBPyConnection, now: datetime, progress: Progress) -> str:
    """Write the budget of every circuit at its working wavelength and at every tested one."""
    progress(0.05, "reading the paths")
    elements = path_elements(con)
    circuits = budget_circuits(con)
    progress(0.35, "reading tests and powers")
    tests = acceptance_and_latest_tests(con, now)
    powers = latest_powers(con, now)
    progress(0.5, "budget of every circuit")
    budgets = circuit_budgets(elements, circuits, tests, powers, standard_limits())
    progress(0.75, "writing the budgets")
    replace_result(con, "circuit_budget", budgets.circuits)
    replace_result(con, "budget_elements", budgets.elements)
    missing = [table for table in ("loss_tests", "power_readings") if not has_rows(con, table)]
    notes = [f"not assessed: no {table}" for table in missing]
    if elements.empty:
        notes.append("not assessed: no circuit could be traced")
    return "; ".join(notes)
