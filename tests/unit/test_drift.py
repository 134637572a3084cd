"""Drift of every series: signs, baselines, resets, what belongs to which circuit."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from planner.health.daily_series import DARK_DBM, remove_common_mode, running_mean, with_darkness
from planner.health.drift import loss_test_drift, port_circuits, power_drift

DAY = np.datetime64("2031-01-01", "D")
NO_RESETS = pd.DataFrame({"circuit_id": pd.Series(dtype=object), "reset_at": pd.Series(dtype="datetime64[us]")})


def ports(*names: str) -> pd.DataFrame:
    """Reporting ports of one environment that all count for the common course."""
    return pd.DataFrame({"port_id": names, "environment": "indoor", "reference": True})


def ends(**columns: list[object]) -> pd.DataFrame:
    """Circuits with their end ports."""
    return pd.DataFrame({"wavelength_nm": 1310.0, **columns})


def one_circuit(tx: np.ndarray, rx: np.ndarray, resets: pd.DataFrame = NO_RESETS) -> pd.DataFrame:
    """Drift of a circuit C from port A (launching) to port Z (receiving), by series_id."""
    gap = np.full_like(tx, np.nan)
    circuit = ends(circuit_id=["C"], a_port_id=["A"], z_port_id=["Z"])
    rows = power_drift(
        ports("A", "Z"),
        circuit,
        resets,
        np.stack([tx, gap]).astype(np.float32),
        np.stack([gap, rx]).astype(np.float32),
        DAY,
    )
    return rows.set_index("series_id")


def test_falling_received_power_is_positive_drift_of_the_circuit_it_ends() -> None:
    """Received power at Z that falls by 0.5 dB is +0.5 dB of drift of the light from A to Z."""
    rng = np.random.default_rng(1)
    rx = rng.normal(-8, 0.05, 200)
    rx[120:] -= 0.5
    row = one_circuit(rng.normal(-1, 0.02, 200), rx).loc["rx_power|Z"]
    assert row["circuit_id"] == "C" and row["direction"] == "a_to_z"
    assert row["drift_db"] == pytest.approx(0.5, abs=0.08)
    assert row["step_db"] == pytest.approx(0.5, abs=0.05)
    assert abs((row["step_at"] - pd.Timestamp("2031-05-01")).days) <= 1
    assert row["shape"] == "step"
    assert row["latest"] < row["baseline"]


def test_a_fading_transmitter_is_not_path_loss() -> None:
    """When launch and received power fall together, the launch drifts and the path does not."""
    rng = np.random.default_rng(2)
    fade = np.clip((np.arange(300) - 100) / 100, 0, 1) * 1.5
    rows = one_circuit(rng.normal(-1, 0.02, 300) - fade, rng.normal(-8, 0.05, 300) - fade)
    assert rows.loc["tx_power|A", "drift_db"] == pytest.approx(1.5, abs=0.1)
    assert rows.loc["tx_power|A", "direction"] == "a_to_z"
    assert abs(rows.loc["rx_power|Z", "drift_db"]) < 0.15


def test_the_baseline_starts_anew_after_a_transceiver_replacement() -> None:
    """Readings before a recorded transceiver replacement do not count."""
    rng = np.random.default_rng(3)
    rx = rng.normal(-8, 0.05, 200)
    rx[:100] -= 3.0
    reset = pd.DataFrame({"circuit_id": ["C"], "reset_at": [pd.Timestamp("2031-04-11 12:00")]})
    row = one_circuit(rng.normal(-1, 0.02, 200), rx, reset).loc["rx_power|Z"]
    assert row["baseline"] == pytest.approx(-8.0, abs=0.1)
    assert abs(row["drift_db"]) < 0.1


def test_a_port_of_several_circuits_belongs_to_none() -> None:
    """What the head of a tree receives is not a series of any one of its circuits; a leaf's is its own."""
    tree = ends(circuit_id=["C1", "C2"], a_port_id=["H", "H"], z_port_id=["Z1", "Z2"])
    found = port_circuits(ports("H", "Z1", "Z2"), tree, NO_RESETS, DAY).set_index("port_id")
    assert pd.isna(found.loc["H", "circuit_id"])
    assert found.loc["Z1", "circuit_id"] == "C1" and found.loc["Z1", "far_row"] == 0


def test_a_receiver_without_light_is_dark_and_a_silent_port_is_unknown() -> None:
    """Three days of launch without received power mean darkness; no report at all means nothing."""
    tx = np.full((2, 10), -1.0, np.float32)
    rx = np.full((2, 10), -8.0, np.float32)
    rx[:, 6:] = np.nan
    tx[1, 6:] = np.nan
    seen = with_darkness(rx, tx)
    assert (seen[0, 6:] == DARK_DBM).all()
    assert np.isnan(seen[1, 6:]).all()


def test_the_season_of_all_ports_is_taken_out_but_not_one_ports_step() -> None:
    """A common yearly swing goes, at each port's own strength; a step of one port stays."""
    rng = np.random.default_rng(4)
    season = 0.4 * np.sin(np.arange(365) / 365 * 2 * np.pi)
    strength = rng.uniform(0.5, 1.5, 60)
    series = (strength[:, None] * season + rng.normal(0, 0.05, (60, 365))).astype(np.float32)
    series[7, 200:] += 0.6
    left = remove_common_mode(series, np.zeros(60, np.int64))
    assert np.std(running_mean(left)[np.arange(60) != 7], axis=1).max() < 0.08
    assert left[7, 210:].mean() - left[7, :190].mean() == pytest.approx(0.6, abs=0.1)


def test_loss_and_return_loss_tests_drift_with_the_right_sign() -> None:
    """Loss that rises and return loss that falls are both positive drift; a single test is not measurable."""
    tests = pd.DataFrame(
        {
            "circuit_id": ["C", "C", "C", "D"],
            "direction": "a_to_z",
            "wavelength_nm": 1310.0,
            "at": pd.to_datetime(["2031-01-01", "2031-02-01", "2031-03-01", "2031-01-01"]),
            "loss_db": [3.0, 3.1, 4.2, 2.0],
            "orl_db": [45.0, 44.0, 28.0, np.nan],
        }
    )
    rows = loss_test_drift(tests).set_index("series_id")
    assert rows.loc["loss_test|C|a_to_z|1310", "drift_db"] == pytest.approx(1.2)
    assert rows.loc["loss_test|C|a_to_z|1310", "step_at"] == pd.Timestamp("2031-03-01")
    assert rows.loc["orl|C|a_to_z|1310", "drift_db"] == pytest.approx(17.0)
    assert rows.loc["loss_test|D|a_to_z|1310", "shape"] == "not measurable"
    assert "orl|D|a_to_z|1310" not in rows.index
