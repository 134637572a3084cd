"""What to mind before touching anything, as on the work lists; local codes and permits always go first."""

from __future__ import annotations

from dash import html

from dashboards.components.attributes import aria
from planner.reports.job_sheet import cautions as work_list_cautions

LIVE = (
    "These jobs open connections that carry live circuits: only in an agreed change window, or with protection "
    "switched over and confirmed."
)


def cautions(*, opens_live: bool) -> html.Section:
    """The cautions of a stop, those about live circuits first."""
    items = [html.Li(html.B(LIVE))] if opens_live else []
    items += [html.Li([html.B(f"{topic.capitalize()}. "), text]) for topic, text in work_list_cautions()]
    return html.Section(
        [html.H3("Cautions"), html.Ul(items, className="cautions")], className="caution", **aria(label="Cautions")
    )
