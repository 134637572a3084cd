"""`planner budget`: what a circuit should lose against what was measured. `planner grade`: one end face."""

from __future__ import annotations

from collections.abc import Hashable
from datetime import datetime
from pathlib import Path
from typing import Any

import click
import duckdb
import pandas as pd

from planner.commands.common import WAIT_S, NamedPath, console, db_option, now_option, open_results, show_table
from planner.commands.plant import path_as_of
from planner.errors import ParameterError, TraceError
from planner.health.loss_budget import Budgets, circuit_budgets
from planner.health.otdr_placement import merge_directions, place_events
from planner.standards import endface
from planner.standards.lookup import Limits, limits_with
from planner.store.database import open_readable
from planner.store.known_ids import is_known, unknown_id
from planner.store.light_queries import (
    acceptance_and_latest_tests,
    budget_circuits,
    circuit_path,
    fleet_offsets,
    inspected_end_face,
    inspected_marks,
    latest_powers,
    light_as_of,
    not_traced_reason,
    otdr_events_of,
    path_elements,
)


@click.command()
@click.argument("circuit")
@click.option(
    "--limits",
    "limits_file",
    type=NamedPath(path_type=Path, dir_okay=False),
    envvar="PLANNER_LIMITS",
    help="Your own limits and applications (CSV or TOML); they go before the standards' values. Set "
    "PLANNER_LIMITS to use them in every analysis.",
)
@click.option(
    "--wavelength",
    type=float,
    help="Show this wavelength only [nm]; by default the working one and every tested one.",
)
@now_option
@db_option
def budget(circuit: str, limits_file: Path | None, wavelength: float | None, now: datetime | None, db: Path) -> int:
    """What CIRCUIT should lose, element by element, against what was measured; and its margin.

    Exit code 1 if the margin is negative.
    """
    limits = limits_with(limits_file)
    with open_results(db, now=now) as con:
        if not is_known(con, "circuit", circuit):
            raise TraceError(unknown_id(con, "budget", "circuit", circuit))
        return _show_budget(con, circuit, limits, light_as_of(con), wavelength)


def _show_budget(
    con: duckdb.DuckDBPyConnection, circuit: str, limits: Limits, moment: datetime, only_nm: float | None
) -> int:
    asked = budget_circuits(con, circuit)
    working = float(asked["wavelength_nm"].iloc[0])
    budgets = circuit_budgets(
        path_elements(con, circuit),
        asked,
        acceptance_and_latest_tests(con, moment, circuit),
        latest_powers(con, moment, circuit),
        limits,
    )
    reason = not_traced_reason(con, circuit)
    if reason:
        console.print(f"circuit {circuit} is not traced: {reason}; see planner audit", markup=False)
    seen = _seen_events(con, circuit, moment, budgets.elements)
    offsets = fleet_offsets(con, circuit)
    known = budgets.circuits["wavelength_nm"].tolist()
    if only_nm is not None and only_nm not in known:
        raise ParameterError(
            f"budget, --wavelength: got {only_nm:g} nm, must be one that {circuit} works at or was tested at: "
            f"{', '.join(f'{each:g}' for each in known)}"
        )
    for row in budgets.circuits.to_dict("records"):
        wavelength = float(row["wavelength_nm"])
        if only_nm not in (None, wavelength):
            continue
        row["fleet_offset_db"] = offsets.get(wavelength, float("nan"))
        where = f"{wavelength:g} nm" + (", the working wavelength" if wavelength == working else "")
        _show_elements(budgets, wavelength, f"{circuit} at {where}", seen)
        _show_summary(row, where)
    if seen.empty:
        console.print("per element measured: not assessed, no otdr_events of this circuit")
    others = sorted(set(seen["wavelength_nm"]) - set(known))
    if others:
        at = ", ".join(f"{each:g} nm" for each in others)
        console.print(f"traces at {at}, where no loss test was made: planner export element_readings --out FILE")
    return 1 if (budgets.circuits["margin_db"].astype(float) < 0).any() else 0


def _seen_events(
    con: duckdb.DuckDBPyConnection, circuit: str, moment: datetime, elements: pd.DataFrame
) -> pd.DataFrame:
    """Reflectometer events of the circuit's newest traces, each laid on the path of its day.

    Elements that are no longer on the path have a position below 0.
    """
    events = otdr_events_of(con, moment, circuit)
    now, then = events[events["is_of_this_path"].astype(bool)], events[~events["is_of_this_path"].astype(bool)]
    placed = [place_events(circuit_path(con, circuit), now)]
    here = elements.drop_duplicates(["element_kind", "element_id"])
    today = dict(zip(zip(here["element_kind"], here["element_id"], strict=True), here["position"], strict=True))
    for at, group in then.groupby("at"):
        taken = pd.Timestamp(str(at)).to_pydatetime()
        path, which = _path_of_trace(con, circuit, taken)
        old = place_events(path, group)
        keys = zip(old["element_kind"], old["element_id"], strict=True)
        old["position"] = [today.get(key, -place) for key, place in zip(keys, old["position"], strict=True)]
        placed.append(old)
        console.print(
            f"trace {', '.join(sorted(set(group['trace_id'])))} of {taken:%Y-%m-%d %H:%M}: the path was repatched "
            f"since; laid on {which}",
            markup=False,
        )
    return merge_directions(pd.concat([part for part in placed if len(part)] or placed[:1], ignore_index=True))


def _path_of_trace(con: duckdb.DuckDBPyConnection, circuit: str, taken: datetime) -> tuple[pd.DataFrame, str]:
    """The path a trace was taken on, and which one that is.

    While a launch cord is plugged in, the circuit has no path of its own; then the path that the day ended with
    counts, else today's.
    """
    for moment, which in (
        (taken, "the path of that moment"),
        (taken.replace(hour=23, minute=59, second=59), "the path that the day ended with"),
    ):
        path, reason, _ = path_as_of(con, circuit, moment)
        if not reason:
            return path, which
    return circuit_path(con, circuit), "today's path, since none was complete on that day"


def _show_elements(budgets: Budgets, wavelength: float, title: str, seen: pd.DataFrame) -> None:
    rows = budgets.elements[budgets.elements["wavelength_nm"] == wavelength]
    if rows.empty:
        return
    sources = list(dict.fromkeys(rows["source"].astype(str)))
    number = {text: index + 1 for index, text in enumerate(sources)}
    here = seen[seen["wavelength_nm"] == wavelength]
    joints = {int(event["position"]): event for event in here.to_dict("records") if event["element_kind"] != "cable"}
    gone = here[(here["position"].astype(float) < 0)].to_dict("records")
    table = pd.DataFrame(
        {
            "no": rows["position"].to_numpy(),
            "element": rows["element_kind"].astype(str).str.replace("_", " ").to_numpy(),
            "id": rows["element_id"].astype(str).to_numpy(),
            "limit dB": _decimals(rows["maximum_db"]),
            "typical dB": _decimals(rows["typical_db"]),
            "+-": _decimals(rows["typical_sd_db"]),
            "as built dB": _decimals(rows["as_built_db"]),
            "reflectometer dB": [
                _event_text(joints[int(position)], str(name)) if int(position) in joints else ""
                for position, name in zip(rows["position"], rows["element_id"], strict=True)
            ],
            "source": [f"{number[str(text)]}{'*' if 'not confirmed' in str(text) else ''}" for text in rows["source"]],
        }
    )
    show_table(table, title=title)
    for event in gone:
        name = str(event["element_id"])
        kind = str(event["element_kind"]).replace("_", " ")
        console.print(
            f"  reflectometer: {_event_text(event, name)} dB at {kind} {name}, no longer on the path", markup=False
        )
    on_cables = here[(here["element_kind"] == "cable") & (here["position"].astype(float) > 0)] if len(here) else here
    for event in on_cables.to_dict("records"):
        cable = str(event["element_id"])
        console.print(
            f"  reflectometer: {_event_text(event, cable)} dB on cable {cable} at {event['place_m']:.0f} m from A, "
            "where no joint is recorded (bend, damage or unrecorded splice)",
            markup=False,
        )
    for text in sources:
        console.print(f"  [{number[text]}] {text}", markup=False)


def _decimals(column: pd.Series, digits: int = 3) -> list[str]:
    return ["" if pd.isna(value) else f"{float(value):.{digits}f}" for value in column]


def _event_text(event: dict[Hashable, Any], name: str) -> str:
    """An event's loss, whether seen one way only, and the elements it cannot be told apart from."""
    if pd.isna(event["loss_db"]):
        text = "end"
    else:
        gain = " (gainer)" if float(event["loss_db"]) < 0 else ""
        text = f"{float(event['loss_db']):.2f}{gain}" + ("" if event["is_two_way"] else " one way")
    others = [str(event["element_id"]), *str(event["same_as"]).split(";")]
    others = [other for other in others if other and other != name]
    return text + (f" (with {', '.join(others)})" if others else "")


def _show_summary(row: dict[Hashable, Any], where: str) -> None:
    def db(name: str) -> str:
        """A value in dB, or that it is not assessed."""
        return "not assessed" if pd.isna(row[name]) else f"{float(row[name]):.2f} dB"

    def plus_minus(name: str, sd: str) -> str:
        """A value with its spread, if it has one."""
        return db(name) + ("" if pd.isna(row[sd]) else f" +- {db(sd)}")

    measured = plus_minus("measured_db", "measured_sd_db")
    if row["measured_from"] != "not assessed":
        measured += f" ({str(row['measured_from']).replace('_', ' ')}, {row['measured_at']:%Y-%m-%d})"
    allowed = str(row["allowed_from"])
    power = str(row["power_margin_from"])
    lines = {
        "at most, by the limits": db("maximum_db"),
        "typical": plus_minus("typical_db", "typical_sd_db"),
        "as built": db("as_built_db"),
        "measured": measured,
        "hidden by the reference": db("hidden_db"),
        "above expectation": db("excess_db"),
        "others of this kind": ""
        if pd.isna(row["fleet_offset_db"])
        else f"lost {float(row['fleet_offset_db']):+.2f} dB against their typical loss when built (median)",
        "allowed": allowed if allowed.startswith("not assessed") else f"{db('allowed_db')} ({allowed})",
        "margin": db("margin_db"),
        "power margin": power if power == "not assessed" else f"{db('power_margin_db')} ({power})",
        "return loss expected": db("return_loss_db") + ("" if pd.isna(row["return_loss_db"]) else " (estimate)"),
        "note": str(row["note"]),
    }
    console.print(f"  at {where}", markup=False)
    for name, text in lines.items():
        if text:
            console.print(f"  {name:26}{text}", markup=False)


@click.command()
@click.argument("inspection")
@click.option(
    "--criteria",
    "criteria_file",
    type=NamedPath(path_type=Path, dir_okay=False),
    help="Your own acceptance table (CSV with the columns of the shipped one: connector_class, zone, inner_um, "
    "outer_um, feature, size_from_um, size_to_um, value); what it does not name is judged by the edition.",
)
@click.option(
    "--class",
    "class_name",
    type=click.Choice(endface.CLASSES),
    help="Table to judge by instead of the one of the end face's polish and mode, e.g. SM_PC_RL26 for a transceiver "
    "with a fibre stub.",
)
@click.option(
    "--edition",
    type=click.Choice(["2015", "2009"]),
    default=endface.DEFAULT_EDITION,
    show_default=True,
    help="Edition of IEC 61300-3-35 to judge by.",
)
@db_option
def grade(
    inspection: str, criteria_file: Path | None, class_name: endface.ConnectorClass | None, edition: str, db: Path
) -> int:
    """Grade INSPECTION zone by zone; says which mark breaks which rule. Exit code 1 if it fails."""
    rules = endface.criteria(edition, criteria_file)
    with open_readable(db, wait_s=WAIT_S) as con:
        about = inspected_end_face(con, inspection)
        if about.empty:
            raise ParameterError(unknown_id(con, "grade", "inspection", inspection))
        marks = inspected_marks(con, inspection)
    row = about.iloc[0]
    recorded = f"recorded verdict: {row['result']}" + (f", {row['finding']}" if row["finding"] else "")
    if marks.empty and row["finding"] != "clean":
        console.print(f"{inspection}: not assessed, no end_face_defects of this inspection; {recorded}", markup=False)
        return 0
    mode = row["mode"] if isinstance(row["mode"], str) else "SM"
    face_class = class_name or endface.connector_class(str(row["polish"]), mode)
    result = endface.grade_end_face(marks, face_class, rules, int(row["fibre_count"]))
    _show_grade(inspection, row, result, recorded, mode_known=isinstance(row["mode"], str))
    return 0 if result.passed else 1


def _show_grade(inspection: str, row: pd.Series, result: endface.EndFaceGrade, recorded: str, mode_known: bool) -> None:
    verdict = "pass" if result.passed else "FAIL"
    console.print(
        f"{inspection}: {verdict} - end face {row['connector_id']} ({row['family']} {row['polish']}), "
        f"judged as {result.connector_class} by {result.source}, edition {result.edition}; {recorded}",
        markup=False,
    )
    zones = result.zones
    shown = zones[zones["result"] == "fail"] if len(zones) > 8 else zones
    if len(shown):
        show_table(shown.rename(columns={"inner_um": "from um", "outer_um": "to um"}))
    if len(result.breaches):
        broken = result.breaches.drop(columns=["source"])
        show_table(broken.rename(columns={"x_um": "x um", "y_um": "y um", "width_um": "width um"}))
    if not mode_known:
        console.print("  note: neither cable nor port tells the mode; judged as single-mode")
    for note in result.notes:
        console.print(f"  note: {note}", markup=False)
