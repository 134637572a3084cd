"""How records are spoilt, and how readings follow light."""

from __future__ import annotations

import numpy as np
import pytest

from planner.errors import ParameterError
from planner.synthetic import readings
from planner.synthetic.records import Spoiling, kept_rows, otdr_block, recorded_minutes, shuffled
from planner.synthetic.settings import TRAPS, Settings, meter, parameters, spoiling

PLAIN = Spoiling(0.0, 0.0, 0.0, 6.0, 0.0, 0.0, 0.0, 1)


def spoilt(**changes: float) -> Spoiling:
    """No spoiling but what is named."""
    values = {**PLAIN.__dict__, **changes}
    return Spoiling(**values)


def test_unspoilt_records_keep_times_rows_and_order() -> None:
    """With all shares at nought what is written is what happened."""
    minutes, order, tech = np.array([1.0, 5.0, 9.0]), np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 1.0])
    clock = np.array([60.0, -120.0])
    assert np.array_equal(recorded_minutes(minutes, order, tech, clock, PLAIN), minutes)
    assert kept_rows(order, PLAIN, np.random.default_rng(1)).all()
    assert np.array_equal(shuffled(order, PLAIN, np.random.default_rng(1)), [0, 1, 2])


def test_wrong_clock_shifts_all_of_a_technicians_records() -> None:
    """A clock that is off is off for every record of that technician and for nobody else."""
    tech = np.array([0.0, 1.0, 0.0, -1.0])
    at = recorded_minutes(np.zeros(4), np.full(4, -1.0), tech, np.array([60.0, 0.0]), spoilt(clock_share=1.0))
    assert np.array_equal(at, [60.0, 0.0, 60.0, 0.0])


def test_jobs_with_one_time_share_it_in_every_table() -> None:
    """A job written down with one time gets the same one wherever its rows go."""
    how = spoilt(same_minute_jobs=1.0)
    order = np.zeros(3)
    one = recorded_minutes(np.array([490.0, 500.0, 530.0]), order, np.full(3, -1.0), np.zeros(1), how)
    other = recorded_minutes(np.array([510.0]), order[:1], np.full(1, -1.0), np.zeros(1), how)
    assert np.unique(np.concatenate([one, other])).shape[0] == 1


def test_missing_jobs_are_missing_altogether() -> None:
    """A job that was never written down lacks all of its rows."""
    order = np.repeat(np.arange(400.0), 5)
    kept = kept_rows(order, spoilt(missing_jobs=0.3), np.random.default_rng(1)).reshape(400, 5)
    assert np.all(kept.all(axis=1) | ~kept.any(axis=1))
    assert 0.2 < 1 - kept.all(axis=1).mean() < 0.4


def test_close_trace_events_read_as_one() -> None:
    """Two events closer than the dead zone merge: losses add, the stronger reflection shows."""
    rows = np.zeros((3, 9))
    rows[:, 4] = 1310
    rows[:, 6] = [0.2, 0.3, 0.1]
    rows[:, 7] = [-50.0, -40.0, -1e9]
    rows[:, 8] = [0, 0, 1]
    block = otdr_block(rows, np.array([100.0, 102.0, 500.0]), np.datetime64("2030-01-01"))
    assert block["loss_db"].to_pylist() == [0.5, 0.1]
    assert block["reflectance_db"].to_pylist() == [-40.0, None]
    assert block["event_no"].to_pylist() == [1, 2]
    assert block["kind"].to_pylist() == ["reflective", "non_reflective"]


def quiet_meter(step: float = 0.01) -> readings.Meter:
    """A meter with next to no noise and no gaps."""
    return readings.Meter(1e-9, 0.0, (step,), 0.0, 0.0, 0.0, 0.0, 0.0)


def one_series() -> tuple[readings.Series, readings.Changes]:
    """A circuit of 3 dB that loses 0.5 dB on day 10 and has a fading transmitter from day 20."""
    one = np.array([4])
    series = readings.Series(
        circuit=one,
        tx_port=np.array([1]),
        rx_port=np.array([2]),
        tx_dbm=np.array([-1.0]),
        loss_db=np.array([3.0]),
        pair_scale=np.array([0.8]),
        in_service_day=np.array([2.0]),
        outdoor=np.zeros(1),
        reports_errors=np.array([False]),
        two_way=np.array([False]),
    )
    changes = readings.Changes(
        circuit=np.array([3, 4, 9]),
        day=np.array([5.0, 10.0, 10.0]),
        excess_db=np.array([9.0, 0.5, 9.0]),
        fault_circuit=np.array([4, 8]),
        fault_from=np.array([20.0, 0.0]),
        fault_to=np.array([1e9, 1e9]),
        fault_ramp=np.array([10.0, 0.0]),
        fault_db=np.array([2.0, 30.0]),
        fault_of_tx=np.array([True, False]),
    )
    return series, changes


def test_received_power_is_launched_less_loss() -> None:
    """Readings follow launch power, loss, changes of excess and faults; a transmitter fault shows at both ends."""
    series, changes = one_series()
    made = list(readings.blocks(series, changes, np.array([0.0]), 40, 1, quiet_meter(), np.random.default_rng(1)))
    rx = next(b for b in made if np.all(b["port"] == 2))
    tx = next(b for b in made if np.all(b["port"] == 1))
    assert rx["minute"][0] == pytest.approx(2.1 * 1440 + 30)
    day = np.floor(np.asarray(rx["minute"]) / 1440).astype(int)
    power = dict(zip(day.tolist(), np.asarray(rx["rx_dbm"]).tolist(), strict=True))
    assert power[9] == pytest.approx(-4.0, abs=0.011)
    assert power[10] == pytest.approx(-4.4, abs=0.011)
    assert power[39] == pytest.approx(-6.4, abs=0.011)
    assert np.asarray(tx["tx_dbm"])[-1] == pytest.approx(-3.0, abs=0.011)
    assert np.isnan(np.asarray(tx["rx_dbm"])).all()


def test_readings_are_multiples_of_the_makers_step() -> None:
    """Quantised readings take whole steps only."""
    series, changes = one_series()
    made = readings.blocks(series, changes, np.array([0.0]), 40, 2, quiet_meter(0.5), np.random.default_rng(1))
    for block in made:
        for column in ("tx_dbm", "rx_dbm"):
            values = np.asarray(block[column], dtype=float)
            values = values[~np.isnan(values)]
            assert np.allclose(values / 0.5, np.round(values / 0.5))


@pytest.mark.parametrize("trap", TRAPS)
def test_every_trap_changes_a_setting(trap: str) -> None:
    """Each named trouble changes the kernel, the records or the meter."""
    plain, worse = Settings(1000, 100, 1), Settings(1000, 100, 1, traps=(trap,))
    assert (
        not np.array_equal(parameters(plain), parameters(worse))
        or spoiling(plain) != spoiling(worse)
        or meter(plain) != meter(worse)
    )


def test_settings_that_cannot_be_meant_are_refused() -> None:
    """Sizes and names out of range are refused with the value in the message."""
    with pytest.raises(ParameterError, match="got 20"):
        Settings(20, 100, 1)
    with pytest.raises(ParameterError, match="got 3"):
        Settings(1000, 3, 1)
    with pytest.raises(ParameterError, match="'rain'"):
        Settings(1000, 100, 1, traps=("rain",))
