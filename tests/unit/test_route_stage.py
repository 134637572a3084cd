"""The stored life of a plan: draft, what-if, committed, replanned, done; results come back by the usual door."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path

import duckdb
import pandas as pd
import pytest
from click.testing import CliRunner
from routes_world import small_world, store_world

from planner.cli import planner
from planner.errors import InputError, ParameterError, PlanningError
from planner.routes.problem import Stop
from planner.routes.settings import Settings
from planner.stages.route import StoredPlan, change_status, plan_routes, plan_what_if, replan_routes
from planner.store.database import open_database
from planner.store.loading import load_sources

MONDAY = date(2031, 4, 7)
STOP = Stop(iterations=60)


@pytest.fixture(scope="module")
def con(tmp_path_factory: pytest.TempPathFactory) -> Iterator[duckdb.DuckDBPyConnection]:
    """A database that holds a made-up region."""
    database = open_database(tmp_path_factory.mktemp("routes") / "planner.duckdb")
    store_world(database, small_world(0, sites=10, faces=70, pool=20, overtime=60.0))
    yield database
    database.close()


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the plan's files go."""
    return tmp_path_factory.mktemp("plan")


@pytest.fixture(scope="module")
def stored(con: duckdb.DuckDBPyConnection, folder: Path) -> StoredPlan:
    """A plan of two days, stored as a draft."""
    return plan_routes(con, MONDAY, 2, folder, seed=3, stop=STOP)


def test_a_plan_is_stored_and_written(con: duckdb.DuckDBPyConnection, stored: StoredPlan, folder: Path) -> None:
    """Tables and files hold the same plan: as many stops and jobs, the same money."""
    document = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    stops = con.execute("SELECT count(*) FROM plan_stops WHERE plan_id = ?", [stored.plan_id]).fetchone()
    row = con.execute("SELECT status, cost, gap FROM plans WHERE plan_id = ?", [stored.plan_id]).fetchone()
    assert stops == (sum(len(day["stops"]) for day in document["crew_days"]),)
    assert row == ("draft", document["cost"], document["gap"])
    assert len(pd.read_csv(folder / "routes.csv")) == stops[0]
    sheets = list((folder / "work_lists").glob("*.pdf"))
    assert len(sheets) == len(document["crew_days"])


def test_planning_again_makes_a_new_version_with_the_same_routes(
    con: duckdb.DuckDBPyConnection, stored: StoredPlan, tmp_path: Path
) -> None:
    """The same seed on the same data: version 2, equal in everything but its id."""
    again = plan_routes(con, MONDAY, 2, tmp_path, seed=3, stop=STOP)
    assert (stored.plan_id, again.plan_id) == ("2031-04-07-2d-v1", "2031-04-07-2d-v2")
    assert {**again.document, "plan_id": ""} == {**stored.document, "plan_id": ""} | {
        "crew_days": again.document["crew_days"]
    }
    assert [day["stops"] for day in again.document["crew_days"]] == [
        day["stops"] for day in stored.document["crew_days"]
    ]


def test_scenarios_are_laid_side_by_side(con: duckdb.DuckDBPyConnection, stored: StoredPlan, tmp_path: Path) -> None:
    """One line per scenario in file and table; one more crew nets at least as much."""
    frame = plan_what_if(con, stored, ["extra_crew", "no_wet_kits", "skip_region=north"], tmp_path, stop=STOP)
    net = frame.set_index("scenario")["net"]
    assert list(net.index) == ["base", "extra_crew", "no_wet_kits", "skip_region=north"]
    assert net["extra_crew"] >= net["base"] - 1e-6
    assert net["no_wet_kits"] < net["base"]
    assert con.execute("SELECT count(*) FROM plan_scenarios").fetchone() == (4,)
    assert len(json.loads((tmp_path / "whatif.json").read_text(encoding="utf-8"))["scenarios"]) == 4


def test_more_leave_never_nets_less_and_less_never_has_a_higher_bound(
    con: duckdb.DuckDBPyConnection, stored: StoredPlan, tmp_path: Path
) -> None:
    """With hardly any search, what only adds nets at least the plan's worth, and the plan's bound holds for less."""
    names = ["extra_crew", "overtime", "any_hour", "no_overtime", "skip_region=south"]
    frame = plan_what_if(con, stored, names, tmp_path, stop=Stop(iterations=1)).set_index("scenario")
    assert (frame.loc[names[:3], "net"] >= frame.loc["base", "net"]).all()
    assert (frame.loc[names[3:], "upper_bound"] <= frame.loc["base", "upper_bound"]).all()
    assert (frame["upper_bound"] >= frame["net"]).all()
    assert frame.loc["overtime"].drop("meaning").equals(frame.loc["base"].drop("meaning"))  # as it is already


def test_filled_result_sheets_load_by_the_usual_door(
    con: duckdb.DuckDBPyConnection, stored: StoredPlan, folder: Path, tmp_path: Path
) -> None:
    """Two filled lines of each sheet become inspections and cleanings of the end faces visited."""
    for name, filled in (("inspections", {"at": "2031-04-07T09:00:00Z", "result": "pass"}), ("cleanings", {})):
        sheet = pd.read_csv(folder / f"results_{name}.csv", dtype=str).head(2).assign(at="2031-04-07T09:00:00Z")
        sheet.assign(**filled).to_csv(tmp_path / f"{name}.csv", index=False)
    report = load_sources(
        con, [tmp_path], mapping=None, strict=False, loaded_at=datetime(2031, 4, 8), progress=lambda share, doing: None
    )
    assert report is not None
    assert con.execute("SELECT count(*) FROM inspections WHERE result = 'pass'").fetchone() == (2,)
    assert con.execute("SELECT count(*) FROM cleanings").fetchone() == (2,)


def test_a_plan_moves_from_draft_to_committed_to_done(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """Only in that order, each step with who and when; a committed plan can be replanned."""
    made = plan_routes(con, MONDAY, 1, tmp_path / "a", seed=1, stop=STOP, settings=Settings(audit_share=0.0))
    with pytest.raises(PlanningError, match="is draft, must be committed"):
        change_status(con, made.plan_id, "done", "shift lead", datetime(2031, 4, 6))
    with pytest.raises(PlanningError, match="only a committed plan is replanned"):
        replan_routes(con, made.plan_id, datetime(2031, 4, 7, 9), [("C00001", MONDAY)], tmp_path / "b")
    change_status(con, made.plan_id, "committed", "shift lead", datetime(2031, 4, 6))
    left = con.execute(
        "SELECT connector_id FROM plan_left_out WHERE plan_id = ? ORDER BY benefit DESC", [made.plan_id]
    ).fetchall()
    fresh, changes = replan_routes(
        con, made.plan_id, datetime(2031, 4, 7, 9), [(left[0][0], MONDAY)], tmp_path / "b", made_by="desk"
    )
    assert fresh.document["replaces"] == made.plan_id
    assert fresh.document["changes"] == list(changes) and changes
    change_status(con, fresh.plan_id, "committed", "desk", datetime(2031, 4, 7, 9))
    with pytest.raises(PlanningError, match=f"was replaced by {fresh.plan_id}; only the plan in force"):
        replan_routes(con, made.plan_id, datetime(2031, 4, 7, 10), [(left[1][0], MONDAY)], tmp_path / "c")
    with pytest.raises(PlanningError, match="is replaced, must be committed"):
        change_status(con, made.plan_id, "done", "shift lead", datetime(2031, 4, 8))
    change_status(con, fresh.plan_id, "done", "shift lead", datetime(2031, 4, 8))
    steps = {
        name: [
            (step["status"], step["by"])
            for step in json.loads(con.execute("SELECT document FROM plans WHERE plan_id = ?", [name]).fetchone()[0])[
                "history"
            ]
        ]
        for name in (made.plan_id, fresh.plan_id)
    }
    assert steps[made.plan_id] == [("committed", "shift lead"), ("replaced", "desk")]
    assert steps[fresh.plan_id] == [("committed", "desk"), ("done", "shift lead")]


def test_no_crew_is_promised_twice_for_one_day(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """A second plan for the same crew-days is a draft until it takes the first one's place; other days are free."""
    at = datetime(2031, 4, 6)
    one, two = (plan_routes(con, MONDAY, 1, tmp_path / name, seed=1, stop=STOP).plan_id for name in ("a", "b"))
    later = plan_routes(con, MONDAY + timedelta(days=7), 1, tmp_path / "c", seed=1, stop=STOP).plan_id
    change_status(con, one, "committed", "desk", at)
    assert change_status(con, later, "committed", "desk", at) == ()
    with pytest.raises(PlanningError, match=f"crew crew-1 is promised on 2031-04-07 by .* plan {one}.*--replace {one}"):
        change_status(con, two, "committed", "desk", at)
    with pytest.raises(PlanningError, match="nobody's: there is no such plan; only a committed plan is replaced"):
        change_status(con, two, "committed", "desk", at, ("nobody's",))
    with pytest.raises(PlanningError, match=f"plan {two}: is draft; only a committed plan is replaced"):
        change_status(con, two, "committed", "desk", at, (two,))
    assert change_status(con, two, "committed", "desk", at, (one,)) == (one,)
    states = dict(con.execute("SELECT plan_id, status FROM plans").fetchall())
    assert (states[one], states[two], states[later]) == ("replaced", "committed", "committed")


def test_what_cannot_be_planned_is_refused_with_what_to_do(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """No crews, no ranking, an unknown mandatory end face: one line that says what to do."""
    empty = open_database(tmp_path / "empty.duckdb")
    with pytest.raises(InputError, match=r"load crews\.csv"):
        plan_routes(empty, MONDAY, 1, tmp_path)
    empty.close()
    with pytest.raises(ParameterError, match="mandatory: got NOBODY"):
        plan_routes(con, MONDAY, 1, tmp_path, settings=Settings(mandatory=(("NOBODY", MONDAY),)))
    for changed, words in (
        (Settings(skip_regions=("nowhere",)), "skip_region: got 'nowhere', must be .*: north, south"),
        (Settings(moved_depots=(("crew-9", "S001"),)), "move_depot: got crew 'crew-9', must be one of crew-1"),
        (Settings(moved_depots=(("crew-1", "S999"),)), "move_depot: got site 'S999'"),
    ):
        with pytest.raises(ParameterError, match=words):
            plan_routes(con, MONDAY, 1, tmp_path, settings=changed)
    with pytest.raises(PlanningError, match="there is no such plan; newest are"):
        change_status(con, "nothing", "committed", "x", datetime(2031, 4, 6))


def test_the_commands_list_and_commit(tmp_path: Path) -> None:
    """`planner plan list` and `commit` work on a stored plan; `route` without its first day is wrong use."""
    path = tmp_path / "planner.duckdb"
    database = open_database(path)
    store_world(database, small_world(0, faces=40, pool=10))
    made = plan_routes(database, MONDAY, 1, tmp_path / "plan", stop=STOP)
    database.close()
    runner = CliRunner()
    listed = runner.invoke(planner, ["plan", "list", "--db", str(path)])
    assert "draft" in listed.output and listed.exit_code == 0
    committed = runner.invoke(planner, ["plan", "commit", made.plan_id, "--by", "desk", "--db", str(path)])
    assert "is committed, by desk" in committed.output
    missing = runner.invoke(planner, ["route", "--db", str(path), "--out", str(tmp_path)])
    assert missing.exit_code == 2 and "--from is missing" in missing.output
    replanned = runner.invoke(planner, ["route", "--db", str(path), "--out", str(tmp_path), "--replan", made.plan_id])
    assert replanned.exit_code == 2 and "--replan needs --at" in replanned.output
