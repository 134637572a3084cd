"""What a page says when the thing it is about does not exist."""

from __future__ import annotations

from dash import html
from dash.development.base_component import Component

from dashboards.components.links import circuit_link, connector_link, site_link
from dashboards.components.tables import not_assessed
from dashboards.data import ask
from planner.store import page_queries


def no_such(thing: str, table_word: str, thing_id: str, near: list[str], back: str, href: str) -> list[Component]:
    """Says that no row of a kind has this id, which ids look like it, and where all of them are.

    Parameters
    ----------
    thing, table_word
        What the reader calls it ("end face") and what the tables call it ("connector").
    near
        Ids that look like the one asked for.
    back, href
        Words and address of the link.
    """
    return [
        html.H1(f"There is no such {thing}"),
        html.P([f"No {table_word} has the id ", html.Span(thing_id or "(none given)", className="id"), "."]),
        *([html.P(["Did you mean ", *listed_links(table_word, near), "?"])] if near else []),
        html.P(html.A(back, href=href)),
    ]


def nothing_known() -> html.P | None:
    """Says that nothing was recorded of end faces nor measured of circuits; None where something was."""
    known = ask(page_queries.is_known)
    if known["history"] or known["light"]:
        return None
    return not_assessed(
        "history of end faces and no light",
        "One end face would look like the next. Load mating_events, inspections, cleanings, power_readings or "
        "loss_tests.",
    )


def listed_links(table_word: str, ids: list[str]) -> list[Component | str]:
    """Links to their pages, separated by commas."""
    link = {"circuit": circuit_link, "connector": connector_link, "site": site_link}[table_word]
    parts: list[Component | str] = []
    for each in ids:
        parts += [", ", link(each)] if parts else [link(each)]
    return parts
