"""What to mind before touching anything; local codes, permits and method statements always go first."""

from __future__ import annotations

from dash import html

from dashboards.components.attributes import aria

GENERAL = (
    "Treat every fibre as live until a power meter shows that it is dark; infrared light is invisible. Never look "
    "into a port or an end face; use a camera, or a microscope with a safety filter.",
    "Keep solvent small in amount and away from heat, sparks and hot work; ventilate; dry at once what was wetted.",
    "Fibre ends and scraps are sharp: safety glasses, no food or drink, every scrap into a marked container.",
    "Local codes, permits and method statements decide (height, roadside, confined space, energised plant). This "
    "list plans the work, it does not authorise it.",
)
LIVE = (
    "These jobs open connections that carry live circuits: only in an agreed change window, or with protection "
    "switched over and confirmed."
)


def cautions(*, opens_live: bool) -> html.Section:
    """The cautions of a stop, those about live circuits first."""
    items = [html.Li(html.B(LIVE))] if opens_live else []
    items += [html.Li(text) for text in GENERAL]
    return html.Section(
        [html.H3("Cautions"), html.Ul(items, className="cautions")], className="caution", **aria(label="Cautions")
    )
