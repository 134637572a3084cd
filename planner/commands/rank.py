"""`planner rank`, `planner backtest`, `planner trace-dirt`: who to visit first, was it right, who met whom."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import click
import pandas as pd

from planner.commands.common import (
    NamedPath,
    console,
    db_option,
    file_to_write,
    open_existing,
    open_results,
    progress_bar,
    show_table,
)
from planner.errors import ParameterError, TraceError

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
    type=NamedPath(path_type=Path, dir_okay=False),
    default=None,
    help="Write the whole ranking to this CSV file.",
)
@click.option(
    "--top", type=click.IntRange(min=1), default=None, help="How many to show (20 by default); a file holds all."
)
def rank(db: Path, by: str, out: Path | None, top: int | None) -> None:
    """Rank every in-service end face: which to visit first, and why."""
    from planner.store.ranking_queries import ranking_rows

    if out is not None:
        file_to_write(out, (".csv",))
    con = open_results(db)
    rows = ranking_rows(con, by, None if out is not None else (top or SHOWN))
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
    shown["score"] = shown["score"].map(lambda score: "not assessed" if pd.isna(score) else f"{score:.3g}")
    show_table(shown, f"end faces by {by}")


@click.command(name="trace-dirt")
@click.argument("name", metavar="CONNECTOR")
@db_option
@click.option("--top", type=click.IntRange(min=1), default=15, show_default=True, help="Rows per list.")
def trace_dirt(name: str, db: Path, top: int) -> None:
    """Where the dirt of an end face probably came from, and whom it may have contaminated since.

    CONNECTOR is the id of an end face, of a cable, of a port, or of a housing: a test set stands for its ports
    and launch cords, and everything they met is listed.
    """
    from planner.store import meeting_queries
    from planner.store.known_ids import unknown_id

    con = open_results(db)
    faces = meeting_queries.faces_named(con, name)
    if not faces:
        raise TraceError(unknown_id(con, "trace-dirt", ("connector", "cable", "port", "housing"), name))
    health = meeting_queries.health_of(con, faces).rename(columns={"likely_source": "likely source, if dirty"})
    show_table(_percent(health.head(top)), f"{name}: what is believed of it")
    if len(faces) == 1:
        lines = meeting_queries.evidence_of(con, faces[0])
        lines["decibans"] = lines["decibans"].map(lambda value: f"{value:+.1f}")
        show_table(lines, "why: decibans add up to the log-odds of being not clean")
    sources = meeting_queries.came_from(con, faces)
    if sources.empty:
        console.print("No single meeting with another end face is probable as the source of its dirt.")
    else:
        show_table(_percent(sources.head(top)), "its dirt may have come from")
    spread = meeting_queries.went_to(con, faces)
    if not spread.empty:
        show_table(_percent(spread.head(top)), "it may have contaminated")
    met = meeting_queries.met_by(con, faces)
    con.close()
    if met.empty:
        console.print("It met no other end face in the records.")
        return
    unseen = met[~met["seen_since"].astype(bool)]
    console.print(met_words(len(met), len(unseen)))
    if unseen.empty:
        return
    columns = ["connector_id", "p_contaminated", "site_id", "port_id", "matings", "last_met_at"]
    show_table(_percent(unseen[columns].head(top)), "inspect these next because they met it")


def met_words(met: int, unseen: int) -> str:
    """How many end faces it met and how many of them nobody looked at since.

    Examples
    --------
    >>> met_words(1, 1), met_words(3, 1)
    ('It met 1 end face, which was not inspected since.', 'It met 3 end faces; 1 of them was not inspected since.')
    """
    if met == 1:
        return f"It met 1 end face, which was {'not ' if unseen else ''}inspected since."
    return f"It met {met} end faces; {unseen} of them {'was' if unseen == 1 else 'were'} not inspected since."


def _score_table(scores: pd.DataFrame) -> pd.DataFrame:
    """The scores as people read them, the precision with its 90 % interval, and why a cell has no figure."""
    gives_probability = scores["method"] == "probability"

    def words(name: str, otherwise: str = "not known") -> pd.Series:
        return scores[name].map(lambda value: otherwise if pd.isna(value) else f"{value:.3f}")

    def of_probability(name: str) -> pd.Series:
        return words(name).where(gives_probability, "-")

    def interval(low: str, high: str) -> list[str]:
        pairs = zip(scores[low], scores[high], strict=True)
        return ["-" if pd.isna(a) else f"{a:.2f} to {b:.2f}" for a, b in pairs]

    return pd.DataFrame(
        {
            "method": scores["method"],
            "precision at 5 %": words("precision_at_5", "none looked at"),
            "90 % interval": interval("precision_low", "precision_high"),
            "times base rate": words("lift_at_5", "none looked at"),
            "times classic, 90 %": interval("over_classic_low", "over_classic_high"),
            "AUC": words("auc"),
            "Brier": of_probability("brier"),
            "calibration error": of_probability("calibration_error"),
            "benefit caught": words("benefit_caught"),
        }
    )


def _percent(frame: pd.DataFrame) -> pd.DataFrame:
    """Probabilities in per cent and days without fractions, for people."""
    out = frame.copy()
    for name in out.columns:
        if "probability" in str(name) or str(name).startswith(("p_", "source_p_")):
            out[name] = out[name].map(lambda p: "" if pd.isna(p) else f"{100 * p:.0f} %")
        elif str(name).startswith("days_"):
            out[name] = out[name].map(lambda days: "" if pd.isna(days) else f"{days:.0f}")
    return out


@click.command()
@db_option
@click.option(
    "--at",
    "at",
    type=click.DateTime(["%Y-%m-%d", "%Y-%m-%dT%H:%M:%S"]),
    required=True,
    help="The day (UTC) to rank on: only data before it is used.",
)
@click.option("--days", type=click.IntRange(min=7), default=90, show_default=True, help="How long findings count.")
@click.option("--seed", type=int, default=1, show_default=True, help="Of the resampling of sites.")
@click.option("--out", type=NamedPath(path_type=Path, dir_okay=False), default=None, help="Write all figures as JSON.")
def backtest(db: Path, at: datetime, days: int, seed: int, out: Path | None) -> None:
    """Rank on a past day with data before it only, and score that by what was found after it."""
    from planner.commands.past_ranking import rank_the_past
    from planner.pipeline import bring_up_to_date, moment_of

    if out is not None:
        file_to_write(out, (".json",))
    con = open_existing(db)
    moment_of(con, None)  # refuses an empty database as such
    with progress_bar("bringing results up to date") as progress:
        bring_up_to_date(con, progress=progress)
    with progress_bar(f"ranking as of {at:%Y-%m-%d}") as progress:
        past = rank_the_past(con, at, days, seed, progress)
    con.close()
    scores, curves, details, until = past.scores, past.curves, past.details, past.until
    show_table(_score_table(scores), f"ranked on {at:%Y-%m-%d}, judged by looks until {until:%Y-%m-%d}")
    console.print(
        f"{past.seen} end faces looked at, {past.bad} not clean "
        f"(weighted base rate {details['base_rate']:.3f}). {scores['note'].iloc[0]}."
    )
    for method in ("benefit", "probability"):
        row = scores[scores["method"] == method]
        if len(row) and not pd.isna(row["over_classic_low"].iloc[0]):
            low, high = row["over_classic_low"].iloc[0], row["over_classic_high"].iloc[0]
            proves = "no difference is proven" if low <= 1.0 <= high else "more than chance explains"
            console.print(
                f"By {method} the first 5 % hold {low:.2f} to {high:.2f} times what the classic ranking's do "
                f"(90 % interval): {proves}."
            )
    if out is not None:
        document = {
            "at": at.isoformat(),
            "until": until.isoformat(),
            "details": details,
            "scores": json.loads(scores.to_json(orient="records", date_format="iso")),
            "curves": json.loads(curves.to_json(orient="records", date_format="iso")),
        }
        out.write_text(json.dumps(document, indent=1), encoding="utf-8")
        console.print(f"written to {out}")
