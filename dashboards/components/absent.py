"""What a page says when the thing it is about does not exist."""

from __future__ import annotations

from dash import html
from dash.development.base_component import Component


def no_such(thing: str, table_word: str, thing_id: str, back: str, href: str) -> list[Component]:
    """Says that no row of a kind has this id, with a link to all of them.

    Parameters
    ----------
    thing, table_word
        What the reader calls it ("end face") and what the tables call it ("connector").
    back, href
        Words and address of the link.
    """
    return [
        html.H1(f"There is no such {thing}"),
        html.P([f"No {table_word} has the id ", html.Span(thing_id or "(none given)", className="id"), "."]),
        html.P(html.A(back, href=href)),
    ]
