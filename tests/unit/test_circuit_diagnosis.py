"""The pieces of circuit diagnosis, and the command that shows it."""

from __future__ import annotations

import shutil
from datetime import timedelta
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from truth.fault_fleet import build, insert

from planner.commands.diagnose import diagnose as command
from planner.errors import InputError, TraceError
from planner.health.absolute_levels import Levels, weigh_levels
from planner.health.change_evidence import size_estimate, template_statistics
from planner.health.change_points import segment_series
from planner.health.circuit_cases import CircuitSeries, list_cases, moved_since, weigh_cases
from planner.health.daily_series import quantisation_sd
from planner.health.diagnosis_evidence import by_source
from planner.health.diagnosis_report import next_test
from planner.health.face_looks import looks_by_face
from planner.health.fault_laws import (
    CODE,
    PATH_CAUSES,
    SIZES_DB,
    bend_ratio,
    shape_law,
    size_law,
)
from planner.health.hypotheses import NOTHING, list_hypotheses
from planner.health.order_causes import corrected_shares
from planner.health.shared_elements import sharing_circuits
from planner.health.shared_onsets import Onsets, weigh_together
from planner.health.touches import touches_by_joint
from planner.pipeline import STEPS, bring_up_to_date, settings_of
from planner.progress import silent
from planner.stages import diagnose, drift
from planner.store.database import open_database, transaction
from planner.store.diagnosis_queries import joint_touches, written_diagnosis
from planner.store.stage_ledger import record_run

NO_BELIEFS = pd.DataFrame({"connector_id": pd.Series(dtype=object), "p_contaminated": [], "p_damaged": []})


def test_laws_are_probabilities() -> None:
    """Sizes and shapes of every cause sum to 1; faults begin where they are worth naming."""
    for cause in (*PATH_CAUSES, "transceiver"):
        assert size_law(cause).sum() == pytest.approx(1.0)
        assert shape_law(cause).sum() == pytest.approx(1.0)
    assert size_law("contamination")[SIZES_DB < 0.12].sum() == 0
    assert size_law("nothing")[SIZES_DB > 0.18].sum() == 0
    # light that is gone altogether is a break's, not dirt's: 37 dB were called dirt once
    assert (
        size_law("contamination")[SIZES_DB > 30.0].sum() < 1e-4 < 0.1 < size_law("fibre_break")[SIZES_DB > 30.0].sum()
    )


def test_a_bend_costs_more_at_the_longer_wavelength() -> None:
    """From 1310 to 1550 nm the loss of a bend grows several times over; at one wavelength it is itself."""
    ratio = bend_ratio(np.array([1310.0, 1550.0, 1625.0]), np.array(1550.0), 0.008)
    assert ratio[0] < 0.2 and ratio[1] == pytest.approx(1.0) and ratio[2] > 1.5


def test_wrong_close_codes_are_corrected() -> None:
    """Where every code is right four times in five, ninety of one and ten of others are nearly all that one."""
    counts = pd.DataFrame({"cause_found": ["contamination", "bend", "no_fault_found"], "orders": [90, 10, 50]})
    shares = corrected_shares(counts)
    assert shares["contamination"] > 0.9 * sum(shares.values())
    assert sum(shares.values()) == pytest.approx(50.0)
    assert corrected_shares(pd.DataFrame({"cause_found": ["other"], "orders": [3]})) == {}


def two_circuits() -> tuple[pd.DataFrame, pd.DataFrame]:
    """Circuits C and D with a face each and one cable for both.

    C: X | CAB      D: Y | CAB
    """
    circuits = pd.DataFrame({"circuit_id": ["C", "D"], "a_port_id": ["A1", "A2"], "z_port_id": ["Z1", "Z2"]})
    elements = pd.DataFrame(
        {
            "circuit_id": ["C", "C", "D", "D"],
            "position": [1, 2, 1, 2],
            "element_kind": ["connector", "cable", "connector", "cable"],
            "element_id": ["X", "CAB", "Y", "CAB"],
            "port_id": ["P1", None, "P2", None],
            "cable_kind": [None, "trunk", None, "trunk"],
            "fibre_count": [1, 12, 1, 12],
        }
    )
    return circuits, elements


def test_every_element_of_a_path_has_its_hypotheses() -> None:
    """Faces can be dirty or damaged, cables bent or broken, ports at fault; nothing is always possible."""
    circuits, elements = two_circuits()
    touches = pd.Series([2], index=["P1"])
    found = list_hypotheses(circuits, elements, NO_BELIEFS, pd.Index([]), touches)
    own = found.circuit == 0
    named = set(zip(found.cause[own].tolist(), found.names[found.element[own]], strict=True))
    for cause, element in (("contamination", "X"), ("damaged_end_face", "X"), ("bend", "CAB"), ("fibre_break", "CAB")):
        assert (CODE[cause], element) in named
    assert (CODE["transceiver"], "A1") in named and (CODE["transceiver"], "Z1") in named
    assert (CODE["remating_offset"], "X") in named
    assert (CODE["remating_offset"], "Y") not in set(zip(found.cause, found.names[found.element], strict=True))
    assert (found.family == NOTHING).sum() == 2


def test_a_suspect_face_begins_with_better_odds() -> None:
    """What is believed of an end face multiplies its odds; a circuit without a path doubts its record."""
    circuits, elements = two_circuits()
    beliefs = pd.DataFrame({"connector_id": ["X", "Y"], "p_contaminated": [0.4, 0.1], "p_damaged": [0.01, 0.01]})
    found = list_hypotheses(circuits, elements, beliefs, pd.Index(["D"]), pd.Series(dtype=float))
    dirt = found.cause == CODE["contamination"]
    assert np.diff(found.belief[dirt])[0] == pytest.approx(np.log(0.1 / 0.4))
    record = found.rate[found.cause == CODE["record_error"]]
    assert record[1] > record[0] + 3


def test_circuits_over_one_cable_share() -> None:
    """A change of C makes D worth reading because of their cable; without one, nothing is."""
    circuits, elements = two_circuits()
    found = list_hypotheses(circuits, elements, NO_BELIEFS, pd.Index([]), pd.Series(dtype=float))
    assert sharing_circuits(found, np.array([0]), 2).tolist() == [0, 1]
    assert sharing_circuits(found, np.array([], dtype=np.int64), 2).tolist() == []


def test_a_touch_after_the_daily_reading_shows_the_next_day() -> None:
    """A joint opened at 14:00 shows in the reading of the next day at 03:00, one opened at 01:00 the same day."""
    rows = pd.DataFrame({"port_id": ["P", "P"], "day": [10 + 14 / 24, 20 + 1 / 24], "share": 1.0})
    assert touches_by_joint(pd.Index(["P"]), rows, 3 / 24, 1).day.tolist() == [11, 20]


def test_a_loss_test_is_a_touch_of_one_joint_nobody_named(tmp_path: Path) -> None:
    """A test on a day without a recorded opening gives each joint of the path its share; else the record stands."""
    con = open_database(tmp_path / "touched.duckdb")
    build(con, 2, trunks=1, days=200)
    con.execute("DELETE FROM mating_events")
    con.execute("DELETE FROM loss_tests")
    circuit, port = con.execute(
        "SELECT circuit_id, min(port_id) FROM circuit_paths WHERE connector_id <> '' GROUP BY 1 ORDER BY 1"
    ).fetchall()[0]
    first = con.execute('SELECT min("at") FROM power_readings').fetchall()[0][0]
    for number, day in enumerate((20, 30)):
        con.execute(
            """INSERT INTO loss_tests (test_id, circuit_id, direction, wavelength_nm, loss_db, "at", _load)
               VALUES (?, ?, 'a_to_z', 1310, 1.0, ?, 1)""",
            [f"T{number}", circuit, first + timedelta(days=day)],
        )
    con.execute(
        """INSERT INTO mating_events (event_id, port_id, face, action, "at", _load)
           VALUES ('E1', ?, 'front', 'mate', ?, 1)""",
        [port, first + timedelta(days=30)],
    )
    found = joint_touches(con, first + timedelta(days=60), np.datetime64(first, "D"), [circuit])
    con.close()
    joints = found[found["share"] < 1.0]
    assert joints["share"].sum() == pytest.approx(1.0) and len(joints) == 4
    assert (joints["at"] == first + timedelta(days=20)).all()
    assert found.loc[found["share"] == 1.0, "port_id"].tolist() == [port]


def test_an_unknown_path_can_be_at_fault() -> None:
    """A circuit without a path may have dirt, a bend or a break on it, as often as the others' paths have."""
    circuits = pd.DataFrame({"circuit_id": ["K1", "K2"], "a_port_id": ["A1", "A2"], "z_port_id": ["Z1", "Z2"]})
    elements = pd.DataFrame(
        {
            "circuit_id": "K1",
            "position": [1, 2, 3],
            "element_kind": ["connector", "cable", "connector"],
            "element_id": ["C1", "CB", "C2"],
            "port_id": ["P1", None, "P2"],
            "cable_kind": [None, "patch_cord", None],
            "fibre_count": [1, 2, 1],
        }
    )
    beliefs = pd.DataFrame({"connector_id": ["C1", "C2"], "p_contaminated": [0.1, 0.3], "p_damaged": [0.01, 0.01]})
    found = list_hypotheses(circuits, elements, beliefs, pd.Index(["K2"]), pd.Series(dtype=float))
    rate = np.exp(found.rate + found.belief)
    dirt = found.cause == CODE["contamination"]
    assert rate[dirt & (found.circuit == 1)] == pytest.approx([rate[dirt & (found.circuit == 0)].sum()])
    assert (found.element_kind[dirt & (found.circuit == 1)] == 0).all()


def test_only_good_looks_count_as_passed() -> None:
    """Cleanings and passed inspections are kept apart; a failed one is neither."""
    looks = pd.DataFrame(
        {
            "connector_id": ["X", "X", "X"],
            "day": [5.0, 6.0, 7.0],
            "what": ["cleaning", "inspection", "inspection"],
            "dirty": [False, False, True],
            "damaged": [False, False, False],
        }
    )
    found = looks_by_face(pd.Index(["X"]), looks)
    assert found.clean_key.tolist() == [5.0]
    assert found.pass_key.tolist() == [6.0]


def test_absolute_loss_speaks_for_faults_of_its_size_only() -> None:
    """Three tenths too much favours dirt a little, twenty decibels a break or a wrong record; unknown is zero."""
    rng = np.random.default_rng(2)
    excess = np.concatenate([rng.normal(0, 0.2, 200), [0.6, 20.0, np.nan]])
    unknown = np.full(203, np.nan)
    tests = np.zeros(203, np.bool_)
    before = weigh_levels(Levels(excess, np.full(203, 0.2), np.full(203, 3.0), tests, unknown, unknown, unknown))
    faults, record = before.path, before.record
    dirt, broken = PATH_CAUSES.index("contamination"), PATH_CAUSES.index("fibre_break")
    assert faults[200, dirt] > 0 > faults[200, broken]
    assert faults[201, broken] > 5
    assert record[201] > 3
    assert (faults[202] == 0).all() and record[202] == 0


def test_launched_less_received_power_is_as_good_as_the_fleet_shows() -> None:
    """Power stated as good to 2 dB finds one too many where it agrees to tenths, and not where it scatters."""
    rng = np.random.default_rng(3)
    unknown, power = np.full(200, np.nan), np.ones(200, np.bool_)
    expected = rng.uniform(2.0, 12.0, 200)
    dirt = PATH_CAUSES.index("contamination")
    found = []
    for scatter in (0.2, 2.0):
        excess = -0.2 * expected + scatter * rng.normal(size=200)
        excess[:5] = -0.2 * expected[:5] + 1.0
        found.append(weigh_levels(Levels(excess, np.full(200, 2.0), expected, power, unknown, unknown, unknown)))
    sharp, blunt = found
    assert sharp.path[:5, dirt].min() > 2.0 and sharp.receiver[:5].min() > 2.0
    assert np.abs(blunt.path[:5, dirt]).max() < 0.7
    assert sharp.stood_db[:5] == pytest.approx(1.0, abs=0.15)
    assert (np.median(sharp.path[5:, dirt]) < 0) and sharp.stood_sd_db[0] == pytest.approx(0.2, rel=0.25)


def test_an_as_built_test_that_held_the_fault_does_not_clear_the_path() -> None:
    """First light equals the as-built test, and both are two decibels above what such paths lose."""
    rng = np.random.default_rng(4)
    excess, expected = rng.normal(0.0, 0.2, 60), np.full(60, 3.0)
    excess[0] = 2.0
    standing = rng.normal(0.0, 0.1, 60)
    tests = np.zeros(60, np.bool_)
    before = weigh_levels(
        Levels(excess, np.full(60, 0.2), expected, tests, np.full(60, np.nan), standing, np.full(60, 0.1))
    )
    dirt = PATH_CAUSES.index("contamination")
    assert before.path[0, dirt] > 2.0 > 0.0 > np.median(before.path[1:, dirt])
    assert before.stood_db[0] == pytest.approx(2.0, abs=0.1)


def test_what_the_others_say_equals_enumeration() -> None:
    """The evidence for a shared fault is the sum over which of the other circuits it spared, day by day."""
    rng = np.random.default_rng(2)
    rows, days, spared = 3, 6, 0.3
    onsets = Onsets.of_days(rng.normal(0, 2, (rows, days)))
    without = np.array([0.0, 0.7, 1.5])
    when = rng.uniform(0.2, 3.0, days)
    found, others_only = weigh_together(
        onsets, onsets, np.zeros(1, np.int64), np.log(when)[None, None], spared, without
    )
    ratio = np.exp(onsets.log_ratio[0, 0].T)
    for own in range(rows):
        others = [row for row in range(rows) if row != own]
        total, rest = np.zeros(days), np.zeros(days)
        for hit in product((False, True), repeat=len(others)):
            term = when.copy()
            for other, is_hit in zip(others, hit, strict=True):
                term = term * ((1 - spared) * ratio[other] if is_hit else spared * np.exp(without[other]))
            rest += term
            total += (1 - spared) * ratio[own] * term
        assert found[own] == pytest.approx(np.log(total.mean()), abs=1e-5)
        assert others_only[own] == pytest.approx(np.log(rest.mean()), abs=1e-5)


def test_coarse_readings_prove_less() -> None:
    """A change of one step of half a dB says little of its size; noise across the steps averages that out."""
    jump = np.full((1, 200), -3.0, np.float32)
    jump[0, 100:] = -3.5
    known, unknown = (
        template_statistics(-jump, np.array([0.05]), np.zeros(1), quantisation_sd(np.array([step]), np.array([0.05])))
        for step in (0.01, 0.5)
    )
    size, sd = size_estimate(*(values[:, 100, 0] for values in unknown))
    assert size[0] == pytest.approx(0.5, abs=0.05) and 0.1 < sd[0] < 0.25
    assert size_estimate(*(values[:, 100, 0] for values in known))[1][0] < 0.03
    assert quantisation_sd(np.array([0.5]), np.array([0.5]))[0] < 1e-6
    assert quantisation_sd(np.array([0.5]), np.array([0.0]))[0] == pytest.approx(0.5 / np.sqrt(6))


def test_circuits_may_show_a_common_fault_days_apart() -> None:
    """Evidence reaches the days near by, less with every day, and its sum over days stays the same."""
    spike = np.full((1, 101), -30.0, np.float32)
    spike[0, 50] = 10.0
    near = Onsets.of_days(spike).log_ratio[0, 0, :, 0]
    assert near[50] > near[53] > near[60] > near[79] > near[90]
    assert np.exp(near.astype(np.float64)).sum() == pytest.approx(np.exp(10.0), rel=1e-4)


def test_a_launch_ages_slowly_without_being_at_fault() -> None:
    """A fall of .3 dB over the year is ageing, one of a whole decibel or within a day a fault."""
    day = np.arange(400)
    falls = [
        0.3 * np.clip((day - 100) / 240, 0, 1),
        1.0 * np.clip((day - 100) / 240, 0, 1),
        np.where(day > 150, 0.3, 0),
    ]
    launch = np.random.default_rng(5).normal(0.0, 0.02, (3, 400)) + falls
    row = np.stack([np.full(3, -1), np.full(3, -1), np.arange(3), np.full(3, -1)], axis=1)
    series = CircuitSeries(np.datetime64("2031-01-01"), 400, row, segment_series(launch))
    none = pd.DataFrame({"circuit": np.zeros(0, np.int64), "size_db": np.zeros(0)})
    cases = list_cases(series, np.arange(3), 3, none, 0.05)
    cases.last_test_of = np.full(3, np.nan)
    keys = ("circuit", "direction", "wavelength_nm", "reference_cords", "day", "loss_db")
    tests = pd.DataFrame({name: [] for name in keys})
    weigh_cases(cases, np.arange(3), series, np.arange(3), tests, np.full(3, 1310.0), np.zeros((3, len(PATH_CAUSES))))
    aged, failed, sudden = cases.launch[:, 0]
    assert aged < 3.0  # ten times as rare as ageing: no more than even odds
    assert failed > 8.0 and sudden > 8.0


def test_a_test_counts_with_what_the_light_did_since() -> None:
    """The change of both directions since the test is their mean; circuits that are not read did not move."""
    loss = np.random.default_rng(3).normal(2.0, 0.02, (2, 200))
    loss[0, 120:] += 0.6
    loss[1, 120:] += 0.4
    row = np.array([[0, 1, -1, -1]])
    series = CircuitSeries(np.datetime64("2031-01-01"), 200, row, segment_series(loss))
    moved = moved_since(series, np.array([2]), 4, np.array([np.nan, 10.0, 60.0, 10.0]))
    assert moved == pytest.approx([0.0, 0.0, 0.5, 0.0], abs=0.03)
    assert moved_since(series, np.array([2]), 4, np.full(4, 150.0))[2] == 0.0


def test_the_next_test_is_named_in_words() -> None:
    """Two suspect faces are inspected in turn; a weak transceiver is measured; a bend asks for wavelengths."""
    assert "inspect X first, then Y" in next_test("contamination", "X", "contamination", "Y", 0.5, False, 0)
    assert "measure the light at P" in next_test("transceiver", "P", "contamination", "X", 0.9, False, 0)
    assert "1310 and 1550" in next_test("contamination", "X", "bend", "CAB", 0.6, False, 1)
    assert "OTDR" in next_test("splice", "S", "nothing", "", 0.6, False, 2)


def test_damage_is_sent_for_replacement_not_for_cleaning() -> None:
    """What is known to be damaged is replaced; a suspicion of damage is looked at first."""
    known = next_test("damaged_end_face", "X", "contamination", "Y", 0.9, False, 2, known_damaged=True)
    assert known == "replace the cord or connector of X: cleaning does not help damage"
    suspected = next_test("damaged_end_face", "X", "nothing", "", 0.6, False, 2)
    assert suspected.startswith("inspect X") and "replace its cord or connector" in suspected
    either = next_test("contamination", "X", "damaged_end_face", "X", 0.6, False, 2)
    assert "clean it if dirty" in either and "replace it if damaged" in either


def test_what_sources_add_sums_to_the_weight_of_the_group() -> None:
    """Added in order, the sources of a group sum to the logarithm of its members' weights together."""
    rng = np.random.default_rng(8)
    log_evidence, group = rng.normal(0, 3, (50, 5)), rng.integers(0, 7, 50)
    added = by_source(log_evidence, group, 7)
    for number in range(7):
        members = log_evidence[group == number]
        assert added[number].sum() == pytest.approx(np.log(np.exp(members.sum(axis=1)).sum()))
        assert added[number, 0] == pytest.approx(np.log(np.exp(members[:, 0]).sum()))


@pytest.fixture(scope="module")
def database(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database with one trunk of twelve circuits, diagnosed, all results current."""
    path = tmp_path_factory.mktemp("diagnosed") / "fleet.duckdb"
    con = open_database(path)
    fleet = build(con, 5, trunks=1, days=200)
    insert(con, "patching", pd.DataFrame({"connector_id": ["F1-00000"], "port_id": ["EA00000"], "face": ["front"]}))
    con.execute("INSERT INTO loads (load_id, loaded_at, source) VALUES (1, ?, 'made')", [fleet.now])
    with transaction(con):
        drift.run(con, fleet.now, silent)
        diagnose.run(con, fleet.now, silent)
    for name, _, _ in STEPS:
        record_run(con, name, fleet.now, 0.0, "", settings_of(name))
    con.close()
    return path


def test_a_fleet_of_which_no_path_is_known_is_analysed(database: Path, tmp_path: Path) -> None:
    """Power is read, no circuit can be traced: the analysis runs, and faults lie somewhere on unknown paths."""
    copy = tmp_path / "untraced.duckdb"
    shutil.copy(database, copy)
    con = open_database(copy)
    bring_up_to_date(con, force=True)
    assert con.execute("SELECT count(*) FROM circuit_status WHERE traced").fetchone() == (0,)
    total = con.execute("SELECT sum(probability) FROM diagnosis GROUP BY circuit_id").fetchall()
    con.close()
    assert total and all(abs(p - 1.0) < 0.02 for (p,) in total)


def test_the_command_shows_one_circuit_with_its_evidence(database: Path) -> None:
    """Causes, evidence lines and their sum are printed for a circuit."""
    shown = CliRunner().invoke(command, ["C00000", "--db", str(database)])
    assert shown.exit_code == 0, shown.output
    assert "Circuit C00000" in shown.output
    assert "decibans" in shown.output


def test_the_command_writes_every_row(database: Path, tmp_path: Path) -> None:
    """The file has the columns people and programs expect, and every circuit's probabilities sum to 1."""
    out = tmp_path / "diagnosis.csv"
    assert CliRunner().invoke(command, ["--out", str(out), "--db", str(database)]).exit_code == 0
    rows = pd.read_csv(out)
    assert rows.columns[:4].tolist() == ["circuit_id", "cause", "element_id", "element_kind"]
    assert {"probability", "evidence", "onset_at", "size_db", "same_as", "next_test"} <= set(rows.columns)
    assert rows.groupby("circuit_id")["probability"].sum().to_numpy() == pytest.approx(np.ones(12))


def test_the_command_lists_the_fleet(database: Path) -> None:
    """Without a circuit the counts and the circuits most probably at fault are printed."""
    shown = CliRunner().invoke(command, ["--db", str(database)])
    assert shown.exit_code == 0
    assert "12 circuits" in shown.output and "Most probably at fault" in shown.output


def test_wrong_use_is_told_in_one_line(database: Path, tmp_path: Path) -> None:
    """An unknown circuit and an unknown file ending are refused with what would be right."""
    unknown = CliRunner().invoke(command, ["C9", "--db", str(database)])
    assert isinstance(unknown.exception, TraceError) and "no such circuit" in str(unknown.exception)
    ending = CliRunner().invoke(command, ["--out", str(tmp_path / "x.doc"), "--db", str(database)])
    assert isinstance(ending.exception, InputError) and ".csv or .parquet" in str(ending.exception)


def test_without_readings_nothing_is_guessed(tmp_path: Path) -> None:
    """Circuits without readings, tests and traces have no diagnosis; a file gives what is common, and says so."""
    con = open_database(tmp_path / "bare.duckdb")
    fleet = build(con, 6, trunks=1, days=200)
    for table in ("power_readings", "loss_tests", "otdr_events", "mating_events", "history_beliefs"):
        con.execute(f"DELETE FROM {table}")
    with transaction(con):
        assert "no power_readings" in drift.run(con, fleet.now, silent)
        note = diagnose.run(con, fleet.now, silent)
    counts = [con.execute(f"SELECT count(*) FROM {name}").fetchone() for name in ("diagnosis", "diagnosis_evidence")]
    written = written_diagnosis(con, None, "not assessed")
    con.close()
    assert "not assessed: no power_readings" in note and "no history_beliefs" in note
    assert counts == [(0,), (0,)]
    assert written.groupby("circuit_id")["probability"].sum().to_numpy() == pytest.approx(np.ones(12))
    assert (written["evidence"] == "not assessed").all()


def test_a_second_run_gives_the_same_rows(tmp_path: Path) -> None:
    """Same data and moment, same diagnosis; new readings of one port recompute only its series."""
    con = open_database(tmp_path / "twice.duckdb")
    fleet = build(con, 7, trunks=1, days=200)
    results = []
    for _ in range(2):
        with transaction(con):
            drift.run(con, fleet.now, silent)
            diagnose.run(con, fleet.now, silent)
        results.append(con.execute("SELECT * FROM diagnosis ORDER BY ALL").df())
    pd.testing.assert_frame_equal(*results)
    whole = con.execute("SELECT * FROM series_drift ORDER BY series_id").df()
    con.execute(
        "INSERT INTO stage_runs (stage, load_id, as_of_at, seconds, note) VALUES ('drift', 1, ?, 0, '')", [fleet.now]
    )
    con.execute("UPDATE power_readings SET rx_dbm = rx_dbm - 1, _load = 2 WHERE port_id = 'EZ00000'")
    with transaction(con):
        drift.run(con, fleet.now, silent)
    again = con.execute("SELECT * FROM series_drift ORDER BY series_id").df()
    con.close()
    other = whole["port_id"] != "EZ00000"
    pd.testing.assert_frame_equal(whole[other], again[other])
    own = whole["series_id"] == "rx_power|EZ00000"
    assert again.loc[own, "baseline"].item() == pytest.approx(whole.loc[own, "baseline"].item() - 1, abs=0.01)
