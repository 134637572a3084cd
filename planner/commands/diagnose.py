"""`planner diagnose`: what is probably wrong with each circuit, and why it is believed."""

from __future__ import annotations

from pathlib import Path

import click
import pandas as pd

from planner.commands.common import NamedPath, console, db_option, file_to_write, open_results, show_table
from planner.errors import TraceError
from planner.reports.causes import KIND_WORDS, cause_groups, same_suspect
from planner.store.diagnosis_queries import diagnosis_rows, written_diagnosis
from planner.store.known_ids import is_known, unknown_id
from planner.store.summary_queries import circuit_evidence, undiagnosed_circuits

SHOWN = 20
LISTED = 4  # members of a group named on the terminal; the file names all
NOT_ASSESSED = "not assessed: no power_readings, no loss_tests, no otdr_events"
UNREAD = NOT_ASSESSED + "; probabilities say how common such a cause is on such a path"


@click.command()
@click.argument("circuit", required=False)
@db_option
@click.option(
    "--out",
    type=NamedPath(path_type=Path, dir_okay=False),
    default=None,
    help="Write every row to this CSV file (or .parquet): circuit_id, cause, element_id, probability, evidence ...",
)
def diagnose(circuit: str | None, db: Path, out: Path | None) -> None:
    """What is probably wrong with CIRCUIT, element by element, with the evidence; or with every circuit.

    Without CIRCUIT the circuits most probably at fault are listed. Probabilities of one circuit sum to 1; elements
    that the readings cannot tell apart stand in one line. Evidence is in decibans (10 means ten times as probable)
    and adds up to the log-odds of the two answers compared. A circuit without readings is not assessed; in the file
    its rows say how common each cause is on such a path.
    """
    if out is not None:
        file_to_write(out, (".csv", ".parquet"))
    con = open_results(db, "diagnosing")
    try:
        if circuit is not None and not is_known(con, "circuit", circuit):
            raise TraceError(unknown_id(con, "diagnose: no such circuit", "circuit", circuit))
        if out is not None:
            _write(written_diagnosis(con, circuit, UNREAD), out)
            console.print(f"written to {out}")
        if circuit is not None:
            _show_circuit(circuit, diagnosis_rows(con, circuit), circuit_evidence(con, circuit))
        elif out is None:
            _show_fleet(diagnosis_rows(con, None), undiagnosed_circuits(con))
    finally:
        con.close()


def _write(rows: pd.DataFrame, out: Path) -> None:
    # what tells most is a matter of the circuit: in a file every row of it says so
    filled = rows.assign(next_test=rows.groupby("circuit_id")["next_test"].transform("first"))
    if out.suffix.lower() == ".parquet":
        filled.to_parquet(out, index=False)
    else:
        filled.to_csv(out, index=False, date_format="%Y-%m-%dT%H:%M:%SZ")


def _show_circuit(circuit: str, rows: pd.DataFrame, evidence: pd.DataFrame) -> None:
    if rows.empty:
        console.print(f"Circuit {circuit}: {NOT_ASSESSED} of this circuit. Load some, or measure it.")
        return
    shown = cause_groups(rows).head(SHOWN)
    named = [
        KIND_WORDS.get(str(cause), "one of {count}").format(count=count) if count > 1 else str(cause).replace("_", " ")
        for cause, count in zip(shown["cause"], shown["members"], strict=True)
    ]
    table = pd.DataFrame(
        {
            "cause": named,
            "element": [_members(listed) for listed in shown["listed"]],
            "probability": shown["probability"].map("{:.3f}".format),
            "since": _since(shown),
            "dB now": shown["size_db"].map("{:.2f}".format, na_action="ignore"),
        }
    )
    show_table(table, f"Circuit {circuit}: what is wrong")
    for question, lines in evidence.groupby("question", sort=False):
        told = pd.DataFrame({"evidence": lines["text"], "decibans": lines["decibans"].map("{:+.1f}".format)})
        told.loc[len(evidence)] = ["sum: log-odds of the two", f"{lines['decibans'].sum():+.1f}"]
        show_table(told, str(question))
    if rows["next_test"].iloc[0]:
        console.print(f"Next: {rows['next_test'].iloc[0]}")


def _members(listed: tuple[tuple[str, float], ...]) -> str:
    """The elements of one group with their shares."""
    if len(listed) == 1:
        return str(listed[0][0])
    named = ", ".join(f"{element} ({probability:.3f})" for element, probability in listed[:LISTED])
    return named + (f" and {len(listed) - LISTED} more" if len(listed) > LISTED else "")


def _since(rows: pd.DataFrame) -> pd.Series:
    """When each cause began; for faults without a day what that means."""
    days = rows["onset_at"].dt.strftime("%Y-%m-%d")
    begins = ~rows["cause"].isin(["nothing", "record_error"])
    known: pd.Series = days.fillna("").mask(days.isna() & begins, "before the readings, or not known")
    return known


def _show_fleet(rows: pd.DataFrame, undiagnosed: int) -> None:
    first = rows[~rows["circuit_id"].duplicated()]
    counts = [f"{n} {str(c).replace('_', ' ')}" for c, n in first["cause"].value_counts().items()]
    if undiagnosed:
        counts.append(f"{undiagnosed} {NOT_ASSESSED}")
    console.print(f"{len(first) + undiagnosed} circuits: " + ", ".join(counts))
    faulty = first[~first["cause"].isin(["nothing", "remating_offset"])]
    faulty = faulty.sort_values(["probability", "circuit_id"], ascending=[False, True])
    faulty = same_suspect(faulty).head(SHOWN)
    if faulty.empty:
        return
    others = [f" and {count - 1} more" if count > 1 else "" for count in faulty["circuits"]]
    show_table(
        pd.DataFrame(
            {
                "circuit": faulty["circuit_id"] + others,
                "cause": faulty["cause"].str.replace("_", " "),
                "element": faulty["element_id"],
                "probability": faulty["probability"].map("{:.2f}".format),
                "dB now": faulty["size_db"].map("{:.2f}".format, na_action="ignore"),
                "next test": faulty["next_test"],
            }
        ),
        "Most probably at fault",
    )
