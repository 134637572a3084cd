"""What the kernel works on: the plant as records, the logs, and the codes of jobs, causes and stages."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[Any]
JOB_INSTALL, JOB_CHANGE, JOB_DISTURB, JOB_ROUTINE, JOB_TEST, JOB_ALARM, JOB_COMPLAINT = range(1, 8)
# Kinds of fault that are not dirt; causes 0.. as in CAUSES_FOUND are what a work order is closed with.
FAULT_BEND, FAULT_SPLICE, FAULT_BREAK, FAULT_TRANSMITTER, FAULT_RECEIVER = range(1, 6)
CONTAMINATION, DAMAGED, BEND, BREAK, SPLICE_CAUSE, TRANSCEIVER, NO_FAULT, OTHER = range(8)
CAUSE_OF_FAULT = np.array([NO_FAULT, BEND, SPLICE_CAUSE, BREAK, TRANSCEIVER, TRANSCEIVER])
REASON_ALARM, REASON_COMPLAINT, REASON_ROUTINE, REASON_INSTALL, REASON_CHANGE = range(5)
DID_CLEAN, DID_CORD, DID_CONNECTOR, DID_FIBRE, DID_TRANSCEIVER, DID_NOTHING = range(6)
STAGE_ROUTINE, STAGE_BEFORE, STAGE_AFTER, STAGE_INCOMING = range(4)
DAY_MIN = 1440.0
# Logs, and how many columns each has.
LOG_MATING, LOG_LOOK, LOG_MARK, LOG_CLEAN, LOG_TEST, LOG_OTDR, LOG_ORDER, LOG_CHANGE, LOG_RENEW = range(9)
PORT = np.dtype(
    [
        ("front", "i8"),  # connector at the front, -1 none
        ("rear", "i8"),  # connector behind (plugged or built in)
        ("site", "i8"),
        ("slot", "i8"),  # its first entry in `pair`
        ("fibres", "i8"),
        ("launch_kind", "i8"),  # which launch cord fits the front: 0, 1, 2 or -1
        ("outdoor", "i8"),
        ("offset", "f8"),  # loss of two spotless faces as last mated [dB]
        ("grade_db", "f8"),  # mean of that loss for the pair's grades [dB]
        ("touched", "f8"),  # minute of the last work here
        ("dust", "f8"),  # particles that settle per opening
        ("finger", "f8"),  # chance of a fingerprint per opening
        ("tool_dirt", "f8"),  # chance that a cleaning brings dirt
        ("care", "f8"),  # multiplies the odds that people look first
    ]
)
CIRCUIT = np.dtype(
    [
        ("first_item", "i8"),  # offsets into `item` and `fault_of_circuit`; one record more than circuits
        ("first_fault", "i8"),
        ("kind", "i8"),  # 0 hall single-mode, 1 metro, 2 passive tree, 3 hall multimode
        ("crew", "i8"),
        ("flagged", "i8"),
        ("listed", "i8"),  # today's list of touched circuits
        ("base", "f8"),  # pairs' loss as built [dB]
        ("excess", "f8"),  # pairs' loss above that, as last logged [dB]
        ("threshold", "f8"),  # rise that raises an alarm [dB]
        ("muted", "f8"),  # no alarm before this minute
        ("in_service", "f8"),  # minute it goes into service
        ("static_short", "f8"),  # cable, splice and splitter loss at 1310 (850) nm and at 1550 nm [dB]
        ("static_long", "f8"),
    ]
)
ITEM = np.dtype([("slot", "i8"), ("port", "i8"), ("loss", "f8")])  # slot and port -1 for splices and legs
PAIR = np.dtype([("first", "i8"), ("loss", "f8")])  # offset into `slot_circuit`, loss now [dB]
FAULT = np.dtype([("kind", "i8"), ("onset", "f8"), ("end", "f8"), ("db", "f8"), ("ramp", "f8"), ("ratio", "f8")])
TECHNICIAN = np.dtype([("crew", "i8"), ("quality", "f8"), ("eye", "f8")])
STOCK = np.dtype([("first", "i8"), ("used", "i8")])
QUEUE = np.dtype([("next", "i8"), ("circuit", "i8")])


class World(NamedTuple):
    """The plant as the kernel sees it: records by row number of the `Plant` tables."""

    port: Array
    circuit: Array
    item: Array  # what light passes: mated pairs, splices, splitter legs, circuit after circuit
    pair: Array  # one record for each port and fibre, and one more
    slot_circuit: Array  # circuits over each pair
    fault: Array
    fault_of_circuit: Array
    technician: Array
    launch: Array  # (crews, 3) free ends of launch cords
    launch_care: Array  # (crews,) chance that a launch cord is looked at before use
    cord_of_face: Array
    cord_faces: Array  # (cords, 2, 2)
    cord_ports: Array  # (cords, 2, 2)
    cord_type: Array
    stock: Array  # by cord type, and one more
    stock_cord: Array
    site_port_start: Array  # ports with a removable front connector, by site
    site_port: Array
    queue: Array  # alarm jobs
    queue_head: Array  # first alarm job of each day, -1 none


class Logs(NamedTuple):
    """What was written down since the logs were last emptied.

    `book` is (logs, rows, columns), `change` (rows, 3) the circuits' excess as it changes; `filled` rows in
    each log, `total` the counters that run on.
    """

    book: npt.NDArray[np.float64]
    change: npt.NDArray[np.float64]
    filled: npt.NDArray[np.int64]
    total: npt.NDArray[np.int64]

    def rows(self, log: int) -> npt.NDArray[np.float64]:
        """The rows of one log."""
        if log == LOG_CHANGE:
            return self.change[: self.filled[LOG_CHANGE]]
        return self.book[log, : self.filled[log]]


TOTAL_LOOKS, TOTAL_ORDERS, TOTAL_TRACES, TOTAL_QUEUE, TOTAL_FLAGS = range(5)


def empty_logs(rows: int, circuits: int) -> Logs:
    """Logs with room for that many rows each, and for every circuit to change on a few days."""
    return Logs(
        book=np.zeros((9, rows, 13)),
        change=np.zeros((rows + 3 * circuits, 3)),
        filled=np.zeros(9, np.int64),
        total=np.zeros(5, np.int64),
    )
