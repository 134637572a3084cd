"""A fleet of plain contact histories with hidden truth, of other laws than the simulator's and the inference's.

Duplex-free links: equipment port, cord, panel, trunk cable, panel, cord, equipment port. Each end face is
clean, dirty or damaged. Opening exposes, meeting transfers dirt and sometimes damages, cleaning works as well
as the technician does, looks err. Test sets visit ports with launch cords that are seldom cleaned. What other
laws than the inference's: dirt has an amount (heavy dirt transfers more and is harder to clean), technicians
differ, sites differ, loss is log-normal and a third of the dirt costs none, clocks are off.

`python tests/truth/contact_fleet.py` prints the table over seeds and traps.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parent))

from benefit_truth import MINUTES_PER_FACE, benefit_shares

from planner.health.backtest import area_under_curve
from planner.pipeline import bring_up_to_date
from planner.store.database import open_database
from planner.store.loading import load_sources

DAYS = 540
START = np.datetime64("2031-01-01T00:00:00", "s")
METHODS = ("dry_pen", "dry_cassette", "dry_stick", "wet_dry_stick")
WORKS = np.array([0.70, 0.80, 0.75, 0.92])
EXPOSURE = {"controlled": 0.03, "indoor": 0.08, "outdoor": 0.15}
CLEAN, DIRTY, DAMAGED = 0, 1, 2


@dataclass(frozen=True)
class Laws:
    """What happens and what is written down; shares and probabilities."""

    jobs_per_link: float = 18.0
    transfer: float = 0.5
    damage: float = 0.03
    smears: float = 0.02
    start_dirty: float = 0.15
    start_damaged: float = 0.01
    heavy: float = 0.3  # share of dirt that is heavy
    technician_spread: float = 0.5  # of the log-odds that a cleaning works
    site_spread: float = 0.5  # of the log exposure
    routine_look: float = 0.35
    suspicion: float = 0.0  # share of jobs sent to the dirtier of eight ports
    missing: float = 0.0  # share of mating events not written down
    clock_min: float = 2.0  # spread of the technicians' clocks
    order_lost: bool = False  # all steps of a job carry its first minute
    tested: float = 0.2  # share of jobs with a loss test
    accepted: float = 0.0  # share of links with a loss test from the first day, made over whatever dirt was there
    read: float = 0.0  # share of links whose received power is read once a day at both ends
    noise_db: float = 0.05  # of one such reading; one in fifty is five times as far off
    step_db: float = 0.01  # readings come in steps of this
    mating_db: float = 0.05  # spread of what each new mating of a joint loses or wins


TRAPS: dict[str, dict[str, object]] = {
    "standard": {},
    "suspicion only": {"suspicion": 1.0, "routine_look": 0.15},
    "half on suspicion": {"suspicion": 0.5},
    "one in ten matings unrecorded": {"missing": 0.1},
    "three in ten unrecorded": {"missing": 0.3},
    "order lost in jobs": {"order_lost": True},
    "technicians and sites differ widely": {"technician_spread": 1.2, "site_spread": 1.0},
    "clocks off by half an hour": {"clock_min": 30.0},
    "power read": {"accepted": 0.5, "read": 0.8},
    "power read, cleaner fleet": {
        "accepted": 0.5,
        "read": 0.8,
        "start_dirty": 0.05,
        "transfer": 0.3,
        "jobs_per_link": 9.0,
    },
    "power read, rough": {"accepted": 0.5, "read": 0.8, "noise_db": 0.15, "step_db": 0.1, "mating_db": 0.12},
}


@dataclass
class _Log:
    """Rows of the history tables as they are written."""

    matings: list[tuple[object, ...]] = field(default_factory=list)
    looks: list[tuple[object, ...]] = field(default_factory=list)
    cleanings: list[tuple[object, ...]] = field(default_factory=list)
    tests: list[tuple[object, ...]] = field(default_factory=list)
    losses: list[tuple[int, float, float]] = field(default_factory=list)  # link, seconds, loss from then on


class ContactFleet:
    """The state of every end face, and what is done to it."""

    def __init__(self, links: int, seed: int, laws: Laws) -> None:
        self.rng = np.random.default_rng(seed)
        self.laws, self.links = laws, links
        self.sites = max(links // 25, 4)
        rng = self.rng
        self.site_env = rng.choice(list(EXPOSURE), self.sites, p=[0.4, 0.4, 0.2])
        self.site_exposure = np.array([EXPOSURE[e] for e in self.site_env]) * np.exp(
            laws.site_spread * rng.normal(size=self.sites)
        )
        ends = rng.integers(0, self.sites, (links, 2))
        ends[:, 1] = np.where(ends[:, 1] == ends[:, 0], (ends[:, 0] + 1) % self.sites, ends[:, 1])
        self.ends = ends
        # faces of a link: fixed A, cord A (2), trunk A, trunk Z, cord Z (2), fixed Z; then the launch cords
        self.test_sets = max(links // 60, 2)
        self.faces = links * 8 + self.test_sets
        self.state = np.where(rng.random(self.faces) < laws.start_dirty, DIRTY, CLEAN)
        self.state[rng.random(self.faces) < laws.start_damaged] = DAMAGED
        self.heavy = rng.random(self.faces) < laws.heavy
        self.loss = self.draw_loss(self.faces)
        self.technicians = max(links // 80, 3)
        self.skill = laws.technician_spread * rng.normal(size=self.technicians)
        self.clock = laws.clock_min * 60.0 * rng.normal(size=self.technicians)
        self.offset = rng.normal(0, laws.mating_db, links * 4)
        self.cleaned, self.worked = np.zeros(len(METHODS)), np.zeros(len(METHODS))  # dirty end faces, by method

    def draw_loss(self, n: int) -> np.ndarray:
        """What dirt or damage costs, if it costs light: log-normal, nothing for a third of it. [dB]"""
        return np.where(self.rng.random(n) < 1 / 3, 0.0, 0.3 * np.exp(0.8 * self.rng.normal(size=n)))

    def soil(self, face: int, heavy: bool) -> None:
        """Make a face dirty; damage stays damage."""
        if self.state[face] == CLEAN:
            self.state[face], self.heavy[face] = DIRTY, heavy
            self.loss[face] = self.draw_loss(1)[0]

    def open_face(self, face: int, site: int) -> None:
        """A moment in the air."""
        if self.rng.random() < self.site_exposure[site]:
            self.soil(face, bool(self.rng.random() < self.laws.heavy))

    def meet(self, a: int, b: int) -> None:
        """Two faces in contact: dirt goes over, dirty contact may damage."""
        dirty = [self.state[f] == DIRTY for f in (a, b)]
        for source, target, is_dirty in ((a, b, dirty[0]), (b, a, dirty[1])):
            reach = self.laws.transfer * (1.3 if self.heavy[source] else 0.87)
            if is_dirty and self.rng.random() < reach:
                self.soil(target, bool(self.heavy[source] and self.rng.random() < 0.5))
        if any(dirty):
            for face in (a, b):
                if self.state[face] != DAMAGED and self.rng.random() < self.laws.damage:
                    self.state[face] = DAMAGED
                    self.loss[face] = 0.4 * np.exp(0.7 * self.rng.normal())

    def clean(self, face: int, method: int, technician: int) -> None:
        """One cleaning: the better hand and the lighter dirt, the likelier it goes."""
        odds = np.log(WORKS[method] / (1 - WORKS[method])) + self.skill[technician]
        odds += -0.7 if self.heavy[face] else 0.35
        if self.state[face] == DIRTY:
            self.cleaned[method] += 1
            if self.rng.random() < 1 / (1 + np.exp(-odds)):
                self.state[face] = CLEAN
                self.worked[method] += 1
        elif self.state[face] == CLEAN and self.rng.random() < self.laws.smears:
            self.soil(face, False)

    def look(self, face: int) -> str:
        """What an inspection writes down."""
        table = {
            CLEAN: (0.95, 0.045, 0.005),
            DIRTY: (0.05, 0.92, 0.03) if self.heavy[face] else (0.15, 0.79, 0.06),
            DAMAGED: (0.05, 0.15, 0.80),
        }
        return str(self.rng.choice(["clean", "particle", "pit"], p=table[int(self.state[face])]))


def simulate_contacts(folder: Path, links: int, seed: int, **laws: object) -> pd.DataFrame:
    """Write the intake tables of a fleet into `folder`; returns the truth: connector_id, dirty, damaged, loss_db.

    `attrs["worked"]` of the frame holds the share of cleanings of dirty end faces that worked, by method.
    """
    fleet = ContactFleet(links, seed, Laws(**laws))  # type: ignore[arg-type]
    rng, law, log = fleet.rng, fleet.laws, _Log()
    days = DAYS
    log.losses = [(link, -1.0, _link_loss(fleet, link)) for link in range(links)]
    for link in np.flatnonzero(rng.random(links) < law.accepted) if law.accepted else ():
        loss = _link_loss(fleet, int(link)) + rng.normal(0, 0.1)
        log.tests.append((START, int(link), max(1.6 + loss, 0.1), "T00"))
    jobs = rng.poisson(law.jobs_per_link * links)
    at = np.sort(rng.uniform(20 * 86400, days * 86400, jobs))
    for number in range(jobs):
        _job(fleet, log, number, float(at[number]))
    _write_plant(folder, fleet)
    _write_history(folder, fleet, log)
    if law.read > 0:
        _write_power(folder, fleet, log)
    names = [_face_name(f, links) for f in range(fleet.faces)]
    state = fleet.state
    loss = np.where(state == CLEAN, 0.0, fleet.loss)
    truth = pd.DataFrame({"connector_id": names, "dirty": state == DIRTY, "damaged": state == DAMAGED, "loss_db": loss})
    truth = truth[: links * 8].reset_index(drop=True)
    truth.attrs["worked"] = dict(zip(METHODS, fleet.worked / np.maximum(fleet.cleaned, 1), strict=True))
    return truth


def _job(fleet: ContactFleet, log: _Log, number: int, at: float) -> None:
    """One visit to one joint of one link: open, look, clean, look, perhaps test with a launch cord, close."""
    rng, law = fleet.rng, fleet.laws
    link, joint = int(rng.integers(fleet.links)), int(rng.integers(4))
    suspected = rng.random() < law.suspicion
    if suspected:  # the worst of eight ports draws attention
        others = rng.integers(0, fleet.links, 8), rng.integers(0, 4, 8)
        worth = [_joint_loss(fleet, int(a), int(b)) + rng.normal(0, 0.1) for a, b in zip(*others, strict=True)]
        link, joint = int(others[0][int(np.argmax(worth))]), int(others[1][int(np.argmax(worth))])
    front, rear = _faces_of(link, joint)
    site = int(fleet.ends[link, joint // 2])
    technician = int(rng.integers(fleet.technicians))
    seconds = at + fleet.clock[technician]
    order = f"JOB-{number:06d}"

    def stamp(minutes: float) -> np.datetime64:
        moment = seconds if law.order_lost else seconds + 60.0 * minutes
        return START + np.timedelta64(int(moment), "s")

    def note(face: int, action: str, minute: float) -> None:
        if rng.random() >= law.missing:
            log.matings.append(
                (stamp(minute), _port_name(link, joint), "front", face, action, f"T{technician:02d}", order)
            )

    def inspect(face: int, stage: str, minute: float) -> bool:
        found = fleet.look(face)
        log.looks.append((stamp(minute), face, found, stage, f"T{technician:02d}", order))
        return found != "clean"

    note(front, "demate", 0)
    for face in (front, rear):
        fleet.open_face(face, site)
    minute = 1.0
    for face in (front, rear):
        looks = suspected or rng.random() < law.routine_look
        bad = inspect(face, "before_cleaning", minute) if looks else bool(rng.random() < 0.25)
        if bad:
            method = int(rng.integers(4))
            fleet.clean(face, method, technician)
            log.cleanings.append((stamp(minute + 1), face, METHODS[method], f"T{technician:02d}", order))
            if looks:
                inspect(face, "after_cleaning", minute + 2)
        minute += 3.0
    if rng.random() < law.tested:
        launch = fleet.links * 8 + int(rng.integers(fleet.test_sets))
        if rng.random() < 0.25:
            fleet.clean(launch, 3, technician)
            log.cleanings.append((stamp(minute), launch, METHODS[3], f"T{technician:02d}", order))
        note(launch, "mate", minute + 1)
        fleet.meet(launch, rear)
        note(launch, "demate", minute + 4)
        minute += 5.0
    note(front, "mate", minute)
    fleet.meet(front, rear)
    fleet.offset[link * 4 + joint] = rng.normal(0, law.mating_db)
    log.losses.append((link, at + 60.0 * minute, _link_loss(fleet, link)))
    if rng.random() < law.tested:
        loss = _link_loss(fleet, link) + rng.normal(0, 0.1)
        log.tests.append((stamp(minute + 3), link, max(1.6 + loss, 0.1), f"T{technician:02d}"))


def _faces_of(link: int, joint: int) -> tuple[int, int]:
    """Front and rear face of a joint: at equipment the built-in face stands behind."""
    return ((1, 0), (2, 3), (5, 4), (6, 7))[joint][0] + 8 * link, ((1, 0), (2, 3), (5, 4), (6, 7))[joint][1] + 8 * link


def _joint_loss(fleet: ContactFleet, link: int, joint: int) -> float:
    faces = np.array(_faces_of(link, joint))
    return float(np.where(fleet.state[faces] == CLEAN, 0.0, fleet.loss[faces]).sum() + fleet.offset[link * 4 + joint])


def _link_loss(fleet: ContactFleet, link: int) -> float:
    """What the end faces and joints of a link lose now, above what fibre and good joints lose. [dB]"""
    return sum(_joint_loss(fleet, link, joint) for joint in range(4))


def _port_name(link: int | np.integer, joint: int) -> str:
    return f"{'EPPE'[joint]}{'AAZZ'[joint]}-{link:05d}"


def _face_name(face: int | np.integer, links: int) -> str:
    return f"L{face - links * 8:03d}" if face >= links * 8 else f"F{face % 8}-{face // 8:05d}"


def _write_plant(folder: Path, fleet: ContactFleet) -> None:
    links, sites = fleet.links, fleet.sites
    folder.mkdir(parents=True, exist_ok=True)
    number = np.arange(links)

    def save(name: str, frame: pd.DataFrame) -> None:
        frame.to_parquet(folder / f"{name}.parquet", index=False)

    site_ids = [f"S{s:03d}" for s in range(sites)]
    save(
        "sites",
        pd.DataFrame(
            {"site_id": site_ids, "kind": "hut", "environment": fleet.site_env}
            | {"latitude": 40 + 0.01 * np.arange(sites), "longitude": 5 + 0.01 * np.arange(sites)}
        ),
    )
    housings = [(f"{kind}{s}", s, word) for s in site_ids for kind, word in (("Q", "equipment"), ("P", "panel"))]
    housings += [(f"TS{t:03d}", None, "test_set") for t in range(fleet.test_sets)]
    save("housings", pd.DataFrame(housings, columns=["housing_id", "site_id", "kind"]))
    ports = []
    for joint in range(4):
        kind = ("equipment", "patch", "patch", "equipment")[joint]
        house = [f"{'Q' if kind == 'equipment' else 'P'}S{s:03d}" for s in fleet.ends[:, joint // 2]]
        ids = [_port_name(n, joint) for n in number]
        ports.append(pd.DataFrame({"port_id": ids, "housing_id": house, "role": kind}))
    shape = {"family": "LC", "polish": "UPC"}
    save("ports", pd.concat(ports).assign(**shape, mode="SM", fibre_count=1))
    faces = np.arange(links * 8)
    place, link = faces % 8, faces // 8
    cable = np.select(
        [np.isin(place, (1, 2)), np.isin(place, (3, 4)), np.isin(place, (5, 6))],
        [[f"CA-{n:05d}" for n in link], [f"TR-{n:05d}" for n in link], [f"CZ-{n:05d}" for n in link]],
        default="",
    )
    end = np.select([np.isin(place, (1, 3, 5)), np.isin(place, (2, 4, 6))], ["A", "B"], default="")
    fixed = np.where(place == 0, [_port_name(n, 0) for n in link], "")
    fixed = np.where(place == 7, [_port_name(n, 3) for n in link], fixed)
    frame = pd.DataFrame(
        {"connector_id": [_face_name(f, links) for f in faces], "cable_id": cable, "cable_end": end}
        | {"fixed_port_id": fixed}
    )
    launch = pd.DataFrame(
        {
            "connector_id": [_face_name(links * 8 + t, links) for t in range(fleet.test_sets)],
            "cable_id": [f"LC-{t:03d}" for t in range(fleet.test_sets)],
            "cable_end": "A",
            "fixed_port_id": "",
        }
    )
    frame = pd.concat([frame, launch]).replace("", None)
    frame["first_fibre"] = np.where(frame["cable_id"].notna(), 1.0, np.nan)
    save("connectors", frame.assign(fibre_count=1, **shape))
    kinds = (("CA", "patch_cord", 3.0), ("TR", "trunk", 2000.0), ("CZ", "patch_cord", 3.0))
    cables = [
        pd.DataFrame({"cable_id": [f"{k}-{n:05d}" for n in number], "kind": w, "length_m": m}) for k, w, m in kinds
    ]
    lead = [f"LC-{t:03d}" for t in range(fleet.test_sets)]
    cables.append(pd.DataFrame({"cable_id": lead, "kind": "launch_cord", "length_m": 2.0}))
    save("cables", pd.concat(cables).assign(fibre_type="G.652.D", fibre_count=1))
    patching = []
    for joint, (front, rear) in enumerate(((1, None), (2, 3), (5, 4), (6, None))):
        for face, side in ((front, "front"), (rear, "rear")):
            if face is not None:
                patching.append(
                    pd.DataFrame(
                        {
                            "connector_id": [_face_name(8 * n + face, links) for n in number],
                            "port_id": [_port_name(n, joint) for n in number],
                            "face": side,
                        }
                    )
                )
    save("patching", pd.concat(patching))
    save(
        "circuits",
        pd.DataFrame(
            {
                "circuit_id": [f"C{n:05d}" for n in number],
                "a_port_id": [_port_name(n, 0) for n in number],
                "z_port_id": [_port_name(n, 3) for n in number],
                "fibre": 1,
                "wavelength_nm": 1310.0,
                "customers": np.round(np.exp(fleet.rng.normal(np.log(4), 1.0, links))).astype(int),
                "priority": fleet.rng.integers(1, 6, links),
            }
        ),
    )


def _write_history(folder: Path, fleet: ContactFleet, log: _Log) -> None:
    links = fleet.links

    def table(rows: list[tuple[object, ...]], columns: list[str], key: str, letter: str) -> pd.DataFrame:
        frame = pd.DataFrame(rows, columns=columns)
        frame.insert(0, key, [f"{letter}{n:07d}" for n in range(len(frame))])
        if "face_number" in frame:
            frame["connector_id"] = [_face_name(f, links) for f in frame.pop("face_number")]
        return frame

    matings = table(
        log.matings,
        ["at", "port_id", "face", "face_number", "action", "technician_id", "work_order_id"],
        "event_id",
        "M",
    )
    matings.to_parquet(folder / "mating_events.parquet", index=False)
    looks = table(
        log.looks, ["at", "face_number", "finding", "stage", "technician_id", "work_order_id"], "inspection_id", "I"
    )
    looks["result"] = np.where(looks["finding"] == "clean", "pass", "fail")
    looks.to_parquet(folder / "inspections.parquet", index=False)
    cleanings = table(
        log.cleanings, ["at", "face_number", "method", "technician_id", "work_order_id"], "cleaning_id", "K"
    )
    cleanings.to_parquet(folder / "cleanings.parquet", index=False)
    tests = table(log.tests, ["at", "link", "loss_db", "technician_id"], "test_id", "T")
    tests["circuit_id"] = [f"C{n:05d}" for n in tests.pop("link")]
    tests.assign(wavelength_nm=1310.0, direction="a_to_z").to_parquet(folder / "loss_tests.parquet", index=False)
    crews = pd.DataFrame({"technician_id": [f"T{t:02d}" for t in range(fleet.technicians)]})
    crews.to_parquet(folder / "technicians.parquet", index=False)


def _write_power(folder: Path, fleet: ContactFleet, log: _Log) -> None:
    """One reading a day at both ends of some links: launched and received power."""
    rng, law = fleet.rng, fleet.laws
    read = np.sort(rng.choice(fleet.links, round(law.read * fleet.links), replace=False))
    link, at, loss = (np.array(column) for column in zip(*log.losses, strict=True))
    order = np.lexsort((at, link))
    link, at, loss = link[order], at[order], loss[order]
    day = np.arange(DAYS) + 0.3
    span = 2.0 * DAYS * 86400.0
    key = link * span + at
    now = loss[np.searchsorted(key, read[:, None] * span + day[None, :] * 86400.0) - 1]  # (links, days)
    moments = START + (day * 86400).astype("timedelta64[s]")
    launched = [rng.normal(0.0, 0.5, (len(read), 1)) + rng.normal(0, 0.02, now.shape) for _ in "AZ"]
    parts = []
    for joint, own, far in ((0, 0, 1), (3, 1, 0)):
        tails = np.where(rng.random(now.shape) < 0.02, 5.0, 1.0)
        received = launched[far] - 1.6 - now + law.noise_db * tails * rng.normal(size=now.shape)
        rows = {
            "port_id": np.repeat([_port_name(n, joint) for n in read], DAYS),
            "at": np.tile(moments, len(read)),
            "rx_dbm": (np.round(received / law.step_db) * law.step_db).ravel(),
            "tx_dbm": np.round(launched[own], 2).ravel(),
        }
        parts.append(pd.DataFrame(rows))
    pd.concat(parts).to_parquet(folder / "power_readings.parquet", index=False)


def analysed_contacts(folder: Path, links: int, seed: int, **laws: object) -> pd.DataFrame:
    """Make, load and analyse a fleet; returns truth and belief of every end face in service."""
    truth = simulate_contacts(folder / "tables", links, seed, **laws)
    con = open_database(folder / "fleet.duckdb")
    load_sources(con, [folder / "tables"], mapping=None, strict=False, loaded_at=datetime(2033, 1, 1))
    bring_up_to_date(con)
    said = _belief(con)
    con.close()
    frame = truth.merge(said, on="connector_id", how="left", validate="one_to_one")
    states = truth.rename(columns={"dirty": "contaminated"})
    states["dirt_db"] = np.where(states["contaminated"], states["loss_db"], 0.0)
    states["damage_db"] = np.where(states["damaged"], states["loss_db"], 0.0)
    shares = benefit_shares(folder / "fleet.duckdb", states.assign(excess_db=states["loss_db"]))
    frame.attrs = truth.attrs | {"benefit": shares}
    return frame


def _belief(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    return con.execute(
        "SELECT connector_id, h.p_contaminated, h.p_damaged, h.p_not_clean, classic_score, benefit_score, drift_part "
        "FROM connector_health h JOIN ranking USING (connector_id)"
    ).df()


def contact_scores(frame: pd.DataFrame) -> dict[str, float]:
    """Figures of one fleet: base rate, AUC, precision among the first 5 %, calibration error, Brier score."""
    bad = (frame["dirty"] | frame["damaged"]).to_numpy()
    unranked = frame["p_not_clean"].isna()  # out of service by the records: lost mates
    p = frame["p_not_clean"].fillna(frame["p_not_clean"].mean()).to_numpy()
    classic = frame["classic_score"].fillna(0.0).to_numpy()
    first = max(len(frame) // 20, 1)
    even = np.ones(len(frame))

    def precision(score: np.ndarray) -> float:
        return float(bad[np.argsort(-score, kind="stable")[:first]].mean())

    parts = np.array_split(np.argsort(p, kind="stable"), 10)
    return {
        "end faces": len(frame),
        "unranked": int(unranked.sum()),
        "not clean": float(bad.mean()),
        "AUC": area_under_curve(p, bad, even),
        "AUC classic": area_under_curve(classic, bad, even),
        "P@5%": precision(p),
        "P@5% classic": precision(classic),
        "lift": precision(p) / max(precision(classic), 1e-9),
        "ECE": float(sum(abs(p[i].mean() - bad[i].mean()) * len(i) for i in parts) / len(p)),
        "Brier": float(np.mean((p - bad) ** 2)),
        **_degrading(frame),
        **{
            f"of oracle, {per_face} min each": row["benefit of oracle"]
            for per_face, row in zip(MINUTES_PER_FACE, frame.attrs["benefit"], strict=True)
        },
    }


def _degrading(frame: pd.DataFrame) -> dict[str, float]:
    """Share of the end faces that cost 0.2 dB and 0.5 dB that stand in the first 2 % by benefit, and by drift."""
    first = max(len(frame) // 50, 1)
    found: dict[str, float] = {}
    for least in (0.2, 0.5):
        cost = (frame["loss_db"] >= least).to_numpy()
        found[f"costing {least} dB"] = float(cost.sum())
        for name in ("benefit_score", "drift_part"):
            order = np.argsort(-frame[name].fillna(0.0).to_numpy(), kind="stable")[:first]
            found[f"{least} dB in 2% by {name.split('_')[0]}"] = float(cost[order].sum() / max(cost.sum(), 1))
    return found


def table(seeds: tuple[int, ...] = (31, 32), links: int = 620) -> pd.DataFrame:
    """Figures of every trap, mean over the seeds."""
    rows = []
    for name, laws in TRAPS.items():
        found = []
        for seed in seeds:
            with tempfile.TemporaryDirectory() as folder:
                found.append(contact_scores(analysed_contacts(Path(folder), links, seed, **laws)))
        rows.append({"fleet": name, **pd.DataFrame(found).mean().round(3).to_dict()})
        print(rows[-1], file=sys.stderr, flush=True)
    return pd.DataFrame(rows)


if __name__ == "__main__":
    print(table().to_string(index=False))
