"""The working life of an invented plant: jobs, faults and light, minute by minute. Compiled.

In come the plant's arrays, a list of jobs planned in advance (installations, changes, routine rounds,
tests, complaints) and of faults with their onset; the kernel works through the days, adds the jobs that
alarms call for, and fills logs with what was recorded. The faces' true state is carried along and read at
the end. Logs are plain number arrays that the caller empties when they fill, so memory stays bounded.

Calls pass constants as `np.int64(...)`: the compiler would make a copy of a function for every literal.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from planner.synthetic.particles import (
    NOTHING,
    P_ALARM_CHANCE,
    P_CLEAN_BLIND,
    P_DEFECT_ROWS,
    P_LOOK,
    P_OFFSET,
    P_RIGHT_CODE,
    P_SUSPICION_ONLY,
    SCRATCH,
    ZONE_D_UM,
    age,
    clean,
    expose,
    face_excess_db,
    inner,
    is_contaminated,
    is_damaged,
    join,
    look,
    pair_excess_db,
    settle,
)

Array = npt.NDArray[np.generic]

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
LOG_COLUMNS = (9, 12, 7, 5, 9, 9, 13, 3, 3)


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

    `book` is (logs, rows, columns), `change` (rows, 3) the circuits' excess as it changes; `count` rows in
    each log, `total` the counters that run on.
    """

    book: npt.NDArray[np.float64]
    change: npt.NDArray[np.float64]
    count: npt.NDArray[np.int64]
    total: npt.NDArray[np.int64]

    def rows(self, log: int) -> npt.NDArray[np.float64]:
        """The rows of one log."""
        if log == LOG_CHANGE:
            return self.change[: self.count[LOG_CHANGE]]
        return self.book[log, : self.count[log]]


TOTAL_LOOKS, TOTAL_ORDERS, TOTAL_TRACES, TOTAL_QUEUE, TOTAL_FLAGS = range(5)


def empty_logs(rows: int, circuits: int) -> Logs:
    """Logs with room for that many rows each, and for every circuit to change on a few days."""
    return Logs(
        book=np.zeros((9, rows, 13)),
        change=np.zeros((rows + 3 * circuits, 3)),
        count=np.zeros(9, np.int64),
        total=np.zeros(5, np.int64),
    )


# -- light ------------------------------------------------------------------------------------------


@inner
def offset_share(w, p, k):  # type: ignore[no-untyped-def]
    """How fibre k of an array connector shares in the offset of its mating; 1 for single fibres."""
    if w.port[p].fibres == 1:
        return 1.0
    wobble = w.port[p].offset * 7919.0 + 0.37 * k
    return 0.4 + 1.2 * (wobble - math.floor(wobble))


@inner
def update_port(w, faces, p):  # type: ignore[no-untyped-def]
    """Work out a port's losses anew and note the circuits that feel it."""
    a = w.port[p].front
    b = w.port[p].rear
    for k in range(w.port[p].fibres):
        s = w.port[p].slot + k
        if a < 0 or b < 0:
            loss = 0.0
        else:
            wobble = w.port[p].offset * 7919.0 + 0.37 * k
            ripple = wobble - math.floor(wobble)
            loss = w.port[p].offset * offset_share(w, p, k) + pair_excess_db(faces, a, b, k, ripple)
        w.pair[s].loss = loss


@inner
def flag_circuits(w, logs, p):  # type: ignore[no-untyped-def]
    """Put the circuits over a port on today's list."""
    for s in range(w.port[p].slot, w.port[p].slot + w.port[p].fibres):
        for i in range(w.pair[s].first, w.pair[s + 1].first):
            c = w.slot_circuit[i]
            if not w.circuit[c].flagged:
                w.circuit[c].flagged = 1
                w.circuit[logs.total[TOTAL_FLAGS]].listed = c
                logs.total[TOTAL_FLAGS] += 1


@inner
def pairs_loss(w, c):  # type: ignore[no-untyped-def]
    """Loss of all mated pairs of a circuit now. [dB]"""
    total = 0.0
    for i in range(w.circuit[c].first_item, w.circuit[c + 1].first_item):
        if w.item[i].slot >= 0:
            total += w.pair[w.item[i].slot].loss
    return total


@inner
def spotless_loss(w, c):  # type: ignore[no-untyped-def]
    """Loss of all mated pairs of a circuit as they are mated now, were all faces spotless. [dB]"""
    total = 0.0
    for i in range(w.circuit[c].first_item, w.circuit[c + 1].first_item):
        if w.item[i].slot >= 0:
            p = w.item[i].port
            if w.port[p].front >= 0 and w.port[p].rear >= 0:
                total += w.port[p].offset * offset_share(w, p, w.item[i].slot - w.port[p].slot)
    return total


@inner
def fault_now_db(w, i, t, short):  # type: ignore[no-untyped-def]
    """Size of fault i at a minute, at the short or the long test wavelength. [dB]"""
    if t < w.fault[i].onset or t >= w.fault[i].end:
        return 0.0
    share = 1.0
    if w.fault[i].ramp > 0.0:
        share = min(1.0, (t - w.fault[i].onset) / w.fault[i].ramp)
    return w.fault[i].db * share * (w.fault[i].ratio if short else 1.0)


@inner
def faults_db(w, c, t, short, light_only):  # type: ignore[no-untyped-def]
    """Sum of a circuit's faults; with `light_only` transceiver faults are left out. [dB]"""
    total = 0.0
    for j in range(w.circuit[c].first_fault, w.circuit[c + 1].first_fault):
        i = w.fault_of_circuit[j]
        if light_only and w.fault[i].kind >= FAULT_TRANSMITTER:
            continue
        total += fault_now_db(w, i, t, short)
    return total


# -- what is written down ---------------------------------------------------------------------------


@inner
def log_mating(logs, t, port, face, connector, mate, looked, cleaned, tech, order):  # type: ignore[no-untyped-def]
    """Record a mate or a demate."""
    n = logs.count[LOG_MATING]
    row = logs.book[LOG_MATING, n]
    row[0] = t
    row[1] = port
    row[2] = face
    row[3] = connector
    row[4] = mate
    row[5] = looked
    row[6] = cleaned
    row[7] = tech
    row[8] = order
    logs.count[LOG_MATING] = n + 1


@inner
def inspect(w, faces, logs, t, f, stage, tech, order, par, rng):  # type: ignore[no-untyped-def]
    """Look at a face and record it with its true state; returns (fails, finding)."""
    fails, finding, zone = look(faces, f, w.technician[tech].eye, par, rng)
    n = logs.count[LOG_LOOK]
    row = logs.book[LOG_LOOK, n]
    number = logs.total[TOTAL_LOOKS]
    logs.total[TOTAL_LOOKS] = number + 1
    row[0] = t
    row[1] = f
    row[2] = 1.0 if fails else 0.0
    row[3] = finding
    row[4] = zone
    row[5] = stage if not (stage == STAGE_ROUTINE and fails) else STAGE_BEFORE
    row[6] = tech
    row[7] = w.technician[tech].crew
    row[8] = order
    row[9] = 1.0 if is_contaminated(faces, f) else 0.0
    row[10] = 1.0 if is_damaged(faces, f) else 0.0
    row[11] = number
    logs.count[LOG_LOOK] = n + 1
    if rng.random() < par[P_DEFECT_ROWS]:
        for s in range(faces.mark.shape[1]):
            kind = faces.mark[f, s].kind
            x = faces.mark[f, s].x + 0.3 * rng.standard_normal()
            y = faces.mark[f, s].y + 0.3 * rng.standard_normal()
            if kind == NOTHING or math.hypot(x, y) > ZONE_D_UM or faces.mark[f, s].size < 0.8:
                continue
            m = logs.count[LOG_MARK]
            mark = logs.book[LOG_MARK, m]
            mark[0] = number
            mark[1] = faces.mark[f, s].fibre + 1
            mark[2] = 0.0 if kind == SCRATCH else 1.0
            mark[3] = x
            mark[4] = y
            mark[5] = max(0.3, faces.mark[f, s].size * (1.0 + 0.08 * rng.standard_normal()))
            mark[6] = 20.0 + 60.0 * rng.random() if kind == SCRATCH else -1.0
            logs.count[LOG_MARK] = m + 1
    return fails, finding


@inner
def wipe(w, faces, logs, t, f, plug, retry, tool_dirt, tech, order, par, rng):  # type: ignore[no-untyped-def]
    """Clean a face by a method that suits it and record that."""
    u = rng.random()
    if plug:
        method = (1 if u < 0.5 else (0 if u < 0.75 else 3)) if retry == 0 else (4 if u < 0.8 else 1)
    else:
        method = (0 if u < 0.65 else 2) if retry == 0 else (5 if u < 0.7 else 0)
    clean(faces, f, method, w.technician[tech].quality, tool_dirt, par, rng)
    n = logs.count[LOG_CLEAN]
    row = logs.book[LOG_CLEAN, n]
    row[0] = t
    row[1] = f
    row[2] = method
    row[3] = tech
    row[4] = order
    logs.count[LOG_CLEAN] = n + 1


@inner
def new_order(logs, opened, site, circuit, reason, crew):  # type: ignore[no-untyped-def]
    """Open a work order; returns its number and its row in the log."""
    n = logs.count[LOG_ORDER]
    number = logs.total[TOTAL_ORDERS]
    logs.total[TOTAL_ORDERS] = number + 1
    row = logs.book[LOG_ORDER, n]
    row[0] = opened
    row[1] = -1.0
    row[2] = site
    row[3] = circuit
    row[4] = -1.0
    row[5] = reason
    row[6] = -1.0
    row[7] = DID_NOTHING
    row[8] = crew
    row[9] = -1.0
    row[10] = -1.0
    row[11] = -1.0
    row[12] = number
    logs.count[LOG_ORDER] = n + 1
    return number, n


# -- work at a port ---------------------------------------------------------------------------------


@inner
def take_out(w, faces, logs, t, p, tech, order, par, rng):  # type: ignore[no-untyped-def]
    """Unplug the front of a port; both faces lie open. Returns the minute, never before earlier work there."""
    t = max(t, w.port[p].touched + 1.0)
    log_mating(logs, t, p, np.int64(0), w.port[p].front, np.int64(0), np.int64(-1), np.int64(-1), tech, order)
    expose(faces, w.port[p].front, w.port[p].dust, w.port[p].finger, par, rng)
    if w.port[p].rear >= 0:
        expose(faces, w.port[p].rear, 0.7 * w.port[p].dust, 0.3 * w.port[p].finger, par, rng)
    w.port[p].touched = t
    return t


@inner
def draw_offset(w, p, par, rng):  # type: ignore[no-untyped-def]
    """Loss of two spotless faces as they happen to meet: a squared offset, by grade. [dB]"""
    total = 0.0
    for _ in range(4):
        z = rng.standard_normal()
        total += z * z
    return min(1.2, 0.25 * par[P_OFFSET] * w.port[p].grade_db * total)


@inner
def put_in(w, faces, logs, t, p, f, looked, cleaned, tech, order, par, rng):  # type: ignore[no-untyped-def]
    """Plug a connector into the front of a port."""
    t = max(t, w.port[p].touched + 1.0)
    log_mating(logs, t, p, np.int64(0), f, np.int64(1), looked, cleaned, tech, order)
    w.port[p].front = f
    w.port[p].touched = t
    if w.port[p].rear >= 0:
        join(faces, f, w.port[p].rear, par, rng)
        # a plug mostly finds its old seat: most of the offset is kept
        kept = 0.55 + 0.4 * rng.random()
        w.port[p].offset = kept * w.port[p].offset + (1.0 - kept) * draw_offset(w, p, par, rng)
        update_port(w, faces, p)
        flag_circuits(w, logs, p)
    return t


@inner
def care_for(w, faces, logs, t, f, p, plug, looks, blind, stage, tech, order, par, rng):  # type: ignore[no-untyped-def]
    """Look at and clean one open face as far as this visit goes.

    Returns (minute, looked, cleaned, last look failed, last finding, it was dirty).
    """
    looked = rng.random() < looks
    cleaned = False
    fails = False
    dirty = False
    finding = 0
    if looked:
        t += 1.0
        fails, finding = inspect(w, faces, logs, t, f, stage, tech, order, par, rng)
        dirty = fails and finding < 5
        attempt = 0
        while fails and attempt < 3:
            wipe(w, faces, logs, t + 1.0, f, plug, attempt, w.port[p].tool_dirt, tech, order, par, rng)
            cleaned = True
            t += 2.0
            if attempt == 0 and rng.random() < 0.12:  # trusted without another look
                fails = False
                break
            fails, finding = inspect(w, faces, logs, t, f, np.int64(STAGE_AFTER), tech, order, par, rng)
            attempt += 1
    elif rng.random() < blind:
        t += 1.0
        wipe(w, faces, logs, t, f, plug, np.int64(0), w.port[p].tool_dirt, tech, order, par, rng)
        cleaned = True
    return t, looked, cleaned, fails, finding, dirty


@inner
def odds_times(p, factor):  # type: ignore[no-untyped-def]
    """A chance whose odds are multiplied by a factor."""
    odds = p / max(1e-9, 1.0 - p) * factor
    return odds / (1.0 + odds)


@inner
def open_port(w, faces, logs, t, p, looks, blind, stage, tech, order, par, rng):  # type: ignore[no-untyped-def]
    """Open a mated pair, care for both faces, close it again.

    Returns (minute, dirt was found, face found damaged or -1).
    """
    f = w.port[p].front
    r = w.port[p].rear
    if f < 0 or r < 0:
        return t, False, -1
    t = take_out(w, faces, logs, t, p, tech, order, par, rng)
    t, looked, cleaned, fails, finding, dirty = care_for(
        w, faces, logs, t, f, p, np.int64(1), looks, blind, stage, tech, order, par, rng
    )
    broken = f if fails and finding >= 5 else -1
    t, _l, _c, fails, finding, dirty2 = care_for(
        w,
        faces,
        logs,
        t,
        r,
        p,
        np.int64(0),
        0.85 if looked else 0.05,
        0.8 if cleaned else 0.03,
        stage,
        tech,
        order,
        par,
        rng,
    )
    if fails and finding >= 5:
        broken = r
    t = put_in(w, faces, logs, t + 1.0, p, f, np.int64(looked), np.int64(cleaned), tech, order, par, rng)
    return t, dirty or dirty2, broken


@inner
def exchange_cord(w, faces, logs, t, k, looks, blind, tech, order, par, rng):  # type: ignore[no-untyped-def]
    """Replace a cord by one of its type from stock, at every place; returns (minute, done)."""
    kind = w.cord_type[k]
    at = w.stock[kind].first + w.stock[kind].used
    if at >= w.stock[kind + 1].first or w.cord_ports[k, 0, 0] < 0:
        return t, False
    w.stock[kind].used += 1
    fresh = w.stock_cord[at]
    for end in range(2):
        for i in range(2):
            p = w.cord_ports[k, end, i]
            if p < 0:
                continue
            if w.port[p].front == w.cord_faces[k, end, i]:
                t = take_out(w, faces, logs, t, p, tech, order, par, rng)
            f = w.cord_faces[fresh, end, i]
            expose(faces, f, w.port[p].dust, w.port[p].finger, par, rng)
            t, looked, cleaned, _f, _g, _d = care_for(
                w, faces, logs, t, f, p, np.int64(1), looks, blind, np.int64(STAGE_INCOMING), tech, order, par, rng
            )
            if w.port[p].rear >= 0:
                t, _l, _c, _f2, _g2, _d2 = care_for(
                    w,
                    faces,
                    logs,
                    t,
                    w.port[p].rear,
                    p,
                    np.int64(0),
                    0.7 * looks,
                    0.0,
                    np.int64(STAGE_ROUTINE),
                    tech,
                    order,
                    par,
                    rng,
                )
            t = put_in(w, faces, logs, t + 1.0, p, f, np.int64(looked), np.int64(cleaned), tech, order, par, rng)
            w.cord_ports[fresh, end, i] = p
            w.cord_ports[k, end, i] = -1
    return t, True


@inner
def renew(w, faces, logs, t, f, order, rng):  # type: ignore[no-untyped-def]
    """A new connector in the place of a damaged one: a fresh face under the old id."""
    for s in range(faces.mark.shape[1]):
        faces.mark[f, s].kind = NOTHING
    faces.face[f].film = 0.0
    settle(faces, f, 1 if rng.random() < 0.2 else 0, 0.1, -1, rng)
    n = logs.count[LOG_RENEW]
    logs.book[LOG_RENEW, n, 0] = t
    logs.book[LOG_RENEW, n, 1] = f
    logs.book[LOG_RENEW, n, 2] = order
    logs.count[LOG_RENEW] = n + 1


# -- measurements -----------------------------------------------------------------------------------


@inner
def measure(w, logs, t, c, tech, par, rng):  # type: ignore[no-untyped-def]
    """Loss tests of a circuit at its two wavelengths, with a reference error per visit."""
    crew = w.technician[tech].crew
    reference = 0.05 * rng.standard_normal()
    pairs = pairs_loss(w, c)
    worst = 0.0
    for i in range(w.circuit[c].first_item, w.circuit[c + 1].first_item):
        if w.item[i].slot >= 0:
            p = w.item[i].port
            excess = max(0.0, w.pair[w.item[i].slot].loss - w.port[p].offset)
            worst = max(worst, excess)
    backward = 1 if rng.random() < 0.3 else 0
    for k in range(2):
        short = k == 0
        multimode = w.circuit[c].kind == 3
        if multimode and not short:
            continue
        scale = 1.0 if short or multimode else 0.79
        loss = (
            (w.circuit[c].static_short if short else w.circuit[c].static_long)
            + scale * pairs
            + faults_db(w, c, t, np.int64(short), np.int64(1))
        )
        n = logs.count[LOG_TEST]
        row = logs.book[LOG_TEST, n]
        row[0] = t + k
        row[1] = c
        row[2] = 850.0 if multimode else (1310.0 if short else 1550.0)
        row[3] = backward
        row[4] = min(60.0, max(0.0, loss + reference + 0.04 * rng.standard_normal()))
        row[5] = -1.0 if multimode else max(14.0, 42.0 - 18.0 * min(1.0, worst / 0.6) + 2.0 * rng.standard_normal())
        row[6] = 1.0
        row[7] = tech
        row[8] = crew
        logs.count[LOG_TEST] = n + 1


@inner
def shoot(w, logs, t, c, backward, tech, rng):  # type: ignore[no-untyped-def]
    """A reflectometer trace from the frame inwards: one row per mated pair, splice and bend it can see."""
    trace = logs.total[TOTAL_TRACES]
    logs.total[TOTAL_TRACES] = trace + 1
    first = w.circuit[c].first_item
    last = w.circuit[c + 1].first_item - 1
    long_wave = rng.random() < 0.5
    scale = 0.79 if long_wave else 1.0
    for j in range(first + 1, last + 1):
        i = j if backward == 0 else first + last - j
        n = logs.count[LOG_OTDR]
        row = logs.book[LOG_OTDR, n]
        row[0] = trace
        row[1] = t
        row[2] = c
        row[3] = backward
        row[4] = 1550.0 if long_wave else 1310.0
        row[5] = i
        if w.item[i].slot >= 0:
            loss = w.pair[w.item[i].slot].loss
            excess = max(0.0, loss - w.port[w.item[i].port].offset)
            row[6] = loss * scale + 0.05 * rng.standard_normal()
            row[7] = min(-12.0, -53.0 + 16.0 * min(1.0, excess / 0.5) + 3.0 * rng.standard_normal())
            row[8] = 2.0 if j == last else 0.0
        else:
            loss = w.item[i].loss + 0.06 * rng.standard_normal()
            if abs(loss) < 0.04:
                continue
            row[6] = loss
            row[7] = -1e9
            row[8] = 1.0
        logs.count[LOG_OTDR] = n + 1
    for j in range(w.circuit[c].first_fault, w.circuit[c + 1].first_fault):
        i = w.fault_of_circuit[j]
        if w.fault[i].kind > FAULT_BREAK:
            continue
        size = fault_now_db(w, i, t, np.int64(not long_wave))
        if size < 0.06:
            continue
        n = logs.count[LOG_OTDR]
        row = logs.book[LOG_OTDR, n]
        row[0] = trace
        row[1] = t
        row[2] = c
        row[3] = backward
        row[4] = 1550.0 if long_wave else 1310.0
        row[5] = -2.0 - i
        row[6] = min(20.0, size + 0.05 * rng.standard_normal())
        row[7] = -1e9
        row[8] = 1.0
        logs.count[LOG_OTDR] = n + 1


@inner
def test_with_launch_cord(w, faces, logs, t, c, i, otdr, looks, tech, order, par, rng):  # type: ignore[no-untyped-def]
    """Measure from the front of a frame port (path item i) through the crew's launch cord."""
    p = w.item[i].port
    kind = w.port[p].launch_kind
    if kind < 0 or w.port[p].front < 0 or w.port[p].rear < 0:
        measure(w, logs, t, c, tech, par, rng)
        return t + 6.0
    crew = w.technician[tech].crew
    launch = w.launch[crew, kind]
    cord_end = w.port[p].front
    t = take_out(w, faces, logs, t, p, tech, order, par, rng)
    expose(faces, launch, 0.5 * w.port[p].dust, 0.5 * w.port[p].finger, par, rng)
    t, looked, cleaned, _f, _g, _d = care_for(
        w,
        faces,
        logs,
        t,
        launch,
        p,
        np.int64(1),
        w.launch_care[crew],
        0.3 * w.launch_care[crew],
        np.int64(STAGE_ROUTINE),
        tech,
        order,
        par,
        rng,
    )
    before = w.port[p].offset
    t = put_in(w, faces, logs, t + 1.0, p, launch, np.int64(looked), np.int64(cleaned), tech, order, par, rng)
    if otdr:
        shoot(
            w,
            logs,
            t + 2.0,
            c,
            0 if i - w.circuit[c].first_item < w.circuit[c + 1].first_item - 1 - i else 1,
            tech,
            rng,
        )
    measure(w, logs, t + 3.0, c, tech, par, rng)
    t = take_out(w, faces, logs, t + 6.0, p, tech, order, par, rng)
    w.port[p].offset = before
    t, looked, cleaned, _f, _g, _d = care_for(
        w, faces, logs, t, cord_end, p, np.int64(1), looks, 0.2, np.int64(STAGE_ROUTINE), tech, order, par, rng
    )
    return put_in(w, faces, logs, t + 1.0, p, cord_end, np.int64(looked), np.int64(cleaned), tech, order, par, rng)


# -- jobs -------------------------------------------------------------------------------------------


@inner
def code_for(true_cause, par, rng):  # type: ignore[no-untyped-def]
    """The cause an order is closed with: mostly right, else a guess that favours dirt and 'nothing found'."""
    if rng.random() < par[P_RIGHT_CODE]:
        return true_cause
    u = rng.random()
    if u < 0.35:
        return CONTAMINATION
    if u < 0.6:
        return NO_FAULT
    return int(8.0 * rng.random())


@inner
def first_circuit(w, p):  # type: ignore[no-untyped-def]
    """A circuit that runs over a port, or -1."""
    s = w.port[p].slot
    return w.slot_circuit[w.pair[s].first] if w.pair[s + 1].first > w.pair[s].first else -1


@inner
def do_install(w, faces, logs, t, k, tech, par, rng):  # type: ignore[no-untyped-def]
    """A new link: its cord is brought in and plugged at every place, then tested."""
    p0 = w.cord_ports[k, 0, 0]
    c = first_circuit(w, p0)
    order, row = new_order(
        logs, t - 600.0 - 3000.0 * rng.random(), w.port[p0].site, c, np.int64(REASON_INSTALL), w.technician[tech].crew
    )
    looks = odds_times(max(par[P_LOOK], 0.5), 2.0 * w.port[p0].care)
    for end in range(2):
        for i in range(2):
            p = w.cord_ports[k, end, i]
            if p < 0 or w.port[p].front >= 0:
                continue
            f = w.cord_faces[k, end, i]
            t = max(t, w.port[p].touched + 1.0)
            expose(faces, f, w.port[p].dust, w.port[p].finger, par, rng)
            t, looked, cleaned, _f, _g, _d = care_for(
                w,
                faces,
                logs,
                t,
                f,
                p,
                np.int64(1),
                looks,
                par[P_CLEAN_BLIND],
                np.int64(STAGE_INCOMING),
                tech,
                order,
                par,
                rng,
            )
            if w.port[p].rear >= 0:
                t, _l, _c, _f2, _g2, _d2 = care_for(
                    w,
                    faces,
                    logs,
                    t,
                    w.port[p].rear,
                    p,
                    np.int64(0),
                    0.8 * looks,
                    0.1,
                    np.int64(STAGE_INCOMING),
                    tech,
                    order,
                    par,
                    rng,
                )
            t = put_in(w, faces, logs, t + 1.0, p, f, np.int64(looked), np.int64(cleaned), tech, order, par, rng)
    for i in range(2):
        p = w.cord_ports[k, 0, i]
        if p >= 0:
            c = first_circuit(w, p)
            if (
                c >= 0
                and w.port[w.item[w.circuit[c + 1].first_item - 1].port].front >= 0
                and w.circuit[c].in_service > t - 2.0 * DAY_MIN
            ):
                w.circuit[c].base = spotless_loss(w, c)
                measure(w, logs, t + 4.0, c, tech, par, rng)
                t += 6.0
    logs.book[LOG_ORDER, row, 1] = t + 10.0
    logs.book[LOG_ORDER, row, 6] = -1.0
    logs.book[LOG_ORDER, row, 9] = 60.0 + 100.0 * rng.random()
    return t


@inner
def do_change(w, faces, logs, t, k, tech, par, rng):  # type: ignore[no-untyped-def]
    """A planned change at a cord: replaced, or taken out and put back at one end or both."""
    p0 = w.cord_ports[k, 0, 0]
    if p0 < 0 or w.port[p0].front < 0:
        return t
    order, row = new_order(
        logs,
        t - 200.0 - 6000.0 * rng.random(),
        w.port[p0].site,
        first_circuit(w, p0),
        np.int64(REASON_CHANGE),
        w.technician[tech].crew,
    )
    looks = odds_times(
        par[P_LOOK], w.port[p0].care * (1.0 + 0.4 * w.technician[tech].eye if w.technician[tech].eye > 0 else 1.0)
    )
    done = False
    if rng.random() < 0.18:
        t, done = exchange_cord(w, faces, logs, t, k, looks, par[P_CLEAN_BLIND], tech, order, par, rng)
        if done:
            logs.book[LOG_ORDER, row, 7] = DID_CORD
    if not done:
        for end in range(2):
            if end == 1 and rng.random() < 0.45:
                continue
            for i in range(2):
                p = w.cord_ports[k, end, i]
                if p >= 0 and w.port[p].front == w.cord_faces[k, end, i]:
                    t, _d, _b = open_port(
                        w,
                        faces,
                        logs,
                        t + 1.0,
                        p,
                        looks,
                        par[P_CLEAN_BLIND],
                        np.int64(STAGE_ROUTINE),
                        tech,
                        order,
                        par,
                        rng,
                    )
    logs.book[LOG_ORDER, row, 1] = t + 15.0
    logs.book[LOG_ORDER, row, 9] = 40.0 + 60.0 * rng.random()
    return t


@inner
def do_routine(w, faces, logs, t, site, tech, ports, par, rng):  # type: ignore[no-untyped-def]
    """A round at a site: some ports are opened, looked at and cleaned where needed."""
    first = w.site_port_start[site]
    count = w.site_port_start[site + 1] - first
    if count == 0:
        return t
    order, row = new_order(
        logs, t - 20000.0 * rng.random(), site, np.int64(-1), np.int64(REASON_ROUTINE), w.technician[tech].crew
    )
    start = int(rng.random() * count)
    dirty_any = False
    for j in range(min(ports, count)):
        p = w.site_port[first + (start + j) % count]
        t, dirty, broken = open_port(
            w, faces, logs, t + 1.0, p, 0.97, 0.1, np.int64(STAGE_ROUTINE), tech, order, par, rng
        )
        dirty_any = dirty_any or dirty
        if broken >= 0 and rng.random() < 0.4:
            k = w.cord_of_face[broken]
            if k >= 0:
                t, done = exchange_cord(w, faces, logs, t, k, 0.9, 0.1, tech, order, par, rng)
                if done:
                    logs.book[LOG_ORDER, row, 7] = DID_CORD
                    logs.book[LOG_ORDER, row, 4] = broken
    if dirty_any and logs.book[LOG_ORDER, row, 7] == DID_NOTHING:
        logs.book[LOG_ORDER, row, 7] = DID_CLEAN
    logs.book[LOG_ORDER, row, 1] = t + 10.0
    logs.book[LOG_ORDER, row, 9] = 60.0 + 60.0 * rng.random()
    return t


@inner
def do_test(w, faces, logs, t, c, tech, par, rng):  # type: ignore[no-untyped-def]
    """A planned measurement of a circuit, from its near frame and now and then from the far one."""
    first = w.circuit[c].first_item
    p = w.item[first + 1].port if w.item[first + 1].port >= 0 else w.item[first].port
    order, row = new_order(
        logs, t - 4000.0 * rng.random(), w.port[p].site, c, np.int64(REASON_ROUTINE), w.technician[tech].crew
    )
    looks = odds_times(par[P_LOOK], w.port[p].care)
    otdr = w.circuit[c].kind == 1 and rng.random() < 0.7
    t = test_with_launch_cord(w, faces, logs, t, c, first + 1, otdr, looks, tech, order, par, rng)
    if w.circuit[c].kind == 1 and rng.random() < 0.4:
        t += 60.0
        t = test_with_launch_cord(
            w, faces, logs, t, c, w.circuit[c + 1].first_item - 2, otdr, looks, tech, order, par, rng
        )
    logs.book[LOG_ORDER, row, 1] = t + 10.0
    logs.book[LOG_ORDER, row, 9] = 80.0 + 80.0 * rng.random()
    return t


@inner
def worst_cause(w, faces, c, t):  # type: ignore[no-untyped-def]
    """What costs a circuit most above its as-built loss: (cause, fault or -1, path item or -1, dB)."""
    cause = NO_FAULT
    fault = -1
    item = -1
    worst = 0.12
    for j in range(w.circuit[c].first_fault, w.circuit[c + 1].first_fault):
        i = w.fault_of_circuit[j]
        size = fault_now_db(w, i, t, np.int64(0))
        if size > worst:
            worst = size
            cause = CAUSE_OF_FAULT[w.fault[i].kind]
            fault = i
            item = -1
    for i in range(w.circuit[c].first_item, w.circuit[c + 1].first_item):
        if w.item[i].slot < 0:
            continue
        p = w.item[i].port
        if w.port[p].front < 0 or w.port[p].rear < 0:
            continue
        size = w.pair[w.item[i].slot].loss - w.port[p].offset
        if size > worst:
            worst = size
            item = i
            fault = -1
            dirt = is_contaminated(faces, w.port[p].front) or is_contaminated(faces, w.port[p].rear)
            cause = CONTAMINATION if dirt else DAMAGED
    return cause, fault, item, worst


@inner
def do_alarm(w, faces, logs, t, c, reason, tech, par, rng):  # type: ignore[no-untyped-def]
    """A visit because a circuit has lost light or a customer complained."""
    if t < w.circuit[c].in_service:
        return t
    first = w.circuit[c].first_item
    last = w.circuit[c + 1].first_item - 1
    true_cause, fault, _item, _size = worst_cause(w, faces, c, t)
    far_end = rng.random() < 0.5
    p_end = w.item[last].port if far_end else w.item[first].port
    order, row = new_order(
        logs, t - 60.0 - 2500.0 * rng.random(), w.port[p_end].site, c, reason, w.technician[tech].crew
    )
    looks = odds_times(0.85, w.port[p_end].care)
    found = NO_FAULT
    action = DID_NOTHING
    connector = -1
    before = pairs_loss(w, c)
    repaired = False
    if fault >= 0 and rng.random() < 0.7:
        t += 60.0 + 120.0 * rng.random()
        w.fault[fault].end = t
        found = true_cause
        repaired = True
        action = DID_TRANSCEIVER if true_cause == TRANSCEIVER else DID_FIBRE
        if true_cause == TRANSCEIVER:
            p = w.item[first].port if w.fault[fault].kind == FAULT_TRANSMITTER else w.item[last].port
            t, _d, _b = open_port(w, faces, logs, t, p, looks, 0.3, np.int64(STAGE_ROUTINE), tech, order, par, rng)
        elif rng.random() < 0.5 and w.item[first + 1].port >= 0:
            t = test_with_launch_cord(
                w, faces, logs, t, c, first + 1, w.circuit[c].kind == 1, looks, tech, order, par, rng
            )
    else:
        opened = 0
        for j in range(last - first + 1):
            i = last - j if far_end else first + j
            p = w.item[i].port
            if p < 0 or w.port[p].front < 0 or w.port[p].rear < 0:
                continue
            if opened >= 2 and rng.random() < 0.35:
                break
            if opened > 0 and w.port[p].site != w.port[p_end].site:
                t += 30.0
            t, dirty, broken = open_port(
                w, faces, logs, t + 2.0, p, looks, 0.3, np.int64(STAGE_ROUTINE), tech, order, par, rng
            )
            opened += 1
            if dirty:
                found = CONTAMINATION
                action = DID_CLEAN
                connector = w.port[p].front
            if broken >= 0:
                k = w.cord_of_face[broken]
                done = False
                if k >= 0 and rng.random() < 0.8:
                    t, done = exchange_cord(w, faces, logs, t, k, 0.9, 0.1, tech, order, par, rng)
                    if done:
                        action = DID_CORD
                        found = DAMAGED
                        connector = broken
                elif k < 0 and rng.random() < 0.6:
                    t = take_out(w, faces, logs, t + 5.0, p, tech, order, par, rng)
                    renew(w, faces, logs, t + 20.0, broken, order, rng)
                    t = put_in(
                        w, faces, logs, t + 22.0, p, w.port[p].front, np.int64(1), np.int64(0), tech, order, par, rng
                    )
                    action = DID_CONNECTOR
                    found = DAMAGED
                    connector = broken
            if before - pairs_loss(w, c) > 0.6 * max(0.2, w.circuit[c].excess):
                break
        if found != NO_FAULT and rng.random() < 0.4:
            measure(w, logs, t + 3.0, c, tech, par, rng)
            t += 6.0
    logs.book[LOG_ORDER, row, 1] = t + 15.0
    logs.book[LOG_ORDER, row, 4] = connector
    logs.book[LOG_ORDER, row, 6] = code_for(found, par, rng)
    logs.book[LOG_ORDER, row, 7] = action
    logs.book[LOG_ORDER, row, 9] = 120.0 + 150.0 * rng.random() + (200.0 if repaired else 0.0)
    logs.book[LOG_ORDER, row, 10] = true_cause
    logs.book[LOG_ORDER, row, 11] = fault
    w.circuit[c].muted = t + DAY_MIN * (12.0 + 25.0 * rng.random())
    return t


@inner
def end_of_day(w, faces, logs, day, last_day, par, rng):  # type: ignore[no-untyped-def]
    """Log what changed for the circuits touched, and let losses raise alarms."""
    t = (day + 1.0) * DAY_MIN
    for q in range(logs.total[TOTAL_FLAGS]):
        c = w.circuit[q].listed
        w.circuit[c].flagged = 0
        excess = pairs_loss(w, c) - w.circuit[c].base
        if abs(excess - w.circuit[c].excess) > 0.002:
            w.circuit[c].excess = excess
            n = logs.count[LOG_CHANGE]
            logs.change[n, 0] = t
            logs.change[n, 1] = c
            logs.change[n, 2] = excess
            logs.count[LOG_CHANGE] = n + 1
    logs.total[TOTAL_FLAGS] = 0
    if par[P_ALARM_CHANCE] <= 0.0:
        return
    for c in range(day % 3, (w.circuit.shape[0] - 1), 3):
        if t < w.circuit[c].in_service or t < w.circuit[c].muted:
            continue
        rise = w.circuit[c].excess + faults_db(w, c, t, np.int64(0), np.int64(0))
        if rise > w.circuit[c].threshold and rng.random() < par[P_ALARM_CHANCE]:
            later = day + 1 + int(rng.standard_exponential() * 2.0)
            w.circuit[c].muted = t + DAY_MIN * 10.0
            n = logs.total[TOTAL_QUEUE]
            if later < last_day and n < w.queue.shape[0]:
                w.queue[n].circuit = c
                w.queue[n].next = w.queue_head[later]
                w.queue_head[later] = n
                logs.total[TOTAL_QUEUE] = n + 1


@inner
def weekly_ageing(w, faces, logs, day, par, rng):  # type: ignore[no-untyped-def]
    """A seventh of all mated ports ages by a week."""
    for p in range(day % 7, w.port.shape[0], 7):
        a = w.port[p].front
        b = w.port[p].rear
        if a < 0 or b < 0:
            continue
        moved = age(faces, a, w.port[p].outdoor > 0, par, rng)
        moved = age(faces, b, w.port[p].outdoor > 0, par, rng) or moved
        if moved:
            update_port(w, faces, p)
            flag_circuits(w, logs, p)


@inner
def has_room(w, logs, rows):  # type: ignore[no-untyped-def]
    """Whether every log can take that many rows more, and every circuit may change once."""
    fullest = 0
    for k in range(9):
        if k != LOG_CHANGE:
            fullest = max(fullest, logs.count[k])
    if fullest + rows > logs.book.shape[1]:
        return False
    return bool(logs.count[LOG_CHANGE] + w.circuit.shape[0] <= logs.change.shape[0])


@njit(cache=True, error_model="numpy")
def live(w, faces, logs, jobs_at, jobs_kind, jobs_target, jobs_tech, cursor, last_day, round_ports, par, rng):  # type: ignore[no-untyped-def]
    """Work through the days until the end or until a log is nearly full.

    `cursor` holds day, next planned job, next alarm job (-2: the day's list not begun) and is advanced, so
    that the caller can empty the logs and go on. Returns True when all days are done.
    """
    room = 1500
    while cursor[0] < last_day:
        day = cursor[0]
        if not has_room(w, logs, room):
            return False
        while cursor[1] < jobs_at.shape[0] and jobs_at[cursor[1]] < (day + 1) * DAY_MIN:
            if not has_room(w, logs, room):
                return False
            j = cursor[1]
            cursor[1] = j + 1
            t = jobs_at[j]
            kind = jobs_kind[j]
            target = jobs_target[j]
            tech = jobs_tech[j]
            if kind == JOB_INSTALL:
                do_install(w, faces, logs, t, target, tech, par, rng)
            elif kind == JOB_CHANGE:
                do_change(w, faces, logs, t, target, tech, par, rng)
            elif kind == JOB_DISTURB:
                open_port(w, faces, logs, t, target, 0.05, 0.05, np.int64(STAGE_ROUTINE), tech, np.int64(-1), par, rng)
            elif kind == JOB_ROUTINE:
                if par[P_SUSPICION_ONLY] == 0.0:
                    do_routine(w, faces, logs, t, target, tech, round_ports, par, rng)
            elif kind == JOB_TEST:
                if t > w.circuit[target].in_service:
                    do_test(w, faces, logs, t, target, tech, par, rng)
            elif kind == JOB_COMPLAINT:
                do_alarm(w, faces, logs, t, target, np.int64(REASON_COMPLAINT), tech, par, rng)
        if cursor[2] == -2:
            cursor[2] = w.queue_head[day]
        while cursor[2] >= 0:
            if not has_room(w, logs, room):
                return False
            n = cursor[2]
            cursor[2] = w.queue[n].next
            c = w.queue[n].circuit
            tech = w.circuit[c].crew * 3 + int(3.0 * rng.random())
            t = day * DAY_MIN + 480.0 + 300.0 * rng.random()
            reason = REASON_ALARM if rng.random() < 0.8 else REASON_COMPLAINT
            do_alarm(w, faces, logs, t, c, np.int64(reason), tech, par, rng)
        weekly_ageing(w, faces, logs, day, par, rng)
        end_of_day(w, faces, logs, day, last_day, par, rng)
        cursor[0] = day + 1
        cursor[2] = -2
    return True


@njit(cache=True, error_model="numpy")
def refresh(w, faces):  # type: ignore[no-untyped-def]
    """Work out all losses anew: of pairs, and of circuits as built and above that."""
    for p in range(w.port.shape[0]):
        update_port(w, faces, p)
    for c in range(w.circuit.shape[0] - 1):
        w.circuit[c].base = spotless_loss(w, c)
        w.circuit[c].excess = pairs_loss(w, c) - w.circuit[c].base


@njit(cache=True, error_model="numpy")
def past_life(w, faces, par, rng):  # type: ignore[no-untyped-def]
    """Give every face a life before the history: openings, matings, and a cleaning for most."""
    for p in range(w.port.shape[0]):
        a = w.port[p].front
        b = w.port[p].rear
        times = 1 + int(2.0 * rng.random())
        for _ in range(times):
            if a >= 0:
                expose(faces, a, 0.8 * w.port[p].dust, 0.6 * w.port[p].finger, par, rng)
            if b >= 0:
                expose(faces, b, 0.5 * w.port[p].dust, 0.2 * w.port[p].finger, par, rng)
            for f in (a, b):
                if f >= 0 and rng.random() < 0.55:
                    clean(faces, f, int(6.0 * rng.random()), 0.3, w.port[p].tool_dirt, par, rng)
            if a >= 0 and b >= 0:
                join(faces, a, b, par, rng)
        w.port[p].offset = draw_offset(w, p, par, rng)
        update_port(w, faces, p)
    refresh(w, faces)


@njit(cache=True, error_model="numpy")
def truth_of_faces(faces, out):  # type: ignore[no-untyped-def]
    """Fill (faces, 5): contaminated, damaged, loss by dirt, loss by damage, of both, worst fibre. [dB]"""
    for f in range(out.shape[0]):
        out[f, 0] = 1.0 if is_contaminated(faces, f) else 0.0
        out[f, 1] = 1.0 if is_damaged(faces, f) else 0.0
        from_dirt = 0.0
        from_damage = 0.0
        from_both = 0.0
        for k in range(np.int64(faces.face[f].fibres)):
            from_dirt = max(from_dirt, face_excess_db(faces, f, k, np.int64(0)))
            from_damage = max(from_damage, face_excess_db(faces, f, k, np.int64(1)))
            from_both = max(from_both, face_excess_db(faces, f, k, np.int64(2)))
        out[f, 2] = from_dirt
        out[f, 3] = from_damage
        out[f, 4] = from_both


@njit(cache=True, error_model="numpy")
def truth_of_items(w, faces, out):  # type: ignore[no-untyped-def]
    """Fill (path items, 4): loss by dirt and by damage of the front face, then of the rear face. [dB]"""
    for i in range(out.shape[0]):
        if w.item[i].slot < 0:
            continue
        p = w.item[i].port
        fibre = w.item[i].slot - w.port[p].slot
        if w.port[p].front < 0 or w.port[p].rear < 0:
            continue
        out[i, 0] = face_excess_db(faces, w.port[p].front, fibre, np.int64(0))
        out[i, 1] = face_excess_db(faces, w.port[p].front, fibre, np.int64(1))
        out[i, 2] = face_excess_db(faces, w.port[p].rear, fibre, np.int64(0))
        out[i, 3] = face_excess_db(faces, w.port[p].rear, fibre, np.int64(1))
