"""The light step and its commands on a small fleet loaded from files.

OLT port PO =K1= panel port PP =K2 4 km= splice L1 =K3 2 km= splitter in PS (1:32), out PB =K4= ONT port PT
"""

from __future__ import annotations

import csv
from datetime import datetime
from pathlib import Path

import duckdb
import pandas as pd
import pytest
from click.testing import CliRunner

from planner.cli import planner
from planner.errors import ParameterError, StoreError, TraceError
from planner.pipeline import STEPS, settings_of
from planner.progress import silent
from planner.stages import derive, light, trace
from planner.store import light_queries, route_queries
from planner.store.database import fetch, open_database, transaction
from planner.store.derived_queries import newest_time
from planner.store.stage_ledger import record_run

Rows = list[dict[str, str]]
PORTS = {"PO": "equipment", "PP": "patch", "PS": "splitter_input", "PB": "splitter_output", "PT": "equipment"}


def connector(name: str, cable: str = "", end: str = "", port: str = "", grade: str = "C") -> dict[str, str]:
    """A row of connectors."""
    row = {"connector_id": name, "cable_id": cable, "cable_end": end, "fixed_port_id": port, "grade": grade}
    return {**row, "fibre_count": "1", "family": "SC", "polish": "APC"}


def fleet() -> dict[str, Rows]:
    """The fleet of the docstring with tests, powers, marks and a trace."""
    ports = [
        {"port_id": name, "housing_id": "H1", "family": "SC", "polish": "APC", "mode": "SM", "fibre_count": "1"}
        | {"role": role}
        for name, role in PORTS.items()
    ]
    cables = [
        {"cable_id": name, "kind": "feeder", "fibre_type": "G.652.D", "length_m": length, "fibre_count": "1"}
        for name, length in (("K1", "10"), ("K2", "4000"), ("K3", "2000"), ("K4", "20"))
    ]
    connectors = [connector(f"F{name}", port=name) for name in ("PO", "PS", "PB", "PT")]
    connectors += [connector("C1A", "K1", "A"), connector("C1B", "K1", "B"), connector("C2A", "K2", "A")]
    connectors += [connector("C3B", "K3", "B"), connector("C4A", "K4", "A"), connector("C4B", "K4", "B", grade="")]
    plugged = {"C1A": ("PO", "front"), "C1B": ("PP", "front"), "C2A": ("PP", "rear"), "C3B": ("PS", "front")}
    plugged |= {"C4A": ("PB", "front"), "C4B": ("PT", "front")}
    tests = [("Y1", "2030-01-01T08:00:00Z", "21.0"), ("Y2", "2030-05-01T08:00:00Z", "23.4")]
    events = [("1", "0", "0.2"), ("2", "4010", "0.07"), ("3", "6010", "")]
    return {
        "sites": [{"site_id": "S1", "kind": "hut", "latitude": "1", "longitude": "1"}],
        "housings": [{"housing_id": "H1", "site_id": "S1", "kind": "panel"}],
        "ports": ports,
        "cables": cables,
        "connectors": connectors,
        "patching": [{"connector_id": c, "port_id": p, "face": f} for c, (p, f) in plugged.items()],
        "splices": [
            {"splice_id": "L1", "cable_a_id": "K2", "end_a": "B", "fibre_a": "1", "cable_b_id": "K3", "end_b": "A"}
            | {"fibre_b": "1", "kind": "fusion", "loss_db": "0.05"}
        ],
        "splitter_legs": [
            {"splitter_id": "X1", "leg": "0", "port_id": "PS", "ratio": "32"},
            {"splitter_id": "X1", "leg": "1", "port_id": "PB", "ratio": "32"},
        ],
        "circuits": [
            {"circuit_id": "CKT1", "a_port_id": "PO", "z_port_id": "PT", "application": "GPON-B+"}
            | {"wavelength_nm": "1490", "max_loss_db": ""},
            {"circuit_id": "CKT2", "a_port_id": "PP", "z_port_id": "PO", "application": "", "wavelength_nm": "1310"}
            | {"max_loss_db": "0.1"},
        ],
        "loss_tests": [
            {"test_id": name, "at": at, "circuit_id": "CKT1", "wavelength_nm": "1310", "direction": "a_to_z"}
            | {"loss_db": loss, "reference_cords": "1", "orl_db": "40"}
            for name, at, loss in tests
        ]
        + [
            {"test_id": "Y3", "at": "2030-05-01T09:00:00Z", "circuit_id": "CKT1", "wavelength_nm": "1310"}
            | {"direction": "z_to_a", "loss_db": "23.0", "reference_cords": "1", "orl_db": "40"}
        ],
        "otdr_events": [
            {"trace_id": "R1", "event_no": number, "at": "2030-05-01T10:00:00Z", "circuit_id": "CKT1"}
            | {"direction": "a_to_z", "wavelength_nm": "1310", "distance_m": metres, "loss_db": loss}
            | {"kind": "reflective" if number == "1" else "non_reflective"}
            for number, metres, loss in events
        ],
        "power_readings": [
            {"at": "2030-05-02T00:00:00Z", "port_id": "PO", "tx_dbm": "3.0", "rx_dbm": "-21.0"},
            {"at": "2030-05-02T00:00:00Z", "port_id": "PT", "tx_dbm": "2.0", "rx_dbm": "-18.5"},
        ],
        "inspections": [
            {"inspection_id": "I1", "at": "2030-04-01T10:00:00Z", "connector_id": "C1A", "result": "fail"}
            | {"finding": "particle"},
            {"inspection_id": "I2", "at": "2030-04-01T11:00:00Z", "connector_id": "C1B", "result": "fail"}
            | {"finding": "oil_film"},
            {"inspection_id": "I3", "at": "2030-04-01T12:00:00Z", "connector_id": "FPT", "result": "pass"}
            | {"finding": "clean"},
        ],
        "end_face_defects": [
            {"inspection_id": "I1", "kind": "defect", "x_um": "40", "y_um": "0", "width_um": "6"},
            {"inspection_id": "I1", "kind": "scratch", "x_um": "5", "y_um": "0", "width_um": "1", "length_um": "8"},
        ],
    }


@pytest.fixture(scope="module")
def database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The fleet loaded into a database and analysed."""
    return loaded(tmp_path_factory.mktemp("light"), fleet())


def loaded(folder: Path, tables: dict[str, Rows]) -> Path:
    """A database with these tables, analysed."""
    for name, rows in tables.items():
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(dict.fromkeys(key for row in rows for key in row)), restval="")
            writer.writeheader()
            writer.writerows(rows)
    target = folder / "fleet.duckdb"
    result = CliRunner().invoke(planner, ["load", str(folder), "--db", str(target)], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    analyse_light(target)
    return target


def analyse_light(target: Path) -> None:
    """Run the steps up to the budgets and note all steps as done, so that commands start no other."""
    con = open_database(target)
    moment = newest_time(con)
    assert moment is not None
    for step in (derive, trace, light):
        with transaction(con):
            step.run(con, moment, silent)
    for name, _, _ in STEPS:
        record_run(con, name, moment, 0.0, "", settings_of(name))
    con.close()


def rows_of(database: Path, sql: str) -> pd.DataFrame:
    """The rows of a query, read only."""
    con = open_database(database, read_only=True)
    try:
        return fetch(con, sql)
    finally:
        con.close()


def run(database: Path, *words: str) -> tuple[int, str]:
    """A command's return value and what it printed, line breaks as spaces."""
    result = CliRunner().invoke(planner, [*words, "--db", str(database)], catch_exceptions=False, standalone_mode=False)
    return int(result.return_value or 0), " ".join(result.output.split())


def test_stage_writes_the_budget_of_every_circuit(database: Path) -> None:
    """Each circuit has a row at its working wavelength and one per tested wavelength, worked out by hand."""
    table = rows_of(database, "SELECT * FROM circuit_budget ORDER BY circuit_id, wavelength_nm")
    assert list(zip(table["circuit_id"], table["wavelength_nm"], strict=True)) == [
        ("CKT1", 1310.0),
        ("CKT1", 1490.0),
        ("CKT2", 1310.0),
    ]
    tested, working, short = (table.iloc[number] for number in range(3))
    km = 6.030
    assert tested["typical_db"] == pytest.approx(5 * 0.25 + km * 0.35 + 0.05 + 17.0)
    assert tested["as_built_db"] == 21.0
    assert tested["measured_db"] == pytest.approx((23.4 + 23.0) / 2)
    assert "one direction" not in tested["note"]
    assert working["measured_from"] == "power"
    # the OLT port ends two circuits, so what it receives cannot be told apart
    assert working["measured_db"] == pytest.approx(3.0 + 18.5)
    assert working["power_margin_db"] == pytest.approx(-18.5 + 27.0)
    assert short["margin_db"] < 0


def test_elements_of_the_stored_budget(database: Path) -> None:
    """The stored elements name ports, cables, splices and splitters of the path in order."""
    sql = "SELECT * FROM budget_elements WHERE circuit_id = 'CKT1' AND wavelength_nm = 1310 ORDER BY \"position\""
    table = rows_of(database, sql)
    names = ["PO", "K1", "PP", "K2", "L1", "K3", "PS", "X1", "PB", "K4", "PT"]
    assert table["element_id"].tolist() == names
    assert table["as_built_db"].dropna().tolist() == [0.05]
    assert "(assumed)" in table["source"].iloc[-1]


def test_budget_command_shows_expected_against_measured(database: Path) -> None:
    """The command prints each element, what the reflectometer saw there, the margin and the sources."""
    code, text = run(database, "budget", "CKT1")
    assert code == 0
    assert "23.20 dB +- 0.14 dB (loss test, 2030-05-01)" in text
    assert "28.00 dB (G-PON class B+: trade table of G-PON classes" in text
    assert "0.20 one way" in text
    assert "grade not recorded at some end faces: grade C assumed" in text


def test_traces_are_laid_on_the_stored_paths(database: Path) -> None:
    """The step stores what the newest traces show on each element: the place, the loss, one direction or both."""
    rows = rows_of(database, "SELECT * FROM element_readings WHERE circuit_id = 'CKT1' ORDER BY place_m")
    assert rows["element_id"].tolist() == ["PO", "L1", "PS"]
    assert rows["loss_db"].tolist()[:2] == [0.2, 0.07]
    assert not rows["is_two_way"].any()
    assert set(rows["measured_at"]) == {pd.Timestamp("2030-05-01 10:00")}


def test_a_trace_is_laid_on_the_path_of_its_day(tmp_path: Path) -> None:
    """A trace taken before another cord went in names the cord of that day; one of before any record says so."""
    tables = fleet()
    tables["cables"].append(
        {"cable_id": "K5", "kind": "patch_cord", "fibre_type": "G.652.D", "length_m": "300", "fibre_count": "1"}
    )
    tables["connectors"] += [connector("C5A", "K5", "A"), connector("C5B", "K5", "B")]
    events = [("C1B", "PP", "demate"), ("C1A", "PO", "demate"), ("C5A", "PO", "mate"), ("C5B", "PP", "mate")]
    tables["mating_events"] = [
        {"event_id": f"E{number}", "at": f"2030-05-01T12:0{number}:00Z", "connector_id": name, "port_id": port}
        | {"face": "front", "action": action}
        for number, (name, port, action) in enumerate(events)
    ]
    tables["otdr_events"][0] |= {"distance_m": "5", "kind": "non_reflective"}
    target = loaded(tmp_path, tables)
    path = rows_of(target, "SELECT element_id FROM circuit_paths WHERE circuit_id = 'CKT1'")
    assert "K5" in set(path["element_id"]) and "K1" not in set(path["element_id"])
    assert rows_of(target, "SELECT * FROM element_readings").empty
    _, text = run(target, "budget", "CKT1", "--wavelength", "1310")
    assert "trace R1 of 2030-05-01 10:00: the path was repatched since; laid on the path of that moment" in text
    row = next(line for line in text.splitlines() if " L1 " in line)
    assert "0.07 one way" in row
    assert "begin on 2030-05-01" in run(target, "trace", "CKT1", "--at", "2030-04-01")[1]
    assert "begin on" not in run(target, "trace", "CKT1", "--at", "2030-05-02")[1]


def test_work_lists_mark_unconfirmed_values(database: Path) -> None:
    """What a crew should read is given at the working wavelength; a value that is not confirmed says so."""
    con = open_database(database, read_only=True)
    words = route_queries.expected_readings(con, ["CKT1", "CKT2"]).set_index("circuit_id")["words"]
    con.close()
    assert "dB expected at 1490 nm (not confirmed), 28.0 allowed" in words["CKT1"]
    assert "28.0 allowed (not confirmed)" not in words["CKT1"]


def test_budget_of_one_wavelength(database: Path) -> None:
    """Only the wavelength asked for is shown, the working one is marked; any other is refused with those there are."""
    _, text = run(database, "budget", "CKT1", "--wavelength", "1490")
    assert "CKT1 at 1490 nm, the working wavelength" in text
    assert "1310 nm" not in text
    with pytest.raises(
        ParameterError, match="got 1550 nm, must be one that CKT1 works at or was tested at: 1310, 1490"
    ):
        run(database, "budget", "CKT1", "--wavelength", "1550")


def test_budget_command_fails_on_a_negative_margin(database: Path) -> None:
    """A circuit over its allowance ends with exit code 1."""
    code, text = run(database, "budget", "CKT2")
    assert code == 1
    assert "margin" in text


def test_budget_command_with_own_limits(database: Path, tmp_path: Path) -> None:
    """Own limits change what is printed, not what is stored."""
    own = tmp_path / "own.csv"
    own.write_text("subject,item,value\nconnection,any,0.3\n", encoding="utf-8")
    before = rows_of(database, "SELECT sum(maximum_db) AS total FROM circuit_budget")["total"].iloc[0]
    _, text = run(database, "budget", "CKT1", "--limits", str(own))
    assert "operator's own limits, own.csv" in text
    assert rows_of(database, "SELECT sum(maximum_db) AS total FROM circuit_budget")["total"].iloc[0] == before


def test_own_limits_of_every_analysis(database: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The file that PLANNER_LIMITS names goes into the stored budgets, with its name as their source."""
    own = tmp_path / "policy.toml"
    own.write_text('[[application]]\nname = "GPON-B+"\nmax_loss_db = 26.0\nfibre = "SM"\n', encoding="utf-8")
    copy = tmp_path / "copy.duckdb"
    copy.write_bytes(database.read_bytes())
    monkeypatch.setenv("PLANNER_LIMITS", str(own))
    con = open_database(copy)
    with transaction(con):
        light.run(con, datetime(2030, 6, 1), silent)
    con.close()
    table = rows_of(copy, "SELECT * FROM circuit_budget WHERE circuit_id = 'CKT1' AND wavelength_nm = 1490")
    assert table["allowed_db"].tolist() == [26.0]
    assert "policy.toml" in table["allowed_from"].iloc[0]


def test_unknown_circuit_is_refused(database: Path) -> None:
    """A circuit that is not there is refused with its name."""
    with pytest.raises(TraceError, match="got circuit 'NONE', must be a circuit_id"):
        run(database, "budget", "NONE")


def test_grade_command_names_the_mark_and_the_rule(database: Path) -> None:
    """A failing inspection says which mark breaks which rule, and ends with exit code 1."""
    code, text = run(database, "grade", "I1")
    assert code == 1
    assert "I1: FAIL - end face C1A (SC APC), judged as SM_APC" in text
    assert "no defects over 5 um" in text
    assert "does not clear a connector" in text


def test_grade_command_without_marks(database: Path) -> None:
    """A face seen clean passes; one seen dirty without measured marks is not assessed, never a pass."""
    code, text = run(database, "grade", "I2")
    assert code == 0
    assert "not assessed, no end_face_defects of this inspection; recorded verdict: fail, oil_film" in text
    code, text = run(database, "grade", "I3")
    assert code == 0
    assert text.startswith("I3: pass")


def test_grade_command_with_own_criteria_and_edition(database: Path, tmp_path: Path) -> None:
    """An operator's looser table changes the verdict; the 2009 edition is marked as remembered."""
    own = tmp_path / "own.csv"
    own.write_text(
        "connector_class,zone,inner_um,outer_um,feature,size_from_um,size_to_um,value\n"
        "SM_APC,A,0,25,defect,0,,0\nSM_APC,B,25,115,defect,7,,0\n",
        encoding="utf-8",
    )
    code, text = run(database, "grade", "I1", "--criteria", str(own))
    assert code == 0
    assert "operator's own criteria, own.csv" in text
    code, text = run(database, "grade", "I1", "--edition", "2009")
    assert code == 1
    assert "from memory" in text


def test_unknown_inspection_is_refused(database: Path) -> None:
    """An inspection that is not there is refused with its name."""
    with pytest.raises(ParameterError, match="got inspection 'NONE'"):
        run(database, "grade", "NONE")


def test_stage_says_what_it_could_not_assess() -> None:
    """On an empty database the step writes nothing and names what is missing."""
    con = open_database(":memory:")
    with transaction(con):
        note = light.run(con, datetime(2030, 1, 1), silent)
    assert note == (
        "not assessed: no loss_tests; not assessed: no power_readings; not assessed: no otdr_events; "
        "not assessed: no circuit could be traced"
    )
    with pytest.raises(StoreError, match="no loss budgets"):
        light_queries.light_as_of(con)


def insert_tests(con: duckdb.DuckDBPyConnection, rows: list[tuple[str, str, str, float, int | None]]) -> None:
    """Loss tests of one circuit at 1310 nm: id, time, direction, loss, cords."""
    for name, at, direction, loss, cords in rows:
        con.execute(
            'INSERT INTO loss_tests (test_id, "at", circuit_id, wavelength_nm, direction, loss_db, reference_cords)'
            " VALUES (?, ?, 'C', 1310, ?, ?, ?)",
            [name, at, direction, loss, cords],
        )


def test_first_and_latest_test_average_both_directions() -> None:
    """Tests within a day of the first (or latest) are averaged over directions; later ones than now do not count."""
    con = open_database(":memory:")
    insert_tests(
        con,
        [
            ("1", "2030-01-01 08:00", "a_to_z", 3.0, 1),
            ("2", "2030-01-01 09:00", "z_to_a", 3.4, 1),
            ("3", "2030-03-01 08:00", "a_to_z", 9.0, 1),
            ("4", "2030-06-01 08:00", "a_to_z", 5.0, 3),
            ("5", "2030-06-01 08:30", "a_to_z", 5.2, None),
            ("6", "2031-01-01 08:00", "a_to_z", 99.0, 1),
        ],
    )
    row = light_queries.acceptance_and_latest_tests(con, datetime(2030, 7, 1)).iloc[0]
    assert row["as_built_db"] == pytest.approx(3.2)
    assert row["measured_db"] == pytest.approx(5.2)
    assert row["directions"] == 1
    assert pd.isna(row["reference_cords"])
    assert row["as_built_cords"] == 1
    insert_tests(con, [("7", "2030-06-01 08:40", "z_to_a", 6.0, None), ("8", "2030-06-01 08:20", "z_to_a", 1.0, 3)])
    one_method = light_queries.acceptance_and_latest_tests(con, datetime(2030, 7, 1)).iloc[0]
    assert (one_method["measured_db"], one_method["directions"]) == (pytest.approx(5.6), 2)
    both = light_queries.acceptance_and_latest_tests(con, datetime(2030, 1, 2), "C").iloc[0]
    assert (both["measured_db"], both["directions"]) == (pytest.approx(3.2), 2)
