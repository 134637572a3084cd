"""Reflectometer events on the traced path: nearest joint, dead zones, launch cords, both directions."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from planner.errors import ParameterError
from planner.health.otdr_placement import merge_directions, place_events

AT = pd.Timestamp("2030-01-01")


def path(lengths_m: list[float], circuit: str = "C1") -> pd.DataFrame:
    """A path of cables of these lengths: pairs in ports P0 and Pn at the ends, splices S1.. between."""
    rows: list[tuple[str, str, str | None, float | None]] = [
        ("connector", "F0", "P0", None),
        ("adapter", "P0", "P0", None),
    ]
    rows.append(("connector", "A0", "P0", None))
    for number, length in enumerate(lengths_m, start=1):
        rows.append(("cable", f"K{number}", None, length))
        if number < len(lengths_m):
            rows.append(("splice", f"S{number}", None, None))
    end = f"P{len(lengths_m)}"
    rows += [("connector", "Az", end, None), ("adapter", end, end, None), ("connector", "Fz", end, None)]
    frame = pd.DataFrame(rows, columns=["element_kind", "element_id", "port_id", "length_m"])
    return frame.assign(circuit_id=circuit, position=np.arange(len(frame)) + 1)


def trace(
    distances_m: list[float],
    direction: str = "a_to_z",
    name: str = "T1",
    losses: list[float] | None = None,
    ends: bool = True,
    circuit: str = "C1",
) -> pd.DataFrame:
    """A trace with events at these distances, the last one the end of the fibre if `ends`."""
    count = len(distances_m)
    kinds = ["reflective"] + ["non_reflective"] * (count - 1)
    if ends:
        kinds[-1] = "end_of_fibre"
    return pd.DataFrame(
        {
            "trace_id": name,
            "event_no": np.arange(count) + 1,
            "at": AT,
            "circuit_id": circuit,
            "direction": direction,
            "wavelength_nm": 1550.0,
            "distance_m": distances_m,
            "loss_db": losses or [0.1] * count,
            "reflectance_db": np.nan,
            "kind": kinds,
        }
    )


def test_events_fall_on_their_elements() -> None:
    """Events at the joints of the path get the joint's element and position."""
    placed = place_events(path([1000.0, 2000.0]), trace([0.0, 1001.0, 3000.0]))
    assert list(placed["element_id"]) == ["P0", "S1", "P2"]
    assert list(placed["element_kind"]) == ["mated_pair", "splice", "mated_pair"]
    assert list(placed["position"]) == [1, 5, 7]
    assert placed["last_position"].iloc[0] == 3
    assert placed["off_by_m"].iloc[1] == pytest.approx(1.0)


def test_trace_from_the_far_end_is_turned_round() -> None:
    """A trace from Z gives places measured from A."""
    placed = place_events(path([1000.0, 2000.0]), trace([0.0, 2000.0, 3000.0], "z_to_a"))
    assert list(placed["element_id"]) == ["P2", "S1", "P0"]
    np.testing.assert_allclose(placed["place_m"], [3000.0, 1000.0, 0.0])


def test_event_away_from_joints_lies_on_the_cable() -> None:
    """An event 500 m from the nearest joint lies on the cable there: a bend or an unrecorded splice."""
    placed = place_events(path([1000.0, 2000.0]), trace([0.0, 1000.0, 1500.0, 3000.0]))
    bend = placed.iloc[2]
    assert (bend["element_kind"], bend["element_id"], bend["same_as"]) == ("cable", "K2", "")
    assert pd.isna(bend["off_by_m"])


def test_joints_within_the_dead_zone_are_one_place() -> None:
    """Joints 3 m apart cannot be told apart: the nearer one is named, the other stands beside it."""
    near = path([3.0, 2000.0])
    placed = place_events(near, trace([0.0, 2003.0]))
    assert (placed["element_id"].iloc[0], placed["same_as"].iloc[0]) == ("P0", "S1")
    apart = place_events(near, trace([0.0, 2003.0]), dead_zone=2.0)
    assert apart["same_as"].iloc[0] == ""
    with pytest.raises(ParameterError, match="dead_zone: got 0"):
        place_events(near, trace([0.0]), dead_zone=0.0)


def test_recorded_length_is_stretched_to_the_optical_one() -> None:
    """A fibre that measures 1 % longer than recorded is stretched so that its joints still match."""
    placed = place_events(path([1000.0, 2000.0]), trace([0.0, 1010.0, 3030.0]))
    assert list(placed["element_id"]) == ["P0", "S1", "P2"]
    assert set(placed["aligned_by"]) == {"stretched to the recorded length"}
    np.testing.assert_allclose(placed["off_by_m"], 0.0, atol=1e-6)


@pytest.mark.parametrize("direction", ["a_to_z", "z_to_a"])
@pytest.mark.parametrize("launch", [0.0, 150.0, 1000.0])
def test_unknown_launch_cord_is_found(direction: str, launch: float) -> None:
    """A trace started through a launch cord of unknown length is shifted onto the path's joints."""
    lengths = [1000.0, 2000.0, 4700.0]
    joints = np.array([0.0, 1000.0, 3000.0, 7700.0])
    from_start = joints if direction == "a_to_z" else 7700.0 - joints[::-1]
    placed = place_events(path(lengths), trace(list(from_start + launch), direction))
    expected = ["P0", "S1", "S2", "P3"]
    assert list(placed["element_id"]) == (expected if direction == "a_to_z" else expected[::-1])


def test_trace_started_at_a_frame_is_found() -> None:
    """A trace shot from the second joint through a launch cord, whose fibre breaks early, still finds its joints."""
    lengths = [12.0, 1500.0, 2500.0]
    cut = trace([150.0, 1650.0, 2900.0])
    placed = place_events(path(lengths), cut)
    assert list(placed["element_id"][:2]) == ["S1", "S2"]
    assert (placed["element_kind"].iloc[2], placed["element_id"].iloc[2]) == ("cable", "K3")
    assert placed["aligned_by"].iloc[0] == "shifted by 138 m to its first event"


def test_given_launch_cord_comes_off() -> None:
    """A launch cord given by the caller comes off the distances."""
    placed = place_events(path([1000.0, 2000.0]), trace([150.0, 1150.0, 3150.0]), launch_cord_m=150.0)
    assert list(placed["element_id"]) == ["P0", "S1", "P2"]
    assert set(placed["aligned_by"]) == {"as measured"}


def test_circuit_without_a_path_stays_unplaced() -> None:
    """Events of a circuit that was not traced have no element, and no rows of places."""
    placed = place_events(path([100.0]), trace([0.0, 100.0], circuit="C9"))
    assert placed["element_id"].isna().all()
    assert merge_directions(placed).empty
    assert place_events(path([100.0]).iloc[:0], trace([0.0]))["position"].isna().all()


def test_gainer_cancels_in_both_directions() -> None:
    """-0.10 dB one way and 0.30 dB the other is a splice of 0.10 dB, marked a gainer."""
    both = pd.concat(
        [
            trace([0.0, 1000.0, 3000.0], losses=[0.2, -0.10, 0.0]),
            trace([0.0, 2000.0, 3000.0], "z_to_a", "T2", losses=[0.0, 0.30, 0.2]),
        ]
    )
    merged = merge_directions(place_events(path([1000.0, 2000.0]), both)).set_index("element_id")
    splice = merged.loc["S1"]
    assert splice["loss_db"] == pytest.approx(0.10)
    assert splice["is_two_way"]
    assert splice["is_gainer"]
    assert (splice["loss_a_to_z_db"], splice["loss_z_to_a_db"]) == (-0.10, 0.30)


def test_the_end_of_a_trace_has_no_loss() -> None:
    """The 0 dB that an instrument writes at the end of the fibre does not halve the other direction's loss."""
    one, other = trace([0.0, 1000.0], losses=[0.4, 0.0]), trace([0.0, 1000.0], "z_to_a", "T2", losses=[0.3, 0.0])
    both = pd.concat([each.assign(kind=["reflective", "end_of_fibre"]) for each in (one, other)])
    merged = merge_directions(place_events(path([1000.0]), both)).set_index("element_id")
    assert merged["loss_db"].to_dict() == {"P0": 0.4, "P1": 0.3}
    assert not merged["is_two_way"].any()


def test_one_direction_is_said() -> None:
    """With one direction the loss is that one's and the place is not two-way."""
    merged = merge_directions(place_events(path([1000.0]), trace([0.0, 1000.0], losses=[0.2, 0.1])))
    assert not merged["is_two_way"].any()
    assert merged["loss_db"].tolist() == [0.2, 0.1]


def test_newest_trace_counts_and_bends_stay_apart() -> None:
    """Only the newest trace of a direction counts; two bends on one cable do not add up."""
    old = trace([0.0, 1500.0, 3000.0], losses=[0.9, 0.9, 0.9]).assign(at=pd.Timestamp("2029-01-01"), trace_id="T0")
    new = trace([0.0, 1000.0, 1500.0, 2400.0, 3000.0], losses=[0.1, 0.1, 0.4, 0.6, 0.0])
    merged = merge_directions(place_events(path([1000.0, 2000.0]), pd.concat([old, new])))
    bends = merged[merged["element_kind"] == "cable"]
    assert bends["loss_db"].tolist() == [0.4, 0.6]
    assert merged.loc[merged["element_id"] == "P0", "loss_db"].tolist() == [0.1]


def test_many_circuits_at_once_equal_one_by_one() -> None:
    """Placing the traces of 12 random circuits together gives the same as one at a time, in any row order."""
    rng = np.random.default_rng(5)
    paths, traces = [], []
    for number in range(12):
        lengths = rng.uniform(2.0, 3000.0, rng.integers(1, 7)).round(1)
        joints = np.concatenate(([0.0], np.cumsum(lengths)))
        direction = str(rng.choice(["a_to_z", "z_to_a"]))
        seen = joints if direction == "a_to_z" else joints[-1] - joints[::-1]
        seen = seen + rng.choice([0.0, 150.0]) + rng.normal(0.0, 0.5, len(seen))
        paths.append(path(list(lengths), f"C{number}"))
        traces.append(trace(list(seen), direction, f"T{number}", circuit=f"C{number}"))
    all_paths, all_traces = pd.concat(paths), pd.concat(traces, ignore_index=True)
    together = place_events(all_paths.sample(frac=1.0, random_state=1), all_traces)
    alone = pd.concat([place_events(p, t) for p, t in zip(paths, traces, strict=True)], ignore_index=True)
    pd.testing.assert_frame_equal(together, alone)
    assert (together["element_kind"] != "cable").mean() > 0.95
