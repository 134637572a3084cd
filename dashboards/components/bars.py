"""Scores taken apart: evidence in decibans and benefits in their unit, each line with a bar, summing up."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd
from dash import html

from dashboards.components.attributes import aria
from dashboards.components.frames import records
from dashboards.components.tables import Cell, heads, table
from dashboards.components.words import MINUS, day, figure, is_unknown, percent


def signed(value: float, decimals: int = 1) -> str:
    """A number that always shows its sign."""
    text = f"{abs(value):,.{decimals}f}"
    if text.strip("0.,") == "":
        return text
    return (MINUS if value < 0 else "+") + text


def bar(value: float, largest: float, *, kind: str = "") -> html.Span:
    """A bar to the right of a middle line for what adds, to the left for what takes away."""
    share = 0.0 if not largest else min(1.0, abs(value) / largest)
    side = "minus" if value < 0 else "plus"
    return html.Span(
        html.Span(className=f"bar-fill {side} {kind}".strip(), style={"--share": f"{50 * share:.1f}%"}),
        className="bar",
        **aria(hidden="true"),
    )


def level(share: float | None, *, state: str = "watch") -> html.Span:
    """A probability as a short level bar beside its number."""
    if share is None or is_unknown(share):
        return html.Span("unknown", className="level-none")
    return html.Span(
        [
            html.Span(
                html.Span(className=f"level-fill state-{state}", style={"--share": f"{100 * share:.1f}%"}),
                className="level",
                **aria(hidden="true"),
            ),
            html.B(percent(share)),
        ],
        className="level-box",
    )


def probability_of(decibans: float) -> float:
    """The probability whose log-odds are that many decibans."""
    if decibans > 3000:
        return 1.0
    odds = float(10 ** (decibans / 10))
    return odds / (1 + odds)


def evidence_table(caption: str, evidence: pd.DataFrame, total_words: str) -> html.Div:
    """Evidence line by line; the last row is the sum and the probability it stands for.

    `evidence` has columns text and decibans, and evidence_at where lines have a date.
    """
    largest = float(evidence["decibans"].abs().max()) if len(evidence) else 0.0
    dated = "evidence_at" in evidence
    rows: list[list[Cell]] = []
    for line in records(evidence):
        value = float(line.decibans)
        when: list[Cell] = []
        if dated:
            when = ["" if is_unknown(line.evidence_at) else day(line.evidence_at)]
        rows.append([str(line.text), *when, bar(value, largest), signed(value)])
    total = float(evidence["decibans"].sum())
    columns = heads("Evidence*", *(["Date"] if dated else []), "For or against", "Decibans#")
    words: list[Any] = [total_words + " ", html.B(percent(probability_of(total)))]
    return table(caption, columns, rows, total=[words, *([""] if dated else []), bar(total, largest), signed(total)])


def additive_table(
    caption: str, parts: Sequence[tuple[str, str, float | None]], unit: str, total_words: str, decimals: int = 1
) -> html.Div:
    """Parts of a score as bars that add up to its total; each part is (name, what it is, value)."""
    known = [value for _, _, value in parts if value is not None and not is_unknown(value)]
    largest = max((abs(value) for value in known), default=0.0)
    rows: list[list[Cell]] = []
    for name, meaning, value in parts:
        if value is None or is_unknown(value):
            rows.append([name, meaning, "", "not assessed"])
        else:
            rows.append([name, meaning, bar(value, largest, kind="gain"), signed(value, decimals)])
    total = sum(known)
    return table(
        caption,
        heads("Part", "What it is*", "Adds or takes", f"{unit}#"),
        rows,
        total=[total_words, "", bar(total, max(largest, abs(total)), kind="gain"), signed(total, decimals)],
    )


def budget_bar(segments: Sequence[tuple[str, float, str]], allowed: float | None, measured: float | None) -> html.Div:
    """What each element of a path should lose, laid end to end against what is allowed.

    Segments are (name, dB, kind); kind is connector, cable, splice, splitter or excess.
    """
    total = sum(value for _, value, _ in segments)
    full = max([total, allowed or 0.0, measured or 0.0, 0.01]) * 1.02
    parts = [
        html.Span(
            className=f"segment segment-{kind}",
            style={"width": f"{100 * max(value, 0) / full:.2f}%"},
            title=f"{name}: {figure(value, 2, 'dB')}",
        )
        for name, value, kind in segments
    ]
    marks = []
    if allowed is not None:
        marks.append(_tick("allowed", allowed, full))
    if measured is not None:
        marks.append(_tick("measured", measured, full))
    return html.Div([html.Div(parts, className="budget-parts"), *marks], className="budget-bar", **aria(hidden="true"))


def _tick(word: str, value: float, full: float) -> html.Span:
    return html.Span(
        html.Span(f"{word} {figure(value, 2, 'dB')}", className="tick-word"),
        className=f"tick tick-{word}",
        style={"left": f"{100 * value / full:.2f}%"},
    )
