"""Figures as plain dicts: frame in, figure out. Colours are names (`~act`) that the page's theme fills in."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd
from dash import dcc, html

from dashboards.components.attributes import aria
from dashboards.components.frames import records
from dashboards.components.marks import STATE_SYMBOLS, STATE_WORDS
from dashboards.components.words import day, db, figure, is_unknown, percent

Spec = dict[str, Any]

# Readings that lie within so many days get as many on either side of them.
NARROW_DAYS = 10

_FONT = {"family": "system-ui, sans-serif", "size": 12.5, "color": "~ink"}
_CONFIG: dict[str, Any] = {"displaylogo": False, "displayModeBar": False, "responsive": True, "scrollZoom": False}


def layout_of(**changes: Any) -> Spec:
    """The layout every figure starts from."""
    axis = {
        "gridcolor": "~line",
        "linecolor": "~line",
        "zeroline": False,
        "tickfont": {"color": "~faint"},
        "automargin": True,
        "title": {"standoff": 8, "font": {"color": "~faint"}},
    }
    base: Spec = {
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": "rgba(0,0,0,0)",
        "font": _FONT,
        "margin": {"l": 8, "r": 8, "t": 8, "b": 8},
        "showlegend": False,
        "hoverlabel": {"bgcolor": "~ground", "bordercolor": "~line", "font": _FONT, "align": "left"},
        "xaxis": axis,
        "yaxis": axis,
        "dragmode": False,
    }
    for name, value in changes.items():
        base[name] = {**base[name], **value} if name in ("xaxis", "yaxis", "margin") else value
    return base


def titled(text: str) -> Spec:
    """An axis title in the faint ink."""
    return {"text": text, "standoff": 8, "font": {"color": "~faint"}}


def drawn(part: str, spec: Spec, *, label: str, caption: str, height: int, pan: bool = False) -> html.Figure:
    """A figure on the page: named for readers, with a caption; its colours follow the theme."""
    config: Any = {**_CONFIG, "scrollZoom": pan}
    return html.Figure(
        [
            dcc.Store(id={"part": "figure-spec", "name": part}, data=spec),
            html.Div(
                dcc.Graph(
                    id={"part": "figure", "name": part},
                    config=config,
                    style={"height": f"{height}px"},
                    figure={
                        "data": [],
                        "layout": {
                            "paper_bgcolor": "rgba(0,0,0,0)",
                            "plot_bgcolor": "rgba(0,0,0,0)",
                            "xaxis": {"visible": False},
                            "yaxis": {"visible": False},
                        },
                    },
                ),
                role="img",
                **aria(label=label),
            ),
            html.Figcaption(caption),
        ],
        className="figure",
    )


def readings_figure(
    series: Sequence[tuple[str, pd.DataFrame, str]],
    unit: str,
    *,
    baseline: float | None = None,
    noise: float | None = None,
    step_at: Any = None,
    step_word: str = "step",
    touched: Sequence[Any] = (),
) -> Spec:
    """Readings over time as a control chart: baseline with a band of three times its noise, step, touched days.

    Each series is (name, frame with columns at and value, colour name). `touched` are times at which an end
    face of the path was worked on; `step_word` is what the mark at `step_at` is called. Readings of a day or two
    get some weeks of axis, so that it shows days.
    """
    symbols = ("circle", "square", "diamond", "triangle-up", "cross", "x")
    data: list[Spec] = [
        {
            "type": "scatter",
            "mode": "lines+markers" if len(frame) < 60 else "lines",
            "name": name,
            "x": [at.isoformat() for at in frame["at"]],
            "y": [None if is_unknown(value) else round(float(value), 3) for value in frame["value"]],
            "line": {"color": f"~{colour}", "width": 1.6},
            "marker": {"size": 6, "symbol": symbols[number % len(symbols)]},
            "hovertemplate": f"%{{x|%d %b %Y}}<br>%{{y:.2f}} {unit}<extra>{name}</extra>",
        }
        for number, (name, frame, colour) in enumerate(series)
    ]
    shapes: list[Spec] = []
    if baseline is not None and noise is not None:
        shapes.append(
            {
                "type": "rect",
                "xref": "paper",
                "x0": 0,
                "x1": 1,
                "layer": "below",
                "y0": baseline - 3 * noise,
                "y1": baseline + 3 * noise,
                "fillcolor": "~sound",
                "opacity": 0.13,
                "line": {"width": 0},
            }
        )
    if baseline is not None:
        shapes.append(
            {
                "type": "line",
                "xref": "paper",
                "x0": 0,
                "x1": 1,
                "y0": baseline,
                "y1": baseline,
                "line": {"color": "~sound", "width": 1, "dash": "dot"},
            }
        )
    annotations: list[Spec] = []
    if not is_unknown(step_at):
        shapes.append(
            {
                "type": "line",
                "yref": "paper",
                "y0": 0,
                "y1": 1,
                "x0": step_at.isoformat(),
                "x1": step_at.isoformat(),
                "line": {"color": "~act", "width": 1.5, "dash": "dash"},
            }
        )
        annotations.append(
            {
                "x": step_at.isoformat(),
                "y": 1,
                "yref": "paper",
                "yanchor": "top",
                "xanchor": "right",
                "text": f"{step_word} {day(step_at)} ",
                "showarrow": False,
                "font": {"color": "~act"},
            }
        )
    shapes += [
        {
            "type": "line",
            "yref": "paper",
            "y0": 0,
            "y1": 0.05,
            "x0": at.isoformat(),
            "x1": at.isoformat(),
            "line": {"color": "~soon", "width": 2},
        }
        for at in list(touched)[:200]
    ]
    return {
        "data": data,
        "layout": layout_of(
            yaxis={"title": titled(unit)},
            xaxis={"type": "date", **_wide_enough([at for _, frame, _ in series for at in frame["at"]])},
            shapes=shapes,
            annotations=annotations,
            showlegend=len(data) > 1,
            legend={"orientation": "h", "y": 1.12, "x": 0, "font": {"color": "~ink"}},
            margin={"t": 28},
        ),
    }


def _wide_enough(times: list[pd.Timestamp]) -> Spec:
    """The range of a time axis whose readings all lie within a few days of each other; nothing for others."""
    if not times or max(times) - min(times) > pd.Timedelta(days=NARROW_DAYS):
        return {}
    margin = pd.Timedelta(days=NARROW_DAYS)
    return {"range": [(min(times) - margin).isoformat(), (max(times) + margin).isoformat()]}


HISTORY_ROWS = {
    "mate": ("matings", "line-ns-open", "watch"),
    "demate": ("matings", "line-ns-open", "watch"),
    "clean": ("cleanings", "square", "sound"),
    "inspect pass": ("looks", "circle-open", "sound"),
    "inspect fail": ("looks", "diamond", "act"),
    "work order": ("work orders", "triangle-up", "soon"),
}


def history_figure(events: pd.DataFrame) -> Spec:
    """What happened to an end face over time: matings, looks (passed or failed), cleanings, work orders.

    `events` has columns at, what, detail and note, as `page_queries.connector_events` gives them.
    """
    kinds = [
        ("inspect fail" if "fail" in str(note) else "inspect pass") if what == "inspect" else str(what)
        for what, note in zip(events["what"], events["note"], strict=True)
    ]
    rows = ["work orders", "cleanings", "looks", "matings"]
    traces: list[Spec] = []
    for kind, (row, symbol, colour) in HISTORY_ROWS.items():
        mine = [position for position, each in enumerate(kinds) if each == kind]
        if not mine:
            continue
        chosen = events.iloc[mine]
        traces.append(
            {
                "type": "scatter",
                "mode": "markers",
                "name": kind,
                "x": [at.isoformat() for at in chosen["at"]],
                "y": [row] * len(chosen),
                "marker": {
                    "symbol": symbol,
                    "color": f"~{colour}",
                    "size": 12 if symbol.startswith("line") else 10,
                    "line": {"width": 2, "color": f"~{colour}"},
                },
                "text": [
                    ", ".join(str(part).replace("_", " ") for part in (detail, note) if not is_unknown(part) and part)
                    for detail, note in zip(chosen["detail"], chosen["note"], strict=True)
                ],
                "hovertemplate": f"{kind.split()[0]} %{{x|%d %b %Y %H:%M}}<br>%{{text}}<extra></extra>",
            }
        )
    first, last = events["at"].min(), events["at"].max()
    margin = max((last - first) * 0.03, pd.Timedelta(days=2))  # one event alone has days about it, not milliseconds
    return {
        "data": traces,
        "layout": layout_of(
            yaxis={"type": "category", "categoryorder": "array", "categoryarray": rows, "fixedrange": True},
            xaxis={"type": "date", "range": [(first - margin).isoformat(), (last + margin).isoformat()]},
        ),
    }


def day_figure(stops: pd.DataFrame, *, chosen: tuple[str, str, int] | None, hrefs: Sequence[str]) -> Spec:
    """Each crew's days as bars: driving hatched, waiting thin, work solid; one row per crew-day."""

    def minutes(clock: Any) -> float | None:
        if is_unknown(clock) or ":" not in str(clock):
            return None
        hours, rest = str(clock).split(":")[:2]
        return 60.0 * int(hours) + int(rest[:2])

    rows = [f"{crew}  {day_on[5:]}" for crew, day_on in zip(stops["crew_id"], stops["day_on"], strict=True)]
    travel: Spec = {
        "type": "bar",
        "orientation": "h",
        "name": "driving",
        "y": [],
        "x": [],
        "base": [],
        "text": [],
        "customdata": [],
        "hovertemplate": "%{text}<extra>driving</extra>",
        "textposition": "none",
        "marker": {
            "color": "~ground",
            "line": {"color": "~faint", "width": 1},
            "pattern": {"shape": "/", "fgcolor": "~faint", "size": 6, "solidity": 0.25},
        },
    }
    wait: Spec = {
        "type": "bar",
        "orientation": "h",
        "name": "waiting for access",
        "y": [],
        "x": [],
        "base": [],
        "text": [],
        "customdata": [],
        "hovertemplate": "%{text}<extra>waiting</extra>",
        "width": 0.2,
        "textposition": "none",
        "marker": {"color": "~line"},
    }
    work: Spec = {
        "type": "bar",
        "orientation": "h",
        "name": "work, entry included",
        "y": [],
        "x": [],
        "base": [],
        "text": [],
        "customdata": [],
        "hovertemplate": "%{hovertext}<extra>work</extra>",
        "hovertext": [],
        "textposition": "inside",
        "textangle": 0,
        "insidetextanchor": "middle",
        "cliponaxis": False,
        "textfont": {"color": "~ground"},
        "constraintext": "none",
        "marker": {"color": [], "line": {"color": "~ground", "width": 1}},
    }
    for row, stop, href in zip(rows, records(stops), hrefs, strict=True):
        arrive, start, leave = minutes(stop.arrive_at), minutes(stop.start_at), minutes(stop.leave_at)
        if arrive is None or leave is None:
            continue
        start = arrive if start is None else start
        drive = 0.0 if is_unknown(stop.travel_min) else float(stop.travel_min)
        name = stop.site_name if not is_unknown(stop.site_name) else stop.site_id
        _add(travel, row, arrive - drive, drive, f"{drive:.0f} min to {name}", href)
        if start > arrive:
            _add(wait, row, arrive, start - arrive, f"waits {start - arrive:.0f} min at {name}", href)
        is_chosen = chosen == (stop.crew_id, stop.day_on, stop.stop_no)
        _add(work, row, start, leave - start, str(stop.stop_no) if leave - start >= 12 else "", href)
        work["hovertext"].append(
            f"stop {stop.stop_no}, {name}<br>{stop.start_at} to {stop.leave_at}"
            f"<br>benefit {figure(stop.benefit)} customer-min"
        )
        work["marker"]["color"].append("~act" if is_chosen else "~watch")
    order = list(dict.fromkeys(rows))
    first = min([*travel["base"], *work["base"], 24 * 60])
    last = max([b + x for b, x in zip(work["base"], work["x"], strict=True)] or [0])
    ticks = list(range(int(first // 60), int(last // 60) + 2))
    return {
        "data": [travel, wait, work],
        "layout": layout_of(
            barmode="overlay",
            yaxis={"categoryorder": "array", "categoryarray": order[::-1], "type": "category", "fixedrange": True},
            xaxis={
                "range": [60 * ticks[0], 60 * ticks[-1]],
                "tickvals": [60 * hour for hour in ticks],
                "ticktext": [f"{hour % 24:02d}:00" for hour in ticks],
                "fixedrange": True,
                "title": titled("local time"),
            },
            bargap=0.35,
            showlegend=True,
            legend={"orientation": "h", "y": 1.02, "yanchor": "bottom", "x": 0, "font": {"color": "~ink"}},
            margin={"t": 34},
            clickmode="event",
        ),
    }


def _add(trace: Spec, row: str, base: float, length: float, text: str, href: str) -> None:
    trace["y"].append(row)
    trace["base"].append(base)
    trace["x"].append(length)
    trace["text"].append(text)
    trace["customdata"].append(href)


def months_figure(months: pd.DataFrame) -> Spec:
    """Work orders by month: all of them, and those about end faces."""
    x = [at.isoformat() for at in months["month_at"]]
    return {
        "data": [
            {
                "type": "bar",
                "name": "about an end face",
                "x": x,
                "y": months["end_face_orders"].tolist(),
                "marker": {"color": "~soon"},
                "hovertemplate": "%{x|%b %Y}: %{y}<extra>about an end face</extra>",
            },
            {
                "type": "bar",
                "name": "about something else",
                "x": x,
                "y": (months["orders"] - months["end_face_orders"]).tolist(),
                "marker": {
                    "color": "~ground",
                    "line": {"color": "~faint", "width": 1},
                    "pattern": {"shape": ".", "fgcolor": "~faint", "size": 5},
                },
                "hovertemplate": "%{x|%b %Y}: %{y}<extra>about something else</extra>",
            },
        ],
        "layout": layout_of(
            barmode="stack",
            yaxis={"title": titled("work orders opened"), "rangemode": "tozero", "fixedrange": True},
            xaxis={"type": "date", "fixedrange": True},
            bargap=0.25,
            showlegend=True,
            legend={"orientation": "h", "y": 1.14, "x": 0},
            margin={"t": 30},
        ),
    }


def lines_figure(
    series: Sequence[tuple[str, Sequence[float], Sequence[float], str, str]],
    *,
    x_title: str,
    y_title: str,
    diagonal: bool = False,
    x_format: str = "",
    y_format: str = ".0%",
) -> Spec:
    """Lines (name, x, y, colour name, dash); `diagonal` adds the line on which x equals y."""
    data: list[Spec] = [
        {
            "type": "scatter",
            "mode": "lines+markers" if len(x) < 30 else "lines",
            "name": name,
            "x": list(x),
            "y": list(y),
            "line": {"color": f"~{colour}", "dash": dash, "width": 2},
            "hovertemplate": f"%{{x{':' + x_format if x_format else ''}}}: %{{y:{y_format}}}<extra>{name}</extra>",
        }
        for name, x, y, colour, dash in series
    ]
    shapes: list[Spec] = []
    if diagonal:
        shapes.append(
            {
                "type": "line",
                "x0": 0,
                "y0": 0,
                "x1": 1,
                "y1": 1,
                "line": {"color": "~faint", "width": 1, "dash": "dot"},
            }
        )
    return {
        "data": data,
        "layout": layout_of(
            xaxis={"title": titled(x_title), "tickformat": x_format, "fixedrange": True},
            yaxis={"title": titled(y_title), "tickformat": y_format, "rangemode": "tozero", "fixedrange": True},
            shapes=shapes,
            showlegend=len(data) > 1,
            legend={"orientation": "h", "y": 1.14, "x": 0},
            margin={"t": 30},
        ),
    }


def marks_figure(defects: pd.DataFrame) -> Spec:
    """Measured marks on an end face, drawn to scale over core and cladding (one fibre). [um]"""
    circles: list[Spec] = [
        {
            "type": "circle",
            "x0": -radius,
            "x1": radius,
            "y0": -radius,
            "y1": radius,
            "layer": "below",
            "line": {"color": "~faint", "width": 1, "dash": dash},
            "fillcolor": fill,
            "opacity": opacity,
        }
        for radius, dash, fill, opacity in ((62.5, "solid", "~line", 0.5), (4.5, "solid", "~watch", 0.45))
    ]
    shapes = circles + [
        {
            "type": "circle",
            "x0": row.x_um - row.width_um / 2,
            "x1": row.x_um + row.width_um / 2,
            "y0": row.y_um - row.width_um / 2,
            "y1": row.y_um + row.width_um / 2,
            "fillcolor": "~soon",
            "line": {"color": "~act", "width": 1},
        }
        for row in records(defects[defects["kind"] == "defect"])
    ]
    scratches = defects[defects["kind"] == "scratch"]
    reach = max(70.0, float(defects[["x_um", "y_um"]].abs().max().max()) + 8)
    data = [
        {
            "type": "scatter",
            "mode": "markers",
            "x": defects["x_um"].tolist(),
            "y": defects["y_um"].tolist(),
            "marker": {
                "color": "~act",
                "size": 7,
                "symbol": ["line-ew-open" if kind == "scratch" else "circle-open" for kind in defects["kind"]],
            },
            "text": [
                f"{kind}, {figure(width, 1, 'um')} wide"
                for kind, width in zip(defects["kind"], defects["width_um"], strict=True)
            ],
            "hovertemplate": "%{text}<br>%{x:.1f}, %{y:.1f} um<extra></extra>",
        }
    ]
    return {
        "data": data,
        "layout": layout_of(
            xaxis={
                "range": [-reach, reach],
                "scaleanchor": "y",
                "fixedrange": True,
                "title": titled("um from the core centre"),
            },
            yaxis={"range": [-reach, reach], "fixedrange": True},
            shapes=shapes,
            annotations=[]
            if scratches.empty
            else [
                {
                    "x": 0,
                    "y": 0.01,
                    "xref": "paper",
                    "yref": "paper",
                    "showarrow": False,
                    "xanchor": "left",
                    "text": "dashes are scratches, drawn at their middle",
                    "font": {"color": "~faint"},
                }
            ],
        ),
    }


def sites_trace(sites: pd.DataFrame, scale_y: float, hrefs: Sequence[str]) -> list[Spec]:
    """Sites on the map: shape and colour by state, size by the number of end faces expected not clean."""
    traces: list[Spec] = []
    for state in ("unknown", "sound", "watch", "soon", "act"):
        mine = sites["state"] == state
        rows = sites[mine]
        if rows.empty:
            continue
        traces.append(
            {
                "type": "scatter",
                "mode": "markers",
                "name": STATE_WORDS[state],
                "x": rows["longitude"].tolist(),
                "y": (rows["latitude"] * scale_y).tolist(),
                "customdata": [href for href, keep in zip(hrefs, mine, strict=True) if keep],
                "marker": {
                    "symbol": STATE_SYMBOLS[state],
                    "color": f"~{state}",
                    "size": [
                        7 + 2.2 * min(float(value), 30) ** 0.5 if not is_unknown(value) else 7
                        for value in rows["expected_not_clean"]
                    ],
                    "line": {"color": "~ground", "width": 1},
                    "opacity": 1,
                },
                "text": [
                    f"{name if not is_unknown(name) else key}<br>{figure(faces)} end faces, "
                    + ("not assessed" if is_unknown(dirty) else f"{figure(dirty, 1)} expected not clean")
                    for key, name, faces, dirty in zip(
                        rows["site_id"], rows["name"], rows["end_faces"], rows["expected_not_clean"], strict=True
                    )
                ],
                "hovertemplate": "%{text}<extra></extra>",
            }
        )
    return traces


__all__ = [
    "Spec",
    "day_figure",
    "db",
    "drawn",
    "layout_of",
    "lines_figure",
    "marks_figure",
    "months_figure",
    "percent",
    "readings_figure",
    "sites_trace",
    "titled",
]
