"""A fleet small enough to read: two sites, one cord between two equipment ports, and a little history.

    port P1 (equipment, site S1) <- connector C1 == cable K1 == connector C2 -> port P2 (equipment, site S2)

F1 and F2 are the end faces built into P1 and P2.
"""

from __future__ import annotations

import csv
from pathlib import Path

Rows = list[dict[str, str]]


def tiny_fleet() -> dict[str, Rows]:
    """Every required table and some of the others, as rows of text."""
    return {
        "sites": [
            {"site_id": "S1", "kind": "central_office", "latitude": "50.1", "longitude": "8.5", "name": "One"},
            {"site_id": "S2", "kind": "hut", "latitude": "-0.25", "longitude": "-179", "name": "Two, far"},
        ],
        "housings": [
            {"housing_id": "H1", "site_id": "S1", "kind": "equipment"},
            {"housing_id": "H2", "site_id": "S2", "kind": "equipment"},
            {"housing_id": "T1", "site_id": "", "kind": "test_set"},
        ],
        "ports": [
            _port("P1", "H1"),
            _port("P2", "H2"),
        ],
        "cables": [
            {
                "cable_id": "K1",
                "kind": "patch_cord",
                "fibre_type": "OS2",
                "length_m": "12.5",
                "fibre_count": "1",
                "installed_on": "2030-02-28",
            }
        ],
        "connectors": [
            _connector("C1", cable="K1", end="A"),
            _connector("C2", cable="K1", end="B"),
            _connector("F1", port="P1"),
            _connector("F2", port="P2"),
        ],
        "patching": [
            {"connector_id": "C1", "port_id": "P1", "face": "front", "since_at": "2030-03-01T00:00:00Z"},
            {"connector_id": "C2", "port_id": "P2", "face": "front", "since_at": ""},
        ],
        "circuits": [
            {"circuit_id": "X1", "a_port_id": "P1", "z_port_id": "P2", "wavelength_nm": "1310"},
            {
                "circuit_id": "X2",
                "a_port_id": "P1",
                "z_port_id": "P2",
                "wavelength_nm": "1550",
                "protected_by": "X1",
            },
        ],
        "inspections": [
            {
                "inspection_id": "I1",
                "at": "2030-04-01T10:00:00Z",
                "connector_id": "C1",
                "result": "fail",
                "finding": "oil_film",
                "test_set_id": "T1",
            }
        ],
        "power_readings": [
            {"at": f"2030-04-0{day}T00:00:00Z", "port_id": port, "tx_dbm": "-1.5", "rx_dbm": f"-8.{day}"}
            for day in (1, 2, 3)
            for port in ("P1", "P2")
        ],
    }


def _port(port_id: str, housing_id: str) -> dict[str, str]:
    return {
        "port_id": port_id,
        "housing_id": housing_id,
        "family": "LC",
        "polish": "UPC",
        "mode": "SM",
        "fibre_count": "1",
        "role": "equipment",
    }


def _connector(connector_id: str, cable: str = "", end: str = "", port: str = "") -> dict[str, str]:
    return {
        "connector_id": connector_id,
        "cable_id": cable,
        "cable_end": end,
        "fibre_count": "1",
        "fixed_port_id": port,
        "family": "LC",
        "polish": "UPC",
    }


def write_csv(path: Path, rows: Rows, **dialect: str) -> Path:
    """Write rows as a CSV file; the header is every name that any row has, in order of appearance."""
    names = list(dict.fromkeys(name for row in rows for name in row))
    encoding = dialect.pop("encoding", "utf-8")
    with path.open("w", encoding=encoding, newline="") as file:
        writer = csv.DictWriter(file, names, restval="", lineterminator=dialect.pop("lineterminator", "\n"), **dialect)
        writer.writeheader()
        writer.writerows(rows)
    return path


def write_fleet(folder: Path, fleet: dict[str, Rows] | None = None, **dialect: str) -> Path:
    """Write a fleet as a folder of CSV files."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows in (fleet or tiny_fleet()).items():
        write_csv(folder / f"{name}.csv", rows, **dialect)
    return folder
