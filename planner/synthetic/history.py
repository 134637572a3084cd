"""The working life of an invented plant: jobs, faults and light, minute by minute. Compiled.

In come the plant's arrays, a list of jobs planned in advance (installations, changes, routine rounds,
tests, complaints) and of faults with their onset; the kernel works through the days, adds the jobs that
alarms call for, and fills logs with what was recorded. The faces' true state is carried along and read at
the end. Logs are plain number arrays that the caller empties when they fill, so memory stays bounded.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numba import njit

from planner.synthetic.particles import (
    P_ALARM_CHANCE,
    P_CLEAN_BLIND,
    P_LOOK,
    P_RIGHT_CODE,
    P_SUSPICION_ONLY,
    age,
    clean,
    exponential,
    expose,
    face_excess_db,
    inner,
    is_contaminated,
    is_damaged,
    join,
    pair_shares_db,
    uniform,
)
from planner.synthetic.state import (
    CAUSE_OF_FAULT,
    CONTAMINATION,
    DAMAGED,
    DAY_MIN,
    DID_CLEAN,
    DID_CONNECTOR,
    DID_CORD,
    DID_FIBRE,
    DID_NOTHING,
    DID_TRANSCEIVER,
    FAULT_TRANSMITTER,
    JOB_CHANGE,
    JOB_COMPLAINT,
    JOB_DISTURB,
    JOB_INSTALL,
    JOB_ROUTINE,
    JOB_TEST,
    LOG_CHANGE,
    LOG_ORDER,
    NO_FAULT,
    REASON_ALARM,
    REASON_CHANGE,
    REASON_COMPLAINT,
    REASON_INSTALL,
    REASON_ROUTINE,
    STAGE_INCOMING,
    STAGE_ROUTINE,
    TOTAL_FLAGS,
    TOTAL_QUEUE,
    TRANSCEIVER,
)
from planner.synthetic.work import (
    care_for,
    draw_offset,
    exchange_cord,
    fault_now_db,
    faults_db,
    flag_circuits,
    measure,
    new_order,
    odds_times,
    open_port,
    pairs_loss,
    put_in,
    renew,
    ripple_of,
    spotless_loss,
    take_out,
    test_with_launch_cord,
    update_port,
)


def kernel(function: Callable[..., Any]) -> Any:
    """Compile and keep on disk, anew whenever one of the files that the function builds on has changed.

    The compiler's own cache looks only at the file of the outermost function; a digest of the others in the
    function's name makes it look further.
    """
    here = Path(__file__)
    parts = [here.with_name(name).read_bytes() for name in ("light.py", "particles.py", "state.py", "work.py")]
    function.__qualname__ += "_" + hashlib.sha256(b"".join(parts)).hexdigest()[:12]
    return njit(cache=True, error_model="numpy")(function)


@inner
def code_for(true_cause, par, rng):  # type: ignore[no-untyped-def]
    """The cause an order is closed with: mostly right, else a guess that favours dirt and 'nothing found'."""
    if uniform(rng) < par[P_RIGHT_CODE]:
        return true_cause
    u = uniform(rng)
    if u < 0.35:
        return CONTAMINATION
    if u < 0.6:
        return NO_FAULT
    return int(8.0 * uniform(rng))


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
        logs, t - 600.0 - 3000.0 * uniform(rng), w.port[p0].site, c, np.int64(REASON_INSTALL), w.technician[tech].crew
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
    logs.book[LOG_ORDER, row, 9] = 60.0 + 100.0 * uniform(rng)
    return t


@inner
def do_change(w, faces, logs, t, k, tech, par, rng):  # type: ignore[no-untyped-def]
    """A planned change at a cord: replaced, or taken out and put back at one end or both."""
    p0 = w.cord_ports[k, 0, 0]
    if p0 < 0 or w.port[p0].front < 0:
        return t
    order, row = new_order(
        logs,
        t - 200.0 - 6000.0 * uniform(rng),
        w.port[p0].site,
        first_circuit(w, p0),
        np.int64(REASON_CHANGE),
        w.technician[tech].crew,
    )
    looks = odds_times(
        par[P_LOOK], w.port[p0].care * (1.0 + 0.4 * w.technician[tech].eye if w.technician[tech].eye > 0 else 1.0)
    )
    done = False
    if uniform(rng) < 0.18:
        t, done = exchange_cord(w, faces, logs, t, k, looks, par[P_CLEAN_BLIND], tech, order, par, rng)
        if done:
            logs.book[LOG_ORDER, row, 7] = DID_CORD
    if not done:
        for end in range(2):
            if end == 1 and uniform(rng) < 0.45:
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
    logs.book[LOG_ORDER, row, 9] = 40.0 + 60.0 * uniform(rng)
    return t


@inner
def do_routine(w, faces, logs, t, site, tech, ports, par, rng):  # type: ignore[no-untyped-def]
    """A round at a site: some ports are opened, looked at and cleaned where needed."""
    first = w.site_port_start[site]
    count = w.site_port_start[site + 1] - first
    if count == 0:
        return t
    order, row = new_order(
        logs, t - 20000.0 * uniform(rng), site, np.int64(-1), np.int64(REASON_ROUTINE), w.technician[tech].crew
    )
    start = int(uniform(rng) * count)
    dirty_any = False
    for j in range(min(ports, count)):
        p = w.site_port[first + (start + j) % count]
        t, dirty, broken = open_port(
            w, faces, logs, t + 1.0, p, 0.97, 0.1, np.int64(STAGE_ROUTINE), tech, order, par, rng
        )
        dirty_any = dirty_any or dirty
        if broken >= 0 and uniform(rng) < 0.4:
            k = w.cord_of_face[broken]
            if k >= 0:
                t, done = exchange_cord(w, faces, logs, t, k, 0.9, 0.1, tech, order, par, rng)
                if done:
                    logs.book[LOG_ORDER, row, 7] = DID_CORD
                    logs.book[LOG_ORDER, row, 4] = broken
    if dirty_any and logs.book[LOG_ORDER, row, 7] == DID_NOTHING:
        logs.book[LOG_ORDER, row, 7] = DID_CLEAN
    logs.book[LOG_ORDER, row, 1] = t + 10.0
    logs.book[LOG_ORDER, row, 9] = 60.0 + 60.0 * uniform(rng)
    return t


@inner
def do_test(w, faces, logs, t, c, tech, par, rng):  # type: ignore[no-untyped-def]
    """A planned measurement of a circuit, from its near frame and now and then from the far one."""
    first = w.circuit[c].first_item
    p = w.item[first + 1].port if w.item[first + 1].port >= 0 else w.item[first].port
    order, row = new_order(
        logs, t - 4000.0 * uniform(rng), w.port[p].site, c, np.int64(REASON_ROUTINE), w.technician[tech].crew
    )
    looks = odds_times(par[P_LOOK], w.port[p].care)
    otdr = w.circuit[c].kind == 1 and uniform(rng) < 0.7
    t = test_with_launch_cord(w, faces, logs, t, c, first + 1, otdr, looks, tech, order, par, rng)
    if w.circuit[c].kind == 1 and uniform(rng) < 0.4:
        t += 60.0
        t = test_with_launch_cord(
            w, faces, logs, t, c, w.circuit[c + 1].first_item - 2, otdr, looks, tech, order, par, rng
        )
    logs.book[LOG_ORDER, row, 1] = t + 10.0
    logs.book[LOG_ORDER, row, 9] = 80.0 + 80.0 * uniform(rng)
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
    far_end = uniform(rng) < 0.5
    p_end = w.item[last].port if far_end else w.item[first].port
    order, row = new_order(
        logs, t - 60.0 - 2500.0 * uniform(rng), w.port[p_end].site, c, reason, w.technician[tech].crew
    )
    looks = odds_times(0.85, w.port[p_end].care)
    found = NO_FAULT
    action = DID_NOTHING
    connector = -1
    before = pairs_loss(w, c)
    repaired = False
    if fault >= 0 and uniform(rng) < 0.7:
        t += 60.0 + 120.0 * uniform(rng)
        w.fault[fault].end = t
        found = true_cause
        repaired = True
        action = DID_TRANSCEIVER if true_cause == TRANSCEIVER else DID_FIBRE
        if true_cause == TRANSCEIVER:
            p = w.item[first].port if w.fault[fault].kind == FAULT_TRANSMITTER else w.item[last].port
            t, _d, _b = open_port(w, faces, logs, t, p, looks, 0.3, np.int64(STAGE_ROUTINE), tech, order, par, rng)
        elif uniform(rng) < 0.5 and w.item[first + 1].port >= 0:
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
            if opened >= 2 and uniform(rng) < 0.35:
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
                if k >= 0 and uniform(rng) < 0.8:
                    t, done = exchange_cord(w, faces, logs, t, k, 0.9, 0.1, tech, order, par, rng)
                    if done:
                        action = DID_CORD
                        found = DAMAGED
                        connector = broken
                elif k < 0 and uniform(rng) < 0.6:
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
        if found != NO_FAULT and uniform(rng) < 0.4:
            measure(w, logs, t + 3.0, c, tech, par, rng)
            t += 6.0
    logs.book[LOG_ORDER, row, 1] = t + 15.0
    logs.book[LOG_ORDER, row, 4] = connector
    logs.book[LOG_ORDER, row, 6] = code_for(found, par, rng)
    logs.book[LOG_ORDER, row, 7] = action
    logs.book[LOG_ORDER, row, 9] = 120.0 + 150.0 * uniform(rng) + (200.0 if repaired else 0.0)
    logs.book[LOG_ORDER, row, 10] = true_cause
    logs.book[LOG_ORDER, row, 11] = fault
    w.circuit[c].muted = t + DAY_MIN * (12.0 + 25.0 * uniform(rng))
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
            n = logs.filled[LOG_CHANGE]
            logs.change[n, 0] = t
            logs.change[n, 1] = c
            logs.change[n, 2] = excess
            logs.filled[LOG_CHANGE] = n + 1
    logs.total[TOTAL_FLAGS] = 0
    if par[P_ALARM_CHANCE] <= 0.0:
        return
    for c in range(day % 3, (w.circuit.shape[0] - 1), 3):
        if t < w.circuit[c].in_service or t < w.circuit[c].muted:
            continue
        rise = w.circuit[c].excess + faults_db(w, c, t, np.int64(0), np.int64(0))
        if rise > w.circuit[c].threshold and uniform(rng) < par[P_ALARM_CHANCE]:
            later = day + 1 + int(exponential(rng) * 2.0)
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
            fullest = max(fullest, logs.filled[k])
    if fullest + rows > logs.book.shape[1]:
        return False
    return bool(logs.filled[LOG_CHANGE] + w.circuit.shape[0] <= logs.change.shape[0])


@kernel
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
            tech = w.circuit[c].crew * 3 + int(3.0 * uniform(rng))
            t = day * DAY_MIN + 480.0 + 300.0 * uniform(rng)
            reason = REASON_ALARM if uniform(rng) < 0.8 else REASON_COMPLAINT
            do_alarm(w, faces, logs, t, c, np.int64(reason), tech, par, rng)
        weekly_ageing(w, faces, logs, day, par, rng)
        end_of_day(w, faces, logs, day, last_day, par, rng)
        cursor[0] = day + 1
        cursor[2] = -2
    return True


@kernel
def refresh(w, faces):  # type: ignore[no-untyped-def]
    """Work out all losses anew: of pairs, and of circuits as built and above that."""
    for p in range(w.port.shape[0]):
        update_port(w, faces, p)
    for c in range(w.circuit.shape[0] - 1):
        w.circuit[c].base = spotless_loss(w, c)
        w.circuit[c].excess = pairs_loss(w, c) - w.circuit[c].base


@kernel
def past_life(w, faces, par, rng):  # type: ignore[no-untyped-def]
    """Give every face a life before the history: openings, matings, and a cleaning for most."""
    for p in range(w.port.shape[0]):
        a = w.port[p].front
        b = w.port[p].rear
        times = 1 + int(2.0 * uniform(rng))
        for _ in range(times):
            if a >= 0:
                expose(faces, a, 0.8 * w.port[p].dust, 0.6 * w.port[p].finger, par, rng)
            if b >= 0:
                expose(faces, b, 0.5 * w.port[p].dust, 0.2 * w.port[p].finger, par, rng)
            for f in (a, b):
                if f >= 0 and uniform(rng) < 0.55:
                    clean(faces, f, int(6.0 * uniform(rng)), 0.3, w.port[p].tool_dirt, par, rng)
            if a >= 0 and b >= 0:
                join(faces, a, b, par, rng)
        w.port[p].offset = draw_offset(w, p, par, rng)
        update_port(w, faces, p)
    refresh(w, faces)


@kernel
def truth_of_faces(faces, out):  # type: ignore[no-untyped-def]
    """Fill (faces, 5): contaminated, damaged, loss by dirt, loss by damage, of both, worst fibre. [dB]

    The losses are those of a mating with a spotless face and a gap of middling reflection.
    """
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


@kernel
def truth_of_items(w, faces, out):  # type: ignore[no-untyped-def]
    """Fill (path items, 4): loss by dirt and by damage of the front face, then of the rear face. [dB]"""
    for i in range(out.shape[0]):
        if w.item[i].slot < 0:
            continue
        p = w.item[i].port
        fibre = w.item[i].slot - w.port[p].slot
        if w.port[p].front < 0 or w.port[p].rear < 0:
            continue
        ripple = ripple_of(w, p, fibre)
        pair_shares_db(faces, w.port[p].front, w.port[p].rear, fibre, ripple, out[i])
