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


def full_fleet() -> dict[str, Rows]:
    """The tiny fleet with at least one row in every intake table and, somewhere, a value in every column."""
    fleet = tiny_fleet()
    fleet["sites"].append(
        {
            "site_id": "S3",
            "name": "Three",
            "kind": "cabinet",
            "region": "north",
            "latitude": "51",
            "longitude": "9.25",
            "environment": "outdoor",
            "access_open": "07:30",
            "access_close": "18:00",
            "access_days": "Mon;Tue;Fri",
            "timezone": "Europe/Lisbon",
            "entry_min": "5",
            "access_note": "ring twice",
        }
    )
    fleet["housings"].append(
        {
            "housing_id": "H3",
            "site_id": "S3",
            "kind": "splitter",
            "name": "Box",
            "rack": "R1",
            "rack_unit": "12",
            "installed_on": "2029-01-31",
        }
    )
    fleet["ports"] += [
        {**_port("P3", "H3"), "role": "splitter_input", "label": "IN"},
        {**_port("P4", "H3"), "role": "splitter_output"},
    ]
    fleet["cables"].append(
        {"cable_id": "K2", "kind": "trunk", "fibre_type": "OM4", "length_m": "0", "fibre_count": "12", "batch": "B7"}
    )
    fleet["cables"][0]["polarity"] = "A"
    fleet["connectors"].append(
        {
            **_connector("C3", cable="K2", end="A"),
            "first_fibre": "1",
            "grade": "B",
            "installed_on": "2030-01-01",
        }
    )
    fleet["circuits"][0] |= {
        "name": "first",
        "fibre": "1",
        "application": "10GBASE-LR",
        "max_loss_db": "6.3",
        "customers": "12",
        "priority": "1",
        "in_service_on": "2030-01-01",
    }
    fleet["inspections"][0] |= {
        "worst_zone": "A",
        "stage": "routine",
        "image_file": "i1.png",
        "technician_id": "W1",
        "work_order_id": "O1",
    }
    fleet["power_readings"][0]["pre_fec_ber"] = "1.5e-9"
    return fleet | {
        "splices": [
            {
                "splice_id": "L1",
                "site_id": "S3",
                "cable_a_id": "K1",
                "end_a": "B",
                "fibre_a": "1",
                "cable_b_id": "K2",
                "end_b": "B",
                "fibre_b": "1",
                "kind": "fusion",
                "loss_db": "0.05",
                "spliced_on": "2030-01-01",
            }
        ],
        "splitter_legs": [
            {"splitter_id": "H3", "leg": "0", "port_id": "P3", "ratio": "2"},
            {"splitter_id": "H3", "leg": "1", "port_id": "P4", "ratio": "2"},
        ],
        "mating_events": [
            {
                "event_id": "E1",
                "at": "2030-03-01T00:00:00Z",
                "port_id": "P1",
                "face": "front",
                "connector_id": "C1",
                "action": "mate",
                "inspected_first": "true",
                "cleaned_first": "false",
                "technician_id": "W1",
                "work_order_id": "O1",
            }
        ],
        "end_face_defects": [
            {
                "inspection_id": "I1",
                "fibre": "1",
                "kind": "scratch",
                "x_um": "-3.5",
                "y_um": "12",
                "width_um": "0.5",
                "length_um": "20",
            }
        ],
        "cleanings": [
            {
                "cleaning_id": "N1",
                "at": "2030-04-01T10:10:00Z",
                "connector_id": "C1",
                "method": "dry_pen",
                "technician_id": "W1",
                "work_order_id": "O1",
            }
        ],
        "loss_tests": [
            {
                "test_id": "Y1",
                "at": "2030-04-01T11:00:00Z",
                "circuit_id": "X1",
                "wavelength_nm": "1310",
                "direction": "both",
                "loss_db": "0.42",
                "orl_db": "45",
                "reference_cords": "1",
                "technician_id": "W1",
                "test_set_id": "T1",
            }
        ],
        "otdr_events": [
            {
                "trace_id": "R1",
                "event_no": "1",
                "at": "2030-04-01T11:30:00Z",
                "circuit_id": "X1",
                "direction": "a_to_z",
                "wavelength_nm": "1550",
                "distance_m": "12.4",
                "loss_db": "-0.1",
                "reflectance_db": "-45",
                "kind": "reflective",
            }
        ],
        "work_orders": [
            {
                "work_order_id": "O1",
                "opened_at": "2030-04-01T08:00:00Z",
                "closed_at": "2030-04-01T12:00:00Z",
                "site_id": "S1",
                "circuit_id": "X1",
                "connector_id": "C1",
                "reason": "alarm",
                "cause_found": "contamination",
                "action_taken": "cleaned",
                "crew_id": "V1",
                "cost": "120.5",
            }
        ],
        "crews": [
            {
                "crew_id": "V1",
                "depot_site_id": "S1",
                "shift_start": "08:00",
                "shift_end": "16:30",
                "work_days": "Mon;Tue;Wed",
                "max_overtime_min": "60",
                "cost_per_hour": "80",
                "cost_per_km": "0.5",
                "skills": "live work",
                "kit": "tip_1.25_upc;pen_1.25",
            }
        ],
        "technicians": [{"technician_id": "W1", "crew_id": "V1"}],
        "travel_times": [{"from_site_id": "S1", "to_site_id": "S2", "minutes": "35", "km": "40.5"}],
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
