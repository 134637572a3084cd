"""How probable it is that each end face is contaminated or damaged, and why.

In come integer-coded history (one stream of events in the order of the work) and the plant's ports; out come
beliefs per end face, what they rest on, and the figures learned. The steps: who met whom (planner.plant.patching),
operations (episodes), learning (learning), sweeps (sweeps), small groups exactly (exact), calibration on the
fleet's own looks (calibration). Light comes in later (face_light).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from planner.errors import ParameterError
from planner.health.episodes import DEMATE, MATE, OUTCOMES, WAITS, Operations, Stream, compile_operations
from planner.health.exact import replace_small_groups
from planner.health.learning import Classes, Rates, learn, tables_of
from planner.health.sweeps import Counts, backward, beliefs, forward, no_messages, no_trail
from planner.plant.patching import replay

Float32 = npt.NDArray[np.float32]
Float64 = npt.NDArray[np.float64]
Int8 = npt.NDArray[np.int8]
Int32 = npt.NDArray[np.int32]
Int64 = npt.NDArray[np.int64]

MOST_LEARNED = 150_000  # events that learning looks at; a larger fleet is sampled by whole ports
STREAM = (
    "seconds",
    "kind",
    "face",
    "port",
    "face_side",
    "detail",
    "technician",
    "test_set",
    "suspected",
    "known_after",
)
FACES = ("start_port", "start_face", "fixed_port", "face_kind", "batch")
Names = dict[str, list[str]]  # ids by number of site, technician, test_set and batch
NOT_RECORDED = 7  # method: what happened to an end face found dirty and closed without a recorded cleaning
DAY = 86400.0


@dataclass(frozen=True)
class History:
    """The plant and its events as arrays.

    Attributes
    ----------
    seconds, kind, face, port, face_side, detail, technician, test_set
        The stream of events in the order of the work; codes as in `planner.health.episodes`; numbers are -1
        where unknown. Shape (m,).
    suspected
        Whether an event belongs to an order that an alarm or complaint opened. Shape (m,).
    known_after
        How long after it happened the records had an event: an order reports when it is closed. Shape (m,). [s]
    start_port, start_face, fixed_port, face_kind, batch
        Per end face: where it is at the start, the port it is built into, 0 plug, 1 built in, 2 launch cord
        or test set; batch number. Shape (n,).
    port_site, port_environment
        Site number and environment (0 controlled .. 3 unknown) of each port. Shape (p,).
    end_at
        The moment beliefs are for. [s since 1970]
    """

    seconds: Int64
    kind: Int8
    face: Int32
    port: Int32
    face_side: Int8
    detail: Int8
    technician: Int32
    test_set: Int32
    suspected: npt.NDArray[np.bool_]
    known_after: Int32
    start_port: Int32
    start_face: Int8
    fixed_port: Int32
    face_kind: Int8
    batch: Int32
    port_site: Int32
    port_environment: Int8
    end_at: int

    @property
    def faces(self) -> int:
        """Number of end faces."""
        return len(self.start_port)

    def until(self, end_at: int) -> History:
        """The same plant with the events up to and including `end_at`, as the records told them then."""
        last = int(np.searchsorted(self.seconds, end_at, side="right"))
        known = self.seconds[:last] + self.known_after[:last] <= end_at
        kept = slice(last) if known.all() else np.flatnonzero(known)
        return replace(self, end_at=end_at, **{name: getattr(self, name)[kept] for name in STREAM})


def history_of(faces: pd.DataFrame, ports: pd.DataFrame, events: Mapping[str, Any], end_at: int) -> History:
    """A `History` from the store's frames (planner.store.history_queries).

    Raises
    ------
    ParameterError
        Events out of order.
    """

    def ints(values: npt.ArrayLike, dtype: type) -> Any:
        return np.ascontiguousarray(np.ma.filled(np.ma.asarray(values), -1), dtype=dtype)

    history = History(
        seconds=ints(events["at"], np.int64),
        kind=ints(events["kind"], np.int8),
        face=ints(events["face"], np.int32),
        port=ints(events["port"], np.int32),
        face_side=ints(events["face_side"], np.int8),
        detail=ints(events["detail"], np.int8),
        technician=ints(events["technician"], np.int32),
        test_set=ints(events["test_set"], np.int32),
        suspected=ints(events["suspected"], np.int8) > 0,
        known_after=ints(events["known_after"], np.int32),
        start_port=ints(faces["start_port"], np.int32),
        start_face=ints(faces["start_face"], np.int8),
        fixed_port=ints(faces["fixed_port"], np.int32),
        face_kind=ints(faces["kind"], np.int8),
        batch=ints(faces["batch"], np.int32),
        port_site=ints(ports["site_no"], np.int32),
        port_environment=ints(ports["environment"], np.int8),
        end_at=end_at,
    )
    if len(history.seconds) > 1 and bool(np.any(np.diff(history.seconds) < 0)):
        first = int(np.flatnonzero(np.diff(history.seconds) < 0)[0])
        raise ParameterError(
            f"history event {first + 1}: got a time before that of event {first}, must be in time order; "
            "sort the stream by time and kind"
        )
    return history


@dataclass(frozen=True)
class Sizes:
    """How many sites, technicians, test sets and batches a history numbers."""

    sites: int
    technicians: int
    test_sets: int
    batches: int

    @classmethod
    def of(cls, history: History) -> Sizes:
        """The sizes of a history."""
        return cls(
            int(history.port_site.max(initial=-1)) + 1,
            int(history.technician.max(initial=-1)) + 1,
            int(history.test_set.max(initial=-1)) + 1,
            int(history.batch.max(initial=-1)) + 1,
        )


@dataclass(frozen=True)
class Coded:
    """A history ready for the sweeps: its operations, what their classes mean, and who met whom."""

    operations: Operations
    classes: Classes
    partner: Int32  # of the end face of each event at a mating or demating; -1 none, shape (m,)
    port_now: Int32
    face_now: Int8
    partner_now: Int32


def code_history(history: History, sizes: Sizes | None = None) -> Coded:
    """Replay who met whom and compile the history to operations with their classes.

    `sizes` where the history is a part of another whose numbers of sites, people and test sets are to hold.
    """
    m = len(history.seconds)
    moving = np.flatnonzero((history.kind == MATE) | (history.kind == DEMATE))
    met = replay(
        history.start_port,
        history.start_face,
        history.fixed_port,
        history.seconds[moving],
        history.port[moving],
        history.face_side[moving],
        history.face[moving],
        (history.kind[moving] == DEMATE).astype(np.int8),
    )
    partner = np.full(m, -1, np.int32)
    partner[moving] = met.partner
    partner[partner == history.face] = -1

    # Where it happened: the event's port, else where the end face starts, is built in or ends up.
    home = np.where(history.fixed_port >= 0, history.fixed_port, history.start_port)
    home = np.where(home >= 0, home, met.port_now)
    sizes = sizes or Sizes.of(history)
    operations, openings = compile_operations(
        Stream(
            at=history.seconds,
            kind=history.kind,
            face=history.face,
            partner=partner,
            detail=history.detail,
            port=history.port,
            technician=history.technician,
            test_set=history.test_set,
            home=home.astype(np.int32),
            face_kind=history.face_kind,
            port_site=history.port_site,
            port_air=history.port_environment,
            sites=sizes.sites,
            technicians=sizes.technicians,
            test_sets=sizes.test_sets,
            start_partner=_start_partner(history),
            start_at=int(history.seconds[0]) if m else history.end_at,
            end_at=history.end_at,
        )
    )
    people, sets = sizes.technicians + 1, sizes.test_sets + 1
    method = np.repeat(np.arange(NOT_RECORDED, dtype=np.int32), people)
    classes = Classes(
        opening_base=openings.base,
        opening_site=openings.site,
        opening_technician=openings.technician,
        cleaning_method=np.append(method, np.int32(NOT_RECORDED)),
        cleaning_technician=np.append(np.arange(len(method), dtype=np.int32) % people - 1, np.int32(-1)),
        look_outcome=np.repeat(np.arange(OUTCOMES, dtype=np.int32), sets),
        look_test_set=np.arange(OUTCOMES * sets, dtype=np.int32) % sets - 1,
        start_kind=history.face_kind.astype(np.int32),
        start_batch=history.batch,
        sites=sizes.sites,
        technicians=sizes.technicians,
        test_sets=sizes.test_sets,
        batches=sizes.batches,
    )
    return Coded(operations, classes, partner, met.port_now, met.face_now, met.partner_now)


def _start_partner(history: History) -> Int32:
    """Who is mated with whom before the first event."""
    nothing = np.empty(0, np.int64)
    start = replay(
        history.start_port, history.start_face, history.fixed_port, nothing, nothing, nothing, nothing, nothing
    )
    return start.partner_now


def sample_by_port(history: History, most_events: int) -> History:
    """The events of a sample of whole ports, so that mated pairs stay together; all if they are few enough.

    Ports are taken by number, the same ones every time. End faces that start in no port (launch cords, cords in
    stock) are in the sample if they are used there; partners outside it drop out of the mating events. End
    faces are numbered anew.
    """
    m = len(history.seconds)
    if m <= most_events:
        return history
    step = -(-m // most_events)
    home = np.where(history.fixed_port >= 0, history.fixed_port, history.start_port)
    ports = np.arange(len(history.port_site), dtype=np.int64)
    taken_port = np.append((ports * 2654435761 >> 7) % step == 0, True)  # the last entry is for "no port"
    taken = taken_port[home]
    at_port = np.where(history.port >= 0, history.port, home[history.face])
    keep = np.flatnonzero(taken[history.face] & taken_port[at_port])
    used = np.zeros(history.faces, np.bool_)
    used[history.face[keep]] = True
    chosen = np.flatnonzero(taken & (used | (home >= 0)))
    number = np.full(history.faces, -1, np.int32)
    number[chosen] = np.arange(len(chosen), dtype=np.int32)
    return _with_faces(history, keep, chosen, number)


def _with_faces(history: History, events: Int64 | slice, faces: Int64, number: Int32) -> History:
    """Chosen events and end faces of a history; `number` is the new number of every end face."""
    values = {name: getattr(history, name)[events] for name in STREAM}
    values |= {name: getattr(history, name)[faces] for name in FACES}
    values["face"] = number[values["face"]]
    return replace(history, **values)


def named_part(history: History, names: Names) -> tuple[History, Names]:
    """The part of the plant that a history speaks of, numbered anew, with the ids by their new numbers.

    It holds the ports that events name, those where end faces with events start or are built in, and all end
    faces of these ports; sites, people, test sets and batches that occur there. Nothing that happened to what
    is left out could have mattered to what is kept, so plant that is new, or that nobody touched, changes
    nothing here.
    """
    home = np.where(history.fixed_port >= 0, history.fixed_port, history.start_port)
    port = np.zeros(len(history.port_site), np.bool_)
    port[history.port[history.port >= 0]] = True
    acted = np.zeros(history.faces, np.bool_)
    acted[history.face] = True
    port[home[acted & (home >= 0)]] = True
    faces = np.flatnonzero(acted | (np.append(port, False)[home]))
    new_face, new_port = _numbered(faces, history.faces), _numbered(np.flatnonzero(port), len(port))
    part = _with_faces(history, slice(None), faces, new_face)
    values = {name: new_port[getattr(part, name)] for name in ("port", "start_port", "fixed_port")}
    values |= {name: getattr(history, name)[port] for name in ("port_site", "port_environment")}
    kept = {}
    for kind, column in (
        ("site", "port_site"),
        ("technician", "technician"),
        ("test_set", "test_set"),
        ("batch", "batch"),
    ):
        numbers = values.get(column, getattr(part, column))
        used = np.unique(numbers[numbers >= 0])
        values[column] = _numbered(used, len(names[kind]))[numbers]
        kept[kind] = [names[kind][number] for number in used]
    return replace(part, **values), kept


def _numbered(chosen: npt.NDArray[Any], of: int) -> Int32:
    """The new number of each of `of` things, -1 for what is not chosen; the last entry is for -1."""
    number = np.full(of + 1, -1, np.int32)
    number[chosen] = np.arange(len(chosen), dtype=np.int32)
    return number


@dataclass(frozen=True)
class Inferred:
    """Beliefs from the history alone, and what explaining them needs.

    `state` (n, 4): P(clean, contaminated, damaged, both) now. `odds` (k, 2): P(not clean) of both sides after
    each operation of the last sweep. `kept` (k, 2): P(dirty before | dirty after) per operation and side.
    """

    coded: Coded
    rates: Rates
    state: Float64
    odds: Float32
    kept: Float32


@dataclass(frozen=True)
class Figures:
    """The figures that a history teaches, from how many `events` of how many end `faces`, and in how many rounds.

    `counts` are the expected counts that learning ended with, by `classes`.
    """

    rates: Rates
    events: int
    faces: int
    rounds: int
    counts: Counts
    classes: Classes


def learn_figures(history: History) -> Figures:
    """Learn the figures from a history, from a sample of its ports if it is large."""
    part = sample_by_port(history, MOST_LEARNED)
    coded = code_history(part, Sizes.of(history))
    learned = learn(coded.operations, coded.classes, part.faces)
    return Figures(learned.rates, len(part.seconds), part.faces, learned.rounds, learned.counts, coded.classes)


def infer(history: History, rates: Rates, *, explain: bool = True) -> Inferred:
    """Beliefs of all end faces at the end of a history.

    Parameters
    ----------
    history
        Plant and events.
    rates
        Figures to use, learned or prior.
    explain
        Also give what evidence lines and source tracing need (costs memory).
    """
    coded = code_history(history)
    operations = coded.operations
    tables = tables_of(rates, coded.classes, operations.waited)
    messages = no_messages(operations, history.faces)
    forward(operations, tables, messages)
    backward(operations, tables, messages)
    forward(operations, tables, messages)
    state = beliefs(messages)
    replace_small_groups(operations, tables, state)
    trail = None
    if explain:
        trail = no_trail(operations)
        backward(operations, tables, messages, trail=trail)
    return Inferred(
        coded=coded,
        rates=rates,
        state=state,
        odds=trail.odds if trail else np.empty((0, 2), np.float32),
        kept=trail.kept if trail else np.empty((0, 2), np.float32),
    )


__all__ = [
    "WAITS", "Coded", "Figures", "History", "Inferred", "Names", "code_history", "history_of", "infer",
    "learn_figures", "named_part", "sample_by_port",
]  # fmt: skip
