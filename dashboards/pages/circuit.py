"""One circuit: every element end to end, what it should lose, what is measured, who is suspected and why."""

from __future__ import annotations

from typing import Any

import pandas as pd
from dash import html
from dash.development.base_component import Component

from dashboards.components.absent import no_such
from dashboards.components.attributes import aria, head
from dashboards.components.bars import budget_bar, evidence_table, level
from dashboards.components.charts import drawn, readings_figure
from dashboards.components.frames import first, records
from dashboards.components.links import (
    address,
    choices,
    circuit_link,
    connector_link,
    element_link,
    site_link,
)
from dashboards.components.marks import connector_state_of, state_mark
from dashboards.components.tables import Cell, facts, heads, not_assessed, table
from dashboards.components.words import (
    bold,
    cause,
    counted,
    day,
    db,
    figure,
    is_unconfirmed,
    is_unknown,
    moment,
    percent,
    plain,
    sentence,
)
from dashboards.data import ask
from dashboards.pages.page import Page, Query
from planner.reports.causes import KIND_WORDS, cause_groups
from planner.store import page_queries

PATH = "/circuit"
SMALL_CAUSE, MOST_CAUSES = 0.05, 6  # causes below that, or beyond that many, are folded away
SUSPECTED = 0.2  # from that probability on an element of the path is marked
NAMED_IN_CHARTS = 0.2  # from that probability on, when a fault began is marked in the charts


def title(query: Query) -> str:
    """The page's title."""
    return f"Circuit {query.get('id', '')}"


def layout(query: Query) -> list[Component]:
    """The page for a query with id and wavelength (nm)."""
    circuit_id = query.get("id", "")
    found = ask(page_queries.circuit, circuit_id)
    if found.empty:
        near = ask(page_queries.nearest_ids, "circuit", circuit_id)
        return no_such("circuit", "circuit", circuit_id, near, "All circuits", "/circuits")
    row = first(found)
    budgets = ask(page_queries.circuit_budgets, circuit_id)
    wavelength = _wavelength(query, row, budgets)
    diagnosis = ask(page_queries.circuit_diagnosis, circuit_id)
    name = "" if is_unknown(row["name"]) else f", {row['name']}"
    return [
        html.H1([f"Circuit {circuit_id}", html.Span(name, className="faint")]),
        html.P([state_mark(row["state"]), " ", html.Span(page_queries.CIRCUIT_STATE_RULE, className="for-readers")]),
        *_verdict(row, budgets, wavelength, diagnosis),
        _facts(row),
        *_wavelengths(circuit_id, budgets, wavelength),
        *_strip(circuit_id, row, budgets, wavelength, diagnosis),
        *_diagnosis(diagnosis),
        *_evidence(circuit_id, diagnosis),
        *_readings(circuit_id, row, diagnosis),
        *_budget_table(budgets),
        *_otdr(circuit_id),
        *_orders(circuit_id),
    ]


def _wavelength(query: Query, row: Any, budgets: pd.DataFrame) -> float | None:
    """The wavelength asked for, else the working one, else one that was measured, else the first there is. [nm]"""
    known = budgets["wavelength_nm"].tolist()
    measured = budgets.loc[budgets["measured_db"].notna(), "wavelength_nm"].tolist()
    working = [row["wavelength_nm"]] if row["wavelength_nm"] in measured or not measured else []
    for wanted in (query.get("nm", ""), *working, *measured[:1]):
        try:
            value = float(wanted)
        except (TypeError, ValueError):
            continue
        if value in known:
            return value
    return float(known[0]) if known else None


def _budget_at(budgets: pd.DataFrame, wavelength: float | None) -> Any:
    mine = budgets[budgets["wavelength_nm"] == wavelength]
    return None if mine.empty else first(mine)


def _verdict(row: Any, budgets: pd.DataFrame, wavelength: float | None, diagnosis: pd.DataFrame) -> list[Component]:
    lines: list[Component] = []
    budget = _budget_at(budgets, wavelength)
    if budget is None:
        lines.append(not_assessed("circuit_budget", "Run: planner analyse --db FILE"))
    elif is_unknown(budget["measured_db"]):
        lines.append(
            sentence(
                "Nothing was measured at ",
                bold(f"{wavelength:.0f}\u202fnm"),
                "; the path should lose about ",
                bold(db(budget["typical_db"])),
                f" of the {db(budget['allowed_db'])} allowed.",
                kind="lead",
            )
        )
    else:
        when = "" if is_unknown(budget["measured_at"]) else f" on {day(budget['measured_at'])}"
        source = {"loss_test": "a loss test", "power": "reported power"}.get(str(budget["measured_from"]), "readings")
        lines.append(
            sentence(
                "At ",
                bold(f"{wavelength:.0f}\u202fnm"),
                " it loses ",
                bold(db(budget["measured_db"])),
                f" by {source}{when}",
                *_allowance(budget),
                kind="lead",
            )
        )
        if not is_unknown(budget["excess_db"]):
            word = "more" if budget["excess_db"] >= 0 else "less"
            lines.append(
                sentence(
                    "That is ",
                    bold(db(abs(budget["excess_db"]))),
                    f" {word} than such a path should show",
                    "" if is_unknown(budget["typical_sd_db"]) else f" (spread {db(budget['typical_sd_db'])})",
                    ".",
                )
            )
    if diagnosis.empty:
        lines.append(_undiagnosed())
    faults = cause_groups(diagnosis[~diagnosis["cause"].isin(["nothing"])])
    if len(faults) and not is_unknown(row["p_fault"]):
        top = first(faults)
        calm = float(diagnosis.loc[diagnosis["cause"] == "nothing", "probability"].sum())
        opening = "Most probably "
        if top["probability"] >= 0.2 and calm > float(row["p_fault"]):
            lines.append(sentence("Most probably ", bold("nothing"), f" is wrong with the path ({percent(calm)})."))
            opening = "If anything is, most probably "
        if top["probability"] >= 0.2:
            lines.append(
                sentence(
                    opening,
                    *_cause_words(top),
                    "" if is_unknown(top["onset_at"]) else f", since about {day(top['onset_at'])}",
                    "" if is_unknown(top["size_db"]) else f", costing about {db(top['size_db'])}",
                    ".",
                )
            )
        else:
            lines.append(sentence("Most probably ", bold("nothing"), " is wrong with the path."))
    if row["traced"] is False or (not is_unknown(row["traced"]) and not row["traced"]):
        lines.append(
            html.P([html.B("The path is not complete in the records: "), plain(row["reason"])], className="caution")
        )
    return lines


def _allowance(budget: Any) -> list[Any]:
    if is_unknown(budget["allowed_db"]):
        return ["; what is allowed is not known."]
    margin = float(budget["margin_db"]) if not is_unknown(budget["margin_db"]) else 0.0
    sure = " That limit is not confirmed against its source." if is_unconfirmed(budget["allowed_from"]) else ""
    if margin < 0:
        return [", ", bold(db(-margin)), f" more than the {db(budget['allowed_db'])} allowed.{sure}"]
    return [" of the ", f"{db(budget['allowed_db'])} allowed: ", bold(db(margin)), f" of margin is left.{sure}"]


def _facts(row: Any) -> Component:
    protection: Any = "none recorded"
    if not is_unknown(row["protected_by"]):
        protection = circuit_link(row["protected_by"])
    return facts(
        [
            ("From", [site_link(row["a_site_id"], row["a_site_name"]), f" ({row['a_port_id']})"]),
            ("To", [site_link(row["z_site_id"], row["z_site_name"]), f" ({row['z_port_id']})"]),
            ("Application", plain(row["application"]) if is_unknown(row["application"]) else str(row["application"])),
            ("Customers", figure(row["customers"])),
            ("Priority (1 is highest)", figure(row["priority"])),
            ("Protected by", protection),
            ("Path", _path_words(row)),
            ("In service since", day(row["in_service_on"])),
        ]
    )


def _path_words(row: Any) -> str:
    if is_unknown(row["connectors"]):
        return "not complete in the records"
    return (
        f"{counted(row['connectors'], 'end face')}, {counted(row['splices'], 'splice')}, "
        f"{counted(row['splitters'], 'splitter')}, {figure(row['length_m'], 0, 'm')}"
    )


def _wavelengths(circuit_id: str, budgets: pd.DataFrame, wavelength: float | None) -> list[Component]:
    known = budgets["wavelength_nm"].tolist()
    if len(known) < 2:
        return []
    options = [(f"{value:g}", f"{value:.0f} nm") for value in known]
    return [choices("Wavelength", PATH, {"id": circuit_id, "nm": f"{wavelength:g}"}, "nm", options)]


def suspicion(diagnosis: pd.DataFrame) -> dict[str, tuple[float, float | None, str]]:
    """Element -> (probability that it is the cause, dB it then costs, cause), summed over causes."""
    named: dict[str, tuple[float, float | None, str]] = {}
    for line in records(diagnosis):
        if is_unknown(line.element_id) or line.cause in ("nothing", "remating_offset"):
            continue
        size = None if is_unknown(line.size_db) else float(line.size_db)
        before = named.get(str(line.element_id))
        share = float(line.probability)
        if before is None:
            named[str(line.element_id)] = (share, size, str(line.cause))
        else:
            named[str(line.element_id)] = (before[0] + share, before[1], before[2])
    return named


_GLYPHS = {"mated_pair": "\u2016", "connector": "|", "splice": "\u00d7", "splitter": "\u2442", "adapter": "\u2016"}


def strip_rows(
    path: pd.DataFrame,
    elements: pd.DataFrame,
    named: dict[str, tuple[float, float | None, str]],
    readings: pd.DataFrame | None = None,
) -> list[dict[str, Any]]:
    """The path as rows of the strip: mated pairs with their end faces, cables, splices, splitters, in order.

    `path` is `circuit_paths` of one circuit with beliefs, `elements` the loss of its elements at one
    wavelength, `readings` what reflectometer traces show on them there. Each row: kind, faces (frame rows),
    element_id, place, site, dB columns, seen (rows of `readings`), suspect (probability that an element of the
    row is the cause), excess_db.
    """
    losses = {int(row.position): row for row in records(elements)}
    seen: dict[int, list[Any]] = {}
    for reading in records(readings) if readings is not None else ():
        seen.setdefault(int(reading.position), []).append(reading)
    rows: list[dict[str, Any]] = []
    pair: dict[str, Any] | None = None
    for element in records(path):
        kind = str(element.element_kind)
        if kind in ("connector", "adapter"):
            if pair is None or pair["port_id"] != element.port_id:
                pair = _row("mated_pair", element)
                rows.append(pair)
            pair["positions"].append(int(element.position))
            if kind == "connector":
                pair["faces"].append(element)
            if is_unknown(pair["label"]) and not is_unknown(element.port_label):
                pair["label"] = element.port_label
        else:
            pair = None
            row = _row(kind, element)
            row["positions"].append(int(element.position))
            rows.append(row)
    for row in rows:
        if row["kind"] == "mated_pair" and len(row["faces"]) < 2:
            row["kind"] = "connector"
        loss = next((losses[position] for position in row["positions"] if position in losses), None)
        for name in ("maximum_db", "typical_db", "typical_sd_db", "as_built_db", "source"):
            row[name] = None if loss is None else getattr(loss, name)
        row["seen"] = [reading for position in row["positions"] for reading in seen.get(position, ())]
        suspects = [named[key] for key in dict.fromkeys(row["ids"]()) if key in named]
        row["suspect"] = min(1.0, sum(share for share, _, _ in suspects))
        sizes = [size or 0.0 for _, size, _ in suspects] if row["suspect"] >= SUSPECTED else []
        row["excess_db"] = max(sizes, default=0.0)
    return rows


def _row(kind: str, element: Any) -> dict[str, Any]:
    row: dict[str, Any] = {
        "kind": kind,
        "element_id": element.element_id,
        "port_id": element.port_id,
        "label": element.port_label,
        "housing": element.housing_name,
        "role": element.role,
        "site_id": element.site_id,
        "site_name": element.site_name,
        "detail": element.detail,
        "length_m": element.length_m,
        "fibre": element.fibre,
        "faces": [],
        "positions": [],
    }
    row["ids"] = lambda: [*[str(face.connector_id) for face in row["faces"]], str(row["element_id"])]
    return row


def _strip(
    circuit_id: str, row: Any, budgets: pd.DataFrame, wavelength: float | None, diagnosis: pd.DataFrame
) -> list[Component]:
    parts: list[Component] = [html.H2("End to end")]
    path = ask(page_queries.circuit_path, circuit_id)
    if path.empty:
        why = "" if is_unknown(row["reason"]) else f" The records give no path: {row['reason']}."
        return [*parts, not_assessed("circuit_paths", f"{why} Run: planner trace {circuit_id} --db FILE")]
    elements = ask(page_queries.circuit_elements, circuit_id)
    elements = elements[elements["wavelength_nm"] == wavelength]
    readings = ask(page_queries.circuit_element_readings, circuit_id)
    rows = strip_rows(path, elements, suspicion(diagnosis), readings[readings["wavelength_nm"] == wavelength])
    budget = _budget_at(budgets, wavelength)
    segments = [
        (
            _name(each),
            float(each["typical_db"]),
            "pair" if each["kind"] in ("mated_pair", "connector") else each["kind"],
        )
        for each in rows
        if not is_unknown(each["typical_db"])
    ]
    worst = max(rows, key=lambda each: each["suspect"])
    if budget is not None and not is_unknown(budget["excess_db"]) and budget["excess_db"] > 0.05:
        segments.append(("more than expected", float(budget["excess_db"]), "excess"))
    if segments and budget is not None:
        parts += [
            budget_bar(
                segments,
                None if is_unknown(budget["allowed_db"]) else float(budget["allowed_db"]),
                None if is_unknown(budget["measured_db"]) else float(budget["measured_db"]),
            ),
            html.P(
                "Typical loss of each element laid end to end, then (hatched) what is measured beyond it, against "
                "what is allowed. Where a test's reference hides the end connections, the measured mark lies "
                "lower by their loss.",
                className="faint small",
            ),
        ]
    if elements.empty:
        parts.append(not_assessed("budget_elements", "Losses per element are unknown. Run: planner analyse --db FILE"))
    parts.append(_strip_table(rows, worst if worst["suspect"] >= SUSPECTED else None, wavelength))
    if any(is_unconfirmed(each["source"]) for each in rows):
        parts.append(html.P("* from a value that could not be confirmed against its source.", className="faint small"))
    return [*parts, *_measured_words(readings, wavelength)]


def _measured_words(readings: pd.DataFrame, wavelength: float | None) -> list[Component]:
    """What the column of measured losses rests on, or why it is empty."""
    here = readings[readings["wavelength_nm"] == wavelength]
    if len(here):
        text = (
            f"Measured: reflectometer, newest traces to {day(here['measured_at'].max())}. Elements nearer to each "
            "other than the dead zone share one value, which stands at the first of them. One way: fibres that differ "
            "can look like a loss or a gain; the mean of both directions cancels that."
        )
    elif len(readings):
        at = ", ".join(f"{value:.0f} nm" for value in sorted(set(readings["wavelength_nm"])))
        text = f"Measured per element: no reflectometer trace at this wavelength; there are some at {at}."
    else:
        return [not_assessed("otdr_events on this path", "Losses of single elements were not measured.")]
    return [html.P(text, className="faint small")]


def _name(row: dict[str, Any]) -> str:
    if row["kind"] in ("mated_pair", "connector"):
        return " to ".join(str(face.connector_id) for face in row["faces"]) or str(row["element_id"])
    return f"{plain(row['kind'])} {row['element_id']}"


def _strip_table(rows: list[dict[str, Any]], worst: dict[str, Any] | None, wavelength: float | None) -> html.Div:
    body: list[Component] = []
    site_now: Any = None
    last = len(rows) - 1
    for number, row in enumerate(rows):
        if not is_unknown(row["site_id"]) and row["site_id"] != site_now:
            site_now = row["site_id"]
            body.append(
                html.Tr(
                    [
                        html.Td("", className="rail rail-cable"),
                        html.Th(site_link(site_now, row["site_name"]), colSpan="7", scope="colgroup"),
                    ],
                    className="site-row",
                )
            )
        mark = html.Span(_GLYPHS.get(row["kind"], ""), className="rail-mark", **aria(hidden="true"))
        edge = " rail-end" if number in (0, last) else ""
        suspect = row["suspect"] >= SUSPECTED
        cells: list[Component] = [
            html.Td(mark, className=f"rail rail-{row['kind']}{edge}"),
            html.Th(_element_words(row), scope="row"),
            html.Td(_belief_words(row), **head("Dirty or damaged")),
            html.Td(_loss_words(row) + _star(row), className="number", **head("Should lose")),
            html.Td(_known(row["maximum_db"]) + _star(row), className="number", **head("At most")),
            html.Td(_known(row["as_built_db"]), className="number", **head("As built")),
            html.Td(_seen_words(row), className="number", **head("Measured" if row["seen"] else "")),
            html.Td(
                [
                    html.Span("most suspected" if row is worst else "suspected", className="here"),
                    f" {percent(row['suspect'])}",
                    *([f", about {db(row['excess_db'], sign=True)}"] if row["excess_db"] else []),
                ]
                if suspect
                else "",
                **head("Suspected" if suspect else ""),
            ),
        ]
        body.append(html.Tr(cells, className="suspect" if suspect else None))
    words = f"The path from A to Z at {wavelength:.0f} nm." if wavelength else "The path from A to Z."
    columns = [
        html.Th(html.Span("Rail", className="for-readers"), scope="col"),
        html.Th("Element", scope="col"),
        html.Th("Dirty or damaged", scope="col"),
        html.Th("Should lose", scope="col", className="number"),
        html.Th("At most", scope="col", className="number"),
        html.Th("As built", scope="col", className="number"),
        html.Th("Measured", scope="col", className="number"),
        html.Th("Suspected", scope="col"),
    ]
    return html.Div(
        html.Table([html.Caption(words), html.Thead(html.Tr(columns)), html.Tbody(body)]),
        className="table strip",
        role="region",
        tabIndex="0",
        **aria(label=words),
    )


def _star(row: dict[str, Any]) -> str:
    return "*" if not is_unknown(row["typical_db"]) and is_unconfirmed(row["source"]) else ""


def _seen_words(row: dict[str, Any]) -> list[Any]:
    """What reflectometer traces show on the element, and from how many sides."""
    words: list[Any] = []
    for reading in row["seen"]:
        if is_unknown(reading.loss_db):
            words.append(html.Div("seen, loss not measured"))
            continue
        where = "" if row["kind"] != "cable" else f" at {figure(reading.place_m)}\u202fm"
        ways = "" if reading.is_two_way else " one way"
        words.append(html.Div(f"{db(reading.loss_db)}{ways}{where}"))
        names = [str(reading.element_id), *("" if is_unknown(reading.same_as) else str(reading.same_as)).split(";")]
        others = [name for name in names if name and name not in (row["element_id"], row["port_id"])]
        if others:
            words.append(html.Div(f"with {', '.join(others)}", className="faint small"))
    return words


def _known(value: Any) -> str:
    return "" if is_unknown(value) else db(value)


def _element_words(row: dict[str, Any]) -> list[Any]:
    if row["kind"] in ("mated_pair", "connector"):
        words: list[Any] = []
        for number, face in enumerate(row["faces"]):
            words += ([" with "] if number else []) + [connector_link(face.connector_id)]
        place = [str(part) for part in (row["housing"], row["label"]) if not is_unknown(part)]
        port = ", ".join(place) or str(row["port_id"])
        role = "" if is_unknown(row["role"]) else f" ({plain(row['role'])} port)"
        return [*words, html.Div(f"{port}{role}", className="faint small")]
    length = "" if is_unknown(row["length_m"]) else f", {figure(row['length_m'])}\u202fm"
    detail = "" if is_unknown(row["detail"]) else f"{row['detail']}"
    return [
        f"{plain(row['kind'])} ",
        html.Span(str(row["element_id"]), className="id"),
        html.Span(f"{length}{', ' if detail else ''}{detail}", className="faint small"),
    ]


def _belief_words(row: dict[str, Any]) -> list[Any]:
    words: list[Any] = []
    for face in row["faces"]:
        share = None if is_unknown(face.p_not_clean) else float(face.p_not_clean)
        words.append(html.Div(level(share, state=connector_state_of(share))))
    return words


def _loss_words(row: dict[str, Any]) -> str:
    if is_unknown(row["typical_db"]):
        return ""
    spread = "" if is_unknown(row["typical_sd_db"]) else f" \u00b1 {row['typical_sd_db']:.2f}"
    return db(row["typical_db"]) + spread


def _undiagnosed() -> Component:
    return not_assessed(
        "power_readings, loss_tests or otdr_events of this circuit",
        "What could be wrong with it is not known. Load some, or measure it.",
    )


def _cause_words(group: Any) -> list[Any]:
    """What a group of causes that cannot be told apart is, where, and how probable."""
    if group["members"] == 1:
        place: list[Any] = []
        if not is_unknown(group["element_id"]) and group["element_id"]:
            place = [" at ", element_link(group["element_kind"], group["element_id"])]
        return [bold(cause(group["cause"])), " (", bold(percent(group["probability"])), ")", *place]
    words = KIND_WORDS.get(str(group["cause"]), "one of {count}").format(count=group["members"])
    first, share = group["listed"][0]
    return [
        bold(words),
        " (",
        bold(percent(group["probability"])),
        " together), first of all ",
        element_link(group["element_kind"], first),
        f" ({percent(share)})",
    ]


def _diagnosis(diagnosis: pd.DataFrame) -> list[Component]:
    parts: list[Component] = [html.H2("What it could be")]
    if diagnosis.empty:
        return [*parts, _undiagnosed()]
    asked = [str(text) for text in diagnosis["next_test"] if not is_unknown(text) and text]
    if asked:
        parts.append(sentence("Next: ", bold(asked[0]), "."))
    groups = cause_groups(diagnosis)
    likely = (groups["probability"] >= SMALL_CAUSE) & (groups.index < MOST_CAUSES)
    parts.append(
        _cause_table(
            groups[likely],
            "Possible causes; all probabilities of this circuit add up to 100 %. What the readings cannot tell apart "
            "stands in one row. Evidence in decibans: 10 are odds of ten to one.",
        )
    )
    small = groups[~likely]
    if len(small):
        parts.append(
            html.Details(
                [
                    html.Summary(
                        f"{counted(len(small), 'less probable cause')}, {percent(small['probability'].sum())} together"
                    ),
                    _cause_table(small, "Less probable causes."),
                ]
            )
        )
    return parts


def _cause_table(groups: pd.DataFrame, caption: str) -> html.Div:
    rows: list[list[Cell]] = []
    for _, group in groups.iterrows():
        what: list[Any] = _cause_words(group) if group["members"] > 1 else _single_words(group)
        if group["members"] > 1:
            what = [
                bold(KIND_WORDS.get(str(group["cause"]), "one of {count}").format(count=group["members"])),
                html.Details(
                    [
                        html.Summary(f"first {group['listed'][0][0]} ({percent(group['listed'][0][1])})"),
                        _member_list(group),
                    ]
                ),
            ]
        harmless = group["cause"] in ("nothing", "record_error")
        unknown = "" if harmless else "before the readings, or not known"
        rows.append(
            [
                what,
                level(float(group["probability"])),
                "" if is_unknown(group["size_db"]) else db(group["size_db"], sign=True),
                unknown if is_unknown(group["onset_at"]) else day(group["onset_at"]),
                "" if is_unknown(group["evidence"]) else html.Span(str(group["evidence"]), className="small"),
            ]
        )
    return table(caption, heads("Cause and place~", "Probability", "Costs#", "Since~", "Evidence*"), rows)


def _single_words(group: Any) -> list[Any]:
    words: list[Any] = [cause(group["cause"])]
    if not is_unknown(group["element_id"]) and group["element_id"]:
        words += [" at ", element_link(group["element_kind"], group["element_id"])]
    return words


def _member_list(group: Any) -> html.Ul:
    return html.Ul(
        [
            html.Li([element_link(group["element_kind"], element), f" {percent(share)}"])
            for element, share in group["listed"]
        ],
        className="small members",
    )


def _evidence(circuit_id: str, diagnosis: pd.DataFrame) -> list[Component]:
    if diagnosis.empty:
        return []
    parts: list[Component] = [html.H2("Evidence, added up")]
    evidence = ask(page_queries.circuit_evidence, circuit_id)
    if evidence.empty:
        return [*parts, html.P("No lines of evidence were kept: nothing stood out on this circuit.", className="faint")]
    tables = [
        evidence_table(str(question), lines, "Between these two, the first:")
        for question, lines in evidence.groupby("question", sort=False, dropna=False)
    ]
    return [
        *parts,
        html.P(
            "Lines with a plus speak for the first of the two, with a minus for the second; 10 decibans are odds of "
            "ten to one.",
            className="faint small",
        ),
        html.Div(tables, className="two"),
    ]


def began(diagnosis: pd.DataFrame) -> tuple[Any, str]:
    """When what is most probably wrong began and which port's launch it shows in; None and "" where not known."""
    faults = cause_groups(diagnosis[~diagnosis["cause"].isin(["nothing", "record_error"])])
    if faults.empty or first(faults)["probability"] < NAMED_IN_CHARTS:
        return None, ""
    top = first(faults)
    port = str(top["element_id"]) if top["cause"] == "transceiver" else ""
    return (None if is_unknown(top["onset_at"]) else top["onset_at"]), port


def _readings(circuit_id: str, row: Any, diagnosis: pd.DataFrame) -> list[Component]:
    parts: list[Component] = [html.H2("Readings over time")]
    drift = ask(page_queries.circuit_series, circuit_id)
    power = ask(page_queries.power_by_day, (str(row["a_port_id"]), str(row["z_port_id"])))
    tests = ask(page_queries.circuit_loss_tests, circuit_id)
    if power.empty and tests.empty:
        return [*parts, not_assessed("power_readings and loss_tests of this circuit", "Load some, or measure it.")]
    touches = ask(page_queries.touches_on_path, circuit_id)
    touched = list(touches["at"].drop_duplicates())
    onset, port = began(diagnosis)
    worst = drift[drift["kind"] == "rx_power"].head(1)
    known = len(worst) and not is_unknown(worst["baseline"].iloc[0])
    step = worst["step_at"].iloc[0] if known and onset is None else onset
    mark = "step" if onset is None else "began"
    if len(power):
        received = _power_series(row, power, "rx_dbm", "received")
        if received:
            parts.append(
                drawn(
                    "power",
                    readings_figure(
                        received,
                        "dBm",
                        baseline=float(worst["baseline"].iloc[0]) if known else None,
                        noise=_or_none(worst["noise_db"].iloc[0]) if known else None,
                        step_at=step,
                        step_word=mark,
                        touched=touched,
                    ),
                    label=f"Received power of circuit {circuit_id} over time; the table below holds the changes.",
                    caption=(
                        "Median received power of each day. Band: baseline with three times the noise of the series "
                        f"that worsened most. {_mark_words(mark)}Ticks at the bottom: days on which an end face of "
                        "the path was worked on."
                    ),
                    height=300,
                )
            )
        launched = _power_series(row, power, "tx_dbm", "launched")
        if launched:
            figure_part = drawn(
                "launch",
                readings_figure(
                    launched, "dBm", step_at=onset if port else None, step_word=mark, touched=[] if port else touched
                ),
                label=f"Power launched into circuit {circuit_id} over time.",
                caption="Median launched power of each day, as the ports at its ends report it.",
                height=240,
            )
            # folded away unless the suspect is one of these ports
            parts.append(figure_part if port else html.Details([html.Summary("Launched power"), figure_part]))
    if len(tests):
        series: list[tuple[str, pd.DataFrame, str]] = []
        for (nm, direction), group in tests.groupby(["wavelength_nm", tests["direction"].fillna("unknown")]):
            colour = ("watch", "soon", "sound", "act")[len(series) % 4]
            frame = group.rename(columns={"loss_db": "value"})
            series.append((f"{nm:.0f} nm, {plain(direction)}", frame, colour))
        parts.append(
            drawn(
                "loss-tests",
                readings_figure(series, "dB", touched=touched, step_at=onset, step_word=mark),
                label=f"Loss tests of circuit {circuit_id} over time.",
                caption="Loss tests, end to end. Ticks: days on which an end face of the path was worked on.",
                height=260,
            )
        )
    for cord in records(ask(page_queries.circuit_left_out, circuit_id)):
        parts.append(
            sentence(
                f"Left out: {counted(cord.measurements, 'measurement')} through the test cord end ",
                connector_link(cord.connector_id),
                f", which reads {db(cord.excess_db)} too high. Clean the cord and measure again.",
            )
        )
    if drift.empty:
        return [*parts, not_assessed("series_drift of this circuit", "Run: planner analyse --db FILE")]
    changed = drift["drift_db"].abs().max()
    most = "" if is_unknown(changed) else f", at most {db(changed)}"
    return [*parts, html.Details([html.Summary(f"Change of {counted(len(drift), 'series', 'series')}{most}"),
                                  _drift_table(drift)], open=bool(changed >= 0.2))]  # fmt: skip


def _mark_words(mark: str) -> str:
    return "Dashed: when the diagnosis has it begin. " if mark == "began" else "Dashed: the largest step. "


def _power_series(row: Any, power: pd.DataFrame, column: str, word: str) -> list[tuple[str, pd.DataFrame, str]]:
    """The daily readings of both end ports as the figure takes them."""
    series: list[tuple[str, pd.DataFrame, str]] = []
    for port, colour, end in ((row["a_port_id"], "watch", "A"), (row["z_port_id"], "soon", "Z")):
        mine = power[(power["port_id"] == port) & power[column].notna()]
        if len(mine):
            frame = mine.rename(columns={"day_at": "at", column: "value"})
            series.append((f"{word} at {end} ({port})", frame, colour))
    return series


def _drift_table(drift: pd.DataFrame) -> html.Div:
    return table(
        "Change of each series against its own baseline; positive is worse.",
        heads(
            "Series~",
            "Change#",
            "Latest#",
            "Baseline#",
            "Noise#",
            "Step#",
            "Step on",
            "Trend a year#",
            "Readings#",
            "Last",
        ),
        [
            [
                _series_words(line),
                bold(db(line.drift_db, sign=True)),
                figure(line.latest, 2),
                figure(line.baseline, 2),
                db(line.noise_db),
                "none"
                if is_unknown(line.step_db)
                else f"{db(line.step_db, sign=True)} \u00b1 {figure(line.step_sd_db, 2)}",
                "" if is_unknown(line.step_at) else day(line.step_at),
                "" if is_unknown(line.slope_db_per_year) else db(line.slope_db_per_year, sign=True),
                figure(line.readings),
                day(line.last_at),
            ]
            for line in records(drift)
        ],
    )


def _series_words(line: Any) -> str:
    if line.kind == "tx_power" and not is_unknown(line.port_id):
        return f"launched at {line.port_id}"
    words = f"{plain(line.kind)} {plain(line.direction) if not is_unknown(line.direction) else ''}"
    return words + (f" {line.wavelength_nm:.0f} nm" if not is_unknown(line.wavelength_nm) else "")


def _or_none(value: Any) -> float | None:
    return None if is_unknown(value) else float(value)


def _folded(summary: str, *parts: Any) -> html.Details:
    """A table behind one line that says what it holds."""
    return html.Details([html.Summary(summary), table(*parts)])


def _budget_table(budgets: pd.DataFrame) -> list[Component]:
    if budgets.empty:
        return []
    rows: list[list[Cell]] = []
    for line in records(budgets):
        measured: list[Any] = [db(line.measured_db)]
        if not is_unknown(line.measured_sd_db):
            measured.append(f" \u00b1 {line.measured_sd_db:.2f}")
        source: list[Any] = [plain(line.allowed_from) if is_unknown(line.allowed_from) else str(line.allowed_from)]
        if not is_unknown(line.note) and line.note:
            source.append(html.Div(str(line.note), className="faint small"))
        if not is_unknown(line.confirmed) and not line.confirmed:
            source.append(html.Div(html.B("Holds values not confirmed against their source."), className="small"))
        rows.append(
            [
                f"{line.wavelength_nm:.0f} nm",
                db(line.typical_db),
                db(line.maximum_db),
                db(line.as_built_db),
                measured,
                db(line.allowed_db),
                bold(db(line.margin_db)),
                db(line.return_loss_db),
                source,
            ]
        )
    return [
        html.H2("Loss budget and where it comes from"),
        _folded(
            counted(len(rows), "wavelength"),
            "Sums over the path. Typical is the statistical expectation; at most is the sum of the limits: the "
            "standards', for splitters the top of a planning range, and the operator's own where there are some.",
            heads(
                "Wavelength",
                "Typical#",
                "At most#",
                "As built#",
                "Measured#",
                "Allowed#",
                "Margin#",
                "Return loss#",
                "Allowed by, and notes*",
            ),
            rows,
        ),
    ]


def _otdr(circuit_id: str) -> list[Component]:
    events = ask(page_queries.circuit_otdr, circuit_id)
    if events.empty:
        return []
    newest = events[events["trace_id"] == events["trace_id"].iloc[0]]
    head = first(newest)
    return [
        html.H2("Newest reflectometer trace"),
        _folded(
            counted(len(newest), "event"),
            f"Trace {head['trace_id']}, {plain(head['direction'])}, "
            f"{head['wavelength_nm']:.0f} nm, {moment(head['at'])}.",
            heads("Event", "Distance#", "Loss#", "Reflectance#", "Kind"),
            [
                [
                    figure(line.event_no),
                    figure(line.distance_m, 0, "m"),
                    "" if is_unknown(line.loss_db) else db(line.loss_db),
                    "" if is_unknown(line.reflectance_db) else db(line.reflectance_db),
                    plain(line.kind),
                ]
                for line in records(newest)
            ],
        ),
    ]


def _orders(circuit_id: str) -> list[Component]:
    orders = ask(page_queries.circuit_orders, circuit_id)
    if orders.empty:
        return []
    return [
        html.H2("Work orders"),
        _folded(
            f"{counted(len(orders), 'order')}, the newest opened {day(orders['opened_at'].iloc[0])}",
            "Newest first.",
            heads("Order", "Opened", "Closed", "Reason", "Cause found", "Done", "End face"),
            [
                [
                    str(line.work_order_id),
                    day(line.opened_at),
                    "open" if is_unknown(line.closed_at) else day(line.closed_at),
                    plain(line.reason),
                    plain(line.cause_found),
                    plain(line.action_taken),
                    connector_link(line.connector_id),
                ]
                for line in records(orders.head(15))
            ],
        ),
    ]


PAGE = Page(path=PATH, layout=layout, title=title, section="/circuits")

__all__ = ["PAGE", "address", "strip_rows", "suspicion"]
