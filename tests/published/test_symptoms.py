"""Published symptom patterns, as circuits whose diagnosis must say what the pattern says.

Sources: the table of symptoms of corrupting links in Zhuo, Ghobadi, Mahajan, Foerster, Krishnamurthy,
Anderson, SIGCOMM 2017 (from memory); transceiver diagnostics tables and field practice for launch and
receive power; course and forum practice for two wavelengths (a bend loses far more at the longer one).
"""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from truth.fault_fleet import insert, plain_plant, write_readings

from planner.progress import silent
from planner.stages import diagnose, drift
from planner.store.database import open_database, transaction

DAYS = 240
ONSET = 150
START = datetime(2031, 1, 1)


def top_cause(tmp_path: Path, moves: dict[str, float], tests: tuple[tuple[float, float], ...] = ()) -> tuple[str, str]:
    """Most probable cause of the first circuit, and its element.

    Circuits 0 and 1 are the two directions of a duplex link, 2 and 3 another link over the same trunk.
    `moves` names what falls on day 150, by how many dB: tx_0 (launch of circuit 0), rx_0 (received), and so
    on; a fall of the launch is seen at the receiver too. `tests` are loss rises of circuit 0 by wavelength.
    """
    con = open_database(tmp_path / "symptoms.duckdb")
    names = plain_plant(con, trunks=1)
    rng = np.random.default_rng(1)
    count = len(names)
    launch = np.full((count, DAYS), -1.5)
    loss = np.full((count, DAYS), 6.0)
    for name, size in moves.items():
        kind, number = name.split("_")
        (launch if kind == "tx" else loss)[int(number), ONSET:] += -size if kind == "tx" else size
    received = launch - loss + rng.normal(0, 0.05, launch.shape)
    sent = launch + rng.normal(0, 0.02, launch.shape)
    write_readings(con, names, np.round(sent, 2), np.round(received, 2), np.ones(launch.shape, bool))
    # the first panel joint of circuit 0 was opened the day before the change
    event = {
        "event_id": ["M1"],
        "at": [START + timedelta(days=ONSET - 1, hours=14)],
        "port_id": [names["panel_A"][0]],
        "face": ["front"],
        "connector_id": [names["face_2"][0]],
        "action": ["mate"],
    }
    insert(con, "mating_events", pd.DataFrame(event))
    rows = [
        (f"T{n}-{nm:g}", START + timedelta(days=day), "C00000", nm, "a_to_z", 6.0 + (rise if day > ONSET else 0.0))
        for nm, rise in tests
        for n, day in enumerate((20, 60, DAYS - 4, DAYS - 2))
    ]
    columns = ["test_id", "at", "circuit_id", "wavelength_nm", "direction", "loss_db"]
    if rows:
        insert(con, "loss_tests", pd.DataFrame(rows, columns=columns))
    now = START + timedelta(days=DAYS)
    with transaction(con):
        drift.run(con, now, silent)
        diagnose.run(con, now, silent)
    found = con.execute("SELECT * FROM diagnosis WHERE circuit_id = 'C00000'").df()
    con.close()
    cause = str(found.groupby("cause")["probability"].sum().idxmax())
    best = found[found["cause"] == cause].sort_values("probability").iloc[-1]
    return cause, str(best["element_id"])


def test_one_direction_low_is_a_connector_of_that_fibre(tmp_path: Path) -> None:
    """Launch normal, receive low in one direction, after a touch: contamination at the joint touched."""
    cause, element = top_cause(tmp_path, {"rx_0": 0.8})
    assert cause == "contamination"
    assert element in ("F2-00000", "F3-00000")


def test_both_directions_low_is_the_cable(tmp_path: Path) -> None:
    """Both fibres of a cord low on the same day, launch normal: the cord is bent or damaged."""
    cause, element = top_cause(tmp_path, {"rx_0": 0.9, "rx_1": 0.9})
    assert cause == "bend"
    assert element in ("CORDA00000", "CORDZ00000")


def test_low_launch_is_the_transceiver(tmp_path: Path) -> None:
    """Launch low and the far end low with it: the transmitter decays."""
    assert top_cause(tmp_path, {"tx_0": 1.2}) == ("transceiver", "EA00000")


def test_neighbours_low_together_is_the_shared_part(tmp_path: Path) -> None:
    """All links over one trunk low on the same day: the trunk."""
    cause, element = top_cause(tmp_path, {f"rx_{n}": 1.0 for n in range(12)})
    assert cause == "bend"
    assert element in ("TRUNKA0000", "TRUNKZ0000")


def test_all_normal_is_nothing(tmp_path: Path) -> None:
    """Launch and receive normal both ways: no fault is named."""
    assert top_cause(tmp_path, {}) == ("nothing", "")


def test_more_loss_at_the_longer_wavelength_is_a_bend(tmp_path: Path) -> None:
    """Loss of 0.3 dB at 1310 nm and 2 dB at 1550 nm: a bend, though a joint was touched that day."""
    cause, _ = top_cause(tmp_path, {"rx_0": 0.3, "rx_1": 0.3}, ((1310.0, 0.3), (1550.0, 2.0)))
    assert cause == "bend"


@pytest.mark.parametrize("short_db", [0.8, 0.7])
def test_equal_loss_at_both_wavelengths_is_a_joint(tmp_path: Path, short_db: float) -> None:
    """Loss alike at 1310 and 1550 nm, in one direction only: the joint that was touched."""
    cause, _ = top_cause(tmp_path, {"rx_0": short_db}, ((1310.0, short_db), (1550.0, 0.7)))
    assert cause in ("contamination", "damaged_end_face")
