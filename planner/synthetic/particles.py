"""What happens on end faces: exposure, mating, cleaning, looking, ageing. Compiled, one face at a time.

Each face carries up to `SLOTS` marks with a place, a size and a kind, and a film of oil or moisture. Dirt
comes from the air and from fingers when a face is open, from the partner when faces meet, and from poor
cleaning tools; contact moves it inwards, crushes it, presses it fast and can leave a pit. None of this is a
chain of three states: how dirty a face is, and what it costs, is a matter of sizes and places.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from numba import njit

from planner.synthetic.light import (
    MODE_RADIUS_1310_UM,
    MULTIMODE_RADIUS_UM,
    blocked_loss_db,
    gap_loss_db,
    struck_fraction,
)

SLOTS = 10
NOTHING, DUST, GRAIN, RESIDUE, PIT, SCRATCH = range(6)
JUST_COME = 2  # `loose` of a mark that jumped over in this very contact

# Radii of the zones of a single-fibre single-mode ferrule, IEC 61300-3-35:2015: core, cladding, adhesive, contact.
ZONE_A_UM, ZONE_B_UM, ZONE_C_UM, ZONE_D_UM = 12.5, 57.5, 67.5, 125.0

# Places in the parameter vector.
(
    P_DUST,
    P_GRAIN_SHARE,
    P_FINGER,
    P_TRANSFER,
    P_PIT,
    P_WEAR,
    P_QUALITY,
    P_EYE,
    P_FALSE_FIND,
    P_OFFSET,
    P_CREEP,
    P_FILM_CREEP,
    P_SUSPICION_ONLY,
    P_RIGHT_CODE,
    P_LOOK,
    P_CLEAN_BLIND,
    P_DEFECT_ROWS,
    P_ALARM_CHANCE,
) = range(18)
PARAMETERS = 18

# Removal of loose dirt, of stuck dirt, and share of film left, by method in the order of CLEANING_METHODS.
LOOSE_REMOVED = np.array([0.82, 0.88, 0.80, 0.76, 0.93, 0.91])
STUCK_REMOVED = np.array([0.42, 0.52, 0.45, 0.38, 0.85, 0.80])
FILM_LEFT = np.array([0.35, 0.25, 0.35, 0.40, 0.06, 0.08])

# Functions called from compiled code only: no wrapper for Python, no zero-division checks, no cache of their own.
BARE: dict[str, Any] = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True, "error_model": "numpy"}
inner = njit(**BARE)

MARK = np.dtype(
    [("x", "f4"), ("y", "f4"), ("size", "f4"), ("origin", "i4"), ("kind", "i2"), ("loose", "i1"), ("fibre", "i1")]
)
FACE = np.dtype([("film", "f4"), ("fibres", "i2"), ("multimode", "i2")])


class Faces(NamedTuple):
    """State of all end faces: `mark` is (faces, SLOTS) of MARK, `face` (faces,) of FACE."""

    mark: npt.NDArray[Any]
    face: npt.NDArray[Any]


def new_faces(fibres: npt.NDArray[Any], multimode: npt.NDArray[Any]) -> Faces:
    """Spotless faces."""
    face = np.zeros(fibres.shape[0], FACE)
    face["fibres"] = fibres
    face["multimode"] = multimode
    return Faces(mark=np.zeros((fibres.shape[0], SLOTS), MARK), face=face)


@inner
def uniform(rng):  # type: ignore[no-untyped-def]
    """The next number in [0, 1) of a splitmix64 stream; `rng` is its state, one unsigned 64-bit number.

    Steele, Lea and Flood, Fast splittable pseudorandom number generators, OOPSLA 2014.
    """
    z = rng[0] + np.uint64(0x9E3779B97F4A7C15)
    rng[0] = z
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    z = z ^ (z >> np.uint64(31))
    return np.float64(z >> np.uint64(11)) * (1.0 / 9007199254740992.0)


@inner
def normal(rng):  # type: ignore[no-untyped-def]
    """A standard normal number (Box and Muller)."""
    r = math.sqrt(-2.0 * math.log(1.0 - uniform(rng)))
    return r * math.cos(2.0 * math.pi * uniform(rng))


@inner
def exponential(rng):  # type: ignore[no-untyped-def]
    """An exponential number of mean 1."""
    return -math.log(1.0 - uniform(rng))


@inner
def logistic(z):  # type: ignore[no-untyped-def]
    """1 / (1 + exp(-z))."""
    return 1.0 / (1.0 + math.exp(-z))


@inner
def add_mark(faces, f, kind, loose, x, y, size, fibre, origin):  # type: ignore[no-untyped-def]
    """Put a mark on a face; when the list is full it takes the place of a smaller one."""
    place = -1
    smallest = size
    for s in range(SLOTS):
        if faces.mark[f, s].kind == NOTHING:
            place = s
            break
        if faces.mark[f, s].kind < PIT and faces.mark[f, s].size < smallest:
            smallest = faces.mark[f, s].size
            place = s
    if place < 0:
        return
    faces.mark[f, place].kind = kind
    faces.mark[f, place].loose = loose
    faces.mark[f, place].x = x
    faces.mark[f, place].y = y
    faces.mark[f, place].size = size
    faces.mark[f, place].fibre = fibre
    faces.mark[f, place].origin = origin


@inner
def settle(faces, f, number, grain_share, origin, rng):  # type: ignore[no-untyped-def]
    """Let particles settle on a face: sizes with a heavy tail, places over the ferrule's contact area."""
    for _ in range(number):
        size = min(60.0, 1.1 * (1.0 - uniform(rng)) ** (-1.0 / 1.35))
        r = ZONE_D_UM * uniform(rng) ** 0.72
        angle = 2.0 * math.pi * uniform(rng)
        kind = GRAIN if uniform(rng) < grain_share else DUST
        fibre = int(uniform(rng) * faces.face[f].fibres)
        add_mark(
            faces,
            f,
            np.int64(kind),
            np.int64(1),
            np.float64(r * math.cos(angle)),
            np.float64(r * math.sin(angle)),
            np.float64(size),
            np.int64(fibre),
            np.int64(origin),
        )


@inner
def poisson(mean, rng):  # type: ignore[no-untyped-def]
    """A Poisson number by multiplication (small means)."""
    limit = math.exp(-mean)
    n = 0
    product = uniform(rng)
    while product > limit and n < 40:
        n += 1
        product *= uniform(rng)
    return n


@inner
def expose(faces, f, dust_mean, finger_chance, par, rng):  # type: ignore[no-untyped-def]
    """An end face lies open for a moment: dust settles, now and then a finger touches it."""
    wide = 1.6 if faces.face[f].fibres > 1 else 1.0
    settle(faces, f, poisson(dust_mean * par[P_DUST] * wide, rng), par[P_GRAIN_SHARE], np.int64(-1), rng)
    if uniform(rng) < finger_chance * par[P_FINGER]:
        faces.face[f].film = min(1.0, faces.face[f].film + 0.25 + 0.7 * uniform(rng))


@inner
def press(faces, f, partner, par, rng):  # type: ignore[no-untyped-def]
    """Contact from the view of one face: its loose dirt jumps over, moves inwards, is crushed or pressed fast."""
    for s in range(SLOTS):
        kind = faces.mark[f, s].kind
        if kind == NOTHING or kind >= PIT:
            continue
        size = faces.mark[f, s].size
        x = faces.mark[f, s].x
        y = faces.mark[f, s].y
        fibre = faces.mark[f, s].fibre
        if kind == GRAIN and uniform(rng) < par[P_PIT] * min(1.0, size / 8.0):
            depth = size * (0.35 + 0.3 * uniform(rng))
            add_mark(
                faces,
                f,
                np.int64(PIT),
                np.int64(0),
                np.float64(x),
                np.float64(y),
                np.float64(depth),
                np.int64(fibre),
                np.int64(partner),
            )
            if uniform(rng) < 0.7:
                add_mark(
                    faces,
                    partner,
                    np.int64(PIT),
                    np.int64(0),
                    np.float64(-x),
                    np.float64(y),
                    np.float64(depth),
                    np.int64(fibre),
                    np.int64(f),
                )
        if faces.mark[f, s].loose != 1:  # stuck, or come over just now
            continue
        if uniform(rng) < 0.03 and kind == GRAIN:
            add_mark(
                faces,
                partner,
                np.int64(SCRATCH),
                np.int64(0),
                np.float64(-x),
                np.float64(y),
                np.float64(0.6 + 0.25 * size),
                np.int64(fibre),
                np.int64(f),
            )
        if size > 6.0 and uniform(rng) < 0.25:  # crushed into smaller pieces
            faces.mark[f, s].size = 0.62 * size
            add_mark(
                faces,
                f,
                np.int64(kind),
                np.int64(1),
                np.float64(x + 6.0 * normal(rng)),
                np.float64(y + 6.0 * normal(rng)),
                np.float64(0.5 * size),
                np.int64(fibre),
                np.int64(faces.mark[f, s].origin),
            )
            size = faces.mark[f, s].size
        shrink = 0.45 + 0.65 * uniform(rng)
        x = x * shrink + normal(rng)
        y = y * shrink + normal(rng)
        faces.mark[f, s].x = x
        faces.mark[f, s].y = y
        if uniform(rng) < par[P_TRANSFER]:
            faces.mark[f, s].kind = NOTHING
            add_mark(
                faces,
                partner,
                np.int64(kind),
                np.int64(JUST_COME),
                np.float64(-x),
                np.float64(y),
                np.float64(size),
                np.int64(fibre),
                np.int64(f),
            )
        elif uniform(rng) < (0.3 if kind == DUST else 0.12):
            faces.mark[f, s].loose = 0
            faces.mark[f, s].size = min(60.0, size * 1.2)


@inner
def join(faces, a, b, par, rng):  # type: ignore[no-untyped-def]
    """Two faces meet: both are pressed, films even out, and the sleeve sheds a little wear debris."""
    press(faces, a, b, par, rng)
    press(faces, b, a, par, rng)
    for s in range(SLOTS):
        for f in (a, b):
            if faces.mark[f, s].loose == JUST_COME:
                faces.mark[f, s].loose = 1
    mean = 0.5 * (faces.face[a].film + faces.face[b].film)
    faces.face[a].film += 0.7 * (mean - faces.face[a].film)
    faces.face[b].film += 0.7 * (mean - faces.face[b].film)
    settle(faces, a, poisson(par[P_WEAR], rng), 0.5, np.int64(-1), rng)


@inner
def clean(faces, f, method, quality, tool_dirt, par, rng):  # type: ignore[no-untyped-def]
    """One cleaning: each mark goes with a chance that depends on method, hold, size, hand and luck."""
    luck = 0.7 * normal(rng) + 0.8 * par[P_QUALITY] * quality
    before = faces.face[f].film
    for s in range(SLOTS):
        kind = faces.mark[f, s].kind
        if kind == NOTHING or kind >= PIT:
            continue
        chance = LOOSE_REMOVED[method] if faces.mark[f, s].loose and kind != RESIDUE else STUCK_REMOVED[method]
        z = math.log(chance / (1.0 - chance)) + luck - 0.03 * max(0.0, faces.mark[f, s].size - 8.0)
        if uniform(rng) < logistic(z):
            faces.mark[f, s].kind = NOTHING
            if kind == GRAIN and uniform(rng) < 0.012:
                add_mark(
                    faces,
                    f,
                    np.int64(SCRATCH),
                    np.int64(0),
                    np.float64(faces.mark[f, s].x),
                    np.float64(faces.mark[f, s].y),
                    np.float64(0.5 + 1.5 * uniform(rng)),
                    np.int64(faces.mark[f, s].fibre),
                    np.int64(-1),
                )
        elif faces.mark[f, s].loose:  # dragged
            faces.mark[f, s].x += 12.0 * normal(rng)
            faces.mark[f, s].y += 12.0 * normal(rng)
    left = FILM_LEFT[method] * math.exp(-0.5 * luck)
    faces.face[f].film = min(1.0, before * min(1.0, left))
    if before > 0.3 and method < 4 and uniform(rng) < 0.25:  # dry cleaning smears a thick film
        for _ in range(2):
            angle = 2.0 * math.pi * uniform(rng)
            r = 40.0 * uniform(rng)
            add_mark(
                faces,
                f,
                np.int64(RESIDUE),
                np.int64(0),
                np.float64(r * math.cos(angle)),
                np.float64(r * math.sin(angle)),
                np.float64(2.0 + 6.0 * uniform(rng)),
                np.int64(int(uniform(rng) * faces.face[f].fibres)),
                np.int64(-1),
            )
    if method >= 4 and uniform(rng) < 0.04 * math.exp(-0.6 * par[P_QUALITY] * quality):  # solvent left to dry
        faces.face[f].film = min(1.0, faces.face[f].film + 0.3)
        add_mark(
            faces,
            f,
            np.int64(RESIDUE),
            np.int64(0),
            np.float64(20.0 * normal(rng)),
            np.float64(20.0 * normal(rng)),
            np.float64(3.0 + 4.0 * uniform(rng)),
            np.int64(int(uniform(rng) * faces.face[f].fibres)),
            np.int64(-1),
        )
    if uniform(rng) < tool_dirt * math.exp(-0.5 * par[P_QUALITY] * quality):
        settle(faces, f, 1 + int(3.0 * uniform(rng)), 0.3, np.int64(-1), rng)


@inner
def age(faces, f, outdoor, par, rng):  # type: ignore[no-untyped-def]
    """A week of a mated face: loose dirt creeps inwards with temperature swings, films spread, dew outdoors."""
    moved = False
    for s in range(SLOTS):
        kind = faces.mark[f, s].kind
        if kind == NOTHING or kind >= PIT or faces.mark[f, s].loose == 0:
            continue
        if uniform(rng) < par[P_CREEP] * (1.6 if outdoor else 1.0):
            shrink = 0.55 + 0.5 * uniform(rng)
            faces.mark[f, s].x *= shrink
            faces.mark[f, s].y *= shrink
            moved = True
    if faces.face[f].film > 0.05 and uniform(rng) < par[P_FILM_CREEP]:
        faces.face[f].film = min(1.0, faces.face[f].film * 1.06)
        moved = True
    if outdoor and uniform(rng) < 0.0008:
        faces.face[f].film = min(1.0, faces.face[f].film + 0.25 + 0.3 * uniform(rng))
        moved = True
    return moved


@inner
def is_contaminated(faces, f):  # type: ignore[no-untyped-def]
    """Whether a perfect look would reject the face for dirt.

    Dirt of 1 um in the core zone, of more than 4 um in the cladding zone, of 10 um on the contact zone, six
    marks of 2 um in the cladding zone, or a visible film.
    """
    if faces.face[f].film > 0.3:
        return True
    middling = 0
    for s in range(SLOTS):
        kind = faces.mark[f, s].kind
        if kind == NOTHING or kind >= PIT:
            continue
        r = math.hypot(faces.mark[f, s].x, faces.mark[f, s].y)
        size = faces.mark[f, s].size
        if r < ZONE_A_UM and size >= 1.0:
            return True
        if r < ZONE_B_UM:
            if size > 5.0:
                return True
            if size >= 2.0:
                middling += 1
        elif r < ZONE_D_UM and size >= 10.0:
            return True
    return middling > 5


@inner
def is_damaged(faces, f):  # type: ignore[no-untyped-def]
    """Whether a perfect look would reject the face for pits, chips or scratches (core and cladding zones)."""
    for s in range(SLOTS):
        if faces.mark[f, s].kind < PIT:
            continue
        r = math.hypot(faces.mark[f, s].x, faces.mark[f, s].y)
        if r < ZONE_A_UM and faces.mark[f, s].size >= 1.0:
            return True
        if r < ZONE_B_UM and faces.mark[f, s].size > (5.0 if faces.mark[f, s].kind == PIT else 3.0):
            return True
    return False


@inner
def struck_by(faces, f, fibre, damage):  # type: ignore[no-untyped-def]
    """Share of the light struck by a face's dirt (`damage` 0), by its damage (1) or by both (2)."""
    w = MULTIMODE_RADIUS_UM if faces.face[f].multimode else MODE_RADIUS_1310_UM
    reach = 4.0 * w
    total = 0.0
    for s in range(SLOTS):
        kind = faces.mark[f, s].kind
        if kind == NOTHING or faces.mark[f, s].fibre != fibre:
            continue
        if damage != 2 and (kind >= PIT) != (damage == 1):
            continue
        r = math.hypot(faces.mark[f, s].x, faces.mark[f, s].y)
        if r - 0.5 * faces.mark[f, s].size > reach:
            continue
        opacity = 1.0
        if kind == DUST:
            opacity = 0.8
        elif kind == RESIDUE:
            opacity = 0.45
        elif kind == PIT:
            opacity = 0.6
        elif kind == SCRATCH:
            opacity = 0.3
        total += opacity * struck_fraction(faces.mark[f, s].size, r, w)
    return min(0.985, total)


@inner
def gap_um(faces, f):  # type: ignore[no-untyped-def]
    """Gap that the tallest particle of a face holds open once the ferrules have given way elastically. [um]"""
    tallest = 0.0
    for s in range(SLOTS):
        kind = faces.mark[f, s].kind
        if kind != DUST and kind != GRAIN:
            continue
        r = math.hypot(faces.mark[f, s].x, faces.mark[f, s].y)
        height = faces.mark[f, s].size * (0.55 if kind == GRAIN else 0.12) * max(0.0, 1.0 - r / 150.0) - 2.0
        tallest = max(tallest, height)
    return tallest


@inner
def face_excess_db(faces, f, fibre, damage):  # type: ignore[no-untyped-def]
    """Loss a single face brings to its mated pair by dirt (0), damage (1) or both (2). [dB]"""
    loss = blocked_loss_db(struck_by(faces, f, fibre, damage), faces.face[f].multimode > 0)
    if damage != 1:
        loss += 0.18 * max(0.0, faces.face[f].film - 0.1) + gap_loss_db(gap_um(faces, f), 0.5)
    return loss


@inner
def pair_shares_db(faces, a, b, fibre, ripple, out):  # type: ignore[no-untyped-def]
    """Fill out[0:4] with what dirt and damage of face a, then of face b, cost their mated pair. [dB]

    The four add up to `pair_excess_db`: struck light goes by what each strikes, the gap to the face that
    holds it open.
    """
    out[0] = struck_by(faces, a, fibre, np.int64(0))
    out[1] = struck_by(faces, a, fibre, np.int64(1))
    out[2] = struck_by(faces, b, fibre, np.int64(0))
    out[3] = struck_by(faces, b, fibre, np.int64(1))
    struck = out[0] + out[1] + out[2] + out[3]
    per_share = 0.0
    if struck > 0.0:
        per_share = blocked_loss_db(min(0.985, struck), faces.face[a].multimode > 0) / struck
    for i in range(4):
        out[i] *= per_share
    out[0] += 0.18 * max(0.0, faces.face[a].film - 0.1)
    out[2] += 0.18 * max(0.0, faces.face[b].film - 0.1)
    gap_a = gap_um(faces, a)
    gap_b = gap_um(faces, b)
    out[0 if gap_a >= gap_b else 2] += gap_loss_db(max(gap_a, gap_b), ripple)


@inner
def pair_excess_db(faces, a, b, fibre, ripple):  # type: ignore[no-untyped-def]
    """Loss of a mated pair above two spotless faces, on one fibre. [dB]"""
    struck = min(0.985, struck_by(faces, a, fibre, np.int64(2)) + struck_by(faces, b, fibre, np.int64(2)))
    loss = blocked_loss_db(struck, faces.face[a].multimode > 0)
    loss += 0.18 * (max(0.0, faces.face[a].film - 0.1) + max(0.0, faces.face[b].film - 0.1))
    return loss + gap_loss_db(max(gap_um(faces, a), gap_um(faces, b)), ripple)


@inner
def look(faces, f, eye, par, rng):  # type: ignore[no-untyped-def]
    """One look through a microscope: what it finds, in which zone, and the verdict.

    Returns (fails, finding, zone): finding as the place in FINDINGS, zone 0..3 or -1.
    """
    sharp = par[P_EYE] * eye
    zone_found = 9
    largest = 0.0
    finding = 0
    fails = False
    middling = 0
    for s in range(SLOTS):
        kind = faces.mark[f, s].kind
        if kind == NOTHING:
            continue
        size = faces.mark[f, s].size * (1.0 + 0.1 * normal(rng))
        r = math.hypot(faces.mark[f, s].x, faces.mark[f, s].y)
        if r > ZONE_D_UM:
            continue
        zone = 0 if r < ZONE_A_UM else (1 if r < ZONE_B_UM else (2 if r < ZONE_C_UM else 3))
        needed = 1.0 if zone == 0 else (2.0 if zone == 1 else 5.0)
        if uniform(rng) > 0.985 * logistic(2.6 * (size - needed) / needed + 0.9 + 0.7 * sharp):
            continue
        bad = zone == 0 or (zone == 1 and size > (5.0 if kind != SCRATCH else 3.0)) or (zone == 3 and size >= 10.0)
        if zone == 1 and 2.0 <= size <= 5.0:
            middling += 1
        if kind >= PIT and zone > 1:
            bad = False
        if not bad:
            continue
        fails = True
        if zone < zone_found or (zone == zone_found and size > largest):
            zone_found = zone
            largest = size
            seen = kind
            if uniform(rng) < 0.07:  # dirt taken for damage or the other way about
                seen = DUST if kind >= PIT else PIT
            if seen == PIT:
                u = uniform(rng)
                finding = 6 if u < 0.75 else (7 if u < 0.93 else 8)
            elif seen == SCRATCH:
                finding = 5
            elif seen == RESIDUE:
                finding = 4
            else:
                finding = 1
    if uniform(rng) < logistic(14.0 * (faces.face[f].film - 0.32) + sharp):
        fails = True
        if zone_found > 1:
            zone_found = 1
            finding = 2 if uniform(rng) < 0.75 else 3
    if middling > 5:
        fails = True
        if zone_found > 1:
            zone_found = 1
            finding = 1
    if not fails and uniform(rng) < par[P_FALSE_FIND] * math.exp(-0.5 * sharp):
        return True, 1, 1 + int(3.0 * uniform(rng))
    if not fails:
        return False, 0, -1
    return True, finding, zone_found
