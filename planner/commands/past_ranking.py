"""A ranking as it would have been on a past day, scored by what was found after it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb
import numpy as np
import pandas as pd

from planner.errors import ParameterError
from planner.health.backtest import judge, score_rankings, too_few, worth_if_bad
from planner.pipeline import bring_up_to_date
from planner.progress import Progress, part_of
from planner.store.backtest_queries import (
    copy_of_past,
    found_after,
    history_span,
    keep_backtest,
    ranking_of_past,
)
from planner.store.database import open_database, transaction


@dataclass(frozen=True)
class PastRanking:
    """Scores and curves as stored, what they rest on, the end of the time judged, end faces seen and found bad."""

    scores: pd.DataFrame
    curves: pd.DataFrame
    details: dict[str, object]
    until: datetime
    seen: int
    bad: int


def rank_the_past(
    con: duckdb.DuckDBPyConnection, at: datetime, days: int, seed: int, progress: Progress
) -> PastRanking:
    """Rank with data before `at` only, score by what was found within `days`, and keep both.

    Parameters
    ----------
    con
        Database with current results.
    at
        The day to rank on. [UTC]
    days
        How long findings count.
    seed
        Of the resampling of sites.

    Raises
    ------
    ParameterError
        If the day lies outside the history, or too little was looked at after it.
    """
    first, last = history_span(con)
    if first is None or last is None:
        raise ParameterError(
            f"day of the past ranking: got {at:%Y-%m-%d} and no history at all, must be a day within one; "
            "load mating_events, inspections or cleanings"
        )
    if not first < at < last:
        raise ParameterError(
            f"day of the past ranking: got {at:%Y-%m-%d}, must lie inside the history, {first:%Y-%m-%d} to "
            f"{last:%Y-%m-%d}; choose a day with some months before and some weeks after it"
        )
    until = min(at + timedelta(days=days), last)
    with TemporaryDirectory(prefix="planner-backtest-") as folder:
        past_file = Path(folder) / "past.duckdb"
        open_database(past_file).close()
        copy_of_past(con, str(past_file), at)
        past = open_database(past_file)
        bring_up_to_date(past, at, part_of(progress, 0.0, 0.95))
        ranking = ranking_of_past(past)
        found = ranking[["connector_id"]].merge(found_after(con, at, until), on="connector_id", how="left")
        past.close()
    horizon = (until - at).total_seconds() / 86400.0
    assessed = ranking["p_not_clean"].notna().any()
    strata = ranking["p_not_clean" if assessed else "classic_score"].to_numpy(np.float64)
    judged = judge(found, strata, pd.Timestamp(at), horizon, worth_if_bad(ranking))
    lacking = too_few(judged)
    if lacking:
        raise ParameterError(
            f"day of the past ranking: got {at:%Y-%m-%d}, after which there were, within {horizon:.0f} days, "
            f"{lacking}; choose an earlier day or a longer time after it, or load inspections"
        )
    scores, curves, details = score_rankings(ranking, judged, pd.Timestamp(at), pd.Timestamp(until), horizon, seed)
    with transaction(con):
        keep_backtest(con, scores, curves)
    return PastRanking(scores, curves, details, until, int(judged.seen.sum()), int(judged.bad.sum()))
