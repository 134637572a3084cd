"""Loads: all or nothing, twice is once, corrections replace and are remembered, everything is accounted for."""

from __future__ import annotations

import gzip
import json
import shutil
import zipfile
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path

import duckdb
import pandas as pd
import pytest
from tiny_fleet import Rows, full_fleet, tiny_fleet, write_csv, write_fleet

from planner.errors import Cancelled, InputError
from planner.store.database import open_database
from planner.store.exporting import write_query
from planner.store.loading import LoadReport, load_sources, loading_order
from planner.tables.catalogue import INTAKE_TABLES, TABLES

NOW = datetime(2031, 1, 1)


@pytest.fixture
def con(tmp_path: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """An empty store."""
    connection = open_database(tmp_path / "fleet.duckdb")
    yield connection
    connection.close()


def load(con: duckdb.DuckDBPyConnection, *paths: Path, strict: bool = False, mapping: Path | None = None) -> LoadReport:
    """Load the paths."""
    return load_sources(con, paths, mapping=mapping, strict=strict, loaded_at=NOW)


def contents(con: duckdb.DuckDBPyConnection, but: tuple[str, ...] = ()) -> dict[str, list[tuple[object, ...]]]:
    """Every row of every table, in an order of its own."""
    return {
        name: sorted(con.execute(f'SELECT * FROM "{name}"').fetchall(), key=repr) for name in TABLES if name not in but
    }


def write_faulty(folder: Path) -> Path:
    """The tiny fleet with one bad reading."""
    fleet = tiny_fleet()
    fleet["power_readings"].append({"at": "2030-05-01T00:00:00Z", "port_id": "P1", "rx_dbm": "8,5 "})
    return write_fleet(folder, fleet)


def test_every_table_comes_after_those_it_refers_to() -> None:
    """Parents are loaded before children, whatever the order of the declarations."""
    order = loading_order()
    assert sorted(order) == sorted(table.name for table in INTAKE_TABLES)
    for table in INTAKE_TABLES:
        for column in table.columns:
            parent = column.references.partition(".")[0]
            if parent and parent != table.name:
                assert order.index(parent) < order.index(table.name)


def test_values_arrive_typed(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """Text becomes numbers, times in UTC, booleans and days; empty becomes unknown."""
    load(con, write_fleet(tmp_path / "fleet", full_fleet()))
    event = con.execute('SELECT "at", inspected_first, cleaned_first, _load FROM mating_events').fetchone()
    assert event == (datetime(2030, 3, 1), True, False, 1)
    assert con.execute("SELECT length_m, installed_on, batch FROM cables WHERE cable_id = 'K1'").fetchone() == (
        12.5,
        datetime(2030, 2, 28).date(),
        None,
    )
    assert con.execute("SELECT pre_fec_ber FROM power_readings ORDER BY pre_fec_ber LIMIT 1").fetchone() == (1.5e-9,)


def test_offsets_are_turned_into_utc(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """A time with an offset is stored as the same moment in UTC."""
    fleet = tiny_fleet()
    fleet["inspections"][0]["at"] = "2030-04-01T01:30:00.25+02:00"
    load(con, write_fleet(tmp_path / "fleet", fleet))
    assert con.execute('SELECT "at" FROM inspections').fetchone() == (datetime(2030, 3, 31, 23, 30, 0, 250000),)


def test_times_without_zone_are_utc_with_one_warning(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """A column of times without zone is read as UTC, with one warning for the column."""
    fleet = tiny_fleet()
    for row in fleet["power_readings"]:
        row["at"] = row["at"].removesuffix("Z")
    report = load(con, write_fleet(tmp_path / "fleet", fleet))
    assert report.blocking == 0
    assert report.by_code[["code", "column_name", "example_line", "example_value"]].values.tolist() == [
        ["no-time-zone", "at", 2, "2030-04-01T00:00:00"]
    ]
    consequence = con.execute("SELECT consequence FROM findings").fetchall()
    assert consequence == [("read as UTC; declare timezone in mapping.toml if they are not (6 rows)",)]
    assert con.execute('SELECT min("at"), min(_load), count(*) FROM power_readings').fetchone() == (
        datetime(2030, 4, 1),
        1,
        6,
    )


def test_blanks_around_ids_are_removed_with_one_warning(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """A padded key, reference or plain id means the id without blanks; blanks alone mean nothing at all."""
    fleet = full_fleet()
    fleet["technicians"] = [
        {"technician_id": "W0", "crew_id": "V1"},
        {"technician_id": "  W1 ", "crew_id": "V1"},
        {"technician_id": "W2", "crew_id": "\u00a0V1"},
        {"technician_id": " W3", "crew_id": " "},
        {"technician_id": "   ", "crew_id": "V1"},
    ]
    fleet["sites"][0]["access_note"] = " ring "
    report = load(con, write_fleet(tmp_path / "fleet", fleet))
    found = con.execute(
        'SELECT code, line, column_name, "value", "rule", consequence FROM findings ORDER BY line, column_name DESC'
    ).fetchall()
    rule = "must have no blanks around it; remove them in the source"
    assert found == [
        ("blanks-trimmed", 3, "technician_id", "  W1 ", rule, "blanks removed (3 rows)"),
        ("blanks-trimmed", 4, "crew_id", "\u00a0V1", rule, "blanks removed (2 rows)"),
        ("missing-value", 6, "technician_id", "   ", "is required", "row kept out, its text kept in quarantine"),
    ]
    assert con.execute("SELECT technician_id, crew_id, _load FROM technicians ORDER BY 1").fetchall() == [
        ("W0", "V1", 1),
        ("W1", "V1", 1),
        ("W2", "V1", 1),
        ("W3", None, 1),
    ]
    assert con.execute("SELECT access_note FROM sites WHERE site_id = 'S1'").fetchone() == (" ring ",)
    assert report.blocking == 1


@pytest.mark.parametrize("suffix", [".csv", ".xlsx"])
def test_an_export_loads_as_it_was(con: duckdb.DuckDBPyConnection, tmp_path: Path, suffix: str) -> None:
    """The quote that an export puts before what looks like a formula is taken off again."""
    fleet = tiny_fleet()
    fleet["sites"][0] |= {"site_id": "-S1", "name": "=One", "access_note": "@ the gate", "region": "'north'"}
    fleet["sites"][1]["name"] = "+Two"
    fleet["housings"][0]["site_id"] = "-S1"
    load(con, write_fleet(tmp_path / "fleet", fleet))
    before = con.execute("SELECT * FROM sites").fetchall()
    path = tmp_path / f"sites{suffix}"
    write_query(con, "SELECT * EXCLUDE (_load) FROM sites", path, title="sites")
    report = load(con, path)
    assert (report.total("rows_same"), report.total("rows_new"), report.findings) == (2, 0, 0)
    assert con.execute("SELECT * FROM sites").fetchall() == before


@pytest.mark.parametrize("form", ["csv", "xlsx"])
def test_rows_of_a_result_sheet_not_filled_in_are_work_not_done(
    con: duckdb.DuckDBPyConnection, tmp_path: Path, form: str
) -> None:
    """One warning counts them; a half-filled row is a fault at its own line, a full one is loaded."""
    load(con, write_fleet(tmp_path / "fleet", full_fleet()))
    base = {"connector_id": "C1", "stage": "before_cleaning", "work_order_id": "plan-1"}
    looks = [
        {"inspection_id": "R1", "at": "", "result": "", "finding": "", **base},
        {"inspection_id": "R2", "at": "2031-01-02T09:00:00Z", "result": "pass", **base},
        {"inspection_id": "R3", "at": " ", "result": "", **base},
        {"inspection_id": "R4", "at": "", "result": "fail", **base},
        {"inspection_id": "R5", "at": "2031-01-02T09:30:00Z", "result": "", **base},
    ]
    cleanings = [{"cleaning_id": "R1-clean", "at": "", "connector_id": "C1", "method": "dry_pen"}]
    sheets = {"results_inspections": looks, "results_cleanings": cleanings}
    if form == "csv":
        paths = [write_csv(tmp_path / f"{name}.csv", rows) for name, rows in sheets.items()]
    else:
        paths = [tmp_path / "crew.xlsx"]
        with pd.ExcelWriter(paths[0]) as book:
            for name, rows in sheets.items():
                pd.DataFrame(rows).to_excel(book, sheet_name=name, index=False)
    report = load(con, *paths)
    found = con.execute(
        "SELECT table_name, code, line, consequence FROM findings WHERE load_id = 2 ORDER BY table_name, line"
    ).fetchall()
    kept_out = "row kept out, its text kept in quarantine"
    assert found == [
        ("cleanings", "not-filled-in", 2, "taken as not done (1 row)"),
        ("inspections", "not-filled-in", 2, "taken as not done (2 rows)"),
        ("inspections", "missing-value", 5, kept_out),
        ("inspections", "missing-value", 6, kept_out),
    ]
    assert (report.total("rows_read"), report.total("rows_new"), report.total("rows_kept_out")) == (3, 1, 2)
    assert con.execute("SELECT inspection_id FROM inspections ORDER BY 1").fetchall() == [("I1",), ("R2",)]


def test_rows_without_a_time_are_faults_in_other_files(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """Only a sheet handed out by a plan may hold rows that nobody filled in."""
    load(con, write_fleet(tmp_path / "fleet", full_fleet()))
    rows = [{"inspection_id": "R1", "at": "", "connector_id": "C1", "result": ""}]
    report = load(con, write_csv(tmp_path / "inspections.csv", rows))
    assert report.by_code["code"].tolist() == ["missing-value", "missing-value"]


def test_loading_twice_changes_nothing(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """Files known by their content are passed over, and no load is noted."""
    folder = write_fleet(tmp_path / "fleet", full_fleet())
    load(con, folder)
    before = contents(con)
    report = load(con, folder)
    assert report.load_id is None
    assert all(file.skipped for file in report.files)
    assert contents(con) == before


def test_the_same_rows_in_another_file_change_nothing_but_the_ledger(
    con: duckdb.DuckDBPyConnection, tmp_path: Path
) -> None:
    """Rows are known by key: the same content written in another way is all 'same'."""
    load(con, write_fleet(tmp_path / "one", full_fleet()))
    before = contents(con, ("loads", "load_files"))
    report = load(con, write_fleet(tmp_path / "two", full_fleet(), lineterminator="\r\n", delimiter=";"))
    assert (report.total("rows_new"), report.total("rows_replaced")) == (0, 0)
    assert report.total("rows_same") == report.total("rows_read") > 0
    assert contents(con, ("loads", "load_files")) == before


def test_a_corrected_row_replaces_and_the_old_one_is_kept(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """A row with a known key replaces the stored one; the history holds the old version as JSON."""
    load(con, write_fleet(tmp_path / "one"))
    fleet = tiny_fleet()
    fleet["cables"][0]["length_m"] = "13"
    report = load(con, write_csv(tmp_path / "cables.csv", fleet["cables"]))
    assert (report.total("rows_new"), report.total("rows_replaced"), report.total("rows_same")) == (0, 1, 0)
    assert con.execute("SELECT length_m, _load FROM cables").fetchall() == [(13.0, 2)]
    history = con.execute("SELECT load_id, from_load_id, table_name, row_key, old_row FROM row_history").fetchall()
    assert [row[:4] for row in history] == [(2, 1, "cables", "K1")]
    assert json.loads(history[0][4])["length_m"] == 12.5


def test_the_first_version_comes_back_when_it_is_loaded_again(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """A folder, a correction and the folder again end with the folder's rows; once more changes nothing."""
    folder = write_fleet(tmp_path / "one", full_fleet())
    load(con, folder)
    crews = full_fleet()["crews"]
    corrected = write_csv(tmp_path / "crews.csv", [{**crews[0], "cost_per_hour": "95"}])
    load(con, corrected)
    report = load(con, folder)
    assert [(file.table_name, file.rows_replaced) for file in report.files if not file.skipped] == [("crews", 1)]
    assert con.execute("SELECT cost_per_hour FROM crews").fetchall() == [(80.0,)]
    assert load(con, folder).load_id is None
    assert load(con, corrected).total("rows_replaced") == 1
    assert con.execute("SELECT cost_per_hour FROM crews").fetchall() == [(95.0,)]


def test_a_column_the_file_does_not_have_stays_as_it_was(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """A correction may bring only some columns; the others keep their values."""
    load(con, write_fleet(tmp_path / "one"))
    rows = [{"cable_id": "K1", "kind": "patch_cord", "fibre_type": "OS2", "length_m": "14", "fibre_count": "1"}]
    load(con, write_csv(tmp_path / "cables.csv", rows))
    assert con.execute("SELECT length_m, installed_on FROM cables").fetchall() == [(14.0, datetime(2030, 2, 28).date())]


def test_readings_are_compared_only_in_the_time_they_cover(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """A delivery that overlaps the stored one adds what is new and corrects what differs."""
    load(con, write_fleet(tmp_path / "one"))
    rows: Rows = [
        {"at": "2030-04-03T00:00:00Z", "port_id": "P1", "tx_dbm": "-1.5", "rx_dbm": "-8.3"},
        {"at": "2030-04-03T00:00:00Z", "port_id": "P2", "tx_dbm": "-1.5", "rx_dbm": "-9.9"},
        {"at": "2030-04-04T00:00:00Z", "port_id": "P2", "tx_dbm": "-1.5", "rx_dbm": "-8.4"},
    ]
    report = load(con, write_csv(tmp_path / "power_readings.csv", rows))
    assert [report.total(what) for what in ("rows_same", "rows_replaced", "rows_new")] == [1, 1, 1]
    assert con.execute("SELECT count(*), min(rx_dbm) FROM power_readings").fetchone() == (7, -9.9)
    assert con.execute("SELECT row_key FROM row_history").fetchall() == [("P2|2030-04-03 00:00:00",)]


def test_rows_without_a_key_are_known_whole(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """A mark on an end face that is already stored in every column is not stored again."""
    load(con, write_fleet(tmp_path / "one", full_fleet()))
    marks = full_fleet()["end_face_defects"]
    marks += [{**marks[0], "x_um": "4"}, {**marks[0], "x_um": "4"}, {**marks[0], "length_um": ""}]
    report = load(con, write_csv(tmp_path / "end_face_defects.csv", marks))
    assert (report.total("rows_new"), report.total("rows_same")) == (2, 2)
    assert report.by_code["code"].tolist() == ["repeated-row"]
    assert con.execute("SELECT count(*) FROM end_face_defects").fetchone() == (3,)


def test_repeats_collapse_and_contradictions_are_kept_out(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """Of rows with one key in one file the first counts; equal ones are a warning, others are kept out."""
    fleet = tiny_fleet()
    first = fleet["power_readings"][0]
    fleet["power_readings"] += [dict(first), {**first, "rx_dbm": "-30"}]
    report = load(con, write_fleet(tmp_path / "one", fleet))
    assert con.execute("SELECT code, line, severity FROM findings ORDER BY line").fetchall() == [
        ("repeated-row", 8, "warning"),
        ("duplicate-key", 9, "blocking"),
    ]
    assert con.execute("SELECT count(*), min(rx_dbm) FROM power_readings").fetchone() == (6, -8.3)
    readings = next(file for file in report.files if file.table_name == "power_readings")
    assert (readings.rows_new, readings.rows_same, readings.rows_kept_out) == (6, 1, 1)


def test_every_row_read_is_accounted_for(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """Read = new + replaced + same + kept out, per file and in the ledger."""
    load(con, write_faulty(tmp_path / "one"))
    fleet = tiny_fleet()
    fleet["power_readings"][0]["rx_dbm"] = "-7"
    fleet["power_readings"].append({"at": "never", "port_id": "P1"})
    fleet["power_readings"].append(dict(fleet["power_readings"][1]))
    load(con, write_fleet(tmp_path / "two", fleet))
    for table in ("loads", "load_files"):
        wrong = con.execute(
            f"SELECT * FROM {table} WHERE rows_read <> rows_new + rows_replaced + rows_same + rows_kept_out"
        ).fetchall()
        assert wrong == []


def test_a_file_with_rows_kept_out_is_looked_at_again(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """Rows that lacked a parent come in when the same file is loaded after the parent."""
    fleet = tiny_fleet()
    load(con, write_fleet(tmp_path / "one", fleet))
    housings = write_csv(
        tmp_path / "housings.csv", [*fleet["housings"], {"housing_id": "H7", "site_id": "S7", "kind": "panel"}]
    )
    assert load(con, housings).total("rows_kept_out") == 1
    site = {"site_id": "S7", "kind": "hut", "latitude": "1", "longitude": "1"}
    load(con, write_csv(tmp_path / "sites.csv", [site]))
    assert load(con, housings).total("rows_new") == 1


def test_a_strict_load_with_a_fault_stores_nothing(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """Strict refuses the whole load, tells the findings and leaves the store as it was."""
    before = contents(con)
    report = load_sources(
        con,
        [write_faulty(tmp_path / "one")],
        mapping=None,
        strict=True,
        loaded_at=NOW,
        findings_file=tmp_path / "findings.csv",
    )
    assert report.refused
    assert report.load_id is None
    assert report.blocking == 1
    assert contents(con) == before
    assert pd.read_csv(tmp_path / "findings.csv")[["code", "line", "value"]].values.tolist() == [
        ["not-a-number", 8, "8,5 "]
    ]


def test_a_first_load_without_a_required_table_is_refused(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """A fleet needs its required tables, in the store or in the load."""
    fleet = tiny_fleet()
    del fleet["circuits"]
    before = contents(con)
    with pytest.raises(InputError, match="no row of circuits"):
        load(con, write_fleet(tmp_path / "one", fleet))
    assert contents(con) == before
    load(con, write_fleet(tmp_path / "two"))
    load(con, write_csv(tmp_path / "sites.csv", [{**fleet["sites"][0], "name": "renamed"}]))


def test_optional_tables_may_be_absent(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """The required tables alone make a fleet."""
    fleet = {name: rows for name, rows in tiny_fleet().items() if TABLES[name].required}
    report = load(con, write_fleet(tmp_path / "one", fleet))
    assert report.findings == 0


def test_a_stopped_load_leaves_the_store_as_it_was(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """Stopping from the progress callback undoes the tables already written."""
    before = contents(con)

    def stop(share: float, doing: str) -> None:
        if "circuits" in doing:
            raise Cancelled("stopped by the user")

    with pytest.raises(Cancelled):
        load_sources(con, [write_fleet(tmp_path / "one")], mapping=None, strict=False, loaded_at=NOW, progress=stop)
    assert contents(con) == before
    assert load(con, tmp_path / "one").load_id == 1


def test_ports_may_swap_their_connectors_in_one_load(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """A rule of uniqueness is judged on the state after the load."""
    load(con, write_fleet(tmp_path / "one"))
    swapped = [
        {"connector_id": "C1", "port_id": "P2", "face": "front"},
        {"connector_id": "C2", "port_id": "P1", "face": "front"},
    ]
    assert load(con, write_csv(tmp_path / "patching.csv", swapped)).blocking == 0
    taken = [{"connector_id": "C1", "port_id": "P1", "face": "front"}]
    report = load(con, write_csv(tmp_path / "patching.csv", taken))
    assert report.by_code["code"].tolist() == ["one-connector-per-port-face"]


def test_unknown_columns_are_kept_out_and_said_once(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """An extra column is one warning, not one per row."""
    fleet = tiny_fleet()
    for row in fleet["ports"]:
        row["colour"] = "blue"
    report = load(con, write_fleet(tmp_path / "one", fleet))
    assert report.by_code[["code", "severity", "column_name", "findings"]].values.tolist() == [
        ["unknown-column", "warning", "colour", 1]
    ]


def test_lines_count_blank_lines_and_quoted_line_breaks(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """The line of a finding is the line an editor shows, whatever stands above it."""
    folder = write_fleet(tmp_path / "one")
    (folder / "sites.csv").write_text(
        'site_id,kind,latitude,longitude,access_note\n\nS1,hut,1,1,"two\nlines"\n\n'
        'S2,hut,1,1,"three\r\nmore\n\nlines ""quoted"""\nS3,palace,1,1,\n',
        newline="",
    )
    load(con, folder)
    assert con.execute("SELECT line, code FROM findings WHERE table_name = 'sites'").fetchall() == [(10, "not-allowed")]
    assert con.execute("SELECT access_note FROM sites ORDER BY site_id").fetchall() == [
        ("two\nlines",),
        ('three\r\nmore\n\nlines "quoted"',),
    ]


def test_broken_records_are_set_apart_with_their_text(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """A record that is no row costs that record alone, and its text is kept."""
    folder = write_fleet(tmp_path / "one")
    with (folder / "sites.csv").open("ab") as file:
        file.write(b'S3,hut\n"S4,hut,1,1,open quote\nS5,hut,1,1,"x"y\nS6,hut,1,1,caf\xe9 \xc3\xa9\nS7,hut,1,1,seven\n')
    report = load(con, folder)
    assert con.execute("SELECT line, code FROM findings ORDER BY line").fetchall() == [
        (4, "column-count"),
        (5, "broken-quote"),
        (6, "broken-quote"),
        (7, "not-utf-8"),
    ]
    kept = con.execute("SELECT line, raw_row FROM quarantine ORDER BY line").fetchall()
    assert kept[0] == (4, "S3,hut")
    assert kept[3] == (7, "S6,hut,1,1,caf\\xe9 é")
    assert con.execute("SELECT site_id FROM sites ORDER BY site_id").fetchall() == [("S1",), ("S2",), ("S7",)]
    assert report.total("rows_kept_out") == 4


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "the file is empty"),
        ("\n\n", "the file is empty"),
        ("S1,hut,50,8\nS2,hut,51,9\n", "no header row"),
        ("site_id,kind,latitude,longitude,Kind\nS1,hut,1,1,hut\n", "stands twice"),
        ("site_id,kind,latitude\nS1,hut,1\n", "required column longitude"),
    ],
)
def test_a_file_that_cannot_be_its_table_refuses_the_load(
    con: duckdb.DuckDBPyConnection, tmp_path: Path, text: str, message: str
) -> None:
    """An empty file, a missing or doubled header, a missing required column: nothing is loaded."""
    folder = write_fleet(tmp_path / "one")
    (folder / "sites.csv").write_text(text)
    with pytest.raises(InputError, match=message):
        load(con, folder)
    assert con.execute("SELECT count(*) FROM ports").fetchone() == (0,)


def test_all_unusable_files_are_named_at_once(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """One message lists everything that must be put right."""
    folder = write_fleet(tmp_path / "one")
    (folder / "sites.csv").write_text("")
    (folder / "ports.csv").write_text("")
    with pytest.raises(InputError, match=r"sites\.csv.*; ports\.csv"):
        load(con, folder)


def test_a_header_without_rows_is_a_warning(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """A table without rows is said, and loads nothing."""
    folder = write_fleet(tmp_path / "one")
    (folder / "cleanings.csv").write_text("cleaning_id,at,connector_id,method\n")
    report = load(con, folder)
    assert report.by_code[["code", "severity"]].values.tolist() == [["header-only", "warning"]]


@pytest.mark.parametrize("form", ["gz", "zip", "zip_of_folder", "parquet", "package", "files"])
def test_every_form_of_delivery_gives_the_same_store(con: duckdb.DuckDBPyConnection, tmp_path: Path, form: str) -> None:
    """Packed, typed or described, the same fleet is the same fleet."""
    plain = write_fleet(tmp_path / "plain", full_fleet())
    load(con, plain)
    other = open_database(tmp_path / "other.duckdb")
    load(other, *_delivered(form, plain, tmp_path / "delivered"))
    ledger = ("loads", "load_files")
    assert contents(other, ledger) == contents(con, ledger)
    other.close()


def _delivered(form: str, plain: Path, target: Path) -> list[Path]:
    files = sorted(plain.iterdir())
    target.mkdir()
    if form == "files":
        return files
    if form in ("zip", "zip_of_folder"):
        path = target / "fleet.zip"
        with zipfile.ZipFile(path, "w") as archive:
            for file in files:
                archive.write(file, f"export/{file.name}" if form == "zip_of_folder" else file.name)
        return [path]
    for file in files:
        if form == "gz":
            with gzip.open(target / f"{file.name}.gz", "wb") as packed:
                packed.write(file.read_bytes())
        elif form == "parquet":
            duckdb.sql(f"SELECT * FROM read_csv('{file}')").write_parquet(str(target / f"{file.stem}.parquet"))
        else:
            shutil.copy(file, target / f"data-{file.name}.txt")
    if form == "package":
        resources = [{"name": file.stem, "path": f"data-{file.name}.txt"} for file in files]
        (target / "datapackage.json").write_text(json.dumps({"resources": resources}))
    return [target]


def test_a_damaged_archive_refuses_the_load(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """Half a gzip file is not read as if it were the whole."""
    folder = write_fleet(tmp_path / "one")
    packed = gzip.compress((folder / "sites.csv").read_bytes())
    (folder / "sites.csv").unlink()
    (folder / "sites.csv.gz").write_bytes(packed[:-10])
    with pytest.raises(InputError, match="not a complete gzip file"):
        load(con, folder)


def test_an_archive_cannot_write_outside_its_folder(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """A member with a path that leads out refuses the archive."""
    with zipfile.ZipFile(tmp_path / "bad.zip", "w") as archive:
        archive.writestr("../sites.csv", "site_id\n")
    with pytest.raises(InputError, match="leads out of the archive"):
        load(con, tmp_path / "bad.zip")


def test_a_mapped_file_that_was_not_handed_in_is_said(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """A mapping that names a file for a table that nothing fills gives one warning with both names."""
    mapping = tmp_path / "mapping.toml"
    mapping.write_text('[tables.splices]\nsource = "Spleisse.csv"\n[tables.sites]\nsource = "sites.csv"\n')
    load(con, write_fleet(tmp_path / "fleet"), mapping=mapping)
    found = con.execute("SELECT file_name, table_name, severity FROM findings WHERE code = 'mapped-file-missing'")
    assert found.fetchall() == [("Spleisse.csv", "splices", "warning")]


def test_the_ledger_says_how_each_file_was_read(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """Encoding, delimiter, decimal sign and line ends are on record, and what was found out is marked."""
    folder = write_fleet(tmp_path / "one")
    fleet = tiny_fleet()
    for row in fleet["cables"]:
        row["length_m"] = row["length_m"].replace(".", ",")
        row["batch"] = "Größe"
    write_csv(folder / "cables.csv", fleet["cables"], encoding="cp1252", delimiter=";", lineterminator="\r\n")
    report = load(con, folder)
    assert con.execute("SELECT read_as FROM load_files WHERE table_name = 'cables'").fetchone() == (
        "cp1252 (found out), semicolon (found out), decimal comma (found out), CRLF",
    )
    assert report.by_code["code"].tolist() == ["encoding-guessed"]
    assert con.execute("SELECT length_m, batch FROM cables").fetchone() == (12.5, "Größe")


def test_a_table_may_come_in_parts(con: duckdb.DuckDBPyConnection, tmp_path: Path) -> None:
    """Files named after their table with a number or date are parts of it."""
    folder = write_fleet(tmp_path / "one")
    rows = tiny_fleet()["power_readings"]
    (folder / "power_readings.csv").unlink()
    write_csv(folder / "power_readings_2030-04-01.csv", rows[:2])
    write_csv(folder / "power_readings-2.csv", rows[2:])
    load(con, folder)
    assert con.execute("SELECT count(*) FROM power_readings").fetchone() == (6,)
