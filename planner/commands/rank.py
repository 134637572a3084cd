"""`planner rank`, `planner backtest`, `planner trace-dirt`: who to visit first, was it right, who met whom."""

from __future__ import annotations

from pathlib import Path

import click

from planner.commands.common import console, db_option, progress_bar, show_table
from planner.errors import ParameterError
from planner.store.database import open_database

SHOWN = 20


@click.command()
@db_option
@click.option(
    "--by",
    type=click.Choice(["classic", "probability", "benefit"]),
    default="benefit",
    show_default=True,
    help="classic: matings since cleaning + loss drift + time since inspection; probability: of being "
    "contaminated or damaged; benefit: expected benefit per crew minute.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    default=None,
    help="Write the whole ranking to this CSV file.",
)
@click.option("--top", type=click.IntRange(min=1), default=None, help="Only the first N (default: all; 20 shown).")
def rank(db: Path, by: str, out: Path | None, top: int | None) -> None:
    """Rank every in-service end face: which to visit first, and why."""
    from planner.pipeline import bring_up_to_date
    from planner.store.ranking_queries import ranking_rows

    con = open_database(db)
    with progress_bar("bringing results up to date") as progress:
        bring_up_to_date(con, progress=progress)
    rows = ranking_rows(con, by, top if out is not None else (top or SHOWN))
    con.close()
    if by != "classic" and rows["score"].isna().all():
        raise ParameterError(
            f"rank --by {by}: got a fleet whose end-face state is not assessed, must have connector_health rows; "
            "use --by classic, or load mating events and inspections"
        )
    if out is not None:
        rows.to_csv(out, index=False, lineterminator="\n")
        console.print(f"{len(rows)} end faces written to {out}")
        rows = rows.head(top or SHOWN)
    shown = rows[["rank", "connector_id", "score", "site_id", "port", "reasons"]].copy()
    shown["score"] = shown["score"].map(lambda score: f"{score:.3g}")
    show_table(shown, f"end faces by {by}")
