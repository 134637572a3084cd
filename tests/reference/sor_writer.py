"""Writes small reflectometer traces in the SR-4731 version 2 format, for tests.

Layout as in the format: a map block, then the blocks in the map's order, each beginning with its name.
Little-endian; times in units of 0.1 ns one way, losses in 0.001 dB, the wavelength of the fixed parameters in
0.1 nm, the checksum a CRC-16 (CCITT) over all bytes before its block.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

SPEED_OF_LIGHT_M_PER_US = 299.792458


@dataclass
class Event:
    """One event: where, what it costs and reflects, and its type (0 or 1 reflective; F found, E end of fibre)."""

    distance_m: float
    loss_db: float
    reflectance_db: float = 0.0
    kind: str = "0F"


@dataclass
class Trace:
    """One trace with its event table."""

    events: list[Event]
    cable_id: str = "CKT-1"
    wavelength_nm: int = 1550
    taken_at: int = 1_900_000_000
    group_index: float = 1.46820
    trace_type: str = "ST"
    pulse_ns: int = 100
    points: list[int] = field(default_factory=lambda: [1000, 1100, 1200, 60000])


def text(value: str) -> bytes:
    """A zero-terminated string."""
    return value.encode("latin-1") + b"\0"


def crc16(content: bytes) -> int:
    """CRC-16, polynomial 0x1021, start 0xFFFF, not reflected."""
    crc = 0xFFFF
    for byte in content:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1
            crc &= 0xFFFF
    return crc


def travel(distance_m: float, group_index: float) -> int:
    """One-way time of travel in 0.1 ns."""
    return round(distance_m * group_index / SPEED_OF_LIGHT_M_PER_US * 10_000)


def general(trace: Trace) -> bytes:
    """The general parameters."""
    return (
        text("GenParams")
        + b"EN"
        + text(trace.cable_id)
        + text("1")
        + struct.pack("<hH", 652, trace.wavelength_nm)
        + text("A")
        + text("Z")
        + text("")
        + b"BC"
        + struct.pack("<ii", 0, 0)
        + text("")
        + text("")
    )


def supplier() -> bytes:
    """The supplier parameters, left blank."""
    return text("SupParams") + text("") * 7


def fixed(trace: Trace) -> bytes:
    """The fixed parameters."""
    return (
        text("FxdParams")
        + struct.pack("<I", trace.taken_at)
        + b"mt"
        + struct.pack("<Hii", trace.wavelength_nm * 10, 0, 0)
        + struct.pack("<HHII", 1, trace.pulse_ns, 100_000, len(trace.points))
        + struct.pack("<IHIH", round(trace.group_index * 100_000), 800, 1000, 100)
        + struct.pack("<IiiHhH", 500_000, 0, 0, 30_000, 1000, 0)
        + struct.pack("<HHH", 50, 40_000, 3000)
        + trace.trace_type.encode("ascii")
        + struct.pack("<iiii", 0, 0, 0, 0)
    )


def data_points(trace: Trace) -> bytes:
    """The samples of the trace."""
    count = len(trace.points)
    return text("DataPts") + struct.pack("<IHIH", count, 1, count, 1000) + struct.pack(f"<{count}H", *trace.points)


def key_events(trace: Trace) -> bytes:
    """The event table and the summary that ends it."""
    body = text("KeyEvents") + struct.pack("<H", len(trace.events))
    for number, event in enumerate(trace.events, start=1):
        at = travel(event.distance_m, trace.group_index)
        body += struct.pack("<HI", number, at)
        body += struct.pack("<hhi", 200, round(event.loss_db * 1000), round(event.reflectance_db * 1000))
        body += f"{event.kind}9999LS".encode("ascii")
        body += struct.pack("<iiiii", at, at, at, at, at)
        body += text("")
    end = travel(trace.events[-1].distance_m, trace.group_index) if trace.events else 0
    return body + struct.pack("<iiiHii", 1000, 0, end, 30_000, 0, end)


def sor_bytes(trace: Trace, without: tuple[str, ...] = ()) -> bytes:
    """The file's content; `without` leaves blocks out."""
    blocks = {
        "GenParams": general(trace),
        "SupParams": supplier(),
        "FxdParams": fixed(trace),
        "KeyEvents": key_events(trace),
        "DataPts": data_points(trace),
    }
    for name in without:
        del blocks[name]
    checksum = text("Cksum") + b"\0\0"
    sizes = {name: len(body) for name, body in blocks.items()} | {"Cksum": len(checksum)}
    entries = b"".join(text(name) + struct.pack("<HI", 200, size) for name, size in sizes.items())
    head = text("Map") + struct.pack("<H", 200)
    map_size = len(head) + 4 + 2 + len(entries)
    content = head + struct.pack("<IH", map_size, len(sizes) + 1) + entries + b"".join(blocks.values())
    return content + text("Cksum") + struct.pack("<H", crc16(content))
