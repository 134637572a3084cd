"""Work at a port and what it does to light: opening, caring, plugging, exchanging, measuring. Compiled.

Calls pass constants as `np.int64(...)`: the compiler would make a copy of a function for every literal.
"""

from __future__ import annotations

import math

import numpy as np

from planner.synthetic.particles import (
    NOTHING,
    P_DEFECT_ROWS,
    P_OFFSET,
    SCRATCH,
    ZONE_D_UM,
    clean,
    expose,
    inner,
    is_contaminated,
    is_damaged,
    join,
    look,
    normal,
    pair_excess_db,
    settle,
    uniform,
)
from planner.synthetic.state import (
    DID_NOTHING,
    FAULT_BREAK,
    FAULT_TRANSMITTER,
    LOG_CLEAN,
    LOG_LOOK,
    LOG_MARK,
    LOG_MATING,
    LOG_ORDER,
    LOG_OTDR,
    LOG_RENEW,
    LOG_TEST,
    STAGE_AFTER,
    STAGE_BEFORE,
    STAGE_INCOMING,
    STAGE_ROUTINE,
    TOTAL_FLAGS,
    TOTAL_LOOKS,
    TOTAL_ORDERS,
    TOTAL_TRACES,
)


@inner
def offset_share(w, p, k):  # type: ignore[no-untyped-def]
    """How fibre k of an array connector shares in the offset of its mating; 1 for single fibres."""
    if w.port[p].fibres == 1:
        return 1.0
    wobble = w.port[p].offset * 7919.0 + 0.37 * k
    return 0.4 + 1.2 * (wobble - math.floor(wobble))


@inner
def ripple_of(w, p, k):  # type: ignore[no-untyped-def]
    """Where an air gap at fibre k of this mating lies between the least and the most reflection, 0 to 1."""
    wobble = w.port[p].offset * 7919.0 + 0.37 * k
    return wobble - math.floor(wobble)


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
            loss = w.port[p].offset * offset_share(w, p, k) + pair_excess_db(faces, a, b, k, ripple_of(w, p, k))
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


@inner
def log_mating(logs, t, port, face, connector, mate, looked, cleaned, tech, order):  # type: ignore[no-untyped-def]
    """Record a mate or a demate."""
    n = logs.filled[LOG_MATING]
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
    logs.filled[LOG_MATING] = n + 1


@inner
def inspect(w, faces, logs, t, f, stage, tech, order, par, rng):  # type: ignore[no-untyped-def]
    """Look at a face and record it with its true state; returns (fails, finding)."""
    fails, finding, zone = look(faces, f, w.technician[tech].eye, par, rng)
    n = logs.filled[LOG_LOOK]
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
    logs.filled[LOG_LOOK] = n + 1
    if uniform(rng) < par[P_DEFECT_ROWS]:
        for s in range(faces.mark.shape[1]):
            kind = faces.mark[f, s].kind
            x = faces.mark[f, s].x + 0.3 * normal(rng)
            y = faces.mark[f, s].y + 0.3 * normal(rng)
            if kind == NOTHING or math.hypot(x, y) > ZONE_D_UM or faces.mark[f, s].size < 0.8:
                continue
            m = logs.filled[LOG_MARK]
            mark = logs.book[LOG_MARK, m]
            mark[0] = number
            mark[1] = faces.mark[f, s].fibre + 1
            mark[2] = 0.0 if kind == SCRATCH else 1.0
            mark[3] = x
            mark[4] = y
            mark[5] = max(0.3, faces.mark[f, s].size * (1.0 + 0.08 * normal(rng)))
            mark[6] = 20.0 + 60.0 * uniform(rng) if kind == SCRATCH else -1.0
            logs.filled[LOG_MARK] = m + 1
    return fails, finding


@inner
def wipe(w, faces, logs, t, f, plug, retry, tool_dirt, tech, order, par, rng):  # type: ignore[no-untyped-def]
    """Clean a face by a method that suits it and record that."""
    u = uniform(rng)
    if plug:
        method = (1 if u < 0.5 else (0 if u < 0.75 else 3)) if retry == 0 else (4 if u < 0.8 else 1)
    else:
        method = (0 if u < 0.65 else 2) if retry == 0 else (5 if u < 0.7 else 0)
    clean(faces, f, method, w.technician[tech].quality, tool_dirt, par, rng)
    n = logs.filled[LOG_CLEAN]
    row = logs.book[LOG_CLEAN, n]
    row[0] = t
    row[1] = f
    row[2] = method
    row[3] = tech
    row[4] = order
    logs.filled[LOG_CLEAN] = n + 1


@inner
def new_order(logs, opened, site, circuit, reason, crew):  # type: ignore[no-untyped-def]
    """Open a work order; returns its number and its row in the log."""
    n = logs.filled[LOG_ORDER]
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
    logs.filled[LOG_ORDER] = n + 1
    return number, n


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
        z = normal(rng)
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
        kept = 0.55 + 0.4 * uniform(rng)
        w.port[p].offset = kept * w.port[p].offset + (1.0 - kept) * draw_offset(w, p, par, rng)
        update_port(w, faces, p)
        flag_circuits(w, logs, p)
    return t


@inner
def care_for(w, faces, logs, t, f, p, plug, looks, blind, stage, tech, order, par, rng):  # type: ignore[no-untyped-def]
    """Look at and clean one open face as far as this visit goes.

    Returns (minute, looked, cleaned, last look failed, last finding, it was dirty).
    """
    looked = uniform(rng) < looks
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
            if attempt == 0 and uniform(rng) < 0.12:  # trusted without another look
                fails = False
                break
            fails, finding = inspect(w, faces, logs, t, f, np.int64(STAGE_AFTER), tech, order, par, rng)
            attempt += 1
    elif uniform(rng) < blind:
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
    settle(faces, f, 1 if uniform(rng) < 0.2 else 0, 0.1, -1, rng)
    n = logs.filled[LOG_RENEW]
    logs.book[LOG_RENEW, n, 0] = t
    logs.book[LOG_RENEW, n, 1] = f
    logs.book[LOG_RENEW, n, 2] = order
    logs.filled[LOG_RENEW] = n + 1


@inner
def measure(w, logs, t, c, tech, par, rng):  # type: ignore[no-untyped-def]
    """Loss tests of a circuit at its two wavelengths, with a reference error per visit."""
    crew = w.technician[tech].crew
    reference = 0.05 * normal(rng)
    pairs = pairs_loss(w, c)
    worst = 0.0
    for i in range(w.circuit[c].first_item, w.circuit[c + 1].first_item):
        if w.item[i].slot >= 0:
            p = w.item[i].port
            excess = max(0.0, w.pair[w.item[i].slot].loss - w.port[p].offset)
            worst = max(worst, excess)
    backward = 1 if uniform(rng) < 0.3 else 0
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
        n = logs.filled[LOG_TEST]
        row = logs.book[LOG_TEST, n]
        row[0] = t + k
        row[1] = c
        row[2] = 850.0 if multimode else (1310.0 if short else 1550.0)
        row[3] = backward
        row[4] = min(60.0, max(0.0, loss + reference + 0.04 * normal(rng)))
        row[5] = -1.0 if multimode else max(14.0, 42.0 - 18.0 * min(1.0, worst / 0.6) + 2.0 * normal(rng))
        row[6] = 1.0
        row[7] = tech
        row[8] = crew
        logs.filled[LOG_TEST] = n + 1


@inner
def shoot(w, logs, t, c, backward, tech, rng):  # type: ignore[no-untyped-def]
    """A reflectometer trace from the frame inwards: one row per mated pair, splice and bend it can see."""
    trace = logs.total[TOTAL_TRACES]
    logs.total[TOTAL_TRACES] = trace + 1
    first = w.circuit[c].first_item
    last = w.circuit[c + 1].first_item - 1
    long_wave = uniform(rng) < 0.5
    scale = 0.79 if long_wave else 1.0
    for j in range(first + 1, last + 1):
        i = j if backward == 0 else first + last - j
        n = logs.filled[LOG_OTDR]
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
            row[6] = loss * scale + 0.05 * normal(rng)
            row[7] = min(-12.0, -53.0 + 16.0 * min(1.0, excess / 0.5) + 3.0 * normal(rng))
            row[8] = 2.0 if j == last else 0.0
        else:
            loss = w.item[i].loss + 0.06 * normal(rng)
            if abs(loss) < 0.04:
                continue
            row[6] = loss
            row[7] = -1e9
            row[8] = 1.0
        logs.filled[LOG_OTDR] = n + 1
    for j in range(w.circuit[c].first_fault, w.circuit[c + 1].first_fault):
        i = w.fault_of_circuit[j]
        if w.fault[i].kind > FAULT_BREAK:
            continue
        size = fault_now_db(w, i, t, np.int64(not long_wave))
        if size < 0.06:
            continue
        n = logs.filled[LOG_OTDR]
        row = logs.book[LOG_OTDR, n]
        row[0] = trace
        row[1] = t
        row[2] = c
        row[3] = backward
        row[4] = 1550.0 if long_wave else 1310.0
        row[5] = -2.0 - i
        row[6] = min(20.0, size + 0.05 * normal(rng))
        row[7] = -1e9
        row[8] = 1.0
        logs.filled[LOG_OTDR] = n + 1


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
