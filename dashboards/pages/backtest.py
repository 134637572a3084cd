"""Whether the ranking was right: what it said on a past day against what was found after it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pandas as pd
from dash import html
from dash.development.base_component import Component

from dashboards.components.charts import drawn, lines_figure
from dashboards.components.frames import first, records
from dashboards.components.links import choices
from dashboards.components.tables import heads, not_assessed, table
from dashboards.components.words import bold, counted, day, figure, is_unknown, percent, plain, sentence
from dashboards.data import ask
from dashboards.pages.page import Page, Query
from planner.store import page_queries

PATH = "/backtest"

METHOD_WORDS = {
    "benefit": "benefit",
    "probability": "probability",
    "classic": "three classic measures",
    "mates": "matings alone",
    "drift": "loss drift alone",
    "time": "time alone",
}
METHOD_LINES = {
    "benefit": ("act", "solid"),
    "probability": ("watch", "solid"),
    "classic": ("soon", "dash"),
    "mates": ("sound", "dot"),
    "drift": ("unknown", "dashdot"),
    "time": ("faint", "longdash"),
}
# Id of the drawing, curve, titles of the axes, what it shows in words, caption.
CURVES = (
    (
        "caught",
        "benefit_caught",
        "share of the crew minutes spent",
        "share of the benefit caught",
        "Share of the benefit caught against the share of crew minutes spent, for each way of ranking.",
        "Higher is better; dotted: going round at random.",
    ),
    (
        "calibration",
        "calibration",
        "probability said",
        "share found not clean",
        "Probability said against the share found not clean.",
        "On the dotted line a probability means what it says.",
    ),
)


def title(_: Query) -> str:
    """The page's title."""
    return "Has the ranking been right?"


def layout(query: Query) -> list[Component]:
    """The page for a query with day, the day that was ranked on."""
    counts = ask(page_queries.row_counts)
    parts: list[Component] = [html.H1("Has the ranking been right?")]
    if not counts["backtest_scores"]:
        return [
            *parts,
            not_assessed(
                "backtest_scores",
                "A back-test learns and ranks with the data before a day only, and scores by what was found after:",
            ),
            html.Pre("planner backtest --at DATE --db FILE"),
        ]
    scores = ask(page_queries.backtest_scores)
    chosen = chosen_day(scores, query.get("day", ""))
    shown = scores[scores["ranked_at"] == chosen]
    days = sorted(set(scores["ranked_at"]), reverse=True)
    if len(days) > 1:
        kept = {"day": f"{chosen:%Y-%m-%d}"}
        parts.append(choices("Ranked on", PATH, kept, "day", [(f"{each:%Y-%m-%d}", day(each)) for each in days]))
    return [*parts, *verdict(shown), _score_table(shown), *_notes(shown), *_backtest_curves(chosen)]


def chosen_day(scores: pd.DataFrame, wanted: str) -> Any:
    """The day asked for, else the one with most looks, of those the newest."""
    for each in scores["ranked_at"]:
        if f"{each:%Y-%m-%d}" == wanted:
            return each
    most = scores.sort_values(["judged", "ranked_at"], ascending=False, kind="stable")
    return most["ranked_at"].iloc[0]


def verdict(scores: pd.DataFrame) -> list[Component]:
    """What one day's back-test says, in two sentences: how much was found where, and whether that proves anything."""
    head = first(scores)
    parts: list[Component] = [
        sentence(
            f"Ranked with the data before {day(head['ranked_at'])} only; until {day(head['until_at'])}, ",
            bold(figure(head["found"])),
            " of ",
            bold(counted(head["judged"], "end face")),
            f" that somebody looked at were found dirty or damaged (base rate {percent(head['base_rate'])}).",
            kind="lead",
        )
    ]
    ours = scores[scores["method"].isin(["benefit", "probability"])]
    classic = scores[scores["method"] == "classic"]
    if ours.empty or classic.empty or is_unknown(classic["precision_at_5"].iloc[0]):
        return parts
    best = ours.sort_values("precision_at_5", ascending=False).iloc[0]
    parts.append(
        sentence(
            "In the first 5 % of the ranking by ",
            METHOD_WORDS.get(str(best["method"]), plain(best["method"])),
            ", ",
            bold(percent(best["precision_at_5"])),
            " were found not clean; the three classic measures reach ",
            bold(percent(classic["precision_at_5"].iloc[0])),
            f". {difference(best)}",
        )
    )
    return parts


def difference(row: Any) -> str:
    """Whether a way of ranking is proven better or worse than the classic one."""
    low, high = row["over_classic_low"], row["over_classic_high"]
    if is_unknown(low) or is_unknown(high):
        return "How sure the difference is was not assessed."
    span = f"(90 % interval {figure(low, 2)} to {figure(high, 2)} times the classic share)"
    if low <= 1.0 <= high:
        return f"With so few looks the difference proves nothing {span}."
    return f"That is {'more' if low > 1 else 'less'} than chance explains {span}."


def _score_table(scores: pd.DataFrame) -> html.Div:
    return table(
        "Each way of ranking, judged by the same findings; in brackets the 90 % interval when sites are drawn anew. "
        "An interval against the classic ranking that holds 1 proves no difference.",
        heads(
            "Ranked by",
            "Found in first 5 %#",
            "Times base rate#",
            "Times classic#",
            "AUC#",
            "Brier#",
            "Calibration error#",
            "Benefit caught in first 5 %#",
        ),
        [
            [
                METHOD_WORDS.get(str(line.method), plain(line.method)),
                "none looked at"
                if is_unknown(line.precision_at_5)
                else percent(line.precision_at_5) + _interval(line.precision_low, line.precision_high, percent),
                "none looked at" if is_unknown(line.lift_at_5) else figure(line.lift_at_5, 2),
                "" if is_unknown(line.over_classic_low) else _span(line.over_classic_low, line.over_classic_high),
                figure(line.auc, 3),
                "" if is_unknown(line.brier) else figure(line.brier, 4),
                "" if is_unknown(line.calibration_error) else figure(line.calibration_error, 3),
                percent(line.benefit_caught),
            ]
            for line in records(scores)
        ],
    )


def _interval(low: Any, high: Any, words: Callable[[Any], str]) -> str:
    return "" if is_unknown(low) else f" ({words(low)} to {words(high)})"


def _span(low: float, high: float) -> str:
    return f"{figure(low, 2)} to {figure(high, 2)}"


def _notes(scores: pd.DataFrame) -> list[Component]:
    notes = dict.fromkeys(str(note) for note in scores["note"] if not is_unknown(note) and note)
    return [html.P(f"{note[:1].upper()}{note[1:]}.", className="faint small") for note in notes]


def _backtest_curves(ranked_at: Any) -> list[Component]:
    curves = ask(page_queries.backtest_curves)
    curves = curves[curves["ranked_at"] == ranked_at]
    drawings: list[Component] = []
    for name, curve, x_title, y_title, label, caption in CURVES:
        series = _curve_series(curves, curve)
        if series:
            figure = lines_figure(series, x_title=x_title, y_title=y_title, diagonal=True, x_format=".0%")
            drawings.append(drawn(name, figure, label=label, caption=caption, height=320))
    return [html.Div(drawings, className="two")] if drawings else []


def _curve_series(curves: pd.DataFrame, name: str) -> list[tuple[str, list[float], list[float], str, str]]:
    series = []
    for method, points in curves[curves["curve"] == name].groupby("method", sort=False):
        colour, dash = METHOD_LINES.get(str(method), ("faint", "dot"))
        ordered = points.sort_values("x")
        words = METHOD_WORDS.get(str(method), plain(method))
        series.append((words, ordered["x"].tolist(), ordered["y"].tolist(), colour, dash))
    return series


PAGE = Page(path=PATH, layout=layout, title=title, section="/patterns")
