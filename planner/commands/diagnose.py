"""`planner diagnose`: what is probably wrong with each circuit, and why it is believed."""

from __future__ import annotations

from pathlib import Path

import click
import pandas as pd

from planner.commands.common import console, db_option, open_results, show_table
from planner.errors import InputError, TraceError
from planner.store.diagnosis_queries import diagnosis_rows, evidence_of
from planner.store.known_ids import is_known, unknown_id

SHOWN = 20


@click.command()
@click.argument("circuit", required=False)
@db_option
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    default=None,
    help="Write every row to this CSV file (or .parquet): circuit_id, cause, element_id, probability, evidence ...",
)
def diagnose(circuit: str | None, db: Path, out: Path | None) -> None:
    """What is probably wrong with CIRCUIT, element by element, with the evidence; or with every circuit.

    Without CIRCUIT the circuits most probably at fault are listed. Probabilities of one circuit sum to 1;
    evidence is in decibans (10 means ten times as probable) and adds up to the log-odds of the first cause
    against the second.
    """
    con = open_results(db, "diagnosing")
    try:
        if circuit is not None and not is_known(con, "circuit", circuit):
            raise TraceError(unknown_id(con, "diagnose: no such circuit", "circuit", circuit))
        if out is not None:
            _write(diagnosis_rows(con, circuit), out)
            console.print(f"written to {out}")
        if circuit is not None:
            _show_circuit(diagnosis_rows(con, circuit), evidence_of(con, circuit))
        elif out is None:
            _show_fleet(diagnosis_rows(con, None))
    finally:
        con.close()


def _write(rows: pd.DataFrame, out: Path) -> None:
    if out.suffix == ".parquet":
        rows.to_parquet(out, index=False)
    elif out.suffix == ".csv":
        rows.to_csv(out, index=False, date_format="%Y-%m-%dT%H:%M:%SZ")
    else:
        raise InputError(f"--out {out}: got the ending '{out.suffix}', must be .csv or .parquet; choose one of them")


def _show_circuit(rows: pd.DataFrame, evidence: pd.DataFrame) -> None:
    shown = rows.head(SHOWN)
    table = pd.DataFrame(
        {
            "cause": shown["cause"].str.replace("_", " "),
            "element": shown["element_id"],
            "probability": shown["probability"].map("{:.3f}".format),
            "since": shown["onset_at"].dt.strftime("%Y-%m-%d"),
            "dB now": shown["size_db"].map("{:.2f}".format, na_action="ignore"),
            "cannot be told from": shown["same_as"],
        }
    )
    show_table(table, f"Circuit {rows['circuit_id'].iloc[0]}: what is wrong" if len(rows) else "")
    if len(evidence):
        lines = pd.DataFrame(
            {
                "evidence for the first cause against the second": evidence["text"],
                "decibans": evidence["decibans"].map("{:+.1f}".format),
            }
        )
        show_table(lines)
        console.print(f"sum {evidence['decibans'].sum():+.1f} decibans")
    if len(rows) and rows["next_test"].iloc[0]:
        console.print(f"Next: {rows['next_test'].iloc[0]}")


def _show_fleet(rows: pd.DataFrame) -> None:
    first = rows[~rows["circuit_id"].duplicated()]
    faulty = first[~first["cause"].isin(["nothing", "remating_offset"])]
    faulty = faulty.sort_values(["probability", "circuit_id"], ascending=[False, True]).head(SHOWN)
    console.print(
        f"{len(first)} circuits: "
        + ", ".join(f"{n} {str(c).replace('_', ' ')}" for c, n in first["cause"].value_counts().items())
    )
    show_table(
        pd.DataFrame(
            {
                "circuit": faulty["circuit_id"],
                "cause": faulty["cause"].str.replace("_", " "),
                "element": faulty["element_id"],
                "probability": faulty["probability"].map("{:.2f}".format),
                "dB now": faulty["size_db"].map("{:.2f}".format, na_action="ignore"),
                "next test": faulty["next_test"],
            }
        ),
        "Most probably at fault",
    )
