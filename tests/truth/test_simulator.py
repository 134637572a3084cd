"""The simulator as a whole: same seed same bytes, files that load, true paths, plausible rates, the planted story."""

from __future__ import annotations

import time
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from planner.plant.graph import build_plant
from planner.plant.trace import paths_frame, trace_all
from planner.store.database import open_database
from planner.store.loading import load_sources
from planner.synthetic.fleet import simulate
from planner.synthetic.scenario import SAMPLE_FOLDER, make_demo, write_demo
from planner.synthetic.settings import TRAPS, Settings
from planner.tables.catalogue import INTAKE_TABLES

PLANT = ("sites", "housings", "ports", "cables", "connectors", "patching", "splices", "splitter_legs", "circuits")


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A standard fleet of about 3,300 end faces and 400 days, as CSV."""
    folder = tmp_path_factory.mktemp("standard")
    simulate(folder, Settings(3300, 400, 11))
    return folder


@pytest.fixture(scope="module")
def tidy(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fleet with perfect records, as Parquet."""
    folder = tmp_path_factory.mktemp("tidy")
    simulate(folder, Settings(2000, 250, 4, file_format="parquet", perfect_records=True))
    return folder


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo made anew from its seed."""
    folder = tmp_path_factory.mktemp("demo")
    make_demo(folder)
    return folder


def small(folder: Path, *traps: str, days: int = 200) -> dict[str, pd.DataFrame]:
    """A fleet of about 1,200 end faces with these traps: its history tables by name."""
    simulate(folder, Settings(1200, days, 9, file_format="parquet", traps=traps))
    return {path.stem: pd.read_parquet(path) for path in folder.glob("*.parquet")}


@pytest.fixture(scope="module")
def standard(tmp_path_factory: pytest.TempPathFactory) -> dict[str, pd.DataFrame]:
    """The tables of the small fleet without any trap."""
    return small(tmp_path_factory.mktemp("plain"))


def truth(folder: Path, table: str) -> pd.DataFrame:
    """A table of the truth folder."""
    return pd.read_parquet(folder / "truth" / f"{table}.parquet")


def test_same_seed_gives_the_same_bytes(tmp_path: Path) -> None:
    """Two runs with the same settings write identical files, the truth included; another seed does not."""
    for name, seed in (("one", 3), ("two", 3), ("other", 4)):
        simulate(tmp_path / name, Settings(600, 60, seed))
    files = sorted(p.relative_to(tmp_path / "one") for p in (tmp_path / "one").rglob("*.*"))
    assert len(files) > 25
    for file in files:
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "two" / file).read_bytes(), file
    matings = "mating_events.csv"
    assert (tmp_path / "one" / matings).read_bytes() != (tmp_path / "other" / matings).read_bytes()


def test_every_intake_table_loads_without_blocking_findings(fleet: Path, tmp_path: Path) -> None:
    """All intake tables are written, hold rows, and pass every declared check."""
    con = open_database(tmp_path / "fleet.duckdb")
    report = load_sources(con, [fleet], mapping=None, strict=True, loaded_at=datetime(2031, 6, 1))
    assert report.blocking == 0
    assert report.total("rows_kept_out") == 0
    for table in INTAKE_TABLES:
        (rows,) = con.execute(f'SELECT count(*) FROM "{table.name}"').fetchall()[0]
        assert rows > 0, table.name
    con.close()


def test_true_paths_are_what_tracing_finds_in_perfect_records(tidy: Path) -> None:
    """With perfect records the planner's own tracing gives every circuit's true path, element by element."""
    tables = {name: pd.read_parquet(tidy / f"{name}.parquet") for name in (*PLANT, "mating_events")}
    plant = build_plant(tables, at=datetime(2031, 1, 1))
    found = paths_frame(plant, trace_all(plant))
    true = truth(tidy, "circuit_paths")
    by = ["circuit_id", "position"]
    true = true.sort_values(by).reset_index(drop=True)
    found = found.sort_values(by).reset_index(drop=True)
    assert len(true) == len(found)
    for column in ("circuit_id", "position", "element_kind", "element_id"):
        assert true[column].astype(str).tolist() == found[column].astype(str).tolist(), column


def test_rates_of_dirt_and_damage_are_those_of_real_fleets(fleet: Path) -> None:
    """One face in eight or so is not clean, damage is rare, and most dirty faces cost no light."""
    faces = truth(fleet, "end_faces").query("in_service")
    bad = faces.contaminated | faces.damaged
    assert 0.09 < bad.mean() < 0.20
    assert 0.001 < faces.damaged.mean() < 0.03
    assert faces.degrades[bad].mean() < 0.35
    assert faces.degrades.sum() > 10
    assert (faces.degrades_60d & ~faces.degrades).sum() > 2


def test_inspections_err_as_people_do(fleet: Path) -> None:
    """Looks find most dirt, invent a little, and are wrong both ways now and then."""
    looks = pd.read_csv(fleet / "inspections.csv").merge(truth(fleet, "inspected"), on="inspection_id")
    fails = looks.result == "fail"
    dirty = looks.contaminated & ~looks.damaged
    spotless = ~looks.contaminated & ~looks.damaged
    assert 0.75 < fails[dirty].mean() < 0.98
    assert 0.01 < fails[spotless].mean() < 0.12
    assert looks.finding[fails & looks.damaged].isin(["scratch", "pit", "chip", "crack"]).any()


def test_jobs_keep_the_order_of_the_trade(tidy: Path) -> None:
    """Within a job at a port: taken out, looked at, cleaned, looked at again, put in."""
    cables = pd.read_parquet(tidy / "cables.parquet").query("kind == 'launch_cord'").cable_id
    connectors = pd.read_parquet(tidy / "connectors.parquet")
    launch = connectors[connectors.cable_id.isin(cables)].connector_id
    events = pd.read_parquet(tidy / "mating_events.parquet")
    events = events[~events.connector_id.isin(launch)].dropna(subset=["work_order_id"])
    cleanings = pd.read_parquet(tidy / "cleanings.parquet")
    looks = pd.read_parquet(tidy / "inspections.parquet")
    job = ["connector_id", "work_order_id"]
    taken, put = (events[events.action == action].drop_duplicates(job, keep=False) for action in ("demate", "mate"))
    opened = taken.merge(put, on=[*job, "port_id"], suffixes=("", "_in"))
    assert len(opened) > 100
    assert (opened["at_in"] > opened["at"]).all()
    within = cleanings.merge(opened, on=["connector_id", "work_order_id"], suffixes=("_clean", ""))
    assert len(within) > 20
    assert ((within.at_clean > within["at"]) & (within.at_clean < within["at_in"])).all()
    before = looks.query("stage == 'before_cleaning'").merge(
        cleanings, on=["connector_id", "work_order_id"], suffixes=("", "_clean")
    )
    assert (before.groupby("inspection_id")["at_clean"].max() >= before.groupby("inspection_id")["at"].min()).all()


def test_dirt_shows_in_received_power(fleet: Path) -> None:
    """A circuit whose dirt costs light now receives less than in its first days by about that much."""
    causes = truth(fleet, "circuit_causes").query("cause == 'contamination' and size_db > 0.4 and size_db < 8 and main")
    circuits = pd.read_csv(fleet / "circuits.csv").set_index("circuit_id")
    readings = pd.read_csv(fleet / "power_readings.csv", usecols=["port_id", "rx_dbm"])
    cleanest = readings.dropna(subset=["rx_dbm"]).groupby("port_id").rx_dbm
    fall = cleanest.quantile(0.95) - cleanest.apply(lambda values: values.iloc[-8:].median())
    ports = circuits.z_port_id.reindex(causes.circuit_id)
    seen = fall.reindex(ports).dropna()
    quiet = fall.drop(ports, errors="ignore").median()
    assert len(seen) >= 3
    assert seen.median() > quiet + 0.2


def test_loss_tests_agree_with_readings_at_the_same_circuit(fleet: Path) -> None:
    """Loss by test and loss by launched less received power differ by little more than both errors."""
    circuits = pd.read_csv(fleet / "circuits.csv").query("wavelength_nm == 1310").set_index("circuit_id")
    tests = pd.read_csv(fleet / "loss_tests.csv").query("wavelength_nm == 1310")
    tests = tests[tests["at"] >= "2030"].groupby("circuit_id").last()
    readings = pd.read_csv(fleet / "power_readings.csv")
    level = readings.groupby("port_id")[["tx_dbm", "rx_dbm"]].median()
    both = circuits.join(tests[["loss_db"]], how="inner")
    lost = level.tx_dbm.reindex(both.a_port_id).to_numpy() - level.rx_dbm.reindex(both.z_port_id).to_numpy()
    difference = (both.loss_db.to_numpy() - lost)[~np.isnan(lost)]
    assert difference.shape[0] > 10
    assert np.median(np.abs(difference)) < 0.25


def test_causes_cover_every_circuit_once_as_main(fleet: Path) -> None:
    """Each circuit has exactly one main cause, and it is the largest; quiet circuits have nothing."""
    causes = truth(fleet, "circuit_causes")
    circuits = pd.read_csv(fleet / "circuits.csv")
    assert sorted(causes[causes.main].circuit_id) == sorted(circuits.circuit_id)
    assert (causes[causes.main].set_index("circuit_id").size_db >= causes.groupby("circuit_id").size_db.max()).all()
    assert {"nothing", "contamination", "remating_offset", "transceiver"} <= set(causes.cause)
    assert causes[causes.cause == "nothing"].size_db.eq(0).all()


def test_traps_do_what_they_say(standard: dict[str, pd.DataFrame], tmp_path: Path) -> None:
    """Each trap shows in the tables it is about."""
    made = {trap: small(tmp_path / trap, trap) for trap in TRAPS}
    assert len(made["missing_events"]["mating_events"]) < 0.85 * len(standard["mating_events"])
    looks = standard["inspections"]
    assert len(made["suspicion_only_inspection"]["inspections"]) < 0.5 * len(looks)
    for name in ("tx_dbm", "rx_dbm"):
        values = made["quantised"]["power_readings"][name].dropna()
        assert np.allclose(values * 2, np.round(values * 2))
    assert len(made["missing_days"]["power_readings"]) < 0.85 * len(standard["power_readings"])

    def jumps(fleet: dict[str, pd.DataFrame]) -> float:
        series = fleet["power_readings"].dropna(subset=["rx_dbm"]).groupby("port_id").rx_dbm
        return float(series.diff().abs().quantile(0.995))

    assert jumps(made["heavy_tails"]) > 1.3 * jumps(standard)

    def spread(fleet: dict[str, pd.DataFrame]) -> float:
        rx = fleet["power_readings"].dropna(subset=["rx_dbm"])
        month = rx.groupby(["port_id", rx["at"].dt.month]).rx_dbm.median()
        return float((month.groupby("port_id").max() - month.groupby("port_id").min()).median())

    assert spread(made["seasonal"]) > 1.3 * spread(standard)

    def one_time(fleet: dict[str, pd.DataFrame]) -> float:
        events = fleet["mating_events"].dropna(subset=["work_order_id"])
        sizes = events.groupby("work_order_id")["at"].agg(["nunique", "size"]).query("size > 2")
        return float((sizes["nunique"] == 1).mean())

    assert one_time(made["order_lost"]) > one_time(standard) + 0.4

    def late(name: str) -> float:
        true = pd.read_parquet(tmp_path / name / "truth" / "inspected.parquet")
        both = made[name]["inspections"].merge(true, on="inspection_id")
        return float(((both["at"] - both["true_at"]).dt.total_seconds().abs() > 4 * 3600).mean())

    assert late("mistimed_events") > late("wrong_close_codes") + 0.1
    folder = tmp_path / "clock_errors"
    looks = made["clock_errors"]["inspections"].merge(truth(folder, "inspected"), on="inspection_id")
    shift = ((looks["at"] - looks["true_at"]).dt.total_seconds() / 60).groupby(looks.technician_id).median()
    clock = truth(folder, "technicians").set_index("technician_id").clock_min.reindex(shift.index)
    assert (clock != 0).any()
    assert np.allclose(shift, clock, atol=1.0)
    codes = made["wrong_close_codes"]["work_orders"].cause_found.value_counts(normalize=True)
    plain = standard["work_orders"].cause_found.value_counts(normalize=True)
    assert codes.get("other", 0) + codes.get("no_fault_found", 0) > plain.get("other", 0) + plain.get(
        "no_fault_found", 0
    )

    def offsets(name: str) -> float:
        causes = pd.read_parquet(tmp_path / name / "truth" / "circuit_causes.parquet")
        return float((causes.cause == "remating_offset").sum())

    assert offsets("large_offsets") > 1.5 * offsets("wrong_close_codes")

    def scatter(fleet: dict[str, pd.DataFrame]) -> float:
        """How far launched less received power lies from the acceptance test, over circuits at one wavelength."""
        power = fleet["power_readings"].groupby("port_id")[["tx_dbm", "rx_dbm"]].first()
        tests = fleet["loss_tests"].sort_values("at").drop_duplicates(["circuit_id", "wavelength_nm"])
        both = fleet["circuits"].merge(tests, on=["circuit_id", "wavelength_nm"])
        gap = both["a_port_id"].map(power["tx_dbm"]) - both["z_port_id"].map(power["rx_dbm"]) - both["loss_db"]
        return float((gap - gap.median()).abs().median())

    assert scatter(made["biased_meters"]) > 2 * scatter(standard)


def test_demo_in_the_sample_data_is_what_its_seed_gives(demo: Path) -> None:
    """Making the demo anew gives the tables that lie in the sample data."""
    files = sorted(p.relative_to(SAMPLE_FOLDER) for p in SAMPLE_FOLDER.rglob("*.parquet"))
    assert files == sorted(p.relative_to(demo) for p in demo.rglob("*.parquet"))
    for file in files:
        assert pq.read_table(SAMPLE_FOLDER / file).equals(pq.read_table(demo / file)), file
    assert (SAMPLE_FOLDER / "README.md").read_text() == (demo / "README.md").read_text()


def test_demo_is_small_and_quickly_written(tmp_path: Path) -> None:
    """The sample files stay under 10 MB together and 5 MB each, and writing the demo takes under three seconds."""
    sizes = [p.stat().st_size for p in SAMPLE_FOLDER.rglob("*") if p.is_file()]
    assert max(sizes) < 5_000_000
    assert sum(sizes) < 10_000_000
    began = time.perf_counter()
    write_demo(tmp_path / "demo")
    assert time.perf_counter() - began < 3.0
    assert (tmp_path / "demo" / "truth" / "story.parquet").exists()


def test_demo_has_the_size_and_variety_it_promises(demo: Path) -> None:
    """Sixty sites, over 3,000 end faces, passive splitters, array trunks and eighteen months."""
    read = {name: pd.read_parquet(demo / f"{name}.parquet") for name in (*PLANT, "power_readings")}
    assert len(read["sites"]) == 60
    assert len(read["connectors"]) >= 3000
    assert {"data_hall", "central_office", "cabinet"} <= set(read["sites"].kind)
    assert (read["connectors"].family == "MPO").any()
    assert len(read["splitter_legs"]) > 20
    days = read["power_readings"]["at"]
    assert (days.max() - days.min()).days > 540
    assert read["sites"].region.str.contains("invented").all()


def test_story_is_present_in_the_truth(demo: Path) -> None:
    """What was planted is there: bad batch, dirty launch cords' victims, poor habits, bend, fading transmitter."""
    story = truth(demo, "story").groupby("kind").element_id.apply(list)
    faces = truth(demo, "end_faces").set_index("connector_id")
    causes = truth(demo, "circuit_causes").query("main")
    assert (causes[causes.element_id == story["bend"][0]].cause == "bend").sum() >= 4
    assert (causes[causes.element_id == story["fading_transmitter"][0]].cause == "transceiver").any()
    cables = pd.read_parquet(demo / "cables.parquet").set_index("cable_id").batch
    connectors = pd.read_parquet(demo / "connectors.parquet").set_index("connector_id")
    live = connectors.join(faces.query("in_service"), how="inner")
    batch = cables.reindex(live.cable_id).to_numpy()
    cords = pd.notna(batch)
    bad = batch == story["bad_batch"][0]
    assert live.contaminated[bad].mean() > 1.6 * live.contaminated[cords & ~bad].mean()
    paths = truth(demo, "circuit_paths").dropna(subset=["connector_id"]).drop_duplicates("connector_id")
    here = faces.contaminated.reindex(paths.connector_id).groupby(paths.site_id.to_numpy()).mean()
    assert here[story["poor_habits"][0]] > 1.6 * faces.query("in_service").contaminated.mean()
    matings = truth(demo, "true_mating_events").query("action == 'mate'")
    met = matings[matings.connector_id.isin(story["contaminating_launch_cord"])].port_id
    patching = pd.read_parquet(demo / "patching.parquet").query("face == 'rear'").set_index("port_id").connector_id
    victims = patching.reindex(met.unique()).dropna()
    assert len(victims) >= 10
    assert faces.contaminated[victims].mean() > 1.6 * faces.contaminated[patching].mean()


def test_another_seed_is_made_not_copied(tmp_path: Path) -> None:
    """Asked for another seed, the demo is made from it."""
    write_demo(tmp_path / "demo", seed=8)
    one = pd.read_parquet(tmp_path / "demo" / "mating_events.parquet")
    other = pd.read_parquet(SAMPLE_FOLDER / "mating_events.parquet")
    assert not one.equals(other)
