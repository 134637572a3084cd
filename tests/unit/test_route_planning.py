"""Planning from tables: what a plan holds, and a clear word where something cannot be planned."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from routes_world import make_crews, small_world

from planner.errors import ParameterError, PlanningError
from planner.reports.fleet_summary import proof_words
from planner.routes.explain import left_out_frame
from planner.routes.outputs import calendar_text, geojson, gpx, plan_document, result_templates, safe_for_spreadsheet
from planner.routes.planning import PlanInput, PlanResult, plan_week
from planner.routes.problem import Stop
from planner.routes.replan import replan
from planner.routes.settings import Settings
from planner.routes.stops import crew_days_frame, pick_list, read_back
from planner.routes.whatif import SCENARIOS, scenario_settings
from planner.stages.work_lists import sheet_days

MONDAY = date(2031, 4, 7)
STOP = Stop(iterations=80)
PLAIN = Settings(audit_share=0.0)


def planned(world: PlanInput, settings: Settings = PLAIN, days: int = 2) -> PlanResult:
    """A plan of a made-up world."""
    return plan_week(world, MONDAY, days, STOP, settings)


def reasons(result: PlanResult) -> str:
    """All reasons of jobs left out, joined."""
    return " | ".join(left_out_frame(result, "p")["reason"].unique())


@pytest.fixture(scope="module")
def usual() -> PlanResult:
    """Two crews, two days, 20 sites, with random looks."""
    return planned(small_world(0, overtime=60.0), Settings())


def test_every_job_is_planned_once_or_left_out_with_a_reason(usual: PlanResult) -> None:
    """Planned and left-out end faces together are the jobs, none twice, none without a reason."""
    jobs = read_back(usual, "p").jobs
    left = left_out_frame(usual, "p")
    names = [*jobs["connector_id"], *left["connector_id"]]
    random = set(usual.audits["connector_id"])
    assert sorted(set(names) - random) == sorted(usual.week.job_table.rows["connector_id"])
    assert len(names) == len(set(names))
    assert left["reason"].str.len().min() > 10


def test_stops_lie_within_access_shift_and_order(usual: PlanResult) -> None:
    """On the clock, each stop starts after arrival within access hours, days run forward and breaks are taken."""
    tables = read_back(usual, "p")
    for day in tables.days:
        last = day.departs
        for stop in day.stops:
            site = usual.week.sites.loc[stop.site_id]
            assert last + stop.drive_min <= stop.arrives <= stop.starts < stop.leaves
            assert f"{stop.starts // 60:02d}:{stop.starts % 60:02d}" >= (site["access_open"] or "00:00")
            assert f"{stop.leaves // 60:02d}:{stop.leaves % 60:02d}" <= site["access_close"]
            last = stop.leaves
        assert day.departs >= 450 and day.returns <= 960 + 60
        if day.departs < 700 and day.returns > 780:
            assert [end - start for start, end, _ in day.breaks] == [30]


def test_random_looks_are_a_share_of_the_jobs_and_add_no_stop(usual: PlanResult) -> None:
    """About 3 % of the planned jobs are looks drawn at random at sites visited anyway."""
    jobs = read_back(usual, "p").jobs
    drawn = jobs[jobs["connector_id"].isin(usual.audits["connector_id"])]
    assert 1 <= len(drawn) <= np.ceil(0.03 * len(jobs)) + 1
    assert set(drawn["action"]) == {"inspect"}
    assert set(drawn["site_id"]) <= set(jobs.loc[~jobs.index.isin(drawn.index), "site_id"])


def test_plan_json_states_money_proof_and_every_stop(usual: PlanResult) -> None:
    """net = benefit - cost, gap = (bound - net) / net, and every job is in the document."""
    tables = read_back(usual, "p")
    document = json.loads(json.dumps(plan_document(usual, tables, "80 iterations", versions={})))
    assert document["net"] == pytest.approx(document["benefit"] - document["cost"], abs=0.02)
    assert document["gap"] == pytest.approx((document["upper_bound"] - document["net"]) / document["net"], abs=1e-4)
    names = [job["connector_id"] for day in document["crew_days"] for stop in day["stops"] for job in stop["jobs"]]
    assert sorted(names) == sorted(tables.jobs["connector_id"])
    assert document["cost"] == pytest.approx(sum(day["cost"] for day in document["crew_days"]), abs=0.05)


def test_map_track_and_calendar_hold_every_stop(usual: PlanResult) -> None:
    """GeoJSON points, GPX route points and calendar events are as many as stops; calendar lines are short."""
    tables = read_back(usual, "p")
    document = plan_document(usual, tables, "80 iterations", versions={})
    points = [item for item in geojson(document, usual.week.sites)["features"] if item["geometry"]["type"] == "Point"]
    text = calendar_text(document, datetime(2031, 4, 1))
    assert len(points) == len(tables.stops) == gpx(document).count("<rtept ") == text.count("BEGIN:VEVENT")
    assert max(len(line.encode()) for line in text.split("\r\n")) <= 75


def test_templates_carry_the_intake_columns_and_one_row_per_look(usual: PlanResult) -> None:
    """Result sheets have the columns of the intake tables; times and verdicts are left for the crew."""
    jobs = read_back(usual, "p").jobs
    sheets = result_templates(jobs, "p")
    cleaned = (jobs["action"] != "inspect").sum()
    assert len(sheets["inspections"]) == len(jobs) + cleaned
    assert len(sheets["cleanings"]) == cleaned
    assert sheets["inspections"]["inspection_id"].is_unique
    assert (sheets["inspections"]["at"] == "").all()
    assert set(sheets["cleanings"]["method"]) <= {"dry_pen", "dry_cassette", "dry_stick", "dry_wipe"}


def test_the_pick_list_names_what_the_jobs_need(usual: PlanResult) -> None:
    """Every tip of a planned job is on its crew-day's list once."""
    jobs = read_back(usual, "p").jobs
    loads = pick_list(jobs)
    for row in jobs.itertuples():
        own = loads[(loads["crew_id"] == row.crew_id) & (loads["day_on"] == row.day_on)]
        assert (own.loc[own["thing"] == row.tip, "quantity"] == 1).all()
        assert row.tip in set(own["thing"])


def test_work_lists_hold_every_job_in_order(usual: PlanResult) -> None:
    """The work lists name every planned end face, with windows of live circuits as a caution."""
    tables = read_back(usual, "p")
    days = sheet_days(usual, tables, {"Z001": "received -5.0 dBm when good, -7.0 now"})
    names = [job.connector_id for day in days for stop in day.stops for job in stop.jobs]
    assert names == list(tables.jobs["connector_id"])
    assert any("without protection" in job.caution for day in days for stop in day.stops for job in stop.jobs)


def test_live_circuits_without_protection_are_opened_only_in_their_window() -> None:
    """A job on a priority 1 circuit starts and ends before 08:00 or is left out; with any_hour it is free."""
    result = planned(small_world(3))
    tables = read_back(result, "p")
    held = result.week.jobs[result.week.jobs["opens"] >= 0]
    stops = tables.stops.set_index(["crew_id", "day_on", "stop_no"])
    for row in tables.jobs[tables.jobs["connector_id"].isin(held["connector_id"])].itertuples():
        assert stops.loc[(row.crew_id, row.day_on, row.stop_no), "start_at"] < "08:00"
    assert len(held) > 0
    assert "change window 20:00-08:00" in reasons(result)
    assert "change window" not in reasons(planned(small_world(3), PLAIN.changed(change_windows=False)))


def test_a_mandatory_job_is_planned_by_its_day_whatever_it_is_worth() -> None:
    """The least worthy end face, mandatory by the first day, is visited on it."""
    world = small_world(1)
    least = str(world.candidates.sort_values("benefit")["connector_id"].iloc[0])
    result = planned(world, PLAIN.changed(mandatory=((least, MONDAY),)))
    days = read_back(result, "p").jobs.set_index("connector_id")["day_on"]
    open_days = result.week.sites.loc[result.week.jobs.set_index("connector_id").loc[least, "site_id"], "access_days"]
    if "Mon" in (open_days or "Mon"):
        assert days[least] == MONDAY.isoformat()
    else:
        assert len(result.plan.unserved_required) == 1


def test_nothing_to_plan_gives_an_empty_plan() -> None:
    """An empty ranking: no crew goes out, nothing is left out, no error."""
    world = small_world(0)
    result = planned(replace(world, candidates=world.candidates.iloc[:0]))
    assert result.plan.legs == ()
    assert crew_days_frame(read_back(result, "p").days).empty
    assert len(left_out_frame(result, "p")) == 0


def test_a_shift_without_length_is_named_and_the_rest_planned() -> None:
    """A crew whose shift starts when it ends is left out with a note; the other crew works."""
    world = small_world(0)
    crews = world.crews.copy()
    crews.loc[0, "shift_end"] = crews.loc[0, "shift_start"]
    result = planned(replace(world, crews=crews))
    assert any("crew-1: shift 07:30-07:30 has no length" in note for note in result.week.notes)
    assert {day.crew_id for day in read_back(result, "p").days} == {"crew-2"}


def test_no_crew_at_work_is_refused_with_the_reason() -> None:
    """Planning a weekend for crews of Monday to Friday says so instead of returning nothing."""
    with pytest.raises(PlanningError, match="no crew works between 2031-04-12 and 2031-04-13"):
        plan_week(small_world(0), date(2031, 4, 12), 2, STOP, PLAIN)
    with pytest.raises(PlanningError, match="crews: the table is empty"):
        planned(replace(small_world(0), crews=make_crews(1, small_world(0).sites).iloc[:0]))


def test_a_kit_nobody_has_is_named_and_the_rest_planned() -> None:
    """Without any array tip, array end faces are left out by name; the others are planned."""
    world = small_world(0)
    crews = make_crews(
        2, world.sites, kit="tip_1.25_upc;tip_1.25_apc;tip_2.5_upc;tip_2.5_apc;cassette;pen_1.25;pen_2.5"
    )
    result = planned(replace(world, crews=crews))
    assert "tip_mpo_upc" in reasons(result) and "no crew has it" in reasons(result)
    assert len(read_back(result, "p").jobs) > 10
    assert not read_back(result, "p").jobs["tip"].str.contains("mpo").any()


def test_a_mandatory_face_nobody_has_the_kit_for_is_told_as_not_served() -> None:
    """Left out before any route is sought, it still stands in plan.json among those that were not served."""
    world = small_world(0)
    crews = make_crews(2, world.sites, kit="tip_2.5_upc;cassette;pen_2.5")
    small = replace(world, crews=crews)
    name = str(next(row.connector_id for row in planned(small).week.left_out.itertuples() if "no crew" in row.reason))
    result = planned(small, PLAIN.changed(mandatory=((name, MONDAY),)))
    document = plan_document(result, read_back(result, "p"), "80 iterations", versions={})
    assert document["mandatory_not_served"] == [name]


def test_a_site_no_crew_can_reach_is_named_and_the_rest_planned() -> None:
    """A site a thousand kilometres away is left out because of the way."""
    world = small_world(0)
    sites = world.sites.copy()
    sites.loc[sites["site_id"] == "S015", ["latitude", "longitude"]] = [40.0, 2.0]
    result = planned(replace(world, sites=sites))
    left = left_out_frame(result, "p").set_index("site_id")["reason"]
    assert left.loc[["S015"]].str.contains("no crew can get there|change window").all()
    assert len(read_back(result, "p").jobs) > 10


def test_hours_that_contradict_are_named() -> None:
    """A site open only at noon never overlaps the change window of a priority 1 circuit."""
    world = small_world(3)
    sites = world.sites.assign(access_open="11:00", access_close="14:00")
    assert "do not overlap" in reasons(planned(replace(world, sites=sites)))


def test_travel_given_is_used_and_absent_pairs_are_estimated_and_said() -> None:
    """One given pair is taken as given; all others are estimated, and the plan says how many."""
    world = small_world(0)
    given = pd.DataFrame({"from_site_id": ["S000"], "to_site_id": ["S001"], "minutes": [77.0], "km": [12.0]})
    week = planned(replace(world, travel_times=given)).week
    a, b = week.places.index("S000"), week.places.index("S001")
    assert week.travel.minutes[a, b] == 77 and week.travel.km[a, b] == 12
    assert week.travel.minutes[b, a] != 77
    assert "travel_times table for 1 pairs" in week.travel.words and "estimated" in week.travel.words


def test_the_classic_ranking_alone_can_be_planned_and_says_so() -> None:
    """Without benefits the classic score is the prize, and the assumptions say so."""
    world = small_world(0)
    empty = dict.fromkeys(("benefit", "margin_part", "minutes_part", "ranked_minutes"), np.nan)
    result = planned(replace(world, candidates=world.candidates.assign(**empty)))
    assert "no benefit in the ranking" in result.week.job_table.money_words
    assert len(read_back(result, "p").jobs) > 10
    assert plan_document(result, read_back(result, "p"), "", versions={})["benefit_customer_min"] is None


def test_both_ends_of_a_cable_are_planned_together_or_not_at_all() -> None:
    """Two likely dirty ends of one cable at two sites form a pair; no plan holds one of them alone."""
    world = small_world(2, faces=120)
    faces = world.candidates.copy()
    for number in range(0, 40, 4):
        faces.loc[[number, number + 2], "cable_id"] = f"TRUNK{number}"
        faces.loc[number + 2, "cable_end"] = "B"
        faces.loc[[number, number + 2], "p_contaminated"] = 0.9
    result = planned(replace(world, candidates=faces), PLAIN.changed(change_windows=False))
    pairs = read_back(result, "p").jobs.query("pair_id != ''").groupby("pair_id")["site_id"].nunique()
    assert (result.week.problem.pair >= 0).sum() >= 6
    assert (pairs == 2).all()


def test_scenarios_change_one_thing_and_unknown_ones_are_refused() -> None:
    """Names map to settings; a wrong name lists the right ones."""
    assert scenario_settings("extra_crew", PLAIN).extra_crews == 1
    assert scenario_settings("move_depot=crew-1:S005", PLAIN).moved_depots == (("crew-1", "S005"),)
    with pytest.raises(ParameterError, match="extra_crew, no_overtime"):
        scenario_settings("more_coffee", PLAIN)


def test_scenarios_show_in_the_plan() -> None:
    """Skipping a region leaves its sites out; a moved depot starts there; no overtime plans none."""
    world = small_world(0, overtime=60.0)
    north = planned(world, scenario_settings("skip_region=north", PLAIN))
    assert set(read_back(north, "p").stops["site_id"].map(north.week.sites["region"])) == {"south"}
    moved = planned(world, scenario_settings("move_depot=crew-1:S005", PLAIN))
    assert {day.depot for day in read_back(moved, "p").days if day.crew_id == "crew-1"} == {"S005"}
    none = planned(world, scenario_settings("no_overtime", PLAIN))
    assert all(day.overtime_min == 0 for day in read_back(none, "p").days)


def test_holidays_are_not_worked() -> None:
    """A holiday in the middle has no crew-day."""
    result = planned(small_world(0), PLAIN.changed(holidays=(MONDAY,)))
    assert {day.day_on for day in read_back(result, "p").days} == {date(2031, 4, 8)}


def test_replanning_keeps_what_was_begun_and_lists_few_changes() -> None:
    """An alarm at 10:00 goes in; stops begun before stay as they were; the changes name it."""
    world = small_world(4)
    old = planned(world)
    tables = read_back(old, "p")
    left = left_out_frame(old, "p")
    alarm = str(left.loc[left["reason"].str.contains("more than it is worth|min left|fits no"), "connector_id"].iloc[0])
    done = replan(
        world, tables.stops, tables.jobs, MONDAY, 2, datetime(2031, 4, 7, 10, 0), [(alarm, date(2031, 4, 8))], PLAIN
    )
    fresh = read_back(done.result, "p2")
    assert alarm in set(fresh.jobs["connector_id"])
    assert any(alarm in change and "added to" in change for change in done.changes)
    begun = tables.stops[(tables.stops["day_on"] == "2031-04-07") & (tables.stops["start_at"] < "09:59")]
    kept = fresh.stops.merge(begun, on=["crew_id", "day_on", "stop_no", "site_id"])
    assert len(kept) == len(begun)
    assert len(done.changes) <= 5


def test_cells_that_a_spreadsheet_would_run_are_quoted() -> None:
    """Texts that begin like a formula are written with an apostrophe; others are left alone."""
    safe = safe_for_spreadsheet(pd.DataFrame({"a": ["=1+1", "plain", None], "b": [1, 2, 3]}))
    assert safe["a"].tolist()[:2] == ["'=1+1", "plain"]
    assert safe["b"].tolist() == [1, 2, 3]


def test_a_day_plan_prints_as_pdf_and_page(usual: PlanResult, tmp_path: Path) -> None:
    """The PDF and the page of a crew-day are written; cautions come before the first stop."""
    from planner.reports.job_sheet import write_job_sheets

    days = sheet_days(usual, read_back(usual, "p"), {})[:1]
    pdf, page, table = write_job_sheets(days, tmp_path)
    assert pdf.read_bytes().startswith(b"%PDF") and table.stat().st_size > 100
    text = page.read_text(encoding="utf-8")
    assert text.index("Cautions first") < text.index("At every connection") < text.index(days[0].stops[0].site_name)


def test_the_dispatch_page_names_every_scenario() -> None:
    """What the page says can be tried is what the planner can plan."""
    from dashboards.pages import dispatch

    assert {name for name, _ in dispatch.SCENARIOS} == set(SCENARIOS)


def test_a_promised_stop_keeps_the_hours_agreed_for_an_alarm() -> None:
    """Replanning with nothing new takes out no stop that an alarm had lifted out of its change window."""
    world = small_world(4)
    circuits = world.circuits.assign(priority=1, protected_by=None)
    world = replace(world, circuits=circuits)
    usual = planned(small_world(4))
    name = str(
        usual.week.jobs["connector_id"].iloc[
            usual.week.blocks[usual.week.offers[usual.plan.legs[0].jobs[0]][0]].jobs[0]
        ]
    )
    old = planned(world, PLAIN.changed(mandatory=((name, MONDAY),)))
    tables = read_back(old, "p")
    assert name in set(tables.jobs["connector_id"])
    notes = tables.jobs.set_index("connector_id")["change_note"]
    assert notes[name].startswith("may be opened outside the change window 20:00-08:00 because of the alarm")
    done = replan(world, tables.stops, tables.jobs, MONDAY, 2, datetime(2031, 4, 7, 10, 0), [], PLAIN)
    assert done.changes == ()
    assert name in set(read_back(done.result, "p2").jobs["connector_id"])


def test_an_alarm_sends_nobody_out_before_it_came_and_leaves_begun_stops_alone() -> None:
    """At any moment of the day: begun stops keep their hour, new ones start after it, tomorrow's may be early."""
    world = small_world(4)
    old = planned(world)
    tables = read_back(old, "p")
    waiting = left_out_frame(old, "p")
    waiting = waiting[waiting["reason"].str.contains("more than it is worth|min left|fits no")]
    alarms = [(str(name), date(2031, 4, 8)) for name in waiting["connector_id"].head(4)]
    early = []
    for at in (datetime(2031, 4, 7, 8, 10), datetime(2031, 4, 7, 12, 40), datetime(2031, 4, 7, 15, 50)):
        done = replan(world, tables.stops, tables.jobs, MONDAY, 2, at, alarms, PLAIN)
        now = f"{at:%H:%M}"
        fresh = read_back(done.result, "p2")
        unchanged = replan(world, tables.stops, tables.jobs, MONDAY, 2, at, [], PLAIN)  # whole minutes per stop
        before = read_back(unchanged.result, "p1").stops.set_index(["crew_id", "day_on", "stop_no"])["start_at"]
        stops = fresh.stops.set_index(["crew_id", "day_on", "stop_no"])["start_at"]
        begun = before[(before.index.get_level_values("day_on") == "2031-04-07") & (before < now)]
        assert (stops.loc[begun.index] == begun).all()
        put_in = fresh.jobs[fresh.jobs["connector_id"].isin([name for name, _ in alarms])]
        starts = stops.loc[list(zip(put_in["crew_id"], put_in["day_on"], put_in["stop_no"], strict=True))]
        today = starts.index.get_level_values("day_on") == "2031-04-07"
        assert (starts[today] >= now).all()
        early += list(starts[~today] < now)
        gone = {day.crew_id for day in read_back(old, "p").days if day.day_on == MONDAY}
        for day in fresh.days:
            assert day.day_on != MONDAY or day.crew_id in gone or day.departs >= at.hour * 60 + at.minute
    assert any(early)


def test_a_loose_bound_is_told_as_a_share_of_the_best() -> None:
    """A gap above one half is not told as being within it of the best."""
    assert proof_words(0.119) == "within 11.9% of the best possible"
    assert proof_words(1.042) == "at least 49% of the best possible by the quick bound"


def test_a_plan_that_sends_nobody_out_says_so_on_the_dispatch_page() -> None:
    """Without stops the page tells neither kilometres nor a gap, but that no crew goes out."""
    from dashboards.pages import dispatch

    plan = {"plan_id": "p", "status": "draft", "made_at": None, "made_by": "", "from_on": "2031-04-07", "gap": 0.0}
    plan |= {"crew_days": 0, "stops": 0, "jobs": 0, "travel_km": float("nan")}
    words = str(dispatch._verdict(pd.Series(plan), {}))
    assert "No crew goes out" in words and "km" not in words and "best possible" not in words
