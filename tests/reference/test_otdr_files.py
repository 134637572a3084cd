"""Reflectometer files: what our reader says against a second, independent reader and against what was written."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest
from sor_writer import SPEED_OF_LIGHT_M_PER_US, Event, Trace, sor_bytes

from planner.errors import InputError
from planner.standards.otdr_files import read_traces
from planner.tables.catalogue import TABLES

EVENTS = [
    Event(0.0, 0.21, -47.3, "1F"),
    Event(1234.5, -0.12),
    Event(1240.0, 0.085),
    Event(10_300.25, 0.31, -38.125, "1F"),
    Event(23_513.5, 0.0, -14.7, "1E"),
]


def written(folder: Path, name: str, trace: Trace) -> Path:
    """The trace as a file."""
    path = folder / name
    path.write_bytes(sor_bytes(trace))
    return path


def test_events_come_back_as_written(tmp_path: Path) -> None:
    """Distances, losses, reflectances and kinds equal what was written, to the resolution of the format."""
    path = written(tmp_path, "panel_a_to_z.sor", Trace(EVENTS))
    frame = read_traces([path])
    one_unit_m = SPEED_OF_LIGHT_M_PER_US / 1.4682 / 10_000
    np.testing.assert_allclose(frame["distance_m"], [event.distance_m for event in EVENTS], atol=one_unit_m)
    np.testing.assert_allclose(frame["loss_db"], [event.loss_db for event in EVENTS], atol=0.0005)
    expected = [-47.3, np.nan, np.nan, -38.125, -14.7]
    np.testing.assert_allclose(frame["reflectance_db"], expected, atol=0.0005)
    assert list(frame["kind"]) == ["reflective", "non_reflective", "non_reflective", "reflective", "end_of_fibre"]
    assert list(frame["event_no"]) == [1, 2, 3, 4, 5]
    assert frame["at"].iloc[0].isoformat() == "2030-03-17T17:46:40"
    assert set(frame["wavelength_nm"]) == {1550.0}


def test_rows_fit_the_declared_table(tmp_path: Path) -> None:
    """The frame holds every column of otdr_events and only allowed kinds, then the file's name and hash."""
    frame = read_traces([written(tmp_path, "t.sor", Trace(EVENTS))])
    table = TABLES["otdr_events"]
    assert list(frame.columns) == [*table.column_names, "file_name", "sha256"]
    assert set(frame["kind"]) <= set(table.column("kind").allowed)
    assert set(frame["direction"]) <= set(table.column("direction").allowed)


def test_hash_of_the_raw_file_is_kept(tmp_path: Path) -> None:
    """The SHA-256 of the file is kept and part of the trace's key: same file, same trace; changed file, another."""
    first = written(tmp_path, "one.sor", Trace(EVENTS))
    changed = tmp_path / "other" / "one.sor"
    changed.parent.mkdir()
    changed.write_bytes(sor_bytes(Trace(EVENTS, pulse_ns=200)))
    frame = read_traces([first, changed])
    digest = hashlib.sha256(first.read_bytes()).hexdigest()
    assert frame["sha256"].iloc[0] == digest
    assert frame["trace_id"].nunique() == 2
    assert read_traces([first])["trace_id"].iloc[0] == frame["trace_id"].iloc[0]


@pytest.mark.parametrize(
    ("name", "trace_type", "direction"),
    [
        ("x_a_to_z.sor", "RT", "a_to_z"),
        ("x-Z-to-A.sor", "ST", "z_to_a"),
        ("x.sor", "RT", "z_to_a"),
        ("x.sor", "ST", "a_to_z"),
    ],
)
def test_direction_of_a_trace(tmp_path: Path, name: str, trace_type: str, direction: str) -> None:
    """The file's name says the direction, else the trace type; the caller's word goes before both."""
    path = written(tmp_path, name, Trace(EVENTS, trace_type=trace_type))
    assert set(read_traces([path])["direction"]) == {direction}
    assert set(read_traces([path], direction="z_to_a")["direction"]) == {"z_to_a"}


def test_circuit_and_launch_cord_can_be_given(tmp_path: Path) -> None:
    """A circuit and a launch cord given by the caller replace the file's cable and come off the distances."""
    path = written(tmp_path, "t.sor", Trace(EVENTS))
    plain, given = read_traces([path]), read_traces([path], "CKT-9", launch_cord_m=150.0)
    assert set(plain["circuit_id"]) == {"CKT-1"}
    assert set(given["circuit_id"]) == {"CKT-9"}
    np.testing.assert_allclose(plain["distance_m"] - given["distance_m"], 150.0)


def test_second_reader_agrees(tmp_path: Path) -> None:
    """An independent reader (otdrs) finds the same events, accepts the checksum, and its copy reads the same."""
    otdrs = pytest.importorskip("otdrs", reason="the second reader otdrs is not installed")
    path = written(tmp_path, "t.sor", Trace(EVENTS, wavelength_nm=1625))
    theirs = otdrs.parse_file(str(path))
    ours = read_traces([path])
    table = theirs.key_events
    events = [*table.key_events, table.last_key_event]
    assert [event.event_number for event in events] == list(ours["event_no"])
    factor = SPEED_OF_LIGHT_M_PER_US / (theirs.fixed_parameters.group_index / 100_000) / 10_000
    distance = [event.event_propogation_time * factor for event in events]
    np.testing.assert_allclose(ours["distance_m"], distance, rtol=1e-9)
    np.testing.assert_allclose(ours["loss_db"], [event.event_loss / 1000 for event in events])
    reflective = [event.event_reflectance / 1000 for event in events if event.event_code[0] != "0"]
    np.testing.assert_allclose(ours["reflectance_db"].dropna(), reflective)
    assert theirs.general_parameters.nominal_wavelength == ours["wavelength_nm"].iloc[0]
    assert theirs.fixed_parameters.date_time_stamp == int(ours["at"].iloc[0].timestamp())
    assert str(theirs.validate_checksum(path.read_bytes()).status).endswith("Valid")
    copy = tmp_path / "copy.sor"
    copy.write_bytes(theirs.to_bytes())
    columns = ["event_no", "at", "circuit_id", "wavelength_nm", "distance_m", "loss_db", "reflectance_db", "kind"]
    assert read_traces([copy])[columns].equals(ours[columns])


def broken_files() -> dict[str, bytes]:
    """Files that are no good trace, by what is wrong with them."""
    good = sor_bytes(Trace(EVENTS))
    return {
        "empty": b"",
        "text": b"distance,loss\n1,2\n",
        "cut in the map": good[:40],
        "cut in the events": good[:300],
        "version 1": good[4:],
        "no event table": sor_bytes(Trace(EVENTS), without=("KeyEvents",)),
        "no fixed parameters": sor_bytes(Trace(EVENTS), without=("FxdParams",)),
        "no samples": sor_bytes(Trace(EVENTS), without=("DataPts",)),
        "no cable": sor_bytes(Trace(EVENTS, cable_id="")),
        "impossible wavelength": sor_bytes(Trace(EVENTS, wavelength_nm=5)),
        "odd event type": sor_bytes(Trace([Event(5.0, 0.1, kind="0F9x")])),
    }


@pytest.mark.parametrize("fault", sorted(broken_files()))
def test_bad_file_is_refused_in_one_line(tmp_path: Path, fault: str) -> None:
    """A file that is no good trace is refused with its name and one clear line."""
    path = tmp_path / "bad.sor"
    path.write_bytes(broken_files()[fault])
    with pytest.raises(InputError) as caught:
        read_traces([path])
    assert str(caught.value).startswith(f"{path}: ")
    assert "\n" not in str(caught.value)


def test_missing_file_is_refused(tmp_path: Path) -> None:
    """A file that is not there is refused with its name."""
    with pytest.raises(InputError, match=r"absent\.sor: cannot be read"):
        read_traces([tmp_path / "absent.sor"])


def test_any_cut_is_refused_or_read_never_a_crash(tmp_path: Path) -> None:
    """A file cut anywhere, or with any byte changed, is either read or refused as input, nothing else."""
    good = sor_bytes(Trace(EVENTS))
    rng = np.random.default_rng(7)
    path = tmp_path / "t.sor"
    outcomes = {"read": 0, "refused": 0}
    for trial in range(400):
        content = bytearray(good)
        if trial % 2:
            content = content[: int(rng.integers(len(good)))]
        else:
            for place in rng.integers(len(good), size=3):
                content[place] = int(rng.integers(256))
        path.write_bytes(bytes(content))
        try:
            read_traces([path])
            outcomes["read"] += 1
        except InputError:
            outcomes["refused"] += 1
    assert outcomes["refused"] > 100
    assert outcomes["read"] > 0


def test_no_files_give_no_rows() -> None:
    """No files give an empty frame with the columns."""
    assert read_traces([]).empty
    assert "sha256" in read_traces([]).columns
