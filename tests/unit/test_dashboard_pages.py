"""Every page of the dashboard, built from its address over a small, an empty and a changing store."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import dashboard_fleet
import pandas as pd
import pytest
from dash import Dash, dcc, html

from dashboards import pages
from dashboards.app import create_app, show_page
from dashboards.components.tables import filters_from, sort_from
from dashboards.data import door
from dashboards.downloads import safe_cell, work_list_csv
from dashboards.grids import answer
from dashboards.pages.circuit import strip_rows, suspicion
from dashboards.pages.operations import site_states
from planner.errors import ParameterError, StoreError
from planner.store import page_queries, snapshots

VIEWS = (
    "/",
    "/?region=North",
    "/?cause=contamination&state=act",
    "/circuits",
    "/circuit?id=K-1",
    "/circuit?id=K-1&nm=1550",
    "/circuit?id=K-2",
    "/circuit?id=K-3",
    "/connectors",
    "/connectors?by=classic&p_contaminated=ge:0.5",
    "/connector?id=C-4",
    "/connector?id=C-1",
    "/dispatch",
    "/dispatch?plan=PL-1&day=2031-04-08&crew=W-1&stop=1",
    "/dispatch?plan=PL-0",
    "/patterns",
    "/backtest",
    "/backtest?day=2030-10-01",
    "/records",
    "/records?show=audit",
    "/records?show=findings",
    "/method",
    "/site?id=S-1",
    "/site?id=S-2",
    "/find?q=harbour",
)


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Dash]:
    """The dashboard over the small hand-made fleet."""
    app = create_app(dashboard_fleet.build(tmp_path_factory.mktemp("small") / "small.duckdb"))
    with app.server.app_context():
        yield app


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Dash:
    """The dashboard over a database with nothing in it."""
    return create_app(dashboard_fleet.build_empty(tmp_path_factory.mktemp("empty") / "empty.duckdb"))


def shown(view: str) -> Any:
    """The layout of a view, by its address."""
    parts = urlsplit(view)
    return show_page(parts.path, f"?{parts.query}")[0]


@pytest.mark.parametrize("view", VIEWS)
def test_every_view_opens_from_its_address(small: Dash, view: str) -> None:
    """A view has exactly one first heading and its links lead to pages that exist."""
    layout = shown(view)
    assert "cannot be shown" not in dashboard_fleet.text_of(layout)
    assert sum(isinstance(each, html.H1) for each in dashboard_fleet.walk(layout)) == 1
    for each in dashboard_fleet.walk(layout):
        if isinstance(each, html.A) and str(each.href).startswith("/"):
            path = urlsplit(each.href).path
            assert pages.page_at(path) is not None or path.startswith("/download/"), each.href


@pytest.mark.parametrize("view", VIEWS)
def test_every_view_opens_over_an_empty_store(empty: Dash, view: str) -> None:
    """Without data a page says what is missing or that nothing has the id; it never fails."""
    with empty.server.app_context():
        words = dashboard_fleet.text_of(shown(view))
    assert "cannot be shown" not in words
    assert len(words) > 20


@pytest.mark.parametrize("view", VIEWS)
def test_no_label_is_missing(small: Dash, view: str) -> None:
    """Tables have captions, figures have a name for readers and a caption."""
    for each in dashboard_fleet.walk(shown(view)):
        if isinstance(each, html.Table):
            assert isinstance(each.children[0], html.Caption)
        if isinstance(each, html.Figure):
            kinds = [type(child) for child in each.children]
            assert kinds == [dcc.Store, html.Div, html.Figcaption]
            assert len(each.children[1].to_plotly_json()["props"]["aria-label"]) > 15


def test_network_page_names_suspect_and_reason(small: Dash) -> None:
    """The first page says which circuit, which end face, how sure and why."""
    words = dashboard_fleet.text_of(shown("/"))
    for part in (
        "K-1",
        "0.60\u202fdB",
        "72\u202f%",
        "C-4",
        "Received at Z fell 0.90 dB about 1 Mar 2031.",
        "inspect C-4 first",
    ):
        assert part in words
    assert "decibans" not in words


def test_filters_narrow_the_network_page(small: Dash) -> None:
    """A region without circuits in trouble shows none, and says so."""
    assert "No circuit is in this state with these filters" in dashboard_fleet.text_of(shown("/?cause=splice"))


def test_circuit_page_adds_up(small: Dash) -> None:
    """The circuit page shows loss, allowance, margin, excess, suspect, evidence and unconfirmed values."""
    words = dashboard_fleet.text_of(shown("/circuit?id=K-1"))
    for part in ("5.00\u202fdB", "5.60\u202fdB", "0.60\u202fdB", "most suspected", "splice SP-1", "+6.0", "+13.5",
                 "dirt on one of 2 end faces (90\u202f% together)", "Which of these? Dirt on C-4 (72 %)",
                 "not confirmed against their source", "O-1"):  # fmt: skip
        assert part in words, part


def test_charts_mark_when_the_diagnosis_has_it_begin(small: Dash) -> None:
    """The dashed line stands at the onset of the most probable cause, not at another step of the series."""
    stores = [each for each in dashboard_fleet.walk(shown("/circuit?id=K-1")) if isinstance(each, dcc.Store)]
    marks = [mark["text"] for store in stores for mark in store.data["layout"].get("annotations", ())]
    onset = dashboard_fleet.days_ago(40)
    assert f"began {onset.day} {onset:%b %Y} " in marks
    assert not any(mark.startswith("step") for mark in marks)


def test_a_circuit_without_readings_is_not_told_to_be_sound(small: Dash) -> None:
    """Without a diagnosis nothing is said of what is wrong but that it is not known."""
    words = dashboard_fleet.text_of(shown("/circuit?id=K-3"))
    assert "Not assessed: no power_readings, loss_tests or otdr_events of this circuit" in words
    assert "nothing is wrong" not in words


def test_circuit_page_shows_what_was_measured_on_each_element(small: Dash) -> None:
    """What a reflectometer saw stands beside what an element should lose; unconfirmed values carry a star."""
    words = dashboard_fleet.text_of(shown("/circuit?id=K-1"))
    for part in ("1.21\u202fdB one way", "with SP-0", "0.33\u202fdB at 4,321\u202fm", "0.07\u202fdB",
                 "0.05\u202fdB \u00b1 0.10*", "* from a value that could not be confirmed"):  # fmt: skip
        assert part in words, part
    assert "with P-1" not in words and "with SP-1" not in words
    assert "there are some at 1310 nm" in dashboard_fleet.text_of(shown("/circuit?id=K-1&nm=1550"))
    assert "otdr_events on this path" in dashboard_fleet.text_of(shown("/circuit?id=K-2"))


@pytest.mark.parametrize("view", ["/", "/site?id=S-1", "/connector?id=C-4"])
def test_margins_against_unconfirmed_limits_carry_a_star(small: Dash, view: str) -> None:
    """A margin whose limit is not confirmed is marked wherever it shows, and the mark is explained."""
    words = dashboard_fleet.text_of(shown(view))
    assert "\u202fdB*" in words
    assert "* against a limit that is not confirmed" in words


def test_wavelength_of_the_address_is_shown(small: Dash) -> None:
    """The wavelength stands in the address; an unknown one falls back to the working one."""
    assert "At 1550\u202fnm it loses 3.60\u202fdB" in dashboard_fleet.text_of(shown("/circuit?id=K-1&nm=1550"))
    assert "At 1310\u202fnm it loses" in dashboard_fleet.text_of(shown("/circuit?id=K-1&nm=9"))


def test_connector_page_evidence_and_benefit_add_up(small: Dash) -> None:
    """Decibans add up to the probability, parts of the benefit to the benefit."""
    words = dashboard_fleet.text_of(shown("/connector?id=C-4"))
    assert "Dirty or damaged: 93\u202f%" in words and "+11.0" in words
    assert "+1,000.0" in words
    assert "it costs circuit K-1 light with 80\u202f%, then about 0.90\u202fdB." in words
    assert "What to do: inspect and clean, 10 minutes at the port; a visit wins about 1,000" in words
    assert "Planned: Mon 7 Apr, crew W-1, stop 1" in words


def test_dispatch_page_tells_gap_jobs_and_cautions(small: Dash) -> None:
    """The plan says how good it is, the stop says what to do and why, cautions stand beside it."""
    words = dashboard_fleet.text_of(shown("/dispatch?plan=PL-1"))
    for part in ("4.0\u202f%", "C-4 is suspected on K-1", "needs 95 min", "change window 08:00 to 10:00", "Cautions"):
        assert part in words, part


def test_the_back_test_with_most_looks_is_told_first(small: Dash) -> None:
    """The fullest day is told against the classic measures with its interval; another day is a choice."""
    words = dashboard_fleet.text_of(shown("/backtest"))
    assert "60 of 400 end faces" in words and "the three classic measures reach 20\u202f%" in words
    assert "50\u202f% (40\u202f% to 60\u202f%)" in words and "That is more than chance explains" in words
    later = dashboard_fleet.days_ago(20)
    words = dashboard_fleet.text_of(shown(f"/backtest?day={later:%Y-%m-%d}"))
    assert "6 of 45 end faces" in words and "the difference proves nothing" in words
    assert "the three classic measures reach 20\u202f%" in dashboard_fleet.text_of(shown("/patterns"))


@pytest.mark.parametrize("view", ["/circuit?id=nope", "/connector?id=nope", "/site?id=nope"])
def test_unknown_ids_are_said(small: Dash, view: str) -> None:
    """An id that does not exist is named, with a way back."""
    assert "nope" in dashboard_fleet.text_of(shown(view))


@pytest.mark.parametrize(
    ("view", "link"), [("/connector?id=c02", "/connector?id=C-2"), ("/site?id=s_3", "/site?id=S-3")]
)
def test_unknown_ids_are_answered_with_those_that_look_alike(small: Dash, view: str, link: str) -> None:
    """An id that differs from a real one in case, separator and leading zeros only leads to it."""
    layout = shown(view)
    assert "Did you mean" in dashboard_fleet.text_of(layout)
    assert link in [getattr(each, "href", "") for each in dashboard_fleet.walk(layout)]


def test_find_answers_a_mistyped_id_with_those_that_look_alike(small: Dash) -> None:
    """What is in no id or name leads to the ids that differ in separators and leading zeros only."""
    layout = shown("/find?q=c004")
    links = [each.href for each in dashboard_fleet.walk(layout) if isinstance(each, html.A)]
    assert "/connector?id=C-4" in links
    assert "look like it" not in dashboard_fleet.text_of(shown("/find?q=harbour"))


def test_unknown_page_is_said(small: Dash) -> None:
    """A path where nothing lives says so."""
    assert "There is no such page" in dashboard_fleet.text_of(shown("/nowhere"))


@pytest.mark.parametrize(
    "query",
    [
        "p_contaminated=ge:0.5&site_id=is:S-1&sort=-benefit",
        "benefit=between:1.0:20.0",
        "last_inspected_at=empty&reasons=contains:a:b",
        "last_cleaned_at=gt:2031-01-01",
    ],
)
def test_grid_filters_come_back_from_the_address(query: str) -> None:
    """What stands in the address becomes the grid's own filters, which the store understands."""
    grid = page_queries.CONNECTOR_GRID
    asked = dict(parse_qsl(query))
    filters = filters_from(grid, asked)
    assert set(filters) == {name for name in asked if name != "sort"}
    for name, wanted in filters.items():
        page_queries.condition_of(grid.column(name), wanted)
    assert sort_from(grid, asked) == ({"benefit": "desc"} if "sort" in asked else {})


@pytest.mark.parametrize("query", ["p_contaminated=ge:much", "nonsense=is:1", "site_id=like:S"])
def test_filters_that_cannot_be_meant_are_left_out(query: str) -> None:
    """An address that was typed wrongly still opens the page."""
    assert filters_from(page_queries.CONNECTOR_GRID, dict(parse_qsl(query))) == {}


def test_grid_rows_come_with_a_sentence(small: Dash) -> None:
    """A request for rows is answered with rows, their number and a sentence."""
    rows, words = answer("connectors", "benefit", {"startRow": 0, "endRow": 100, "sortModel": [], "filterModel": {}})
    assert [row["connector_id"] for row in rows["rowData"]][:2] == ["C-4", "C-3"]
    assert (rows["rowCount"], words) == (8, "8 end faces.")
    filtered = {"p_contaminated": {"filterType": "number", "type": "greaterThan", "filter": 0.5}}
    _, words = answer("connectors", "benefit", {"startRow": 0, "endRow": 100, "filterModel": filtered})
    assert words == "1 end face of 8 pass the filters."
    with pytest.raises(ParameterError, match="must be one of"):
        answer("sqlite_master", "", {})


def test_strip_groups_mated_pairs_and_marks_the_suspect(small: Dash) -> None:
    """The strip has one row per mated pair, cable and splice, in order, and sums suspicion over causes."""
    con = door().cursor()
    path = page_queries.circuit_path(con, "K-1")
    elements = page_queries.circuit_elements(con, "K-1")
    named = suspicion(page_queries.circuit_diagnosis(con, "K-1"))
    rows = strip_rows(path, elements[elements["wavelength_nm"] == 1310], named)
    assert [row["kind"] for row in rows] == [
        "mated_pair", "cable", "mated_pair", "cable", "splice", "mated_pair", "cable", "mated_pair",
    ]  # fmt: skip
    assert sum(row["typical_db"] for row in rows) == pytest.approx(4.0)
    assert max(rows, key=lambda row: row["suspect"])["faces"][1].connector_id == "C-4"
    assert max(row["suspect"] for row in rows) == pytest.approx(0.9)  # .72 and .18 for the two faces of the pair


def test_site_states_follow_their_worst_end_face() -> None:
    """A site acts when one end face acts; a site that was not assessed is unknown."""
    sites = pd.DataFrame(
        {
            "end_faces": [10, 10, 10, 0],
            "expected_not_clean": [1.0, 3.0, 0.5, None],
            "likely_not_clean": [0, 0, 0, None],
            "act_now": [1, 0, 0, None],
        }
    )
    assert list(site_states(sites)) == ["act", "watch", "sound", "unknown"]


def test_work_list_is_safe_in_a_spreadsheet(small: Dash) -> None:
    """No cell of a download is taken for a formula, and numbers stay numbers."""
    assert [safe_cell(value) for value in ("=1+1", "@x", "-5.2", -5.2, None, "a-b")] == [
        "'=1+1", "'@x", "-5.2", "-5.2", "", "a-b",
    ]  # fmt: skip
    lines = work_list_csv("PL-1", "W-1", "2031-04-07").splitlines()
    assert len(lines) == 3 and "C-4" in lines[1]


def test_a_newer_snapshot_is_picked_up(tmp_path: Path) -> None:
    """The door reads the newest published snapshot without being reopened."""
    database = dashboard_fleet.build_empty(tmp_path / "plain.duckdb")
    folder = tmp_path / "published"
    with pytest.raises(StoreError, match="no published snapshot"):
        folder.mkdir()
        create_app(folder)
    snapshots.publish(database, folder)
    app = create_app(folder)
    with app.server.app_context():
        here = door()
        assert here.ask(page_queries.row_counts)["circuits"] == 0
        database.unlink()
        snapshots.publish(dashboard_fleet.build(database), folder)
        here._looked_at = 0.0
        assert here.ask(page_queries.row_counts)["circuits"] == 3
        assert here.generation == 2


def test_answers_are_remembered(small: Dash) -> None:
    """The same question about the same state of the data is asked of the store once."""
    assert door().ask(page_queries.fleet_health) is door().ask(page_queries.fleet_health)


def test_files_are_served_from_here_and_compressed(small: Dash) -> None:
    """The first page names no other host, scripts are restricted to this one, the drawing library is the small one."""
    client = small.server.test_client()
    index = client.get("/", headers={"Accept-Encoding": "gzip"})
    page = client.get("/").get_data(as_text=True)
    assert "http://" not in page and "https://" not in page and 'lang="en"' in page
    assert "default-src 'self'" in index.headers["Content-Security-Policy"]
    library = client.get(
        "/_dash-component-suites/plotly/package_data/plotly.min.js", headers={"Accept-Encoding": "gzip"}
    )
    assert library.headers["Content-Encoding"] == "gzip"
    assert len(library.get_data()) < 600_000


def test_plan_download(small: Dash) -> None:
    """The plan as written can be taken along; an unknown plan is not found."""
    client = small.server.test_client()
    assert client.get("/download/plan.json?plan=PL-1").get_json()["plan_id"] == "PL-1"
    assert client.get("/download/plan.json?plan=nope").status_code == 404
    sheet = client.get("/download/work-list.pdf?plan=PL-1&crew=W-1&day=2031-04-07")
    assert sheet.data.startswith(b"%PDF") and len(sheet.data) > 2000
    assert client.get("/download/work-list.pdf?plan=PL-1&crew=W-9&day=2031-04-07").status_code == 404
    assert b"connector_id" in client.get("/download/work-list.csv?plan=PL-1").data
