"""Reflectometer traces in the Telcordia SR-4731 format (.sor, version 2) -> rows of `otdr_events`.

The library `otdrparser` reads the blocks; this module checks what it read and names it in the planner's
terms. The raw file's SHA-256 goes into the trace's key, so that the same file loaded twice is the same trace
and a changed file is another one. The checksum block of the format is not verified: instruments differ in
what they compute it over.
"""

from __future__ import annotations

import hashlib
import io
import struct
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import numpy as np
import otdrparser
import pandas as pd

from planner.errors import InputError
from planner.tables.catalogue import TABLES

Direction = Literal["a_to_z", "z_to_a"]

EVENT_COLUMNS = TABLES["otdr_events"].column_names
FILE_COLUMNS = (*EVENT_COLUMNS, "file_name", "sha256")

# What the reader may raise on bytes that only look like a trace.
_UNREADABLE = (ValueError, IndexError, KeyError, struct.error, OverflowError, ZeroDivisionError, EOFError)


def read_traces(
    paths: Sequence[Path],
    circuit_id: str | None = None,
    direction: Direction | None = None,
    launch_cord_m: float = 0.0,
) -> pd.DataFrame:
    """Events of trace files as rows of `otdr_events`.

    Parameters
    ----------
    paths
        Files, one trace each.
    circuit_id
        Circuit they were taken on; by default what the file names as its cable.
    direction
        End they were shot from; by default `a_to_z` or `z_to_a` in the file's name, else z_to_a for a
        reverse trace and a_to_z for any other.
    launch_cord_m
        Length of a launch cord that the instrument did not subtract; distances count from its far end. [m]

    Returns
    -------
    Columns of `otdr_events`, then `file_name` and `sha256` (of the raw file). Distances are optical: time of
    flight over the group index that the file gives. Rows by file, then by event.

    Raises
    ------
    InputError
        A file that cannot be read as an SR-4731 trace, or that names no circuit.
    """
    frames = [_read_trace(Path(path), circuit_id, direction, launch_cord_m) for path in paths]
    if not frames:
        return pd.DataFrame(columns=list(FILE_COLUMNS))
    return pd.concat(frames, ignore_index=True)


def _read_trace(path: Path, circuit_id: str | None, direction: Direction | None, launch_m: float) -> pd.DataFrame:
    try:
        content = path.read_bytes()
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror or error}") from error
    blocks = _blocks(content, path)
    general, fixed, events = blocks.get("GenParams", {}), blocks["FxdParams"], blocks["KeyEvents"]["events"]
    circuit = circuit_id or str(general.get("cable_id") or "").strip()
    if not circuit:
        raise InputError(f"{path}: names no cable, so its circuit is not known; say which circuit it was taken on")
    sha256 = hashlib.sha256(content).hexdigest()
    frame = pd.DataFrame(
        {
            "trace_id": f"{path.stem}-{sha256[:12]}",
            "event_no": [int(event["event_number"]) for event in events],
            "at": datetime.fromtimestamp(int(fixed["date_time"]), UTC).replace(tzinfo=None),
            "circuit_id": circuit,
            "direction": direction or _direction(path, str(fixed.get("trace_type", ""))),
            "wavelength_nm": _wavelength(general, fixed, path),
            "distance_m": [float(event["distance_of_travel"]) - launch_m for event in events],
            "loss_db": [float(event["splice_loss"]) for event in events],
            "reflectance_db": [_reflectance(event) for event in events],
            "kind": [_kind(event) for event in events],
            "file_name": path.name,
            "sha256": sha256,
        }
    )
    if frame["event_no"].duplicated().any():
        number = int(frame.loc[frame["event_no"].duplicated(), "event_no"].iloc[0])
        raise InputError(f"{path}: got event number {number} twice, must be different for every event")
    frame["at"] = frame["at"].astype("datetime64[us]")
    return frame[list(FILE_COLUMNS)]


def _blocks(content: bytes, path: Path) -> dict[str, Any]:
    try:
        blocks: dict[str, Any] = otdrparser.parse2(io.BytesIO(content))
    except _UNREADABLE as error:
        text = " ".join(str(error).split()) or type(error).__name__
        raise InputError(
            f"{path}: cannot be read as an SR-4731 version 2 trace: {text}; export it again from the instrument"
        ) from error
    if "KeyEvents" not in blocks:
        raise InputError(f"{path}: holds no event table; let the instrument analyse the trace, then export it again")
    return blocks


def _direction(path: Path, trace_type: str) -> Direction:
    name = path.stem.lower().replace("-", "_")
    if "z_to_a" in name:
        return "z_to_a"
    if "a_to_z" in name:
        return "a_to_z"
    return "z_to_a" if trace_type == "RT" else "a_to_z"


def _wavelength(general: dict[str, Any], fixed: dict[str, Any], path: Path) -> float:
    """The nominal wavelength if it is near the actual one, else the actual one to whole nanometres. [nm]"""
    actual = float(fixed["wavelength"])
    nominal = float(general.get("wavelength") or 0)
    wavelength = nominal if abs(nominal - actual) <= 30.0 else float(np.round(actual))
    column = TABLES["otdr_events"].column("wavelength_nm")
    if not (column.low or 0) <= wavelength <= (column.high or np.inf):
        raise InputError(f"{path}: got a wavelength of {wavelength:g} nm, must be {column.low:g} to {column.high:g} nm")
    return wavelength


def _reflectance(event: dict[str, Any]) -> float:
    """Reflectance of a reflective event, negative; empty for others and where the file gives 0. [dB]"""
    value = -abs(float(event["reflection_loss"]))
    return value if event["event_type_details"]["event"] != "non-reflective" and value < 0 else float("nan")


def _kind(event: dict[str, Any]) -> str:
    details = event["event_type_details"]
    if details["note"] in ("end-of-fiber", "modified-end-of-fiber"):
        return "end_of_fibre"
    return "non_reflective" if details["event"] == "non-reflective" else "reflective"
