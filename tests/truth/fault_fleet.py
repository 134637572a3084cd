"""A small fleet of duplex links over trunks with one known fault or none per circuit.

Other laws than the simulator's and than the diagnosis': for measuring how often the diagnosis names the right
cause and the right end face. Twelve circuits (six duplex links) share a trunk of two cables with a splice
between; each circuit has four joints of two end faces. Writes straight into the tables that diagnosis reads.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import duckdb
import numpy as np
import pandas as pd

START = datetime(2031, 1, 1)
FIBRES = 12
FACES = 8
CAUSES = ("nothing", "contamination", "damaged_end_face", "bend", "splice", "fibre_break", "transceiver")


@dataclass
class FaultFleet:
    """Truth per circuit: cause, element, size [dB] and day of onset; `days` of history."""

    truth: pd.DataFrame
    days: int

    @property
    def now(self) -> datetime:
        """The moment after the last reading."""
        return START + timedelta(days=self.days)


def insert(con: duckdb.DuckDBPyConnection, table: str, frame: pd.DataFrame, intake: bool = True) -> None:
    """Append rows to a table of the store; intake tables get a load number."""
    names = [f'"{name}"' for name in frame.columns]
    con.register("_rows", frame.assign(_load=1) if intake else frame)
    columns = ", ".join([*names, "_load"] if intake else names)
    con.execute(f"INSERT INTO {table} ({columns}) SELECT {columns} FROM _rows")
    con.unregister("_rows")


def _names(trunks: int) -> pd.DataFrame:
    """One row per circuit with the names of what it passes."""
    circuit = np.arange(trunks * FIBRES)
    frame = pd.DataFrame({"circuit": circuit, "trunk": circuit // FIBRES, "fibre": circuit % FIBRES})
    frame["link"] = circuit // 2
    frame["circuit_id"] = [f"C{n:05d}" for n in circuit]
    frame["back"] = circuit % 2 == 1
    for end in "AZ":
        frame[f"equipment_{end}"] = [f"E{end}{n:05d}" for n in circuit]
        frame[f"panel_{end}"] = [f"P{end}{n:05d}" for n in circuit]
        frame[f"cord_{end}"] = [f"CORD{end}{n:05d}" for n in frame["link"]]
        frame[f"trunk_{end}"] = [f"TRUNK{end}{n:04d}" for n in frame["trunk"]]
    frame["splice"] = [f"S{n:05d}" for n in circuit]
    for number in range(FACES):
        frame[f"face_{number}"] = [f"F{number}-{n:05d}" for n in circuit]
    # a circuit of the other direction launches at the far site
    frame["a_port_id"] = np.where(frame["back"], frame["equipment_Z"], frame["equipment_A"])
    frame["z_port_id"] = np.where(frame["back"], frame["equipment_A"], frame["equipment_Z"])
    return frame


def _joint_ports(row: pd.Series) -> list[str]:
    return [row["equipment_A"], row["panel_A"], row["panel_Z"], row["equipment_Z"]]


def _paths(names: pd.DataFrame) -> pd.DataFrame:
    """Rows of circuit_paths, from site A to site Z (turned round for circuits of the other direction)."""
    parts = (
        ("connector", "face_0", "equipment_A", 0.0),
        ("connector", "face_1", "equipment_A", 0.0),
        ("cable", "cord_A", None, 5.0),
        ("connector", "face_2", "panel_A", 0.0),
        ("connector", "face_3", "panel_A", 0.0),
        ("cable", "trunk_A", None, 3000.0),
        ("splice", "splice", None, 0.0),
        ("cable", "trunk_Z", None, 4000.0),
        ("connector", "face_4", "panel_Z", 0.0),
        ("connector", "face_5", "panel_Z", 0.0),
        ("cable", "cord_Z", None, 5.0),
        ("connector", "face_6", "equipment_Z", 0.0),
        ("connector", "face_7", "equipment_Z", 0.0),
    )
    frames = []
    for number, (kind, column, port, length) in enumerate(parts):
        position = np.where(names["back"], len(parts) - number, number + 1)
        frames.append(
            pd.DataFrame(
                {
                    "circuit_id": names["circuit_id"],
                    "position": position,
                    "element_kind": kind,
                    "element_id": names[column],
                    "connector_id": names[column] if kind == "connector" else None,
                    "port_id": names[port] if port else None,
                    "fibre": 1,
                    "length_m": length if kind == "cable" else np.nan,
                }
            )
        )
    return pd.concat(frames).sort_values(["circuit_id", "position"]).reset_index(drop=True)


def _faults(rng: np.random.Generator, names: pd.DataFrame, touches: list[list[np.ndarray]], days: int) -> pd.DataFrame:
    """One fault or none per circuit; a bent trunk bends all its circuits."""
    rows = []
    bent = {int(t): t for t in names["trunk"].unique() if rng.random() < 0.12}
    bent_day = {t: int(rng.integers(60, days - 30)) for t in bent}
    bent_size = {t: float(rng.uniform(0.6, 2.0)) for t in bent}
    cord = {}
    for row in names.itertuples():
        cause = str(rng.choice(CAUSES, p=[0.62, 0.22, 0.03, 0.0, 0.02, 0.02, 0.09]))
        day, size, element, face = 0, 0.0, "", -1
        if row.trunk in bent:
            cause, day = "bend", bent_day[row.trunk]
            size, element = bent_size[row.trunk] * float(rng.uniform(0.8, 1.2)), row.trunk_A
        elif row.link in cord or (not row.back and rng.random() < 0.05):
            if row.link not in cord:
                cord[row.link] = (int(rng.integers(60, days - 30)), float(rng.uniform(0.4, 1.5)), row.cord_Z)
            cause, (day, size, element) = "bend", cord[row.link]
        elif cause in ("contamination", "damaged_end_face"):
            joint = int(rng.integers(0, 4))
            usable = [t for t in touches[row.circuit][joint] if 60 <= t < days - 30]
            if not usable:
                cause = "nothing"
            else:
                day, face = int(rng.choice(usable)), joint * 2 + int(rng.integers(0, 2))
                size, element = float(np.exp(rng.normal(np.log(0.55), 0.5))), getattr(row, f"face_{face}")
        elif cause == "splice":
            day, size, element = int(rng.integers(60, days - 60)), float(rng.uniform(0.3, 1.0)), row.splice
        elif cause == "fibre_break":
            day, size, element = int(rng.integers(60, days - 20)), 25.0, row.trunk_Z
        elif cause == "transceiver":
            day, size = int(rng.integers(60, days - 90)), float(rng.uniform(0.6, 2.5))
            element = row.a_port_id if rng.random() < 0.6 else row.z_port_id
        rows.append((row.circuit_id, cause, element, size, day, face))
    return pd.DataFrame(rows, columns=["circuit_id", "cause", "element_id", "size_db", "day", "face"])


def plain_plant(con: duckdb.DuckDBPyConnection, trunks: int) -> pd.DataFrame:
    """The plant of so many trunks without any history; gives the names, one row per circuit."""
    names = _names(trunks)
    _write_plant(con, names)
    return names


def build(
    con: duckdb.DuckDBPyConnection,
    seed: int,
    trunks: int = 20,
    days: int = 360,
    noise_db: tuple[float, float] = (0.04, 0.12),
    offset_db: float = 0.06,
    heavy_tails: bool = False,
    unrecorded: float = 0.0,
    quantum_db: float = 0.01,
) -> FaultFleet:
    """Write a fleet into an empty planner database.

    Parameters
    ----------
    noise_db
        Range of the readings' standard deviation, AR(1) with .6. [dB]
    offset_db
        What each mating moves the loss of its joint, standard deviation. [dB]
    heavy_tails
        Student-t noise of two degrees of freedom in place of Gaussian.
    unrecorded
        Share of matings that the records miss.
    quantum_db
        Step of the readings. [dB]
    """
    rng = np.random.default_rng(seed)
    names = _names(trunks)
    count = len(names)
    touches = [[np.sort(rng.integers(5, days, rng.poisson(2.0 * days / 365))) for _ in range(4)] for _ in range(count)]
    truth = _faults(rng, names, touches, days)
    day = np.arange(days)
    loss = np.full((count, days), 6.0)
    launch = np.full((count, days), -1.5)
    for number in range(count):
        for joint in range(4):
            for touch in touches[number][joint]:
                loss[number, day > touch] += rng.normal(0, offset_db)
        cause, size, onset = truth["cause"][number], truth["size_db"][number], truth["day"][number]
        if cause == "nothing":
            continue
        ramp = {"transceiver": 80, "splice": 60}.get(cause, 0)
        shape = np.clip((day - onset) / ramp, 0, 1) if ramp else (day > onset).astype(float)
        if cause == "transceiver" and truth["element_id"][number] == names["a_port_id"][number]:
            launch[number] -= size * shape
        else:
            loss[number] += size * shape
    sd = rng.uniform(*noise_db, count)
    noise = rng.standard_t(2, (count, days)) / 1.5 if heavy_tails else rng.normal(0, 1, (count, days))
    for column in range(1, days):
        noise[:, column] = 0.6 * noise[:, column - 1] + 0.8 * noise[:, column]
    glitch = (rng.random((count, days)) < 0.01) * rng.choice([-1.0, 1.0], (count, days))
    received = launch - loss + sd[:, None] * noise + glitch
    received = np.round(received / quantum_db) * quantum_db
    sent = np.round(launch + rng.normal(0, 0.03, launch.shape), 2)
    kept = rng.random((count, days)) > 0.08
    write_readings(con, names, sent, received, kept)
    _write_plant(con, names)
    _write_tests(con, rng, names, truth, touches, days)
    _write_touches(con, rng, names, touches, truth, unrecorded)
    return FaultFleet(truth, days)


def write_readings(
    con: duckdb.DuckDBPyConnection, names: pd.DataFrame, sent: np.ndarray, received: np.ndarray, kept: np.ndarray
) -> None:
    """One reading per day at both ends of every circuit, where `kept`."""
    circuit, day = np.nonzero(kept)
    at = np.datetime64(START, "us") + day.astype("timedelta64[D]") + np.timedelta64(3, "h")
    for port, tx, rx in (("a_port_id", sent[kept], None), ("z_port_id", None, received[kept])):
        rows = pd.DataFrame({"at": at, "port_id": names[port].to_numpy(object)[circuit]})
        rows["tx_dbm"] = tx if tx is not None else np.nan
        rows["rx_dbm"] = rx if rx is not None else np.nan
        insert(con, "power_readings", rows)


def _write_plant(con: duckdb.DuckDBPyConnection, names: pd.DataFrame) -> None:
    insert(
        con,
        "sites",
        pd.DataFrame(
            {"site_id": ["A", "Z"], "kind": "hut", "latitude": 0.0, "longitude": 0.0, "environment": "indoor"}
        ),
    )
    insert(con, "housings", pd.DataFrame({"housing_id": ["HA", "HZ"], "site_id": ["A", "Z"], "kind": "equipment"}))
    ports = pd.concat(
        [
            pd.DataFrame({"port_id": names[f"{kind}_{end}"], "housing_id": f"H{end}"})
            for kind in ("equipment", "panel")
            for end in "AZ"
        ]
    )
    insert(con, "ports", ports)
    cables = pd.concat(
        [
            pd.DataFrame({"cable_id": names[f"{kind}_{end}"], "kind": word, "fibre_count": fibres}).drop_duplicates()
            for kind, word, fibres in (("cord", "patch_cord", 2), ("trunk", "feeder", FIBRES))
            for end in "AZ"
        ]
    )
    insert(con, "cables", cables)
    faces = pd.DataFrame({"connector_id": names[[f"face_{n}" for n in range(FACES)]].to_numpy().ravel()})
    insert(con, "connectors", faces.assign(fibre_count=1, polish="UPC"))
    circuits = names[["circuit_id", "a_port_id", "z_port_id"]].assign(fibre=1, wavelength_nm=1310.0)
    insert(con, "circuits", circuits)
    insert(con, "circuit_paths", _paths(names), intake=False)
    insert(con, "circuit_status", pd.DataFrame({"circuit_id": names["circuit_id"], "traced": True}), intake=False)


def _write_tests(
    con: duckdb.DuckDBPyConnection,
    rng: np.random.Generator,
    names: pd.DataFrame,
    truth: pd.DataFrame,
    touches: list[list[np.ndarray]],
    days: int,
) -> None:
    """Loss tests at two wavelengths on half of the circuits: as built and near the end."""
    rows = []
    for number in np.flatnonzero(rng.random(len(names)) < 0.5):
        cause, size = truth["cause"][number], truth["size_db"][number]
        seen = size if cause not in ("nothing", "transceiver") else 0.0
        ratio = float(np.exp(rng.normal(np.log(4.0), 0.4))) if cause == "bend" else 1.0
        for nm, factor in ((1310.0, 1.0), (1550.0, ratio)):
            for day, extra in ((-30, 0.0), (days - 3, seen * factor)):
                rows.append(
                    (
                        f"T{len(rows)}",
                        START + timedelta(days=day),
                        names["circuit_id"][number],
                        nm,
                        "a_to_z",
                        6.0 + extra + float(rng.normal(0, 0.1)),
                    )
                )
    frame = pd.DataFrame(rows, columns=["test_id", "at", "circuit_id", "wavelength_nm", "direction", "loss_db"])
    insert(con, "loss_tests", frame)


def _write_touches(
    con: duckdb.DuckDBPyConnection,
    rng: np.random.Generator,
    names: pd.DataFrame,
    touches: list[list[np.ndarray]],
    truth: pd.DataFrame,
    unrecorded: float,
) -> None:
    """Mating events, and beliefs about every end face that know the guilty ones only roughly."""
    events, beliefs = [], []
    for number, row in names.iterrows():
        for joint, port in enumerate(_joint_ports(row)):
            for touch in touches[number][joint]:
                if rng.random() >= unrecorded:
                    events.append(
                        (
                            f"M{len(events)}",
                            START + timedelta(days=int(touch), hours=14),
                            port,
                            "front",
                            row[f"face_{joint * 2}"],
                            "mate",
                        )
                    )
        for face in range(FACES):
            guilty = face == truth["face"][number]
            cause = truth["cause"][number]
            logit = rng.normal(-0.2 if guilty and cause == "contamination" else -2.3, 1.0)
            worn = rng.normal(-1.5 if guilty and cause == "damaged_end_face" else -4.5, 1.0)
            beliefs.append((row[f"face_{face}"], 1 / (1 + np.exp(-logit)), 1 / (1 + np.exp(-worn))))
    columns = ["event_id", "at", "port_id", "face", "connector_id", "action"]
    insert(con, "mating_events", pd.DataFrame(events, columns=columns))
    health = pd.DataFrame(beliefs, columns=["connector_id", "p_contaminated", "p_damaged"])
    health["p_not_clean"] = health["p_contaminated"] + health["p_damaged"] * (1 - health["p_contaminated"])
    insert(con, "history_beliefs", health, intake=False)


def scores(truth: pd.DataFrame, diagnosis: pd.DataFrame) -> dict[str, float]:
    """How good a diagnosis is: cause right, guilty face among the first one and three, false faults.

    A remating offset counts as nothing wrong.
    """
    told = diagnosis.assign(cause=diagnosis["cause"].replace("remating_offset", "nothing"))
    by_cause = told.groupby(["circuit_id", "cause"], as_index=False)["probability"].sum()
    by_cause = by_cause.sort_values("probability", ascending=False).drop_duplicates("circuit_id")
    said = by_cause.set_index("circuit_id")
    known = truth.set_index("circuit_id")
    cause = said["cause"].reindex(known.index)
    right = cause == known["cause"]
    faulty = known["cause"] != "nothing"
    faces = told[told["cause"].isin(["contamination", "damaged_end_face"])]
    faces = faces.groupby(["circuit_id", "element_id"], as_index=False)["probability"].sum()
    faces["place"] = faces.groupby("circuit_id")["probability"].rank(ascending=False, method="first")
    guilty = truth[truth["face"] >= 0].merge(faces, on=["circuit_id", "element_id"], how="left")
    stated = said["probability"].reindex(known.index)
    bins = np.clip((stated.to_numpy() * 10).astype(int), 0, 9)
    calibration = sum(
        abs(stated.to_numpy()[bins == b].mean() - right.to_numpy()[bins == b].mean()) * (bins == b).mean()
        for b in np.unique(bins)
    )
    merged = {"damaged_end_face": "contamination"}
    alike = cause.replace(merged) == known["cause"].replace(merged)
    return {
        "cause right": float(right.mean()),
        "cause right, faulty": float(right[faulty].mean()),
        "cause right, dirt and damage merged": float(alike.mean()),
        "guilty face first": float((guilty["place"] == 1).mean()),
        "guilty face among three": float((guilty["place"] <= 3).mean()),
        "false faults on healthy": float((cause[~faulty] != "nothing").mean()),
        "calibration error": float(calibration),
        "faulty": float(faulty.mean()),
    }
