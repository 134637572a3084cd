"""`planner trace`, `planner audit`, `planner impact`: paths, contradictions in the records, who goes dark."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click
import pandas as pd

from planner.commands.common import NamedPath, console, db_option, open_results, show_table
from planner.errors import TraceError

if TYPE_CHECKING:
    import duckdb

OUT = NamedPath(path_type=Path, dir_okay=False)
SHOWN = 20
OPTIONAL_PLANT = ("splices", "splitter_legs", "mating_events")
"""Tables that a fleet may lack, but without which paths that need them stop."""


@click.command()
@click.argument("circuit")
@db_option
@click.option(
    "--at",
    "at",
    type=click.DateTime(["%Y-%m-%d", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%dT%H:%M:%SZ"]),
    default=None,
    help="Trace on the patching of that moment (UTC; a date means its end) instead of today's.",
)
@click.option("--out", type=OUT, default=None, help="Also write the path to this file (.csv, .parquet, .json, .xlsx).")
def trace(circuit: str, db: Path, at: datetime | None, out: Path | None) -> int:
    """Print the path of CIRCUIT from A to Z: every connector, adapter, cable, splice and splitter leg.

    Each element is printed with its id, where it is, and its current reading where one is known: received
    power at equipment ports, the last look at other end faces. Exit code 1 if the path is broken; what is
    printed then is how far it gets from either end, and why it stops there.
    """
    from planner.store.database import has_rows
    from planner.store.known_ids import is_known, unknown_id
    from planner.store.plant_queries import circuit_summary, history_begins, path_with_readings

    con = open_results(db)
    try:
        if not is_known(con, "circuit", circuit):
            raise TraceError(unknown_id(con, "trace", "circuit", circuit))
        summary = circuit_summary(con, circuit, _end_of_day(at) if at else None)
        begins = history_begins(con)
        reached: list[pd.DataFrame] = []
        if at is None and not summary["reason"].iloc[0]:
            rows, reason = path_with_readings(con, circuit), ""
        else:
            rows, reason, reached = path_as_of(con, circuit, _end_of_day(at) if at else None)
            rows = rows.drop(columns="circuit_id")
            reached = [part.drop(columns="circuit_id") for part in reached]
        if out is not None:
            _write(con, rows, out)
        untested = "none of this circuit" if has_rows(con, "loss_tests") else "not assessed, no loss_tests"
    finally:
        con.close()
    _show_summary(summary.iloc[0], at, untested)
    if at and begins is None:
        console.print("The patching of any other day is not assessed, no mating_events: shown is the recorded one.")
    elif at and begins is not None and _end_of_day(at) < begins:
        console.print(f"The mating events begin on {begins:%Y-%m-%d}: shown is the patching that they start from.")
    if reason:
        for end, part in zip("AZ", reached, strict=True):
            if len(part):
                _show_path(part, f"as far as it gets from {end}")
        console.print(f"no complete path: {reason}\nsee: planner audit --db {db}", markup=False)
        return 1
    _show_path(rows)
    return 0


def _show_path(rows: pd.DataFrame, title: str = "") -> None:
    shown = rows.drop(columns=["connector_id", "p_not_clean"], errors="ignore")
    if "p_not_clean" in rows and rows["p_not_clean"].notna().any():
        shown["not clean"] = rows["p_not_clean"].map(lambda p: "" if pd.isna(p) else f"{p:.0%}")
    show_table(shown.rename(columns={"element_kind": "element", "element_id": "id", "length_m": "m"}), title)


def path_as_of(
    con: duckdb.DuckDBPyConnection, circuit: str, at: datetime | None
) -> tuple[pd.DataFrame, str, list[pd.DataFrame]]:
    """Path of the circuit as last traced or on the patching of a past moment (UTC); if there is none: why, and how
    far it gets from A and from Z. Columns of `circuit_paths`."""
    import numpy as np

    from planner.plant.trace import paths_frame, reached_frame, reasons, trace_all
    from planner.stages.trace import placed_plant, traced_plant

    plant = placed_plant(con)[0] if at is None else traced_plant(con, at).plant
    paths = trace_all(plant, np.array([plant.number_of("circuits", circuit)]))
    reason = str(reasons(plant, paths)[0])
    reached = [reached_frame(plant, paths, 0, from_a=from_a) for from_a in (True, False)] if reason else []
    return paths_frame(plant, paths), reason, reached


def _end_of_day(at: datetime) -> datetime:
    """A bare date stands for its last moment."""
    bare = (at.hour, at.minute, at.second) == (0, 0, 0)
    return at.replace(hour=23, minute=59, second=59) if bare else at


def _write(con: object, rows: pd.DataFrame, out: Path) -> None:
    import duckdb

    from planner.store.exporting import write_query

    assert isinstance(con, duckdb.DuckDBPyConnection)
    con.register("_path", rows)
    write_query(con, "SELECT * FROM _path", out)
    con.unregister("_path")


def _show_summary(row: pd.Series, at: datetime | None, untested: str) -> None:
    name = f" ({row['name']})" if isinstance(row["name"], str) else ""
    console.print(
        f"circuit {row['circuit_id']}{name}: {row['a_port_id']} at {row['a_site_id']} to {row['z_port_id']} at "
        f"{row['z_site_id']}" + (f", patched as of {at:%Y-%m-%d}" if at else "")
    )
    if at is None and not pd.isna(row["traced"]) and bool(row["traced"]):
        console.print(
            f"{_counted(int(row['connectors']), 'end face')}, {_counted(int(row['splices']), 'splice')}, "
            f"{_counted(int(row['splitters']), 'splitter')}, {row['length_m']:,.0f} m of cable"
        )
    console.print(f"latest loss tests: {row['tests'] if isinstance(row['tests'], str) else untested}")


@click.command()
@db_option
@click.option("--out", type=OUT, default=None, help="Write every finding to this file (.csv, .parquet, .json, .xlsx).")
@click.option("--top", type=click.IntRange(min=1), default=SHOWN, show_default=True, help="How many to print.")
def audit(db: Path, out: Path | None, top: int) -> int:
    """List what contradicts what in the records, and the repairs that would explain it.

    Each finding says what the planner assumes meanwhile and what to check in the field (all columns are in
    the file that --out writes). Exit code 1 if there are errors, 0 if there are only warnings or nothing.
    """
    from planner.store.database import has_rows
    from planner.store.exporting import write_query
    from planner.store.plant_queries import findings, findings_by_code

    con = open_results(db)
    try:
        by_code, first = findings_by_code(con), findings(con, top)
        absent = [table for table in OPTIONAL_PLANT if not has_rows(con, table)]
        if out is not None:
            count = write_query(con, "SELECT * FROM audit_findings ORDER BY finding_no", out)
            console.print(f"{count} findings written to {out}")
    finally:
        con.close()
    if not len(by_code):
        console.print("The records contradict themselves nowhere.")
        return 0
    show_table(by_code, "findings by kind")
    if absent:
        console.print(f"Not loaded: {', '.join(absent)}. Where a path needs them, the gap is reported as an error.")
    show_table(first, f"the first {len(first)}")
    return 1 if (by_code["severity"] == "error").any() else 0


@click.command()
@click.argument("port", required=False)
@db_option
@click.option("--out", type=OUT, default=None, help="Also write the circuits (or shared elements) to this file.")
def impact(port: str | None, db: Path, out: Path | None) -> int:
    """Say who goes dark if PORT is opened, and what opening a neighbour by mistake would take down.

    A circuit stays up if another circuit takes over whose path is complete and does not use this port.
    Without PORT: the connectors, cables, splices, splitters, panels and sites that most circuits share, and
    how many of those circuits have no stand-in that avoids the element.
    """
    from planner.plant.impact import mistake_at, shared_elements, who_goes_dark
    from planner.stages.trace import placed_plant
    from planner.store.known_ids import is_known, unknown_id

    con = open_results(db)
    try:
        if port is not None and not is_known(con, "port", port):
            raise TraceError(unknown_id(con, "impact", "port", port))
        plant, paths = placed_plant(con)
        if port is None:
            shared = shared_elements(plant, paths)
            if out is not None:
                _write(con, shared, out)
            show_table(shared.groupby("element_kind").head(5), "what most circuits share (first five of a kind)")
            return 0
        dark = who_goes_dark(plant, paths, port)
        near = mistake_at(plant, paths, port)
        if out is not None:
            _write(con, dark, out)
    finally:
        con.close()
    lost = dark[~dark["stays_up"]]
    console.print(
        f"Opening port {port} interrupts {_counted(len(dark), 'circuit')} serving "
        f"{_counted(int(dark['customers'].sum()), 'customer')}; without a stand-in that stays up: "
        f"{_counted(len(lost), 'circuit')}, {_counted(int(lost['customers'].sum()), 'customer')}."
    )
    if len(dark):
        show_table(dark.head(SHOWN), "who goes dark" + (f" (first {SHOWN})" if len(dark) > SHOWN else ""))
    if len(near) > 1:
        show_table(near, "this port, and its neighbours by mistake")
    return 0


def _counted(number: int, word: str) -> str:
    return f"{number:,} {word}" + ("" if number == 1 else "s")
