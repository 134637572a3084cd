"""The dashboard: `create_app(source)` gives a Dash app over a database file or a folder of snapshots.

Everything it needs is served from this machine. Every page is built from the address alone, so any view can
be reopened or sent to a colleague.
"""

from __future__ import annotations

import gzip
import logging
import re
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl

import duckdb
from dash import MATCH, ClientsideFunction, Dash, Input, Output, State, dcc, html
from flask import Response, request

from dashboards import grids, pages
from dashboards.components.attributes import aria
from dashboards.components.links import address
from dashboards.components.words import moment
from dashboards.data import Door, ask
from dashboards.downloads import add_downloads
from planner.errors import PlannerError
from planner.store import page_queries

log = logging.getLogger(__name__)

ASSETS = Path(__file__).with_name("assets")

# How long a browser may keep a file that never changes under its address. [s]
YEAR_S = 31_536_000

# Responses smaller than this are sent as they are. [bytes]
COMPRESS_FROM = 1200
_COMPRESSED_TYPES = ("text/", "application/json", "application/javascript", "image/svg")

INDEX = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<title>{%title%}</title>
<script src="/assets/theme.js"></script>
{%favicon%}
{%css%}
</head>
<body>
<a class="skip" href="#content">Skip to the content</a>
<noscript>These pages need JavaScript, which this browser does not run.</noscript>
{%app_entry%}
{%config%}
{%scripts%}
{%renderer%}
</body>
</html>"""


def create_app(source: Path | str, *, base_map: Path | None = None) -> Dash:
    """The dashboard over a database file or a folder of published snapshots.

    Parameters
    ----------
    source
        Opened for reading only; in a folder the newest snapshot is read and a newer one is picked up.
    base_map
        GeoJSON in WGS84 degrees to draw under the maps instead of the carried outlines.

    Raises
    ------
    StoreError
        There is no database there, or it cannot be opened for reading.
    """
    app = Dash(
        __name__,
        title="Connector planner",
        update_title=None,  # type: ignore[arg-type]  # None switches the "Updating..." title off
        serve_locally=True,
        eager_loading=False,
        assets_folder=str(ASSETS),
        assets_ignore=r"(theme|plotly-cartesian\.min)\.js",
        suppress_callback_exceptions=True,
        index_string=INDEX,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
    )
    app.server.extensions["planner_door"] = Door(Path(source))
    app.server.extensions["planner_base_map"] = base_map
    app.layout = _frame
    _add_navigation(app)
    _add_painting(app)
    grids.add_callbacks(app)
    for page in pages.PAGES:
        if page.add_callbacks is not None:
            page.add_callbacks(app)
    add_downloads(app.server)
    _serve_compressed(app)
    return app


def warm(app: Dash) -> None:
    """Ask the first page's questions and compress its files, so that the first visitor does not wait for it."""
    client = app.server.test_client()
    headers = {"Accept-Encoding": "gzip"}
    index = client.get("/").get_data(as_text=True)
    files = re.findall(r'(?:src|href)="(/(?:_dash-component-suites|assets)/[^"]+)"', index)
    for path in [*files, "/_dash-component-suites/plotly/package_data/plotly.min.js", "/_dash-layout"]:
        client.get(path, headers=headers).close()
    with app.server.app_context():
        show_page("/", "")


def _frame() -> html.Div:
    """What stays while pages change: header, main part, footer."""
    as_of = ask(page_queries.as_of)
    return html.Div(
        [
            dcc.Location(id="address", refresh="callback-nav"),
            dcc.Store(id="page-title"),
            dcc.Store(id="theme"),
            html.Header(
                [
                    html.Div(
                        [
                            html.A("Connector planner", href="/", className="brand"),
                            html.P(
                                f"Results as of {moment(as_of)}" if as_of else "Nothing was analysed yet",
                                className="as-of",
                            ),
                            html.Div(
                                [
                                    html.Div(
                                        [
                                            html.Label("Find", htmlFor="search"),
                                            dcc.Input(
                                                id="search",
                                                type="search",
                                                placeholder="circuit, end face, site",
                                                debounce=False,
                                                n_submit=0,
                                            ),
                                        ],
                                        className="search",
                                        role="search",
                                    ),
                                    html.Button("Dark", id="theme-switch", n_clicks=0, **aria(pressed="false")),
                                ],
                                className="tools",
                            ),
                        ],
                        className="top-row",
                    ),
                    html.Nav(id="pages", className="pages", **aria(label="Pages")),
                ],
                className="top",
            ),
            html.Main(html.P("Reading the results\u2026", className="waiting"), id="content", tabIndex="-1"),
            html.Footer(
                html.Div(
                    [
                        "Work on live fibre is governed by your local codes, permits and method statements; this "
                        "planner plans, it does not authorise work. Outlines on maps: Natural Earth, public domain. ",
                        html.A("How the figures come about", href="/method"),
                    ]
                )
            ),
        ]
    )


def _navigation(path: str) -> list[html.A]:
    current = pages.section_of(path)
    return [
        html.A(page.name, href=page.path, **aria(current="page" if page.path == current else ""))
        for page in pages.PAGES
        if page.name
    ]


def show_page(path: str, search: str) -> tuple[Any, str]:
    """The content and the title of the page at an address; what cannot be shown says why."""
    query = dict(parse_qsl((search or "").lstrip("?"), keep_blank_values=False))
    page = pages.page_at(path)
    if page is None:
        return (
            [
                html.H1("There is no such page"),
                html.P(["Nothing lives at ", html.Span(path, className="id"), "."]),
                html.P(html.A("Go to the network's state", href="/")),
            ],
            "No such page",
        )
    try:
        return page.layout(query), f"{page.title(query)} \u00b7 Connector planner"
    except (PlannerError, duckdb.Error) as error:
        log.warning("%s: %s", address(path, **query), error)
        return (
            [
                html.H1("This page cannot be shown"),
                html.P(str(error), className="caution", role="alert"),
                html.P(html.A("Try again without filters", href=path)),
            ],
            "Cannot be shown",
        )


def _add_navigation(app: Any) -> None:
    def open_page(path: str | None, search: str | None) -> tuple[Any, str, list[html.A]]:
        """Content, title and navigation of an address."""
        children, title = show_page(path or "/", search or "")
        return children, title, _navigation(path or "/")

    app.callback(
        Output("content", "children"),
        Output("page-title", "data"),
        Output("pages", "children"),
        Input("address", "pathname"),
        Input("address", "search"),
    )(open_page)
    app.clientside_callback(
        ClientsideFunction("planner", "pageShown"),
        Output("page-title", "modified_timestamp"),
        Input("page-title", "data"),
        prevent_initial_call=True,
    )
    app.clientside_callback(
        ClientsideFunction("planner", "flipTheme"),
        Output("theme", "data"),
        Input("theme-switch", "n_clicks"),
    )
    app.clientside_callback(
        ClientsideFunction("planner", "search"),
        Output("search", "n_blur"),
        Input("search", "n_submit"),
        State("search", "value"),
        prevent_initial_call=True,
    )


def _add_painting(app: Any) -> None:
    app.clientside_callback(
        ClientsideFunction("planner", "paint"),
        Output({"part": "figure", "name": MATCH}, "figure"),
        Input({"part": "figure-spec", "name": MATCH}, "data"),
        Input("theme", "data"),
    )
    app.clientside_callback(
        ClientsideFunction("planner", "openPoint"),
        Output({"part": "figure", "name": MATCH}, "clickData"),
        Input({"part": "figure", "name": MATCH}, "clickData"),
        prevent_initial_call=True,
    )


def _serve_compressed(app: Dash) -> None:
    """Compress what is worth it; files that never change are compressed once and kept."""
    kept: dict[str, bytes] = {}

    def lighter_drawing_library() -> Response | None:
        """Plain cartesian figures are all that the pages use: a third of the full library's size."""
        if request.path.startswith("/_dash-component-suites/plotly/") and request.path.endswith(".js"):
            return _drawing_library()
        return None

    def compress(response: Response) -> Response:
        """Compress the body, and say where scripts may come from."""
        response.headers.setdefault("X-Content-Type-Options", "nosniff")
        response.headers.setdefault("Referrer-Policy", "same-origin")
        response.headers.setdefault(
            "Content-Security-Policy",
            "default-src 'self'; img-src 'self' data: blob:; style-src 'self' 'unsafe-inline'; "
            f"script-src 'self' {_script_hashes(app)}; frame-ancestors 'none'; base-uri 'self'",
        )
        if (
            response.status_code != 200
            or "gzip" not in request.headers.get("Accept-Encoding", "")
            or response.headers.get("Content-Encoding")
            or not str(response.mimetype).startswith(_COMPRESSED_TYPES)
        ):
            return response
        fixed = request.path.startswith(("/_dash-component-suites/", "/assets/"))
        key = request.path
        response.direct_passthrough = False
        if fixed and key in kept:
            body = kept[key]
            response.get_data()  # reads the file to its end, so that it is closed
        else:
            raw = response.get_data()
            if len(raw) < COMPRESS_FROM:
                return response
            body = gzip.compress(raw, compresslevel=6 if fixed else 3, mtime=0)
            if fixed:
                kept[key] = body
        response.set_data(body)
        response.headers["Content-Encoding"] = "gzip"
        response.headers["Content-Length"] = str(len(body))
        response.headers.add("Vary", "Accept-Encoding")
        return response

    app.server.before_request(lighter_drawing_library)
    app.server.after_request(compress)


def _drawing_library() -> Response:
    body = (ASSETS / "plotly-cartesian.min.js").read_bytes()
    headers = {"Cache-Control": f"public, max-age={YEAR_S}"}
    return Response(body, mimetype="application/javascript", headers=headers)


def _script_hashes(app: Dash) -> str:
    hashes = app.server.extensions.get("planner_script_hashes")
    if hashes is None:
        hashes = " ".join(f"{each}" for each in app.csp_hashes())
        app.server.extensions["planner_script_hashes"] = hashes
    return str(hashes)
