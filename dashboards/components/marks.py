"""State marks: each state has a shape and a word as well as a colour."""

from __future__ import annotations

from dash import html

from dashboards.components.attributes import aria

STATE_WORDS = {
    "act": "act now",
    "soon": "soon",
    "watch": "watch",
    "sound": "sound",
    "unknown": "unknown",
}
# Shapes as characters for marks in text, and as plot symbols for figures.
STATE_SHAPES = {"act": "\u25c6", "soon": "\u25b2", "watch": "\u25a0", "sound": "\u25cf", "unknown": "\u25cb"}
STATE_SYMBOLS = {
    "act": "diamond",
    "soon": "triangle-up",
    "watch": "square",
    "sound": "circle",
    "unknown": "circle-open",
}


def state_mark(state: object, *, word: bool = True) -> html.Span:
    """A state's shape in its colour, with its word (or the word for screen readers only)."""
    key = str(state) if str(state) in STATE_WORDS else "unknown"
    return html.Span(
        [
            html.Span(STATE_SHAPES[key], className="shape", **aria(hidden="true")),
            html.Span(STATE_WORDS[key], className="state-word" if word else "for-readers"),
        ],
        className=f"state state-{key}",
        title=STATE_WORDS[key],
    )


def connector_state_of(p_not_clean: float | None, p_costs_light: float | None = None) -> str:
    """The state a pair of probabilities calls for, by the rule the list uses."""
    if p_not_clean is None and p_costs_light is None:
        return "unknown"
    dirty, costs = p_not_clean or 0.0, p_costs_light or 0.0
    if costs >= 0.5 or (costs >= 0.25 and dirty >= 0.5):
        return "act"
    if costs >= 0.25 or dirty >= 0.5:
        return "soon"
    return "watch" if dirty >= 0.2 else "sound"
