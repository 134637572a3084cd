"""The commands around the store: what they print, what they write, how they end."""

from __future__ import annotations

import csv
import hashlib
import sys
from pathlib import Path

import duckdb
import pytest
from click.testing import CliRunner
from tiny_fleet import full_fleet, tiny_fleet, write_fleet

from planner.cli import main, planner
from planner.store.database import open_database

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "reference"))

from sor_writer import Event, Trace, sor_bytes


def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    """Exit code, output and errors of one command as a user would see them."""
    monkeypatch.setattr(sys, "argv", ["planner", *words])
    monkeypatch.setenv("COLUMNS", "200")
    with pytest.raises(SystemExit) as ended:
        main()
    told = capsys.readouterr()
    return int(ended.value.code or 0), told.out, told.err


@pytest.fixture
def store(tmp_path: Path) -> str:
    """Path of a store to be."""
    return str(tmp_path / "fleet.duckdb")


def test_load_ends_with_0_1_or_2(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path, store: str
) -> None:
    """All stored: 0. Rows kept out, or refused by --strict: 1. A file that cannot be used: 2 and one line."""
    good = str(write_fleet(tmp_path / "good"))
    fleet = tiny_fleet()
    fleet["sites"].append({"site_id": "S3", "kind": "palace", "latitude": "1", "longitude": "1"})
    bad = str(write_fleet(tmp_path / "bad", fleet))
    code, out, _ = run(monkeypatch, capsys, "load", good, "--db", store)
    assert code == 0
    assert "load 1: 23 new, 0 replaced, 0 already known, 0 kept out" in out
    code, out, _ = run(monkeypatch, capsys, "load", bad, "--db", store, "--strict")
    assert code == 1
    assert "refused: 1 blocking findings; nothing was stored" in out
    findings = tmp_path / "findings.csv"
    code, out, _ = run(monkeypatch, capsys, "load", bad, "--db", store, "--findings", str(findings))
    assert code == 1
    assert "sites.csv line 4: 'palace'" in out
    with findings.open(newline="") as file:
        assert [(row["line"], row["column_name"], row["value"]) for row in csv.DictReader(file)] == [
            ("4", "kind", "palace")
        ]
    code, out, _ = run(monkeypatch, capsys, "load", good, "--db", store)
    assert (code, out.splitlines()[-1]) == (0, "every file was loaded before; nothing changed")
    code, out, err = run(monkeypatch, capsys, "load", str(tmp_path / "nowhere"), "--db", store)
    assert code == 2
    assert err.strip().splitlines()[-1].endswith("there is no such file or folder")
    assert "Traceback" not in err


def test_a_file_of_any_name_can_be_given_its_table(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path, store: str
) -> None:
    """A filled results sheet comes back by the same door: --table says what it is."""
    run(monkeypatch, capsys, "load", str(write_fleet(tmp_path / "fleet")), "--db", store)
    sheet = tmp_path / "monday crew 3.csv"
    sheet.write_text("inspection_id,at,connector_id,result\nI9,2030-05-01T09:00:00Z,C2,pass\n")
    code, _, err = run(monkeypatch, capsys, "load", str(sheet), "--db", store)
    assert code == 2
    assert "belongs to no table" in err
    code, out, _ = run(monkeypatch, capsys, "load", str(sheet), "--db", store, "--table", "inspections")
    assert code == 0
    assert "1 new" in out


def test_traces_become_events(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path, store: str
) -> None:
    """Reflectometer files are loaded as otdr_events of the circuit that is named."""
    run(monkeypatch, capsys, "load", str(write_fleet(tmp_path / "fleet")), "--db", store)
    events = [Event(0.0, 0.21, -47.3, "1F"), Event(1234.5, -0.12), Event(5000.0, 0.0, -14.7, "1E")]
    for name in ("one.sor", "two.sor"):
        (tmp_path / name).write_bytes(sor_bytes(Trace(events)))
    one = str(tmp_path / "one.sor")
    code, _, _ = run(monkeypatch, capsys, "load", one, "--db", store)
    assert code == 1  # the trace names a circuit nobody knows
    code, out, _ = run(monkeypatch, capsys, "load", one, "--db", store, "--circuit", "X1", "--direction", "z_to_a")
    assert code == 0, out
    index = tmp_path / "index.csv"
    index.write_text("file,circuit_id,direction\ntwo.sor,X2,a_to_z\n")
    code, _, _ = run(monkeypatch, capsys, "load", str(tmp_path / "two.sor"), "--db", store, "--trace-index", str(index))
    assert code == 0
    con = open_database(store, read_only=True)
    found = con.execute(
        "SELECT circuit_id, direction, count(*), min(loss_db) FROM otdr_events GROUP BY ALL ORDER BY 1"
    ).fetchall()
    kept = con.execute("SELECT file_name, sha256, load_id FROM trace_files ORDER BY load_id").fetchall()
    con.close()
    assert found == [("X1", "z_to_a", 3, -0.12), ("X2", "a_to_z", 3, -0.12)]
    raw = hashlib.sha256((tmp_path / "one.sor").read_bytes()).hexdigest()
    assert [(name, sha) for name, sha, _ in kept] == [("one.sor", raw), ("two.sor", raw)]


def test_status_says_what_is_there_and_what_is_not(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path, store: str
) -> None:
    """Rows per table, absent tables, loads, findings and freshness."""
    code, _, err = run(monkeypatch, capsys, "status", "--db", store)
    assert code == 2
    assert "planner load FOLDER" in err
    run(monkeypatch, capsys, "load", str(write_fleet(tmp_path / "fleet")), "--db", store)
    code, out, _ = run(monkeypatch, capsys, "status", "--db", store)
    assert code == 0
    assert "no rows: splices, splitter_legs, mating_events" in out
    assert "results: not made yet" in out


def test_export_and_backup_write_files(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path, store: str
) -> None:
    """A table goes to a file of the format named by its suffix; a backup opens by itself."""
    run(monkeypatch, capsys, "load", str(write_fleet(tmp_path / "fleet", full_fleet())), "--db", store)
    out = tmp_path / "sites.parquet"
    code, told, _ = run(monkeypatch, capsys, "export", "sites", "--db", store, "--out", str(out))
    assert (code, told.splitlines()[0][:16]) == (0, "3 rows of sites ")
    con = duckdb.connect()
    assert con.execute("SELECT count(*) FROM read_parquet(?)", [str(out)]).fetchone() == (3,)
    con.close()
    code, _, err = run(monkeypatch, capsys, "export", "site", "--db", store, "--out", str(out))
    assert code == 2
    assert "there is no table 'site'" in err
    copy = tmp_path / "copy.duckdb"
    code, _, _ = run(monkeypatch, capsys, "backup", str(copy), "--db", store)
    assert code == 0
    con = open_database(copy, read_only=True)
    assert con.execute("SELECT count(*) FROM sites").fetchone() == (3,)
    con.close()


def test_templates_are_written(tmp_path: Path) -> None:
    """`planner templates` fills the folder."""
    done = CliRunner().invoke(planner, ["templates", str(tmp_path / "out")], standalone_mode=False)
    assert done.return_value == 0
    assert (tmp_path / "out" / "fleet_template.xlsx").exists()
    assert (tmp_path / "out" / "power_readings.csv").read_text() == "at,port_id,tx_dbm,rx_dbm,pre_fec_ber\n"
